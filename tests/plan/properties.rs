//! What holds for every house: the plan against the second implementation, and against itself.

use std::collections::BTreeSet;
use std::sync::Arc;

use chrono::{DateTime, TimeDelta, Utc};
use lampward::pure::config::{self, Config};
use lampward::pure::plan::Plan;
use lampward::pure::power::Power;
use proptest::prelude::*;

use crate::oracle::{Oracle, Span};
use crate::{house, random};

const SECOND: TimeDelta = TimeDelta::seconds(1);

fn instant(s: i64) -> DateTime<Utc> {
    DateTime::from_timestamp(1_704_067_200 + s, 0).expect("in range")
}

/// A random house; `None` where the file is at fault, such as `from` and `until` alike.
fn read(lines: &str) -> Option<Arc<Config>> {
    config::read("house.toml", house::file(lines).as_bytes()).ok().map(|checked| Arc::new(checked.config))
}

fn lit(spans: &[Span], at: DateTime<Utc>) -> Power {
    Power::from_lit(spans.iter().any(|(from, until)| *from <= at && at < *until))
}

/// The switchings in `(after, until]`, by looking at every edge of every span whether anything changes there.
pub fn changes(spans: &[Span], after: DateTime<Utc>, until: DateTime<Utc>) -> Vec<(DateTime<Utc>, Power)> {
    let edges: BTreeSet<DateTime<Utc>> = spans.iter().flat_map(|(from, until)| [*from, *until]).collect();
    let changed = edges.into_iter().filter(|at| after < *at && *at <= until);
    changed.filter(|at| lit(spans, *at) != lit(spans, *at - SECOND)).map(|at| (at, lit(spans, at))).collect()
}

fn switchings(
    plan: &mut Plan,
    channel: usize,
    after: DateTime<Utc>,
    until: DateTime<Utc>,
) -> Vec<(DateTime<Utc>, Power)> {
    plan.switchings(channel, after, until).into_iter().map(|s| (s.at, s.wanted)).collect()
}

/// The plan and the second implementation about an instant.
#[track_caller]
pub fn agrees(config: &Arc<Config>, channel: usize, from: DateTime<Utc>, days: i64) -> Result<(), TestCaseError> {
    let spans = Oracle::new(config).spans(channel, from + TimeDelta::days(days / 2), days / 2 + 7);
    let mut plan = Plan::new(config.clone());
    let until = from + TimeDelta::days(days);
    let expected = changes(&spans, from, until);
    prop_assert_eq!(switchings(&mut plan, channel, from, until), expected.clone());
    let near = expected.iter().flat_map(|(at, _)| [*at - SECOND, *at, *at + SECOND]);
    let hours = (0..days * 24).map(|hour| from + TimeDelta::hours(hour));
    for at in hours.chain(near) {
        prop_assert_eq!(plan.power(channel, at), lit(&spans, at), "at {}", at);
    }
    Ok(())
}

