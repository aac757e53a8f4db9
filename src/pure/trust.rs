//! Whether the wall clock may be gone by.
//!
//! A small computer without a clock chip comes up at a plausible but wrong date, so the date itself proves nothing:
//! only the kernel's word that something has synchronised it does. Once since boot is enough, because that word lapses
//! some hours after the network is gone while the clock goes on well enough. Setting the clock by hand takes the trust away.

use std::fmt;
use std::time::Duration;

use chrono::{DateTime, SecondsFormat, Utc};

use super::config::ClockTrust;

/// What the kernel says of the wall clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum KernelClock {
    /// Something keeps it right.
    Synchronised,
    /// Nothing does, or not any more.
    Unsynchronised,
    /// It could not be asked. Never taken for synchronised.
    Unknown,
}

/// What is known at a start about trust from before it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Before {
    /// Trust was kept, and the machine has not booted since.
    pub kept: bool,
    /// The last sign of life; `None` if there never was one.
    pub last_life: Option<DateTime<Utc>>,
}

/// The clock's trust, and why.
#[derive(Clone, Debug, PartialEq)]
pub struct Trust {
    policy: ClockTrust,
    latch: Latch,
    kernel: KernelClock,
}

/// Trust as the kernel's word alone has it, whatever the file says.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Latch {
    /// Synchronised once since boot, and not set by hand since.
    Trusted,
    /// Not synchronised since boot, as far as is known.
    NotYet,
    /// Synchronised by the kernel's word from before our start, but the time is earlier than the last sign of life.
    /// A synchronisation that happens before our eyes ends this, and so does the passing of that time while the kernel
    /// says synchronised, as a start after it would: until `unsynchronised_seen`, the kernel's word is the same old one.
    HeldBack { last_life: DateTime<Utc>, unsynchronised_seen: bool },
    /// Set while the kernel did not say synchronised.
    Stepped,
}

impl Trust {
    /// While the clock is not trusted, how soon to look at the kernel's word again. A clock that was nearly right is
    /// slewed and never set, so nothing else tells of its synchronisation, and lamps are to be right 2 s after it.
    pub const LOOK_AGAIN: Duration = Duration::from_secs(1);

    /// At a start, with the wall clock and the kernel's word as they are now.
    pub fn new(policy: ClockTrust, before: Before, wall: DateTime<Utc>, kernel: KernelClock) -> Trust {
        let early = before.last_life.filter(|&life| wall < life);
        let latch = match early {
            Some(last_life) => {
                Latch::HeldBack { last_life, unsynchronised_seen: kernel == KernelClock::Unsynchronised }
            }
            None if before.kept || kernel == KernelClock::Synchronised => Latch::Trusted,
            None => Latch::NotYet,
        };
        Trust { policy, latch, kernel }
    }

    /// Takes in wall clock and kernel's word; to be called at each rest, and every [`Trust::LOOK_AGAIN`] while not
    /// trusted. True if the clock has become trusted by it.
    pub fn look(&mut self, wall: DateTime<Utc>, kernel: KernelClock) -> bool {
        let was = self.trusted();
        self.kernel = kernel;
        self.latch = match (self.latch, kernel) {
            (Latch::HeldBack { last_life, .. }, KernelClock::Synchronised) if wall >= last_life => Latch::Trusted,
            (Latch::HeldBack { last_life, .. }, KernelClock::Unsynchronised) => {
                Latch::HeldBack { last_life, unsynchronised_seen: true }
            }
            (held @ Latch::HeldBack { unsynchronised_seen: false, .. }, _) => held,
            (_, KernelClock::Synchronised) => Latch::Trusted,
            (latch, _) => latch,
        };
        self.trusted() && !was
    }

    /// The wall clock has been set; `kernel` is what the kernel says now. True if trust has changed by it.
    ///
    /// Setting the clock clears the kernel's word, so "synchronised" right after it is new: a synchronisation seen.
    pub fn stepped(&mut self, kernel: KernelClock) -> bool {
        let was = self.trusted();
        self.kernel = kernel;
        self.latch = match kernel {
            KernelClock::Synchronised => Latch::Trusted,
            KernelClock::Unsynchronised | KernelClock::Unknown => Latch::Stepped,
        };
        self.trusted() != was
    }

    /// Whether plan and signs of life may go by the wall clock.
    pub fn trusted(&self) -> bool {
        self.policy == ClockTrust::Always || self.latched()
    }

    /// Whether the kernel's word alone makes it trusted. This is what is kept for a restart within the same boot.
    pub fn latched(&self) -> bool {
        self.latch == Latch::Trusted
    }

    /// When to look again, apart from each rest.
    pub fn look_again(&self) -> Option<Duration> {
        (!self.trusted()).then_some(Trust::LOOK_AGAIN)
    }

