//! The broker and the radio: in order on each topic, but lost, late and twice as it pleases.

use lampward::pure::keeper::{Input, Ticket};
use lampward::pure::power::Power;

use super::house::Make;
use super::world::{Event, SECOND, World};

/// What a message is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Path {
    Order,
    Ask,
    Report,
    Alive,
}

/// The longest delay while all is well, ms.
const CALM_DELAY: i64 = 300;

/// What the broker keeps, and how bad the air is.
#[derive(Debug)]
pub struct Wire {
    pub broker_up: bool,
    /// The broker is there, but the connection to lampward hangs.
    pub half_open: bool,
    /// By plug: last report and last word of life.
    pub kept_reports: Vec<Option<Power>>,
    pub kept_alive: Vec<Option<bool>>,
    /// Chances of a message, each of 1.
    pub loss: f64,
    pub twice: f64,
    /// The longest delay, ms.
    pub delay: i64,
    /// Messages overtake each other on one topic, as they may after redelivery or through several brokers.
    pub overtakes: bool,
    /// The last arrival on each topic: else none overtakes another.
    last: Vec<[i64; 4]>,
}

impl Wire {
    /// For so many plugs, with nothing wrong.
    pub fn new(plugs: usize) -> Wire {
        Wire {
            broker_up: true,
            half_open: false,
            kept_reports: vec![None; plugs],
            kept_alive: vec![None; plugs],
            loss: 0.0,
            twice: 0.0,
            delay: CALM_DELAY,
            overtakes: false,
            last: vec![[0; 4]; plugs],
        }
    }

    /// The air is good again.
    pub fn calm(&mut self) {
        (self.loss, self.twice, self.delay, self.overtakes) = (0.0, 0.0, CALM_DELAY, false);
    }

    /// The broker has lost what it kept.
    pub fn forget(&mut self) {
        self.kept_reports.fill(None);
        self.kept_alive.fill(None);
    }

    /// When a message handed over now arrives: none if it is lost, two times if it comes twice.
    pub fn arrivals(&mut self, rng: &mut fastrand::Rng, now: i64, plug: usize, path: Path) -> [Option<i64>; 2] {
        if self.loss > 0.0 && rng.f64() < self.loss {
            return [None; 2];
        }
        let twice = self.twice > 0.0 && rng.f64() < self.twice;
        let mut arrives = || {
            let at = now + rng.i64(5..self.delay.max(60));
            let last = &mut self.last[plug][path as usize];
            *last = if self.overtakes { at } else { at.max(*last) };
            Some(*last)
        };
        [arrives(), if twice { arrives() } else { None }]
    }
}

impl World {
    pub fn connect(&mut self, life: u64) {
        let alive = self.daemon.as_ref().is_some_and(|daemon| daemon.life == life);
        if !alive || !self.wire.broker_up || self.link.is_some() {
            return;
        }
        self.serial += 1;
        let link = self.serial;
        self.link = Some(link);
        super::judge::link_changed(self);
        for plug in 0..self.plugs.len() {
            if let Some(power) = self.wire.kept_reports[plug] {
                let payload = power.word();
                let path = Path::Report;
                let delay = self.rng.i64(1..500);
                self.after(delay, Event::ToKeeper { link, plug, path, payload, retained: true });
            }
            if let Some(here) = self.wire.kept_alive[plug] {
                let payload = if here { "here" } else { "gone" };
                let path = Path::Alive;
                let delay = self.rng.i64(1..500);
                self.after(delay, Event::ToKeeper { link, plug, path, payload, retained: true });
            }
        }
        self.input(Input::LinkUp);
    }

    pub fn drop_link(&mut self) {
        self.wire.half_open = false;
        if self.link.take().is_some() {
            super::judge::link_changed(self);
            self.input(Input::LinkDown);
        }
        if self.wire.broker_up
            && let Some(daemon) = &self.daemon
        {
            let life = daemon.life;
            let backoff = self.rng.i64(250..3000);
            self.after(backoff, Event::Connect { life });
        }
    }

    pub fn broker_back(&mut self, keeps: bool) {
        self.wire.broker_up = true;
        if !keeps {
            self.wire.forget();
        }
        if let Some(daemon) = &self.daemon {
            let life = daemon.life;
            let backoff = self.rng.i64(250..3000);
            self.after(backoff, Event::Connect { life });
        }
        for plug in 0..self.plugs.len() {
            if self.plugs[plug].mains {
                self.plugs[plug].session += 1;
                let session = self.plugs[plug].session;
                let pause = self.rng.i64(SECOND..30 * SECOND);
                self.after(pause, Event::Joins { plug, session });
            }
        }
    }