proptest! {
    #![proptest_config(random::cases(100))]

    #[test]
    fn a_lamp_is_lit_when_the_second_implementation_says_so(lines in random::house(), at in random::instant_s()) {
        let Some(config) = read(&lines) else { return Err(TestCaseError::reject("a faulty file")) };
        agrees(&config, 0, instant(at), 4)?;
    }

    #[test]
    fn spans_are_disjoint_and_ordered(lines in random::house(), at in random::instant_s()) {
        let Some(config) = read(&lines) else { return Err(TestCaseError::reject("a faulty file")) };
        let spans = Plan::new(config).ahead(0, instant(at), instant(at) + TimeDelta::days(20)).spans;
        prop_assert!(spans.iter().all(|span| span.from < span.until));
        prop_assert!(spans.windows(2).all(|two| two[0].until < two[1].from), "{:?}", spans);
    }

    #[test]
    fn a_planner_started_anywhere_says_the_same(lines in random::house(), at in random::instant_s(), steps in prop::collection::vec(-200_000_i64..400_000, 6)) {
        let Some(config) = read(&lines) else { return Err(TestCaseError::reject("a faulty file")) };
        let mut old = Plan::new(config.clone());
        let mut at = instant(at);
        for step in steps {
            at = (at + TimeDelta::seconds(step)).max(instant(0));
            let mut new = Plan::new(config.clone());
            prop_assert_eq!(old.wanted(0, at), new.wanted(0, at), "wanted at {}", at);
            prop_assert_eq!(old.next(0, at), Plan::new(config.clone()).next(0, at), "next after {}", at);
            let until = at + TimeDelta::days(3);
            prop_assert_eq!(old.switchings(0, at, until), new.switchings(0, at, until));
        }
    }

    #[test]
    fn lamps_with_the_same_rules_say_the_same_as_each_alone(
        lines in random::house(),
        at in random::instant_s(),
        asked in prop::collection::vec((0..3_usize, -200_000_i64..400_000), 8),
    ) {
        // The second is as the first, and the third is where nobody goes away.
        let text = house::file(&lines);
        let (_, rules) = text.split_once("[channel.lamp]").expect("a channel");
        let like = |name: &str, plug: &str| format!("[channel.{name}]{}", rules.replace("yard/1", plug));
        let third = like("third", "yard/3").replace("lit = [", "absence = false\nlit = [");
        let text = format!("{text}\n{}\n{third}", like("second", "yard/2"));
        let Ok(checked) = config::read("house.toml", text.as_bytes()) else {
            return Err(TestCaseError::reject("a faulty file"));
        };
        let config = Arc::new(checked.config);
        let mut all = Plan::new(config.clone());
        let mut at = instant(at);
        for (channel, step) in asked {
            at = (at + TimeDelta::seconds(step)).max(instant(0));
            // As a lamp is asked about at a switching: from just before it until a moment after, twice.
            let next = all.next(channel, at);
            let near = next.as_ref().map_or(at, |next| next.at);
            let (before, after) = (near - TimeDelta::milliseconds(1), near + TimeDelta::milliseconds(2));
            for channel in [channel, (channel + 1) % 3, (channel + 2) % 3, channel] {
                let mut alone = Plan::new(config.clone());
                prop_assert_eq!(all.switchings(channel, before, after), alone.switchings(channel, before, after));
                prop_assert_eq!(all.wanted(channel, at), alone.wanted(channel, at), "{} at {}", channel, at);
                prop_assert_eq!(all.next(channel, at), alone.next(channel, at), "{} at {}", channel, at);
            }
        }
    }

    #[test]
    fn next_is_the_first_of_the_switchings(lines in random::house(), at in random::instant_s()) {
        let Some(config) = read(&lines) else { return Err(TestCaseError::reject("a faulty file")) };
        let mut plan = Plan::new(config);
        let at = instant(at);
        let next = plan.next(0, at);
        let all = plan.switchings(0, at, at + TimeDelta::days(400));
        prop_assert_eq!(next.as_deref(), all.first());
        if let Some(next) = next {
            prop_assert_eq!(plan.power(0, next.at - SECOND), next.wanted.other());
            prop_assert_eq!(plan.power(0, next.at), next.wanted);
        }
    }

    #[test]
    fn a_plan_of_n_days_is_n_plans_of_a_day(lines in random::house(), at in random::instant_s(), days in 1_i64..12) {
        let Some(config) = read(&lines) else { return Err(TestCaseError::reject("a faulty file")) };
        let mut plan = Plan::new(config);
        let day = |n| instant(at) + TimeDelta::days(n);
        let whole = plan.switchings(0, day(0), day(days));
        let parts: Vec<_> = (0..days).flat_map(|n| plan.switchings(0, day(n), day(n + 1))).collect();
        prop_assert_eq!(whole, parts);
        let unlit = plan.ahead(0, day(0), day(days)).unlit;
        let parts: Vec<_> = (0..days).flat_map(|n| plan.ahead(0, day(n), day(n + 1)).unlit).collect();
        prop_assert_eq!(unlit, parts);
    }

    #[test]
    fn rule_10_a_span_between_marks_of_one_altitude_changes_without_a_jump(
        latitude in 55.0_f64..80.0,
        south in any::<bool>(),
        day in 0_i64..1461,
        marks in prop::sample::select(vec![
            ("sunset", "sunrise"), ("dusk", "dawn"), ("nautical dusk", "nautical dawn"),
            ("evening sun at 3 deg", "morning sun at 3 deg"), ("sunrise", "sunset"), ("dawn", "dusk"),
        ]),
    ) {
        // A step of 0.0001 deg, some 11 m, moves a passing near tangency by a minute or two; a jump would be hours.
        let lit_s = |latitude: f64| {
            let position = format!("{latitude:.4} {}, 15 E", if south { 'S' } else { 'N' });
            let lines = format!("{}{{ from = \"{}\", until = \"{}\" }}", house::place(&position, "+01:00"), marks.0, marks.1);
            let mut plan = house::plan(&lines);
            let date = instant(day * 86_400).date_naive();
            let spans = plan.occasions(0, 0, date, date).into_iter().filter_map(|occasion| occasion.span());
            spans.map(|(from, until)| (until - from).num_seconds()).sum::<i64>()
        };
        let (here, there) = (lit_s(latitude), lit_s(latitude + 0.0001));
        prop_assert!((here - there).abs() < 600, "{here} s and {there} s");
    }
}

/// Tromsø, Reykjavik, Quito, Apia, Lord Howe and Casablanca, every day of three years and a quarter.
#[test]
fn six_places_over_three_years_agree_with_the_second_implementation() {
    let places = [
        ("69.65 N, 18.96 E", "Europe/Oslo"),
        ("64.15 N, 21.94 W", "Atlantic/Reykjavik"),
        ("0.18 S, 78.47 W", "America/Guayaquil"),
        ("13.83 S, 171.76 W", "Pacific/Apia"),
        ("31.55 S, 159.08 E", "Australia/Lord_Howe"),
        ("33.57 N, 7.59 W", "Africa/Casablanca"),
    ];
    let rules = [
        r#"{ from = "sunset", until = "sunrise" }"#,
        r#"{ from = "20 min before sunset, not before 16:00", until = "bedtime" }
           { from = "rising", until = "15 min before sunrise", days = "Mon-Fri", at_least = "10 min" }"#,
        r#"{ from = "dawn", until = "dusk, not after 02:30", season = "1 Dec to 6 Apr", except = ["24 Dec"] }
           { from = "02:15", until = "solar midnight" }"#,
    ];
    for (position, zone) in places {
        for rules in rules {
            let lines = format!(
                "{}[times]\nbedtime = {{ \"Sun-Thu\" = \"22:45\", \"Fri Sat\" = \"00:30\" }}\nrising = \"06:15\"\n[sun]\nlead = \"10 min\"\n{rules}",
                house::place(position, zone)
            );
            let config = house::read(&lines);
            let begin = "2025-12-01T00:00:00Z".parse::<DateTime<Utc>>().expect("an instant");
            let days = if std::env::var_os("LAMPWARD_CASES").is_some() { 3 * 366 } else { 160 };
            if let Err(failed) = agrees(&config, 0, begin, days) {
                panic!("{position} {rules}: {failed}");
            }
        }
    }
}
