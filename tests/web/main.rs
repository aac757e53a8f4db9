//! The HTTP interface, asked over a real socket.

mod commands;
mod guard;
mod house;
mod limits;
mod orders;
mod status;
