//! Replacing a file that a person wrote: the old one is kept beside it, the new one is whole or not there at all.

use std::fs::{self, File, Metadata};
use std::io::{self, Write};
use std::os::unix::fs::{MetadataExt, OpenOptionsExt, PermissionsExt, fchown};
use std::path::{Path, PathBuf};

use chrono::{DateTime, Utc};

use super::Failure;
use super::file::{bytes, plain};

/// Puts `new` in the place of the file, and gives the path under which the old one is kept.
///
/// Written aside, on disk, then renamed; mode and owner stay, and a symbolic link is followed, so that it stays one.
///
/// # Errors
/// The file is no longer `old`: somebody saved it meanwhile. Or it can't be written; then nothing has changed.
pub fn replace(path: &Path, old: &[u8], new: &[u8], now: DateTime<Utc>) -> Result<PathBuf, Failure> {
    let failed = |error: &io::Error| Failure::Other(unwritten(path, error));
    let real = fs::canonicalize(path).map_err(|error| failed(&error))?;
    let like = fs::metadata(&real).map_err(|error| failed(&error))?;
    let kept = keep(&real, old, &like, now).map_err(|error| failed(&error))?;
    let put = || -> io::Result<bool> {
        let aside = aside(&real, new, &like)?;
        if bytes(&real).map_err(io::Error::other)? != old {
            return Ok(false);
        }
        aside.persist(&real).map_err(|error| error.error)?;
        File::open(folder(&real))?.sync_all()?;
        Ok(true)
    };
    match put() {
        Ok(true) => Ok(kept),
        other => {
            // What was kept is what stands there still.
            let _ = fs::remove_file(&kept);
            Err(match other {
                Err(error) => failed(&error),
                Ok(_) => Failure::Other(format!("{} was saved by somebody meanwhile: nothing changed", path.display())),
            })
        }
    }
}

/// Writes a new file, readable by all as far as the umask allows.
///
/// # Errors
/// There is one already, or it can't be written.
pub fn create(path: &Path, text: &[u8]) -> Result<(), Failure> {
    let put = || -> io::Result<()> {
        let mode = fs::Permissions::from_mode(0o644);
        let mut aside = tempfile::Builder::new().prefix(".lampward-").permissions(mode).tempfile_in(folder(path))?;
        aside.write_all(text)?;
        aside.as_file().sync_all()?;
        aside.persist_noclobber(path).map_err(|error| error.error)?;
        File::open(folder(path))?.sync_all()
    };
    put().map_err(|error| match error.kind() {
        io::ErrorKind::AlreadyExists => {
            Failure::Fault(format!("{} is there already: it is left as it is", path.display()))
        }
        _ => Failure::Other(unwritten(path, &error)),
    })
}

fn unwritten(path: &Path, error: &io::Error) -> String {
    let more = if error.kind() == io::ErrorKind::PermissionDenied { "; try again with sudo" } else { "" };
    format!("cannot write {}: {}{more}", path.display(), plain(error))
}

fn folder(path: &Path) -> &Path {
    path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

/// A copy of the old text beside it, under a dated name: `lampward.toml.before-20261125T031204Z`.
fn keep(path: &Path, old: &[u8], like: &Metadata, now: DateTime<Utc>) -> io::Result<PathBuf> {
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    let dated = format!("{name}.before-{}", now.format("%Y%m%dT%H%M%SZ"));
    let mut again = 1;
    loop {
        let name = if again == 1 { dated.clone() } else { format!("{dated}-{again}") };
        let kept = path.with_file_name(name);
        match fs::OpenOptions::new().write(true).create_new(true).mode(0o600).open(&kept) {
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => again += 1,
            Err(error) => return Err(error),
            Ok(mut file) => {
                let written = file.write_all(old).and_then(|()| alike(&file, like)).and_then(|()| file.sync_all());
                return match written {
                    Ok(()) => Ok(kept),
                    Err(error) => {
                        let _ = fs::remove_file(&kept);
                        Err(error)
                    }
                };
            }
        }
    }
}

/// The new text in a file beside it, on disk; gone again unless it is put in place.
fn aside(path: &Path, text: &[u8], like: &Metadata) -> io::Result<tempfile::NamedTempFile> {
    let mut aside = tempfile::Builder::new().prefix(".lampward-").tempfile_in(folder(path))?;
    aside.write_all(text)?;
    alike(aside.as_file(), like)?;
    aside.as_file().sync_all()?;
    Ok(aside)
}

/// Gives a file owner, group and mode of another.
fn alike(file: &File, like: &Metadata) -> io::Result<()> {
    let is = file.metadata()?;
    if (is.uid(), is.gid()) != (like.uid(), like.gid()) {
        fchown(file, Some(like.uid()), Some(like.gid()))?;
    }
    file.set_permissions(fs::Permissions::from_mode(like.mode() & 0o7777))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn now() -> DateTime<Utc> {
        "2026-11-25T03:12:04Z".parse().expect("an instant")
    }

    fn names(folder: &Path) -> Vec<String> {
        let entries = fs::read_dir(folder).expect("a folder");
        let mut names: Vec<String> =
            entries.map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned()).collect();
        names.sort();
        names
    }

    #[test]
    fn the_old_file_is_kept_under_a_dated_name_and_mode_and_link_stay() {
        let folder = tempfile::tempdir().expect("a folder");
        let (real, link) = (folder.path().join("real.toml"), folder.path().join("lampward.toml"));
        fs::write(&real, "old").expect("a file");
        fs::set_permissions(&real, fs::Permissions::from_mode(0o640)).expect("its own file");
        std::os::unix::fs::symlink("real.toml", &link).expect("a link");

        let kept = replace(&link, b"old", b"new", now()).expect("written");
        assert_eq!(kept, folder.path().canonicalize().expect("it is there").join("real.toml.before-20261125T031204Z"));
        assert_eq!((fs::read(&kept).ok(), fs::read(&link).ok()), (Some(b"old".to_vec()), Some(b"new".to_vec())));
        assert!(fs::symlink_metadata(&link).expect("it is there").file_type().is_symlink());
        for path in [&real, &kept] {
            assert_eq!(fs::metadata(path).expect("it is there").mode() & 0o7777, 0o640);
        }

        replace(&link, b"new", b"newer", now()).expect("written");
        let expected =
            ["lampward.toml", "real.toml", "real.toml.before-20261125T031204Z", "real.toml.before-20261125T031204Z-2"];
        assert_eq!(names(folder.path()), expected);
    }

    #[test]
    fn a_file_that_somebody_saved_meanwhile_is_left_alone() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("lampward.toml");
        fs::write(&path, "theirs").expect("a file");
        let Err(Failure::Other(why)) = replace(&path, b"old", b"new", now()) else { panic!("it was replaced") };
        assert!(why.contains("meanwhile"), "{why}");
        assert_eq!(
            (names(folder.path()), fs::read(&path).ok()),
            (vec!["lampward.toml".to_owned()], Some(b"theirs".to_vec()))
        );
    }

    #[test]
    fn a_new_file_takes_no_other_s_place() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("lampward.toml");
        create(&path, b"first").expect("written");
        assert!(matches!(create(&path, b"second"), Err(Failure::Fault(_))));
        assert_eq!(
            (names(folder.path()), fs::read(&path).ok()),
            (vec!["lampward.toml".to_owned()], Some(b"first".to_vec()))
        );
    }
}
