//! Overrides and hands on disk: `overrides.json`, written whole each time.
//!
//! The form on disk has its own types, so that renaming something of ours never breaks a household's file. A check
//! sum tells a file that a worn card has changed from one that is whole.

use std::cell::RefCell;
use std::path::{Path, PathBuf};
use std::time::Duration;

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use tracing::warn;

use crate::pure::keeper::{Ends, Hand, Keepsake, Override};
use crate::pure::power::Power;
use crate::state::{self, StateFault, Use};

const VERSION: u32 = 1;

const WRITE: &str = "write the overrides to";

/// The file of overrides and hands. It holds nothing open.
#[derive(Debug)]
pub struct KeepsakeFile {
    path: PathBuf,
    /// What is to stand in it.
    stored: RefCell<Option<String>>,
}

impl KeepsakeFile {
    /// Reads what was kept. A damaged file is set aside under a dated name, with a WARN, and nothing is kept then.
    pub fn load(folder: &Path, now: DateTime<Utc>) -> (KeepsakeFile, Keepsake) {
        let path = folder.join("overrides.json");
        state::restore(&path, Use::Replaced);
        let keepsake = match state::read_if_there("read the overrides from", &path) {
            Ok(None) => Keepsake::default(),
            Ok(Some(content)) => parse(&content).unwrap_or_else(|because| {
                match state::set_aside(&path, now) {
                    Ok(aside) => warn!(
                        path = %path.display(), aside = %aside.display(), because,
                        "the file of overrides is damaged; it is set aside, and no override stands"
                    ),
                    Err(fault) => warn!(because, %fault, "the file of overrides is damaged; no override stands"),
                }
                Keepsake::default()
            }),
            Err(fault) => {
                warn!(%fault, "no override stands");
                Keepsake::default()
            }
        };
        let stored = (keepsake != Keepsake::default()).then(|| text_of(&keepsake));
        (KeepsakeFile { path, stored: stored.into() }, keepsake)
    }

    /// Makes it durable: when this returns well, it survives a power cut. Blocks for as long as the card takes.
    pub fn store(&self, keepsake: &Keepsake) -> Result<(), StateFault> {
        let text = text_of(keepsake);
        state::write_durably(WRITE, &self.path, text.as_bytes())?;
        self.stored.replace(Some(text));
        Ok(())
    }

    /// Writes again what was last stored, where it is no longer there: the folder may have been removed.
    pub fn store_again(&self) -> Result<(), StateFault> {
        match &*self.stored.borrow() {
            Some(text) if !self.path.is_file() => state::write_durably(WRITE, &self.path, text.as_bytes()),
            _ => Ok(()),
        }
    }
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct FileForm {
    version: u32,
    check: String,
    kept: KeptForm,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct KeptForm {
    overrides: Vec<OverrideForm>,
    hands: Vec<HandForm>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct OverrideForm {
    channel: String,
    wanted: PowerForm,
    ends: EndsForm,
    because: String,
    since: DateTime<Utc>,
    by_trusted_clock: bool,
    before: Vec<BeforeForm>,
}

#[derive(Serialize, Deserialize)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
enum EndsForm {
    At { at: DateTime<Utc> },
    After { left_ns: u64, at: DateTime<Utc> },
    Cancelled,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct BeforeForm {
    plug: String,
    said: Option<PowerForm>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct HandForm {
    plug: String,
    wanted: PowerForm,
    until: DateTime<Utc>,
    since: DateTime<Utc>,
}

#[derive(Clone, Copy, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
enum PowerForm {
    On,
    Off,
}

impl From<Power> for PowerForm {
    fn from(power: Power) -> PowerForm {
        match power {
            Power::On => PowerForm::On,
            Power::Off => PowerForm::Off,
        }
    }
}

impl From<PowerForm> for Power {
    fn from(form: PowerForm) -> Power {
        match form {
            PowerForm::On => Power::On,
            PowerForm::Off => Power::Off,
        }
    }
}

fn text_of(keepsake: &Keepsake) -> String {
    let overrides = keepsake.overrides.iter().map(|(channel, standing)| OverrideForm {
        channel: channel.clone(),
        wanted: standing.wanted.into(),
        ends: match standing.ends {
            Ends::At(at) => EndsForm::At { at },
            Ends::After { whole, at } => {
                EndsForm::After { left_ns: u64::try_from(whole.as_nanos()).unwrap_or(u64::MAX), at }
            }
            Ends::Cancelled => EndsForm::Cancelled,
        },
        because: standing.because.clone(),
        since: standing.since,
        by_trusted_clock: standing.by_trusted_clock,
        before: standing
            .before
            .iter()
            .map(|(plug, said)| BeforeForm { plug: plug.clone(), said: said.map(PowerForm::from) })
            .collect(),
    });
    let hands = keepsake.hands.iter().map(|(plug, hand)| HandForm {
        plug: plug.clone(),
        wanted: hand.wanted.into(),
        until: hand.until,
        since: hand.since,
    });
    let kept = KeptForm { overrides: overrides.collect(), hands: hands.collect() };
    let file = FileForm { version: VERSION, check: check_of(&kept), kept };
    let mut text = serde_json::to_string_pretty(&file).expect("plain data has a JSON form");
    text.push('\n');
    text
}

fn parse(content: &[u8]) -> Result<Keepsake, String> {
    let file: FileForm = serde_json::from_slice(content).map_err(|error| error.to_string())?;
    if file.version != VERSION {
        return Err(format!("version {} is not ours ({VERSION})", file.version));
    }
    if file.check != check_of(&file.kept) {
        return Err("the check sum does not fit".into());
    }
    let overrides = file.kept.overrides.into_iter().map(|form| {
        let ends = match form.ends {
            EndsForm::At { at } => Ends::At(at),
            EndsForm::After { left_ns, at } => Ends::After { whole: Duration::from_nanos(left_ns), at },
            EndsForm::Cancelled => Ends::Cancelled,
        };
        let before = form.before.into_iter().map(|before| (before.plug, before.said.map(Power::from))).collect();
        let standing = Override {
            wanted: form.wanted.into(),
            ends,
            because: form.because,
            since: form.since,
            by_trusted_clock: form.by_trusted_clock,
            before,
        };
        (form.channel, standing)
    });
    let hands = file
        .kept
        .hands
        .into_iter()
        .map(|form| (form.plug, Hand { wanted: form.wanted.into(), until: form.until, since: form.since }));
    Ok(Keepsake { overrides: overrides.collect(), hands: hands.collect() })
}

/// CRC-32 (ISO-HDLC, as in gzip, RFC 1952 §8) of the compact JSON, as eight hexadecimal digits.
fn check_of(kept: &KeptForm) -> String {
    let compact = serde_json::to_vec(kept).expect("plain data has a JSON form");
    format!("{:08x}", crc32(&compact))
}

fn crc32(bytes: &[u8]) -> u32 {
    let step = |crc: u32, byte: &u8| {
        (0..8).fold(crc ^ u32::from(*byte), |crc, _| (crc >> 1) ^ (0xEDB8_8320 & (crc & 1).wrapping_neg()))
    };
    !bytes.iter().fold(!0, step)
}

#[cfg(test)]
mod tests {
    use super::*;

    // The check value of CRC-32/ISO-HDLC in G. Cook's catalogue of parametrised CRC algorithms.
    #[test]
    fn the_check_sum_is_the_one_of_gzip() {
        assert_eq!(crc32(b"123456789"), 0xCBF4_3926);
    }
}
