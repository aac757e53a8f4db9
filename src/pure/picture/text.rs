//! The words of the picture: what stands under it, and the whole of it for those who can't see it.

use std::fmt::Write as _;

use super::grid::day_words;
use super::sky::Sky;
use super::tally::{figure, hours_words};
use super::{Panel, Picture, RULES_SHOWN};

/// What the lines are, in their order.
pub(super) const LINE_WORDS: [&str; 4] = [
    "sunset and sunrise",
    "dusk and dawn: Sun 6° down",
    "nautical dusk and dawn: 12°",
    "astronomical dusk and dawn: 18°",
];

impl Panel<'_> {
    /// `3987 h, 27.9 kWh`.
    pub(super) fn total(&self) -> String {
        let year = self.tally.year();
        let mut words = format!("{} h", hours_words(year));
        if let Some(kwh) = self.tally.kwh(year) {
            let _ = write!(words, ", {} kWh", figure(kwh));
        }
        words
    }

    /// The rules as written, a line each; what would be too many is counted.
    pub(super) fn rules(&self) -> Vec<String> {
        let mut lines: Vec<_> = self.channel.lit.iter().take(RULES_SHOWN).map(|rule| rule.to_string()).collect();
        let more = self.channel.lit.len().saturating_sub(RULES_SHOWN);
        if more > 0 {
            lines.push(format!("and {more} more"));
        }
        lines
    }
}

impl Picture<'_> {
    /// Under the last panel, a line each.
    pub(super) fn footer(&self) -> Vec<String> {
        let mut lines =
            vec!["What the rules ask for, as they stand today: overrides and hands are not in it.".to_owned()];
        let measured = self.panels.iter().filter(|panel| panel.tally.watts.is_some());
        if measured.clone().count() > 1 {
            let kwh: f64 = measured.filter_map(|panel| panel.tally.kwh(panel.tally.year())).sum();
            lines.push(format!("Lamps whose watts are known, together: {} kWh.", figure(kwh)));
        }
        lines
    }

    /// Everything that the picture says.
    pub(super) fn in_words(&self) -> String {
        let mut words = format!("{}; clocks of {}.", self.place.position, self.place.zone);
        for change in self.grid.clock_changes() {
            let (date, before, after) = change;
            let _ = write!(words, " Clocks go from UTC{before} to UTC{after} on {}.", day_words(date));
        }
        for sentence in polar(self.sky) {
            let _ = write!(words, " {sentence}");
        }
        for panel in &self.panels {
            let rules: Vec<_> = self.rules_of(panel);
            let _ = write!(
                words,
                " {}: {}. Lit {} in {}; hours by month:",
                panel.channel.label,
                rules.join("; and "),
                panel.total(),
                self.grid.year
            );
            for (place, (start, lit)) in self.grid.month_starts().zip(&panel.tally.months).enumerate() {
                let comma = if place == 0 { "" } else { "," };
                let _ = write!(words, "{comma} {} {}", start.format("%b"), hours_words(*lit));
            }
            words.push('.');
        }
        let _ = write!(words, " {}", self.footer().join(" "));
        words
    }

    fn rules_of(&self, panel: &Panel) -> Vec<String> {
        panel.channel.lit.iter().map(|rule| rule.to_string()).collect()
    }
}

/// "The Sun does not rise from 1 Jan to 15 Jan and from 27 Nov to 31 Dec."
pub(super) fn polar(sky: &Sky) -> Vec<String> {
    let times = [("rise", &sky.stays_down), ("set", &sky.stays_up)];
    let times = times.into_iter().filter(|(_, stretches)| !stretches.is_empty());
    let sentence = |(does_not, stretches): (&str, &Vec<(chrono::NaiveDate, chrono::NaiveDate)>)| {
        let stretches = stretches.iter().map(|(first, last)| match first == last {
            true => format!("on {}", day_words(*first)),
            false => format!("from {} to {}", day_words(*first), day_words(*last)),
        });
        let stretches: Vec<_> = stretches.collect();
        format!("The Sun does not {does_not} {}.", and(&stretches))
    };
    times.map(sentence).collect()
}

/// `a, b and c`.
pub(super) fn and(parts: &[String]) -> String {
    match parts {
        [] => String::new(),
        [one] => one.clone(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

/// No longer than `most` characters.
pub(super) fn shortened(text: &str, most: usize) -> String {
    match text.char_indices().nth(most) {
        Some(_) => text.chars().take(most - 1).chain(['…']).collect(),
        None => text.to_owned(),
    }
}

/// Text made harmless within XML, in text and in attributes. XML 1.0 has no way to write most control characters:
/// they become spaces.
pub(super) fn escape(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            c if c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}') => safe.push(' '),
            c => safe.push(c),
        }
    }
    safe
}
