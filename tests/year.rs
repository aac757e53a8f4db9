//! The picture of the year, read back from the SVG by an XML parser.
//!
//! Figures are held against sums by hand, or against the plan's spans cut to the months of jiff, whose tz rules are read
//! without our `local_time`; polar dates against `solar-positioning`.

use std::collections::BTreeSet;
use std::process::Command;
use std::sync::Arc;

use chrono::{DateTime, Datelike, FixedOffset, NaiveDate, TimeDelta, Utc};
use jiff::tz::TimeZone;
use lampward::pure::config::{Config, read};
use lampward::pure::picture::{Lit, Wish, svg, window};
use lampward::pure::plan::{LitSpan, Plan};
use roxmltree::{Document, Node};
use solar_positioning::{Horizon, HorizonState, Location, SolarEvents};

const OSLO: (&str, &str) = ("59.7412 N, 5.2097 E", "Europe/Oslo");
const FAR_NORTH: (&str, &str) = ("69.9 N, 18.9 E", "Europe/Oslo");
const SOUTH: (&str, &str) = ("34.9 S, 138.6 E", "Australia/Adelaide");

fn config((position, zone): (&str, &str), channels: &str) -> Arc<Config> {
    let text = format!(
        "[place]\nname = \"Skarvholmen\"\nposition = \"{position}\"\ntime_zone = \"{zone}\"\n[times]\nbedtime = {{ \"Sun-Thu\" \
         = \"22:45\", \"Fri Sat\" = \"23:30\" }}\n{channels}"
    );
    let read = read("house.toml", text.as_bytes());
    Arc::new(read.unwrap_or_else(|faults| panic!("{faults}")).config)
}

/// One channel `lamp`.
fn lamp(rules: &str) -> String {
    format!("[channel.lamp]\nlabel = \"Lamp\"\nplug = \"yard/1\"\nlit = [{rules}]\n")
}

fn draw(config: &Arc<Config>, year: i32, today: Option<NaiveDate>) -> String {
    let mut plan = Plan::new(config.clone());
    let (from, until) = window(&config.place.zone, year);
    let lit = |channel| Lit { channel, spans: plan.ahead(channel, from, until).spans };
    let lit: Vec<_> = (0..config.channels.len()).map(lit).collect();
    svg(config, Wish { year, today }, &lit)
}

fn date(text: &str) -> NaiveDate {
    text.parse().expect("a date")
}

fn classed<'a>(node: Node<'a, 'a>, class: &'a str) -> impl Iterator<Item = Node<'a, 'a>> {
    let has = move |node: &Node| node.attribute("class").is_some_and(|all| all.split(' ').any(|one| one == class));
    node.descendants().filter(has)
}

fn with_id<'a>(picture: &'a Document<'a>, id: &str) -> Node<'a, 'a> {
    let found = picture.descendants().find(|node| node.attribute("id") == Some(id));
    found.unwrap_or_else(|| panic!("no {id} in the picture"))
}

/// The twelve figures of a class under one channel.
fn figures(svg: &str, channel: &str, class: &str) -> Vec<String> {
    let picture = Document::parse(svg).expect("well-formed XML");
    let panel = with_id(&picture, &format!("year-channel-{channel}"));
    classed(panel, class).filter_map(|node| node.text().map(String::from)).collect()
}

/// Corners of a path of M, l, h and v as this picture writes them.
fn corners(path: &str) -> Vec<(f64, f64)> {
    let mut found = Vec::new();
    let (mut x, mut y) = (0.0, 0.0);
    let mut rest = path;
    while let Some(order) = rest.chars().next() {
        let end = rest[1..].find(|c: char| c.is_ascii_alphabetic()).map_or(rest.len(), |at| at + 1);
        let numbers: Vec<f64> = rest[1..end].split_whitespace().map(|n| n.parse().expect("a number")).collect();
        match (order, numbers.as_slice()) {
            ('M', [to_x, to_y]) => (x, y) = (*to_x, *to_y),
            ('l', [by_x, by_y]) => (x, y) = (x + by_x, y + by_y),
            ('h', [by]) => x += by,
            ('v', [by]) => y += by,
            ('V', [to]) => y = *to,
            ('z', []) => {}
            other => panic!("{other:?} in {path}"),
        }
        found.push((x, y));
        rest = &rest[end..];
    }
    found
}

