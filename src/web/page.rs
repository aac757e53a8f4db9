//! The page at `/`: every lamp in words, made on the server, without a script.

use std::fmt::Write as _;

use axum::extract::State;
use axum::http::header::{CACHE_CONTROL, CONTENT_TYPE};
use axum::response::{Html, IntoResponse};
use chrono::{DateTime, Datelike, Utc};

use super::Web;
use super::almanac::Sky;
use super::door::Facts;
use super::problem::Problem;
use crate::pure::config::Fault;
use crate::pure::keeper::{ChannelView, Delivery, PlugView};
use crate::pure::local_time::local_of;
use crate::pure::power::Power;
use crate::pure::zone::Zone;

const STYLE: &str = include_str!("page.css");

/// `GET /page.css`.
pub async fn style() -> impl IntoResponse {
    ([(CONTENT_TYPE, "text/css; charset=utf-8"), (CACHE_CONTROL, "max-age=3600")], STYLE)
}

/// `GET /`.
pub async fn page(State(web): State<Web>) -> Result<Html<String>, Problem> {
    let facts = web.facts();
    let now = web.now();
    let sky = web.almanac.sky(&facts.config, now).await?;
    Ok(Html(render(&facts, &sky, now)))
}

/// The page at an instant.
fn render(facts: &Facts, sky: &Sky, now: DateTime<Utc>) -> String {
    let zone = &facts.config.place.zone;
    let place = escape(&facts.config.place.name);
    let mut html = String::with_capacity(8 * 1024);
    let _ = write!(
        html,
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<title>{place}: lamps</title>\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <link rel=\"stylesheet\" href=\"/page.css\">\n</head>\n<body>\n<header>\n<h1>{place}</h1>\n"
    );
    let _ = writeln!(html, "<p>{}.</p>", escape(&house_line(facts, sky, now)));
    write_troubles(&mut html, facts, now);
    html.push_str("</header>\n<main>\n");
    for view in &facts.snapshot.channels {
        write_channel(&mut html, zone, now, view);
    }
    html.push_str("</main>\n");
    write_foot(&mut html, facts, now);
    html.push_str("</body>\n</html>\n");
    html
}

/// "Tuesday 24 November, 16:03 (Europe/Oslo). The Sun stands 4.1° below the horizon; dusk is at 16:38".
fn house_line(facts: &Facts, sky: &Sky, now: DateTime<Utc>) -> String {
    let place = &facts.config.place;
    let local = local_of(&place.zone, now);
    let side = if sky.altitude_deg < 0.0 { "below" } else { "above" };
    let mut line = format!(
        "{}. The Sun stands {:.1}° {side} the horizon",
        local.format("%A %-d %B, %H:%M"),
        sky.altitude_deg.abs(),
    );
    if let Some((mark, at)) = sky.next {
        let _ = write!(line, "; {mark} is at {}", when(&place.zone, now, at));
    }
    line
}

fn write_troubles(html: &mut String, facts: &Facts, now: DateTime<Utc>) {
    let zone = &facts.config.place.zone;
    let mut troubles = Vec::new();
    if !facts.snapshot.trusted {
        troubles.push(format!(
            "The clock is not trusted ({}). No planned switching is made until it is.",
            facts.clock_because
        ));
    }
    if !facts.snapshot.link_up {
        let because = facts.link_because.as_deref().map(|because| format!(": {because}")).unwrap_or_default();
        let since = when(zone, now, facts.link_since);
        troubles.push(format!("The broker has been out of reach since {since}{because}. No lamp can be switched."));
    }
    if !facts.file.faults.is_empty() {
        let read_at = when(zone, now, facts.file.read_at);
        troubles.push(format!("The file has faults; the one read {read_at} stays in force."));
    }
    troubles.extend(facts.notices.iter().map(|notice| format!("{}.", notice.trim_end_matches('.'))));
    if !troubles.is_empty() {
        html.push_str("<ul class=\"trouble\" role=\"status\">\n");
        for trouble in troubles {
            let _ = writeln!(html, "<li>{}</li>", escape(&trouble));
        }
        html.push_str("</ul>\n");
    }
    write_faults(html, "Faults of the file", &facts.file.faults);
    write_faults(html, "Odd in the file", &facts.file.warnings);
    if !facts.snapshot.missed.is_empty() {
        html.push_str("<h2>Missed in the last day</h2>\n<ul class=\"missed\">\n");
        for miss in &facts.snapshot.missed {
            let at = when(zone, now, miss.at);
            let line = format!("{at}: {} should have gone {}; {}", miss.channel, miss.wanted, miss.because);
            let _ = writeln!(html, "<li>{}</li>", escape(&line));
        }
        html.push_str("</ul>\n");
    }
}

