//! Text that is not TOML, and how faults are shown.

use lampward::pure::config::read;

use super::{PLACE, check, check_file};

const IN_TOML: &str = "[place]\nname = \"a\"\nposition = \"1 N, 1 E\"\ntime_zone = \"UTC\"\n";

#[track_caller]
fn check_shown(text: &str, expected: &str) {
    let faults = read("house.toml", text.as_bytes()).expect_err("a fault");
    assert_eq!(faults.to_string(), expected);
}

#[test]
fn a_fault_is_shown_in_three_lines_with_the_offending_word_underlined() {
    check_shown(
        &format!(
            "{PLACE}[channel.jetty]\nlabel = \"Jetty lamp\"\nplug = \"yard/3\"\nlit = [{{ from = \"sunsett\", until = \"23:00\" }}]\n"
        ),
        "house.toml:8:18: `sunsett` is not a mark\n\
         8 | lit = [{ from = \"sunsett\", until = \"23:00\" }]\n\
         \u{20} |                  ^^^^^^^ sunset, sunrise, dusk, dawn, …, a clock time such as 22:45, or a name from [times]; nearest: sunset",
    );
}

#[test]
fn the_underline_stands_right_under_tabs_and_wide_characters() {
    check_shown(
        &format!("{IN_TOML}[channel.a]\nlabel = \"a\"\n\tplug\t= \"木/+\"\nlit = []\n"),
        "house.toml:7:12: `+` is a wildcard and can't stand in a plug\n\
         7 | \tplug\t= \"木/+\"\n\
         \u{20} | \t    \t      ^ every plug by its own topic",
    );
    check_shown(
        &format!("{IN_TOML}[channel.\"木木\"]\nlabel = \"a\"\nplug = \"b\"\nlit = []\n"),
        "house.toml:5:11: `木` can't stand in a channel's name\n\
         5 | [channel.\"木木\"]\n\
         \u{20} |           ^^ a-z, 0-9 and -",
    );
}

#[test]
fn characters_that_would_play_with_the_terminal_are_made_visible() {
    check_shown(
        &format!("{IN_TOML}[sun]\nlead = '\u{1b}[2J'\n"),
        "house.toml:6:9: a control character in text\n\
         6 | lead = '␛[2J'\n\
         \u{20} |         ^ printable characters",
    );
    check_shown(
        &format!("{IN_TOML}[sun]\nlead = \"\u{202e}h 3\"\n"),
        "house.toml:6:9: `\u{fffd}h` is not a duration\n\
         6 | lead = \"\u{fffd}h 3\"\n\
         \u{20} |         ^^ a duration such as 20 min or 1 h 30 min",
    );
}

#[test]
fn of_a_very_long_line_the_part_around_the_fault_is_shown() {
    let text = format!("{IN_TOML}[sun]\nlead = \"{}x\"\n", "1 h ".repeat(100));
    let faults = read("house.toml", text.as_bytes()).expect_err("a fault").to_string();
    let lines: Vec<&str> = faults.lines().collect();
    assert_eq!(lines[0], "house.toml:6:15: `h` is named twice or too late");
    assert!(lines[1].starts_with("6 | lead = \"1 h 1 h ") && lines[1].ends_with('…'), "{}", lines[1]);
    assert_eq!(lines[1].chars().count(), "6 | ".len() + 160 + 1);
}

#[test]
fn words_within_text_with_escapes_are_underlined_as_written() {
    check(
        r#"[sun]
lead = "\u0031 h 3 «mim»"
"#,
        "`mim` is not h, min or s",
        "h, min or s; nearest: min",
    );
    check("[sun]\nlead = \"\"\"\n1 h 3 \\\n   «mim»\"\"\"\n", "`mim` is not h, min or s", "h, min or s; nearest: min");
}

#[test]
fn a_key_or_a_table_written_twice_is_refused_where_it_comes_again() {
    check("[sun]\nlead = \"1 min\"\n«lead» = \"2 min\"\n", "`lead` is written twice", "each key and each table once");
    check("[sun]\n[«sun»]\nlead = \"2 min\"\n", "`sun` is written twice", "each key and each table once");
}

#[test]
fn the_rest_of_the_file_is_read_after_a_line_that_is_no_toml() {
    check_file(
        &format!("{PLACE}[sun]\nlead« »\"1 min\"\nlag = \"«3 h»\"\n[sum]\n")
            .replace("lead« »", "lead «\"»")
            .replace("\"1 min\"\nlag", "1 min\"\nlag")
            .replace("[sum]", "[«sum»]"),
        &[
            ("a key without `=` and a value", "key = value"),
            ("`3 h` is too long", "0 min to 2 h"),
            (
                "`sum` is no key of this file",
                "place, times, sun, broker, web, clock, daybook, plug_kind, channel, absence; nearest: sun",
            ),
        ],
    );
}

