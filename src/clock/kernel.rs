//! The one module with `unsafe`: what the clock needs of the kernel and no safe wrapper offers.

use std::io;
use std::os::fd::OwnedFd;

use tokio::io::Interest;
use tokio::io::unix::AsyncFd;

use crate::pure::trust::KernelClock;

/// Whether the kernel counts the wall clock as synchronised.
///
/// Synchronised means that adjtimex(2) answers with something other than an error and `TIME_ERROR`, and that the
/// status bit `STA_UNSYNC` is clear. A call that fails, because a sandbox forbids it for instance, is
/// [`KernelClock::Unknown`] and never "synchronised".
pub fn synchronised() -> KernelClock {
    // SAFETY: `timex` is a C struct of integers only, for which all zeroes is a valid value; zero in `modes` asks
    // adjtimex to change nothing. (libc offers no safe way to make one, and neither rustix nor std has the call.)
    #[allow(unsafe_code, reason = "adjtimex has no safe wrapper; see SAFETY")]
    let (answer, status) = unsafe {
        let mut state: libc::timex = std::mem::zeroed();
        let answer = libc::adjtimex(&raw mut state);
        (answer, state.status)
    };
    judge(answer, status)
}

/// What an answer of adjtimex(2) means.
fn judge(answer: i32, status: i32) -> KernelClock {
    match answer {
        libc::TIME_ERROR => KernelClock::Unsynchronised,
        ..0 => KernelClock::Unknown,
        _ if status & libc::STA_UNSYNC != 0 => KernelClock::Unsynchronised,
        _ => KernelClock::Synchronised,
    }
}

/// Lets the runtime wake us when `fd` becomes readable. Must be called within the runtime.
///
/// # Errors
///
/// When the runtime's poller refuses the descriptor.
pub fn watch(fd: OwnedFd) -> io::Result<AsyncFd<OwnedFd>> {
    // SAFETY: an `OwnedFd` is open, always gives the same descriptor, and is moved into the `AsyncFd`, which closes
    // it only after deregistering: the contract of `register_with_interest`. (Tokio's safe constructors are
    // deprecated in favour of this one.)
    #[allow(unsafe_code, reason = "tokio deprecates the safe constructor; see SAFETY")]
    let watched = unsafe { AsyncFd::register_with_interest(fd, Interest::READABLE) };
    watched.map_err(|e| e.into_parts().1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_kernel_that_says_so_is_synchronised() {
        // adjtimex(2): TIME_OK 0, TIME_INS 1, TIME_DEL 2, TIME_OOP 3, TIME_WAIT 4, TIME_ERROR 5; STA_UNSYNC 0x40.
        for leap_state in 0..=4 {
            assert_eq!(judge(leap_state, 0x2001), KernelClock::Synchronised, "{leap_state}");
            assert_eq!(judge(leap_state, 0x40), KernelClock::Unsynchronised, "{leap_state}");
        }
        assert_eq!(judge(5, 0), KernelClock::Unsynchronised);
        assert_eq!(judge(5, 0x40), KernelClock::Unsynchronised);
    }

    #[test]
    fn a_kernel_that_cannot_be_asked_is_unknown() {
        assert_eq!(judge(-1, 0), KernelClock::Unknown);
        assert_eq!(judge(-1, 0x40), KernelClock::Unknown);
    }
}
