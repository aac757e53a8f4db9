//! From several fixes to one position: the median, which a stray fix can't move.

use std::collections::VecDeque;

use crate::pure::config::Position;

/// So many fixes make a position; common practice, no source.
pub const ENOUGH: usize = 10;
/// Fewer are not gone by, even when the time is up; common practice, no source.
pub const FEWEST: usize = 3;
/// Fixes further from their median than this, in metres, are waited out; common practice, no source.
const STEADY_M: f64 = 50.0;
/// Mean radius of the Earth in metres (IUGG 1980, from memory). The sphere is within 0.6 % of WGS 84.
const EARTH_M: f64 = 6_371_009.0;

/// The last few fixes.
#[derive(Clone, Debug, Default)]
pub struct Settling {
    fixes: VecDeque<Position>,
}

/// What they come to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settled {
    /// The median, latitude and longitude each by itself, rounded to five decimals (about a metre).
    pub position: Position,
    /// Of how many fixes.
    pub fixes: usize,
    /// How far the furthest of them is from it, in metres.
    pub spread_m: f64,
}

impl Settling {
    /// Takes in one more; the oldest goes when there are more than [`ENOUGH`].
    pub fn take(&mut self, fix: Position) {
        if self.fixes.len() == ENOUGH {
            self.fixes.pop_front();
        }
        self.fixes.push_back(fix);
    }

    /// How many there are.
    pub fn count(&self) -> usize {
        self.fixes.len()
    }

    /// The position, once there are enough fixes and they lie close together.
    pub fn settled(&self) -> Option<Settled> {
        self.best().filter(|best| best.fixes == ENOUGH && best.spread_m <= STEADY_M)
    }

    /// The position by what there is when the time is up; `None` with fewer than [`FEWEST`] fixes.
    pub fn best(&self) -> Option<Settled> {
        if self.fixes.len() < FEWEST {
            return None;
        }
        let first = self.fixes.front()?.longitude_deg;
        let latitude_deg = median(self.fixes.iter().map(|fix| fix.latitude_deg));
        // At 180 degrees east and west meet: counted from the first fix, all lie on one side of the seam.
        let longitude_deg = turn(first + median(self.fixes.iter().map(|fix| turn(fix.longitude_deg - first))));
        let position = Position { latitude_deg: rounded(latitude_deg), longitude_deg: rounded(longitude_deg) };
        let spread_m = self.fixes.iter().map(|fix| distance_m(position, *fix)).fold(0.0, f64::max);
        Some(Settled { position, fixes: self.fixes.len(), spread_m })
    }
}

/// The middle value; with an even number, the mean of the middle two.
fn median(values: impl Iterator<Item = f64>) -> f64 {
    let mut values: Vec<f64> = values.collect();
    values.sort_by(f64::total_cmp);
    let half = values.len() / 2;
    if values.len() % 2 == 1 { values[half] } else { f64::midpoint(values[half - 1], values[half]) }
}

/// An angle in degrees from −180 to 180.
fn turn(degrees: f64) -> f64 {
    (degrees + 180.0).rem_euclid(360.0) - 180.0
}

fn rounded(degrees: f64) -> f64 {
    // Zero has no half of the Earth: not -0.
    (degrees * 1e5).round() / 1e5 + 0.0
}

/// The distance of two positions along the Earth's surface, in metres, within 0.6 %: haversine formula on a sphere.
pub(super) fn distance_m(a: Position, b: Position) -> f64 {
    let (lat_a, lat_b) = (a.latitude_deg.to_radians(), b.latitude_deg.to_radians());
    let half = |from: f64, to: f64| libm::sin((to - from) / 2.0).powi(2);
    let across = half(a.longitude_deg.to_radians(), b.longitude_deg.to_radians());
    let h = half(lat_a, lat_b) + libm::cos(lat_a) * libm::cos(lat_b) * across;
    2.0 * EARTH_M * libm::asin(h.clamp(0.0, 1.0).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fixes(all: &[(f64, f64)]) -> Settling {
        let mut settling = Settling::default();
        for &(latitude_deg, longitude_deg) in all {
            settling.take(Position { latitude_deg, longitude_deg });
        }
        settling
    }

    #[track_caller]
    fn check(all: &[(f64, f64)], expected: &str, spread_m: f64) {
        let best = fixes(all).best().expect("enough fixes");
        assert_eq!(best.position.to_string(), expected);
        assert!((best.spread_m - spread_m).abs() <= 0.01 * spread_m + 0.1, "{}", best.spread_m);
    }

    #[test]
    fn a_stray_fix_moves_nothing() {
        // A minute of latitude is a nautical mile, 1852 m: 0.5 degrees are 55,560 m (exact by definition, near enough here).
        let all =
            [(59.741_2, 5.209_7), (59.741_21, 5.209_72), (60.241_2, 5.209_7), (59.741_2, 5.209_71), (59.741_2, 5.2)];
        check(&all, "59.7412 N, 5.2097 E", 55_560.0);
    }

    #[test]
    fn fixes_on_both_sides_of_the_date_line_meet_there() {
        // 0.0001 degrees on the equator are 0.006 nautical miles: 11.1 m.
        check(&[(0.0, 179.9999), (0.0, -179.9999), (0.0, -179.9998)], "0 N, 179.9999 W", 22.2);
        check(&[(0.0, -179.9999), (0.0, 179.9999), (0.0, 179.9998), (0.0, 179.9998)], "0 N, 179.99985 E", 27.8);
    }

    #[test]
    fn an_even_number_of_fixes_gives_the_middle_of_the_middle_two() {
        check(
            &[(-33.0, -70.0), (-33.0, -70.000_02), (-33.0, -70.000_04), (-33.0, -70.000_06)],
            "33 S, 70.00003 W",
            2.8,
        );
    }

    #[test]
    fn a_receiver_on_the_move_settles_when_it_stands_still() {
        let mut settling = Settling::default();
        for step in 0..ENOUGH {
            let latitude_deg = 59.0 + 0.001 * step as f64;
            settling.take(Position { latitude_deg, longitude_deg: 5.0 });
        }
        assert_eq!(settling.settled(), None);
        for _ in 0..ENOUGH {
            settling.take(Position { latitude_deg: 59.7412, longitude_deg: 5.2097 });
        }
        let settled = settling.settled().expect("it stands still");
        assert_eq!((settled.position.to_string(), settled.spread_m), ("59.7412 N, 5.2097 E".to_owned(), 0.0));
    }

    #[test]
    fn two_fixes_are_not_gone_by() {
        assert_eq!(fixes(&[(59.0, 5.0), (59.0, 5.0)]).best(), None);
    }
}
