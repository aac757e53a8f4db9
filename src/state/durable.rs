//! Replacing a file so that a power cut at any moment leaves the old content or the new one, whole; and once it is
//! said to be done, the new one.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

use super::NONBLOCK;

/// What a disk is asked to do, one thing at a time, so that a test can cut the power between any two.
pub trait Disk {
    /// A new or emptied file that only its owner can read, with this content; nothing of it need be on disk yet.
    fn write(&self, path: &Path, content: &[u8]) -> io::Result<()>;
    /// The content of the file is on disk when this returns.
    fn sync(&self, path: &Path) -> io::Result<()>;
    /// The file takes the place of the other.
    fn rename(&self, from: &Path, to: &Path) -> io::Result<()>;
    /// The names in the folder are on disk when this returns.
    fn sync_folder(&self, folder: &Path) -> io::Result<()>;
    /// The file is gone.
    fn remove(&self, path: &Path) -> io::Result<()>;
}

/// The real one.
pub struct System;

impl Disk for System {
    fn write(&self, path: &Path, content: &[u8]) -> io::Result<()> {
        let mut file =
            OpenOptions::new().create(true).truncate(true).write(true).mode(0o600).custom_flags(NONBLOCK).open(path)?;
        file.write_all(content)
    }

    fn sync(&self, path: &Path) -> io::Result<()> {
        // fsync(2) is about the file, not about the descriptor that wrote it.
        OpenOptions::new().write(true).custom_flags(NONBLOCK).open(path)?.sync_all()
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        fs::rename(from, to)
    }

    fn sync_folder(&self, folder: &Path) -> io::Result<()> {
        File::open(folder)?.sync_all()
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        fs::remove_file(path)
    }
}

/// Where the new content is written before it takes the place of the old.
pub fn aside(path: &Path) -> PathBuf {
    path.with_file_name(format!(".{}.new", path.file_name().unwrap_or_default().to_string_lossy()))
}

/// Writes the content aside, and puts it in the place of `path` once it is on disk.
pub fn replace(disk: &impl Disk, path: &Path, content: &[u8]) -> io::Result<()> {
    let aside = aside(path);
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let put = || {
        disk.write(&aside, content)?;
        disk.sync(&aside)?;
        disk.rename(&aside, path)?;
        disk.sync_folder(folder)
    };
    put().inspect_err(|_| {
        // Half a file aside helps nobody and takes room that may be short.
        let _ = disk.remove(&aside);
    })
}

#[cfg(test)]
mod tests {
    use super::super::fickle::Fickle;
    use super::*;

    /// Writes one content after the other until the power is cut. Fails unless what is found afterwards is the last
    /// that was said to be done, or the one under way.
    fn cut_the_power_after(steps: usize, seed: u64, put: impl Fn(&Fickle, &Path, &[u8]) -> io::Result<()>) -> bool {
        let mut dice = fastrand::Rng::with_seed(seed);
        let disk = Fickle::that_does(steps);
        let path = Path::new("/state/overrides.json");
        let mut done: Option<Vec<u8>> = None;
        for number in 0.. {
            let content = format!("content number {number} {}", "x".repeat(dice.usize(..50))).into_bytes();
            if put(&disk, path, &content).is_ok() {
                done = Some(content);
                continue;
            }
            let found = disk.content_after_power_cut(path, &mut dice);
            return found == done || found == Some(content);
        }
        unreachable!("the power is cut at last")
    }

    #[test]
    fn what_was_said_to_be_written_survives_a_power_cut_at_any_moment() {
        for steps in 0..100 {
            for seed in 0..50 {
                assert!(cut_the_power_after(steps, seed, replace), "cut after {steps} steps, seed {seed}");
            }
        }
    }

    #[test]
    fn the_model_finds_each_step_that_is_left_out() {
        let aside = Path::new("/state/aside");
        type Put<'a> = &'a dyn Fn(&Fickle, &Path, &[u8]) -> io::Result<()>;
        let finds = |put: Put<'_>| (0..100).any(|steps| (0..50).any(|seed| !cut_the_power_after(steps, seed, put)));
        assert!(finds(&|disk, path, content| {
            disk.write(aside, content)?;
            disk.rename(aside, path)?;
            disk.sync_folder(Path::new("/state"))
        }));
        assert!(finds(&|disk, path, content| {
            disk.write(aside, content)?;
            disk.sync(aside)?;
            disk.rename(aside, path)
        }));
        assert!(finds(&|disk, path, content| {
            disk.write(path, content)?;
            disk.sync(path)?;
            disk.sync_folder(Path::new("/state"))
        }));
    }
}
