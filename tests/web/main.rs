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
mod page;
mod sign_in;
mod status;
mod year;
