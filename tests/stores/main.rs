//! What is on disk: real files in real folders, torn, truncated, in the way of each other and too slow.

mod daybook;
mod overrides;
mod torn_daybook;

use std::fs;
use std::io::Write;
use std::path::Path;
use std::sync::{Arc, Mutex, OnceLock};
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use lampward::daybook::{Daybook, Filter};
use lampward::keepsake::KeepsakeFile;
use lampward::pure::entry::{Entry, EntryKind};
use lampward::pure::keeper::{Ends, Hand, Keepsake, Override};
use lampward::pure::power::Power;
use lampward::state::{State, folder_of};
use tempfile::TempDir;

fn utc(text: &str) -> DateTime<Utc> {
    DateTime::parse_from_rfc3339(text).expect("an instant").to_utc()
}

fn now() -> DateTime<Utc> {
    utc("2026-11-24T15:03:11Z")
}

fn folder() -> TempDir {
    tempfile::tempdir().expect("a folder")
}

/// Everything the stores log in this test run; lines name the path they are about.
fn log() -> &'static Arc<Mutex<Vec<u8>>> {
    #[derive(Clone)]
    struct Kept(Arc<Mutex<Vec<u8>>>);
    impl Write for Kept {
        fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
            self.0.lock().expect("not poisoned").extend_from_slice(bytes);
            Ok(bytes.len())
        }
        fn flush(&mut self) -> std::io::Result<()> {
            Ok(())
        }
    }
    static LOG: OnceLock<Arc<Mutex<Vec<u8>>>> = OnceLock::new();
    LOG.get_or_init(|| {
        let kept = Arc::new(Mutex::new(Vec::new()));
        let writer = Kept(kept.clone());
        tracing_subscriber::fmt().with_ansi(false).with_writer(move || writer.clone()).init();
        kept
    })
}

/// How many lines of the log are about `folder` and contain `words`.
fn said(folder: &Path, words: &str) -> usize {
    let text = String::from_utf8_lossy(&log().lock().expect("not poisoned")).into_owned();
    text.lines().filter(|line| line.contains(&folder.display().to_string()) && line.contains(words)).count()
}

fn set_aside(folder: &Path) -> Vec<String> {
    let entries = fs::read_dir(folder).expect("the folder can be read");
    let names = entries.map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned());
    names.filter(|name| name.contains(".damaged-")).collect()
}

fn until(what: &str, is_so: impl Fn() -> bool) {
    // Far beyond any card: whoever waits this long has failed.
    for _ in 0..12_000 {
        if is_so() {
            return;
        }
        std::thread::sleep(Duration::from_millis(5));
    }
    panic!("it never came to that: {what}");
}

fn keepsake() -> Keepsake {
    let standing = |wanted, ends, by_trusted_clock, before| Override {
        wanted,
        ends,
        because: "on until 23:10, the planned switch-off".into(),
        since: utc("2026-11-24T15:03:11.123456789Z"),
        by_trusted_clock,
        before,
    };
    Keepsake {
        overrides: vec![
            ("jetty".into(), standing(Power::On, Ends::At(utc("2026-11-24T22:10:00Z")), true, vec![])),
            (
                "parlour".into(),
                standing(
                    Power::Off,
                    Ends::After { whole: Duration::new(2_700, 1), at: utc("2026-11-24T15:48:11Z") },
                    false,
                    vec![("house/parlour".into(), Some(Power::On)), ("house/\"ö\"".into(), None)],
                ),
            ),
            ("festoon".into(), standing(Power::On, Ends::Cancelled, true, vec![])),
        ],
        hands: vec![(
            "yard/3".into(),
            Hand { wanted: Power::Off, until: utc("2026-11-25T07:59:07Z"), since: utc("2026-11-24T15:00:00.5Z") },
        )],
    }
}

fn kept_in(folder: &Path) -> Keepsake {
    KeepsakeFile::load(folder, now()).1
}

fn entry(at: DateTime<Utc>, because: &str) -> Entry {
    Entry {
        at,
        kind: EntryKind::Late,
        channel: "jetty".into(),
        plug: Some("yard/3".into()),
        wanted: Some(Power::On),
        because: because.into(),
        due: Some(at - TimeDelta::seconds(125)),
        late: Some(TimeDelta::milliseconds(125_250)),
    }
}

fn all(daybook: &Daybook) -> Vec<Entry> {
    let reader = daybook.reader();
    reader.past(DateTime::UNIX_EPOCH, utc("2200-01-01T00:00:00Z"), &Filter::default()).expect("read")
}

