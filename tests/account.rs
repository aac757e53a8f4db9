//! `lampward account`, and that the broker takes in who was given one.
#![cfg(feature = "own-broker")]

use std::io::Write;
use std::process::{Command, Output, Stdio};

use lampward::broker::Accounts;

fn account(arguments: &[&str], typed: &str) -> Output {
    let mut child = Command::new(env!("CARGO_BIN_EXE_lampward"))
        .arg("account")
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // Where it refuses the name it ends without reading.
    let _ = child.stdin.take().unwrap().write_all(typed.as_bytes());
    child.wait_with_output().unwrap()
}

#[track_caller]
fn refused(arguments: &[&str], typed: &str, expected: &str) {
    let output = account(arguments, typed);
    assert_eq!((output.status.code(), String::from_utf8_lossy(&output.stderr).trim_end()), (Some(2), expected));
}

#[test]
fn a_line_is_printed_that_an_accounts_file_takes() {
    let output = account(&["plugs"], "lantern-light\n");
    let line = String::from_utf8(output.stdout).unwrap();
    assert!(output.status.success() && !line.contains("lantern-light"), "{line}");
    let accounts = Accounts::read("accounts", &line).unwrap();
    assert_eq!(accounts.0[0].name, "plugs");
}

#[test]
fn accounts_are_put_into_a_file_and_replaced() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("accounts");
    let path = file.to_str().unwrap();
    for (name, password) in [("plugs", "lantern-light"), ("boathouse", "candlelight"), ("plugs", "torchlight")] {
        let output = account(&[name, "--into", path], password);
        assert!(output.status.success(), "{output:?}");
    }
    let accounts = Accounts::load(&file).unwrap();
    let names: Vec<&str> = accounts.0.iter().map(|account| account.name.as_str()).collect();
    assert_eq!(names, ["plugs", "boathouse"]);
    let mode = std::os::unix::fs::PermissionsExt::mode(&std::fs::metadata(&file).unwrap().permissions());
    assert_eq!(mode & 0o777, 0o600);
}

#[test]
fn a_name_or_password_that_can_not_be_one_is_a_fault() {
    refused(&["lampward-itself"], "x", "`lampward-itself` is lampward's own account: choose another name");
    refused(&["a:b"], "x", "`a:b` can't be the name of an account");
    refused(&["plugs"], "\n", "an account needs a password of 8 characters or more");
    refused(&["plugs"], "lantern\n", "an account needs a password of 8 characters or more");
}

#[test]
fn accounts_that_everyone_can_read_are_closed_first() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("accounts");
    std::fs::write(&file, "").unwrap();
    std::fs::set_permissions(&file, std::fs::Permissions::from_mode(0o644)).unwrap();
    let path = file.to_str().unwrap();
    let expected = format!(
        "the accounts in {path} are open to everyone on this machine (mode 644); close them first: chmod o= {path}"
    );
    refused(&["plugs", "--into", path], "lantern-light\n", &expected);
    assert_eq!(std::fs::read_to_string(&file).unwrap(), "");
    std::fs::set_permissions(&file, std::fs::Permissions::from_mode(0o640)).unwrap();
    assert!(account(&["plugs", "--into", path], "lantern-light\n").status.success());
}