    pub fn publish(&mut self, ticket: Ticket, topic: &str, payload: &str) {
        let (name, asks) = match (topic.strip_suffix("/order"), topic.strip_suffix("/ask")) {
            (Some(name), _) => (name, false),
            (_, Some(name)) => (name, true),
            _ => panic!("{}a publish on {topic}", self.place()),
        };
        let plug = self.plug_of(name);
        let order = (!asks).then(|| Power::from_lit(payload == "on"));
        match order {
            Some(order) => super::judge::commanded(self, plug, order),
            None => super::judge::questioned(self, plug),
        }
        let (Some(link), true) = (self.link, self.wire.broker_up && !self.wire.half_open) else {
            return self.command_lost(plug, order);
        };
        let took = self.rng.i64(2..200);
        self.after(took, Event::Acked { link, ticket });
        if !self.plugs[plug].joined {
            return self.command_lost(plug, order);
        }
        let session = self.plugs[plug].session;
        let path = if asks { Path::Ask } else { Path::Order };
        let arrivals = self.wire.arrivals(&mut self.rng, self.now, plug, path);
        if arrivals == [None; 2] {
            self.command_lost(plug, order);
        }
        for at in arrivals.into_iter().flatten() {
            self.at(at, Event::ToPlug { plug, session, order, sent: self.now });
        }
    }

    pub fn command_lost(&mut self, plug: usize, order: Option<Power>) {
        if order.is_some() {
            self.judge.lost_commands += 1;
            let now = self.now;
            self.plugs[plug].hidden_since.get_or_insert(now);
        }
    }

    pub fn reaches_plug(&mut self, plug: usize, session: u32, order: Option<Power>, sent: i64) {
        let state = &mut self.plugs[plug];
        if state.session != session || !state.joined || self.now < state.deaf_until {
            return self.command_lost(plug, order);
        }
        let reports = match order {
            Some(order) => state.obey(order, sent),
            None => true,
        };
        if reports {
            self.reports(plug);
        }
    }

    /// A plug says how it is.
    pub fn reports(&mut self, plug: usize) {
        let payload = self.plugs[plug].power.word();
        self.says(plug, Path::Report, payload);
    }

    pub fn says(&mut self, plug: usize, path: Path, payload: &'static str) {
        let state = &self.plugs[plug];
        let will = payload == "gone";
        if !self.wire.broker_up || !(will || state.joined && self.now >= state.deaf_until) {
            return;
        }
        let arrivals = self.wire.arrivals(&mut self.rng, self.now, plug, path);
        if arrivals == [None; 2] && !will {
            return;
        }
        match path {
            Path::Report if self.plugs[plug].retains => {
                self.wire.kept_reports[plug] = Some(Power::from_lit(payload == "on"));
            }
            Path::Alive => {
                self.wire.kept_alive[plug] = Some(!will);
            }
            _ => {}
        }
        let Some(link) = self.link.filter(|_| !self.wire.half_open) else { return };
        for at in arrivals.into_iter().flatten() {
            self.at(at, Event::ToKeeper { link, plug, path, payload, retained: false });
        }
    }

    pub fn reaches_keeper(&mut self, plug: usize, path: Path, payload: &'static str, retained: bool) {
        let state = &mut self.plugs[plug];
        let topic = match path {
            Path::Alive => state.alive_topic.clone(),
            _ => state.report_topic.clone(),
        };
        if path == Path::Alive {
            self.judge.stirs(plug);
        } else {
            let truth = payload == state.power.word();
            if truth && !retained {
                (state.hidden_since, state.misled_at) = (None, None);
            } else if !truth && self.disordered_until > self.now {
                // It has been overtaken by the truth, and nobody can tell.
                state.hidden_since.get_or_insert(self.now);
                state.misled_at = Some(self.now);
            }
            if std::mem::replace(&mut state.last_heard, payload) != payload {
                self.judge.stirs(plug);
            }
        }
        self.input(Input::Message { topic, payload: payload.as_bytes().to_vec(), retained });
    }

    /// A plug's mains fail.
    pub fn mains_fail(&mut self, plug: usize) {
        let now = self.now;
        let state = &mut self.plugs[plug];
        (state.mains, state.joined) = (false, false);
        state.stirred_at = now;
        state.hidden_since.get_or_insert(now);
        state.session += 1;
        state.will_due = state.make.speaks_of_life();
        let session = state.session;
        let keep_alive = self.rng.i64(5 * SECOND..25 * SECOND);
        self.after(keep_alive, Event::Will { plug, session });
    }

    pub fn joins(&mut self, plug: usize, session: u32) {
        if self.plugs[plug].session != session || !self.plugs[plug].mains || !self.wire.broker_up {
            return;
        }
        self.plugs[plug].joined = true;
        // The will of the session before is due now, and seldom comes only after the first word of the new one.
        if self.plugs[plug].will_due && self.rng.u32(0..5) > 0 {
            self.plugs[plug].will_due = false;
            self.says(plug, Path::Alive, "gone");
        }
        let alive = self.plugs[plug].make.speaks_of_life();
        let first = self.rng.bool();
        if alive && first {
            self.says(plug, Path::Alive, "here");
        }
        if self.plugs[plug].make != Make::Mute && self.rng.u32(0..4) > 0 {
            self.reports(plug);
        }
        if alive && !first {
            self.says(plug, Path::Alive, "here");
        }
    }
}
