//! What stands where a file of ours belongs: a damaged file, a folder, a pipe, a link to nothing. It is set aside
//! under a dated name, so that a new file can be begun and a person can look at what was there.

use std::fs;
use std::io;
use std::os::unix::fs::FileTypeExt;
use std::path::{Path, PathBuf};

use chrono::{DateTime, Utc};
use rustix::fs::{Access, access};
use rustix::io::Errno;
use tracing::{debug, warn};

use super::{StateFault, make_folder};
use crate::clock;

/// How many damaged files of one name are kept for a person to look at; the oldest go first.
const SET_ASIDE_KEPT: usize = 5;

/// What we do with a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Use {
    /// It is read, and a new one takes its place.
    Replaced,
    /// It is read, and written where it stands.
    Written,
}

/// Makes the folder again where it is gone, and sets aside whatever stands at `path` and is no file that we can use.
/// Says whether any of it was needed and could be done; it is in the log then.
pub fn restore(path: &Path, used: Use) -> bool {
    let folder = path.parent().unwrap_or(Path::new("."));
    let made = !folder.exists() && make_folder(folder).is_ok();
    if made {
        warn!(folder = %folder.display(), "the state folder was not there; it is made");
    }
    let cleared = clear(path, used);
    made || cleared
}

fn clear(path: &Path, used: Use) -> bool {
    let Some(because) = in_the_way(path, used) else { return false };
    match set_aside(path, clock::wall()) {
        Ok(aside) => {
            warn!(
                path = %path.display(), aside = %aside.display(), because,
                "something else stood in the place of a file; it is set aside, and a new one begun"
            );
            true
        }
        Err(fault) => {
            // Whoever wanted the file says that it can't be had.
            debug!(because, %fault, "something else stands in the place of a file");
            false
        }
    }
}

/// Why what stands at the path is of no use as a file; `None` where it is, or nothing stands there, or nobody can say.
fn in_the_way(path: &Path, used: Use) -> Option<&'static str> {
    let itself = fs::symlink_metadata(path).ok()?.file_type();
    if itself.is_symlink() {
        match fs::metadata(path) {
            Ok(target) if target.is_file() => {}
            Ok(_) => return Some("a link to something that is no file"),
            Err(_) => return Some("a link to nothing"),
        }
    } else if itself.is_dir() {
        return Some("a folder");
    } else if itself.is_fifo() || itself.is_socket() {
        return Some("a pipe or a socket");
    } else if !itself.is_file() {
        return Some("a device");
    }
    // Without opening it: SQLite's locks would be lost with the descriptor.
    let wanted = if used == Use::Written { Access::READ_OK | Access::WRITE_OK } else { Access::READ_OK };
    match access(path, wanted) {
        Err(Errno::ACCESS) => Some("a file that belongs to somebody else"),
        _ => None,
    }
}

/// Moves a damaged file out of the way under a dated name and gives the new name: `daybook.sqlite` becomes
/// `daybook.sqlite.damaged-20261124T150311Z`. The last five of a name are kept.
pub fn set_aside(path: &Path, now: DateTime<Utc>) -> Result<PathBuf, StateFault> {
    let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let stem = format!("{name}.damaged-");
    let dated = format!("{stem}{}", now.format("%Y%m%dT%H%M%SZ"));
    let mut aside = path.with_file_name(&dated);
    for again in 2.. {
        if matches!(fs::symlink_metadata(&aside), Err(error) if error.kind() == io::ErrorKind::NotFound) {
            break;
        }
        if again > 1_000 {
            break;
        }
        aside = path.with_file_name(format!("{dated}-{again}"));
    }
    fs::rename(path, &aside).map_err(|error| StateFault::new("set aside the damaged", path, &error))?;
    forget_oldest(path.parent().unwrap_or(Path::new(".")), &stem);
    Ok(aside)
}

/// Folders stay: nobody knows what is in them.
fn forget_oldest(folder: &Path, stem: &str) {
    let Ok(entries) = fs::read_dir(folder) else { return };
    let mut aside: Vec<(std::time::SystemTime, PathBuf)> = entries
        .filter_map(Result::ok)
        .filter(|entry| entry.file_name().to_string_lossy().starts_with(stem))
        .filter(|entry| entry.file_type().is_ok_and(|kind| !kind.is_dir()))
        .filter_map(|entry| Some((entry.metadata().and_then(|meta| meta.modified()).ok()?, entry.path())))
        .collect();
    aside.sort();
    let over = aside.len().saturating_sub(SET_ASIDE_KEPT);
    for (_, path) in &aside[..over] {
        let _ = fs::remove_file(path);
    }
}
