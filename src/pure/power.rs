//! On and off.

use std::fmt;

/// What a lamp is to do, or does. Commands are always one of the two, never "the other one".
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Power {
    /// Supplied.
    On,
    /// Not supplied.
    Off,
}

impl Power {
    /// The word used in TOML, JSON, logs and on the page.
    pub fn word(self) -> &'static str {
        match self {
            Power::On => "on",
            Power::Off => "off",
        }
    }

    /// On for `true`.
    pub fn from_lit(lit: bool) -> Power {
        if lit { Power::On } else { Power::Off }
    }

    /// The other of the two.
    pub fn other(self) -> Power {
        match self {
            Power::On => Power::Off,
            Power::Off => Power::On,
        }
    }
}

impl fmt::Display for Power {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}
