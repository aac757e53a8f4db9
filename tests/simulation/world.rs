//! The world around the keeper: two clocks, a heap of coming events, and a daemon that can be killed.

use std::cmp::Reverse;
use std::collections::BinaryHeap;
use std::sync::Arc;
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use lampward::pure::config::Config;
use lampward::pure::entry::Entry;
use lampward::pure::keeper::{Down, Input, Keeper, Keepsake, Now, Order, OrderId, Output, Start, Step, Ticket};
use lampward::pure::power::Power;

use super::faults::Fault;
use super::house::{self, Lamp};
use super::judge::Judge;
use super::plug::Plug;
use super::wire::{Path, Wire};

/// What is to come, at its time.
#[derive(Clone, Debug)]
pub enum Event {
    ToPlug {
        plug: usize,
        session: u32,
        order: Option<Power>,
    },
    ToKeeper {
        link: u64,
        plug: usize,
        path: Path,
        payload: &'static str,
        retained: bool,
    },
    Acked {
        link: u64,
        ticket: Ticket,
    },
    Connect {
        life: u64,
    },
    NoticeDown {
        link: u64,
    },
    BrokerBack {
        keeps: bool,
    },
    Joins {
        plug: usize,
        session: u32,
    },
    Will {
        plug: usize,
        session: u32,
    },
    /// `cold`: without a battery clock, which is off by so much and not trusted.
    StartDaemon {
        cold: Option<i64>,
    },
    ClockSet {
        error_ms: i64,
        trusted: bool,
    },
    CalmAir,
    DiskBack,
    NextFault,
    After(Fault),
    AfterPress {
        plug: usize,
        power: Power,
    },
    Look,
}

/// The daemon while it runs.
pub struct Daemon {
    pub keeper: Keeper,
    pub life: u64,
    pub started: i64,
    rest_until: i64,
    wake_at: Option<DateTime<Utc>>,
}

/// What survives the daemon.
pub struct Disk {
    pub keepsake: Keepsake,
    pub records: Vec<Entry>,
    pub last_life: Option<DateTime<Utc>>,
    pub last_good: Arc<Config>,
    pub full: bool,
}

pub struct World {
    pub seed: u64,
    tells: bool,
    pub rng: fastrand::Rng,
    /// True time, ms since 1970.
    pub now: i64,
    pub end: i64,
    /// How far the wall clock is off.
    pub error_ms: i64,
    pub trusted: bool,
    pub lamps: Vec<Lamp>,
    pub edition: usize,
    pub editions: [Arc<Config>; 2],
    pub plugs: Vec<Plug>,
    pub wire: Wire,
    pub daemon: Option<Daemon>,
    pub link: Option<u64>,
    pub disk: Disk,
    pub judge: Judge,
    /// Kill the daemon after so many more outputs.
    pub kill_after: Option<u32>,
    /// Something is wrong with everything until then.
    pub disturbed_until: i64,
    heap: BinaryHeap<Reverse<(i64, u64)>>,
    events: std::collections::HashMap<u64, Event>,
    pub serial: u64,
    lives: u64,
    next_order: u64,
}

pub const SECOND: i64 = 1000;
pub const MINUTE: i64 = 60 * SECOND;
pub const HOUR: i64 = 60 * MINUTE;
pub const DAY: i64 = 24 * HOUR;

impl World {
    /// A house with so many lamps that is watched for so many days from 2026-01-01.
    pub fn new(seed: u64, lamps: usize, days: i64) -> World {
        let mut rng = fastrand::Rng::with_seed(seed);
        let lamps = house::lamps(&mut rng, lamps);
        let editions = [house::file(&lamps, 0), house::file(&lamps, 1)];
        let mut plugs = Vec::new();
        for (index, lamp) in lamps.iter().enumerate() {
            plugs.extend(lamp.plugs.iter().map(|name| Plug::new(name, index, lamp.make, &mut rng)));
        }
        let now = DateTime::parse_from_rfc3339("2026-01-01T12:00:00Z").expect("an instant").timestamp_millis();
        let disk = Disk {
            keepsake: Keepsake::default(),
            records: Vec::new(),
            last_life: None,
            last_good: Arc::clone(&editions[0]),
            full: false,
        };
        let mut world = World {
            judge: Judge::new(&lamps, now),
            seed,
            tells: std::env::var_os("LAMPWARD_TELL").is_some(),
            rng,
            now,
            end: now + days * DAY,
            error_ms: 0,
            trusted: true,
            lamps,
            edition: 0,
            editions,
            plugs,
            wire: Wire { broker_up: true, delay: 300, ..Wire::default() },
            daemon: None,
            link: None,
            disk,
            kill_after: None,
            disturbed_until: 0,
            heap: BinaryHeap::new(),
            events: std::collections::HashMap::new(),
            serial: 0,
            lives: 0,
            next_order: 0,
        };
        world.start_daemon(None);
        world.after(DAY, Event::NextFault);
        world.after(HOUR, Event::Look);
        world
    }