    /// Why it is trusted, or why not.
    pub fn because(&self) -> TrustBecause {
        match (self.policy, self.latch, self.kernel) {
            (_, Latch::Trusted, KernelClock::Synchronised) => TrustBecause::Synchronised,
            (ClockTrust::Always, ..) => TrustBecause::Always,
            (_, Latch::Trusted, _) => TrustBecause::SynchronisedBefore,
            (_, Latch::HeldBack { last_life, .. }, _) => TrustBecause::BeforeLastLife(last_life),
            (_, Latch::Stepped, _) => TrustBecause::SetUnsynchronised,
            (_, Latch::NotYet, KernelClock::Unknown) => TrustBecause::KernelUnknown,
            (_, Latch::NotYet, _) => TrustBecause::NotSynchronised,
        }
    }
}

/// Why the clock is trusted, or why not; as people read it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TrustBecause {
    /// Trusted: the kernel says so.
    Synchronised,
    /// Trusted: it said so earlier in this boot.
    SynchronisedBefore,
    /// Trusted: the file says `trust = "always"`.
    Always,
    /// Not: never since boot, as far as is known.
    NotSynchronised,
    /// Not: the kernel can't be asked.
    KernelUnknown,
    /// Not: it was set by something that does not keep it right.
    SetUnsynchronised,
    /// Not: it shows a time before the last sign of life.
    BeforeLastLife(DateTime<Utc>),
}

