//! The words in which people read a configuration again, the same as in the file.

use std::fmt;

use super::phrases::{duration_words, weekdays_words};
use super::{Broker, BrokerAt, ByHand, ClockTrust, Encryption, Rule, WebRead};
use crate::pure::zone::{ClockChange, Zone};

impl fmt::Display for Rule {
    /// `from sunset until 23:00; Mon-Fri; 1 Dec to 6 Jan; except 24 Dec; at least 10 min`: only what the rule says.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let comma = if self.from.clamps.is_empty() { "" } else { "," };
        write!(f, "from {}{comma} until {}", self.from, self.until)?;
        if self.days != [true; 7] {
            write!(f, "; {}", weekdays_words(&self.days))?;
        }
        if let Some(season) = self.season {
            write!(f, "; {season}")?;
        }
        for (index, dates) in self.except.iter().enumerate() {
            write!(f, "{} {dates}", if index == 0 { "; except" } else { "," })?;
        }
        if self.at_least != Rule::AT_LEAST {
            write!(f, "; at least {}", duration_words(self.at_least))?;
        }
        Ok(())
    }
}

impl fmt::Display for Zone {
    /// `Europe/Oslo`, or `Europe/Oslo, always summer`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.rules.fmt(f)?;
        match self.clock_change {
            ClockChange::Auto => Ok(()),
            change => write!(f, ", {}", change.word()),
        }
    }
}

impl fmt::Display for Broker {
    /// `mqtt://192.0.2.7:1883`, or where Lampward's own is reached.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.at {
            BrokerAt::Address { host, port, encryption } => {
                let scheme = if *encryption == Encryption::None { "mqtt" } else { "mqtts" };
                let (open, close) = if host.contains(':') { ("[", "]") } else { ("", "") };
                write!(f, "{scheme}://{open}{host}{close}:{port}")
            }
            BrokerAt::Own { serve: Some(serve), .. } => write!(f, "lampward's own, on {serve}"),
            BrokerAt::Own { serve: None, .. } => f.write_str("lampward's own, on loopback"),
        }
    }
}

impl ClockChange {
    /// Its word in the file.
    pub fn word(self) -> &'static str {
        match self {
            ClockChange::Auto => "auto",
            ClockChange::AlwaysStandard => "always standard",
            ClockChange::AlwaysSummer => "always summer",
        }
    }
}

impl ByHand {
    /// Its word in the file.
    pub fn word(self) -> &'static str {
        match self {
            ByHand::Leave => "leave",
            ByHand::Correct => "correct",
        }
    }
}

impl WebRead {
    /// Its word in the file.
    pub fn word(self) -> &'static str {
        match self {
            WebRead::Open => "open",
            WebRead::Token => "token",
        }
    }
}

impl ClockTrust {
    /// Its word in the file.
    pub fn word(self) -> &'static str {
        match self {
            ClockTrust::Synchronised => "synchronised",
            ClockTrust::Always => "always",
        }
    }
}
