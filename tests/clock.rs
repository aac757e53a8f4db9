//! The clock against the machine's own. What a step does can't be tried on a machine that others use; the reading of a
//! cancelled timer is tested in the module, the rest in a virtual machine.

use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use lampward::clock::{self, Clock, Woke};
use lampward::pure::config::ClockTrust;
use lampward::pure::trust::KernelClock;

const HOUR: Duration = Duration::from_secs(3600);

fn real() -> Clock {
    Clock::real(ClockTrust::Synchronised).unwrap()
}

#[tokio::test]
async fn the_wall_clock_is_the_machine_s_own() {
    let before = DateTime::<Utc>::from(std::time::SystemTime::now());
    let seen = [clock::wall(), real().now().wall];
    let after = DateTime::<Utc>::from(std::time::SystemTime::now());
    for seen in seen {
        assert!(before <= seen && seen <= after, "{before} {seen} {after}");
    }
}

#[tokio::test]
async fn a_rest_is_over_when_its_time_has_passed_and_never_before() {
    let mut clock = real();
    let before = clock.now();
    assert_eq!(clock.rest(Duration::from_millis(20), None).await, Woke::Rested);
    assert!(clock.now().up - before.up >= Duration::from_millis(20));
}

#[tokio::test]
async fn a_rest_is_over_when_the_wall_clock_shows_the_instant_and_never_before() {
    let mut clock = real();
    let wake_at = clock.now().wall + TimeDelta::milliseconds(20);
    assert_eq!(clock.rest(HOUR, Some(wake_at)).await, Woke::Rested);
    assert!(clock.now().wall >= wake_at);
}

#[tokio::test]
async fn an_instant_that_is_past_is_not_waited_for() {
    let mut clock = real();
    for past in ["2026-11-24T12:00:00Z", "1970-01-01T00:00:00Z", "1969-01-01T00:00:00Z"] {
        assert_eq!(clock.rest(HOUR, Some(past.parse().unwrap())).await, Woke::Rested);
    }
    assert_eq!(clock.rest(Duration::ZERO, None).await, Woke::Rested);
}

#[tokio::test]
async fn a_rest_that_is_given_up_leaves_the_next_one_whole() {
    let mut clock = real();
    for _ in 0..100 {
        tokio::select! {
            biased;
            woke = clock.rest(HOUR, Some(DateTime::<Utc>::MAX_UTC)) => panic!("{woke:?}"),
            () = tokio::task::yield_now() => {}
        }
    }
    let before = clock.now();
    assert_eq!(clock.rest(Duration::from_millis(20), None).await, Woke::Rested);
    assert!(clock.now().up - before.up >= Duration::from_millis(20));
}

#[tokio::test]
async fn a_fast_clock_runs_its_wall_faster_and_waits_for_it_less() {
    let start = "2026-11-24T12:00:00Z".parse().unwrap();
    let mut clock = Clock::fast(start, 100_000.0);
    let tomorrow = start + TimeDelta::days(1);
    assert_eq!(clock.rest(HOUR, Some(tomorrow)).await, Woke::Rested);
    let now = clock.now();
    assert!(now.wall >= tomorrow, "{now:?}");
    let by_up = start + TimeDelta::from_std(now.up.mul_f64(100_000.0)).unwrap();
    assert!((now.wall - by_up).abs() < TimeDelta::seconds(1), "{now:?}");
    assert_eq!((clock.kernel(), clock.trust()), (KernelClock::Synchronised, ClockTrust::Always));
}

#[test]
fn trust_is_kept_within_one_boot_alone() {
    let state = tempfile::tempdir().unwrap();
    let kept = || clock::trust_kept(state.path());
    assert!(!kept());
    clock::keep_trust(state.path(), true).unwrap();
    assert!(kept());
    clock::keep_trust(state.path(), false).unwrap();
    clock::keep_trust(state.path(), false).unwrap();
    assert!(!kept());
    clock::keep_trust(state.path(), true).unwrap();
    let file = std::fs::read_dir(state.path()).unwrap().next().unwrap().unwrap().path();
    std::fs::write(file, "00000000-0000-4000-8000-000000000000\n").unwrap();
    assert!(!kept(), "another boot");
}
