//! `lampward new`, as it is run: by options, by answers line by line, on a terminal, and on a file that is there.

#[path = "common/receiver.rs"]
mod receiver;

use std::fs;
use std::io::Write;
use std::path::Path;
use std::process::{Command, Output, Stdio};

use lampward::pure::config::read;

const TOWNS: &str = "NO\t+5955+01045\tEurope/Oslo\nGB\t+513030-0000731\tEurope/London\n";
const HOUSE: [&str; 6] = ["--name", "Skarvholmen", "--position", "59.7412 N, 5.2097 E", "--time-zone", "Europe/Oslo"];
const LAMP: [&str; 6] = ["--label", "Jetty lamp", "--plug", "yard/3", "--lit", "all night"];

/// What the least file holds, its comments aside.
const LEAST: &str = "[place]\nname      = \"Skarvholmen\"\nposition  = \"59.7412 N, 5.2097 E\"\ntime_zone = \"Europe/Oslo\"\n\
                     [channel.jetty-lamp]\nlabel = \"Jetty lamp\"\nplug  = \"yard/3\"\n\
                     lit   = [{ from = \"sunset\", until = \"sunrise\" }]\n";

fn folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a folder");
    fs::write(folder.path().join("zone.tab"), TOWNS).expect("a file");
    folder
}

/// `lampward new` on a machine in Oslo, with this on standard input.
fn new(folder: &Path, arguments: &[&str], input: &str) -> Output {
    spoken_to(Command::new(env!("CARGO_BIN_EXE_lampward")).arg("new"), folder, arguments, input)
}

fn spoken_to(command: &mut Command, folder: &Path, arguments: &[&str], input: &str) -> Output {
    let mut running = command
        .args(["--file", "lampward.toml"])
        .args(arguments)
        .current_dir(folder)
        .env("TZ", "Europe/Oslo")
        .env("TZDIR", folder)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("it runs");
    // Where it has seen enough it reads no further.
    let _ = running.stdin.take().expect("a pipe").write_all(input.as_bytes());
    running.wait_with_output().expect("it ends")
}

fn text(folder: &Path) -> Option<String> {
    fs::read_to_string(folder.join("lampward.toml")).ok()
}

/// The file without comments and empty lines.
fn bare(text: &str) -> String {
    text.lines().filter(|line| !line.starts_with('#') && !line.is_empty()).map(|line| format!("{line}\n")).collect()
}

/// A new file comes of it, with this in it.
#[track_caller]
fn check_written(arguments: &[&str], input: &str, expected: &str) -> Output {
    let folder = folder();
    let output = new(folder.path(), arguments, input);
    let err = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{err}");
    let text = text(folder.path()).expect("it is written");
    assert_eq!(bare(&text), expected, "{err}");
    assert!(read("lampward.toml", text.as_bytes()).is_ok(), "{text}");
    output
}

/// Nothing comes of it, and standard error says why.
#[track_caller]
fn check_refused(before: Option<&str>, arguments: &[&str], input: &str, code: i32, words: &[&str]) {
    let folder = folder();
    if let Some(before) = before {
        fs::write(folder.path().join("lampward.toml"), before).expect("a file");
    }
    let output = new(folder.path(), arguments, input);
    let err = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(code), "{err}");
    for word in words {
        assert!(err.contains(word), "{word:?} is not in: {err}");
    }
    assert_eq!(text(folder.path()).as_deref(), before);
    let files = fs::read_dir(folder.path()).expect("a folder").count();
    assert_eq!(files, 1 + usize::from(before.is_some()), "something was left behind");
}

#[test]
fn by_options_a_file_is_written_without_a_question() {
    let output = check_written(&[HOUSE, LAMP].concat(), "", LEAST);
    let said = String::from_utf8_lossy(&output.stdout);
    for next in ["lampward check lampward.toml", "lampward ahead --file lampward.toml", "lampward run lampward.toml"] {
        assert!(said.contains(next), "{said}");
    }
    assert_eq!(String::from_utf8_lossy(&output.stderr), "");
}

