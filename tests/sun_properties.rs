//! What must hold of the Sun at any place, date and altitude.

use std::ops::RangeInclusive;

use chrono::{DateTime, Datelike, NaiveDate, TimeDelta, Utc};
use lampward::pure::sun::{Crossing, SolarDay, Sun};
use proptest::prelude::*;

const SUNRISE_DEG: f64 = -50.0 / 60.0;

fn dates() -> impl Strategy<Value = NaiveDate> {
    let first = NaiveDate::from_ymd_opt(1900, 1, 1).unwrap();
    (0..109_572_i64).prop_map(move |days| first + TimeDelta::days(days))
}

fn latitudes(degrees: RangeInclusive<f64>) -> impl Strategy<Value = f64> {
    (degrees, any::<bool>()).prop_map(|(degrees, south)| if south { -degrees } else { degrees })
}

fn seconds_between(earlier: DateTime<Utc>, later: DateTime<Utc>) -> f64 {
    (later - earlier).as_seconds_f64()
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn sunset_moves_smoothly_from_day_to_day(
        latitude in latitudes(0.0..=56.0), longitude in -180.0..180.0, date in dates(), step in 1..4_i64,
    ) {
        let sun = Sun::new(latitude, longitude);
        let day = TimeDelta::days(step);
        let set = |date: NaiveDate| sun.day(date).set(SUNRISE_DEG).at().expect("the Sun sets below 60 degrees");
        let (before, here, after) = (set(date - day), set(date), set(date + day));
        let bend_s = seconds_between(before, here) - seconds_between(here, after);
        // At 56 degrees the daily change itself changes by 4.5 s a day at most, in June: from the hour angle's formula.
        prop_assert!(bend_s.abs() < 6.0 * (step * step) as f64, "{bend_s} s");
    }

    #[test]
    fn at_50_to_56_degrees_sunset_moves_by_no_more_than_about_two_and_a_half_minutes_a_day(
        latitude in latitudes(50.0..=56.0), longitude in -180.0..180.0, date in dates(),
    ) {
        let sun = Sun::new(latitude, longitude);
        let set = |date: NaiveDate| sun.day(date).set(SUNRISE_DEG).at().expect("the Sun sets below 60 degrees");
        let moved_s = seconds_between(set(date), set(date + TimeDelta::days(1))) - 86_400.0;
        // Common practice, no source.
        prop_assert!(moved_s.abs() <= 160.0, "{moved_s} s");
    }

    #[test]
    fn the_sun_rises_before_noon_and_sets_after_it(
        latitude in latitudes(0.0..=60.0), longitude in -180.0..180.0, date in dates(),
    ) {
        let day = Sun::new(latitude, longitude).day(date);
        let order = [
            day.midnight_before().extreme,
            day.rise(-6.0).at().expect("dawn"),
            day.rise(SUNRISE_DEG).at().expect("sunrise"),
            day.noon().extreme,
            day.set(SUNRISE_DEG).at().expect("sunset"),
            day.set(-6.0).at().expect("dusk"),
            day.midnight_after().extreme,
        ];
        prop_assert!(order.is_sorted_by(|earlier, later| earlier < later), "{order:?}");
    }

    #[test]
    fn at_a_crossing_the_altitude_is_the_one_asked_for(
        latitude in latitudes(0.0..=90.0), longitude in -180.0..180.0, date in dates(), altitude in -60.0..60.0,
    ) {
        let sun = Sun::new(latitude, longitude);
        let day = sun.day(date);
        for crossing in [day.rise(altitude), day.set(altitude)] {
            if let Crossing::At(at) = crossing {
                let error_arcsec = (sun.altitude_deg(at) - altitude) * 3600.0;
                prop_assert!(error_arcsec.abs() < 0.02, "{error_arcsec} arcsec at {at}");
            }
        }
    }

    #[test]
    fn one_day_ends_where_the_next_begins(
        latitude in latitudes(0.0..=88.0), longitude in -180.0..180.0, date in dates(),
    ) {
        let sun = Sun::new(latitude, longitude);
        let (end, begin) = (sun.day(date).midnight_after(), sun.day(date + TimeDelta::days(1)).midnight_before());
        prop_assert!(seconds_between(end.transit, begin.transit).abs() < 0.002, "{end:?} {begin:?}");
        prop_assert!((end.altitude_deg - begin.altitude_deg).abs() * 3600.0 < 0.01, "{end:?} {begin:?}");
    }

    /// There the sine of the altitude hardly changes, and an altitude worked out from it would be wrong by seconds of arc.
    #[test]
    fn days_join_where_the_sun_passes_the_nadir_too(
        longitude in -180.0..180.0, date in dates(), away_deg in -0.02..0.02,
    ) {
        let declination_deg = Sun::new(45.0, longitude).day(date).midnight_after().altitude_deg + 45.0;
        let sun = Sun::new(away_deg - declination_deg, longitude);
        let (end, begin) = (sun.day(date).midnight_after(), sun.day(date + TimeDelta::days(1)).midnight_before());
        prop_assert!(end.altitude_deg < -89.9, "{end:?}");
        prop_assert!((end.altitude_deg - begin.altitude_deg).abs() * 3600.0 < 0.01, "{end:?} {begin:?}");
    }

    #[test]
    fn the_solar_date_of_an_instant_is_that_of_the_nearest_mean_noon(
        longitude in -180.0..=180.0_f64, unix_s in 0..4_000_000_000_i64,
    ) {
        let at = DateTime::from_timestamp(unix_s, 0).unwrap();
        let date = Sun::new(10.0, longitude).solar_date(at);
        let from_noon_s = seconds_between(date.and_hms_opt(12, 0, 0).unwrap().and_utc(), at) + longitude * 240.0;
        prop_assert!(from_noon_s.abs() <= 43_200.001, "{from_noon_s} s");
    }
}