#[test]
fn a_lamp_by_the_clock_is_lit_an_hour_less_in_march_and_more_in_october() {
    // 8 h a night; clocks go forward on 28 March 2027 at 02:00 and back on 31 October at 03:00.
    let picture = draw(&config(OSLO, &lamp("{ from = \"22:00\", until = \"06:00\" }")), 2027, None);
    let hours = ["248", "224", "247", "240", "248", "240", "248", "248", "240", "249", "240", "248"];
    assert_eq!(figures(&picture, "lamp", "hours"), hours);
    assert_eq!(figures(&picture, "lamp", "total"), ["2920 h"]);
    // In the south both fall the other way: back on 4 April 2027 at 03:00, forward on 3 October at 02:00.
    let picture = draw(&config(SOUTH, &lamp("{ from = \"22:00\", until = \"06:00\" }")), 2027, None);
    let hours = ["248", "224", "248", "241", "248", "240", "248", "248", "240", "247", "240", "248"];
    assert_eq!(figures(&picture, "lamp", "hours"), hours);
}

#[test]
fn energy_is_watts_times_hours() {
    let channels = "[channel.lamp]\nlabel = \"Lamp\"\nplug = \"yard/1\"\nwatts = 7.5\nlit = [{ from = \"18:00\", until = \
                    \"20:00\" }]\n[channel.other]\nlabel = \"Other\"\nplug = \"yard/2\"\nwatts = 100\nlit = [{ from = \
                    \"18:00\", until = \"20:00\" }]\n";
    let picture = draw(&config(OSLO, channels), 2027, None);
    // 62 h × 7.5 W = 0.465 kWh; 56 h: 0.42; 60 h: 0.45. In the year 730 h: 5.475 and 73 kWh.
    let kwh = ["0.47", "0.42", "0.47", "0.45", "0.47", "0.45", "0.47", "0.47", "0.45", "0.47", "0.45", "0.47"];
    let close = |found: &String, wanted: &&str| {
        (found.parse::<f64>().expect("a number") - wanted.parse::<f64>().expect("a number")).abs() < 0.0101
    };
    let found = figures(&picture, "lamp", "kwh");
    assert!(found.len() == 12 && found.iter().zip(&kwh).all(|(found, wanted)| close(found, wanted)), "{found:?}");
    assert_eq!(figures(&picture, "lamp", "total"), ["730 h, 5.5 kWh"]);
    assert_eq!(figures(&picture, "other", "total"), ["730 h, 73 kWh"]);
    assert!(picture.contains("together: 78 kWh"), "5.475 + 73");
    let without = draw(&config(OSLO, &lamp("{ from = \"18:00\", until = \"20:00\" }")), 2027, None);
    assert!(!without.contains("kWh"));
}

/// Hours lit in each local month, from spans that begin before the year and end after it.
fn by_month(config: &Arc<Config>, zone: &str, year: i16) -> Vec<f64> {
    let zone = TimeZone::get(zone).expect("a zone");
    let begin = |year, month| {
        let midnight = zone.to_ambiguous_timestamp(jiff::civil::date(year, month, 1).at(0, 0, 0, 0)).compatible();
        DateTime::from_timestamp(midnight.expect("a date").as_second(), 0).expect("an instant")
    };
    let mut edges: Vec<DateTime<Utc>> = (1..=12).map(|month| begin(year, month)).collect();
    edges.push(begin(year + 1, 1));
    let wide = TimeDelta::days(10);
    let spans = Plan::new(config.clone()).ahead(0, edges[0] - wide, edges[12] + wide).spans;
    let mut seconds = vec![0; 12];
    for LitSpan { from, until, .. } in spans {
        for month in 0..12 {
            seconds[month] += (until.min(edges[month + 1]) - from.max(edges[month])).num_seconds().max(0);
        }
    }
    seconds.into_iter().map(|s| s as f64 / 3_600.0).collect()
}

