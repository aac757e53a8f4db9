//! Faults of plugs: topics, kinds, channels and what belongs to whom.

use super::{check, check_good};

/// A plug kind; left out are the three that a test does not touch.
fn kind(lines: &str) -> String {
    format!("[plug_kind.k]\n{lines}\n")
}

const TELL: &str = "tell = { topic = \"{plug}/t\", on = \"1\", off = \"0\" }";

#[test]
fn topics_are_topics_of_mqtt() {
    let tell = |topic: &str| kind(&format!("tell = {{ topic = \"{topic}\", on = \"1\", off = \"0\" }}"));
    check(&tell("«»"), "a topic is empty", "at least one character");
    check(&tell("a/«#»"), "`#` is a wildcard and can't stand in a topic", "every plug by its own topic");
    check(&tell("«+»/a"), "`+` is a wildcard and can't stand in a topic", "every plug by its own topic");
    check(&tell("a«\\u0000»b"), "a NUL character in a topic", "");
    check(&tell("a«\\u0007»b"), "a control character in a topic", "");
    check(&tell("« a»"), "a topic begins or ends with a blank", "a");
    check(&tell("«$»SYS/a"), "a topic begins with `$`: such topics are the broker's own", "");
    check(&tell("«{plgu}»/a"), "`{plgu}` stands for nothing", "{plug}, the plug's name; nearest: {plug}");
    let long = "x".repeat(65_536);
    check(&tell(&format!("«{long}»")), "a topic is 65536 bytes long", "at most 65535 bytes (MQTT)");
    check_good(&tell(&long[1..]));
    check_good(&format!("{}report = {{ topic = \"$SYS/a\", on = \"1\", off = \"0\" }}\n", kind(TELL)));
}

#[test]
fn a_plug_kind_can_tell_on_from_off_and_hear_what_it_asks() {
    let with = |line: &str| kind(&format!("{TELL}\n{line}"));
    check(
        &kind("tell = { topic = \"t\", on = \"1\", off = «\"1\"» }"),
        "`on` and `off` of tell are alike",
        "two that differ",
    );
    check(
        &with("report = { topic = \"{plug}/r\", on = [\"1\", \"on\"], off = «\" on \"» }"),
        "`on` and `off` of report are alike",
        "two that differ",
    );
    check(
        &with("report = { topic = \"{plug}/r\", pointer = \"\", on = 1, off = «1.0» }"),
        "`on` and `off` of report are alike",
        "two that differ",
    );
    check(
        &with("report = { topic = \"{plug}/r\", on = «true», off = \"0\" }"),
        "`on` is true or false, not text",
        "text in quotes, as the whole payload is text; or a pointer into its JSON",
    );
    check(
        &with("report = { topic = \"{plug}/r\", on = «[]», off = \"0\" }"),
        "`[]` names no value",
        "one value, or a list of them",
    );
    check(
        &with("report = { topic = \"{plug}/r\", pointer = \"«supply»\", on = 1, off = 0 }"),
        "`supply` does not begin with `/`",
        "a JSON pointer such as /supply (RFC 6901); nearest: /supply",
    );
    check(
        &with("report = { topic = \"{plug}/r\", pointer = \"/a«~»b\", on = 1, off = 0 }"),
        "`~` of a JSON pointer has to be ~0, and `/` within a name ~1",
        "~0 or ~1 (RFC 6901)",
    );
    check(
        &with("report = { topic = \"{plug}/r\", pointer = \"/a\", on = 1, off = «nan» }"),
        "`nan` is no number of JSON",
        "a number of usual size",
    );
    check(
        &with("report = { topic = «\"{plug}/t\"», on = \"1\", off = \"0\" }"),
        "the report would be lampward's own commands coming back",
        "the topic on which the plug itself speaks",
    );
    check(
        &with("«ask» = { topic = \"{plug}/a\" }"),
        "`ask` without `report`: nothing would hear the answer",
        "a report as well, or no ask",
    );
    check(
        &with(
            "report = { topic = \"{plug}/r\", on = \"1\", off = \"0\" }\nask = { topic = \"{plug}/a\", every = \"«5 s»\" }",
        ),
        "`5 s` is out of range",
        "10 s to 24 h",
    );
    check(
        &with("alive = { topic = \"{plug}/l\", yes = \"a\", no = «\"a\"» }"),
        "`yes` and `no` of alive are alike",
        "two that differ",
    );
    check(
        "[plug_kind.«plain»]\ntell = { topic = \"t\", on = \"1\", off = \"0\" }\n",
        "the kind `plain` is built in",
        "another name for a kind of your own",
    );
}

