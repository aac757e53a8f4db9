//! What happened lately, from the daybook.

use chrono::{DateTime, TimeDelta, Utc};
use maud::{Markup, html};

use crate::daybook::Filter;
use crate::pure::entry::EntryKind;
use crate::web::json::{self, PastEntry, Status};
use crate::web::{Web, words};

/// How far back.
const SINCE: TimeDelta = TimeDelta::hours(24);

/// So many entries are shown, the newest first.
const SHOWN: usize = 12;

/// The newest entries of the last day, the newest first; `None` where the daybook can't be read.
pub async fn read(web: &Web, now: DateTime<Utc>) -> Option<Vec<PastEntry>> {
    let zone = web.facts().config.place.zone;
    let daybook = web.door.daybook.clone();
    let read = tokio::task::spawn_blocking(move || {
        // What happens within this second belongs to it.
        daybook.past(now - SINCE, now + TimeDelta::seconds(1), &Filter::default())
    });
    let entries = match read.await {
        Ok(Ok(entries)) => entries,
        Ok(Err(because)) => {
            tracing::warn!(because, "the daybook could not be read");
            return None;
        }
        Err(_) => return None,
    };
    Some(entries.iter().rev().take(SHOWN).map(|entry| json::past_entry(&zone, entry)).collect())
}

/// The last part of the page.
pub fn section(status: &Status, entries: Option<Vec<PastEntry>>) -> Markup {
    html! {
        section id="lately" aria-labelledby="h-lately" {
            div id="now-lately" data-new {
                h2 id="h-lately" { "What happened lately" }
                @match &entries {
                    None => { p { "The daybook cannot be read just now; the log says why." } }
                    Some(entries) if entries.is_empty() => { p { "Nothing in the last day." } }
                    Some(entries) => {
                        ul {
                            @for entry in entries { li { (line(status, entry)) } }
                        }
                    }
                }
            }
        }
    }
}

/// "15:42 Jetty lamp on: sunset 15:52 less 10 min lead".
fn line(status: &Status, entry: &PastEntry) -> String {
    let channel = status.channels.iter().find(|channel| channel.name == entry.channel);
    let label = channel.map_or(&entry.channel, |channel| &channel.label);
    let at = words::when(&status.now, &entry.at);
    let wanted = entry.wanted.as_deref().unwrap_or("so");
    let because = &entry.because;
    let late = entry.late_s.map(|late_s| format!(", {} late", seconds(late_s))).unwrap_or_default();
    let of_plug = || match (&entry.plug, channel) {
        (Some(plug), Some(channel)) if channel.plugs.len() > 1 => format!(" (plug {plug})"),
        _ => String::new(),
    };
    let kind = EntryKind::ALL.into_iter().find(|kind| kind.word() == entry.kind);
    match kind {
        Some(EntryKind::Switched) => format!("{at} {label}{} {wanted}: {because}", of_plug()),
        Some(EntryKind::Late) => format!("{at} {label}{} {wanted}{late}: {because}", of_plug()),
        Some(EntryKind::Missed) => format!("{at} {label}{} should have gone {wanted}, missed: {because}", of_plug()),
        Some(EntryKind::Overridden) => format!("{at} {label} would have gone {wanted}, but your word stood: {because}"),
        Some(EntryKind::ByHand) => format!("{at} {label}{} {wanted} by a hand at the plug: {because}", of_plug()),
        Some(EntryKind::HandOver) => format!("{at} {label}{} by the plan again: {because}", of_plug()),
        Some(EntryKind::OverrideSet) => format!("{at} {label} by your word: {because}"),
        Some(EntryKind::OverrideOver) => format!("{at} {label} by the plan again: {because}"),
        None => format!("{at} {label} {}: {because}", entry.kind),
    }
}

fn seconds(late_s: f64) -> String {
    if late_s < 120.0 { format!("{late_s:.0} s") } else { format!("{:.0} min", late_s / 60.0) }
}
