//! A disk in memory whose power can be cut, for tests.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};

use super::durable::Disk;

/// A disk as POSIX allows it to be: what was not synced may be there after a power cut, or not, or in part.
#[derive(Default)]
pub struct Fickle {
    files: RefCell<Vec<Content>>,
    /// Names as programs see them.
    names: RefCell<BTreeMap<PathBuf, usize>>,
    /// Names as they are on disk for certain.
    names_on_disk: RefCell<BTreeMap<PathBuf, usize>>,
    /// Changes of names since the folder was synced, in order; any number of them, from the first, may be on disk.
    renamed: RefCell<Vec<BTreeMap<PathBuf, usize>>>,
    /// How many more things it does before the power is cut.
    left: RefCell<usize>,
}

#[derive(Clone)]
struct Content {
    seen: Vec<u8>,
    on_disk: Option<Vec<u8>>,
}

impl Fickle {
    /// An empty one that does so many things before the power is cut.
    pub fn that_does(steps: usize) -> Fickle {
        Fickle { left: steps.into(), ..Fickle::default() }
    }

    fn does_one_more(&self) -> io::Result<()> {
        let mut left = self.left.borrow_mut();
        *left = left.checked_sub(1).ok_or_else(|| io::Error::other("the power is gone"))?;
        Ok(())
    }

    fn named(&self, change: impl FnOnce(&mut BTreeMap<PathBuf, usize>)) {
        change(&mut self.names.borrow_mut());
        self.renamed.borrow_mut().push(self.names.borrow().clone());
    }

    /// The power comes back; the dice say what of the unsynced was kept.
    pub fn content_after_power_cut(&self, path: &Path, dice: &mut fastrand::Rng) -> Option<Vec<u8>> {
        let renamed = self.renamed.borrow();
        let kept = dice.usize(..=renamed.len());
        let names = if kept == 0 { self.names_on_disk.borrow().clone() } else { renamed[kept - 1].clone() };
        let content = self.files.borrow()[*names.get(path)?].clone();
        Some(content.on_disk.unwrap_or_else(|| {
            let length = dice.usize(..=content.seen.len());
            // A page that was never written reads as zeros on some file systems.
            let mut part = content.seen[..length].to_vec();
            part.resize(if dice.bool() { content.seen.len() } else { length }, 0);
            part
        }))
    }
}

impl Disk for Fickle {
    fn write(&self, path: &Path, content: &[u8]) -> io::Result<()> {
        self.does_one_more()?;
        let known = self.names.borrow().get(path).copied();
        let fresh = Content { seen: content.to_vec(), on_disk: None };
        if let Some(known) = known {
            self.files.borrow_mut()[known] = fresh;
            return Ok(());
        }
        let number = self.files.borrow().len();
        self.files.borrow_mut().push(fresh);
        self.named(|names| {
            names.insert(path.into(), number);
        });
        Ok(())
    }

    fn sync(&self, path: &Path) -> io::Result<()> {
        self.does_one_more()?;
        let number = self.names.borrow()[path];
        let content = &mut self.files.borrow_mut()[number];
        content.on_disk = Some(content.seen.clone());
        Ok(())
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.does_one_more()?;
        self.named(|names| {
            let number = names.remove(from).expect("it is there");
            names.insert(to.into(), number);
        });
        Ok(())
    }

    fn sync_folder(&self, _: &Path) -> io::Result<()> {
        self.does_one_more()?;
        *self.names_on_disk.borrow_mut() = self.names.borrow().clone();
        self.renamed.borrow_mut().clear();
        Ok(())
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        self.does_one_more()?;
        self.named(|names| {
            names.remove(path);
        });
        Ok(())
    }
}
