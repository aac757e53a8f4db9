//! What decides. No I/O, no async, no clock, no logging: the same input gives the same output, for ever.
//!
//! Files in here use only other files in here; `tests/house_rules.rs` keeps it true.

pub mod config;
pub mod edit;
pub mod entry;
pub mod keeper;
pub mod local_time;
pub mod locate;
pub mod moment;
pub mod overrides;
pub mod picture;
pub mod plan;
pub mod plug_kind;
pub mod power;
pub mod starter;
pub mod sun;
pub mod trust;
pub mod zone;