#[test]
fn a_name_in_a_line_that_is_no_toml_is_known_all_the_same() {
    check_file(
        &format!(
            "{PLACE}[times]\nbedtime« »{{ \"Mon-Sun\" = \"22:45\" }}\n[channel.a]\nlabel = \"A\"\nplug = \"a\"\n\
             lit = [{{ from = \"«sunsett»\", until = \"bedtime\" }}]\n"
        )
        .replace("« »{", " «{»"),
        &[
            ("a key without `=` and a value", "key = value"),
            (
                "`sunsett` is not a mark",
                "sunset, sunrise, dusk, dawn, …, a clock time such as 22:45, or a name from [times]; nearest: sunset",
            ),
        ],
    );
}

#[test]
fn a_list_that_is_not_closed_does_not_hide_the_faults_after_it() {
    check_file(
        &format!(
            "{PLACE}[channel.a]\nlabel = \"A\"\nplug = \"a\"\nlit = «[»\n  {{ from = \"dusk\", until = \"dawn\" }},\n\n\
             [channel.b]\nlabel = «3»\nplug = \"b\"\nlit = []\n"
        ),
        &[("`[` is not closed before line 11", "`]`"), ("`label` is a number, not text", "text in quotes: \"3\"")],
    );
}

#[test]
fn text_without_quotes_and_quotes_without_end_are_named() {
    check("[sun]\nlead = «ten»\n", "`ten` is not in quotes", "\"ten\"");
    check("[sun]\nlead = \"10 min«»\n", "the quotes are not closed", "`\"`");
    check(
        "[sun]\nlead = «2026-11-24»\n",
        "`lead` is a date or time outside quotes, not text",
        "text in quotes, dates and times too",
    );
    check(
        "[channel.a]\nlabel = \"A\"\nplug = \"a\"\nlit = [{ from = \"dusk\" «u»ntil = \"dawn\" }]\n",
        "a comma is missing between two keys",
        "`,` before the second key",
    );
}

#[test]
fn bytes_that_are_no_text_are_shown_where_they_stand() {
    let mut bytes = PLACE.as_bytes().to_vec();
    bytes.extend(b"[sun]\nlead = \"\xff\xfe 10 min\"\nlag = \"3 h\"\n");
    let faults = read("house.toml", &bytes).expect_err("a fault");
    assert_eq!(
        faults.to_string(),
        "house.toml:6:9: this is not text in UTF-8\n\
         6 | lead = \"\u{fffd}\u{fffd} 10 min\"\n\
         \u{20} |         ^ a file saved as UTF-8\n\
         house.toml:7:8: `3 h` is too long\n\
         7 | lag = \"3 h\"\n\
         \u{20} |        ^^^ 0 min to 2 h"
    );
}

#[test]
fn a_file_in_another_encoding_has_one_fault_that_says_so() {
    let units: Vec<u16> = PLACE.encode_utf16().collect();
    let little: Vec<u8> = units.iter().flat_map(|unit| unit.to_le_bytes()).collect();
    let big: Vec<u8> = units.iter().flat_map(|unit| unit.to_be_bytes()).collect();
    for text in [&little, &big, &[&b"\xff\xfe"[..], &little].concat(), &[&b"\xfe\xff"[..], &big].concat()] {
        let faults = read("house.toml", text).expect_err("a fault").to_string();
        assert_eq!(faults, "house.toml:1:1: this is text in UTF-16\n1 | \n  | ^ a file saved as UTF-8");
    }
}

#[test]
fn an_empty_file_has_a_fault_with_line_and_column_as_well() {
    check_shown(
        "",
        "house.toml:1:1: `place` is missing in this file\n1 | \n  | ^ [place] with name, position and time_zone",
    );
    check_shown(
        "\n\n",
        "house.toml:1:1: `place` is missing in this file\n1 | \n  | ^ [place] with name, position and time_zone",
    );
}

#[test]
fn a_byte_order_mark_and_line_ends_of_other_systems_do_no_harm() {
    let text = format!("\u{feff}{}", PLACE.replace('\n', "\r\n"));
    assert!(read("house.toml", text.as_bytes()).is_ok());
    let text = format!("{text}[sun]\r\nlead = \"3 h\"\r\n");
    check_shown(&text, "house.toml:6:9: `3 h` is too long\n6 | lead = \"3 h\"\n  |         ^^^ 0 min to 2 h");
}

/// Megabytes of it would otherwise cost minutes and fill the memory of a small board.
#[test]
fn a_heap_of_junk_is_given_up_after_two_thousand_faults() {
    #[track_caller]
    fn check(what: &str, junk: &[u8], first: &str) {
        let faults = lampward::pure::config::read("house.toml", junk).expect_err(what).0;
        assert!((1_000..=2_000).contains(&faults.len()), "{what}: {}", faults.len());
        assert_eq!(faults[0].message, first, "{what}");
    }
    let hopeless = "there are more than 2000 faults from here on: what follows was not read";
    check("broken lines", "k = \"sunset\" and more\n".repeat(20_000).as_bytes(), hopeless);
    check("open headers", "[channel.x\n".repeat(20_000).as_bytes(), hopeless);
    check("no text", &[0xfe, b'\n'].repeat(500_000), hopeless);
    let channels: String = (0..5_000).map(|n| format!("[channel.b{n}]\nlabel = 3\nplug = \"a/+\"\n")).collect();
    check("faulty lamps", channels.as_bytes(), "`place` is missing in this file");
}
