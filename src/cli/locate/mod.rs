//! `lampward locate`: where the house stands, from a receiver of satellites' signals or from a map.

mod around;
mod line;
mod listen;
mod source;

use std::fmt::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::Duration;

use chrono::TimeDelta;
use clap::{Args, ValueEnum};
use serde_json::{Value, json};

pub use self::around::Around;
pub use self::listen::{Found, listen};
pub use self::source::{BAUD, GPSD, Source};
use super::columns::columns;
use super::file::{self, FileOption};
use super::{Failure, print, rewrite};
use crate::clock;
use crate::pure::config::{
    Checked, DOUBTFUL, IMPLAUSIBLE, Position, ahead_of_sun_s, duration_words, parse_duration, parse_position,
    parse_zone, read,
};
use crate::pure::edit;
use crate::pure::locate::clock::gap_words;
use crate::pure::locate::zones::{NearZone, within};
use crate::pure::zone::ZoneRules;

/// `lampward locate`
#[derive(Args, Debug)]
pub struct Locate {
    /// Which file --write writes into.
    #[command(flatten)]
    pub file: FileOption,
    /// Ask the gpsd that listens there.
    #[arg(long, value_name = "HOST:PORT", default_value = GPSD, conflicts_with_all = ["serial", "from_text"])]
    pub gpsd: String,
    /// Read a receiver on a serial line that speaks NMEA 0183, such as /dev/ttyUSB0.
    #[arg(long, value_name = "DEVICE", conflicts_with = "from_text")]
    pub serial: Option<PathBuf>,
    /// Speed of the serial line, in bits a second.
    #[arg(long, value_name = "N", default_value_t = BAUD, requires = "serial")]
    pub baud: u32,
    /// No receiver: a position from a map, such as "59.7412 N, 5.2097 E" or "59 44.47 N, 5 12.58 E".
    #[arg(long, value_name = "POSITION", value_parser = from_text)]
    pub from_text: Option<Position>,
    /// How long a good position is waited for, up to 1 h.
    #[arg(long, value_name = "DURATION", default_value = "2 min", value_parser = wait)]
    pub wait: Duration,
    /// Write the position into the file; the old file is kept beside it under a dated name.
    #[arg(long)]
    pub write: bool,
    /// Write this time zone too, such as Europe/Oslo or +01:00.
    #[arg(long, value_name = "ZONE", value_parser = zone_rules, requires = "write", allow_hyphen_values = true)]
    pub time_zone: Option<ZoneRules>,
    /// How the answer is printed.
    #[arg(long, value_enum, default_value = "table")]
    pub format: LocateFormat,
}

/// How the answer is printed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum LocateFormat {
    /// For people.
    Table,
    /// For programs: JSON.
    Json,
}

/// Finds the position, says what there is to know of it, and writes it on request.
///
/// # Errors
/// No position; or it does not go with the file.
pub fn run(locate: &Locate) -> Result<ExitCode, Failure> {
    // What stands in the way of writing is said before anyone waits for satellites.
    let target = locate.write.then(|| Target::open(locate.file.path()?)).transpose()?;
    let mut answer = match locate.from_text {
        Some(position) => Answer::new(position, None),
        None => {
            let found = listen(&locate.source(), locate.wait).map_err(Failure::Other)?;
            Answer::new(found.settled.position, Some(found))
        }
    };
    let refused = match target {
        None => None,
        Some(target) => match target.write(&answer, locate.time_zone) {
            Ok(written) => {
                answer.written = Some(written);
                None
            }
            Err(refused) => Some(refused),
        },
    };
    let code = match locate.format {
        LocateFormat::Table => print(&answer.said())?,
        LocateFormat::Json => print(&format!("{:#}\n", answer.json()))?,
    };
    refused.map_or(Ok(code), Err)
}

impl Locate {
    fn source(&self) -> Source {
        match &self.serial {
            Some(device) => Source::Serial { device: device.clone(), baud: self.baud },
            None => Source::Gpsd(self.gpsd.clone()),
        }
    }
}

fn from_text(text: &str) -> Result<Position, String> {
    parse_position(text).map_err(|fault| fault.to_string())
}

fn zone_rules(text: &str) -> Result<ZoneRules, String> {
    parse_zone(text).map_err(|fault| fault.to_string())
}

