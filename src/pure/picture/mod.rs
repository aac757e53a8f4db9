//! A year of lamps as a picture: lit spans and year → SVG.
//!
//! Dates run to the right. Each column is one night, from noon at the top to the next noon at the bottom by the clocks of
//! the house, so that the night lies in the middle and a clock change is a step. Each channel has a panel. Solid ink is a
//! lit lamp, hatching the Sun above the horizon, lines are sunset, dusk and the twilights; colour says nothing, so the
//! picture can be printed, and read by those who see none.
//!
//! `grid` is where instants become places, `ribbon` what makes outlines, `sky` the Sun, `tally` the figures.

mod grid;
mod ribbon;
mod sky;
mod tally;
mod text;

use std::fmt::Write as _;

use chrono::{DateTime, Datelike, NaiveDate, Utc};

use grid::{Grid, day_words};
use ribbon::{COLUMN_TENTHS, HEIGHT_TENTHS};
pub use sky::sun_up;
use sky::{LINES, Sky};
use tally::{Tally, figure, hours_words};
use text::{escape, shortened};

use super::config::{Channel, Config, Place};
use super::plan::LitSpan;
use super::zone::Zone;

/// The years for which the Sun's theory is meant.
pub const YEARS: std::ops::RangeInclusive<i32> = 1900..=2199;

const STYLE: &str = include_str!("picture.css");

const LEFT: i64 = 58;
const RIGHT: i64 = 20;
const LINE: i64 = 16;
const PLOT_HEIGHT: i64 = HEIGHT_TENTHS / 10;
/// Rules of a channel that are shown; more are counted.
const RULES_SHOWN: usize = 3;
/// Characters of italics that fit across.
const RULE_LENGTH: usize = 120;
const LABEL_LENGTH: usize = 48;

/// What the picture is to show.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Wish {
    /// One of [`YEARS`].
    pub year: i32,
    /// The date to mark, where it is in the year.
    pub today: Option<NaiveDate>,
}

/// When one channel is lit in the year.
#[derive(Clone, Debug, PartialEq)]
pub struct Lit {
    /// Its place in the file.
    pub channel: usize,
    /// Disjoint, in order; what lies outside the year is left out.
    pub spans: Vec<LitSpan>,
}

/// Begin and end of a year by the clocks of a zone.
pub fn window(zone: &Zone, year: i32) -> (DateTime<Utc>, DateTime<Utc>) {
    let grid = Grid::new(zone, year);
    (grid.from, grid.until)
}

/// The picture as one SVG document of UTF-8 text, for light, dark and paper; a panel for each of `channels`.
pub fn svg(config: &Config, wish: Wish, channels: &[Lit]) -> String {
    let grid = Grid::new(&config.place.zone, wish.year);
    let sky = Sky::new(&config.place, &grid);
    let panels = channels.iter().map(|lit| {
        let channel = &config.channels[lit.channel];
        let outline = ribbon::outline(&grid.cells(lit.spans.iter().map(|span| (span.from, span.until))));
        Panel { channel, lit: outline, tally: Tally::new(&grid, &lit.spans, channel.watts) }
    });
    let panels = panels.collect();
    let today = wish.today.filter(|date| date.year() == wish.year);
    Picture { place: &config.place, grid: &grid, sky: &sky, today, panels }.write()
}

struct Picture<'a> {
    place: &'a Place,
    grid: &'a Grid,
    sky: &'a Sky,
    today: Option<NaiveDate>,
    panels: Vec<Panel<'a>>,
}

struct Panel<'a> {
    channel: &'a Channel,
    /// Path data.
    lit: String,
    tally: Tally,
}

/// Adds a `text` element.
fn say(svg: &mut String, (x, y): (i64, i64), class: &str, words: &str) {
    let _ = writeln!(svg, "<text x=\"{x}\" y=\"{y}\" class=\"{class}\">{}</text>", escape(words));
}

/// Adds figures side by side, each about the middle of its month.
fn row(svg: &mut String, y: i64, class: &str, figures: impl Iterator<Item = (i64, String)>) {
    let _ = writeln!(svg, "<g class=\"row\" transform=\"translate(0 {y})\">");
    for (x, words) in figures {
        let _ = writeln!(svg, "<text x=\"{x}\" class=\"{class}\">{}</text>", escape(&words));
    }
    svg.push_str("</g>\n");
}

