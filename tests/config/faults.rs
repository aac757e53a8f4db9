//! Every kind of fault, table by table: the offending text is marked, with what is said of it and what would be right.

use super::{PLACE, check, check_file, check_good};

/// A channel with one rule, on a line of its own.
fn lit(rule: &str) -> String {
    format!("[channel.a]\nlabel = \"A\"\nplug = \"a\"\nlit = [{rule}]\n")
}

/// A whole `[place]`, with one line in place of that of its key.
#[track_caller]
fn check_place(key: &str, line: &str, message: &str, right: &str) {
    let mut lines: Vec<&str> = PLACE.lines().filter(|old| !old.starts_with(key)).collect();
    lines.push(line);
    check_file(&(lines.join("\n") + "\n"), &[(message, right)]);
}

#[test]
fn unknown_tables_and_keys_are_refused_with_the_nearest() {
    let tables = "place, times, sun, broker, web, clock, daybook, plug_kind, channel, absence";
    check("[«chanel».a]\n", "`chanel` is no key of this file", &format!("{tables}; nearest: channel"));
    check("[sun]\n«leed» = \"1 min\"\n", "`leed` is no key of [sun]", "lead, lag; nearest: lead");
    check(
        "[web]\n«\"a b\"» = 1\n".replace("«\"a b\"»", "\"«a b»\"").as_str(),
        "`a b` is no key of [web]",
        "listen, token_file, read, hosts",
    );
    check(
        &lit("{ from = \"dusk\", «untill» = \"dawn\", until = \"dawn\" }"),
        "`untill` is no key of lit",
        "from, until, days, season, except, at_least; nearest: until",
    );
}

#[test]
fn what_is_required_is_missed() {
    check_file(
        "««[place]»»\nname = \"A\"\n",
        &[
            ("`position` is missing in [place]", "position = \"59.7412 N, 5.2097 E\""),
            ("`time_zone` is missing in [place]", "time_zone = \"Europe/Oslo\""),
        ],
    );
}

#[test]
fn what_is_required_of_a_channel_and_a_rule_is_missed() {
    check_file(
        &format!("{PLACE}[channel.a]\nlabel = \"A\"\nplug = \"a\"\nlit = [«{{ until = \"dusk\" }}»]\n"),
        &[("`from` is missing in lit", "from = \"sunset\"")],
    );
    check(
        "«[channel.a]»\nlabel = \"A\"\nplug = \"a\"\n",
        "`lit` is missing in [channel.a]",
        "lit = [{ from = \"sunset\", until = \"sunrise\" }]",
    );
    check(
        "«[channel.a]»\nlabel = \"A\"\nlit = []\n",
        "`plug` is missing in [channel.a]",
        "plug = \"yard/3\", or plugs = [\"yard/3\", \"yard/4\"]",
    );
    check("«[channel.a]»\nplug = \"a\"\nlit = []\n", "`label` is missing in [channel.a]", "label = \"Jetty lamp\"");
    check(
        "«[plug_kind.k]»\n",
        "`tell` is missing in [plug_kind.k]",
        "tell = { topic = \"{plug}/order\", on = \"on\", off = \"off\" }",
    );
    check("[plug_kind.k]\ntell = «{ topic = \"t\", on = \"1\" }»\n", "`off` is missing in tell", "off = \"off\"");
}

#[test]
fn values_of_another_type_are_refused() {
    check("[web]\nhosts = «\"a\"»\n", "`hosts` is text, not a list", "a list in brackets: hosts = [\"lamps.example\"]");
    check("[daybook]\nyears = «\"2\"»\n", "`years` is text, not a whole number", "a whole number, 1 to 100");
    check("[daybook]\nyears = «2.5»\n", "`years` is a number, not a whole number", "a whole number, 1 to 100");
    check(
        "«sun» = 3\n".replace("«sun» = 3", "[times]\nx = «true»").as_str(),
        "`x` is true or false, not a clock time",
        "\"22:45\", or one for each set of weekdays: { \"Mon-Fri\" = \"22:45\", \"Sat Sun\" = \"23:30\" }",
    );
    check(
        "[absence]\ndates = [«2027-02-10»]\n",
        "`dates` is a date or time outside quotes, not text",
        "text in quotes, dates and times too",
    );
    check("[channel]\na = «3»\n", "`a` is a number, not a table", "a table: [channel.a]");
    check("[plug_kind.k]\ntell = «\"x\"»\n", "`tell` is text, not a table", "a table: tell");
    check(&lit("«\"dusk\"»"), "`lit` is text, not a table", "a table: lit");
    check(
        "[channel.a]\nlabel = \"A\"\nplug = \"a\"\nabsence = «\"no\"»\nlit = []\n",
        "`absence` is text, not true or false",
        "true or false, without quotes",
    );
}

