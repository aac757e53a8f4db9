//! House rules that live in the ordinary test run, not in memory. Each says why when it fails.

use std::fs;
use std::path::{Path, PathBuf};

fn sources(folder: &str) -> Vec<(PathBuf, String)> {
    fn walk(folder: &Path, found: &mut Vec<(PathBuf, String)>) {
        for entry in fs::read_dir(folder).expect("the source folder can be read") {
            let path = entry.expect("an entry").path();
            if path.is_dir() {
                walk(&path, found);
            } else if path.extension().is_some_and(|kind| kind == "rs") {
                let text = fs::read_to_string(&path).expect("a source file is text");
                found.push((path, text));
            }
        }
    }
    let mut found = Vec::new();
    walk(&Path::new(env!("CARGO_MANIFEST_DIR")).join(folder), &mut found);
    assert!(!found.is_empty(), "no source under {folder}: has it moved? then this test must move too");
    found
}

/// Lines of code, comments cut off, with their numbers; tests at the end of a file count as code too.
fn code_lines(text: &str) -> impl Iterator<Item = (usize, &str)> {
    text.lines().enumerate().map(|(index, line)| (index + 1, line.split("//").next().unwrap_or("")))
}

#[track_caller]
fn forbid(folder: &str, words: &[&str], allowed: &[&str], why: &str) {
    let mut broken = Vec::new();
    for (path, text) in sources(folder) {
        if allowed.iter().any(|part| path.to_string_lossy().contains(part)) {
            continue;
        }
        for (number, line) in code_lines(&text) {
            for word in words.iter().filter(|word| line.contains(**word)) {
                broken.push(format!("{}:{number}: `{word}`", path.display()));
            }
        }
    }
    assert!(broken.is_empty(), "{why}\n{}", broken.join("\n"));
}

#[test]
fn the_pure_part_knows_nothing_of_the_shell() {
    let shell: Vec<String> = sources("src")
        .iter()
        .filter_map(|(path, _)| {
            let inside = path.strip_prefix(Path::new(env!("CARGO_MANIFEST_DIR")).join("src")).ok()?;
            let first = inside.components().next()?.as_os_str().to_str()?.trim_end_matches(".rs").to_string();
            (!["pure", "lib", "main"].contains(&first.as_str())).then(|| format!("crate::{first}"))
        })
        .collect();
    let words: Vec<&str> = shell.iter().map(String::as_str).collect();
    forbid(
        "src/pure",
        &words,
        &[],
        "a pure module names a shell module: data goes one way, so pass what it needs as a value",
    );
}

#[test]
fn the_pure_part_reads_no_clock_file_or_socket_and_does_not_log() {
    forbid(
        "src/pure",
        &[
            "std::fs",
            "std::net::Tcp",
            "std::net::Udp",
            "std::thread",
            "std::env",
            "std::process",
            "tokio::",
            "rumqttc",
            "axum",
            "rusqlite",
            "rustix",
            "libc::",
            "tracing",
            "println!",
            "eprintln!",
            "Instant::now",
            "SystemTime",
            "Utc::now",
            "Local::now",
            "fastrand",
            "unsafe",
        ],
        &[],
        "a pure module reaches outside: same input, same output, for ever; return what is to be done instead",
    );
}

#[test]
fn time_enters_through_the_clock_alone() {
    forbid(
        "src",
        &["Utc::now", "Local::now", "SystemTime::now", "Instant::now", "clock_gettime"],
        &["src/clock"],
        "time is read outside src/clock.rs: take `Now` from the clock, or a virtual clock can't replace it",
    );
}

#[test]
fn unsafe_lives_in_one_small_module() {
    forbid(
        "src",
        &["unsafe "],
        &["src/clock/kernel.rs"],
        "unsafe outside src/clock/kernel.rs: find the safe crate, or make the case in that module",
    );
}

#[test]
fn nothing_is_left_unfinished() {
    forbid("src", &["todo!", "unimplemented!", "dbg!"], &[], "unfinished code: finish it or take it out");
    for folder in ["src", "tests"] {
        for (path, text) in sources(folder) {
            let marks = ["TO", "FIX"].map(|start| format!("{start}{}", if start == "TO" { "DO" } else { "ME" }));
            for (index, line) in text.lines().enumerate() {
                assert!(
                    !marks.iter().any(|mark| line.contains(mark)),
                    "{}:{}: a note to self belongs into an issue",
                    path.display(),
                    index + 1
                );
            }
        }
    }
}

#[test]
fn no_test_is_skipped() {
    let word = ["#[ig", "nore"].concat();
    for folder in ["src", "tests"] {
        for (path, text) in sources(folder) {
            assert!(!text.contains(&word), "{}: a skipped test tells nobody anything", path.display());
        }
    }
}

#[test]
fn files_stay_short_enough_to_find_ones_way_in() {
    let mut long = Vec::new();
    for (path, text) in sources("src") {
        let lines = text.lines().count();
        if lines > 600 {
            long.push(format!("{}: {lines} lines", path.display()));
        }
    }
    assert!(long.is_empty(), "two things live in one room; give each its own file\n{}", long.join("\n"));
}

#[test]
fn each_source_file_opens_with_what_it_is_for() {
    for (path, text) in sources("src") {
        assert!(text.starts_with("//!"), "{}: say in the first line what this file is for", path.display());
    }
}
