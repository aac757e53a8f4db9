//! The one loop that owns the keeper: what happens goes in, what follows is carried out.
//!
//! Nothing is decided here. The page reads the latest facts and can never make a lamp wait; a slow broker can't either,
//! because publishing hands over and returns.

use std::collections::HashMap;
use std::sync::Arc;
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use serde_json::json;
use smallvec::SmallVec;
use tokio::sync::{mpsc, oneshot, watch};
use tracing::{error, info, warn};

use crate::clock::{self, Clock, Woke};
use crate::daybook::Daybook;
use crate::keepsake::KeepsakeFile;
use crate::link::{Link, LinkEvent};
use crate::log::Voice;
use crate::pure::config::Config;
use crate::pure::entry::{Entry, EntryKind};
use crate::pure::keeper::{Answer, Input, Keeper, Miss, Now, OrderId, Output, Snapshot, Step};
use crate::pure::trust::Trust;
use crate::rules_file::{Found, RulesFile};
use crate::state::State;
use crate::supervisor::Supervisor;
use crate::web::{Asked, Facts, GiveWay, Taken};

/// Facts are renewed no oftener than this, however many reports come in.
const FACTS_EVERY: Duration = Duration::from_millis(100);

/// They take at most one part in so many of the loop's time.
const FACTS_SHARE: u32 = 10;

/// In a burst of entries the state folder is looked at this often; before overrides and hands are written, always.
const LOOKED_AT: Duration = Duration::from_millis(100);

/// So long after something was written it is looked whether that went well, and again while it did not.
const TEND_EVERY: Duration = Duration::from_secs(10);

/// Between two messages the kernel's word on the clock is good for so long; whatever the time brings asks for it anew.
const CLOCK_EVERY: Duration = Duration::from_millis(100);

/// And only where both clocks went on alike: a message may come before it is noticed that the clock was set.
const CLOCKS_APART: TimeDelta = TimeDelta::milliseconds(10);

/// So long before a planned time what is due then is worked out. A fraction of a millisecond is enough for that, but on a slow or
/// busy machine several, and what is not done by then makes the command late.
const AHEAD: Duration = Duration::from_millis(20);

/// So long after its time the web gives way to a planned command.
const WAY_FREE: Duration = Duration::from_millis(2);

/// So long the broker is left alone with a planned command once it has said something, as a rule that it has taken it, which it
/// says on having sent it on …
const PAUSE: Duration = Duration::from_millis(1);

/// … and so long at most it is waited for: a slow machine takes several times the pause for that.
const BROKER_FIRST: Duration = Duration::from_millis(20);

/// So many events of the link come before the next order or the time, where both wait.
const FAIR: u32 = 64;

/// How long a miss is shown.
pub const MISSES_SHOWN: TimeDelta = TimeDelta::hours(24);

/// Everything the loop works with, made ready by [`crate::house`].
pub struct Daemon {
    /// The only source of time.
    pub clock: Clock,
    /// Whether the wall clock may be gone by.
    pub trust: Trust,
    /// The state folder, held for as long as this runs.
    pub state: Arc<State>,
    /// Overrides and hands on disk.
    pub keepsakes: KeepsakeFile,
    /// History.
    pub daybook: Daybook,
    /// To the broker.
    pub link: Link,
    /// The TOML file, for a reload.
    pub file: RulesFile,
    /// Orders of people and programs.
    pub orders: mpsc::Receiver<Asked>,
    /// To the web.
    pub facts: watch::Sender<Arc<Facts>>,
    /// To the web: not now.
    pub give_way: Arc<GiveWay>,
    /// Told of each entry as it happens; the demonstration prints them.
    pub watcher: Option<mpsc::UnboundedSender<Entry>>,
    /// systemd, where it started us.
    pub supervisor: Supervisor,
    /// What the daybook has as missed before this start, oldest first: a restart hides no miss of the last day.
    pub missed_before: Vec<Miss>,
}

/// What can end a rest.
enum Happened {
    Woke(Woke),
    Link(LinkEvent),
    Asked(Asked),
    Reload,
    Found(Found),
}