#[test]
fn everything_can_be_said_by_options() {
    let more = [
        "--broker=mqtt://192.0.2.7:1883",
        "--user=lampward",
        "--password-file=/etc/lampward/broker-password",
        "--channel=jetty",
        "--kind=socket",
        "--tell={plug}/order",
        "--on={\"supply\":true}",
        "--off={\"supply\":false}",
        "--report={plug}/report",
        "--pointer=/supply",
        "--alive={plug}/alive",
        "--lit=mornings",
        "--lit=23:30 until 20 min after midnight",
    ];
    let evening = ["--label", "Jetty lamp", "--plug", "yard/3", "--lit", "evenings", "--bedtime", "22:15"];
    // An offset goes with the Sun, not with a clock time.
    check_refused(
        None,
        &[&HOUSE[..], &evening, &more].concat(),
        "",
        2,
        &["--lit: a clock time takes no `before` or `after`"],
    );
    let more = [&more[..12], &["--lit=23:30 until 00:20"]].concat();
    check_written(
        &[&HOUSE[..], &evening, &more].concat(),
        "",
        r#"[place]
name      = "Skarvholmen"
position  = "59.7412 N, 5.2097 E"
time_zone = "Europe/Oslo"
[times]
bedtime = "22:15"
rising = "06:15"
[broker]
address = "mqtt://192.0.2.7:1883"
user = "lampward"
password_file = "/etc/lampward/broker-password"
[plug_kind.socket]
tell   = { topic = "{plug}/order", on = '{"supply":true}', off = '{"supply":false}' }
report = { topic = "{plug}/report", pointer = "/supply", on = true, off = false }
alive  = { topic = "{plug}/alive", yes = "here", no = "gone" }
[channel.jetty]
label = "Jetty lamp"
kind  = "socket"
plug  = "yard/3"
lit = [
  { from = "dusk", until = "bedtime" },
  { from = "rising", until = "sunrise", at_least = "10 min" },
  { from = "23:30", until = "00:20" },
]
"#,
    );
}

#[test]
fn answers_come_line_by_line_and_what_is_wrong_is_asked_again() {
    let answers = [
        "", // The name is needed.
        "Skarvholmen",
        "95 N, 5 E",
        "59.7412 N, 5.2097 E",
        "Asia/Tokyo", // Too far from the Sun.
        "1",
        "192.0.2.7", // No scheme.
        "mqtt://192.0.2.7",
        "",
        "Jetty lamp",
        "Jetty",
        "", // jetty-lamp
        "8",
        "",       // plain
        "yard/#", // A wildcard.
        "yard/3",
        "sunset until sunsett",
        "4",
        "", // Bedtime.
        "6:15",
        "06:15",
        "yes",
    ];
    let output = check_written(
        &["--ask"],
        &format!("{}\n", answers.join("\n")),
        "[place]\nname      = \"Skarvholmen\"\nposition  = \"59.7412 N, 5.2097 E\"\ntime_zone = \"Europe/Oslo\"\n\
         [times]\nbedtime = \"22:45\"\nrising = \"06:15\"\n\
         [broker]\naddress = \"mqtt://192.0.2.7\"\n\
         [channel.jetty-lamp]\nlabel = \"Jetty lamp\"\nplug  = \"yard/3\"\nlit = [\n  { from = \"dusk\", until = \"bedtime\" },\n  \
         { from = \"rising\", until = \"sunrise\", at_least = \"10 min\" },\n]\n",
    );
    let said = String::from_utf8_lossy(&output.stderr);
    for words in [
        "  the name is empty; expected a name for people to read\n",
        "  a latitude of more than 90 degrees; expected 0 to 90 degrees, then N or S\n",
        "  1 Europe/Oslo    UTC+01:00  310 km away  39 min ahead of the Sun  this machine's own\n",
        "  `Asia/Tokyo` is 8 h 39 min from the place's mean solar time; expected a zone within 5 h of it",
        "  the address of a broker begins with mqtt://",
        "  `J` can't stand in a channel's name; expected a-z, 0-9 and -; nearest: jetty\n",
        "  `8` is no plug kind that is known here; expected plain",
        "  `sunsett` is not a mark",
        "  `6:15` is not a clock time",
    ] {
        assert!(said.contains(words), "{words:?} is not in: {said}");
    }
}

