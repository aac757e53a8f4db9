//! Lampward switches lamps on MQTT smart plugs by the Sun.
//!
//! Data goes one way, `config → sun → plan → keeper → link → plug`, and back by
//! `report → keeper → daybook, status`. [`pure`] decides and knows nothing of sockets, files, clocks or
//! threads; everything else here is the shell that carries out what it says.

pub mod broker;
pub mod cli;
pub mod clock;
pub mod daemon;
pub mod daybook;
pub mod house;
pub mod keepsake;
pub mod link;
pub mod log;
pub mod make_believe;
pub mod named_files;
pub mod pure;
pub(crate) mod room;
pub mod rules_file;
pub mod state;
pub mod supervisor;
pub mod watch;
pub mod web;