/// The loop's own memory.
struct Turn {
    keeper: Keeper,
    rest: Duration,
    wake_at: Option<DateTime<Utc>>,
    /// The `wake_at` that is prepared for.
    prepared: Option<DateTime<Utc>>,
    /// The time ended the rest.
    by_time: bool,
    /// Whoever waits for the answer to an order.
    waiting: HashMap<u64, oneshot::Sender<Answer>>,
    next_order: u64,
    link_since: DateTime<Utc>,
    link_because: Option<String>,
    taken: Taken,
    /// Something has changed since the facts were last given out.
    stale: bool,
    /// When they may be given out again.
    facts_at: Duration,
    /// When the kernel was last asked about the clock.
    looked_at: Option<Now>,
    /// To the log.
    voice: Voice,
    /// When the stores are looked at, where that is due.
    tend_at: Option<Duration>,
    /// When they were.
    tended_at: Duration,
    /// What was wrong with them.
    trouble: Vec<String>,
}

impl Turn {
    /// What the wall clock has to show for the next look: the keeper's time, and a moment before it first.
    fn look_at(&self) -> Option<DateTime<Utc>> {
        if self.prepared == self.wake_at { self.wake_at } else { self.wake_at.map(|at| at - AHEAD) }
    }

    /// Whether the keeper's time is just ahead, and not prepared for.
    fn is_early(&self, now: Now) -> bool {
        self.prepared != self.wake_at && self.wake_at.is_some_and(|at| at - AHEAD <= now.wall && now.wall < at)
    }
}

impl Daemon {
    /// Runs until `stop` is done; gives back what is still to be closed in order. Lamps stay as they are.
    ///
    /// `first` is what follows from the start itself. `reload` asks for the file to be read again each time it gives
    /// something.
    pub async fn run(
        mut self,
        keeper: Keeper,
        first: Step,
        mut reload: mpsc::Receiver<()>,
        stop: impl Future<Output = ()>,
    ) -> (Link, Daybook) {
        let now = self.clock.now();
        let mut turn = Turn {
            keeper,
            rest: Duration::ZERO,
            wake_at: None,
            prepared: None,
            by_time: false,
            waiting: HashMap::new(),
            next_order: 0,
            link_since: now.wall,
            link_because: Some("connecting".into()),
            taken: Taken::default(),
            stale: true,
            facts_at: now.up,
            looked_at: None,
            voice: Voice::default(),
            tend_at: Some(now.up),
            tended_at: now.up,
            trouble: Vec::new(),
        };
        self.carry_out(&mut turn, now, first).await;
        self.give_out_facts(&mut turn, now);
        self.supervisor.ready();
        tokio::pin!(stop);
        // After anything else first some of what the link has, then a person's word and the time: neither a flood of
        // messages nor one of orders holds up the other.
        let mut fair = FAIR;
        loop {
            let waiting = if fair > 0 {
                tokio::select! { biased; event = self.link.next() => Some(event), () = std::future::ready(()) => None }
            } else {
                None
            };
            let happened = match waiting {
                Some(event) => Happened::Link(event),
                None => {
                    crate::log::let_go();
                    let rest = self.rest_of(&turn);
                    tokio::select! {
                        biased;
                        () = &mut stop => break,
                        Some(asked) = self.orders.recv() => Happened::Asked(asked),
                        Some(()) = reload.recv() => Happened::Reload,
                        found = self.file.found() => Happened::Found(found),
                        woke = self.clock.rest(rest, turn.look_at()) => Happened::Woke(woke),
                        event = self.link.next() => Happened::Link(event),
                    }
                }
            };
            crate::log::hold();
            fair = if matches!(happened, Happened::Link(_)) { fair.saturating_sub(1) } else { FAIR };
            let now = self.clock.now();
            turn.by_time = matches!(happened, Happened::Woke(_));
            if matches!(happened, Happened::Woke(Woke::Rested)) && turn.is_early(now) {
                // The step at that time is a moment away.
                self.give_way.give(AHEAD + WAY_FREE);
                turn.keeper.prepare();
                turn.prepared = turn.wake_at;
                continue;
            }
            self.take_in(&mut turn, now, happened).await;
            if turn.stale && now.up >= turn.facts_at {
                self.give_out_facts(&mut turn, now);
            }
            self.supervisor.alive(now.up);
        }
        crate::log::let_go();
        let now = self.clock.now();
        self.step(&mut turn, now, Input::Stop).await;
        turn.voice.rest(now.up);
        info!("stopping: lamps stay as they are");
        self.supervisor.stopping();
        (self.link, self.daybook)
    }