#[test]
fn the_place_has_a_name_a_position_a_zone_and_a_horizon() {
    check_place("name", "name = \"«»\"", "the name is empty", "a name for people to read");
    check_place("name", "name = \"«a\\tb»\"", "a control character in a name", "");
    check_place(
        "position",
        "position = \"«95» N, 5 E\"",
        "a latitude of more than 90 degrees",
        "0 to 90 degrees, then N or S",
    );
    let zone = "an IANA zone such as Europe/Oslo, or an offset such as +01:00";
    check_place(
        "time_zone",
        "time_zone = \"«Europe/Olso»\"",
        "`Europe/Olso` is not a time zone",
        &format!("{zone}; nearest: Europe/Oslo"),
    );
    check_place("-", "horizon = \"«61 deg»\"", "`61 deg` is no horizon of a house", "-5 deg to 60 deg");
    check_place("-", "horizon = \"2 «degrees»\"", "`degrees` is not `deg`", "deg; nearest: deg");
    check_place(
        "-",
        "clock_change = \"«allways summer»\"",
        "`allways summer` is not known here",
        "\"auto\" or \"always standard\" or \"always summer\"; nearest: always summer",
    );
}

#[test]
fn a_zone_far_from_the_sun_of_the_place_is_refused() {
    // Mean solar time of 5.2097 E is 20.8 min ahead of UTC; Tokyo is 9 h ahead, Honolulu 10 h behind.
    let right = "a zone within 5 h of it; look at E and W of the position as well";
    check_place(
        "time_zone",
        "time_zone = \"«Asia/Tokyo»\"",
        "`Asia/Tokyo` is 8 h 39 min from the place's mean solar time",
        right,
    );
    check_place(
        "time_zone",
        "time_zone = \"«-10:00»\"",
        "`-10:00` is 10 h 21 min from the place's mean solar time",
        right,
    );
}

#[test]
fn clock_changes_can_only_be_ruled_out_where_there_are_any() {
    check_file(
        "[place]\nname = \"A\"\nposition = \"35 N, 135 E\"\ntime_zone = \"Asia/Tokyo\"\nclock_change = «\"always summer\"»\n",
        &[("the clocks of Asia/Tokyo do not change", "\"auto\", or no clock_change at all")],
    );
    check_file(
        "[place]\nname = \"A\"\nposition = \"60 N, 5 E\"\ntime_zone = \"+01:00\"\nclock_change = «\"always standard\"»\n",
        &[("the clocks of +01:00 do not change", "\"auto\", or no clock_change at all")],
    );
}

#[test]
fn names_of_clock_times_are_no_words_of_the_grammar_and_cover_each_weekday_once() {
    for word in ["sunset", "noon", "midnight", "not", "min", "at", "cancelled"] {
        check(
            &format!("[times]\n«{word}» = \"22:45\"\n"),
            &format!("`{word}` has a meaning of its own and can't be a name"),
            "another name, such as bedtime",
        );
    }
    check(
        "[times]\n\"«bed time»\" = \"22:45\"\n",
        "`bed time` can't be a name of a clock time",
        "a letter, then letters, digits, - or _",
    );
    check(
        "[times]\n«7up» = \"22:45\"\n",
        "`7up` can't be a name of a clock time",
        "a letter, then letters, digits, - or _",
    );
    check(
        "[times]\nx = \"«22.45»\"\n",
        "`22.45` is not how a clock time is written",
        "hours, a colon and minutes, two digits each, from 00:00 to 23:59; nearest: 22:45",
    );
    check(
        "[times]\nx = { \"«Sun-Thr»\" = \"22:45\", \"Fri Sat\" = \"23:30\" }\n",
        "`Sun-Thr` is not a weekday",
        "weekdays such as Mon-Fri or Fri Sat; nearest: Sun-Thu",
    );
    check(
        "[times]\n«x» = { \"Sun-Wed\" = \"22:45\", \"Fri\" = \"23:30\" }\n",
        "`x` has no time for Thu Sat",
        "each weekday once",
    );
    check(
        "[times]\nx = { \"Sun-Thu\" = \"22:45\", \"«Thu-Sat»\" = \"23:30\" }\n",
        "Thu is covered twice",
        "each weekday once",
    );
    check(
        "[times]\nx = { \"Mon «Fri-Tue»\" = \"22:45\", \"Wed Thu\" = \"23:30\" }\n",
        "Mon is named twice",
        "each weekday once",
    );
}

