//! The HTTP interface, asked over a real socket.

mod calendar;
mod commands;
mod guard;
mod house;
mod limits;
mod live;
mod metrics;
mod orders;
mod status;