fn write_faults(html: &mut String, title: &str, faults: &[Fault]) {
    if faults.is_empty() {
        return;
    }
    let _ = write!(html, "<h2>{title}</h2>\n<ul class=\"faults\">\n");
    for fault in faults {
        let line = format!("line {}, column {}: {}", fault.line, fault.column, fault.message);
        let _ = writeln!(html, "<li>{} <code>{}</code></li>", escape(&line), escape(fault.source_line.trim()));
    }
    html.push_str("</ul>\n");
}

fn write_channel(html: &mut String, zone: &Zone, now: DateTime<Utc>, view: &ChannelView) {
    let state = state_word(&view.plugs);
    let mark = match state {
        "on" => "lit",
        "off" => "dark",
        _ => "unsure",
    };
    let _ = write!(
        html,
        "<section class=\"{mark}\" id=\"{0}\">\n<h2>{1}</h2>\n<p class=\"state\">{state}</p>\n",
        escape(&view.name),
        escape(&view.label)
    );
    let mut lines = Vec::new();
    match view.wanted {
        Some(wanted) => lines.push(format!("Wanted {wanted}: {}.", view.because)),
        None => lines.push(format!("Left as it is: {}.", view.because)),
    }
    if let Some(standing) = &view.overridden {
        lines.push(format!("Your word stands: {}.", standing.because));
    }
    for plug in &view.plugs {
        lines.push(plug_line(zone, now, view, plug));
    }
    match &view.next {
        Some(next) => lines.push(format!("Next: {} {}, {}.", next.wanted, when(zone, now, next.at), next.because)),
        None => lines.push("Next: nothing within 400 days.".into()),
    }
    for line in lines {
        let _ = writeln!(html, "<p>{}</p>", escape(&line));
    }
    html.push_str("</section>\n");
}

/// What the plugs say, taken together.
fn state_word(plugs: &[PlugView]) -> &'static str {
    let all = |said: Option<Power>| plugs.iter().all(|plug| plug.said == said);
    if all(Some(Power::On)) {
        "on"
    } else if all(Some(Power::Off)) {
        "off"
    } else if plugs.iter().any(|plug| plug.said.is_none()) {
        "not known"
    } else {
        "partly on"
    }
}

fn plug_line(zone: &Zone, now: DateTime<Utc>, view: &ChannelView, plug: &PlugView) -> String {
    let since = when(zone, now, plug.since);
    let name = &plug.plug;
    let wanted = view.wanted.map_or("so", Power::word);
    let mut line = match plug.delivery {
        Delivery::Untold => format!("Plug {name} has been told nothing yet"),
        Delivery::Unanswered => format!("Plug {name} has been told, and has not answered since {since}"),
        Delivery::Confirmed => format!("Plug {name} confirmed it {since}"),
        Delivery::Accepted => format!("The broker took it for plug {name} {since}; the plug says nothing new"),
        Delivery::Missed => format!("Plug {name} should be {wanted} and has not said so since {since}"),
    };
    if let Some(hand) = &plug.hand {
        let until = when(zone, now, hand.until);
        let _ = write!(line, "; somebody switched it {} at the plug, and that holds until {until}", hand.wanted);
    }
    line.push('.');
    line
}

fn write_foot(html: &mut String, facts: &Facts, now: DateTime<Utc>) {
    let zone = &facts.config.place.zone;
    let clock = if facts.snapshot.trusted { "trusted" } else { "not trusted" };
    let link = if facts.snapshot.link_up { "up" } else { "down" };
    let health = format!(
        "Clock {clock}: {}. Broker {link} since {}. File read {}.",
        facts.clock_because,
        when(zone, now, facts.link_since),
        when(zone, now, facts.file.read_at)
    );
    let _ = write!(
        html,
        "<footer>\n<p>{}</p>\n<p>A plug that is switched off here still carries mains voltage, and it can come on at \
         any time. Unplug a lamp before you open it or change its bulb, and leave heaters and machines to a switch \
         that a person stands beside.</p>\n</footer>\n",
        escape(&health)
    );
}

/// An instant as a person says it: 15:54, tomorrow 08:59, Mon 06:15, 4 Jan 2027 08:59.
fn when(zone: &Zone, now: DateTime<Utc>, at: DateTime<Utc>) -> String {
    let (today, local) = (local_of(zone, now), local_of(zone, at));
    let days = (local.date_naive() - today.date_naive()).num_days();
    match days {
        0 => local.format("%H:%M").to_string(),
        1 => local.format("tomorrow %H:%M").to_string(),
        -1 => local.format("yesterday %H:%M").to_string(),
        -6..=6 => local.format("%a %H:%M").to_string(),
        _ if local.year() == today.year() => local.format("%-d %b %H:%M").to_string(),
        _ => local.format("%-d %b %Y %H:%M").to_string(),
    }
}

/// Text made harmless within HTML, in text and in attributes.
fn escape(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            c => safe.push(c),
        }
    }
    safe
}