#[test]
fn lead_and_lag_are_from_nothing_to_two_hours() {
    check("[sun]\nlead = \"«2 h 1 s»\"\n", "`2 h 1 s` is too long", "0 min to 2 h");
    check("[sun]\nlag = \"«-5» min\"\n", "`-5` is not a duration", "a duration such as 20 min or 1 h 30 min");
    check_good("[sun]\nlead = \"2 h\"\nlag = \"0 min\"\n");
}

#[test]
fn the_broker_is_an_address_or_lampwards_own() {
    let example = "mqtt://192.0.2.7:1883";
    let address = |address: &str| format!("[broker]\naddress = \"{address}\"\n");
    let begins = "the address of a broker begins with mqtt:// or mqtts://";
    check(&address("«http://»192.0.2.7"), begins, example);
    check(&address("«192.0.2.7:1883»"), begins, example);
    check(&address("mqtts://«»"), "the address has no host", example);
    check(&address("mqtt://«»"), "the address has no host", example);
    check(&address("mqtt://192.0.2.7«:70000»"), "`:70000` is no port", "1 to 65535");
    check(&address("mqtt://192.0.2.7:1883«/x»"), "nothing follows the port of a broker", example);
    check(
        &address("mqtt://«me:secret@»192.0.2.7"),
        "user and password do not stand in the address",
        "user and password_file beside the address",
    );
    check(&address("mqtt://«a b»"), "`a b` is no name of a host", example);
    check(&address("mqtt://[«2001:db8::g»]:1883"), "no IPv6 address stands between the brackets", example);
    for good in [
        "mqtts://192.0.2.7",
        "mqtt://192.0.2.7",
        "mqtt://broker.example:1884",
        "mqtt://[2001:db8::1]",
        "mqtt://[2001:db8::1]:1884",
    ] {
        check_good(&address(good));
    }
    check(
        "[broker]\naddress = \"mqtt://a\"\n«ca» = \"x.pem\"\n",
        "`ca` goes with an address that begins with mqtts://",
        "address = \"mqtts://192.0.2.7:8883\" as well",
    );
    check(
        "[broker]\n«ca» = \"x.pem\"\n",
        "`ca` goes with an address that begins with mqtts://",
        "address = \"mqtts://192.0.2.7:8883\" as well",
    );
    check_good("[broker]\naddress = \"mqtts://a\"\nca = \"x.pem\"\n");
    check(
        "[broker]\naddress = \"mqtt://a\"\n«serve» = \"127.0.0.1:1883\"\n",
        "`serve` goes with lampward's own broker, and here is an address",
        "one of the two",
    );
    check(
        "[broker]\n«user» = \"me\"\n",
        "`user` goes with the address of a broker",
        "address = \"mqtt://192.0.2.7:1883\" as well",
    );
    check(
        "[broker]\naddress = \"mqtt://a\"\n«password_file» = \"p\"\n",
        "`password_file` without `user`",
        "user = \"lampward\" as well (MQTT sends no password alone)",
    );
    let socket = "an IP address and a port, such as 127.0.0.1:8460 or [::1]:8460";
    check(
        "[broker]\nserve = \"«localhost:1883»\"\n",
        "`localhost:1883` is no address to listen on",
        &format!("{socket}; nearest: 127.0.0.1:1883"),
    );
    check("[broker]\npace = \"«61 s»\"\n", "`61 s` is too long", "0 ms to 60 s");
    check_good("[broker]\npace = \"250 ms\"\nserve = \"192.0.2.1:1883\"\naccounts_file = \"/etc/lampward/accounts\"\n");
}

#[test]
fn the_page_the_clock_and_the_daybook_take_what_they_know() {
    check(
        "[web]\nlisten = \"«8460»\"\n",
        "`8460` is no address to listen on",
        "an IP address and a port, such as 127.0.0.1:8460 or [::1]:8460",
    );
    check("[web]\nread = \"«tokens»\"\n", "`tokens` is not known here", "\"open\" or \"token\"; nearest: token");
    check("[web]\ntoken_file = \"«»\"\n", "the path is empty", "the path of a file");
    check(
        "[web]\nhosts = [\"lamps.example\", \"«lamps:8460»\"]\n",
        "`lamps:8460` is no name of a host",
        "a name such as lamps.example, without port",
    );
    check(
        "[clock]\ntrust = \"«synchronized»\"\n",
        "`synchronized` is not known here",
        "\"synchronised\" or \"always\"; nearest: synchronised",
    );
    check("[daybook]\nyears = «0»\n", "`0` is out of range", "1 to 100");
    check_good(
        "[web]\nlisten = \"0.0.0.0:8460\"\nread = \"token\"\n[clock]\ntrust = \"always\"\n[daybook]\nyears = 5\n",
    );
}