    /// How long there is nothing to do: the keeper's word, but facts that wait to be given out, the clock's trust and
    /// the watchdog come in between.
    fn rest_of(&self, turn: &Turn) -> Duration {
        let up = self.clock.now().up;
        let facts = turn.stale.then(|| turn.facts_at.saturating_sub(up));
        let tend = turn.tend_at.map(|at| at.saturating_sub(up));
        let lines = turn.voice.look_at().map(|at| at.saturating_sub(up));
        [Some(turn.rest), facts, tend, lines, self.trust.look_again(), self.supervisor.feed_every()]
            .into_iter()
            .flatten()
            .min()
            .unwrap_or(turn.rest)
    }

    /// What a lamp waits for comes first, then the rest of what is due.
    async fn take_in(&mut self, turn: &mut Turn, now: Now, happened: Happened) {
        let fresh = turn.looked_at.is_some_and(|at| still_good(at, now));
        if matches!(happened, Happened::Woke(_)) || !fresh {
            turn.looked_at = Some(now);
            self.look_at_the_clock(turn, now, matches!(happened, Happened::Woke(Woke::Stepped))).await;
        }
        let input = match happened {
            Happened::Woke(_) => Input::Tick,
            Happened::Link(event) => self.input_of(turn, now, event),
            Happened::Asked((order, answer)) => {
                turn.next_order += 1;
                turn.waiting.insert(turn.next_order, answer);
                Input::Order(OrderId(turn.next_order), order)
            }
            Happened::Reload => {
                self.supervisor.reloading();
                self.file.read_again(now.wall, &self.state);
                Input::Tick
            }
            Happened::Found(found) => {
                let config = self.file.take_up(found);
                if self.file.is_to_be_read_again() {
                    self.file.read_again(now.wall, &self.state);
                } else {
                    self.supervisor.ready();
                }
                config.map_or(Input::Tick, Input::Reload)
            }
        };
        self.step(turn, now, input).await;
        if turn.voice.look_at().is_some_and(|at| now.up >= at) {
            turn.voice.look(now.up);
        }
        if turn.tend_at.is_some_and(|at| now.up >= at) {
            self.tend_the_stores(turn, now);
        }
    }

    async fn look_at_the_clock(&mut self, turn: &mut Turn, now: Now, stepped: bool) {
        let was = (self.trust.trusted(), self.trust.latched());
        let kernel = self.clock.kernel();
        if stepped {
            self.trust.stepped(kernel);
        } else {
            self.trust.look(now.wall, kernel);
        }
        let trusted = self.trust.trusted();
        if self.trust.latched() != was.1 {
            self.keep_trust();
        }
        if trusted != was.0 || stepped {
            turn.voice.rest(now.up);
        }
        if trusted != was.0 {
            let because = self.trust.because().to_string();
            if trusted {
                info!(because, "the clock is trusted: the plan is followed");
            } else {
                error!(
                    because,
                    "the clock is not trusted: no planned switching is made until it is synchronised (network time), or trust = \"always\" stands under [clock]"
                );
            }
        } else if stepped && trusted {
            info!(now = %now.wall.to_rfc3339(), "the clock was set: the plan is followed from the new time");
        }
        if trusted != was.0 || (stepped && trusted) {
            self.step(turn, now, Input::Clock { trusted }).await;
        }
    }

    fn input_of(&mut self, turn: &mut Turn, now: Now, event: LinkEvent) -> Input {
        match event {
            LinkEvent::Up => {
                turn.voice.rest(now.up);
                info!("the broker is there");
                turn.link_since = now.wall;
                turn.link_because = None;
                Input::LinkUp
            }
            LinkEvent::Down { because } => {
                turn.voice.rest(now.up);
                warn!(because, "the broker is not there; it is tried again");
                if turn.link_because.is_none() {
                    turn.link_since = now.wall;
                }
                turn.link_because = Some(because);
                Input::LinkDown
            }
            LinkEvent::Acked(ticket) => {
                turn.taken = Taken { commands: turn.taken.commands + 1, last: Some(now.wall) };
                Input::Acked(ticket)
            }
            LinkEvent::Message { topic, payload, retained } => Input::Message { topic, payload, retained },
        }
    }

    async fn step(&mut self, turn: &mut Turn, now: Now, input: Input) {
        let step = turn.keeper.step(now, input);
        self.carry_out(turn, now, step).await;
    }

