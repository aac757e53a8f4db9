//! What is on disk: real files in real folders, torn, truncated, in the way of each other and too slow.

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
use rusqlite::Connection;
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

#[test]
fn overrides_and_hands_come_back_as_they_were() {
    let folder = folder();
    let (file, empty) = KeepsakeFile::load(folder.path(), now());
    assert_eq!(empty, Keepsake::default());
    for kept in [keepsake(), Keepsake::default(), keepsake()] {
        file.store(&kept).expect("stored");
        assert_eq!(kept_in(folder.path()), kept);
    }
    assert_eq!(set_aside(folder.path()), Vec::<String>::new());
}

#[test]
fn a_write_cut_short_by_a_kill_leaves_the_overrides_as_they_were() {
    let folder = folder();
    let (file, _) = KeepsakeFile::load(folder.path(), now());
    file.store(&keepsake()).expect("stored");
    let whole = fs::read(folder.path().join("overrides.json")).expect("read");
    for length in 0..whole.len() {
        fs::write(folder.path().join(".overrides.json.new"), &whole[..length]).expect("written");
        assert_eq!(kept_in(folder.path()), keepsake(), "cut at byte {length}");
    }
}

/// Damage gives either what was there or nothing, never something else; the next write works, the next start finds
/// nothing new, and the daybook beside it is as it was.
#[track_caller]
fn check_damaged_overrides(content: &[u8], what: &str) {
    let folder = copy_of(a_daybook_of_one_entry());
    fs::write(folder.path().join("overrides.json"), content).expect("written");
    let (file, kept) = KeepsakeFile::load(folder.path(), now());
    if kept == keepsake() {
        assert_eq!(set_aside(folder.path()), Vec::<String>::new(), "{what}");
    } else {
        assert_eq!(kept, Keepsake::default(), "{what}");
        assert_eq!(set_aside(folder.path()), ["overrides.json.damaged-20261124T150311Z"], "{what}");
        assert_eq!(fs::read(folder.path().join(&set_aside(folder.path())[0])).expect("read"), content, "{what}");
    }
    file.store(&keepsake()).expect("stored");
    let before = set_aside(folder.path()).len();
    assert_eq!(kept_in(folder.path()), keepsake(), "{what}");
    assert_eq!(set_aside(folder.path()).len(), before, "{what}");
    let entries = Daybook::open(folder.path(), 2, now());
    assert_eq!(all(&entries), [entry(now(), "before the damage")], "{what}");
    assert_eq!(set_aside(folder.path()).len(), before, "{what}");
}

fn a_daybook_of_one_entry() -> &'static Path {
    static MADE: OnceLock<TempDir> = OnceLock::new();
    let made = MADE.get_or_init(|| {
        let folder = folder();
        let daybook = Daybook::open(folder.path(), 2, now());
        daybook.record(&[entry(now(), "before the damage")], true);
        daybook.close();
        folder
    });
    made.path()
}

fn stored_overrides() -> Vec<u8> {
    let folder = folder();
    KeepsakeFile::load(folder.path(), now()).0.store(&keepsake()).expect("stored");
    fs::read(folder.path().join("overrides.json")).expect("read")
}

#[test]
fn a_torn_file_of_overrides_is_set_aside_and_never_believed() {
    let whole = stored_overrides();
    let mut dice = fastrand::Rng::with_seed(1);
    for tear in 0..1_000 {
        let mut torn = whole.clone();
        let at = dice.usize(..torn.len());
        torn[at] ^= dice.u8(1..);
        check_damaged_overrides(&torn, &format!("tear {tear} at byte {at}"));
    }
}

#[test]
fn a_truncated_file_of_overrides_is_set_aside() {
    let whole = stored_overrides();
    for length in 0..whole.len() {
        check_damaged_overrides(&whole[..length], &format!("{length} bytes"));
    }
    for garbage in [&b"\0"[..], b"{}", b"null", b"\xff\xfe", &[0; 4096], b"[[[[[[[["] {
        check_damaged_overrides(garbage, "garbage");
    }
}

#[test]
fn the_last_five_damaged_files_are_kept() {
    let folder = folder();
    for day in 0..9 {
        fs::write(folder.path().join("overrides.json"), "torn").expect("written");
        let _ = KeepsakeFile::load(folder.path(), now() + TimeDelta::days(day));
    }
    let _ = said(folder.path(), "");
    assert_eq!(set_aside(folder.path()).len(), 5);
}

