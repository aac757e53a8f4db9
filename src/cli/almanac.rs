//! `lampward almanac`: rise, set and twilight of a place, or of many, over dates.
//!
//! Rows are printed as they are worked out; nothing is kept. Dates are local mean solar dates, as `pure::sun` explains.

mod sheet;

use std::io;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use chrono::{NaiveDate, Offset, Utc};
use clap::{Args, ValueEnum};

use self::sheet::{Sheet, Site};
use super::file::{FileOption, plain};
use super::{Failure, Format};
use crate::clock;
use crate::pure::config::{Position, parse_position, parse_zone};
use crate::pure::local_time::local_of;
use crate::pure::sun::Sun;
use crate::pure::zone::{ClockChange, Zone, ZoneRules};

/// The years for which the Sun's theory is meant.
const YEARS: std::ops::RangeInclusive<i32> = 1900..=2199;

/// `lampward almanac`
#[derive(Args, Debug)]
pub struct Almanac {
    /// Which file gives the place, where neither --position nor --places does.
    #[command(flatten)]
    pub file: FileOption,
    /// A place, such as "59.7412 N, 5.2097 E", or signed degrees: "-54.8, -68.3".
    #[arg(long, value_name = "POSITION", value_parser = position, allow_hyphen_values = true)]
    pub position: Option<Position>,
    /// Many places: a CSV file with the columns place, lat and lon (signed degrees), and date for just those days.
    #[arg(long, value_name = "FILE.csv", conflicts_with = "position")]
    pub places: Option<PathBuf>,
    /// In whose clock times the table is given, such as Europe/Oslo or +01:00 [default: the file's, else UTC].
    #[arg(long, value_name = "ZONE", value_parser = zone_rules, allow_hyphen_values = true)]
    pub time_zone: Option<ZoneRules>,
    /// The first date [default: today].
    #[arg(long, value_name = "DATE", value_parser = date)]
    pub from: Option<NaiveDate>,
    /// The last date, included [default: the first].
    #[arg(long, value_name = "DATE", value_parser = date)]
    pub until: Option<NaiveDate>,
    /// What is listed, separated by commas [default: all; in a table, all but transit].
    #[arg(long, value_enum, value_delimiter = ',', value_name = "MARKS")]
    pub marks: Vec<Marks>,
    /// A further altitude of the Sun's centre, in degrees; may be given several times.
    #[arg(long, value_name = "DEG", value_parser = degrees, allow_hyphen_values = true)]
    pub altitude: Vec<f64>,
    /// How it is printed.
    #[arg(long, value_enum, default_value_t)]
    pub format: Format,
}

/// What can be listed of a day.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Marks {
    /// Sunrise and sunset.
    Sun,
    /// Dawn and dusk: the Sun's centre 6° down.
    Civil,
    /// 12° down.
    Nautical,
    /// 18° down.
    Astronomical,
    /// Solar noon and solar midnight: the passages of the meridian.
    Transit,
}

/// Prints the almanac.
///
/// # Errors
/// No place, no dates, or a fault in a file; or the output can't be written.
pub fn run(almanac: &Almanac) -> Result<ExitCode, Failure> {
    let mut sheet = Sheet::new(io::stdout().lock(), almanac.format, almanac.marks(), &almanac.altitude);
    let printed = match (&almanac.places, almanac.position) {
        (Some(places), _) => many(almanac, places, &mut sheet),
        (None, Some(position)) => one(almanac, &almanac.site("", position), &mut sheet),
        (None, None) => {
            let place = almanac.file.load()?.checked.config.place;
            let mut site = almanac.site(&place.name, place.position);
            site.horizon_deg = place.horizon_deg;
            if almanac.time_zone.is_none() {
                site.zone = place.zone;
            }
            one(almanac, &site, &mut sheet)
        }
    };
    match printed.and_then(|()| sheet.finish().map_err(Stop::Output)) {
        Ok(()) => Ok(ExitCode::SUCCESS),
        Err(Stop::Fault(text)) => Err(Failure::Fault(text)),
        // Whoever reads has seen enough.
        Err(Stop::Output(error)) if error.kind() == io::ErrorKind::BrokenPipe => Ok(ExitCode::SUCCESS),
        Err(Stop::Output(error)) => Err(Failure::Other(format!("cannot write the almanac: {error}"))),
    }
}

/// Why the printing stops early.
enum Stop {
    Fault(String),
    Output(io::Error),
}

impl Almanac {
    fn marks(&self) -> Vec<Marks> {
        if !self.marks.is_empty() {
            return self.marks.clone();
        }
        let all = [Marks::Sun, Marks::Civil, Marks::Nautical, Marks::Astronomical, Marks::Transit];
        let wanted = |mark: &Marks| self.format != Format::Table || *mark != Marks::Transit;
        all.into_iter().filter(wanted).collect()
    }

    fn site(&self, name: &str, position: Position) -> Site {
        let rules = self.time_zone.unwrap_or(ZoneRules::Fixed(Utc.fix()));
        let zone = Zone { rules, clock_change: ClockChange::Auto };
        Site { name: name.to_owned(), position, zone, horizon_deg: 0.0, columns: None }
    }

    fn dates(&self, zone: &Zone) -> Result<impl Iterator<Item = NaiveDate> + use<>, String> {
        let today = || local_of(zone, clock::wall()).date_naive();
        let from = self.from.unwrap_or_else(today);
        let until = self.until.unwrap_or(from);
        if until < from {
            return Err(format!("--until {until} is before --from {from}"));
        }
        Ok(from.iter_days().take_while(move |date| *date <= until))
    }
}