    /// Where the state folder has come back, what belongs in it is put there again.
    fn tend_the_stores(&mut self, turn: &mut Turn, now: Now) {
        turn.tended_at = now.up;
        if self.state.tend() {
            if let Err(fault) = self.keepsakes.store_again() {
                error!(because = %fault, "overrides and hands can't be made durable");
            }
            self.file.keep_again(&self.state);
            self.keep_trust();
        }
        let trouble = self.trouble();
        turn.tend_at = (!trouble.is_empty()).then_some(now.up + TEND_EVERY);
        turn.stale |= turn.trouble != trouble;
        turn.trouble = trouble;
    }

    /// What is wrong with the stores, a sentence each.
    fn trouble(&self) -> Vec<String> {
        self.state.trouble().into_iter().chain(self.daybook.trouble()).collect()
    }

    fn keep_trust(&self) {
        if let Err(because) = clock::keep_trust(self.state.folder(), self.trust.latched()) {
            warn!(%because, "trust in the clock can't be kept for a restart");
        }
    }

    /// Carries out one step and what follows from it: first what goes to the broker, and that is on the wire before
    /// anything that takes time; then the rest in order. Answers come last, when the facts already show what they tell
    /// of.
    async fn carry_out(&mut self, turn: &mut Turn, now: Now, step: Step) {
        let (mut records, mut answers, mut alive) = (SmallVec::<[Entry; 1]>::new(), Vec::new(), false);
        let mut next = Some(step);
        while let Some(Step { mut outputs, rest, wake_at }) = next.take() {
            (turn.rest, turn.wake_at) = (rest, wake_at);
            let mut handed_over = false;
            for output in outputs.extract_if(.., |output| matches!(output, Output::Publish { .. } | Output::Listen)) {
                handed_over = true;
                if let Output::Publish { ticket, topic, payload, retain } = output {
                    self.link.publish(Some(ticket), topic, payload, retain);
                } else {
                    self.link.listen(turn.keeper.topics());
                    self.link.watch(turn.keeper.filters());
                }
            }
            if handed_over {
                // The link's task shares the thread with this one, and writes what it was given when its turn comes. After
                // that the machine is the broker's: on a small one it waits for us as long as we compute. So log and stores wait a
                // moment, where it was the time that called, and the facts longer, unless they do already.
                if !turn.stale {
                    turn.facts_at = turn.facts_at.max(now.up + FACTS_EVERY);
                }
                tokio::task::yield_now().await;
                let more_is_due = turn.rest <= PAUSE || turn.wake_at.is_some_and(|at| at <= now.wall);
                if turn.by_time && !more_is_due {
                    let _ = tokio::time::timeout(BROKER_FIRST, self.link.heard()).await;
                    tokio::time::sleep(PAUSE).await;
                }
            }
            let keeps = outputs.iter().any(|output| matches!(output, Output::Keep(_)));
            let writes = outputs.iter().any(|output| matches!(output, Output::Record(_) | Output::Alive));
            if keeps || writes && now.up >= turn.tended_at + LOOKED_AT {
                self.tend_the_stores(turn, now);
            }
            if keeps || writes {
                // The daybook has a thread of its own.
                turn.tend_at = Some(now.up + TEND_EVERY);
            }
            for output in outputs.drain(..) {
                match output {
                    Output::Publish { .. } | Output::Listen => unreachable!("handed over before"),
                    Output::Keep(keepsake) => {
                        debug_assert!(next.is_none(), "a step keeps once");
                        let kept = self.keepsakes.store(&keepsake).map_err(|fault| {
                            error!(because = %fault, "overrides and hands can't be made durable");
                            fault.brief()
                        });
                        next = Some(turn.keeper.step(now, Input::Kept(kept)));
                    }
                    Output::Record(entry) => records.push(entry),
                    Output::Alive => alive = true,
                    Output::Answer(order, answer) => answers.push((order, answer)),
                    Output::Say(note) => turn.voice.note(now.up, note),
                }
            }
            turn.keeper.reuse(outputs);
        }
        self.record(turn, now, records);
        if alive {
            self.sign_of_life(now);
        }
        turn.stale = true;
        if !answers.is_empty() {
            self.give_out_facts(turn, now);
        }
        for (OrderId(order), answer) in answers {
            if let Some(person) = turn.waiting.remove(&order) {
                // Whoever asked may have hung up; what was done stays done.
                let _ = person.send(answer);
            }
        }
    }