#[test]
fn a_rule_is_read_word_by_word() {
    let rule = |more: &str| lit(&format!("{{ from = \"dusk\", until = \"dawn\", {more} }}"));
    check(
        &rule("days = \"Mon-«»\"").replace("Mon-«»", "«Mon-»"),
        "`Mon-` is not a weekday",
        "weekdays such as Mon-Fri or Fri Sat; nearest: Mon",
    );
    check(
        &rule("days = \"Mon, Tue\"").replace(", Tue", "«,» Tue"),
        "`,` is not a weekday",
        "weekdays such as Mon-Fri or Fri Sat",
    );
    check(
        &rule("days = \"«Mon-Mon»\""),
        "`Mon-Mon` is not a weekday",
        "weekdays such as Mon-Fri or Fri Sat; nearest: Mon",
    );
    check(&rule("days = \"«»\""), "nothing is written where a weekday belongs", "weekdays such as Mon-Fri or Fri Sat");
    check(&rule("season = \"1 Dec to «31 Feb»\""), "Feb has no day 31", "1 Feb to 29 Feb");
    check(&rule("season = \"1 «dec» to 6 Jan\""), "`dec` is not a month", "Jan, Feb, Mar, … Dec; nearest: Dec");
    check(&rule("season = \"1 Dec «until» 6 Jan\""), "`until` is not `to`", "to");
    check(&rule("season = \"1 Dec«»\""), "`1 Dec` ends where `to` belongs", "to");
    check(&rule("except = «\"24 Dec\"»"), "`except` is text, not a list", "a list in brackets: except = [\"24 Dec\"]");
    check(&rule("except = [\"«0 Dec»\"]"), "Dec has no day 0", "1 Dec to 31 Dec");
    check(
        &rule("except = [\"24 Dec «to» 26 Dec\"]"),
        "`to` joins dates with their year alone",
        "each day by itself, or dates with their year",
    );
    check(
        &rule("except = [\"«2026-02-30»\"]"),
        "`2026-02-30` is not a date of the calendar",
        "year-month-day, such as 2026-12-24",
    );
    check(
        &rule("except = [\"2026-12-31 to «2026-12-30»\"]"),
        "2026-12-30 is before 2026-12-31",
        "the earlier date first",
    );
    check(
        &rule("except = [\"«tomorrow»\"]"),
        "`tomorrow` is not a date",
        "2026-12-24, 24 Dec or 2026-12-31 to 2027-01-02",
    );
    check(&rule("at_least = \"«25 h»\""), "`25 h` is too long", "0 min to 24 h");
    check("[absence]\nvary = \"«13 h»\"\n", "`13 h` is too long", "0 min to 12 h");
    check_good(&rule(
        "days = \"Sat-Mon Wed\", season = \"29 Feb to 1 Feb\", except = [\"29 Feb\", \"2026-12-24\", \"2026-12-31 to 2027-01-02\"], at_least = \"0 min\"",
    ));
}

#[test]
fn from_and_until_alike_are_refused_however_they_are_written() {
    let times = "[times]\nlate = \"22:45\"\nlast = { \"Mon-Sun\" = \"22:45\" }\n";
    let alike =
        |from: &str, until: &str| format!("{times}{}", lit(&format!("{{ from = \"{from}\", until = \"«{until}»\" }}")));
    for (from, until) in [
        ("sunset", "sunset"),
        ("120 min before dusk", "2 h before dusk"),
        ("22:45", "late"),
        ("late", "last"),
        ("midnight", "00:00"),
        ("dusk", "evening sun at -6 deg"),
        ("dawn, not before 06:00", "dawn, not before 06:00"),
    ] {
        check(
            &alike(from, until),
            "`from` and `until` are alike: the lamp would never be lit",
            "two moments that differ",
        );
    }
    check_good(&lit(
        "{ from = \"dusk\", until = \"1 s after dusk\" }, { from = \"dawn\", until = \"dawn, not before 06:00\" }",
    ));
}
