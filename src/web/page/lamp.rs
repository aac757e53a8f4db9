//! One lamp on the page: how it stands, why, what is next, and what can be asked of it.

use maud::{Markup, html};

use super::said::Words;
use super::top::{countdown, done};
use crate::pure::config::Config;
use crate::web::almanac::Choice;
use crate::web::json::{ChannelNow, Status};
use crate::web::words;

/// The times that are offered; any other is typed as `until`.
const TIMES: [&str; 6] = ["15 min", "30 min", "1 h", "2 h", "4 h", "8 h"];

/// Moments that the page proposes, after the names of the file.
const MOMENTS: [&str; 4] = ["sunset", "dusk", "dawn", "sunrise"];

/// A lamp. Without `choice` it only tells.
pub fn section(status: &Status, channel: &ChannelNow, choice: Option<&Choice>, said: Option<&Words>) -> Markup {
    let (name, state) = (&channel.name, words::state(&channel.plugs));
    let mark = match state {
        "on" => "lit",
        "off" => "dark",
        _ => "unsure",
    };
    html! {
        section.lamp.(mark) id={ "lamp-" (name) } aria-labelledby={ "h-" (name) } {
            div id={ "now-" (name) } data-new {
                h2 id={ "h-" (name) } { (channel.label) }
                p.state { (state) }
                @if let Some(said) = said { (done(said)) }
                p {
                    @match &channel.overridden {
                        Some(standing) => { "Your word stands: " (standing.because) "." }
                        None => { (words::reason(channel)) }
                    }
                }
                @for plug in &channel.plugs { p { (words::plug(&status.now, channel, plug)) } }
                (next(status, channel))
                @if let Some(choice) = choice { (evening(channel, choice)) }
            }
            @if choice.is_some() { (otherwise(name)) }
        }
    }
}

fn next(status: &Status, channel: &ChannelNow) -> Markup {
    html! {
        p {
            @match &channel.next {
                Some(next) => {
                    "Next: " (words::switching(status, next)) ", " (countdown(&status.now, &next.at)) "."
                }
                None => { "Next: " (words::no_next(status)) "." }
            }
        }
    }
}

/// For the evening, and back to the plan.
fn evening(channel: &ChannelNow, choice: &Choice) -> Markup {
    let held = channel.overridden.is_some() || channel.plugs.iter().any(|plug| plug.hand.is_some());
    html! {
        form method="post" action="/page/override" {
            input type="hidden" name="channel" value=(channel.name);
            button.on name="wanted" value="on" { (capital(&choice.on)) }
            button name="wanted" value="off" { (capital(&choice.off)) }
            @if held {
                button formaction="/page/cancel" { "Cancel: back to the plan, " (choice.plan) " now" }
            }
        }
    }
}

/// Until another time: each way in a form of its own.
fn otherwise(name: &str) -> Markup {
    let form = |fields: Markup, on: &str, off: &str| {
        html! {
            form method="post" action="/page/override" {
                input type="hidden" name="channel" value=(name);
                (fields)
                button.on name="wanted" value="on" { (on) }
                button name="wanted" value="off" { (off) }
            }
        }
    };
    let times = html! {
        label { "For " select name="until" { @for time in TIMES { option selected[time == "1 h"] { (time) } } } }
    };
    let moment = html! {
        label {
            "Until (23:30, or a moment such as sunrise) "
            input name="until" list="moments" required autocomplete="off" autocapitalize="none" spellcheck="false";
        }
    };
    let cancelled = html! { input type="hidden" name="until" value="cancelled"; };
    html! {
        details {
            summary { "For a time, until a moment, until cancelled; blink it" }
            (form(times, "On for that long", "Off for that long"))
            (form(moment, "On until then", "Off until then"))
            (form(cancelled, "On until I cancel it", "Off until I cancel it"))
            form method="post" action="/page/try" {
                input type="hidden" name="channel" value=(name);
                button { "Blink it for some seconds, to see which it is" }
            }
        }
    }
}

/// All lamps together.
pub fn everything(status: &Status) -> Markup {
    let any = status.channels.iter().any(|channel| channel.overridden.is_some());
    html! {
        section id="all" aria-labelledby="h-all" {
            div id="now-all" data-new {
                h2 id="h-all" { "All lamps" }
                p { "Each for its own evening: until the time that its buttons above say." }
                form method="post" action="/page/override" {
                    button.on name="wanted" value="on" { "Everything on for the evening" }
                    button name="wanted" value="off" { "Everything off for the evening" }
                    @if any { button formaction="/page/cancel" { "Cancel all: back to the plan" } }
                }
            }
        }
    }
}

/// What the fields for a moment propose.
pub fn moments(config: &Config) -> Markup {
    html! {
        datalist id="moments" {
            @for time in &config.times { option { (time.name) } }
            @for moment in MOMENTS { option { (moment) } }
        }
    }
}

/// A sentence begins with a capital.
fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |first| first.to_uppercase().chain(chars).collect())
}