/// Everything that must hold of one day, whatever the place and the altitude.
#[track_caller]
fn check_frame(sun: &Sun, date: NaiveDate, altitude: f64) {
    let day: SolarDay = sun.day(date);
    let (before, noon, after) = (day.midnight_before(), day.noon(), day.midnight_after());
    let about = || format!("{sun:?} {date} {altitude}: {before:?} {noon:?} {after:?}");
    for turn in [before, noon, after] {
        assert!((-90.0..=90.0).contains(&turn.altitude_deg), "{}", about());
        assert!(seconds_between(turn.transit, turn.extreme).abs() < 21_610.0, "{}", about());
    }
    let slack = TimeDelta::milliseconds(1);
    assert!(before.extreme <= noon.extreme + slack && noon.extreme <= after.extreme + slack, "{}", about());
    for (transits, name) in [((before.transit, noon.transit), "rising"), ((noon.transit, after.transit), "setting")] {
        let half_s = seconds_between(transits.0, transits.1);
        assert!((43_150.0..43_250.0).contains(&half_s), "the {name} half takes {half_s} s: {}", about());
    }
    for (crossing, low, from, until) in [
        (day.rise(altitude), before, before.extreme, noon.extreme),
        (day.set(altitude), after, noon.extreme, after.extreme),
    ] {
        match crossing {
            Crossing::At(at) => assert!(from - slack <= at && at <= until + slack, "{at}: {}", about()),
            Crossing::Above => assert!(low.altitude_deg + 1e-6 >= altitude.min(90.0), "{}", about()),
            Crossing::Below => assert!(noon.altitude_deg - 1e-6 <= altitude.max(-90.0), "{}", about()),
        }
    }
}

#[test]
fn a_million_random_places_dates_and_altitudes_stay_within_their_frames() {
    let mut random = fastrand::Rng::with_seed(0x5eed_0f7e_5117);
    let first = NaiveDate::from_ymd_opt(1900, 1, 1).unwrap();
    for round in 0..1_000_000 {
        let between = |random: &mut fastrand::Rng, from: f64, to: f64| from + (to - from) * random.f64();
        let latitude = match round % 8 {
            0 => 90.0_f64.copysign(between(&mut random, -1.0, 1.0)),
            1 => (90.0 - 10.0_f64.powf(between(&mut random, -9.0, 1.0))).copysign(between(&mut random, -1.0, 1.0)),
            2 => between(&mut random, 60.0, 90.0).copysign(between(&mut random, -1.0, 1.0)),
            _ => between(&mut random, -90.0, 90.0),
        };
        let sun = Sun::new(latitude, between(&mut random, -180.0, 180.0));
        let date = first + TimeDelta::days(random.i64(0..109_572));
        // Mostly altitudes that are reached, and often ones that are only just.
        let altitude = match round % 5 {
            0 => sun.day(date).noon().altitude_deg + between(&mut random, -1e-3, 1e-3),
            1 => sun.day(date).midnight_before().altitude_deg + between(&mut random, -1e-3, 1e-3),
            2 => between(&mut random, -20.0, 10.0),
            _ => between(&mut random, -90.0, 90.0),
        };
        check_frame(&sun, date, altitude);
    }
}

#[test]
fn the_days_of_a_year_at_a_pole_hold_one_sunrise_and_one_sunset() {
    for latitude in [90.0, -90.0] {
        let sun = Sun::new(latitude, 0.0);
        let days = (0..365).map(|day| sun.day(NaiveDate::from_ymd_opt(2026, 1, 1).unwrap() + TimeDelta::days(day)));
        let (rises, sets): (Vec<_>, Vec<_>) =
            days.map(|day| (day.rise(SUNRISE_DEG).at(), day.set(SUNRISE_DEG).at())).unzip();
        let rises: Vec<_> = rises.into_iter().flatten().collect();
        let sets: Vec<_> = sets.into_iter().flatten().collect();
        assert!(rises.len() == 1 && sets.len() == 1, "{latitude}: {rises:?} {sets:?}");
        // The upper limb shows two days before the equinox of spring and until two days after that of autumn.
        let (spring, autumn) = if latitude > 0.0 { (3, 9) } else { (9, 3) };
        assert!(rises[0].month() == spring && sets[0].month() == autumn, "{latitude}: {rises:?} {sets:?}");
    }
}

#[test]
fn no_number_however_odd_makes_it_panic() {
    let odd =
        [0.0, -0.0, 1e-300, 90.0, -90.0, 91.0, 180.0, -180.0, 181.0, 540.0, 1e9, -1e17, 1e300, f64::MIN, f64::MAX];
    let dates = [NaiveDate::MIN, NaiveDate::MAX, NaiveDate::from_ymd_opt(2026, 11, 24).unwrap()];
    let instants = [DateTime::<Utc>::MIN_UTC, DateTime::<Utc>::MAX_UTC, DateTime::from_timestamp(0, 0).unwrap()];
    for latitude in odd {
        for longitude in odd {
            let sun = Sun::new(latitude, longitude);
            for date in dates {
                let day = sun.day(date);
                assert!(day.noon().altitude_deg.is_finite() && day.midnight_after().altitude_deg.is_finite());
                for altitude in odd {
                    let _ = (day.rise(altitude), day.set(altitude));
                }
            }
            for at in instants {
                assert!(sun.altitude_deg(at).is_finite());
                let _ = sun.solar_date(at);
            }
        }
    }
}