impl Picture<'_> {
    fn write(&self) -> String {
        let mut body = String::with_capacity(64 * 1024);
        let mut y = self.header(&mut body);
        for (index, panel) in self.panels.iter().enumerate() {
            y = self.panel(&mut body, y, index, panel);
        }
        for line in self.footer() {
            say(&mut body, (LEFT, y), "faint", &line);
            y += LINE;
        }
        let (width, height) = (LEFT + self.plot_width() + RIGHT, y + 24 - LINE);
        let mut svg = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width}\" height=\"{height}\" viewBox=\"0 0 {width} {height}\" \
             role=\"img\" aria-labelledby=\"year-title year-desc\">\n<title id=\"year-title\">{}</title>\n\
             <desc id=\"year-desc\">{}</desc>\n<style>\n{STYLE}</style>\n<defs>\n",
            escape(&format!("{}, {}: when lamps are lit", self.place.name, self.grid.year)),
            escape(&self.in_words())
        );
        self.definitions(&mut svg);
        let _ = writeln!(svg, "</defs>\n<rect class=\"paper\" width=\"{width}\" height=\"{height}\"/>");
        svg.push_str(&body);
        svg.push_str("</svg>\n");
        svg
    }

    fn plot_width(&self) -> i64 {
        self.grid.columns() * COLUMN_TENTHS / 10
    }

    fn x_of(&self, date: NaiveDate) -> i64 {
        self.grid.column_of(date) * COLUMN_TENTHS / 10
    }

    /// The middle of each month.
    fn middles(&self) -> impl Iterator<Item = i64> {
        let ends = self.grid.month_starts().skip(1).map(|start| self.x_of(start)).chain([self.plot_width()]);
        self.grid.month_starts().zip(ends).map(|(start, end)| (self.x_of(start) + end) / 2)
    }

    /// What all panels share: drawn once here, referred to by each.
    fn definitions(&self, svg: &mut String) {
        let (width, height) = (self.plot_width(), PLOT_HEIGHT);
        let _ = writeln!(
            svg,
            "<pattern id=\"year-hatch\" width=\"5\" height=\"5\" patternUnits=\"userSpaceOnUse\" \
             patternTransform=\"rotate(45)\"><path class=\"hatch\" d=\"M2.5 0V5\"/></pattern>"
        );
        let up = ribbon::outline(&self.grid.cells(self.sky.up.iter().copied()));
        let _ = writeln!(svg, "<path id=\"year-day\" d=\"{up}\"/>\n<g id=\"year-sky\">");
        for ((class, _), path) in LINES.iter().zip(&self.sky.lines).filter(|(_, path)| !path.is_empty()) {
            let _ = writeln!(svg, "<path class=\"{class}\" d=\"{path}\"/>");
        }
        svg.push_str("</g>\n<path id=\"year-rules\" d=\"");
        for start in self.grid.month_starts().skip(1) {
            let _ = write!(svg, "M{} 0v{height}", self.x_of(start));
        }
        for quarter in 1..4 {
            let _ = write!(svg, "M0 {}h{width}", height * quarter / 4);
        }
        svg.push_str("\"/>\n<g id=\"year-axis\">\n");
        let _ = writeln!(svg, "<path class=\"frame\" d=\"M0 0h{width}v{height}h-{width}z\"/>");
        for (quarter, clock) in ["12:00", "18:00", "00:00", "06:00", "12:00"].into_iter().enumerate() {
            say(svg, (-8, height * quarter as i64 / 4 + 4), "axis end figure", clock);
        }
        for (x, start) in self.middles().zip(self.grid.month_starts()) {
            say(svg, (x, height + LINE), "axis middle month", &start.format("%b").to_string());
        }
        for (date, ..) in self.grid.clock_changes() {
            // The change comes in the small hours, in the column of the night before.
            let x = self.x_of(date) - COLUMN_TENTHS / 20;
            let _ = writeln!(svg, "<path class=\"frame\" d=\"M{x} -2l-4 -7h8z\"/>");
        }
        svg.push_str("</g>\n");
        for (index, panel) in self.panels.iter().enumerate().filter(|(_, panel)| !panel.lit.is_empty()) {
            let _ = writeln!(
                svg,
                "<path id=\"year-lit-{index}\" d=\"{}\"/><clipPath id=\"year-within-{index}\"><use \
                 href=\"#year-lit-{index}\"/></clipPath>",
                panel.lit
            );
        }
    }

    /// Title and legend; gives where the panels begin.
    fn header(&self, svg: &mut String) -> i64 {
        let place = self.place;
        say(svg, (LEFT, 40), "title", &format!("{}, {}", shortened(&place.name, LABEL_LENGTH), self.grid.year));
        say(
            svg,
            (LEFT, 62),
            "faint",
            &format!(
                "{}; clocks of {}. Dates run to the right; each column is one night, from noon to noon.",
                place.position, place.zone
            ),
        );
        let columns = [LEFT, LEFT + 225, LEFT + 475];
        let block = |svg: &mut String, x: i64, y: i64, class: &str| {
            let _ = writeln!(svg, "<rect class=\"{class}\" x=\"{x}\" y=\"{}\" width=\"30\" height=\"11\"/>", y - 9);
        };
        let line = |svg: &mut String, x: i64, y: i64, class: &str| {
            let _ = writeln!(svg, "<g class=\"under\"><path class=\"{class}\" d=\"M{x} {}h30\"/></g>", y - 4);
        };
        let mut y = 90;
        block(svg, columns[0], y, "lit");
        say(svg, (columns[0] + 38, y), "legend", "the lamp is lit");
        block(svg, columns[1], y, "day");
        block(svg, columns[1], y, "frame");
        say(svg, (columns[1] + 38, y), "legend", "the Sun is up");
        let changes: Vec<_> = self.grid.clock_changes().map(|(date, ..)| day_words(date)).collect();
        if !changes.is_empty() {
            let _ = writeln!(svg, "<path class=\"frame\" d=\"M{} {}l-4 -7h8z\"/>", columns[2] + 15, y - 1);
            say(svg, (columns[2] + 38, y), "legend", &format!("clocks change: {}", text::and(&changes)));
        }
        y += LINE + 2;
        for (place, (class, words)) in LINES.iter().map(|(class, _)| *class).zip(text::LINE_WORDS).enumerate() {
            let (x, y) = (columns[place % 2], y + (LINE + 2) * (place as i64 / 2));
            line(svg, x, y, class);
            say(svg, (x + 38, y), "legend", words);
        }
        if let Some(today) = self.today {
            let x = columns[2] + 15;
            let _ = writeln!(
                svg,
                "<path class=\"lit\" d=\"M{x} {}l-5 -7h10z\"/><path class=\"today\" d=\"M{x} {}v7\"/>",
                y - 4,
                y - 5
            );
            say(svg, (columns[2] + 38, y), "legend", &format!("today, {}", day_words(today)));
        }
        y += LINE + 2;
        for (place, words) in text::polar(self.sky).into_iter().enumerate() {
            y += if place == 0 { LINE + 8 } else { LINE };
            say(svg, (LEFT, y), "legend", &words);
        }
        y + 34
    }

    /// One channel below the other; gives where the next begins.
    fn panel(&self, svg: &mut String, top: i64, index: usize, panel: &Panel) -> i64 {
        let (channel, tally, width) = (panel.channel, &panel.tally, self.plot_width());
        let _ = writeln!(svg, "<g id=\"year-channel-{}\">", escape(&channel.name));
        let mut y = top;
        say(svg, (LEFT, y), "label", &shortened(&channel.label, LABEL_LENGTH));
        say(svg, (LEFT + width, y), "label end total", &panel.total());
        y += 4;
        let rules = panel.rules();
        for rule in &rules {
            y += LINE - 1;
            say(svg, (LEFT, y), "rule", &shortened(rule, RULE_LENGTH));
        }
        y += 18;
        let _ = writeln!(svg, "<g transform=\"translate({LEFT} {y})\">");
        svg.push_str("<use href=\"#year-rules\" class=\"rules\"/><use href=\"#year-day\" class=\"day\"/>\n");
        svg.push_str("<use href=\"#year-sky\" class=\"under\"/>\n");
        if !panel.lit.is_empty() {
            let _ = writeln!(
                svg,
                "<use href=\"#year-lit-{index}\" class=\"lit\"/>\n<g clip-path=\"url(#year-within-{index})\"><use \
                 href=\"#year-sky\" class=\"over\"/></g>"
            );
        }
        if let Some(today) = self.today {
            let x = self.x_of(today) + COLUMN_TENTHS / 20;
            let _ = writeln!(
                svg,
                "<path class=\"halo\" d=\"M{x} 0V{PLOT_HEIGHT}\"/><path class=\"today\" d=\"M{x} -2V{PLOT_HEIGHT}\"/><path \
                 class=\"lit\" d=\"M{x} -1l-5 -8h10z\"/>"
            );
        }
        svg.push_str("<use href=\"#year-axis\"/>\n</g>\n");
        y += PLOT_HEIGHT + LINE;
        let middles: Vec<_> = self.middles().map(|x| LEFT + x).collect();
        y += LINE;
        say(svg, (LEFT - 8, y), "axis end", "hours");
        row(svg, y, "hours", middles.iter().copied().zip(tally.months.iter().map(|lit| hours_words(*lit))));
        if tally.watts.is_some() {
            y += LINE;
            say(svg, (LEFT - 8, y), "axis end", "kWh");
            let kwh = tally.months.iter().map(|lit| tally.kwh(*lit).map(figure).unwrap_or_default());
            row(svg, y, "kwh", middles.iter().copied().zip(kwh));
        }
        svg.push_str("</g>\n");
        y + 46
    }
}
