//! What goes wrong, one after the other, and that everything is right again after each.

use std::fs;
use std::time::{Duration, Instant};

use rustix::process::Signal;

use crate::ground::{Ground, write_accounts};
use crate::judge::BOUND;
use crate::lamps;
use crate::plugs::COMES_BACK_WITHIN;

/// The longest wait of the link between two tries, and the time a try may take (docs/reliability.md).
const RECONNECT: Duration = Duration::from_secs(3);
const TRY: Duration = Duration::from_secs(5);
/// The same after a refused password.
const REFUSED: Duration = Duration::from_secs(33);
/// A plug that comes back after the daemon, and has no word of life, is told with the next repetition.
const REPETITION: Duration = Duration::from_secs(5);
/// The daemon says that it runs within that.
const START: Duration = Duration::from_secs(2);

/// At the first start the plugs come a little later than the daemon.
pub const FIRST: Duration = REPETITION;

/// One kind of trouble.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// The daemon is SIGKILLed at a random moment, and with it its broker.
    DaemonKilled,
    /// mosquitto is SIGKILLed and started again.
    BrokerKilled,
    /// SIGSTOP for longer than the keep-alive: connections stay open, nobody answers.
    HalfOpen,
    /// An orderly end and a new start with what it had kept.
    Restarted,
    /// A new start, and everything kept is gone.
    Forgot,
    /// A password is refused for a while: the daemon's by mosquitto, a plug's by the own broker.
    WrongPassword,
    /// Nobody listens for a while.
    PortClosed,
    /// 1,000 messages a second on report topics that are none.
    Junk,
    /// Messages of 1 MiB on report topics.
    Large,
}

impl Fault {
    fn word(self) -> &'static str {
        match self {
            Fault::DaemonKilled => "daemon killed",
            Fault::BrokerKilled => "broker killed",
            Fault::HalfOpen => "half-open",
            Fault::Restarted => "broker restarted, memory kept",
            Fault::Forgot => "broker restarted, memory lost",
            Fault::WrongPassword => "wrong password",
            Fault::PortClosed => "port closed",
            Fault::Junk => "1,000 junk messages a second",
            Fault::Large => "payloads of 1 MiB",
        }
    }

    /// How soon every plug is to be right, but for its own lateness.
    fn bound(self, own: bool) -> Duration {
        let reconnect = if own { COMES_BACK_WITHIN + START } else { RECONNECT };
        match self {
            Fault::DaemonKilled => BOUND + reconnect + REPETITION,
            Fault::BrokerKilled | Fault::Restarted | Fault::Forgot | Fault::PortClosed => {
                BOUND + reconnect + REPETITION
            }
            Fault::HalfOpen => BOUND + reconnect + TRY + REPETITION,
            Fault::WrongPassword if own => BOUND + 4 * COMES_BACK_WITHIN,
            Fault::WrongPassword => BOUND + REFUSED + REPETITION,
            Fault::Junk | Fault::Large => BOUND,
        }
    }
}

impl Ground {
    /// One fault from its beginning until every plug is right again, or, one time in two, until people have gone on
    /// for a while after it was over.
    pub fn suffer(&mut self, fault: Fault) {
        let own = self.mosquitto.is_none();
        println!("{}  {}", lampward::clock::wall().format("%H:%M:%S"), fault.word());
        *self.figures.borrow_mut().faults.entry(fault.word()).or_insert(0) += 1;
        let before = self.daemon().status()["broker"]["since"].clone();
        let recovered = match fault {
            Fault::DaemonKilled => self.kill_daemon(),
            Fault::BrokerKilled if own => self.kill_daemon(),
            Fault::BrokerKilled => self.kill_mosquitto(),
            Fault::HalfOpen => self.half_open(),
            Fault::Restarted => self.restart(0, false),
            Fault::Forgot => self.restart(0, true),
            Fault::PortClosed => self.restart(5_000, false),
            Fault::WrongPassword if own => self.plug_with_a_wrong_password(),
            Fault::WrongPassword => self.wrong_password(),
            Fault::Junk => self.junk(),
            Fault::Large => self.large(),
        };
        if self.rng.bool() {
            self.lasts(0, 3_000);
        }
        let mut book = self.people.hush();
        self.settle(&mut book, fault.word(), recovered, fault.bound(own));
        drop(book);
        if fault == Fault::Junk {
            self.plugs.ask("calm");
        }
        if matches!(fault, Fault::Junk | Fault::Large) {
            let since = self.daemon().status()["broker"]["since"].clone();
            assert_eq!(since, before, "seed={}: {fault:?} broke the link\n{}", self.seed, self.told_of("broker"));
        }
    }

    /// So many kills, and agreement after some of them: the others come before it could be reached.
    pub fn killed_again_and_again(&mut self, times: u32) {
        for kill in 1..=times {
            if kill == times || self.rng.u8(..3) == 0 {
                self.suffer(Fault::DaemonKilled);
            } else {
                *self.figures.borrow_mut().faults.entry(Fault::DaemonKilled.word()).or_insert(0) += 1;
                self.kill_daemon();
            }
        }
    }

