//! What the plan keeps of its answers, for each channel or for several that switch alike.

use std::collections::HashMap;
use std::sync::Arc;

use chrono::{DateTime, Utc};
use smol_str::SmolStr;

use super::frame::Outline;
use crate::pure::config::Config;
use crate::pure::keeper::Switching;
use crate::pure::power::Power;

/// What is known of one channel, or of several whose rules are the same.
#[derive(Debug)]
pub(super) struct Known {
    /// One for each rule.
    pub outlines: Box<[Outline]>,
    /// The last short answer about switchings between two instants: at sunset one lamp after the other is asked about.
    pub lately: Option<Box<Lately>>,
    /// Its state about the instant last asked for.
    pub state: Option<State>,
    /// The words for it, where somebody asked.
    pub because: Option<Box<Because>>,
    /// Its next switching with its words, where somebody asked.
    pub next: Option<Arc<Switching>>,
}

/// Nothing known yet: for each channel the place of what is known of it, and that.
pub(super) fn begin(config: &Config) -> (Box<[u32]>, Vec<Known>) {
    let (mut known, mut alike) = (Vec::new(), HashMap::new());
    let mut of = Vec::with_capacity(config.channels.len());
    for channel in &config.channels {
        let fresh = known.len() as u32;
        // Absence moves each channel by its own name.
        let alone = channel.absence && !config.absence.dates.is_empty();
        let place = if alone { fresh } else { *alike.entry(Arc::as_ptr(&channel.lit)).or_insert(fresh) };
        if place == fresh {
            let outlines = channel.lit.iter().map(|rule| Outline::of(rule, &config.shifts, config.absence.vary));
            known.push(Known { outlines: outlines.collect(), lately: None, state: None, because: None, next: None });
        }
        of.push(place);
    }
    (of.into(), known)
}

/// At most one switching after `after` and no later than `until`.
#[derive(Debug)]
pub(super) struct Lately {
    pub after: DateTime<Utc>,
    pub until: DateTime<Utc>,
    pub found: Option<Switching>,
}

/// Words that hold from `since` and before `until`.
#[derive(Debug)]
pub(super) struct Because {
    pub since: DateTime<Utc>,
    pub until: DateTime<Utc>,
    pub text: SmolStr,
}

/// From `since` until `clear`, or until the change if there is one, nothing switches.
#[derive(Clone, Copy, Debug)]
pub(super) struct State {
    pub since: DateTime<Utc>,
    pub wanted: Power,
    pub change: Option<DateTime<Utc>>,
    pub clear: DateTime<Utc>,
}
