//! The world around the keeper: two clocks, a heap of coming events, and a daemon that can be killed.

use std::cmp::Ordering;
use std::collections::{BinaryHeap, HashMap};
use std::sync::Arc;
use std::time::Duration;

use chrono::{DateTime, Utc};
use lampward::pure::config::Config;
use lampward::pure::entry::Entry;
use lampward::pure::keeper::{Down, Input, Keeper, Now, Order, OrderId, Output, Start, Step, Ticket};
use lampward::pure::power::Power;

use super::disk::Disk;
use super::faults::Fault;
use super::house::{self, EDITIONS, Lamp};
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
        sent: i64,
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

/// An event and its time; of two at one time the one that was thought of first comes first.
struct Timed {
    at: i64,
    serial: u64,
    event: Event,
}

impl Ord for Timed {
    /// The earliest is the greatest, for a heap gives the greatest first.
    fn cmp(&self, other: &Timed) -> Ordering {
        (other.at, other.serial).cmp(&(self.at, self.serial))
    }
}

impl PartialOrd for Timed {
    fn partial_cmp(&self, other: &Timed) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl PartialEq for Timed {
    fn eq(&self, other: &Timed) -> bool {
        self.cmp(other) == Ordering::Equal
    }
}

impl Eq for Timed {}

/// The daemon while it runs.
pub struct Daemon {
    pub keeper: Keeper,
    pub life: u64,
    pub started: i64,
    rest_until: i64,
    wake_at: Option<DateTime<Utc>>,
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
    pub editions: [Arc<Config>; EDITIONS],
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
    /// Messages may have overtaken each other until then.
    pub disordered_until: i64,
    heap: BinaryHeap<Timed>,
    plug_numbers: HashMap<String, usize>,
    lamp_numbers: HashMap<String, usize>,
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
        let editions = std::array::from_fn(|edition| house::file(&lamps, edition));
        let mut plugs = Vec::new();
        for (index, lamp) in lamps.iter().enumerate() {
            plugs.extend(lamp.plugs.iter().map(|name| Plug::new(name, index, lamp.make, &mut rng)));
        }
        let count = plugs.len();
        let now = DateTime::parse_from_rfc3339("2026-01-01T12:00:00Z").expect("an instant").timestamp_millis();
        let disk = Disk::new(Arc::clone(&editions[0]), seed.is_multiple_of(10), instant(now));
        let mut world = World {
            judge: Judge::new(&lamps, plugs.len(), now),
            plug_numbers: plugs
                .iter()
                .enumerate()
                .map(|(index, plug): (usize, &Plug)| (plug.name.clone(), index))
                .collect(),
            lamp_numbers: lamps.iter().enumerate().map(|(index, lamp)| (lamp.name.clone(), index)).collect(),
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
            wire: Wire::new(count),
            daemon: None,
            link: None,
            disk,
            kill_after: None,
            disturbed_until: 0,
            disordered_until: 0,
            heap: BinaryHeap::new(),
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
            let event_at = self.heap.peek().map(|timed| timed.at).expect("there is always a look to come");
            let tick_at = self.daemon.as_ref().map(|daemon| daemon.due(self.error_ms)).unwrap_or(i64::MAX);
            let next = event_at.min(tick_at).max(self.now);
            if next >= self.end {
                break;
            }
            self.now = next;
            if tick_at <= event_at {
                self.judge.ticks += 1;
                self.input(Input::Tick);
            } else if let Some(timed) = self.heap.pop() {
                self.happen(timed.event);
            }
        }
        self.now = self.end;
        super::record::settle(self);
    }

    pub fn after(&mut self, ms: i64, event: Event) {
        self.at(self.now + ms, event);
    }

    pub fn at(&mut self, at: i64, event: Event) {
        self.serial += 1;
        self.heap.push(Timed { at, serial: self.serial, event });
    }

    /// What the wall clock shows.
    pub fn wall(&self) -> DateTime<Utc> {
        instant(self.wall_ms())
    }

    /// The same in ms since 1970.
    pub fn wall_ms(&self) -> i64 {
        self.now + self.error_ms
    }

    /// The number of a lamp by its name.
    pub fn lamp_of(&self, name: &str) -> usize {
        self.lamp_numbers[name]
    }

    /// The number of a plug by its name.
    pub fn plug_of(&self, name: &str) -> usize {
        self.plug_numbers[name]
    }

