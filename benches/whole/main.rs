//! The whole process against floors of the same run; see docs/performance.md, and `tests/bench`, which calls this.
//!
//! ```text
//! cargo build --profile dist --example skeleton
//! cargo bench --profile dist --bench whole -- burst [SIZES [BURSTS [mosquitto|own]]] | memory [RUNS [SIZES]] | flat [REPORTS [CONNECTIONS]] | idle [MINUTES]
//!                              | start [TIMES] | web [SECONDS [ROUNDS [SIZES]]] | scale [PLACES [IDLE_SECONDS]]
//! ```
//!
//! A real mosquitto on loopback, the real daemon, one client that obeys for all plugs, and `skeleton.rs` for what the same
//! libraries cost without Lampward.

mod burst;
#[path = "../common.rs"]
mod common;
mod ground;
mod idle;
mod memory;
mod plugs;
mod scale;
mod start;
mod web;

fn main() {
    // Cargo adds a word of its own.
    let words: Vec<String> = std::env::args().skip(1).filter(|word| word != "--bench").collect();
    let (part, rest) = words.split_first().expect("which part? burst, memory, flat, idle, start, web or scale");
    match part.as_str() {
        "burst" => burst::run(rest),
        "memory" => memory::run(rest),
        "flat" => memory::flat(rest),
        "idle" => idle::run(rest),
        "start" => start::run(rest),
        "web" => web::run(rest),
        "scale" => scale::run(rest),
        other => panic!("no part is called {other}"),
    }
}
