//! Seconds and memory to plan a year of 366 days, for 10 to 10,000 channels at one place, in one run.
//!
//! ```text
//! cargo bench --bench plan
//! ```
//!
//! Each size is planned by a process of its own, so that its peak of memory (`VmHWM` of `/proc/self/status`) is its own as
//! well. "Each" is the time a channel takes, and "growth" how that compares with the smallest size: 1.0 is linear. The
//! last column plans the same channels one plan each, so that nothing is shared between them: what the shared days of Sun
//! and calendar spare.

use std::fmt::Write as _;
use std::hint::black_box;
use std::process::Command;
use std::sync::Arc;
use std::time::Instant;

use chrono::{DateTime, TimeDelta, Utc};
use lampward::pure::config::{self, Config};
use lampward::pure::plan::Plan;

const SIZES: [usize; 4] = [10, 100, 1_000, 10_000];
const DAYS: i64 = 366;
/// So many channels are enough to see what a plan of its own costs a channel.
const ALONE: usize = 40;

/// As a street of houses would write them: eight rules in turn, a lead, names, weekdays, a season, clamps.
fn house(channels: usize) -> Arc<Config> {
    let rules = [
        r#"{ from = "sunset", until = "sunrise" }"#,
        r#"{ from = "20 min before sunset, not before 16:00", until = "bedtime" }, { from = "rising", until = "15 min before sunrise", days = "Mon-Fri", at_least = "10 min" }"#,
        r#"{ from = "dusk", until = "bedtime" }"#,
        r#"{ from = "dusk", until = "23:00", season = "1 Dec to 6 Jan", except = ["24 Dec"] }"#,
        r#"{ from = "evening sun at -3.5 deg", until = "23:00", days = "Fri-Mon" }"#,
        r#"{ from = "22:00", until = "00:30" }"#,
        r#"{ from = "nautical dusk", until = "nautical dawn" }"#,
        r#"{ from = "sunset, not after 21:00", until = "midnight" }"#,
    ];
    let mut text = String::from(
        "[place]\nname = \"Skarvholmen\"\nposition = \"59.7412 N, 5.2097 E\"\ntime_zone = \"Europe/Oslo\"\n[times]\nbedtime = { \
         \"Sun-Thu\" = \"22:45\", \"Fri Sat\" = \"23:30\" }\nrising = \"06:15\"\n[sun]\nlead = \"10 min\"\n",
    );
    for channel in 0..channels {
        let rules = rules[channel % rules.len()];
        let _ = write!(
            text,
            "[channel.c{channel}]\nlabel = \"Lamp {channel}\"\nplug = \"yard/{channel}\"\nlit = [{rules}]\n"
        );
    }
    let checked = config::read("house.toml", text.as_bytes()).unwrap_or_else(|faults| panic!("{faults}"));
    Arc::new(checked.config)
}

/// Every switching of a year with its reason; how many there are.
fn year(plan: &mut Plan) -> usize {
    let from: DateTime<Utc> = "2026-11-25T00:00:00Z".parse().expect("an instant");
    let until = from + TimeDelta::days(DAYS);
    (0..plan.config().channels.len()).map(|channel| black_box(plan.switchings(channel, from, until)).len()).sum()
}

/// A line of `/proc/self/status`, in kB.
fn status_kb(name: &str) -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").expect("Linux");
    let line = status.lines().find_map(|line| line.strip_prefix(name)?.strip_prefix(':')).expect("a line of it");
    line.trim().trim_end_matches(" kB").parse().expect("kB")
}

/// Prints `seconds switchings kB_before kB_peak seconds_alone` for one size.
fn one(channels: usize) {
    let config = house(channels);
    // What reading the file took at its peak is not the plan's.
    std::fs::write("/proc/self/clear_refs", "5").expect("the peak begins anew");
    let before = status_kb("VmRSS");
    let begun = Instant::now();
    let mut plan = Plan::new(config.clone());
    let switchings = year(&mut plan);
    let seconds = begun.elapsed().as_secs_f64();
    let peak = status_kb("VmHWM");
    let alone = house(ALONE.min(channels));
    let begun = Instant::now();
    let from: DateTime<Utc> = "2026-11-25T00:00:00Z".parse().expect("an instant");
    for channel in 0..alone.channels.len() {
        let mut plan = Plan::new(alone.clone());
        black_box(plan.switchings(channel, from, from + TimeDelta::days(DAYS)));
    }
    let seconds_alone = begun.elapsed().as_secs_f64() / alone.channels.len() as f64;
    println!("{seconds} {switchings} {before} {peak} {seconds_alone}");
}

fn main() {
    if let Ok(channels) = std::env::var("LAMPWARD_PLAN_CHANNELS") {
        return one(channels.parse().expect("a number of channels"));
    }
    println!("channels  switchings   seconds     each  growth  memory before   at its peak  a plan of its own, each");
    let mut smallest = None;
    for channels in SIZES {
        let this = std::env::current_exe().expect("a path");
        let run = Command::new(this).env("LAMPWARD_PLAN_CHANNELS", channels.to_string()).output().expect("it starts");
        assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
        let printed = String::from_utf8(run.stdout).expect("UTF-8");
        let figures: Vec<f64> = printed.split_whitespace().map(|figure| figure.parse().expect("a figure")).collect();
        let [seconds, switchings, before, peak, alone] = figures[..] else { panic!("{printed}") };
        let each = seconds / channels as f64;
        let growth = each / *smallest.get_or_insert(each);
        println!(
            "{channels:>8}  {switchings:>10}  {seconds:>8.3}  {:>5.2} ms  {growth:>6.2}  {before:>10} kB  {peak:>9} kB  {:>20.2} ms",
            each * 1e3,
            alone * 1e3
        );
    }
}