#[test]
fn overrides_that_cannot_be_written_say_where_and_why_and_the_old_ones_stand() {
    let folder = folder();
    let path = folder.path().join("overrides.json");
    let (file, _) = KeepsakeFile::load(folder.path(), now());
    file.store(&keepsake()).expect("stored");
    let moved = folder.path().with_extension("moved");
    fs::rename(folder.path(), &moved).expect("moved");
    fs::write(folder.path(), "").expect("something in the way");
    let fault = file.store(&Keepsake::default()).expect_err("refused");
    fs::remove_file(folder.path()).expect("out of the way");
    fs::rename(&moved, folder.path()).expect("moved back");
    assert_eq!(fault.to_string(), format!("cannot write the overrides to {}: not a directory", path.display()));
    assert_eq!(fault.brief(), "cannot write the overrides to overrides.json: not a directory");
    assert_eq!(kept_in(folder.path()), keepsake());
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

#[test]
fn the_daybook_gives_back_what_it_was_given() {
    let folder = folder();
    let daybook = Daybook::open(folder.path(), 2, now());
    assert_eq!(daybook.last_entry_at(), None);
    let plain = Entry { plug: None, wanted: None, due: None, late: None, ..entry(now(), "\"ö\" 'x'; --\n") };
    let mut given = vec![plain];
    for (minute, kind) in (1..).zip(EntryKind::ALL) {
        given.push(Entry { kind, ..entry(now() + TimeDelta::minutes(minute), "sunset") });
    }
    for entry in &given {
        daybook.record(std::slice::from_ref(entry), true);
    }
    let reader = daybook.reader();
    daybook.close();
    let daybook = Daybook::open(folder.path(), 2, now());
    assert_eq!(all(&daybook), given);
    assert_eq!(daybook.last_entry_at(), Some(now() + TimeDelta::minutes(8)));
    let within = reader.past(given[2].at, given[4].at, &Filter::default()).expect("read");
    assert_eq!(within, given[2..4], "the first instant counts, the last does not");
}

#[test]
fn an_entry_made_while_the_clock_was_not_trusted_is_no_sign_of_life() {
    let folder = folder();
    let daybook = Daybook::open(folder.path(), 2, now());
    daybook.record(&[entry(now(), "sunset")], true);
    daybook.record(&[entry(now() + TimeDelta::days(900), "by a clock gone wrong")], false);
    daybook.close();
    let daybook = Daybook::open(folder.path(), 2, now());
    assert_eq!(daybook.last_entry_at(), Some(now()));
    assert_eq!(all(&daybook).len(), 2);
}

#[test]
fn what_waits_for_the_daybook_is_done_when_all_handed_over_before_is_written() {
    let folder = folder();
    let daybook = Daybook::open(folder.path(), 2, now());
    let (tell, told) = std::sync::mpsc::channel();
    for nth in 0..20 {
        let written = entry(now() + TimeDelta::minutes(nth), "sunset");
        daybook.record(std::slice::from_ref(&written), true);
        let (reader, tell) = (daybook.reader(), tell.clone());
        daybook.then(move || {
            let found = reader.past(written.at, written.at + TimeDelta::seconds(1), &Filter::default());
            tell.send(found == Ok(vec![written])).expect("somebody listens");
        });
    }
    daybook.close();
    drop(tell);
    assert_eq!(told.iter().collect::<Vec<_>>(), [true; 20]);
}

#[test]
fn a_switching_is_found_by_its_own_time_whatever_clock_it_was_recorded_by() {
    let folder = folder();
    let daybook = Daybook::open(folder.path(), 2, now());
    let due = Some(now() - TimeDelta::minutes(2));
    let old = entry(now() - TimeDelta::hours(1), "long before");
    let put_back = Entry { due, ..entry(now() - TimeDelta::days(4), "clock not trusted") };
    daybook.record(&[old], true);
    daybook.record(std::slice::from_ref(&put_back), false);
    let (reader, ahead) = (daybook.reader(), entry(now() + TimeDelta::days(1), "by a clock that was ahead"));
    daybook.record(std::slice::from_ref(&ahead), true);
    daybook.close();
    assert_eq!(reader.since(now() - TimeDelta::minutes(5)).expect("read"), [put_back, ahead]);
}

#[test]
fn what_is_older_than_the_years_of_the_file_is_forgotten() {
    let folder = folder();
    let daybook = Daybook::open(folder.path(), 2, now());
    for (at, because) in
        [("2024-11-24T15:03:10Z", "too old"), ("2024-11-24T15:03:11Z", "two years"), ("2026-11-24T15:00:00Z", "today")]
    {
        daybook.record(&[entry(utc(at), because)], true);
    }
    daybook.prune(now());
    until("the old one is gone", || {
        all(&daybook).iter().map(|entry| entry.because.clone()).collect::<Vec<_>>() == ["two years", "today"]
    });
    daybook.prune(now() + TimeDelta::hours(23));
    daybook.record(&[entry(now(), "later")], true);
    until("the later one is there", || all(&daybook).len() == 3);
}

/// A daybook of some 20 pages, closed in order; and one that was killed, with its write-ahead log.
fn filled(folder: &Path, closed: bool) {
    let daybook = Daybook::open(folder, 2, now());
    for minute in 0..600 {
        daybook.record(
            &[entry(now() + TimeDelta::minutes(minute), "lit from sunset until sunrise, so it says here")],
            true,
        );
    }
    if closed {
        daybook.close();
        return;
    }
    until("all is written", || all(&daybook).len() == 600);
    // What a kill leaves: the files as they are, never closed.
    for name in ["daybook.sqlite", "daybook.sqlite-wal"] {
        fs::copy(folder.join(name), folder.join(format!("{name}.copy"))).expect("copied");
    }
    daybook.close();
    for name in ["daybook.sqlite", "daybook.sqlite-wal"] {
        fs::rename(folder.join(format!("{name}.copy")), folder.join(name)).expect("renamed");
    }
}

/// Opens a damaged daybook beside whole overrides: it starts, takes an entry, gives it back, and costs the overrides
/// nothing. Says how many entries were still there, and whether the damage was found.
#[track_caller]
fn check_damaged_daybook(folder: &Path, what: &str) -> (usize, bool) {
    let _ = log();
    KeepsakeFile::load(folder, now()).0.store(&keepsake()).expect("stored");
    let daybook = Daybook::open(folder, 2, now());
    assert_eq!(daybook.trouble(), None, "{what}");
    let newest = entry(utc("2100-01-01T00:00:00Z"), "after the damage");
    daybook.record(std::slice::from_ref(&newest), true);
    let reader = daybook.reader();
    daybook.close();
    let entries = reader.past(DateTime::UNIX_EPOCH, utc("2200-01-01T00:00:00Z"), &Filter::default());
    let entries = entries.unwrap_or_else(|because| panic!("{what}: {because}"));
    assert!(entries.contains(&newest), "{what}: what was recorded afterwards is not there");
    // A second start finds nothing new: no loop of setting aside.
    let before = set_aside(folder).len();
    Daybook::open(folder, 2, now()).close();
    assert_eq!(set_aside(folder).len(), before, "{what}");
    assert_eq!(kept_in(folder), keepsake(), "{what}");
    (entries.len() - 1, before > 0)
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
fn a_daybook_torn_at_any_byte_starts_again() {
    let made = folder();
    filled(made.path(), true);
    let mut dice = fastrand::Rng::with_seed(2);
    let mut found = 0;
    for tear_number in 0..1_000 {
        let folder = copy_of(made.path());
        let at = tear(&folder.path().join("daybook.sqlite"), &mut dice);
        let (left, was_found) = check_damaged_daybook(folder.path(), &format!("tear {tear_number} at byte {at}"));
        assert!(was_found || left >= 599, "tear {tear_number} at byte {at}: {left} left and nothing said");
        found += usize::from(was_found);
    }
    assert!(found > 0, "some tears hit what SQLite can check");
}

/// The first 100 bytes say how the rest is to be read (SQLite's file format, §1.3); one of them can make it look
/// read-only.
#[test]
fn a_daybook_with_any_byte_of_its_header_torn_starts_again() {
    let made = folder();
    filled(made.path(), true);
    for at in 0..100 {
        for flip in [0x01, 0x80, 0xff] {
            let folder = copy_of(made.path());
            let path = folder.path().join("daybook.sqlite");
            let mut content = fs::read(&path).expect("read");
            content[at] ^= flip;
            fs::write(&path, content).expect("written");
            check_damaged_daybook(folder.path(), &format!("header byte {at} xor {flip:#x}"));
        }
    }
}

#[test]
fn a_daybook_truncated_at_any_page_starts_again() {
    let made = folder();
    filled(made.path(), true);
    let length = fs::metadata(made.path().join("daybook.sqlite")).expect("there").len();
    for pages in 0..length / 4096 {
        for odd in [0, 1, 100, 4095] {
            let folder = copy_of(made.path());
            let file = fs::OpenOptions::new().write(true).open(folder.path().join("daybook.sqlite")).expect("opened");
            file.set_len(pages * 4096 + odd).expect("truncated");
            check_damaged_daybook(folder.path(), &format!("{pages} pages and {odd} bytes"));
        }
    }
}

#[test]
fn a_write_ahead_log_torn_or_truncated_loses_its_end_at_most() {
    let made = folder();
    filled(made.path(), false);
    assert_eq!(
        check_damaged_daybook(copy_of(made.path()).path(), "killed"),
        (600, false),
        "a kill alone loses nothing"
    );
    let mut dice = fastrand::Rng::with_seed(3);
    for tear_number in 0..200 {
        let folder = copy_of(made.path());
        let path = folder.path().join("daybook.sqlite-wal");
        if tear_number % 2 == 0 {
            tear(&path, &mut dice);
        } else {
            let length = fs::metadata(&path).expect("there").len();
            let file = fs::OpenOptions::new().write(true).open(&path).expect("opened");
            file.set_len(dice.u64(..length)).expect("truncated");
        }
        check_damaged_daybook(folder.path(), &format!("tear {tear_number} of the log"));
    }
}

#[test]
fn damage_is_said_with_both_names() {
    let _ = log();
    let folder = folder();
    fs::write(folder.path().join("daybook.sqlite"), "no database at all, whatever one may think of it")
        .expect("written");
    Daybook::open(folder.path(), 2, now()).close();
    assert_eq!(set_aside(folder.path()), ["daybook.sqlite.damaged-20261124T150311Z"]);
    assert_eq!(said(folder.path(), "the daybook is damaged; it is set aside and a new one begun"), 1);
    fs::write(folder.path().join("overrides.json"), "torn").expect("written");
    let _ = KeepsakeFile::load(folder.path(), now());
    assert_eq!(said(folder.path(), "the file of overrides is damaged; it is set aside, and no override stands"), 1);
}

#[test]
fn a_card_that_takes_nothing_never_makes_the_caller_wait_and_is_said_once() {
    let _ = log();
    let folder = folder();
    let daybook = Daybook::open(folder.path(), 2, now());
    daybook.record(&[entry(now(), "before")], true);
    until("the first is written", || all(&daybook).len() == 1);
    // As good as a card that hangs: nobody else can write.
    let other = Connection::open(folder.path().join("daybook.sqlite")).expect("opened");
    other.execute_batch("BEGIN IMMEDIATE").expect("held");
    // More than wait in the queue and are held back together.
    for minute in 0..70_000 {
        daybook.record(&[entry(now() + TimeDelta::minutes(minute), "meanwhile")], true);
    }
    until("the trouble is known", || daybook.trouble().is_some());
    until("it is said", || said(folder.path(), "the daybook loses entries; switching goes on") == 1);
    other.execute_batch("ROLLBACK").expect("let go");
    until("it recovers", || {
        daybook.record(&[entry(now(), "nudge")], true);
        daybook.trouble().is_none()
    });
    assert_eq!(said(folder.path(), "the daybook is written again"), 1);
    assert!(said(folder.path(), "WARN") <= 2, "once for what is held back, once for what is lost");
    let kept = all(&daybook).iter().filter(|entry| entry.because == "meanwhile").count();
    assert!(kept > 0, "what was held back is written");
}

#[test]
fn ten_thousand_plugs_that_answer_at_one_instant_are_all_on_record() {
    let _ = log();
    let folder = folder();
    let daybook = Daybook::open(folder.path(), 2, now());
    for plug in 0..10_000 {
        daybook.record(&[entry(now(), &format!("plug {plug}"))], true);
    }
    until("all of them are written", || all(&daybook).len() == 10_000);
    assert_eq!((daybook.reader().tally().lost, daybook.trouble()), (0, None));
}

#[test]
fn a_daybook_that_cannot_be_opened_is_tried_again() {
    let _ = log();
    let around = folder();
    let folder = around.path().join("state");
    fs::write(&folder, "").expect("something in the way");
    let daybook = Daybook::open(&folder, 2, now());
    assert_eq!(
        daybook.trouble().as_deref(),
        Some("the daybook cannot be written, switching goes on: unable to open database file: daybook.sqlite"),
        "without a path: people on the network read it"
    );
    daybook.record(&[entry(now(), "held back")], true);
    fs::remove_file(&folder).expect("out of the way");
    daybook.record(&[entry(now(), "the next")], true);
    until("it recovers", || daybook.trouble().is_none() && all(&daybook).len() == 2);
    assert_eq!(said(&folder, "the daybook cannot be written; switching goes on, and entries are held back"), 1);
    assert_eq!(said(&folder, "the daybook is written again"), 1);
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
    for text in [&b"[place]\n"[..], b"", b"[place]\r\n\xc3\xb8"] {
        state.keep_good_file(text).expect("kept");
        assert_eq!(state.good_file().expect("read").as_deref(), Some(text));
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
