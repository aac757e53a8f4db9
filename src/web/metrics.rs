//! `GET /metrics`, in OpenMetrics 1.0 text.

use std::fmt::Write as _;

use axum::extract::State;
use axum::http::header::CONTENT_TYPE;
use axum::response::IntoResponse;

use super::Web;
use super::door::Facts;
use crate::daybook::{BOUNDS_S, Tally};
use crate::pure::entry::EntryKind;
use crate::pure::keeper::Delivery;
use crate::pure::power::Power;

const KIND: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

/// `GET /metrics`.
pub async fn metrics(State(web): State<Web>) -> impl IntoResponse {
    let text = render(&web.facts(), &web.door.daybook.tally());
    ([(CONTENT_TYPE, KIND)], text)
}

struct Page(String);

impl Page {
    /// Opens a family of samples.
    fn family(&mut self, name: &str, kind: &str, help: &str) {
        let _ = write!(self.0, "# TYPE {name} {kind}\n# HELP {name} {help}.\n");
    }

    fn sample(&mut self, name: &str, labels: &[(&str, &str)], value: impl std::fmt::Display) {
        self.0.push_str(name);
        for (index, (label, text)) in labels.iter().enumerate() {
            let _ = write!(self.0, "{}{label}=\"{}\"", if index == 0 { '{' } else { ',' }, escape(text));
        }
        if !labels.is_empty() {
            self.0.push('}');
        }
        let _ = writeln!(self.0, " {value}");
    }
}

fn render(facts: &Facts, tally: &Tally) -> String {
    let mut page = Page(String::with_capacity(4 * 1024));
    let snapshot = &facts.snapshot;
    page.family("lampward_build", "info", "The running version");
    let version = env!("CARGO_PKG_VERSION");
    page.sample("lampward_build_info", &[("version", version), ("zone_rules", crate::pure::local_time::ZONE_RULES)], 1);
    page.family("lampward_clock_trusted", "gauge", "1 while the plan can go by the clock");
    page.sample("lampward_clock_trusted", &[], u8::from(snapshot.trusted));
    page.family("lampward_broker_up", "gauge", "1 while the link to the broker is up");
    page.sample("lampward_broker_up", &[], u8::from(snapshot.link_up));
    page.family("lampward_file_faults", "gauge", "Faults of a newer file that could not be used");
    page.sample("lampward_file_faults", &[], facts.file.faults.len());
    page.family("lampward_plugs", "gauge", "Plugs by how far the last command to them has got");
    for delivery in [Delivery::Untold, Delivery::Unanswered, Delivery::Confirmed, Delivery::Accepted, Delivery::Missed]
    {
        let plugs = snapshot.channels.iter().flat_map(|view| &view.plugs);
        let count = plugs.filter(|plug| plug.delivery == delivery).count();
        page.sample("lampward_plugs", &[("delivery", delivery.word())], count);
    }
    page.family("lampward_wanted_on", "gauge", "1 for a channel that is to be on, 0 for off; none while it is left");
    for (channel, view) in facts.channels() {
        if let Some(wanted) = view.wanted {
            page.sample("lampward_wanted_on", &[("channel", &channel.name)], u8::from(wanted == Power::On));
        }
    }
    page.family("lampward_said_on", "gauge", "1 for a plug that said on, 0 for off; none while it is unknown");
    for (channel, view) in facts.channels() {
        for (name, plug) in channel.plugs.iter().zip(&view.plugs) {
            if let Some(said) = plug.said {
                let labels = [("channel", channel.name.as_str()), ("plug", name.as_str())];
                page.sample("lampward_said_on", &labels, u8::from(said == Power::On));
            }
        }
    }
    page.family("lampward_overrides", "gauge", "Overrides that stand");
    let standing = snapshot.channels.iter().filter(|view| view.overridden.is_some()).count();
    page.sample("lampward_overrides", &[], standing);
    page.family("lampward_switchings", "counter", "Switchings of plugs by what came of them, since the start");
    for kind in [EntryKind::Switched, EntryKind::Late, EntryKind::Missed, EntryKind::Overridden] {
        page.sample("lampward_switchings_total", &[("result", kind.word())], tally.of(kind));
    }
    page.family("lampward_commands_taken", "counter", "Commands that the broker has taken, since the start");
    page.sample("lampward_commands_taken_total", &[], facts.taken.commands);
    if let Some(last) = facts.taken.last {
        let name = "lampward_last_command_taken_timestamp_seconds";
        page.family(name, "gauge", "When the broker last took a command");
        page.sample(name, &[], format_args!("{}.{:06}", last.timestamp(), last.timestamp_subsec_micros()));
    }
    page.family("lampward_hands", "counter", "Plugs switched by hand, since the start");
    page.sample("lampward_hands_total", &[], tally.of(EntryKind::ByHand));
    page.family("lampward_overrides_set", "counter", "Overrides set, since the start");
    page.sample("lampward_overrides_set_total", &[], tally.of(EntryKind::OverrideSet));
    page.family("lampward_lateness_seconds", "histogram", "From the instant of a switching to its confirmation");
    let mut below = 0;
    for (bound, count) in BOUNDS_S.iter().zip(tally.late) {
        below += count;
        page.sample("lampward_lateness_seconds_bucket", &[("le", &format!("{bound:.1}"))], below);
    }
    below += tally.late[BOUNDS_S.len()];
    page.sample("lampward_lateness_seconds_bucket", &[("le", "+Inf")], below);
    page.sample("lampward_lateness_seconds_count", &[], below);
    page.sample("lampward_lateness_seconds_sum", &[], tally.late_sum_s);
    page.family(
        "lampward_daybook_lost",
        "counter",
        "Entries that could not be written to the daybook, since the start",
    );
    page.sample("lampward_daybook_lost_total", &[], tally.lost);
    page.0.push_str("# EOF\n");
    page.0
}

/// As OpenMetrics asks for within quotes.
fn escape(text: &str) -> String {
    text.replace('\\', "\\\\").replace('"', "\\\"").replace('\n', "\\n")
}
