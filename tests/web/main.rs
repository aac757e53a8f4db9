//! The HTTP interface, asked over a real socket.

mod calendar;
mod commands;
mod guard;
mod house;
mod limits;
mod live;
mod metrics;
mod openapi;
mod orders;
mod status;
mod year;
