//! How far a computer's clock is from the satellites', in words. Trust in the clock is not decided by it.

use chrono::TimeDelta;

use crate::pure::config::duration_words;

/// A receiver says the time so much late over its line, and more does not surprise; common practice, no source.
const LATE: TimeDelta = TimeDelta::milliseconds(1_500);
/// Satellites number the weeks modulo 1024 (IS-GPS-200, from memory); old receivers pick the wrong turn.
const TURN: TimeDelta = TimeDelta::weeks(1024);

/// Of several readings, each computer minus satellites, the one to go by: a line can only make the satellites late, so
/// the least.
pub fn gap(readings: impl IntoIterator<Item = TimeDelta>) -> Option<TimeDelta> {
    readings.into_iter().min()
}

/// A gap in words that name its direction: a sentence for people.
pub fn gap_words(gap: TimeDelta) -> String {
    let tenths = (gap.num_milliseconds().abs() + 50) / 100;
    let length = match tenths {
        0..600 => format!("{}.{} s", tenths / 10, tenths % 10),
        _ => duration_words(TimeDelta::seconds((tenths + 5) / 10)),
    };
    let direction = if gap < TimeDelta::zero() { "behind" } else { "ahead of" };
    if gap >= TimeDelta::zero() && gap <= LATE {
        return format!(
            "this computer's clock agrees with the satellites': it is {length} ahead, and a receiver says the time up to \
             {}.{} s late",
            LATE.num_seconds(),
            LATE.subsec_nanos() / 100_000_000
        );
    }
    let mut said = format!("this computer's clock is {direction} the satellites' by {length}");
    let turns = (gap.num_seconds() as f64 / TURN.num_seconds() as f64).round();
    if turns != 0.0 && (gap.num_seconds() as f64 - turns * TURN.num_seconds() as f64).abs() < 86_400.0 {
        said += ": that is 1024 weeks or a multiple, by which an old receiver mistakes the date; \
                 then the receiver is wrong and not the clock";
    } else if gap > LATE {
        said += ", of which the receiver's line may account for a second or so";
    }
    said
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(gap_ms: i64, expected: &str) {
        assert_eq!(gap_words(TimeDelta::milliseconds(gap_ms)), expected);
    }

    #[test]
    fn a_gap_is_told_with_its_direction() {
        check(-3_600_000, "this computer's clock is behind the satellites' by 1 h");
        check(-240, "this computer's clock is behind the satellites' by 0.2 s");
        check(
            63_000,
            "this computer's clock is ahead of the satellites' by 1 min 3 s, of which the receiver's line may account \
             for a second or so",
        );
    }

    #[test]
    fn what_a_line_delays_is_no_fault_of_the_clock() {
        let agrees = "this computer's clock agrees with the satellites': it is 0.4 s ahead, and a receiver says the time \
                      up to 1.5 s late";
        check(420, agrees);
    }

    #[test]
    fn a_receiver_that_mistakes_the_date_is_found_out() {
        // 1024 weeks are 619,315,200 s.
        check(
            619_315_200_000 + 700,
            "this computer's clock is ahead of the satellites' by 172032 h 1 s: that is 1024 weeks or a multiple, by \
             which an old receiver mistakes the date; then the receiver is wrong and not the clock",
        );
    }

    #[test]
    fn of_several_readings_the_least_delayed_counts() {
        let readings = [900, 210, 450].map(TimeDelta::milliseconds);
        assert_eq!(gap(readings), Some(TimeDelta::milliseconds(210)));
        assert_eq!(gap([]), None);
    }
}
