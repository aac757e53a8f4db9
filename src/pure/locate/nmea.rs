//! A serial line that speaks NMEA 0183: RMC for position, date and time, GGA for position and how good it is.

use chrono::{NaiveDateTime, NaiveTime};
use nmea::ParseResult;
use nmea::sentences::FixType;
use nmea::sentences::rmc::RmcStatusOfFix;

use super::{Listener, Word, position};

/// Satellites that stand too close together for a position; common practice, no source.
const POOR_HDOP: f32 = 10.0;
/// So many bytes without one sound sentence are no NMEA 0183; common practice, no source.
const GARBAGE_BYTES: usize = 2_048;
/// So many sentences with wrong checksums and not one right are a bad line; common practice, no source.
const ALL_WRONG: usize = 40;
const SPEEDS: &str = "4800, 9600, 19200, 38400 or 115200";

/// What a serial line has said so far.
#[derive(Clone, Debug, Default)]
pub struct Nmea {
    /// Sentences whose checksum is right.
    sound: usize,
    /// Sentences whose checksum is not.
    wrong: usize,
    /// Bytes that are no sentence.
    garbage: usize,
    /// Sentences of the two kinds that give a position, with or without one.
    telling: usize,
    /// The last GGA said that the fix is poor.
    poor: bool,
    /// Satellites in the last GGA.
    satellites: Option<u32>,
    /// The time of the fix whose position was taken last: RMC and GGA of one fix are one fix.
    taken: Option<NaiveTime>,
}

impl Listener for Nmea {
    fn hear(&mut self, line: &[u8]) -> Word {
        // What was cut off at its beginning ends in a whole sentence all the same.
        let start = line.iter().rposition(|byte| *byte == b'$').unwrap_or(0);
        let sentence = line[start..].trim_ascii_end();
        match checksum(sentence) {
            None => self.garbage += line.len(),
            Some(false) => self.wrong += 1,
            Some(true) => {
                self.sound += 1;
                // A sentence of a kind that the crate does not know, or with an odd field, says nothing.
                if let Ok(parsed) = nmea::parse_bytes(sentence) {
                    return self.take(&parsed);
                }
            }
        }
        Word::default()
    }

    fn hopeless(&self) -> Option<String> {
        if self.sound > 0 {
            None
        } else if self.garbage >= GARBAGE_BYTES {
            Some(garbage())
        } else {
            (self.wrong >= ALL_WRONG).then(|| self.wrong_checksums())
        }
    }

    fn status(&self) -> String {
        match (self.sound, self.telling, self.satellites) {
            (0, _, _) if self.wrong > 0 => format!("{} sentences with wrong checksums", self.wrong),
            (0, _, _) if self.garbage > 0 => "nothing readable yet".to_owned(),
            (0, _, _) => "waiting for the receiver to say something".to_owned(),
            (_, 0, _) => "neither RMC nor GGA yet".to_owned(),
            (_, _, Some(satellites)) if self.poor => format!("a poor fix, {satellites} satellites"),
            (_, _, Some(satellites)) => format!("no fix yet, {satellites} satellites"),
            (_, _, None) => "no fix yet".to_owned(),
        }
    }

    fn no_fix(&self) -> String {
        let wrong = match self.wrong {
            0 => String::new(),
            wrong => format!(" ({wrong} of {} sentences came with a wrong checksum)", wrong + self.sound),
        };
        if self.telling > 0 {
            let satellites = self.satellites.map(|count| format!(", with {count} satellites at the end"));
            return format!(
                "the receiver speaks, but has no good fix{}{wrong}: give it a free view of the sky, and wait longer \
                 (--wait \"15 min\"); the first fix after a long rest takes the longest",
                satellites.unwrap_or_default()
            );
        }
        if self.sound > 0 {
            return format!(
                "the line speaks NMEA 0183, but neither RMC nor GGA{wrong}: is it a receiver of satellites?"
            );
        }
        match (self.wrong, self.garbage) {
            (0, 0) => {
                "the line says nothing: is the receiver powered, and its sending wire on our receiving one?".to_owned()
            }
            (0, _) => garbage(),
            _ => self.wrong_checksums(),
        }
    }

    fn silent(&self) -> Option<String> {
        (self.sound > 0).then(|| "the receiver has fallen silent: is it unplugged, or without power?".to_owned())
    }

    fn ended(&self) -> String {
        "the line has ended: is the receiver unplugged?".to_owned()
    }
}

impl Nmea {
    fn take(&mut self, parsed: &ParseResult) -> Word {
        match parsed {
            ParseResult::GGA(gga) => {
                self.telling += 1;
                self.satellites = gga.fix_satellites;
                self.poor = gga.hdop.is_some_and(|hdop| hdop > POOR_HDOP);
                let good = gga.fix_type.is_some_and(FixType::is_valid) && !self.poor;
                let place = gga.latitude.zip(gga.longitude).filter(|_| good && self.fresh(gga.fix_time));
                Word { position: self.place(place, gga.fix_time), time: None }
            }
            ParseResult::RMC(rmc) => {
                self.telling += 1;
                let valid = rmc.status_of_fix != RmcStatusOfFix::Invalid
                    && rmc.faa_mode.is_none_or(|mode| FixType::from(mode).is_valid());
                let place = rmc.lat.zip(rmc.lon).filter(|_| valid && !self.poor && self.fresh(rmc.fix_time));
                let time = rmc.fix_date.zip(rmc.fix_time).filter(|_| valid);
                let time = time.map(|(date, time)| NaiveDateTime::new(date, time).and_utc());
                Word { position: self.place(place, rmc.fix_time), time }
            }
            _ => Word::default(),
        }
    }