fn wait(text: &str) -> Result<Duration, String> {
    let wait = parse_duration(text).map_err(|fault| fault.to_string())?;
    let fits = wait > TimeDelta::zero() && wait <= TimeDelta::hours(1);
    let wait = wait.to_std().ok().filter(|_| fits);
    wait.ok_or_else(|| format!("`{text}` is no time to wait; expected 1 s to 1 h"))
}

/// Everything that there is to say of a position.
struct Answer {
    position: Position,
    found: Option<Found>,
    around: Around,
    written: Option<Written>,
}

/// What was written.
struct Written {
    file: PathBuf,
    kept: Option<PathBuf>,
    zone: ZoneRules,
    warnings: Vec<String>,
}

impl Answer {
    fn new(position: Position, found: Option<Found>) -> Answer {
        Answer { position, found, around: Around::of(position), written: None }
    }

    fn said(&self) -> String {
        let mut text = format!("position  {}\n", self.position);
        let mut line = |line: String| writeln!(text, "{line}").unwrap_or(());
        if let Some(Found { settled, .. }) = &self.found {
            line(format!(
                "          the median of {} fixes, none further off than {:.0} m",
                settled.fixes, settled.spread_m
            ));
        }
        line(String::new());
        line(self.zones_said().trim_end().to_owned());
        if let Some(gap) = self.found.and_then(|found| found.gap) {
            line(format!("\n{}", gap_words(gap)));
            line("(told for you to judge: lampward itself goes by what the kernel says of the clock)".to_owned());
        }
        if let Some(written) = &self.written {
            let (file, place) =
                (written.file.display(), format!("position {}, time zone {}", self.position, written.zone));
            match &written.kept {
                Some(kept) => line(format!("\n{file}: {place}\n{}: as it was before", kept.display())),
                None => line(format!("\n{file}: unchanged, it says so already: {place}")),
            }
            for warning in &written.warnings {
                line(format!("warning: {warning}"));
            }
        }
        text
    }

    fn zones_said(&self) -> String {
        let rows = zone_rows(&self.around);
        let mut text = match rows.is_empty() {
            true => "no time zone suits the Sun there\n".to_owned(),
            false => format!("time zones that suit the Sun there, the nearest town first:\n{}", columns(&rows)),
        };
        if let Some(own) = self.around.own
            && self.around.zones.iter().all(|zone| zone.rules != own)
        {
            let apart = apart_words(own, self.position);
            let _ =
                writeln!(text, "{own}, this machine's own, is {apart} from the Sun's time there: look which is yours");
        }
        text
    }

    fn json(&self) -> Value {
        let zone = |zone: &NearZone| {
            json!({
                "time_zone": zone.rules.to_string(),
                "standard": zone.standard.to_string(),
                "ahead_of_sun_min": (zone.ahead.as_seconds_f64() / 60.0).round(),
                "town_km": zone.town_km.map(f64::round),
                "machines_own": self.around.own == Some(zone.rules),
            })
        };
        let gap = self.found.and_then(|found| found.gap);
        let written = self.written.as_ref().map(|written| {
            json!({
                "file": written.file.display().to_string(),
                "kept": written.kept.as_ref().map(|kept| kept.display().to_string()),
                "time_zone": written.zone.to_string(),
                "warnings": written.warnings,
            })
        });
        json!({
            "position": self.position.to_string(),
            "latitude_deg": self.position.latitude_deg,
            "longitude_deg": self.position.longitude_deg,
            "fixes": self.found.map(|found| found.settled.fixes),
            "spread_m": self.found.map(|found| (found.settled.spread_m * 10.0).round() / 10.0),
            "time_zones": self.around.zones.iter().map(zone).collect::<Vec<_>>(),
            "clock": gap.map(|gap| json!({
                "ahead_s": gap.num_milliseconds() as f64 / 1000.0, "said": gap_words(gap),
            })),
            "written": written,
        })
    }
}

/// The zones as rows for people: name, standard time, distance of the town, the Sun, and whose it is.
pub fn zone_rows(around: &Around) -> Vec<Vec<String>> {
    let row = |zone: &NearZone| {
        let minutes = zone.ahead.as_seconds_f64() / 60.0;
        let apart = duration_words(TimeDelta::minutes(minutes.abs().round() as i64));
        let direction = if minutes < 0.0 { "behind" } else { "ahead of" };
        let town = zone.town_km.map_or(String::new(), |km| format!("{km:.0} km away"));
        let own = if around.own == Some(zone.rules) { "this machine's own" } else { "" };
        vec![
            format!("  {}", zone.rules),
            format!("UTC{}", zone.standard),
            town,
            format!("{apart} {direction} the Sun"),
            own.to_owned(),
        ]
    };
    around.zones.iter().map(row).collect()
}