#[test]
fn the_hours_of_each_month_are_those_of_the_plan() {
    let rules = [
        "{ from = \"sunset\", until = \"sunrise\" }",
        "{ from = \"20 min before sunset, not before 16:00\", until = \"bedtime\" }, { from = \"06:15\", until = \"15 min \
         before sunrise\", days = \"Mon-Fri\" }",
    ];
    let places =
        [OSLO, FAR_NORTH, SOUTH, ("0.2 S, 78.5 W", "America/Guayaquil"), ("31.6 S, 159.1 E", "Australia/Lord_Howe")];
    for place in places {
        for rules in rules {
            let config = config(place, &lamp(rules));
            let shown = figures(&draw(&config, 2027, None), "lamp", "hours");
            let sums = by_month(&config, place.1, 2027);
            assert_eq!(shown.len(), 12);
            for (shown, sum) in shown.iter().zip(&sums) {
                let step = if *sum >= 9.95 { 0.5 } else { 0.05 };
                let off = (shown.parse::<f64>().expect("a number") - sum).abs();
                assert!(off <= step + 1e-9, "{place:?} {rules}: {shown} for {sum}");
            }
        }
    }
}

/// First and last date of each time without a crossing, by another library; dates by local mean time.
fn without_crossing(state: HorizonState) -> Vec<(NaiveDate, NaiveDate)> {
    let place = Location { latitude: 69.9, longitude: 18.9 };
    let mean_time = FixedOffset::east_opt((18.9 * 240.0) as i32).expect("an offset");
    let mut found: Vec<(NaiveDate, NaiveDate)> = Vec::new();
    for date in date("2027-01-01").iter_days().take_while(|date| date.year() == 2027) {
        let events =
            SolarEvents::new().for_date(date, &mean_time, place, 69.1, Horizon::SunriseSunset).expect("events");
        if events.state_at_start != state || !events.rises.is_empty() || !events.sets.is_empty() {
            continue;
        }
        match found.last_mut() {
            Some((_, last)) if last.succ_opt() == Some(date) => *last = date,
            _ => found.push((date, date)),
        }
    }
    found
}

#[test]
fn polar_night_and_midnight_sun_are_said_and_drawn() {
    let picture = draw(&config(FAR_NORTH, &lamp("{ from = \"sunset\", until = \"sunrise\" }")), 2027, None);
    let hours = figures(&picture, "lamp", "hours");
    assert_eq!((hours[5].as_str(), hours[11].as_str()), ("0", "744"), "dark all June, lit all December: {hours:?}");
    let day = |date: NaiveDate| date.format("%-d %b").to_string();
    let stretches = |state| {
        let words = without_crossing(state).into_iter().map(|(a, b)| format!("from {} to {}", day(a), day(b)));
        words.collect::<Vec<_>>().join(" and ")
    };
    let not_rise = format!("The Sun does not rise {}.", stretches(HorizonState::Below));
    let not_set = format!("The Sun does not set {}.", stretches(HorizonState::Above));
    for words in [not_rise, not_set] {
        assert!(picture.contains(&format!(">{words}</text>")), "{words} is not in the picture");
    }
    let picture = Document::parse(&picture).expect("well-formed XML");
    let of = |id: &str| corners(with_id(&picture, id).attribute("d").expect("a path"));
    // 21 June is the 172nd column after that of 31 December.
    let height_at = |corners: &[(f64, f64)], x: f64| {
        let ys = corners.windows(2).filter(|pair| (pair[0].0 - x) * (pair[1].0 - x) <= 0.0).map(|pair| pair[0].1);
        let (low, high) = ys.fold((f64::MAX, f64::MIN), |(low, high), y| (low.min(y), high.max(y)));
        // Corners are sums of many small steps.
        (low.round(), high.round())
    };
    assert_eq!(height_at(&of("year-day"), 345.0), (0.0, 192.0), "hatched from noon to noon in June");
    assert_eq!(height_at(&of("year-lit-0"), 701.0), (0.0, 192.0), "lit from noon to noon in December");
}

