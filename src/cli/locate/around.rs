//! What the machine knows of time zones: the tz database's table of towns, and its own zone.

use std::fs;
use std::path::PathBuf;

use crate::pure::config::{Position, parse_zone};
use crate::pure::locate::zones::{self, NearZone, Town};
use crate::pure::zone::ZoneRules;

/// So many zones are offered.
const OFFERED: usize = 5;

/// Zones for a place, and the machine's own.
#[derive(Clone, Debug)]
pub struct Around {
    /// Those that would do, the nearest town first.
    pub zones: Vec<NearZone>,
    /// The machine's own zone, whether it would do or not; `None` where the machine does not say.
    pub own: Option<ZoneRules>,
}

impl Around {
    /// Looks around at a position.
    pub fn of(position: Position) -> Around {
        let towns = towns();
        let own = machines_own();
        let mut zones = zones::nearest(position, &towns, OFFERED);
        if let Some(own) = own
            && zones.iter().all(|zone| zone.rules != own)
        {
            zones.extend(zones::near(own, position, None));
        }
        Around { zones, own }
    }

    /// The zone that is most likely meant: the machine's own if it would do and names a place, else the nearest.
    pub fn likely(&self) -> Option<ZoneRules> {
        let named = |rules: &ZoneRules| !rules.to_string().starts_with("Etc/") && rules.to_string().contains('/');
        let own = self.own.filter(|own| named(own) && self.zones.iter().any(|zone| zone.rules == *own));
        own.or_else(|| self.zones.first().map(|zone| zone.rules))
    }
}

/// Towns of the tz database. `zone.tab` has a zone of its own for each country, `zone1970.tab` puts those together whose
/// clocks have agreed since 1970 (Oslo goes by Berlin there): a person looks for their own.
fn towns() -> Vec<Town> {
    let folder = std::env::var_os("TZDIR").map_or_else(|| PathBuf::from("/usr/share/zoneinfo"), PathBuf::from);
    let tables = ["zone.tab", "zone1970.tab"].map(|name| fs::read_to_string(folder.join(name)).unwrap_or_default());
    tables.iter().flat_map(|table| zones::towns(table)).collect()
}

/// The zone of the machine: `TZ`, else where `/etc/localtime` points, else what `/etc/timezone` says.
fn machines_own() -> Option<ZoneRules> {
    let variable = std::env::var("TZ").ok().map(|zone| zone.trim_start_matches(':').to_owned());
    let variable = variable.filter(|zone| !zone.is_empty());
    let link = || {
        let target = fs::read_link("/etc/localtime").ok()?;
        let target = target.to_str()?.split_once("zoneinfo/")?.1.to_owned();
        Some(target)
    };
    let file = || fs::read_to_string("/etc/timezone").ok().map(|text| text.trim().to_owned());
    variable.or_else(link).or_else(file).and_then(|name| parse_zone(&name).ok())
}
