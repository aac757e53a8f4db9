//! Nanoseconds for a rise-and-set pair: this crate and others, side by side on the same place-days.
//!
//! ```text
//! cargo bench --bench sun
//! ```
//!
//! Prints a table of the best of many interleaved rounds first, which is what the ratios in `docs/sun.md` are taken
//! from: on a busy machine medians wander, and ratios within one process don't. Criterion's own figures follow.

use std::hint::black_box;
use std::time::{Duration, Instant};

use chrono::{NaiveDate, TimeDelta, Utc};
use criterion::{Criterion, criterion_group, criterion_main};
use lampward::pure::sun::{Crossing, Sun};
use solar_positioning::{Horizon, Location, SolarEvents};

const SUNRISE_DEG: f64 = -50.0 / 60.0;

/// A place and a date.
#[derive(Clone, Copy)]
struct PlaceDay {
    latitude_deg: f64,
    longitude_deg: f64,
    date: NaiveDate,
}

/// Spread evenly by the golden ratio: latitudes up to 60°, all longitudes, 2020 to 2039.
fn place_days(count: u32) -> Vec<PlaceDay> {
    let start = NaiveDate::from_ymd_opt(2020, 1, 1).expect("a date");
    let spread = |index: u32, step: f64| (f64::from(index) * step).fract();
    let one = |index| PlaceDay {
        latitude_deg: 120.0 * spread(index, 0.618_034) - 60.0,
        longitude_deg: 360.0 * spread(index, 0.414_214) - 180.0,
        date: start + TimeDelta::days((7300.0 * spread(index, 0.732_051)) as i64),
    };
    (0..count).map(one).collect()
}

fn pair(at: PlaceDay) -> (Crossing, Crossing) {
    let day = Sun::new(at.latitude_deg, at.longitude_deg).day(at.date);
    (day.rise(SUNRISE_DEG), day.set(SUNRISE_DEG))
}

fn two_pairs(at: PlaceDay) -> [Crossing; 4] {
    let day = Sun::new(at.latitude_deg, at.longitude_deg).day(at.date);
    [day.rise(SUNRISE_DEG), day.set(SUNRISE_DEG), day.rise(-6.0), day.set(-6.0)]
}

fn spa_day(at: PlaceDay) -> impl Sized {
    let place = Location { latitude: at.latitude_deg, longitude: at.longitude_deg };
    SolarEvents::new().for_date(at.date, &Utc, place, 69.1, Horizon::SunriseSunset)
}

/// The same library's search for one rise and one set, without the transits that its list of a day includes.
fn spa_next(at: PlaceDay) -> impl Sized {
    let place = Location { latitude: at.latitude_deg, longitude: at.longitude_deg };
    let noon = at.date.and_hms_opt(12, 0, 0).expect("noon exists").and_utc()
        - TimeDelta::seconds((at.longitude_deg * 240.0) as i64);
    let half = TimeDelta::hours(12);
    let events = SolarEvents::new();
    let rise = events.next_rise(&(noon - half), &noon, place, 69.1, Horizon::SunriseSunset);
    let set = events.next_set(&noon, &(noon + half), place, 69.1, Horizon::SunriseSunset);
    (rise, set)
}

fn crate_spa(at: PlaceDay) -> impl Sized {
    let noon = at.date.and_hms_opt(12, 0, 0).expect("noon exists").and_utc();
    spa::sunrise_and_set::<spa::StdFloatOps>(noon, at.latitude_deg, at.longitude_deg)
}

fn crate_sunrise(at: PlaceDay) -> impl Sized {
    let place = sunrise::Coordinates::new(at.latitude_deg, at.longitude_deg).expect("a place on Earth");
    let day = sunrise::SolarDay::new(place, at.date);
    (day.event_time(sunrise::SolarEvent::Sunrise), day.event_time(sunrise::SolarEvent::Sunset))
}

fn nanoseconds<R>(days: &[PlaceDay], work: fn(PlaceDay) -> R) -> f64 {
    // The code of the library before this one is still in the processor's cache.
    for day in days.iter().take(3) {
        black_box(work(black_box(*day)));
    }
    let start = Instant::now();
    for day in days {
        black_box(work(black_box(*day)));
    }
    start.elapsed().as_nanos() as f64
}

/// Best of 15 rounds on each 20 place-days, all libraries in turn: short enough that something else running on the
/// machine spoils few of them.
fn table() {
    let days = place_days(500);
    let mut totals = [0.0; 6];
    for few in days.chunks(20) {
        let mut best = [f64::INFINITY; 6];
        for _ in 0..15 {
            let round = [
                nanoseconds(few, pair),
                nanoseconds(few, two_pairs),
                nanoseconds(few, spa_day),
                nanoseconds(few, spa_next),
                nanoseconds(few, crate_spa),
                nanoseconds(few, crate_sunrise),
            ];
            for (best, now) in best.iter_mut().zip(round) {
                *best = best.min(now);
            }
        }
        for (total, best) in totals.iter_mut().zip(best) {
            *total += best / days.len() as f64;
        }
    }
    let [pair, two_pairs, spa_day, spa_next, crate_spa, crate_sunrise] = totals;
    println!("ns per rise-and-set pair, 500 place-days, best of 15 interleaved rounds");
    println!("  lampward                                    {pair:>9.0}");
    println!(
        "  lampward, a further threshold, both halves  {:>9.0}  {:.2} of the first",
        two_pairs - pair,
        (two_pairs - pair) / pair
    );
    println!("  solar-positioning SPA, list of a day        {spa_day:>9.0}  {:.0} times lampward", spa_day / pair);
    println!("  solar-positioning SPA, next rise, next set  {spa_next:>9.0}  {:.0} times lampward", spa_next / pair);
    println!("  spa                                         {crate_spa:>9.0}");
    println!("  sunrise                                     {crate_sunrise:>9.0}");
}

fn sun(c: &mut Criterion) {
    // `cargo test --all-targets` runs every benchmark once, without this word.
    if std::env::args().any(|argument| argument == "--bench") {
        table();
    }
    let days = place_days(1_000);
    let mut group = c.benchmark_group("sun");
    group.warm_up_time(Duration::from_millis(500)).measurement_time(Duration::from_secs(3));
    let mut one = |name: &str, work: &dyn Fn(PlaceDay)| {
        let mut next = days.iter().cycle();
        group.bench_function(name, |bench| bench.iter(|| work(*next.next().expect("a cycle has no end"))));
    };
    one("lampward", &|day| {
        black_box(pair(day));
    });
    one("lampward, two thresholds", &|day| {
        black_box(two_pairs(day));
    });
    one("solar-positioning SPA, list of a day", &|day| {
        black_box(spa_day(day));
    });
    one("solar-positioning SPA, next rise and set", &|day| {
        black_box(spa_next(day));
    });
    one("spa", &|day| {
        black_box(crate_spa(day));
    });
    one("sunrise", &|day| {
        black_box(crate_sunrise(day));
    });
    group.finish();
}

criterion_group!(benches, sun);
criterion_main!(benches);
