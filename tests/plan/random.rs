//! Random houses as the text of a file: places from pole to pole, every kind of zone, rule and date.

use proptest::prelude::*;
use proptest::sample::select;

/// Zones with the longitude of their standard time.
pub const ZONES: [(&str, f64); 14] = [
    ("Europe/Oslo", 15.0),
    ("Europe/Dublin", 0.0),
    ("Atlantic/Reykjavik", 0.0),
    ("America/Guayaquil", -75.0),
    ("America/New_York", -75.0),
    ("America/Havana", -75.0),
    ("America/Anchorage", -135.0),
    ("America/Scoresbysund", -30.0),
    ("Africa/Casablanca", 0.0),
    ("Africa/Cairo", 30.0),
    ("Asia/Beirut", 30.0),
    ("Australia/Lord_Howe", 157.5),
    ("Pacific/Apia", -165.0),
    ("Pacific/Chatham", 191.25),
];

/// How many cases to run: `LAMPWARD_CASES`, else few enough for every test run.
pub fn cases(usual: u32) -> ProptestConfig {
    let cases = std::env::var("LAMPWARD_CASES").ok().and_then(|text| text.parse().ok()).unwrap_or(usual);
    ProptestConfig {
        cases,
        failure_persistence: None,
        max_global_rejects: cases * 20 + 1000,
        ..ProptestConfig::default()
    }
}

/// Between two degrees, and every kind of edge: poles, polar circles, equator, where people live.
pub fn latitude() -> impl Strategy<Value = f64> {
    prop_oneof![
        4 => -60.0..60.0,
        4 => 60.0..75.0,
        2 => -90.0..=90.0,
        1 => select(vec![-90.0, -89.9, -66.56, 0.0, 66.0, 67.4, 89.9, 90.0]),
    ]
}

fn place() -> impl Strategy<Value = String> {
    let named =
        (select(ZONES.to_vec()), -40.0..40.0, select(vec!["auto", "auto", "auto", "always standard", "always summer"]))
            .prop_map(|((zone, at), off, change)| (zone.to_owned(), at + off, change));
    let fixed = (-14 * 4..=14 * 4, -60.0..60.0).prop_map(|(quarters, off): (i32, f64)| {
        let (sign, minutes) = (if quarters < 0 { '-' } else { '+' }, quarters.abs() * 15);
        (format!("{sign}{:02}:{:02}", minutes / 60, minutes % 60), f64::from(quarters) * 3.75 + off, "auto")
    });
    let zone = prop_oneof![3 => named, 1 => fixed];
    (latitude(), zone, prop_oneof![3 => Just(0.0), 1 => -1.0..8.0]).prop_map(|(latitude, (zone, longitude, change), horizon)| {
        let longitude = (longitude + 540.0).rem_euclid(360.0) - 180.0;
        let (ns, ew) = (if latitude < 0.0 { 'S' } else { 'N' }, if longitude < 0.0 { 'W' } else { 'E' });
        format!(
            "[place]\nname = \"Testholmen\"\nposition = \"{:.4} {ns}, {:.4} {ew}\"\ntime_zone = \"{zone}\"\nclock_change = \"{change}\"\nhorizon = \"{horizon:.2} deg\"\n",
            f64::abs(latitude),
            longitude.abs()
        )
    })
}

fn clock_text() -> impl Strategy<Value = String> {
    prop_oneof![
        3 => (0..24, select(vec![0, 15, 30, 59])).prop_map(|(h, m)| format!("{h:02}:{m:02}")),
        1 => (1..4, 0..60).prop_map(|(h, m)| format!("{h:02}:{m:02}")),
        1 => Just("midnight".to_owned()),
    ]
}

fn clock_or_name() -> impl Strategy<Value = String> {
    prop_oneof![3 => clock_text(), 2 => select(vec!["bedtime", "rising", "late"]).prop_map(str::to_owned)]
}

fn mark() -> impl Strategy<Value = String> {
    prop_oneof![
        6 => select(vec!["sunset", "sunrise", "dusk", "dawn"]).prop_map(str::to_owned),
        2 => select(vec!["nautical dusk", "nautical dawn", "astronomical dusk", "astronomical dawn"]).prop_map(str::to_owned),
        2 => select(vec!["solar noon", "solar midnight"]).prop_map(str::to_owned),
        1 => (any::<bool>(), -20..60).prop_map(|(evening, at)| format!("{} sun at {at} deg", if evening { "evening" } else { "morning" })),
    ]
}