#[test]
fn a_plug_of_its_own_kind_is_described_by_answers() {
    let answers =
        ["2", "", "", "press", "release", "{plug}/state", "none", "", "", "{plug}/life", "", "", "yard/3", "1", ""];
    check_written(
        &[&["--ask", "--broker", "own", "--channel", "jetty", "--label", "Jetty lamp"], &HOUSE[..]].concat(),
        &format!("{}\n", answers.join("\n")),
        "[place]\nname      = \"Skarvholmen\"\nposition  = \"59.7412 N, 5.2097 E\"\ntime_zone = \"Europe/Oslo\"\n\
         [plug_kind.socket]\ntell   = { topic = \"{plug}/order\", on = \"press\", off = \"release\" }\n\
         report = { topic = \"{plug}/state\", on = \"press\", off = \"release\" }\n\
         alive  = { topic = \"{plug}/life\", yes = \"here\", no = \"gone\" }\n\
         [channel.jetty]\nlabel = \"Jetty lamp\"\nkind  = \"socket\"\nplug  = \"yard/3\"\n\
         lit   = [{ from = \"sunset\", until = \"sunrise\" }]\n",
    );
}

/// An authority's certificate, by openssl.
#[cfg(feature = "tls")]
fn authority(folder: &Path) {
    let mut openssl = Command::new("openssl");
    openssl.args("req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -subj /CN=ours -days 2".split(' '));
    openssl.args(["-keyout", "ours.key", "-out", "ours.pem"]).current_dir(folder);
    let run = openssl.output().expect("openssl: is the package openssl installed?");
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
}

#[cfg(feature = "tls")]
#[test]
fn where_the_broker_speaks_tls_the_authority_s_file_is_asked_for_and_read_at_once() {
    let folder = folder();
    authority(folder.path());
    // Then no password file, the name and the kind that are proposed, and yes.
    let answers = "mqtts://broker.example\nnothing.pem\nzone.tab\nours.pem\nlampward\n\n\n\n\n";
    let output = new(folder.path(), &[&["--ask"], &HOUSE[..], &LAMP].concat(), answers);
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{said}");
    for (file, why) in [
        ("nothing.pem", "no such file or directory"),
        ("zone.tab", "there is no certificate in it; it begins with -----BEGIN CERTIFICATE-----"),
    ] {
        let path = folder.path().join(file);
        let words = format!("  cannot read the certificate of the broker's authority from {}: {why}\n", path.display());
        assert!(said.contains(&words), "{words:?} is not in: {said}");
    }
    // The whole path: the daemon starts in another folder.
    let expected = format!(
        "[broker]\naddress = \"mqtts://broker.example\"\nca = \"{}\"\nuser = \"lampward\"\n",
        folder.path().join("ours.pem").display()
    );
    let text = text(folder.path()).expect("it is written");
    assert!(bare(&text).contains(&expected), "{text}");
    let checked = read("lampward.toml", text.as_bytes()).unwrap_or_else(|faults| panic!("{faults}"));
    assert_eq!(checked.warnings, []);
}

#[cfg(feature = "tls")]
#[test]
fn the_authority_s_file_is_an_option_too() {
    let made = folder();
    authority(made.path());
    let ours = made.path().join("ours.pem").display().to_string();
    let broker = format!("[broker]\naddress = \"mqtts://192.0.2.7\"\nca = \"{ours}\"\n");
    let at = LEAST.find("[channel").expect("a lamp");
    let expected = [&LEAST[..at], &broker, &LEAST[at..]].concat();
    check_written(&[&HOUSE[..], &LAMP, &["--broker", "mqtts://192.0.2.7", "--ca", &ours]].concat(), "", &expected);
    for (more, words) in [
        (["--broker", "mqtts://192.0.2.7"], "--ca: cannot read the certificate of the broker's authority from "),
        (["--broker", "mqtt://192.0.2.7"], "--ca: `ca` goes with an address that begins with mqtts://"),
        (["--broker", "own"], "--ca goes with --broker and an address"),
    ] {
        check_refused(None, &[&HOUSE[..], &LAMP, &more, &["--ca", "nothing.pem"]].concat(), "", 2, &[words]);
    }
    check_refused(Some(THERE), &[&LAMP[..], &["--ca", &ours]].concat(), "", 2, &["--ca is for a new file"]);
}

#[cfg(feature = "tls")]
#[test]
fn without_an_authority_of_one_s_own_the_system_s_are_meant_and_lacking_ones_are_told_of() {
    let folder = folder();
    let mut command = Command::new(env!("CARGO_BIN_EXE_lampward"));
    command.arg("new").env("SSL_CERT_FILE", folder.path().join("nothing.pem")).env_remove("SSL_CERT_DIR");
    let output = spoken_to(
        &mut command,
        folder.path(),
        &[&HOUSE[..], &LAMP, &["--broker", "mqtts://broker.example"]].concat(),
        "",
    );
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{said}");
    assert!(said.starts_with("  to be looked at: this system has no certificate of an authority"), "{said}");
    assert!(!text(folder.path()).expect("it is written").contains("ca ="));
}