    fn fresh(&self, time: Option<NaiveTime>) -> bool {
        time.is_none() || time != self.taken
    }

    fn place(&mut self, place: Option<(f64, f64)>, time: Option<NaiveTime>) -> Option<super::Position> {
        let place = place.and_then(|(latitude_deg, longitude_deg)| position(latitude_deg, longitude_deg))?;
        self.taken = time;
        Some(place)
    }

    fn wrong_checksums(&self) -> String {
        format!(
            "{} sentences, and not one with the right checksum: a bad wire, a wrong speed (try --baud with {SPEEDS}), or \
             another program reads the same line",
            self.wrong
        )
    }
}

fn garbage() -> String {
    format!("what comes is no NMEA 0183: most often the speed is wrong (try --baud with {SPEEDS})")
}

/// Whether a sentence's checksum is right; `None` where it is no sentence: `$…*hh`, in ASCII.
fn checksum(sentence: &[u8]) -> Option<bool> {
    let star = sentence.len().checked_sub(3).filter(|star| sentence[*star] == b'*')?;
    let body = sentence[..star].strip_prefix(b"$")?;
    let digits = std::str::from_utf8(&sentence[star + 1..]).ok()?;
    let given = u8::from_str_radix(digits, 16).ok()?;
    let ascii = body.iter().all(|byte| (b' '..=b'~').contains(byte));
    ascii.then(|| body.iter().fold(0, |sum, byte| sum ^ byte) == given)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Sentences without their checksums, as a good line brings them; and what was understood.
    #[track_caller]
    fn check(bodies: &[&str], expected: &[&str]) {
        let mut line = Nmea::default();
        let mut found = Vec::new();
        for body in bodies {
            let sum = body.bytes().fold(0, |sum, byte| sum ^ byte);
            let word = line.hear(format!("${body}*{sum:02X}\r").as_bytes());
            found.extend(word.position.map(|place| place.to_string()));
            found.extend(word.time.map(|time| time.to_rfc3339()));
        }
        assert_eq!(found, expected);
    }

    const GGA: &str = "GPGGA,031204.00,5944.4720,N,00512.5820,E,1,08,0.9,12.0,M,45.0,M,,";
    const RMC: &str = "GPRMC,031204.00,A,5944.4720,N,00512.5820,E,0.0,0.0,251126,,,A";

    #[test]
    fn the_two_sentences_of_one_fix_count_once() {
        check(&[GGA, RMC], &["59.7412 N, 5.2097 E", "2026-11-25T03:12:04+00:00"]);
        check(&[RMC, GGA], &["59.7412 N, 5.2097 E", "2026-11-25T03:12:04+00:00"]);
    }

    #[test]
    fn south_and_west_are_told_apart_and_any_constellation_will_do() {
        let rmc = "GNRMC,235959.50,A,5448.1080,S,06818.2400,W,0.0,0.0,311226,,,A,V";
        check(&[rmc], &["54.8018 S, 68.304 W", "2026-12-31T23:59:59.500+00:00"]);
    }

    #[test]
    fn what_is_no_good_fix_is_not_gone_by() {
        let none: &[&str] = &[];
        check(&[&RMC.replace(",A,5944", ",V,5944").replace(",,,A", ",,,N")], none);
        check(&[&RMC.replace(",,,A", ",,,S"), &RMC.replace(",,,A", ",,,E")], none);
        check(&[&GGA.replace(",E,1,", ",E,0,"), &GGA.replace(",E,1,", ",E,6,"), &GGA.replace(",E,1,", ",E,8,")], none);
        // Satellites that stand too close together; the time is good for all that.
        check(&[&GGA.replace("0.9", "24.8"), RMC], &["2026-11-25T03:12:04+00:00"]);
        check(&["GPRMC,031204.00,A,9544.4720,N,00512.5820,E,0.0,0.0,251126,,,A"], &["2026-11-25T03:12:04+00:00"]);
        check(&["GPRMC,,V,,,,,,,,,,N", "GPGSV,1,1,00", "PGRME,3.0,M,4.0,M,5.0,M", "GPRMC,999999,A,,,,,,,,,"], none);
    }

    #[test]
    fn a_well_known_sentence_reads_as_it_is_explained() {
        // From memory, the sentence with which many texts explain GGA, checksum and all: 48 deg 07.038' N, 11 deg 31.000' E.
        let mut line = Nmea::default();
        let word = line.hear(b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47");
        assert_eq!(word.position.map(|place| place.to_string()).as_deref(), Some("48.1173 N, 11.51667 E"));
    }

    #[test]
    fn wrong_checksums_are_counted_and_what_they_bring_is_dropped() {
        let mut line = Nmea::default();
        for _ in 0..ALL_WRONG {
            assert_eq!(line.hear(format!("${GGA}*00").as_bytes()), Word::default());
        }
        assert!(
            line.hopeless().is_some_and(|why| why.starts_with("40 sentences, and not one with the right checksum"))
        );
        line.hear(b"$GPGSV,1,1,00*79");
        assert_eq!(line.hopeless(), None);
        assert!(line.no_fix().contains("40 of 41 sentences came with a wrong checksum"), "{}", line.no_fix());
    }

    #[test]
    fn what_is_no_sentence_is_garbage() {
        let mut line = Nmea::default();
        for part in
            [&b"\xfe\x80x\x00*41"[..], b"$", b"", b"*00", b"$GPGGA\x80*3F", b"$GPGGA*zz", b"$GPGGA*+7", &[b'x'; 2_048]]
        {
            assert_eq!(line.hear(part), Word::default());
        }
        assert!(line.hopeless().is_some_and(|why| why.contains("--baud")));
    }
}