    fn kill_daemon(&mut self) -> Instant {
        self.lasts(0, 1_500);
        self.take_daemon().kill();
        if self.rng.bool() {
            self.lasts(0, 1_000);
        }
        // Nobody may set again what was lost before anyone has looked.
        let mut book = self.people.hush();
        let daemon = self.home.start();
        let status = daemon.status();
        let recovered = Instant::now();
        book.compare(&status, lampward::clock::wall());
        let lost = std::mem::take(&mut book.lost);
        assert!(lost.is_empty(), "seed={}: overrides lost: {lost:#?}\n{}", self.seed, daemon.log());
        drop(book);
        self.put_daemon(daemon);
        recovered
    }

    fn kill_mosquitto(&mut self) -> Instant {
        self.mosquitto().kill();
        self.until_broker("gone", |broker| broker["link"] == "down");
        self.lasts(0, 4_000);
        self.mosquitto().restart();
        Instant::now()
    }

    fn half_open(&mut self) -> Instant {
        match &self.mosquitto {
            Some(mosquitto) => {
                mosquitto.pause();
                // Twice the keep-alive at most, and a little more.
                self.lasts(20_000, 24_000);
                self.until_broker("missed", |broker| broker["link"] == "down");
                self.mosquitto().resume();
            }
            None => {
                // Longer than the keep-alive of the plugs, which have gone or will soon.
                self.daemon().signal(Signal::STOP);
                self.lasts(10_000, 14_000);
                self.daemon().signal(Signal::CONT);
            }
        }
        Instant::now()
    }

    fn restart(&mut self, closed_ms: u64, forget: bool) -> Instant {
        if self.mosquitto.is_some() {
            self.mosquitto().stop();
            self.until_broker("gone", |broker| broker["link"] == "down");
            if forget {
                fs::remove_dir_all(self.folder.path().join("kept")).unwrap();
                fs::create_dir(self.folder.path().join("kept")).unwrap();
            }
            self.lasts(closed_ms, closed_ms * 2);
            self.mosquitto().restart();
        } else {
            let stopped = self.take_daemon().stop();
            assert!(stopped.success(), "seed={}: {stopped}", self.seed);
            if forget {
                fs::remove_dir_all(self.home.state().join("broker")).unwrap();
            }
            self.lasts(closed_ms, closed_ms * 2);
            self.start_daemon();
            self.daemon().status();
        }
        Instant::now()
    }

    fn wrong_password(&mut self) -> Instant {
        self.mosquitto().stop();
        write_accounts(&self.folder, "candle");
        self.mosquitto().restart();
        self.until_broker("refusing", |broker| {
            broker["because"]
                .as_str()
                .is_some_and(|because| because.ends_with("refuses the user `lampward` or its password"))
        });
        self.lasts(0, 5_000);
        self.mosquitto().stop();
        write_accounts(&self.folder, lamps::DAEMON.1);
        self.mosquitto().restart();
        Instant::now()
    }

    fn plug_with_a_wrong_password(&mut self) -> Instant {
        let refused = self.plugs.counted("refused");
        // One that can say that it is back.
        let (plug, _) = lamps::plugs().into_iter().find(|(_, make)| make.alive).unwrap();
        self.plugs.ask(&format!("password {plug} wrong"));
        let begun = Instant::now();
        while self.plugs.counted("refused") < refused + 2 {
            assert!(begun.elapsed() < Duration::from_secs(60), "seed={}: nobody refuses {plug}", self.seed);
            std::thread::sleep(Duration::from_millis(50));
        }
        self.plugs.ask(&format!("password {plug} right"));
        Instant::now()
    }

    /// Everything has to be right while it goes on: from its first 5 s.
    fn junk(&mut self) -> Instant {
        let begun = Instant::now();
        let before = self.plugs.counted("junk");
        let topics: Vec<String> = (0..3).map(|_| self.report_topic()).collect();
        self.plugs.ask(&format!("junk 1000 {}", topics.join(" ")));
        while self.plugs.counted("junk") < before + 5_000 {
            assert!(begun.elapsed() < Duration::from_secs(60), "seed={}: the junk is not taken", self.seed);
            std::thread::sleep(Duration::from_millis(50));
        }
        Instant::now()
    }

    /// Live ones, and one that stays with the broker. The own broker takes none.
    fn large(&mut self) -> Instant {
        for kept in ["live", "live", "kept"] {
            let order = format!("large {} {} {kept}", 1024 * 1024, self.report_topic());
            let answer = self.plugs.ask(&order);
            let taken = answer == "taken";
            assert_eq!(taken, self.mosquitto.is_some(), "seed={}: {order}: {answer}", self.seed);
        }
        Instant::now()
    }

    fn report_topic(&mut self) -> String {
        let plugs = lamps::plugs();
        format!("{}/report", plugs[self.rng.usize(..plugs.len())].0)
    }
}
