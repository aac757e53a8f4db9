//! What people read in the journal: one line an event, with fields that can be searched for.
//!
//! INFO: a lamp switched. WARN: someone should look. ERROR: the daemon can't do its work. DEBUG: the rest.

mod flaps;
mod held;
mod later;
mod spanless;
mod voice;

use std::fmt;
use std::io::IsTerminal;

use tracing::{Event, Level, Subscriber, debug, info, warn};
use tracing_subscriber::filter::Targets;
use tracing_subscriber::fmt::format::{Format, Full, Writer};
use tracing_subscriber::fmt::{FmtContext, FormatEvent, FormatFields};
use tracing_subscriber::layer::SubscriberExt;
use tracing_subscriber::registry::LookupSpan;
use tracing_subscriber::util::SubscriberInitExt;

use crate::pure::entry::{Entry, EntryKind, Note};
pub use held::{hold, let_go};
pub use voice::Voice;

/// Sends log lines to standard error. On a terminal with time and colour; otherwise plain, and under systemd with the
/// journal's level in front (sd-daemon(3)). `RUST_LOG` chooses what is said (`debug`, or `info,lampward=debug`), else
/// `usual`.
pub fn start(usual: Targets) {
    let asked = std::env::var("RUST_LOG").ok().filter(|asked| !asked.is_empty());
    let filter = asked.as_ref().map(|asked| asked.parse::<Targets>());
    let said = spanless::Spanless.with(match &filter {
        Some(Ok(filter)) => filter.clone(),
        _ => usual,
    });
    let lines = tracing_subscriber::fmt::layer().with_writer(held::Lines).with_target(false);
    if std::io::stderr().is_terminal() {
        said.with(lines).init();
    } else {
        let journal = std::env::var_os("JOURNAL_STREAM").is_some();
        let plain = Format::default().with_target(false).with_ansi(false).without_time();
        said.with(lines.with_ansi(false).event_format(Line { plain, journal })).init();
    }
    if let (Some(asked), Some(Err(because))) = (asked, filter) {
        warn!(%because, "RUST_LOG={asked} is not understood, and the usual is said: write a level, or levels of parts like info,lampward=debug");
    }
}

/// A line without time or colour; the journal adds its own time and reads the level from `<6>`.
struct Line {
    plain: Format<Full, ()>,
    journal: bool,
}

impl<S, N> FormatEvent<S, N> for Line
where
    S: Subscriber + for<'a> LookupSpan<'a>,
    N: for<'a> FormatFields<'a> + 'static,
{
    fn format_event(&self, context: &FmtContext<'_, S, N>, mut writer: Writer<'_>, event: &Event<'_>) -> fmt::Result {
        if self.journal {
            let level = match *event.metadata().level() {
                Level::ERROR => 3,
                Level::WARN => 4,
                Level::INFO => 6,
                _ => 7,
            };
            write!(writer, "<{level}>")?;
        }
        self.plain.format_event(context, writer, event)
    }
}

/// What the daemon says unless `RUST_LOG` asks for something else.
pub fn usual() -> Targets {
    Targets::new().with_default(Level::WARN).with_target("lampward", Level::INFO).with_target("mqtt5", Level::ERROR)
}

/// Words an entry of the daybook. Field names are stable: programs watch for them.
fn entry(entry: &Entry) {
    let channel = entry.channel.as_str();
    let plug = entry.plug.as_deref();
    let wanted = entry.wanted.map(|power| power.word());
    let because = entry.because.as_str();
    let due = entry.due.map(|due| due.to_rfc3339_opts(chrono::SecondsFormat::Secs, true));
    let late_s = entry.late.map(|late| late.num_milliseconds() as f64 / 1000.0);
    match entry.kind {
        EntryKind::Switched => info!(channel, plug, wanted, because, late_s, "switched"),
        EntryKind::Late => info!(channel, plug, wanted, because, due, late_s, "late"),
        EntryKind::Missed if entry.is_lost_time() => debug!(channel, plug, wanted, because, due, "missed"),
        EntryKind::Missed => warn!(channel, plug, wanted, because, due, "missed"),
        EntryKind::Overridden => info!(channel, plug, wanted, because, due, "overridden"),
        EntryKind::ByHand => info!(channel, plug, wanted, because, "by hand"),
        EntryKind::HandOver => info!(channel, plug, wanted, because, "hand over"),
        EntryKind::OverrideSet => info!(channel, plug, wanted, because, "override set"),
        EntryKind::OverrideOver => info!(channel, plug, wanted, because, "override over"),
    }
}

/// Words what only the log says; that a plug is gone or back goes through [`flaps`] before.
fn note(note: &Note) {
    match note {
        Note::Told { channel, plug, wanted, because, again: 0 } => {
            info!(
                channel = channel.as_str(),
                plug = plug.as_str(),
                wanted = wanted.word(),
                because = because.as_str(),
                "told"
            );
        }
        Note::Told { channel, plug, wanted, because, again } => {
            debug!(
                channel = channel.as_str(),
                plug = plug.as_str(),
                wanted = wanted.word(),
                because = because.as_str(),
                again,
                "told again"
            );
        }
        Note::PlugGone { channel, plug } => info!(channel = channel.as_str(), plug = plug.as_str(), "plug gone"),
        Note::PlugBack { channel, plug } => info!(channel = channel.as_str(), plug = plug.as_str(), "plug back"),
        Note::Garbled { channel, plug, payload } => {
            warn!(
                channel = channel.as_str(),
                plug = plug.as_str(),
                payload,
                "report means neither on nor off: compare it with `report` of the plug's kind in the file"
            );
        }
        Note::LostTime { channel, switchings, first, last, because } => {
            let first = first.to_rfc3339_opts(chrono::SecondsFormat::Secs, true);
            let last = last.to_rfc3339_opts(chrono::SecondsFormat::Secs, true);
            warn!(channel = channel.as_str(), switchings, first, last, because = because.as_str(), "missed");
        }
        Note::TryBegun { channel } => info!(channel = channel.as_str(), "try begun: its plugs blink"),
        Note::TryOver { channel, answered, because } => {
            info!(channel = channel.as_str(), answered, because = because.as_deref(), "try over");
        }
        Note::ChannelGone { channel } => {
            info!(channel = channel.as_str(), "channel is no longer in the file: its plugs are left as they are");
        }
    }
}