/// A moment in the words of the file.
pub fn moment() -> impl Strategy<Value = String> {
    let offset = prop_oneof![2 => 1..240, 1 => 240..1440]
        .prop_flat_map(|minutes| select(vec![format!("{minutes} min before "), format!("{minutes} min after ")]));
    let offset = prop_oneof![2 => Just(String::new()), 1 => offset];
    let base = prop_oneof![3 => (offset, mark()).prop_map(|(offset, mark)| offset + &mark), 2 => clock_or_name()];
    let clamp = (select(vec![", not before ", ", not after "]), clock_or_name())
        .prop_map(|(side, clock)| side.to_owned() + &clock);
    let clamps = prop_oneof![3 => Just(vec![]), 2 => prop::collection::vec(clamp, 1..3)];
    (base, clamps).prop_map(|(base, clamps)| base + &clamps.concat())
}

fn rule() -> impl Strategy<Value = String> {
    let days = select(vec!["", "", "", ", days = \"Mon-Fri\"", ", days = \"Fri-Sun\"", ", days = \"Wed\""]);
    let season = select(vec![
        "",
        "",
        "",
        "",
        ", season = \"1 Dec to 6 Jan\"",
        ", season = \"29 Feb to 1 Apr\"",
        ", season = \"15 May to 29 Feb\"",
        ", season = \"1 Jun to 30 Jun\"",
    ]);
    let except = select(vec![
        "",
        "",
        "",
        ", except = [\"24 Dec\", \"29 Feb\"]",
        ", except = [\"2026-03-28 to 2026-03-30\", \"2027-06-21\"]",
    ]);
    let at_least = select(vec!["", "", "", ", at_least = \"10 min\"", ", at_least = \"3 h\""]);
    (moment(), moment(), days, season, except, at_least).prop_map(|(from, until, days, season, except, at_least)| {
        format!("{{ from = \"{from}\", until = \"{until}\"{days}{season}{except}{at_least} }}")
    })
}

/// A whole file.
pub fn house() -> impl Strategy<Value = String> {
    let times = (prop::collection::vec(clock_text(), 7), prop::collection::vec(clock_text(), 2)).prop_map(|(week, two)| {
        let days = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"].iter().zip(&week);
        let rising: Vec<String> = days.map(|(day, clock)| format!("{day} = \"{}\"", morning(clock))).collect();
        format!(
            "[times]\nbedtime = {{ \"Sun-Thu\" = \"22:45\", \"Fri Sat\" = \"{}\" }}\nrising = {{ {} }}\nlate = \"{}\"\n",
            two[0],
            rising.join(", "),
            two[1]
        )
    });
    let shifts = prop_oneof![2 => Just((0, 0)), 1 => (0..=120, 0..=120)];
    let shifts = shifts.prop_map(|(lead, lag)| format!("[sun]\nlead = \"{lead} min\"\nlag = \"{lag} min\"\n"));
    let absence = prop_oneof![
        2 => Just(String::new()),
        1 => (1..90).prop_map(|vary| format!("[absence]\ndates = [\"2026-01-01 to 2027-12-31\", \"24 Dec\"]\nvary = \"{vary} min\"\n")),
    ];
    (place(), times, shifts, absence, prop::collection::vec(rule(), 1..4)).prop_map(
        |(place, times, shifts, absence, rules)| format!("{place}{times}{shifts}{absence}{}\n", rules.join("\n")),
    )
}

/// The same clock, before noon.
fn morning(clock: &str) -> String {
    match clock.split_once(':') {
        Some((hour, minute)) => format!("{:02}:{minute}", hour.parse::<u32>().unwrap_or(0) % 12),
        None => "00:00".to_owned(),
    }
}

/// Seconds since 2024 of an instant before 2038, often near a clock change, a solstice, New Year or a leap day.
pub fn instant_s() -> impl Strategy<Value = i64> {
    const DAY: i64 = 86_400;
    let any = 0..13 * 366 * DAY;
    // 2026-03-29 and 10-25, 2026-06-21 and 12-21, New Year, 2028-02-29; days since 2024-01-01.
    let special = (select(vec![818, 1028, 902, 1085, 1096, 1520, 365, 1461]), -3 * DAY..3 * DAY)
        .prop_map(|(day, off): (i64, i64)| day * DAY + off);
    prop_oneof![any, special].prop_map(|s: i64| s.max(0))
}
