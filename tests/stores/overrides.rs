//! Overrides and hands: kept whole, set aside where damaged, never believed then.

use std::fs;
use std::path::Path;
use std::sync::OnceLock;

use chrono::TimeDelta;
use lampward::daybook::Daybook;
use lampward::keepsake::KeepsakeFile;
use lampward::pure::keeper::Keepsake;
use tempfile::TempDir;

use crate::{all, copy_of, entry, folder, keepsake, kept_in, now, said, set_aside};

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
