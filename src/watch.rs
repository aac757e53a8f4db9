//! Notices that the file was saved, however an editor does that: written in place, or a new file renamed over the old.

use std::ffi::OsString;
use std::path::{Path, PathBuf};
use std::time::Duration;

use notify::{EventKind, RecommendedWatcher, RecursiveMode, Watcher};
use tokio::sync::mpsc;
use tracing::warn;

/// So long after the last change the file is taken to be whole.
const QUIET: Duration = Duration::from_secs(1);

/// Sends on `ask` a second after the last change to the file at `path`, for as long as it lives. Must be called within
/// the runtime.
///
/// Where the folder can't be watched it says so, once: the file is then read again on SIGHUP alone.
pub fn watch(path: &Path, ask: mpsc::Sender<()>) -> Option<RecommendedWatcher> {
    let (changed, changes) = mpsc::channel(1);
    let places = places_of(path);
    let names: Vec<OsString> = places.iter().filter_map(|place| place.file_name().map(OsString::from)).collect();
    let heard = move |event: notify::Result<notify::Event>| {
        let touches = |event: &notify::Event| {
            // Reading it is no change; our own reading would be heard otherwise.
            !matches!(event.kind, EventKind::Access(_))
                && event.paths.iter().any(|path| path.file_name().is_some_and(|name| names.iter().any(|n| n == name)))
        };
        // An error may stand for a change that was lost: look at the file, that costs nothing.
        if event.as_ref().map_or(true, touches) {
            // One that waits already covers this one too.
            let _ = changed.try_send(());
        }
    };
    let watcher = notify::recommended_watcher(heard).and_then(|mut watcher| {
        for place in &places {
            watcher.watch(folder_of(place), RecursiveMode::NonRecursive)?;
        }
        Ok(watcher)
    });
    match watcher {
        Ok(watcher) => {
            tokio::spawn(ask_when_quiet(changes, ask));
            Some(watcher)
        }
        Err(because) => {
            warn!(%because, path = %path.display(), "a saved file is not noticed by itself: ask with SIGHUP");
            None
        }
    }
}

/// The file as named, and where it really is if that is elsewhere.
fn places_of(path: &Path) -> Vec<PathBuf> {
    let named = path.to_path_buf();
    match path.canonicalize() {
        Ok(real)
            if real.file_name() != named.file_name()
                || real.parent() != folder_of(&named).canonicalize().ok().as_deref() =>
        {
            vec![named, real]
        }
        _ => vec![named],
    }
}

fn folder_of(path: &Path) -> &Path {
    match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    }
}

async fn ask_when_quiet(mut changes: mpsc::Receiver<()>, ask: mpsc::Sender<()>) {
    while changes.recv().await.is_some() {
        while let Ok(Some(())) = tokio::time::timeout(QUIET, changes.recv()).await {}
        if ask.send(()).await.is_err() {
            return;
        }
    }
}