#[cfg(not(feature = "tls"))]
#[test]
fn a_build_without_tls_says_so_where_a_broker_needs_it() {
    let arguments = [&HOUSE[..], &LAMP, &["--broker", "mqtts://broker.example"]].concat();
    check_refused(
        None,
        &[&arguments[..], &["--ca", "zone.tab"]].concat(),
        "",
        2,
        &["--ca: this lampward was built without TLS"],
    );
    let folder = folder();
    let output = new(folder.path(), &arguments, "");
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(said.starts_with("  to be looked at: this lampward was built without TLS"), "{said}");
}

#[test]
fn when_the_answers_end_nothing_is_written() {
    let ended = ["the answers ended: nothing is written"];
    check_refused(None, &["--ask"], "Skarvholmen\n", 1, &ended);
    check_refused(None, &["--ask"], "", 1, &ended);
    check_refused(None, &[&["--ask"], &HOUSE[..], &LAMP].concat(), "\n\n\nno\n", 1, &["nothing is written"]);
}

#[test]
fn without_a_terminal_what_lacks_is_named() {
    let words = ["for a new lampward.toml say --name, --position, --time-zone, --label, --plug, --lit; or"];
    check_refused(None, &[], "", 2, &words);
    check_refused(None, &[&HOUSE[..], &LAMP[..4]].concat(), "", 2, &["say --lit; or"]);
    let there = format!("# ours\n{LEAST}");
    check_refused(
        Some(&there),
        &["--label", "Parlour"],
        "",
        2,
        &["for a further lamp in lampward.toml say --plug, --lit; or"],
    );
}

#[test]
fn an_option_that_can_not_be_is_named_with_what_is_wrong() {
    for (option, value, words) in [
        ("--name", "", "--name: the name is empty"),
        ("--position", "59.7412, 5.2097", "--position: "),
        ("--time-zone", "Europe/Osl", "--time-zone: `Europe/Osl` is not a time zone"),
        ("--time-zone", "Asia/Tokyo", "--time-zone: `Asia/Tokyo` is 8 h 39 min from the place's mean solar time"),
        ("--plug", "yard/+", "--plug: "),
        ("--lit", "always", "--lit: `always` is not understood; expected all night, evenings"),
        ("--lit", "sunset until sunset", "--lit: "),
    ] {
        let mut all = [HOUSE, LAMP].concat();
        let at = all.iter().position(|given| *given == option).expect("one of them");
        all[at + 1] = value;
        check_refused(None, &all, "", 2, &[words]);
    }
    for (more, words) in [
        (["--broker", "192.0.2.7"], "--broker: the address of a broker begins with mqtt://"),
        (["--user", "lampward"], "--user goes with --broker and an address"),
        (["--bedtime", "22:45"], "--bedtime goes with a lamp that is lit then"),
        (["--kind", "socket"], "--kind: `socket` is no plug kind that is known here; expected plain"),
        (["--channel", "Jetty"], "--channel: `J` can't stand in a channel's name"),
    ] {
        check_refused(None, &[&HOUSE[..], &LAMP, &more].concat(), "", 2, &[words]);
    }
}

/// A file with everything in it that could be lost.
const THERE: &str = "# The lamps of Skarvholmen.\n\n[place]   # an islet\nname='Skarvholmen'\n\
                     position  = \"59.7412 N, 5.2097 E\"\ntime_zone = \"Europe/Oslo\"\n\n[times]\nbedtime = \"23:10\"\n\n\
                     [plug_kind.socket]\ntell = { topic = \"{plug}/order\", on = \"1\", off = \"0\" }\n\n[channel.jetty-lamp]\n\
                     label = \"Jetty lamp\"\nplug = \"yard/3\"\nlit = [ { from=\"sunset\", until=\"sunrise\" } ] # all night\n\n\
                     [sun]\nlead = \"10 min\"  # at the end";

