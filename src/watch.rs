//! Notices that the file was saved, however an editor does that: written in place, a new file renamed over the old, a
//! link on the way to it made to point elsewhere.

use std::collections::{BTreeMap, HashSet, VecDeque};
use std::ffi::{OsStr, OsString};
use std::os::unix::fs::MetadataExt;
use std::path::{Component, Path, PathBuf};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use std::{fs, thread};

use notify::{EventKind, RecommendedWatcher, RecursiveMode, Watcher};
use tokio::sync::mpsc;
use tracing::warn;

/// So long after the last change the file is taken to be whole.
const QUIET: Duration = Duration::from_secs(1);

/// Where a folder can't be watched, because it is not there, the file is read again this often.
const AGAIN_AFTER: Duration = Duration::from_secs(10);

/// No more links are followed than the kernel would (path_resolution(7)).
const LINKS: usize = 40;

/// Sends on `ask` a second after the last change to the file at `path`, for as long as anyone listens. Has a thread of
/// its own, which a disk that hangs may hold up.
///
/// Where a folder can't be watched it says so, once, and goes on trying: until then the file is read again on SIGHUP.
pub fn watch(path: &Path, ask: mpsc::Sender<()>) {
    let path = path.to_owned();
    let spawned = thread::Builder::new().name("watch".into()).spawn(move || {
        if let Err(because) = follow(&path, &ask) {
            unnoticed(&path, &because);
        }
    });
    if let Err(because) = spawned {
        warn!(%because, "a saved file is not noticed by itself: ask with SIGHUP");
    }
}

fn unnoticed(path: &Path, because: &notify::Error) {
    warn!(%because, path = %path.display(), "a saved file is not noticed by itself: ask with SIGHUP");
}

fn follow(path: &Path, ask: &mpsc::Sender<()>) -> notify::Result<()> {
    let (changed, changes) = sync_channel(1);
    let names = Arc::default();
    let mut watching = Watching { watcher: watcher(changed, Arc::clone(&names))?, folders: BTreeMap::new() };
    let (mut said, mut changed) = (false, false);
    loop {
        let places = places_of(path);
        let of_interest = places.iter().flat_map(|place| [place.file_name(), folder_of(place).file_name()]);
        *names.lock().unwrap_or_else(PoisonError::into_inner) =
            of_interest.flatten().map(OsStr::to_owned).collect::<HashSet<OsString>>();
        let watched = watching.watch(&places);
        // Only now, when the links may have been followed anew: nothing that is saved while it is read is overlooked.
        if changed && ask.blocking_send(()).is_err() {
            return Ok(());
        }
        changed = match watched {
            Ok(()) => wait(&changes),
            Err(because) => {
                if !std::mem::replace(&mut said, true) {
                    unnoticed(path, &because);
                }
                // What is saved while nobody watches is found by looking.
                thread::sleep(AGAIN_AFTER);
                true
            }
        };
    }
}

/// Waits for a change and until all is quiet after it.
fn wait(changes: &Receiver<()>) -> bool {
    let changed = changes.recv().is_ok();
    while changes.recv_timeout(QUIET).is_ok() {}
    changed
}

fn watcher(changed: SyncSender<()>, names: Arc<Mutex<HashSet<OsString>>>) -> notify::Result<RecommendedWatcher> {
    notify::recommended_watcher(move |event: notify::Result<notify::Event>| {
        let names = names.lock().unwrap_or_else(PoisonError::into_inner);
        let touches = |event: &notify::Event| {
            // Reading it is no change; our own reading would be heard otherwise.
            !matches!(event.kind, EventKind::Access(_))
                && event.paths.iter().any(|path| path.file_name().is_some_and(|name| names.contains(name)))
        };
        // An error may stand for a change that was lost: look at the file, that costs nothing.
        if event.as_ref().map_or(true, touches) {
            // One that waits already covers this one too.
            let _ = changed.try_send(());
        }
    })
}

/// The folders that are watched, by path, each with device and number: another may take its place.
struct Watching {
    watcher: RecommendedWatcher,
    folders: BTreeMap<PathBuf, (u64, u64)>,
}

impl Watching {
    /// Watches the folders of these places and no others.
    fn watch(&mut self, places: &[PathBuf]) -> notify::Result<()> {
        let number = |folder: &Path| fs::metadata(folder).map(|meta| (meta.dev(), meta.ino())).ok();
        let wanted: Vec<&Path> = places.iter().map(|place| folder_of(place)).collect();
        let gone = self
            .folders
            .iter()
            .filter(|(folder, is)| !wanted.contains(&folder.as_path()) || number(folder) != Some(**is));
        for folder in gone.map(|(folder, _)| folder.clone()).collect::<Vec<_>>() {
            self.folders.remove(&folder);
            // It may be gone, and the watch with it.
            let _ = self.watcher.unwatch(&folder);
        }
        for folder in wanted {
            if !self.folders.contains_key(folder) {
                self.watcher.watch(folder, RecursiveMode::NonRecursive)?;
                self.folders.insert(folder.to_owned(), number(folder).unwrap_or_default());
            }
        }
        Ok(())
    }
}

/// Everywhere that a change can give the path another content: the file as named, each link on the way, and the file
/// where it really is.
fn places_of(path: &Path) -> Vec<PathBuf> {
    let mut places = vec![path.to_owned()];
    let mut at = PathBuf::new();
    let parts = |path: &Path| path.components().map(|part| part.as_os_str().to_owned()).collect::<VecDeque<_>>();
    let mut left = parts(path);
    let mut links = 0;
    while let Some(part) = left.pop_front() {
        match Path::new(&part).components().next() {
            Some(Component::ParentDir) if at.file_name().is_some() => {
                at.pop();
            }
            Some(Component::CurDir) | None => {}
            _ => {
                let next = at.join(&part);
                match fs::read_link(&next) {
                    Ok(target) if links < LINKS => {
                        links += 1;
                        places.push(next);
                        let mut before = parts(&target);
                        before.append(&mut left);
                        left = before;
                    }
                    _ => at = next,
                }
            }
        }
    }
    places.push(at);
    places.sort();
    places.dedup();
    places
}

fn folder_of(path: &Path) -> &Path {
    match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    }
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::symlink;

    use super::*;

    #[test]
    fn every_link_on_the_way_to_the_file_is_a_place_where_it_can_change() {
        let base = tempfile::tempdir().expect("a folder");
        let base = base.path().canonicalize().expect("there");
        for folder in ["etc", "data/one"] {
            fs::create_dir_all(base.join(folder)).expect("made");
        }
        fs::write(base.join("data/one/house.toml"), "").expect("written");
        symlink("one", base.join("data/now")).expect("linked");
        symlink("../data/now/house.toml", base.join("etc/lampward.toml")).expect("linked");
        symlink("round", base.join("etc/round")).expect("linked");
        let check = |named: &str, expected: &[&str]| {
            let expected: Vec<PathBuf> = expected.iter().map(|place| base.join(place)).collect();
            assert_eq!(places_of(&base.join(named)), expected);
        };
        check("etc/lampward.toml", &["data/now", "data/one/house.toml", "etc/lampward.toml"]);
        check("data/one/house.toml", &["data/one/house.toml"]);
        check("data/now/house.toml", &["data/now", "data/now/house.toml", "data/one/house.toml"]);
        check("etc/not yet.toml", &["etc/not yet.toml"]);
        check("etc/round", &["etc/round"]);
        assert_eq!(places_of(Path::new("house.toml")), [PathBuf::from("house.toml")]);
    }
}
