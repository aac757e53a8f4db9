//! Top and foot of the page: the place, its time and Sun, what a person should look at; who is signed in, and the
//! caution.

use maud::{Markup, html};

use super::Visitor;
use super::said::Words;
use crate::web::json::{FileFault, Status};
use crate::web::words;

/// What stands above the lamps.
pub fn header(status: &Status, visitor: Visitor, said: Option<&Words>) -> Markup {
    let troubles = words::troubles(status);
    let misses = words::misses(status);
    html! {
        p.trouble id="stale" role="status" hidden {}
        header id="house" data-now=(status.now) {
            h1 { (status.place.name) }
            p.today { time datetime=(status.now) { (words::today(status)) } ", clocks of " (zone(status)) }
            p {
                (words::sun_line(status))
                @if let Some(next) = &status.sun.next { ", " (countdown(&status.now, &next.at)) }
                "."
            }
            p { (words::health_line(status)) }
            @if visitor == Visitor::Reader {
                p { "To switch lamps, " a href="/page/sign-in" { "sign in" } "." }
            }
            @if let Some(said) = said { (done(said)) }
            @if !troubles.is_empty() {
                ul.trouble { @for trouble in &troubles { li { (trouble) } } }
            }
            (faults("Faults of the file", &status.file.faults))
            (faults("Odd in the file", &status.file.warnings))
            @if !misses.is_empty() {
                h2 { "Missed in the last day" }
                ul { @for miss in &misses { li { (miss) } } }
            }
        }
    }
}

/// "Europe/Oslo, UTC+01:00"; a fixed offset once.
fn zone(status: &Status) -> String {
    let zone = &status.place.time_zone;
    match status.now.get(19..) {
        Some("Z") => format!("{zone}, UTC"),
        Some(offset) if !zone.contains(offset) => format!("{zone}, UTC{offset}"),
        _ => zone.clone(),
    }
}

/// How far off an instant is. The script counts it down.
pub fn countdown(now: &str, at: &str) -> Markup {
    html! { time.in datetime=(at) { (words::far_off(now, at)) } }
}

/// What the last form did.
pub fn done(said: &Words) -> Markup {
    html! { p.said.undone[!said.done] { (said.text) } }
}

fn faults(title: &str, faults: &[FileFault]) -> Markup {
    html! {
        @if !faults.is_empty() {
            h2 { (title) }
            ul {
                @for fault in faults {
                    li {
                        "line " (fault.line) ", column " (fault.column) ": " (fault.message)
                        @if !fault.source_line.trim().is_empty() { " " code { (fault.source_line.trim()) } }
                    }
                }
            }
        }
    }
}

/// What stands below everything.
pub fn footer(visitor: Visitor) -> Markup {
    html! {
        footer {
            p {
                "A plug that is switched off here still carries mains voltage, and it can come on at any time. Unplug a lamp \
                 before you open it or change its bulb, and leave heaters and machines to a switch that a person stands \
                 beside."
            }
            @if visitor == Visitor::SignedIn {
                form method="post" action="/page/sign-out" { button { "Sign out" } }
            }
        }
    }
}
