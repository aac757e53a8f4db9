//! The eleven sentences of docs/rules.md, "What a lit span means", each by its number. Instants of the Sun are those of
//! `reference.py`, to the second (dusk of 24 November is at 15:45:33.5005 there: 33 and 34 are both right); what the plan
//! adds to them is worked out by hand.

mod living;
mod polar;
mod working;

use crate::house::place;

const TIMES: &str = r#"
    [times]
    bedtime = { "Sun-Thu" = "22:45", "Fri Sat" = "00:30" }
    rising  = { "Mon-Fri" = "06:15", "Sat Sun" = "08:00" }
"#;

fn with_times(rules: &str) -> String {
    format!("{TIMES}{rules}")
}

fn tromso(rules: &str) -> String {
    place("69.65 N, 18.96 E", "Europe/Oslo") + rules
}