    /// Lets everything happen.
    pub fn run(&mut self) {
        loop {
            let event_at = self.heap.peek().map(|Reverse((at, _))| *at).expect("there is always a look to come");
            let tick_at = self.daemon.as_ref().map(|daemon| daemon.due(self.error_ms)).unwrap_or(i64::MAX);
            let next = event_at.min(tick_at).max(self.now);
            if next >= self.end {
                break;
            }
            self.now = next;
            if tick_at <= event_at {
                self.judge.ticks += 1;
                self.input(Input::Tick);
            } else if let Some(Reverse((_, serial))) = self.heap.pop() {
                let event = self.events.remove(&serial).expect("each serial has its event");
                self.happen(event);
            }
        }
        self.now = self.end;
        super::judge::settle(self);
    }

    pub fn after(&mut self, ms: i64, event: Event) {
        self.at(self.now + ms, event);
    }

    pub fn at(&mut self, at: i64, event: Event) {
        self.serial += 1;
        self.heap.push(Reverse((at, self.serial)));
        self.events.insert(self.serial, event);
    }

    pub fn wall(&self) -> DateTime<Utc> {
        instant(self.now + self.error_ms)
    }

    fn happen(&mut self, event: Event) {
        match event {
            Event::ToPlug { plug, session, order } => self.reaches_plug(plug, session, order),
            Event::ToKeeper { link, plug, path, payload, retained } => {
                if self.link == Some(link) {
                    self.reaches_keeper(plug, path, payload, retained);
                }
            }
            Event::Acked { link, ticket } => {
                if self.link == Some(link) {
                    self.input(Input::Acked(ticket));
                }
            }
            Event::Connect { life } => self.connect(life),
            Event::NoticeDown { link } => {
                if self.link == Some(link) {
                    self.drop_link();
                }
            }
            Event::BrokerBack { keeps } => self.broker_back(keeps),
            Event::Joins { plug, session } => self.joins(plug, session),
            Event::Will { plug, session } => {
                if self.plugs[plug].session == session && std::mem::take(&mut self.plugs[plug].will_due) {
                    self.says(plug, Path::Alive, "gone");
                }
            }
            Event::StartDaemon { cold } => {
                if self.daemon.is_none() {
                    self.start_daemon(cold);
                }
            }
            Event::ClockSet { error_ms, trusted } => self.set_clock(error_ms, trusted),
            Event::CalmAir => (self.wire.loss, self.wire.twice, self.wire.delay) = (0.0, 0.0, 300),
            Event::DiskBack => self.disk.full = false,
            Event::NextFault => super::faults::next(self),
            Event::After(fault) => super::faults::after(self, fault),
            Event::AfterPress { plug, power } => super::judge::after_press(self, plug, power),
            Event::Look => {
                super::judge::look(self);
                let pause = self.rng.i64(HOUR..8 * HOUR);
                self.after(pause, Event::Look);
            }
        }
    }

    fn start_daemon(&mut self, cold: Option<i64>) {
        if let Some(error_ms) = cold {
            (self.trusted, self.error_ms) = (false, error_ms);
        }
        self.lives += 1;
        let config = Arc::clone(&self.editions[self.edition]);
        let recent = match self.disk.last_life {
            Some(life) => {
                let newest_first = self.disk.records.iter().rev().take(400);
                newest_first.filter(|entry| entry.at >= life - TimeDelta::minutes(5)).cloned().collect()
            }
            None => Vec::new(),
        };
        let down =
            self.disk.last_life.map(|last_life| Down { last_life, config: Arc::clone(&self.disk.last_good), recent });
        super::judge::started(self);
        self.tell(format_args!("started, trusted {}, last life {:?}", self.trusted, self.disk.last_life));
        let start = Start { keepsake: self.disk.keepsake.clone(), down, trusted: self.trusted };
        let now = Now { wall: self.wall(), up: Duration::ZERO };
        let (keeper, step) = Keeper::new(now, Arc::clone(&config), start);
        self.disk.last_good = config;
        let life = self.lives;
        self.daemon = Some(Daemon { keeper, life, started: self.now, rest_until: 0, wake_at: None });
        self.perform(step);
        if self.wire.broker_up {
            let backoff = self.rng.i64(20..3000);
            self.after(backoff, Event::Connect { life });
        }
    }