    fn happen(&mut self, event: Event) {
        match event {
            Event::ToPlug { plug, session, order, sent } => self.reaches_plug(plug, session, order, sent),
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
            Event::CalmAir => self.wire.calm(),
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
        super::judge::started(self);
        let found = self.disk.start(self.wall());
        self.tell(format_args!("started, trusted {}, last life {:?}", self.trusted, found.last_life));
        let last_good = Arc::clone(&self.disk.last_good);
        let (first_run, recent) = (None, found.recent);
        let down = found.last_life.map(|last_life| Down { last_life, config: last_good, first_run, recent });
        let start = Start { keepsake: found.keepsake, down, trusted: self.trusted };
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

    /// `kill -9`, and what the broker makes of it is of no matter here. Of the entries of the last moments the daybook
    /// may have none.
    pub fn kill(&mut self) {
        let unwritten = if self.rng.bool() { 0 } else { self.rng.i64(0..200) };
        self.stop(unwritten);
    }

    /// The same amid a step that was about to hand so many entries to the daybook.
    fn kill_amid(&mut self, records: usize) {
        self.judge.noted.truncate(self.judge.noted.len() - records);
        let unwritten = if self.rng.bool() { 0 } else { self.rng.i64(0..200) };
        self.stop(unwritten.max(1));
    }

    /// The power fails: what the system had not written out is lost too.
    pub fn power_cut(&mut self) {
        let unwritten = self.rng.i64(0..2000);
        self.stop(unwritten);
        self.disk.power_gone(self.now);
    }

    fn stop(&mut self, unwritten: i64) {
        self.tell("stopped at once");
        let lost = self.disk.daemon_gone(self.now, unwritten);
        self.judge.noted.truncate(self.judge.noted.len() - lost);
        self.daemon = None;
        self.link = None;
        self.kill_after = None;
        self.wire.half_open = false;
        super::judge::killed(self, unwritten);
    }

    pub fn input(&mut self, input: Input) {
        if let Some(step) = self.step(input) {
            self.perform(step);
        }
    }

    fn step(&mut self, input: Input) -> Option<Step> {
        self.judge.inputs += 1;
        let wall = self.wall();
        let daemon = self.daemon.as_mut()?;
        let now = Now { wall, up: Duration::from_millis((self.now - daemon.started) as u64) };
        Some(daemon.keeper.step(now, input))
    }

    /// Carries out a step and what follows from it as the daemon does: entries go into the daybook together, and
    /// answers come last.
    fn perform(&mut self, step: Step) {
        let (mut records, mut answers, mut alive) = (Vec::new(), 0, false);
        let mut next = Some(step);
        while let Some(step) = next.take() {
            let Some(daemon) = &mut self.daemon else { return };
            daemon.rest_until = self.now + (step.rest.as_millis() as i64).max(1);
            daemon.wake_at = step.wake_at;
            self.judge.idle(step.outputs.is_empty(), step.rest);
            for output in step.outputs {
                let dies = match output {
                    Output::Publish { ticket, topic, payload, .. } => {
                        self.dies() || {
                            self.publish(ticket, &topic, &payload);
                            false
                        }
                    }
                    Output::Record(entry) => {
                        self.tell_entry(&entry);
                        super::judge::recorded(self, &entry);
                        records.push(entry);
                        false
                    }
                    Output::Say(_) | Output::Listen => false,
                    Output::Keep(keepsake) => {
                        self.dies() || {
                            let outcome = self.disk.keep(keepsake);
                            super::judge::kept(self, outcome.is_ok());
                            self.dies() || {
                                next = self.step(Input::Kept(outcome));
                                false
                            }
                        }
                    }
                    Output::Answer(id, answer) => {
                        super::judge::decided(self, id, answer);
                        answers += 1;
                        false
                    }
                    Output::Alive => {
                        alive = true;
                        false
                    }
                };
                if dies {
                    return self.kill_amid(records.len());
                }
            }
        }
        if !records.is_empty() && self.dies() {
            return self.kill_amid(records.len());
        }
        self.disk.record(self.now, records, self.trusted);
        if alive {
            let wall = self.wall();
            self.disk.touch(self.now, wall);
        }
        for _ in 0..answers {
            if self.dies() {
                return self.kill();
            }
            super::judge::answered(self);
        }
    }

    /// Whether the daemon is killed right here.
    fn dies(&mut self) -> bool {
        let dies = self.kill_after == Some(0);
        self.kill_after = self.kill_after.map(|left| left.saturating_sub(1));
        dies
    }

    fn tell_entry(&self, entry: &Entry) {
        if self.tells {
            self.tell(format_args!("{} {:?} {}, due {:?}", entry.kind.word(), entry.plug, entry.because, entry.due));
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
