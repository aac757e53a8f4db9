//! What the simulation needs of Lampward, from its own source files: the core, and what is kept on disk.

#[path = "../../src/pure"]
pub mod pure {
    pub mod config;
    pub mod entry;
    pub mod keeper;
    pub mod local_time;
    pub mod moment;
    pub mod overrides;
    pub mod plan;
    pub mod plug_kind;
    pub mod power;
    pub mod sun;
    pub mod trust;
    pub mod zone;
}

#[path = "../../src"]
mod shell {
    pub mod daybook;
    pub mod keepsake;
    pub mod room;
    pub mod state;
}

pub use shell::{daybook, keepsake, room, state};

/// The time by which damaged files are named.
pub mod clock {
    /// The wall clock.
    pub fn wall() -> chrono::DateTime<chrono::Utc> {
        std::time::SystemTime::now().into()
    }
}