    /// `kill -9`, and what the broker makes of it is of no matter here.
    pub fn kill(&mut self) {
        self.tell("killed");
        self.daemon = None;
        self.link = None;
        self.kill_after = None;
        self.wire.half_open = false;
        super::judge::killed(self);
    }

    pub fn input(&mut self, input: Input) {
        self.judge.inputs += 1;
        let wall = self.wall();
        let Some(daemon) = &mut self.daemon else { return };
        let now = Now { wall, up: Duration::from_millis((self.now - daemon.started) as u64) };
        let step = daemon.keeper.step(now, input);
        self.perform(step);
    }

    /// Carries out a step as the shell does: entries of one step go into the daybook together.
    fn perform(&mut self, step: Step) {
        let Some(daemon) = &mut self.daemon else { return };
        daemon.rest_until = self.now + (step.rest.as_millis() as i64).max(1);
        daemon.wake_at = step.wake_at;
        self.judge.idle(step.outputs.is_empty(), step.rest);
        let mut recorded_before = false;
        for output in step.outputs {
            let record = matches!(output, Output::Record(_) | Output::Say(_));
            if !(record && recorded_before) {
                if self.kill_after == Some(0) {
                    return self.kill();
                }
                self.kill_after = self.kill_after.map(|left| left - 1);
            }
            recorded_before = record;
            self.perform_one(output);
            if self.daemon.is_none() {
                return;
            }
        }
    }

    fn perform_one(&mut self, output: Output) {
        match output {
            Output::Publish { ticket, topic, payload, .. } => self.publish(ticket, &topic, &payload),
            Output::Record(entry) => {
                self.tell(format_args!(
                    "{} {:?} {}, due {:?}",
                    entry.kind.word(),
                    entry.plug,
                    entry.because,
                    entry.due
                ));
                super::judge::recorded(self, &entry);
                if self.trusted {
                    self.disk.last_life = self.disk.last_life.max(Some(entry.at));
                }
                self.disk.records.push(entry);
            }
            Output::Say(_) | Output::Listen => {}
            Output::Keep(keepsake) => {
                let outcome = if self.disk.full { Err("no space left on device".to_string()) } else { Ok(()) };
                if outcome.is_ok() {
                    self.disk.keepsake = keepsake;
                }
                super::judge::kept(self, outcome.is_ok());
                if self.kill_after == Some(0) {
                    return self.kill();
                }
                self.input(Input::Kept(outcome));
            }
            Output::Answer(id, answer) => super::judge::answered(self, id, answer),
            Output::Alive => self.disk.last_life = self.disk.last_life.max(Some(self.wall())),
        }
    }

    pub fn order(&mut self, order: Order) {
        self.next_order += 1;
        let id = OrderId(self.next_order);
        if self.daemon.is_some() {
            super::judge::ordered(self, id, &order);
            self.input(Input::Order(id, order));
        }
    }

    pub fn reload(&mut self, edition: usize) {
        if edition != self.edition {
            self.edition = edition;
            super::judge::edition(self);
            if self.daemon.is_some() {
                let config = Arc::clone(&self.editions[edition]);
                self.disk.last_good = Arc::clone(&config);
                self.input(Input::Reload(config));
            }
        }
    }

    /// The wall clock is set, or its trust changes; a daemon that runs is told.
    pub fn set_clock(&mut self, error_ms: i64, trusted: bool) {
        (self.error_ms, self.trusted) = (error_ms, trusted);
        super::judge::clock_set(self);
        self.tell(format_args!("clock set, trusted {trusted}"));
        self.input(Input::Clock { trusted });
    }

    /// Says what happens, for whoever plays one seed again with `LAMPWARD_TELL=1`.
    pub fn tell(&self, what: impl std::fmt::Display) {
        if self.tells {
            println!("{} (clock {}): {what}", instant(self.now), self.wall());
        }
    }

    /// Where and when we are, for a message.
    pub fn place(&self) -> String {
        format!("LAMPWARD_SEED={} at {} (clock shows {}): ", self.seed, instant(self.now), self.wall())
    }
}

impl Daemon {
    /// When the shell steps it at the latest.
    fn due(&self, error_ms: i64) -> i64 {
        let wake = self.wake_at.map_or(i64::MAX, |at| at.timestamp_millis() - error_ms);
        self.rest_until.min(wake)
    }
}

pub fn instant(ms: i64) -> DateTime<Utc> {
    DateTime::from_timestamp_millis(ms).expect("an instant")
}
