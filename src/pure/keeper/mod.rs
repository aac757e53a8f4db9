//! Wanted against said: what to publish, what to record and when to look again. A state machine without I/O.

mod types;
mod view;

pub use types::*;
pub use view::*;
