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
    use std::collections::BTreeMap;
    use std::sync::Arc;

    use super::*;
    use crate::pure::config;
    use crate::pure::keeper::{Answer, Input, Keeper, Now, Order, OrderId, Output, Start};
    use crate::state::durable::replace;
    use crate::state::fickle::Fickle;

    // The check value of CRC-32/ISO-HDLC in G. Cook's catalogue of parametrised CRC algorithms.
    #[test]
    fn the_check_sum_is_the_one_of_gzip() {
        assert_eq!(crc32(b"123456789"), 0xCBF4_3926);
    }

    type Words = BTreeMap<String, Power>;

    fn words(keepsake: &Keepsake) -> Words {
        keepsake.overrides.iter().map(|(channel, word)| (channel.clone(), word.wanted)).collect()
    }

    /// A keeper that is given order after order, on a disk that does so many things before the power is cut. Fails unless
    /// what is found afterwards is what was last answered, or what was being written for the order under way. Says how
    /// many orders were answered.
    fn cut_the_power_after(steps: usize, seed: u64) -> Result<usize, String> {
        let mut dice = fastrand::Rng::with_seed(seed);
        let disk = Fickle::that_does(steps);
        let path = Path::new("/state/overrides.json");
        let lamps = ["jetty", "parlour", "festoon"];
        let channels = lamps.map(|lamp| {
            format!("[channel.{lamp}]\nlabel = \"{lamp}\"\nplug = \"{lamp}\"\nlit = [{{ from = \"sunset\", until = \"23:00\" }}]\n")
        });
        let place =
            "[place]\nname = \"Skarvholmen\"\nposition = \"59.7412 N, 5.2097 E\"\ntime_zone = \"Europe/Oslo\"\n";
        let config =
            config::read("house.toml", format!("{place}{}", channels.concat()).as_bytes()).expect("no fault").config;
        let mut now = Now { wall: "2026-11-24T15:03:11Z".parse().expect("an instant"), up: Duration::ZERO };
        let start = Start { trusted: true, ..Start::default() };
        let (mut keeper, _first) = Keeper::new(now, Arc::new(config), start);
        let (mut answered, mut answers) = (Words::new(), 0);
        for number in 1.. {
            now.up += Duration::from_secs(1);
            now.wall += chrono::TimeDelta::seconds(1);
            let wanted = if dice.bool() { Power::On } else { Power::Off };
            let channels = Some(vec![lamps[dice.usize(..3)].to_owned()]);
            let until = Some(["cancelled", "2 h", "23:30"][dice.usize(..3)].to_owned());
            let order =
                if dice.u8(..3) == 0 { Order::Cancel { channels } } else { Order::Set { channels, wanted, until } };
            let mut next = Some(keeper.step(now, Input::Order(OrderId(number), order)));
            let mut written = None;
            while let Some(step) = next.take() {
                for output in step.outputs {
                    match output {
                        Output::Keep(keepsake) => {
                            let put = replace(&disk, path, text_of(&keepsake).as_bytes());
                            written = Some(words(&keepsake));
                            if put.is_err() {
                                let found = disk.content_after_power_cut(path, &mut dice);
                                let found = found.map(|content| parse(&content)).transpose()?.unwrap_or_default();
                                let found = words(&found);
                                return match found == answered || Some(&found) == written.as_ref() {
                                    true => Ok(answers),
                                    false => Err(format!("{found:?} is neither {answered:?} nor {written:?}")),
                                };
                            }
                            next = Some(keeper.step(now, Input::Kept(Ok(()))));
                        }
                        Output::Answer(_, Answer::Done(_)) => {
                            answered = written.clone().unwrap_or(answered);
                            answers += 1;
                        }
                        _ => {}
                    }
                }
            }
        }
        unreachable!("the power is cut at last")
    }

    #[test]
    fn a_power_cut_at_any_of_a_thousand_random_points_loses_no_answered_override() {
        let mut answers = 0;
        for seed in 0..1_000 {
            let steps = fastrand::Rng::with_seed(seed).usize(..200);
            answers += cut_the_power_after(steps, seed)
                .unwrap_or_else(|fault| panic!("power cut after {steps} steps, seed {seed}: {fault}"));
        }
        assert!(answers > 10_000, "{answers} overrides were answered before the power went");
    }
}