/// The x at which lines between columns step by about an hour, with the hours.
fn steps(path: &str) -> Vec<(f64, f64)> {
    let upright = |pair: &[(f64, f64)]| pair[0].0 == pair[1].0 && (pair[1].1 - pair[0].1).abs() > 3.0;
    let corners = corners(path);
    corners.windows(2).filter(|pair| upright(pair)).map(|pair| (pair[0].0, (pair[1].1 - pair[0].1) / 8.0)).collect()
}

#[test]
fn a_clock_change_is_a_step_on_its_date_in_every_line_of_the_sun() {
    let picture = draw(&config(OSLO, &lamp("{ from = \"sunset\", until = \"sunrise\" }")), 2027, None);
    let picture = Document::parse(&picture).expect("well-formed XML");
    let sky = with_id(&picture, "year-sky");
    let horizon = classed(sky, "horizon").next().and_then(|node| node.attribute("d")).expect("the horizon");
    // Two units a column, the first is the night of 31 December. The morning of the change belongs to the night before.
    let x = |text| (date(text) - date("2026-12-31")).num_days() as f64 * 2.0;
    let wanted = [(x("2027-03-27"), 1.0), (x("2027-10-30"), -1.0), (x("2027-03-28"), 1.0), (x("2027-10-31"), -1.0)];
    let found = steps(horizon);
    assert_eq!(found.len(), wanted.len(), "{found:?}");
    for ((x, hours), (wanted_x, wanted_hours)) in found.iter().zip(&wanted) {
        assert_eq!(x, wanted_x, "{found:?}");
        assert!((hours - wanted_hours).abs() < 0.1, "{found:?}");
    }
    assert!(picture.descendants().any(|node| node.text() == Some("clocks change: 28 Mar and 31 Oct")));
    let still = draw(
        &config(("0.2 S, 78.5 W", "America/Guayaquil"), &lamp("{ from = \"dusk\", until = \"dawn\" }")),
        2027,
        None,
    );
    assert!(!still.contains("clocks change"));
}

#[test]
fn a_lamp_that_burns_through_the_hour_skipped_shows_a_gap_there() {
    let picture = draw(&config(OSLO, &lamp("{ from = \"22:00\", until = \"06:00\" }")), 2027, None);
    let picture = Document::parse(&picture).expect("well-formed XML");
    let lit = corners(with_id(&picture, "year-lit-0").attribute("d").expect("a path"));
    // 02:00 is 14 h below noon, 03:00 is 15 h: 8 units an hour. The night of 27 March is column 86.
    let has = |corner: (f64, f64)| lit.contains(&corner);
    assert!(has((172.0, 112.0)) || has((174.0, 112.0)), "lit until 02:00: {lit:?}");
    assert!(has((172.0, 120.0)) && has((174.0, 120.0)), "and from 03:00: {lit:?}");
}

#[test]
fn what_a_person_wrote_stays_text() {
    let label = "Jetty <&\"'> ]]> lamp";
    let channels =
        lamp("{ from = \"sunset\", until = \"23:00\" }").replace("\"Lamp\"", &format!("\"\"\"{label}\"\"\""));
    let picture = draw(&config(OSLO, &channels), 2027, None);
    let parsed = Document::parse(&picture).expect("well-formed XML");
    let panel = with_id(&parsed, "year-channel-lamp");
    let shown = classed(panel, "label").next().and_then(|node| node.text());
    assert_eq!(shown, Some("Jetty <&\"'> ]]> lamp"));
    let words = with_id(&parsed, "year-desc").text().unwrap_or_default();
    assert!(words.contains("Jetty <&\"'> ]]> lamp: from sunset until 23:00. Lit "), "{words}");
}

