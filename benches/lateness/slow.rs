//! A machine made slow: on each processor a program that takes it before anybody else, nine tenths of the time and in pieces of
//! a millisecond, as the host of a virtual machine does that has too many of them.

use std::process::Command;
use std::thread;
use std::time::{Duration, Instant};

use rustix::process::{Pid, Signal, getppid, set_parent_process_death_signal};

use crate::common::Program;

/// The first word to this program where it is to be one of those that take.
pub const TAKER: &str = "taker";

/// What it has of a processor at a time, and what it leaves to the others in between, in microseconds.
const TAKES_US: std::ops::RangeInclusive<u64> = 450..=1350;
const LEAVES_US: std::ops::RangeInclusive<u64> = 60..=180;

/// Starts one for each processor. It needs the right to real-time scheduling, which root has.
pub fn start() -> Vec<Program> {
    let this = std::env::current_exe().expect("a path");
    let processors = thread::available_parallelism().expect("processors").get();
    let taker = |processor: usize| {
        let mut command = Command::new("chrt");
        command.args(["--fifo", "10", "taskset", "--cpu-list", &processor.to_string()]).arg(&this);
        command.args([TAKER, &std::process::id().to_string()]);
        Program(command.spawn().expect("chrt starts: is util-linux installed?"))
    };
    (0..processors).map(taker).collect()
}

/// They go on as long as whoever started them; one that could not take ends at once.
pub fn check(takers: &mut [Program]) {
    for taker in takers {
        let ended = taker.0.try_wait().expect("a child of ours");
        assert!(ended.is_none(), "a machine is made slow by real-time scheduling (chrt, taskset): run it as root");
    }
}

/// The other side of [`start`]; the word is the process id of the bench.
pub fn take(words: &[String]) {
    // Killed with the bench, however that ends: nobody else would get far. It may have ended before this was set.
    set_parent_process_death_signal(Some(Signal::KILL)).expect("a signal");
    let bench = words.first().and_then(|word| word.parse().ok()).and_then(Pid::from_raw).expect("a process id");
    assert_eq!(getppid(), Some(bench), "the bench has ended");
    loop {
        let until = Instant::now() + Duration::from_micros(fastrand::u64(TAKES_US));
        while Instant::now() < until {
            std::hint::spin_loop();
        }
        thread::sleep(Duration::from_micros(fastrand::u64(LEAVES_US)));
    }
}
