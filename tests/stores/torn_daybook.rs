//! A daybook that was torn or cut short at any place: the start goes on, and overrides lose nothing.

use std::fs;
use std::path::Path;

use chrono::{DateTime, TimeDelta};
use lampward::daybook::{Daybook, Filter};
use lampward::keepsake::KeepsakeFile;

use crate::{all, copy_of, entry, folder, keepsake, kept_in, log, now, said, set_aside, tear, until, utc};

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