impl fmt::Display for TrustBecause {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            TrustBecause::Synchronised => f.write_str("synchronised"),
            TrustBecause::SynchronisedBefore => f.write_str("synchronised earlier since boot"),
            TrustBecause::Always => f.write_str("always, says the file"),
            TrustBecause::NotSynchronised => f.write_str("not synchronised since boot"),
            TrustBecause::KernelUnknown => f.write_str("the kernel can't be asked whether it is synchronised"),
            TrustBecause::SetUnsynchronised => f.write_str("set while not synchronised"),
            TrustBecause::BeforeLastLife(life) => {
                write!(f, "earlier than the last sign of life, {}", life.to_rfc3339_opts(SecondsFormat::Secs, true))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::KernelClock::{Synchronised, Unknown, Unsynchronised};
    use super::*;

    /// What happens to a clock, for [`check`].
    enum Happens {
        Look(KernelClock),
        /// The same when the clock has come to this time.
        LookAt(&'static str, KernelClock),
        Step(KernelClock),
    }
    use Happens::{Look, LookAt, Step};

    const NEW: Before = Before { kept: false, last_life: None };
    const KEPT: Before = Before { kept: true, last_life: None };

    fn at(text: &str) -> DateTime<Utc> {
        text.parse().unwrap()
    }

    /// A start at 12:00 and what follows; `expected` is trust and reason after the last of it. Each call must say
    /// truly whether it changed something.
    #[track_caller]
    fn check(policy: ClockTrust, before: Before, kernel: KernelClock, then: &[Happens], trusted: bool, because: &str) {
        let start = at("2026-11-24T12:00:00Z");
        let mut trust = Trust::new(policy, before, start, kernel);
        for happens in then {
            let was = trust.trusted();
            let changed = match happens {
                Look(kernel) => trust.look(start, *kernel),
                LookAt(wall, kernel) => trust.look(at(wall), *kernel),
                Step(kernel) => trust.stepped(*kernel),
            };
            assert_eq!(changed, was != trust.trusted());
        }
        assert_eq!((trust.trusted(), trust.because().to_string().as_str()), (trusted, because));
        assert_eq!(trust.look_again().is_some(), !trusted);
    }

    const BY_KERNEL: ClockTrust = ClockTrust::Synchronised;

    #[test]
    fn a_synchronised_clock_is_trusted_and_one_that_never_was_is_not() {
        check(BY_KERNEL, NEW, Synchronised, &[], true, "synchronised");
        check(BY_KERNEL, NEW, Unsynchronised, &[], false, "not synchronised since boot");
        check(BY_KERNEL, NEW, Unsynchronised, &[Look(Unsynchronised), Look(Synchronised)], true, "synchronised");
    }

    #[test]
    fn a_kernel_that_cannot_be_asked_makes_no_trust() {
        let because = "the kernel can't be asked whether it is synchronised";
        check(BY_KERNEL, NEW, Unknown, &[], false, because);
        check(BY_KERNEL, NEW, Unsynchronised, &[Look(Unknown)], false, because);
        check(BY_KERNEL, NEW, Unknown, &[Look(Synchronised)], true, "synchronised");
    }

    #[test]
    fn synchronised_once_since_boot_is_enough() {
        let then = [Look(Unsynchronised), Look(Unknown), Look(Unsynchronised)];
        check(BY_KERNEL, NEW, Synchronised, &then, true, "synchronised earlier since boot");
        check(BY_KERNEL, KEPT, Unsynchronised, &[], true, "synchronised earlier since boot");
        check(BY_KERNEL, KEPT, Unknown, &[], true, "synchronised earlier since boot");
    }

    #[test]
    fn a_clock_set_while_unsynchronised_loses_its_trust_until_synchronised_again() {
        let because = "set while not synchronised";
        check(BY_KERNEL, NEW, Synchronised, &[Step(Unsynchronised)], false, because);
        check(BY_KERNEL, KEPT, Unsynchronised, &[Step(Unsynchronised)], false, because);
        check(BY_KERNEL, NEW, Synchronised, &[Step(Unknown)], false, because);
        check(BY_KERNEL, NEW, Synchronised, &[Step(Unsynchronised), Look(Unknown)], false, because);
        check(BY_KERNEL, NEW, Synchronised, &[Step(Unsynchronised), Look(Synchronised)], true, "synchronised");
    }

    #[test]
    fn a_step_of_a_synchronised_clock_is_trusted() {
        check(BY_KERNEL, NEW, Synchronised, &[Step(Synchronised)], true, "synchronised");
        check(BY_KERNEL, NEW, Unsynchronised, &[Step(Synchronised)], true, "synchronised");
    }

    #[test]
    fn at_a_start_trust_from_earlier_in_the_boot_holds_only_from_the_last_sign_of_life_on() {
        let life = |text: &str, kept| Before { kept, last_life: Some(at(text)) };
        let because = "earlier than the last sign of life, 2026-11-24T12:00:01Z";
        for kernel in [Synchronised, Unsynchronised, Unknown] {
            check(BY_KERNEL, life("2026-11-24T12:00:01Z", true), kernel, &[], false, because);
        }
        check(BY_KERNEL, life("2026-11-24T12:00:01Z", false), Synchronised, &[], false, because);
        check(BY_KERNEL, life("2026-11-24T12:00:00Z", false), Synchronised, &[], true, "synchronised");
        check(
            BY_KERNEL,
            life("2026-11-24T12:00:00Z", true),
            Unsynchronised,
            &[],
            true,
            "synchronised earlier since boot",
        );
    }

    #[test]
    fn a_synchronisation_seen_while_running_outranks_the_last_sign_of_life() {
        let early = Before { kept: true, last_life: Some(at("2027-01-01T00:00:00Z")) };
        let because = "earlier than the last sign of life, 2027-01-01T00:00:00Z";
        check(BY_KERNEL, early, Synchronised, &[Look(Synchronised)], false, because);
        check(BY_KERNEL, early, Synchronised, &[Look(Unknown), Look(Synchronised)], false, because);
        check(BY_KERNEL, early, Unsynchronised, &[Look(Unsynchronised)], false, because);
        check(BY_KERNEL, early, Unsynchronised, &[Look(Synchronised)], true, "synchronised");
        check(BY_KERNEL, early, Unknown, &[Look(Unsynchronised), Look(Synchronised)], true, "synchronised");
        check(BY_KERNEL, early, Synchronised, &[Look(Unsynchronised), Look(Synchronised)], true, "synchronised");
        check(BY_KERNEL, early, Synchronised, &[Step(Synchronised)], true, "synchronised");
    }

    #[test]
    fn a_synchronised_clock_is_held_back_no_longer_than_until_the_last_sign_of_life() {
        let ahead = Before { kept: true, last_life: Some(at("2026-11-24T12:00:03Z")) };
        let because = "earlier than the last sign of life, 2026-11-24T12:00:03Z";
        check(BY_KERNEL, ahead, Synchronised, &[LookAt("2026-11-24T12:00:02Z", Synchronised)], false, because);
        check(BY_KERNEL, ahead, Synchronised, &[LookAt("2026-11-24T12:00:03Z", Synchronised)], true, "synchronised");
        // Nobody vouches for these but what was kept, and that is what is doubted.
        check(BY_KERNEL, ahead, Unsynchronised, &[LookAt("2026-11-24T12:00:03Z", Unsynchronised)], false, because);
        check(BY_KERNEL, ahead, Unknown, &[LookAt("2026-11-24T12:00:03Z", Unknown)], false, because);
    }

    #[test]
    fn a_synchronisation_that_sets_nothing_is_noticed_within_two_seconds() {
        assert!(Trust::LOOK_AGAIN.as_secs() < 2);
    }

    #[test]
    fn a_file_that_says_always_is_obeyed_and_keeps_nothing_for_later() {
        let early = Before { kept: false, last_life: Some(at("2027-01-01T00:00:00Z")) };
        check(ClockTrust::Always, early, Unsynchronised, &[Step(Unsynchronised)], true, "always, says the file");
        let trust = Trust::new(ClockTrust::Always, NEW, at("2026-11-24T12:00:00Z"), Unsynchronised);
        assert!(!trust.latched());
    }
}
