//! Files as a household writes them, and what becomes of them.

#[path = "config/command.rs"]
mod command;
#[path = "config/documented.rs"]
mod documented;
#[path = "config/faults.rs"]
mod faults;
#[path = "config/good.rs"]
mod good;
#[path = "config/moments.rs"]
mod moments;
#[path = "config/plugs.rs"]
mod plugs;
#[path = "config/properties.rs"]
mod properties;
#[path = "config/slips.rs"]
mod slips;
#[path = "config/syntax.rs"]
mod syntax;
#[path = "config/ten.rs"]
mod ten;

use lampward::pure::config::{Fault, read};

/// A place in four lines, so that what a test adds begins on line 5.
const PLACE: &str =
    "[place]\nname = \"Skarvholmen\"\nposition = \"59.7412 N, 5.2097 E\"\ntime_zone = \"Europe/Oslo\"\n";

/// Where a test marks the offending text with « and »: the text without marks, and line, column and length of each.
fn unmark(marked: &str) -> (String, Vec<(usize, usize, usize)>) {
    let mut text = String::new();
    let mut open = Vec::new();
    let mut marks = Vec::new();
    let (mut line, mut column) = (1, 1);
    for c in marked.chars() {
        match c {
            '«' => open.push((marks.len(), column)),
            '»' => {
                let (index, start) = open.pop().expect("« before »");
                marks.insert(index, (line, start, (column - start).max(1)));
            }
            c => {
                text.push(c);
                (line, column) = if c == '\n' { (line + 1, 1) } else { (line, column + 1) };
            }
        }
    }
    (text, marks)
}

/// What stands after the underline.
fn right(fault: &Fault) -> String {
    let nearest = fault.nearest.as_ref().map(|nearest| format!("nearest: {nearest}"));
    [fault.expected.clone(), nearest].into_iter().flatten().collect::<Vec<_>>().join("; ")
}

/// A whole file with its offending text marked in order, and for each what is said of it and what would be right.
#[track_caller]
fn check_file(marked: &str, expected: &[(&str, &str)]) {
    let (text, marks) = unmark(marked);
    let faults = read("house.toml", text.as_bytes()).map_or_else(|faults| faults.0, |_| Vec::new());
    let said: Vec<_> = faults
        .iter()
        .map(|fault| ((fault.line, fault.column, fault.underline_len), fault.message.clone(), right(fault)))
        .collect();
    let wanted: Vec<_> = marks
        .into_iter()
        .zip(expected)
        .map(|(mark, (message, right))| (mark, (*message).to_owned(), (*right).to_owned()))
        .collect();
    assert_eq!(said, wanted, "in\n{text}");
}

/// One fault in what is added to a place.
#[track_caller]
fn check(marked: &str, message: &str, right: &str) {
    assert_eq!(marked.matches('«').count(), 1, "one mark");
    check_file(&format!("{PLACE}{marked}"), &[(message, right)]);
}

/// No fault in what is added to a place.
#[track_caller]
fn check_good(added: &str) {
    let text = format!("{PLACE}{added}");
    if let Err(faults) = read("house.toml", text.as_bytes()) {
        panic!("{faults}");
    }
}
