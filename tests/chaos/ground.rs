//! The house: daemon, broker, plugs and people, each in a process of its own, but for the people.

use std::cell::RefCell;
use std::fs;
use std::time::{Duration, Instant};

use fastrand::Rng;
use tempfile::TempDir;

use crate::house::{Daemon, Home, free_port};
use crate::judge::Figures;
use crate::lamps::{self, Plan};
use crate::mosquitto::{Mosquitto, program};
use crate::people::People;
use crate::remote::Remote;

/// `PLUGS` as an account of the own broker, hashed by the crate argon2 0.6 at its least cost (8 KiB, one pass): fifty plugs
/// come in at once after each kill.
const PLUGS_ACCOUNT: &str =
    "plugs:$argon2id$v=19$m=8,t=1,p=1$c2FsdHNhbHRzYWx0c2FsdA$dGeOgOtoKClB1ZQGM8ivqjC89q03m7czsVi74sSfjxU\n";

/// Everything of one run. Fields are dropped from the top: the daemon first, so that nobody waits for it.
pub struct Ground {
    daemon: Option<Daemon>,
    pub plugs: Remote,
    /// `None`: the daemon serves its own.
    pub mosquitto: Option<Mosquitto>,
    pub people: People,
    pub home: Home,
    pub folder: TempDir,
    pub rng: Rng,
    pub figures: RefCell<Figures>,
    pub seed: u64,
    /// How many times the bounds a machine busy with other tests may take.
    pub lenience: u32,
}

impl Ground {
    /// With a mosquitto that keeps its memory on disk, or with the own broker.
    pub fn new(own: bool, seed: u64, lenience: u32) -> Ground {
        let folder = tempfile::tempdir().unwrap();
        let path = |name: &str| folder.path().join(name).display().to_string();
        let plan = Plan::new(lampward::clock::wall());
        let (mosquitto, port, broker) = if own {
            fs::write(path("accounts"), PLUGS_ACCOUNT).unwrap();
            let port = free_port();
            let broker = format!("serve = \"127.0.0.1:{port}\"\naccounts_file = {:?}", path("accounts"));
            (None, port, broker)
        } else {
            fs::create_dir(path("kept")).unwrap();
            fs::write(path("password"), lamps::DAEMON.1).unwrap();
            write_accounts(&folder, lamps::DAEMON.1);
            let mosquitto = Mosquitto::with(&format!(
                "allow_anonymous false\npassword_file {}\npersistence true\npersistence_location {}/\n\
                 autosave_interval 5\n",
                path("accounts"),
                path("kept")
            ));
            let broker = format!(
                "address = \"mqtt://{}\"\nuser = \"{}\"\npassword_file = {:?}",
                mosquitto.address(),
                lamps::DAEMON.0,
                path("password")
            );
            let port = mosquitto.port();
            (Some(mosquitto), port, broker)
        };
        let home = Home::new(&format!("[broker]\n{broker}\n{}", plan.file()));
        let daemon = home.start();
        let mut rng = Rng::with_seed(seed);
        let people = People::start(daemon.page(), plan, rng.fork());
        Ground {
            daemon: Some(daemon),
            plugs: Remote::start(port),
            mosquitto,
            people,
            home,
            folder,
            rng,
            figures: RefCell::default(),
            seed,
            lenience,
        }
    }

    /// The running daemon.
    pub fn daemon(&self) -> &Daemon {
        self.daemon.as_ref().expect("the daemon runs")
    }

    /// The daemon, to be ended.
    pub fn take_daemon(&mut self) -> Daemon {
        self.daemon.take().expect("the daemon runs")
    }

    /// Starts it again.
    pub fn start_daemon(&mut self) {
        self.put_daemon(self.home.start());
    }

    /// One that was started.
    pub fn put_daemon(&mut self, daemon: Daemon) {
        self.daemon = Some(daemon);
    }

    /// The mosquitto of this run.
    pub fn mosquitto(&mut self) -> &mut Mosquitto {
        self.mosquitto.as_mut().expect("a run with mosquitto")
    }

    /// Waits until `/status` says so of the broker.
    #[track_caller]
    pub fn until_broker(&self, what: &str, says: impl Fn(&serde_json::Value) -> bool) {
        let begun = Instant::now();
        while !says(&self.daemon().status()["broker"]) {
            assert!(
                begun.elapsed() < Duration::from_secs(60) * self.lenience,
                "seed={}: the broker is not {what}: {}\n{}",
                self.seed,
                self.daemon().status()["broker"],
                self.told_of("broker")
            );
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// The time that a fault lasts, or until it comes: a part of the fault, drawn from the seed.
    pub fn lasts(&mut self, from_ms: u64, to_ms: u64) {
        std::thread::sleep(Duration::from_millis(self.rng.u64(from_ms..=to_ms)));
    }
}

/// mosquitto's accounts: the daemon with this password, and the plugs.
pub fn write_accounts(folder: &TempDir, password: &str) {
    let file = folder.path().join("accounts");
    fs::write(&file, "").unwrap();
    for (user, password) in [(lamps::DAEMON.0, password), lamps::PLUGS] {
        let made = program("mosquitto_passwd").arg("-b").arg(&file).args([user, password]).status();
        assert!(made.expect("mosquitto_passwd: is the package mosquitto installed?").success());
    }
}