fn apart_words(rules: ZoneRules, position: Position) -> String {
    let minutes = ahead_of_sun_s(rules, position).abs() / 60.0;
    duration_words(TimeDelta::minutes(minutes.round() as i64))
}

/// The file into which the position is written.
struct Target {
    path: PathBuf,
    old: Vec<u8>,
    text: String,
}

/// Some editors put it before text in UTF-8; it means nothing there.
const BYTE_ORDER_MARK: char = '\u{feff}';

impl Target {
    fn open(path: PathBuf) -> Result<Target, Failure> {
        let old = file::bytes(&path).map_err(Failure::Fault)?;
        let text = String::from_utf8(old.clone()).map_err(|_| unread(&path, &old))?;
        // Whether it has the lines to change.
        let try_out = |text: &str| edit::with_place(text.trim_start_matches(BYTE_ORDER_MARK), &[("position", "")]);
        try_out(&text).map_err(|fault| Failure::Fault(format!("{}: {fault}", path.display())))?;
        Ok(Target { path, old, text })
    }

    fn write(self, answer: &Answer, zone: Option<ZoneRules>) -> Result<Written, Failure> {
        let position = answer.position.to_string();
        let zone = zone.map(|zone| zone.to_string());
        let mut values = vec![("position", position.as_str())];
        values.extend(zone.as_deref().map(|zone| ("time_zone", zone)));
        let body = self.text.trim_start_matches(BYTE_ORDER_MARK);
        let mark = &self.text[..self.text.len() - body.len()];
        let fault = |fault: edit::EditFault| Failure::Fault(format!("{}: {fault}", self.path.display()));
        let new = format!("{mark}{}", edit::with_place(body, &values).map_err(fault)?);
        let checked = self.check(&new, answer, zone.is_some())?;
        let place = checked.config.place;
        let warnings = checked.warnings.iter().map(ToString::to_string).collect();
        let kept = match new == self.text {
            true => None,
            false => Some(rewrite::replace(&self.path, &self.old, new.as_bytes(), clock::wall())?),
        };
        Ok(Written { file: self.path, kept, zone: place.zone.rules, warnings })
    }

    /// Reads the new text as the daemon would, before anything is written.
    fn check(&self, new: &str, answer: &Answer, zone_given: bool) -> Result<Checked, Failure> {
        let name = self.path.display().to_string();
        let faults = match read(&name, new.as_bytes()) {
            Ok(checked) => return Ok(checked),
            Err(faults) => faults,
        };
        // The time zone alone may stand in the way: the file as it was can be read, or could with another zone.
        let zone = edit_zone(new).filter(|zone| !within(*zone, answer.position, IMPLAUSIBLE));
        let Some(zone) = zone else {
            let text = format!("{faults}\n\nnothing is written: {name} would have these faults; mend them first");
            return Err(Failure::Fault(text));
        };
        let apart = apart_words(zone, answer.position);
        let likely = answer.around.likely().filter(|zone| within(*zone, answer.position, DOUBTFUL));
        let likely = likely.map_or_else(|| "+00:00".to_owned(), |zone| zone.to_string());
        let which = if zone_given { "--time-zone" } else { "time_zone of the file," };
        Err(Failure::Fault(format!(
            "nothing is written: {which} {zone} is {apart} from the Sun's time at {}; set the zone at once with \
             --time-zone, such as --time-zone {likely}, or look at E and W of the position",
            answer.position
        )))
    }
}

/// The time zone that a text gives, if it can be read.
fn edit_zone(text: &str) -> Option<ZoneRules> {
    let document: toml::Table = text.trim_start_matches(BYTE_ORDER_MARK).parse().ok()?;
    parse_zone(document.get("place")?.get("time_zone")?.as_str()?).ok()
}

fn unread(path: &Path, text: &[u8]) -> Failure {
    let faults = read(&path.display().to_string(), text).err();
    Failure::Fault(
        faults.map_or_else(|| format!("{} is not text in UTF-8", path.display()), |faults| faults.to_string()),
    )
}