    /// A start looks no further back than the last sign of life: it must not be there before what was recorded until then.
    fn sign_of_life(&self, now: Now) {
        let state = Arc::clone(&self.state);
        self.daybook.then(move || {
            if let Err(fault) = state.touch_alive(now.wall) {
                warn!(%fault, "switchings missed during a stop may be counted from too early a time");
            }
        });
        self.daybook.prune(now.wall);
    }

    /// Into log and daybook, where all of them get in or none.
    fn record(&self, turn: &mut Turn, now: Now, entries: SmallVec<[Entry; 1]>) {
        self.daybook.record(&entries, self.trust.trusted());
        for entry in entries {
            if entry.kind == EntryKind::Missed {
                self.tell_missed(&entry);
            }
            if let Some(watcher) = &self.watcher {
                let _ = watcher.send(entry.clone());
            }
            turn.voice.entry(now.up, entry);
        }
    }

    /// Programs that watch the house learn of a miss over MQTT.
    fn tell_missed(&self, entry: &Entry) {
        let zone = &self.file.config().place.zone;
        let at = crate::pure::local_time::local_of(zone, entry.due.unwrap_or(entry.at));
        let miss = json!({
            "at": at.to_rfc3339_opts(chrono::SecondsFormat::Secs, true),
            "channel": entry.channel,
            "plug": entry.plug,
            "wanted": entry.wanted.map(|power| power.word()),
            "because": entry.because,
        });
        self.link.publish(None, self.file.missed_topic(), miss.to_string(), false);
    }

    fn give_out_facts(&mut self, turn: &mut Turn, now: Now) {
        let begun = self.clock.now().up;
        let mut notices = self.file.notices();
        notices.extend(self.trouble());
        self.facts.send_modify(|facts| {
            // Where the web is just reading them, in a copy.
            let facts = Arc::make_mut(facts);
            turn.keeper.renew(&mut facts.snapshot, now);
            let earlier = self.missed_before.iter().filter(|miss| miss.at > now.wall - MISSES_SHOWN);
            facts.snapshot.missed.splice(0..0, earlier.cloned());
            facts.config = self.file.config();
            facts.clock_because = self.trust.because().to_string();
            facts.link_since = turn.link_since;
            facts.link_because.clone_from(&turn.link_because);
            facts.taken = turn.taken;
            facts.file = self.file.facts();
            facts.notices = notices;
            self.supervisor.status(&status_line(&facts.snapshot, &facts.config));
        });
        turn.stale = false;
        let took = self.clock.now().up.saturating_sub(begun);
        turn.facts_at = now.up + FACTS_EVERY.max(took * FACTS_SHARE);
    }
}

/// Whether what the kernel said of the clock then still holds.
fn still_good(then: Now, now: Now) -> bool {
    let went_on = now.up.saturating_sub(then.up);
    let apart = TimeDelta::from_std(went_on).map(|went_on| (now.wall - then.wall - went_on).abs());
    went_on < CLOCK_EVERY && apart.is_ok_and(|apart| apart < CLOCKS_APART)
}

/// One line for `systemctl status`: what happens next.
fn status_line(snapshot: &Snapshot, config: &Config) -> String {
    if !snapshot.trusted {
        return "the clock is not trusted: no planned switching is made".into();
    }
    let channels = config.channels.iter().zip(&snapshot.channels);
    let next = channels.filter_map(|(channel, view)| Some((channel, view.next.as_ref()?)));
    match next.min_by_key(|(_, next)| next.at) {
        Some((channel, next)) => {
            let at = crate::pure::local_time::local_of(&config.place.zone, next.at);
            let link = if snapshot.link_up { "" } else { "broker unreachable; " };
            format!("{link}next: {} {} at {} ({})", channel.name, next.wanted, at.format("%a %H:%M:%S"), next.because)
        }
        None => "nothing is planned".into(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clock_that_was_set_is_asked_about_before_any_message_is_looked_at() {
        let at = |wall_ms: i64, up_ms: u64| Now {
            wall: DateTime::from_timestamp_millis(1_795_000_000_000 + wall_ms).expect("a date"),
            up: Duration::from_millis(up_ms),
        };
        assert!(still_good(at(0, 0), at(99, 99)));
        assert!(!still_good(at(0, 0), at(100, 100)), "too long ago");
        for step_ms in [-86_400_000, -1_000, 1_000, 86_400_000] {
            assert!(!still_good(at(0, 0), at(1 + step_ms, 1)), "set by {step_ms} ms");
        }
    }
}