/// All dates of one place.
fn one(almanac: &Almanac, site: &Site, sheet: &mut Sheet<impl io::Write>) -> Result<(), Stop> {
    let dates = almanac.dates(&site.zone).map_err(Stop::Fault)?;
    let sun = site.sun();
    sheet.begin(site).map_err(Stop::Output)?;
    for date in dates {
        sheet.day(site, &sun, date).map_err(Stop::Output)?;
    }
    Ok(())
}

/// The places of a CSV file, one after the other.
fn many(almanac: &Almanac, path: &Path, sheet: &mut Sheet<impl io::Write>) -> Result<(), Stop> {
    let name = path.display();
    let fault = |line: u64, what: &str| Stop::Fault(format!("{name}:{line}: {what}"));
    let unreadable = |error: csv::Error| match error.kind() {
        csv::ErrorKind::Io(error) => Stop::Fault(format!("cannot read {name}: {}", plain(error))),
        _ => fault(error.position().map_or(1, csv::Position::line), &error.to_string()),
    };
    let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).from_path(path).map_err(unreadable)?;
    let columns = reader.headers().map_err(unreadable)?.clone();
    let column = |wanted: &str| columns.iter().position(|column| column == wanted);
    let needed = |wanted: &str| {
        column(wanted)
            .ok_or_else(|| fault(1, &format!("no column `{wanted}`; expected place, lat, lon and perhaps date")))
    };
    let (place, lat, lon) = (needed("place")?, needed("lat")?, needed("lon")?);
    let on_date = column("date");
    if on_date.is_none() {
        let nowhere = Position { latitude_deg: 0.0, longitude_deg: 0.0 };
        let _all = almanac.dates(&almanac.site("", nowhere).zone).map_err(Stop::Fault)?;
    }

    let mut record = csv::StringRecord::new();
    let mut last: Option<(Site, Sun)> = None;
    while reader.read_record(&mut record).map_err(unreadable)? {
        let line = record.position().map_or(0, csv::Position::line);
        let cell = |column: usize| record.get(column).unwrap_or("");
        let columns = [place, lat, lon].map(|column| cell(column).to_owned());
        // One place on many dates may fill many lines.
        let known = last.take().filter(|(site, _)| site.columns.as_ref() == Some(&columns));
        let (site, sun) = match known {
            Some(known) => known,
            None => {
                let latitude_deg = coordinate("latitude", &columns[1], 90.0).map_err(|what| fault(line, &what))?;
                let longitude_deg = coordinate("longitude", &columns[2], 180.0).map_err(|what| fault(line, &what))?;
                let mut site = almanac.site(&columns[0], Position { latitude_deg, longitude_deg });
                site.columns = Some(columns);
                sheet.begin(&site).map_err(Stop::Output)?;
                let sun = site.sun();
                (site, sun)
            }
        };
        if let Some(column) = on_date {
            let date = date(cell(column)).map_err(|what| fault(line, &what))?;
            sheet.day(&site, &sun, date).map_err(Stop::Output)?;
        } else {
            for date in almanac.dates(&site.zone).map_err(Stop::Fault)? {
                sheet.day(&site, &sun, date).map_err(Stop::Output)?;
            }
        }
        last = Some((site, sun));
    }
    Ok(())
}

/// `59.7412 N, 5.2097 E`, or signed degrees: `-54.8, -68.3`.
fn position(text: &str) -> Result<Position, String> {
    let signed = text.split_once(',').and_then(|(lat, lon)| {
        let plain = |text: &str| text.trim().parse::<f64>().is_ok();
        (plain(lat) && plain(lon)).then_some((lat.trim(), lon.trim()))
    });
    match signed {
        Some((lat, lon)) => Ok(Position {
            latitude_deg: coordinate("latitude", lat, 90.0)?,
            longitude_deg: coordinate("longitude", lon, 180.0)?,
        }),
        None => parse_position(text).map_err(|fault| fault.to_string()),
    }
}

fn coordinate(name: &str, text: &str, most: f64) -> Result<f64, String> {
    let within = |degrees: &f64| degrees.abs() <= most;
    let degrees = text.parse::<f64>().ok().filter(within);
    degrees.ok_or_else(|| format!("`{text}` is not a {name}; expected -{most} to {most} degrees"))
}

fn zone_rules(text: &str) -> Result<ZoneRules, String> {
    parse_zone(text).map_err(|fault| fault.to_string())
}

fn date(text: &str) -> Result<NaiveDate, String> {
    use chrono::Datelike;
    let date: NaiveDate =
        text.parse().map_err(|_| format!("`{text}` is not a date; expected one such as 2026-12-24"))?;
    if YEARS.contains(&date.year()) {
        Ok(date)
    } else {
        Err(format!("{date} is out of range; expected a date from {} to {}", YEARS.start(), YEARS.end()))
    }
}

/// `-4` or `-4 deg`.
fn degrees(text: &str) -> Result<f64, String> {
    let number = text.strip_suffix("deg").unwrap_or(text).trim();
    let degrees = number.parse::<f64>().ok().filter(|degrees| degrees.abs() <= 90.0);
    degrees.ok_or_else(|| format!("`{text}` is not an altitude; expected -90 to 90 degrees"))
}
