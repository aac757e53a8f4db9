//! How far a moment moves on a day when nobody is home (sentence 11).
//!
//! The generator is fixed for ever, so that a restart, a second look or an upgrade gives the same plan: the text
//! `channel/date/moment` is folded by FNV-1a (64 bit: offset basis 0xcbf29ce484222325, prime 0x100000001b3) to the state of a
//! SplitMix64 (Steele, Lea, Flood 2014: increment 0x9e3779b97f4a7c15, shifts 30, 27, 31, factors 0xbf58476d1ce4e5b9 and
//! 0x94d049bb133111eb), whose first output picks one of the 2·vary + 1 whole seconds. docs/rules.md has examples.

use std::fmt::{self, Write};

use chrono::{NaiveDate, TimeDelta};

use crate::pure::moment::{Altitude, Base, Clamp, ClampSide, ClockTime, Half, Mark, Moment};

/// The move: whole seconds from −`vary` to +`vary`, each as likely as another.
pub(super) fn shift(channel: &str, date: NaiveDate, moment: &Moment, vary: TimeDelta) -> TimeDelta {
    let mut seed = Fnv(0xcbf2_9ce4_8422_2325);
    write!(seed, "{channel}/{date}/{}", Fixed(moment)).expect("folding can't fail");
    let vary_s = vary.num_seconds().unsigned_abs();
    let choices = 2 * vary_s + 1;
    let picked = ((u128::from(split_mix(seed.0)) * u128::from(choices)) >> 64) as i64;
    TimeDelta::seconds(picked - vary_s as i64)
}

/// The first output of a SplitMix64 in this state.
fn split_mix(state: u64) -> u64 {
    let z = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
    let z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

/// FNV-1a of what is written to it.
struct Fnv(u64);

impl Write for Fnv {
    fn write_str(&mut self, text: &str) -> fmt::Result {
        for byte in text.bytes() {
            self.0 = (self.0 ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3);
        }
        Ok(())
    }
}

/// A moment in a form of its own that never changes, whatever becomes of the words of the file:
/// `evening horizon -1200 s, not before clock 16:00:00`, `time bedtime`, `clock 22:45:00`.
struct Fixed<'a>(&'a Moment);

impl fmt::Display for Fixed<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.0.base {
            Base::Sun { mark, offset } => {
                match mark {
                    Mark::SolarNoon => f.write_str("solar noon")?,
                    Mark::SolarMidnight => f.write_str("solar midnight")?,
                    Mark::Passing { half, altitude } => {
                        f.write_str(match half {
                            Half::Evening => "evening ",
                            Half::Morning => "morning ",
                        })?;
                        match altitude {
                            Altitude::Horizon => f.write_str("horizon")?,
                            Altitude::Civil => f.write_str("civil")?,
                            Altitude::Nautical => f.write_str("nautical")?,
                            Altitude::Astronomical => f.write_str("astronomical")?,
                            Altitude::Degrees(degrees) => write!(f, "{degrees} deg")?,
                        }
                    }
                }
                write!(f, " {} s", offset.num_seconds())?;
            }
            Base::Clock(clock) => fixed_clock(f, clock)?,
        }
        for Clamp { side, clock } in &self.0.clamps {
            f.write_str(match side {
                ClampSide::NotBefore => ", not before ",
                ClampSide::NotAfter => ", not after ",
            })?;
            fixed_clock(f, clock)?;
        }
        Ok(())
    }
}

fn fixed_clock(f: &mut fmt::Formatter<'_>, clock: &ClockTime) -> fmt::Result {
    match clock {
        ClockTime::At(clock) => write!(f, "clock {}", clock.format("%H:%M:%S")),
        ClockTime::Named(name) => write!(f, "time {}", name.name),
    }
}
