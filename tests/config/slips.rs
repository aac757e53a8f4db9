//! What people write at first, and what they are shown in place of it.

use super::{PLACE, check, check_file};

const A_CLOCK_TIME: &str = "hours, a colon and minutes, two digits each, from 00:00 to 23:59";

/// A channel with one rule, on a line of its own.
fn until(moment: &str) -> String {
    format!("[channel.a]\nlabel = \"A\"\nplug = \"a\"\nlit = [{{ from = \"sunset\", until = \"{moment}\" }}]\n")
}

#[test]
fn curly_quotes_are_said_to_be_such() {
    check(
        "[channel.a]\nlabel = «“Jetty lamp”»\nplug = \"a\"\nlit = []\n",
        "`Jetty lamp` stands in curly quotes",
        "straight quotes: \"Jetty lamp\"",
    );
    check(
        "[channel.a]\nlabel = \"A\"\nplug = «‘yard/3’»\nlit = []\n",
        "`yard/3` stands in curly quotes",
        "straight quotes: \"yard/3\"",
    );
    check(
        "[channel.a]\nlabel = \"A\"\nplug = \"a\"\nlit = [{ from = «“sunset”», until = \"23:00\" }]\n",
        "`sunset` stands in curly quotes",
        "straight quotes: \"sunset\"",
    );
    check(
        "[channel.a]\nlabel = \"Jetty lamp«”»\nplug = \"a\"\nlit = []\n",
        "`”` is a curly quote and closes nothing",
        "\"",
    );
}

#[test]
fn curly_quotes_within_straight_ones_are_text() {
    super::check_good("[channel.a]\nlabel = \"“Bø” and Anna’s\"\nplug = \"a\"\nlit = []\n");
}

#[test]
fn a_clock_time_in_another_notation_is_shown_in_ours() {
    for (written, meant) in [
        ("11pm", "23:00"),
        ("11 pm", "23:00"),
        ("6:30 AM", "06:30"),
        ("23.00", "23:00"),
        ("2300", "23:00"),
        ("22", "22:00"),
        ("noon", "12:00"),
    ] {
        let message = format!("`{written}` is not how a clock time is written");
        check(&until(&format!("«{written}»")), &message, &format!("{A_CLOCK_TIME}; nearest: {meant}"));
    }
    check(
        "[times]\nrising = \"«06.15»\"\n",
        "`06.15` is not how a clock time is written",
        &format!("{A_CLOCK_TIME}; nearest: 06:15"),
    );
    check(
        &until("sunrise, not after «7am»"),
        "`7am` is not how a clock time is written",
        &format!("{A_CLOCK_TIME}; nearest: 07:00"),
    );
}

#[test]
fn an_offset_with_a_sign_is_shown_in_words() {
    for (written, meant) in [
        ("sunset -20 min", "20 min before sunset"),
        ("sunset+15", "15 min after sunset"),
        ("dusk - 1h30min", "1 h 30 min before dusk"),
        ("nautical dawn + 90 s", "1 min 30 s after nautical dawn"),
        ("sunrise −10min", "10 min before sunrise"),
    ] {
        let message = format!("`{written}` is not how an offset is written");
        let right = format!("the time first, then before or after, then the mark; nearest: {meant}");
        check(&until(&format!("«{written}», not after 23:00")), &message, &right);
    }
    // No offset at all.
    check(
        &until("sunset «-20» minuets"),
        "`-20` does not belong here",
        "nothing more, or a comma and `not before` or `not after`",
    );
}

#[test]
fn words_for_several_weekdays_are_shown_by_their_names() {
    for (written, meant) in [("weekdays", "Mon-Fri"), ("workdays", "Mon-Fri"), ("weekend", "Sat Sun")] {
        let text = "[channel.a]\nlabel = \"A\"\nplug = \"a\"\nlit = [{ from = \"sunset\", until = \"23:00\", days = \"«WRITTEN»\" }]\n";
        let right = format!("weekdays such as Mon-Fri or Fri Sat; nearest: {meant}");
        check(&text.replace("WRITTEN", written), &format!("`{written}` is not a weekday"), &right);
    }
}

#[test]
fn a_position_in_another_notation_is_shown_in_ours() {
    let right = "latitude with N or S, comma, longitude with E or W; nearest: 59.7412 N, 5.2097 E";
    for (written, message) in [
        ("59.7412, 5.2097", "N or S is missing, or E or W"),
        ("5.2097 E, 59.7412 N", "the longitude comes before the latitude"),
        ("N 59.7412, E 5.2097", "the position is written in another way"),
        ("59,7412 N, 5,2097 E", "the position is written in another way"),
    ] {
        let line = format!("position = \"«{written}»\"");
        check_file(&format!("{}\n", PLACE.replace("position = \"59.7412 N, 5.2097 E\"", &line)), &[(message, right)]);
    }
}

#[test]
fn a_channel_name_with_a_blank_is_shown_without() {
    check(
        "«[channel.Jetty Lamp]»\nlabel = \"A\"\nplug = \"a\"\nlit = []\n",
        "a blank in the name `Jetty Lamp`",
        "a name without blanks, and the words for people under `label`: [channel.jetty-lamp]",
    );
}

#[test]
fn a_number_where_a_phrase_is_meant_is_shown_with_quotes_and_unit() {
    check("[sun]\nlead = «10»\n", "`lead` is a number, not text", "text in quotes with its unit, such as \"10 min\"");
    check(
        "[broker]\npace = «250»\n",
        "`pace` is a number, not text",
        "text in quotes with its unit, such as \"250 ms\"",
    );
    check(
        "[channel.a]\nlabel = «3»\nplug = \"a\"\nlit = []\n",
        "`label` is a number, not text",
        "text in quotes: \"3\"",
    );
}

#[test]
fn a_payload_of_json_is_shown_in_quotes() {
    check(
        "[plug_kind.s]\ntell = { topic = \"t\", on = «{\"supply\":true}», off = {\"supply\":false} }\n",
        "a payload of JSON is text and belongs in quotes",
        "'{\"supply\":true}'",
    );
    check(
        "[plug_kind.s]\ntell = { topic = \"t\", on = «\"{\"supply\":true}\"», off = \"{\"supply\":false}\" }\n",
        "the quotes within the payload end the text",
        "'{\"supply\":true}'",
    );
}

#[test]
fn a_header_without_its_first_bracket_is_said_and_nothing_that_follows_from_it() {
    check(
        "«channel.a]»\nlabel = \"A\"\nplug = \"a\"\nlit = [{ from = \"sunset\", until = \"23:00\" }]\n",
        "the header has lost its `[`",
        "[channel.a]",
    );
    check_file(
        "«place]»\nname = \"A\"\nposition = \"59.7412 N, 5.2097 E\"\ntime_zone = \"Europe/Oslo\"\n",
        &[("the header has lost its `[`", "[place]")],
    );
}