fn copy_of(made: &Path) -> TempDir {
    let folder = folder();
    for entry in fs::read_dir(made).expect("the folder can be read") {
        let entry = entry.expect("an entry");
        fs::copy(entry.path(), folder.path().join(entry.file_name())).expect("copied");
    }
    folder
}

fn tear(path: &Path, dice: &mut fastrand::Rng) -> usize {
    let mut content = fs::read(path).expect("read");
    let at = dice.usize(..content.len());
    content[at] ^= dice.u8(1..);
    fs::write(path, content).expect("written");
    at
}

#[test]
fn one_state_folder_belongs_to_one_daemon() {
    use std::os::unix::fs::PermissionsExt;
    let folder = folder();
    let path = folder.path().join("deep/state");
    let state = State::open(Some(&path)).expect("held");
    assert_eq!(fs::metadata(&path).expect("there").permissions().mode() & 0o777, 0o700, "for its owner alone");
    let refused = State::open(Some(&path)).expect_err("refused").to_string();
    assert_eq!(
        refused,
        format!(
            "cannot use the state folder {}: another lampward runs on it; stop that one first, or give this one a \
             folder of its own with --state",
            path.display()
        )
    );
    drop(state);
    State::open(Some(&path)).expect("free again");
}

#[test]
fn the_state_folder_is_found_in_the_order_of_the_design() {
    #[track_caller]
    fn check(given: Option<&str>, vars: &[(&str, &str)], found: &str) {
        let var = |name: &str| vars.iter().find(|(known, _)| *known == name).map(|(_, value)| value.into());
        let folder = folder_of(given.map(Path::new), var);
        assert_eq!(folder.map_or_else(|fault| fault.to_string(), |path| path.display().to_string()), found);
    }
    let home = ("HOME", "/home/someone");
    let xdg = ("XDG_STATE_HOME", "/xdg");
    check(Some("here"), &[("STATE_DIRECTORY", "/var/lib/lampward"), xdg, home], "here");
    check(None, &[("STATE_DIRECTORY", "/var/lib/lampward"), xdg, home], "/var/lib/lampward");
    check(None, &[("STATE_DIRECTORY", "/var/lib/lampward:/var/lib/other"), home], "/var/lib/lampward");
    check(None, &[("STATE_DIRECTORY", ""), xdg, home], "/xdg/lampward");
    check(None, &[("XDG_STATE_HOME", "not/absolute"), home], "/home/someone/.local/state/lampward");
    check(None, &[home], "/home/someone/.local/state/lampward");
    check(None, &[], "cannot find the state folder ~/.local/state/lampward: HOME is not set; give one with --state");
}

#[test]
fn the_sign_of_life_is_the_time_written_and_where_that_is_torn_the_time_stamp() {
    let folder = folder();
    let state = State::open(Some(folder.path())).expect("held");
    assert_eq!(state.last_life(), None);
    for at in [now(), now() + TimeDelta::minutes(10), now() - TimeDelta::days(1)] {
        state.touch_alive(at).expect("touched");
        assert_eq!(state.last_life(), Some(at));
    }
    let alive = folder.path().join("alive");
    let stamp: DateTime<Utc> = fs::metadata(&alive).and_then(|meta| meta.modified()).expect("a stamp").into();
    fs::File::options().write(true).open(&alive).and_then(|file| file.set_len(7)).expect("torn");
    let life = state.last_life().expect("a stamp");
    assert!((life - stamp).abs() < TimeDelta::minutes(1), "{life} is not about {stamp}");
}

#[test]
fn the_last_good_file_is_kept_as_it_was() {
    let folder = folder();
    let state = State::open(Some(folder.path())).expect("held");
    assert_eq!(state.good_file().expect("read"), None);
    let mut copies = Vec::new();
    for text in [&b"[place]\n"[..], b"", b"[place]\r\n\xc3\xb8"] {
        let copy = state.keep_good_file(text).expect("kept");
        assert_eq!(state.good_file().expect("read").as_deref(), Some(text));
        copies.push((copy, text));
    }
    // Files are held nowhere else: what takes the folder away does not take them.
    fs::remove_file(folder.path().join("last-good.toml")).expect("removed");
    for (copy, text) in copies {
        assert_eq!(copy.text().expect("read"), text);
    }
}

#[test]
fn the_client_id_is_made_once_and_made_anew_when_torn() {
    let folder = folder();
    let id = || State::open(Some(folder.path())).expect("held").client_id();
    let first = id();
    assert_eq!(first.len(), 12);
    assert_eq!(id(), first);
    fs::write(folder.path().join("client-id"), "to/rn\n").expect("torn");
    let anew = id();
    assert_ne!(anew, "to/rn");
    assert_eq!(id(), anew);
}
