//! What is ahead: the Sun's next event, and the coming switchings. The web has a plan of its own for it, so that the
//! daemon's loop is never asked.

use std::sync::{Arc, Mutex, PoisonError};

use chrono::{DateTime, Utc};
use tokio::task::spawn_blocking;

use super::problem::Problem;
use crate::pure::config::Config;
use crate::pure::keeper::Switching;
use crate::pure::overrides;
use crate::pure::plan::{Ahead, Plan};
use crate::pure::power::Power;
use crate::pure::sun::Sun;

/// The Sun at an instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sky {
    /// Topocentric, without refraction.
    pub altitude_deg: f64,
    /// Its next sunrise, sunset, dusk or dawn; `None` where there is none within 400 days.
    pub next: Option<Mark>,
}

/// An event of the Sun and when it is.
type Mark = (&'static str, DateTime<Utc>);

/// What is ahead of one channel.
#[derive(Clone, Debug)]
pub struct ChannelAhead {
    /// Its place in the file.
    pub channel: usize,
    /// In order.
    pub switchings: Vec<Switching>,
    /// The lit spans, and what a rule asks for in vain.
    pub ahead: Ahead,
}

/// What a person could ask of one channel now, and what would follow, in words.
#[derive(Clone, Debug, PartialEq)]
pub struct Choice {
    /// What "on for the evening" would mean: "on until 22:45, the planned switch-off".
    pub on: String,
    /// The same for off.
    pub off: String,
    /// What the plan has it do now, which is what a cancelled override leads back to.
    pub plan: Power,
}

/// A plan for looking ahead. It is worked out in the blocking pool, one at a time.
#[derive(Clone, Debug, Default)]
pub struct Almanac {
    plan: Arc<tokio::sync::Mutex<Option<Plan>>>,
    next: Arc<Mutex<Option<KnownMark>>>,
}

/// The Sun's next event, good for any instant from `after` until it has come.
#[derive(Clone, Debug)]
struct KnownMark {
    config: Arc<Config>,
    after: DateTime<Utc>,
    mark: Option<Mark>,
}

impl KnownMark {
    fn holds(&self, config: &Arc<Config>, now: DateTime<Utc>) -> bool {
        Arc::ptr_eq(&self.config, config) && self.after <= now && self.mark.is_some_and(|(_, at)| now < at)
    }
}

impl Almanac {
    /// Where the Sun stands and what it does next.
    pub async fn sky(&self, config: &Arc<Config>, now: DateTime<Utc>) -> Result<Sky, Problem> {
        let position = config.place.position;
        let altitude_deg = Sun::new(position.latitude_deg, position.longitude_deg).altitude_deg(now);
        let known = self.next.lock().unwrap_or_else(PoisonError::into_inner).clone();
        if let Some(known) = known.filter(|known| known.holds(config, now)) {
            return Ok(Sky { altitude_deg, next: known.mark });
        }
        let next = self.with_plan(config.clone(), move |plan| plan.next_mark(now)).await?;
        let known = KnownMark { config: config.clone(), after: now, mark: next };
        *self.next.lock().unwrap_or_else(PoisonError::into_inner) = Some(known);
        Ok(Sky { altitude_deg, next })
    }

    /// The switchings after `from` and no later than `until`, channel by channel.
    pub async fn ahead(
        &self,
        config: Arc<Config>,
        from: DateTime<Utc>,
        until: DateTime<Utc>,
    ) -> Result<Vec<ChannelAhead>, Problem> {
        let mut all = Vec::with_capacity(config.channels.len());
        // One by one, so that others get a turn, and nobody works on when whoever asked has gone.
        for channel in 0..config.channels.len() {
            let one = move |plan: &mut Plan| ChannelAhead {
                channel,
                switchings: plan.switchings(channel, from, until),
                ahead: plan.ahead(channel, from, until),
            };
            all.push(self.with_plan(config.clone(), one).await?);
        }
        Ok(all)
    }

    /// What could be asked of each channel now, in the order of the file.
    pub async fn choices(
        &self,
        config: &Arc<Config>,
        now: DateTime<Utc>,
        trusted: bool,
    ) -> Result<Vec<Choice>, Problem> {
        self.with_plan(config.clone(), move |plan| {
            let channels = 0..plan.config().channels.len();
            let mut choices = Vec::with_capacity(channels.len());
            for channel in channels {
                let mut evening = |wanted: Power| {
                    overrides::ends(plan, channel, wanted, None, now, trusted)
                        .map_or_else(|_| format!("{wanted} for the evening"), |(_, because)| because)
                };
                let (on, off) = (evening(Power::On), evening(Power::Off));
                choices.push(Choice { on, off, plan: plan.power(channel, now) });
            }
            choices
        })
        .await
    }

    async fn with_plan<T: Send + 'static>(
        &self,
        config: Arc<Config>,
        work: impl FnOnce(&mut Plan) -> T + Send + 'static,
    ) -> Result<T, Problem> {
        let mut held = self.plan.clone().lock_owned().await;
        let worked = spawn_blocking(move || {
            // A plan that panicked half-way is not put back.
            let kept = held.take().filter(|plan| Arc::ptr_eq(plan.config(), &config));
            let mut plan = kept.unwrap_or_else(|| Plan::new(config));
            let found = work(&mut plan);
            *held = Some(plan);
            found
        });
        worked.await.map_err(|_| Problem::internal("the plan could not be worked out"))
    }
}