#[track_caller]
fn check_added(arguments: &[&str], input: &str, added: &str) {
    let folder = folder();
    fs::write(folder.path().join("lampward.toml"), THERE).expect("a file");
    let output = new(folder.path(), arguments, input);
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    let text = text(folder.path()).expect("it is there");
    assert_eq!(text, format!("{THERE}\n\n{added}"));
    assert!(read("lampward.toml", text.as_bytes()).is_ok());
    let names = fs::read_dir(folder.path()).expect("a folder").map(|entry| entry.expect("an entry").path());
    let kept: Vec<_> = names.filter(|path| path.to_string_lossy().contains("lampward.toml.before-")).collect();
    assert_eq!(kept.len(), 1);
    assert_eq!(fs::read_to_string(&kept[0]).expect("it is kept"), THERE);
}

#[test]
fn a_lamp_is_added_at_the_end_and_everything_else_stays() {
    let parlour = "[channel.parlour]\nlabel = \"Parlour\"\nkind  = \"socket\"\nplug  = \"house/1\"\n\
                   lit   = [{ from = \"dusk\", until = \"bedtime\" }]\n";
    check_added(&["--label", "Parlour", "--plug", "house/1", "--kind", "socket", "--lit", "evenings"], "", parlour);
    check_added(&["--ask"], "Parlour\n\n2\nhouse/1\n2\n\n", parlour);
    let second = "[channel.jetty-lamp-2]\nlabel = \"Jetty lamp\"\nplug  = \"yard/4\"\n\
                  lit   = [{ from = \"06:15\", until = \"sunrise\", at_least = \"10 min\" }]\n";
    check_added(&["--label", "Jetty lamp", "--plug", "yard/4", "--lit", "mornings"], "", second);
    let own = "[channel.parlour]\nlabel = \"Parlour\"\nplug  = \"house/1\"\n\
               lit   = [{ from = \"1 h before sunset, not before 16:00\", until = \"bedtime\" }]\n";
    let lit = "1 h before sunset, not before 16:00 until bedtime";
    check_added(&["--label", "Parlour", "--plug", "house/1", "--lit", lit], "", own);
}

#[test]
fn bedtime_and_rising_are_words_in_moments_of_one_s_own_too() {
    let lamp = ["--label", "Parlour", "--plug", "house/1", "--lit", "sunset, not after bedtime until bedtime"];
    let file = |bedtime: &str| {
        format!(
            "[place]\nname      = \"Skarvholmen\"\nposition  = \"59.7412 N, 5.2097 E\"\ntime_zone = \"Europe/Oslo\"\n\
             [times]\nbedtime = \"{bedtime}\"\n\
             [channel.parlour]\nlabel = \"Parlour\"\nplug  = \"house/1\"\n\
             lit   = [{{ from = \"sunset, not after bedtime\", until = \"bedtime\" }}]\n"
        )
    };
    check_written(&[&HOUSE[..], &lamp, &["--bedtime", "22:30"]].concat(), "", &file("22:30"));
    check_written(&[&HOUSE[..], &lamp].concat(), "", &file("22:45"));
    // A file that has no such name gets the clock time.
    let morning = "[channel.parlour]\nlabel = \"Parlour\"\nplug  = \"house/1\"\n\
                   lit   = [{ from = \"05:50\", until = \"sunrise\" }]\n";
    let lit = ["--label", "Parlour", "--plug", "house/1", "--lit", "rising until sunrise", "--rising", "05:50"];
    check_added(&lit, "", morning);
}

#[test]
fn a_file_that_is_there_is_not_made_anew_and_a_faulty_one_not_made_worse() {
    let all = [HOUSE, LAMP].concat();
    check_refused(Some(THERE), &all, "", 2, &["lampward.toml is there already, and new does not overwrite it"]);
    check_refused(Some(THERE), &LAMP, "", 2, &["--plug: ", "yard/3"]);
    let same = ["--channel", "jetty-lamp", "--label", "x", "--plug", "yard/9", "--lit", "all night"];
    check_refused(Some(THERE), &same, "", 2, &["--channel: there is a jetty-lamp already"]);
    let faulty = THERE.replace("sunset", "sunsett");
    check_refused(Some(&faulty), &LAMP, "", 2, &["`sunsett` is not a mark", "mend that first"]);
    check_refused(Some(""), &LAMP, "", 2, &["mend that first"]);
}

