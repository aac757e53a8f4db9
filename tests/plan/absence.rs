//! Absence: the generator of docs/rules.md, by numbers that other programs gave, and what it may move.

use chrono::TimeDelta;
use lampward::pure::config::parse_moment;

use crate::{house, oracle};

/// Worked out in Python from the recipe in docs/rules.md, whose parts give the published values there: FNV-1a of ""
/// is cbf29ce484222325, of "foobar" 85944171f73967e8; SplitMix64 from 1234567 begins with 6457827717110365317.
const SHIFTS: [(&str, &str, &str, i64, i64); 5] = [
    ("jetty", "2027-02-10", "sunset", 1500, -1445),
    ("parlour", "2027-02-10", "bedtime", 1500, 397),
    ("parlour", "2027-02-10", "20 min before sunset, not before 16:00", 1500, -1388),
    ("jetty", "2027-02-11", "sunrise", 1500, 535),
    ("festoon", "2027-02-10", "5 min after evening sun at -4 deg", 1500, -645),
];

#[test]
fn rule_11_the_generator_gives_the_published_numbers_for_ever() {
    let names = house::read("[times]\nbedtime = \"22:45\"\n{ from = \"sunset\", until = \"sunrise\" }").times.clone();
    for (channel, date, moment, vary_s, shift_s) in SHIFTS {
        let read = parse_moment(moment, &names).expect("a moment");
        let vary = TimeDelta::seconds(vary_s);
        let date = date.parse().expect("a date");
        assert_eq!(oracle::absent(channel, date, &read, vary).num_seconds(), shift_s, "{channel} {date} {moment}");
        // And the plan: the channel under its own name, absent all through.
        let (from, until) = if moment == "sunrise" { ("dawn", moment) } else { (moment, "11:00") };
        let mut plan = house::plan(&format!(
            "[times]\nbedtime = \"22:45\"\n[absence]\ndates = [\"2027-01-01 to 2027-12-31\"]\nvary = \"{vary_s} s\"\n\
             [channel.{channel}]\nlabel = \"L\"\nplug = \"p\"\nlit = [{{ from = \"{from}\", until = \"{until}\" }}]"
        ));
        let noon = house::instant(
            &plan,
            &format!("{} 12:00", if moment == "sunrise" { date.pred_opt().expect("a date") } else { date }),
        );
        let reasons = plan.switchings(0, noon, noon + TimeDelta::hours(24)).into_iter().map(|s| s.because);
        let reasons: Vec<String> = reasons.map(String::from).collect();
        let word = if shift_s < 0 { "less" } else { "plus" };
        let (minutes, seconds) = (shift_s.abs() / 60, shift_s.abs() % 60);
        let expected = format!("{word} {minutes} min {seconds} s for absence");
        assert!(reasons.iter().any(|because| because.contains(&expected)), "{reasons:?} without {expected}");
    }
}

#[test]
fn rule_11_shifts_fill_the_whole_of_vary_evenly() {
    let moment = parse_moment("sunset", &[]).expect("a moment");
    let vary = TimeDelta::seconds(2);
    let mut counts = [0; 5];
    for date in house::read("{ from = \"sunset\", until = \"sunrise\" }")
        .channels
        .iter()
        .flat_map(|_| "2026-01-01".parse::<chrono::NaiveDate>().expect("a date").iter_days().take(5000))
    {
        counts[(oracle::absent("jetty", date, &moment, vary).num_seconds() + 2) as usize] += 1;
    }
    // 5000 draws of five: 1000 each, standard deviation 28.
    assert!(counts.iter().all(|count| (880..1120).contains(count)), "{counts:?}");
}

#[test]
fn rule_11_a_channel_that_keeps_its_usual_times_is_not_moved() {
    let mut plan = house::plan(
        "[absence]\ndates = [\"24 Nov\"]\n[channel.porch]\nlabel = \"L\"\nplug = \"p\"\nabsence = false\n\
         lit = [{ from = \"18:00\", until = \"22:45\" }]",
    );
    let noon = house::instant(&plan, "2026-11-24 12:00");
    assert_eq!(
        house::seen(&mut plan, 0, noon, noon + TimeDelta::days(1)),
        ["2026-11-24 18:00:00 on 18:00", "2026-11-24 22:45:00 off 22:45"]
    );
}