#[test]
fn a_channel_has_a_plain_name_a_known_kind_and_plugs_of_its_own() {
    let channel = |name: &str, lines: &str| format!("[channel.{name}]\nlabel = \"A\"\nlit = []\n{lines}\n");
    check(&channel("«J»etty", "plug = \"a\""), "`J` can't stand in a channel's name", "a-z, 0-9 and -; nearest: jetty");
    check(&channel("a«_»b", "plug = \"a\""), "`_` can't stand in a channel's name", "a-z, 0-9 and -; nearest: a-b");
    check(&channel("\"«»\"", "plug = \"a\""), "a channel needs a name", "a-z, 0-9 and -");
    check(
        &channel("a", "plug = \"a\"\nkind = \"«plane»\""),
        "`plane` is not a plug kind of this file",
        "plain; nearest: plain",
    );
    check(&channel("a", "plug = \"a\"\n«plugs» = [\"b\"]"), "`plug` and `plugs` in one channel", "one of the two");
    check(&channel("a", "plugs = «[]»"), "`[]` names no plug", "at least one: [\"yard/3\"]");
    check(&channel("a", "plugs = [\"b\", \"«b»\"]"), "`b` is listed twice", "each plug once, in one channel");
    check(
        &channel("a", "plug = \"x/«+»\""),
        "`+` is a wildcard and can't stand in a plug",
        "every plug by its own topic",
    );
    check(
        &channel("a", "plug = \"«{»plug}\""),
        "a plug's name has no braces",
        "the name that stands for {plug} in the topics of its kind",
    );
    check(&channel("a", "plug = \"a\"\nwatts = «-1»"), "`-1` is out of range", "0 to 100000, in watts");
    check(&channel("a", "plug = \"a\"\nwatts = «inf»"), "`inf` is no number to reckon with", "a number of usual size");
    check(
        &channel("a", "plug = \"a\"\nby_hand = \"«leav»\""),
        "`leav` is not known here",
        "\"leave\" or \"correct\"; nearest: leave",
    );
    let two = format!("{}{}", channel("a", "plug = \"yard/3\""), channel("b", "plug = \"«yard/3»\""));
    check(&two, "`yard/3` already belongs to [channel.a], line 8", "each plug once, in one channel");
}

#[test]
fn two_plugs_never_share_a_topic() {
    let kinds = "[plug_kind.k]\ntell = { topic = \"all/t\", on = \"1\", off = \"0\" }\n";
    let channel = |name: &str, plug: &str| {
        format!("[channel.{name}]\nlabel = \"A\"\nlit = []\nkind = \"k\"\nplug = \"{plug}\"\n")
    };
    let right = "a topic for each plug: {plug} in the topics of the kind";
    check(
        &format!("{kinds}{}{}", channel("a", "x"), channel("b", "«y»")),
        "the tell topic `all/t` is that of plug `x` too",
        right,
    );
    let kinds = "[plug_kind.k]\ntell = { topic = \"{plug}\", on = \"1\", off = \"0\" }\nreport = { topic = \"{plug}/r\", on = \"1\", off = \"0\" }\n";
    check(
        &format!("{kinds}{}{}", channel("a", "x"), channel("b", "«x/r»")),
        "the tell topic `x/r` is that of plug `x` too",
        right,
    );
    check(
        &format!("{kinds}{}", channel("a", "«lampward/skarvholmen/alive»")),
        "the tell topic `lampward/skarvholmen/alive` is lampward's own",
        "a topic of the plug",
    );
    check(
        &format!("{kinds}{}", channel("a", "«$SYS»")),
        "the tell topic begins with `$`: such topics are the broker's own",
        "",
    );
    let long = "x".repeat(65_534);
    check(
        &format!("{kinds}{}", channel("a", &format!("«{long}»"))),
        "the report topic of this plug would be 65536 bytes long",
        "at most 65535 bytes (MQTT)",
    );
}