#[test]
fn the_example_as_it_was_shipped_makes_room() {
    let example = include_str!("../config/lampward.toml");
    let folder = folder();
    fs::write(folder.path().join("lampward.toml"), example).expect("a file");
    let output = new(folder.path(), &[HOUSE, LAMP].concat(), "");
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    assert_eq!(text(folder.path()).as_deref().map(bare).as_deref(), Some(LEAST));
    let kept = String::from_utf8_lossy(&output.stdout);
    let kept =
        kept.lines().find_map(|line| line.strip_suffix(" is as it was before")).expect("it says where").to_owned();
    assert_eq!(fs::read_to_string(kept).expect("it is kept"), example);
}

#[test]
fn every_file_that_can_come_of_it_passes_check() {
    let kind = ["--kind=other", "--tell={plug}/set", "--on=1", "--off=0"];
    let kinds: [&[&str]; 4] = [
        &[],
        &kind,
        &[&kind[..], &["--report={plug}/state"]].concat(),
        &[
            &kind[..],
            &["--report={plug}/state", "--pointer=/a", "--report-on=7", "--report-off=idle", "--alive={plug}/life"],
        ]
        .concat(),
    ];
    let lits = [&["all night"][..], &["evenings"], &["mornings"], &["evenings", "mornings"], &["dusk until 23:00"]];
    let brokers: [&[&str]; 3] = [&[], &["--broker=own"], &["--broker=mqtt://[2001:db8::7]:1884", "--user=lampward"]];
    let mut last = None;
    for kind in kinds {
        for lit in lits {
            for broker in brokers {
                let lit: Vec<String> = lit.iter().map(|lit| format!("--lit={lit}")).collect();
                let lit: Vec<&str> = lit.iter().map(String::as_str).collect();
                let folder = folder();
                let output = new(folder.path(), &[&HOUSE[..], &LAMP[..4], kind, &lit, broker].concat(), "");
                assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
                let text = text(folder.path()).expect("it is written");
                let checked = read("lampward.toml", text.as_bytes()).unwrap_or_else(|faults| panic!("{faults}"));
                assert_eq!(checked.warnings, []);
                last = Some(folder);
            }
        }
    }
    let folder = last.expect("one of them");
    let mut check = Command::new(env!("CARGO_BIN_EXE_lampward"));
    let output = check.args(["check", "lampward.toml"]).current_dir(folder.path()).output().expect("lampward runs");
    let said = String::from_utf8_lossy(&output.stdout);
    assert_eq!((output.status.code(), said.lines().next()), (Some(0), Some("lampward.toml: no fault")), "{said}");
}

#[test]
fn the_place_comes_from_a_receiver_too() {
    let receiver = receiver::Receiver::start(&[]);
    let position = format!("locate {}", receiver.device());
    let arguments = ["--name", "Skarvholmen", "--time-zone", "Europe/Oslo", "--position", &position];
    check_written(&[&arguments[..], &LAMP].concat(), "", LEAST);
    check_refused(
        None,
        &["--ask", "--name", "x"],
        "locate zone.tab\n",
        1,
        &["cannot read zone.tab", "the answers ended"],
    );
}

/// On a terminal: python's pty gives it one, types this and shows what is written there.
#[track_caller]
fn on_a_terminal(typed: &str, code: i32) -> (String, Option<String>) {
    let folder = folder();
    let mut python = Command::new("python3");
    let script = "import os, pty, sys\nsys.exit(os.waitstatus_to_exitcode(pty.spawn(sys.argv[1:])))";
    python.args(["-c", script, env!("CARGO_BIN_EXE_lampward"), "new"]);
    let output = spoken_to(&mut python, folder.path(), &[], typed);
    let shown = String::from_utf8_lossy(&output.stdout).into_owned();
    assert_eq!(output.status.code(), Some(code), "{shown}{}", String::from_utf8_lossy(&output.stderr));
    (shown, text(folder.path()))
}

#[test]
fn on_a_terminal_it_asks_of_its_own_accord() {
    let typed = "Skarvholmen\n59.7412 N, 5.2097 E\n\n\nJetty lamp\n\n\nyard/3\n\n\n";
    let (shown, text) = on_a_terminal(typed, 0);
    assert_eq!(text.as_deref().map(bare).as_deref(), Some(LEAST), "{shown}");
    assert!(shown.contains("Time zone, by its number or its name [Europe/Oslo]: "), "{shown}");
}

#[test]
fn ctrl_d_on_a_terminal_writes_nothing() {
    let (shown, text) = on_a_terminal("Skarvholmen\n\u{4}", 1);
    assert!(shown.contains("the answers ended: nothing is written"), "{shown}");
    assert_eq!(text, None);
}
