//! A daemon whose state folder is a small disk of its own: a tmpfs in a mount namespace that ends with it.
//!
//! Root needs `unshare` and `mount` alone; anyone else needs user namespaces as well.

use std::path::PathBuf;
use std::process::Command;

use crate::house::{Daemon, Home};

/// A daemon and the disk under its state folder.
pub struct Disk {
    pub daemon: Daemon,
    inside: PathBuf,
}

fn is_root() -> bool {
    rustix::process::geteuid().is_root()
}

impl Disk {
    /// Starts the daemon on a new disk, mounted with these options of tmpfs(5).
    #[track_caller]
    pub fn start(home: &Home, options: &str) -> Disk {
        std::fs::create_dir_all(home.state()).unwrap();
        let mut unshare = Command::new("unshare");
        if !is_root() {
            unshare.args(["--user", "--map-root-user"]);
        }
        // The daemon takes the place of the shell: signals to the child are signals to it.
        unshare.args(["--mount", "--propagation", "private", "--", "sh", "-c"]);
        unshare.arg("mount -t tmpfs -o \"$1\" none \"$2\" || { echo 'NO DISK' >&2; exit 77; }; shift 2; exec \"$@\"");
        unshare.arg("sh").arg(options).arg(home.state()).arg(env!("CARGO_BIN_EXE_lampward"));
        let daemon = home.start_by(unshare);
        let up = crate::house::until("the disk is mounted", || {
            let log = daemon.log();
            if log.contains("unshare:") || log.contains("NO DISK") {
                return Some(false);
            }
            (daemon.ask("GET", "/status", None).is_some()).then_some(true)
        });
        assert!(
            up,
            "no disk could be mounted: run this test as root, or allow user namespaces \
             (sysctl kernel.unprivileged_userns_clone=1, kernel.apparmor_restrict_unprivileged_userns=0); \
             in a container it needs the capability SYS_ADMIN\n{}",
            daemon.log()
        );
        let inside = format!("/proc/{}/root", daemon.pid().as_raw_nonzero());
        let inside = PathBuf::from(inside).join(home.state().strip_prefix("/").unwrap());
        Disk { daemon, inside }
    }

    /// The state folder, as the daemon sees it.
    pub fn folder(&self) -> &std::path::Path {
        &self.inside
    }

    /// Mounts the disk with other options while the daemon runs.
    #[track_caller]
    pub fn remount(&self, options: &str) {
        let pid = self.daemon.pid().as_raw_nonzero().to_string();
        let mut nsenter = Command::new("nsenter");
        nsenter.args(["--target", &pid, "--mount"]);
        if !is_root() {
            nsenter.args(["--user", "--preserve-credentials"]);
        }
        let folder = self.inside.to_string_lossy();
        let folder = &folder[folder.find("/root").unwrap() + "/root".len()..];
        let done = nsenter.args(["mount", "-o", &format!("remount,{options}"), folder]).status().unwrap();
        assert!(done.success(), "the disk could not be mounted as {options}");
    }
}