#[test]
fn the_picture_is_whole_and_small_and_has_a_text_of_its_own() {
    let rule = "{ from = \"20 min before sunset, not before 16:00\", until = \"bedtime\" }, { from = \"06:15\", until = \
                \"sunrise\", days = \"Mon-Fri\" }, { from = \"02:00\", until = \"02:30\", days = \"Sun\" }";
    let channels: String = (1..=5)
        .map(|n| {
            lamp(rule).replace("channel.lamp", &format!("channel.lamp-{n}")).replace("yard/1", &format!("yard/{n}"))
        })
        .collect();
    // The worst case for the size: every edge differs from its neighbours.
    let absent = "[absence]\ndates = [\"2027-01-01 to 2027-12-31\"]\nvary = \"25 min\"\n";
    for place in [OSLO, FAR_NORTH, SOUTH] {
        let svg = draw(&config(place, &format!("{channels}{absent}")), 2027, Some(date("2027-11-25")));
        assert!(svg.len() < 150_000, "{} bytes at {place:?}", svg.len());
        let picture = Document::parse(&svg).expect("well-formed XML");
        let root = picture.root_element();
        assert_eq!(root.attribute("role"), Some("img"));
        let named: Vec<_> = root.attribute("aria-labelledby").unwrap_or_default().split(' ').collect();
        let texts: Vec<_> = named.iter().map(|id| with_id(&picture, id).text().unwrap_or_default()).collect();
        assert_eq!(texts[0], "Skarvholmen, 2027: when lamps are lit");
        assert!(texts[1].matches("hours by month: Jan ").count() == 5, "{}", texts[1]);
        let ids: Vec<_> = picture.descendants().filter_map(|node| node.attribute("id")).collect();
        let known: BTreeSet<_> = ids.iter().copied().collect();
        assert_eq!(ids.len(), known.len(), "no id twice");
        for node in picture.descendants() {
            let name = node.tag_name().name();
            assert!(!matches!(name, "script" | "image" | "foreignObject"), "{name} in a picture");
            if let Some(target) = node.attribute("href") {
                assert!(known.contains(target.trim_start_matches('#')), "{target} leads nowhere");
            }
        }
        assert!(svg.contains("prefers-color-scheme: dark"));
        assert!(svg.contains(">today, 25 Nov</text>"));
    }
}

#[test]
fn the_command_writes_the_picture_where_it_is_told() {
    let folder = tempfile::tempdir().expect("a folder");
    let run = |arguments: &[&str]| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_lampward"));
        let file = concat!(env!("CARGO_MANIFEST_DIR"), "/config/lampward.toml");
        let run = command.args(["year", "--file", file]).args(arguments).current_dir(folder.path()).output();
        let run = run.expect("the binary runs");
        let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("text");
        (run.status.code().expect("an exit code"), text(run.stdout), text(run.stderr))
    };
    let (code, printed, err) = run(&["--year", "2027"]);
    assert_eq!((code, err.as_str()), (0, ""));
    let picture = Document::parse(&printed).expect("well-formed XML");
    assert_eq!(classed(picture.root(), "total").count(), 4, "a panel for each lamp of the file");
    let (code, out, err) = run(&["--year", "2027", "--out", "year.svg"]);
    assert_eq!((code, out.as_str(), err.as_str()), (0, "", ""));
    assert_eq!(std::fs::read_to_string(folder.path().join("year.svg")).expect("written"), printed);
    let (_, chosen, _) = run(&["--year", "2027", "--channel", "parlour", "--channel", "jetty", "--channel", "parlour"]);
    let chosen = Document::parse(&chosen).expect("well-formed XML");
    let labels: Vec<_> = classed(chosen.root(), "label")
        .filter_map(|node| node.text())
        .filter(|text| !text.ends_with('h') && !text.ends_with("kWh"))
        .collect();
    assert_eq!(labels, ["Parlour", "Jetty lamp"]);
    let (code, _, err) = run(&["--channel", "jety"]);
    assert_eq!((code, err.as_str()), (2, "there is no channel `jety`; there are jetty, parlour, path, festoon\n"));
    assert_eq!(run(&["--year", "1899"]).0, 2);
    let (code, _, err) = run(&["--out", "nowhere/year.svg"]);
    assert_eq!((code, err.as_str()), (1, "cannot write nowhere/year.svg: no such file or directory\n"));
}
