//! What a tick, a report, a reload and a `/status` cost as channels grow tenfold.
//!
//! ```text
//! cargo bench --bench growth -- [sizes, 10,100,1000,10000 unless given]
//! ```
//!
//! A real keeper goes through whole evenings by its own word of when to look again; every lamp has instants of its own, so
//! that each step has one lamp to switch. The broker acknowledges and the plug reports at once. Times are medians; "×" is the
//! ratio to a tenth as many channels: 10 would be linear, 1 no growth at all. `/status` is asked for over a socket, of the
//! server itself, and its answer read to the end.

use std::collections::VecDeque;
use std::fmt::Write as _;
use std::hint::black_box;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{Ipv4Addr, TcpListener, TcpStream};
use std::sync::Arc;
use std::time::{Duration, Instant};

use chrono::{DateTime, TimeDelta, Utc};
use lampward::daybook::Daybook;
use lampward::pure::config::{self, Config};
use lampward::pure::keeper::{Input, Keeper, Now, Output, Snapshot, Start, Step, Ticket};
use lampward::web::{self, Door, Facts, FileFacts, Guard, Taken};
use tokio::sync::{mpsc, oneshot, watch};

/// Steps with a lamp to switch.
const SWITCHINGS: usize = 2_000;
/// Calls so short that many are timed at once.
const BATCH: usize = 200;

/// Lamps of which each goes on and off a second apart from the next; `later` shifts the end of one of them, in the middle.
fn house(channels: usize, later: i64) -> String {
    let mut text = String::from(
        "[place]\nname = \"Skarvholmen\"\nposition = \"59.7412 N, 5.2097 E\"\ntime_zone = \"Europe/Oslo\"\n[clock]\ntrust = \
         \"always\"\n",
    );
    for lamp in 0..channels {
        let until = lamp as i64 + 1 + if lamp == channels / 2 { later } else { 0 };
        let _ = write!(
            text,
            "[channel.c{lamp}]\nlabel=\"Lamp {lamp}\"\nplug=\"yard/{lamp}\"\nlit=[{{from=\"{} s after sunset\",until=\"{until} s before \
             sunrise\"}}]\n",
            lamp + 1
        );
    }
    text
}

fn read(text: &str) -> Arc<Config> {
    Arc::new(config::read("house.toml", text.as_bytes()).unwrap_or_else(|faults| panic!("{faults}")).config)
}

fn timed<T>(into: &mut Vec<f64>, work: impl FnOnce() -> T) -> T {
    let begun = Instant::now();
    let done = black_box(work());
    into.push(begun.elapsed().as_secs_f64());
    done
}

fn median(mut times_s: Vec<f64>) -> f64 {
    times_s.sort_by(f64::total_cmp);
    times_s[times_s.len() / 2]
}

/// A keeper, its clocks, and what has to be answered.
struct Run {
    keeper: Keeper,
    begin: DateTime<Utc>,
    now: Now,
    wake_at: Option<DateTime<Utc>>,
}

/// What one step had published.
fn published(step: &Step) -> Vec<(Ticket, String, Vec<u8>)> {
    let one = |output: &Output| match output {
        Output::Publish { ticket, topic, payload, .. } => {
            Some((*ticket, topic.replace("/order", "/report"), payload.as_bytes().to_vec()))
        }
        _ => None,
    };
    step.outputs.iter().filter_map(one).collect()
}

impl Run {
    /// At noon, with every plug confirmed to be off.
    fn new(config: Arc<Config>) -> Run {
        let begin: DateTime<Utc> = "2026-11-25T12:00:00Z".parse().expect("an instant");
        let now = Now { wall: begin, up: Duration::ZERO };
        let (keeper, step) = Keeper::new(now, config, Start { trusted: true, ..Start::default() });
        let mut run = Run { keeper, begin, now, wake_at: step.wake_at };
        // A step tells some of a large house, and any that follows, an acknowledgement or a report too, some more.
        let mut told = VecDeque::from(published(&run.step(Input::LinkUp)));
        while let Some((ticket, topic, payload)) = told.pop_front() {
            for input in [Input::Acked(ticket), Input::Message { topic, payload, retained: false }, Input::Tick] {
                told.extend(published(&run.step(input)));
            }
        }
        run
    }

    fn at(&mut self, wall: DateTime<Utc>) {
        self.now = Now { wall, up: (wall - self.begin).to_std().expect("time goes on") };
    }

    fn step(&mut self, input: Input) -> Step {
        let step = self.keeper.step(self.now, input);
        self.wake_at = step.wake_at;
        step
    }

    /// A step that nothing may follow from.
    fn step_alone(&mut self, input: Input) {
        let said = format!("{input:?}");
        assert!(published(&self.step(input)).is_empty(), "{said} made it tell a plug something");
    }
}

/// With names of their own for whoever counts their instructions.
#[inline(never)]
fn tick_due(run: &mut Run) -> Step {
    run.keeper.step(run.now, Input::Tick)
}

#[inline(never)]
fn reload(run: &mut Run, config: Arc<Config>) -> usize {
    run.keeper.step(run.now, Input::Reload(config)).outputs.len()
}

/// Seconds each; the names are those of the table.
fn costs(channels: usize) -> [(&'static str, f64); 8] {
    let (text, changed) = (house(channels, 0), house(channels, 60));
    let configs = [read(&text), read(&changed)];
    let mut run = Run::new(configs[0].clone());
    let (mut due, mut report, mut shown, mut nothing, mut same) = (vec![], vec![], vec![], vec![], vec![]);
    run.keeper.snapshot(run.now);
    for _ in 0..SWITCHINGS {
        let at = run.wake_at.expect("something is always planned");
        run.at(at);
        let step = timed(&mut due, || tick_due(&mut run));
        run.wake_at = step.wake_at;
        let told = published(&step);
        let [(ticket, topic, payload)] = &told[..] else { panic!("{} lamps were due at {at}", told.len()) };
        run.at(at + TimeDelta::milliseconds(1));
        run.step_alone(Input::Acked(*ticket));
        let said = Input::Message { topic: topic.clone(), payload: payload.clone(), retained: false };
        let step = timed(&mut report, || run.keeper.step(run.now, said));
        assert!(
            step.outputs.iter().any(|output| matches!(output, Output::Record(_))),
            "a confirmed switching is recorded"
        );
        timed(&mut shown, || run.keeper.snapshot(run.now));
    }
    // A quiet hour of the day, everything as it should be.
    let quiet = run.wake_at.expect("something is planned") - TimeDelta::milliseconds(900);
    run.at(quiet.max(run.now.wall));
    run.step_alone(Input::Tick);
    let snapshot = run.keeper.snapshot(run.now);
    let names = configs[0].channels.iter().flat_map(|channel| &channel.plugs);
    let plugs = snapshot.channels.iter().flat_map(|view| &view.plugs);
    let said: Vec<(String, Vec<u8>)> = names
        .zip(plugs)
        .map(|(name, plug)| (format!("{name}/report"), plug.said.expect("it reported").word().into()))
        .collect();
    for turn in 0..50 {
        timed(&mut nothing, || {
            for _ in 0..BATCH {
                let step = run.keeper.step(run.now, Input::Tick);
                assert!(black_box(step).outputs.is_empty());
            }
        });
        // Far from each other, so that a large house does not gain by what is still at hand.
        let messages: Vec<Input> = (0..BATCH)
            .map(|at| {
                let (topic, payload) = said[(turn * BATCH + at) * 7_919 % said.len()].clone();
                Input::Message { topic, payload, retained: false }
            })
            .collect();
        timed(&mut same, || {
            for message in messages {
                let step = run.keeper.step(run.now, message);
                assert!(black_box(step).outputs.is_empty());
            }
        });
    }
    let times = (20_000 / channels).clamp(5, 200);
    let (mut reading, mut reloading) = (vec![], vec![]);
    for turn in 1..=times {
        timed(&mut reading, || read(&text));
        let config = configs[turn % 2].clone();
        timed(&mut reloading, || reload(&mut run, config));
    }
    let each = |times_s: Vec<f64>| median(times_s) / BATCH as f64;
    [
        ("tick, one lamp due", median(due)),
        ("tick, nothing due", each(nothing)),
        ("report that confirms", median(report)),
        ("report, nothing new", each(same)),
        ("facts for the web after one change", median(shown)),
        ("reading the file", median(reading)),
        ("reload, one rule changed", median(reloading)),
        ("`/status`", status(configs[0].clone(), snapshot, run.now.wall, times)),
    ]
}

/// The server itself with what a keeper has shown; how long it takes from the request to the last byte.
fn status(config: Arc<Config>, snapshot: Snapshot, now: DateTime<Utc>, times: usize) -> f64 {
    let folder = tempfile::tempdir().expect("a folder");
    let daybook = Daybook::open(folder.path(), 1, now);
    let lamps = config.channels.len();
    let facts = Facts {
        snapshot,
        clock_because: "synchronised".into(),
        link_since: now,
        link_because: None,
        taken: Taken::default(),
        file: FileFacts { read_at: now, faults: [].into(), faulty_at: None, warnings: [].into() },
        notices: vec![],
        config: config.clone(),
    };
    let (_facts, facts) = watch::channel(Arc::new(facts));
    let (orders, _nobody) = mpsc::channel(1);
    let guard = Arc::new(Guard::new(&config.web, None).expect("a guard"));
    let door =
        Door { facts, orders, now: Arc::new(move || now), daybook: daybook.reader(), guard, give_way: Arc::default() };
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).expect("a port");
    let address = listener.local_addr().expect("an address");
    let (stop, stopped) = oneshot::channel::<()>();
    // As the daemon's is called, for a profile by threads.
    let web = std::thread::Builder::new().name("web".into());
    let server = web.spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
        runtime.block_on(async {
            listener.set_nonblocking(true).expect("a setting");
            let listener = tokio::net::TcpListener::from_std(listener).expect("a listener");
            web::serve(listener, door, async { drop(stopped.await) }).await;
        });
    });
    let server = server.expect("a thread");
    let mut stream = BufReader::new(TcpStream::connect(address).expect("it listens"));
    let mut ask = || -> Vec<u8> {
        stream.get_mut().write_all(b"GET /status HTTP/1.1\r\nHost: localhost\r\n\r\n").expect("it is taken");
        let (mut length, mut line) = (None, String::new());
        while line != "\r\n" {
            line.clear();
            assert_ne!(stream.read_line(&mut line).expect("a header"), 0, "the server hung up");
            let (name, value) = line.split_once(':').unwrap_or_default();
            if name.eq_ignore_ascii_case("content-length") {
                length = value.trim().parse().ok();
            }
        }
        let mut body = vec![0; length.expect("a length")];
        stream.read_exact(&mut body).expect("all of it");
        body
    };
    // The first answer also works out the Sun's next event.
    let first: serde_json::Value = serde_json::from_slice(&ask()).expect("JSON");
    assert_eq!(first["channels"].as_array().map(Vec::len), Some(lamps), "{first:.300}");
    let mut answers = vec![];
    for _ in 0..times {
        timed(&mut answers, &mut ask);
    }
    drop(stream);
    drop(stop);
    server.join().expect("the server ends");
    median(answers)
}

fn say(seconds: f64) -> String {
    match seconds {
        ..1e-5 => format!("{:.2} µs", seconds * 1e6),
        ..1e-3 => format!("{:.0} µs", seconds * 1e6),
        ..1e-1 => format!("{:.2} ms", seconds * 1e3),
        _ => format!("{:.0} ms", seconds * 1e3),
    }
}

fn main() {
    let words: Vec<String> = std::env::args().skip(1).filter(|word| !word.starts_with("--")).collect();
    let sizes: Vec<usize> = words.first().map_or(vec![10, 100, 1_000, 10_000], |list| {
        list.split(',').map(|size| size.parse().expect("sizes such as 10,100")).collect()
    });
    let columns: Vec<_> = sizes.iter().map(|channels| costs(*channels)).collect();
    print!("| what |");
    for (at, channels) in sizes.iter().enumerate() {
        print!(" {channels} channels |{}", if at == 0 { "" } else { " × |" });
    }
    println!("\n| --- |{}", " --- |".repeat(2 * sizes.len() - 1));
    for row in 0..columns[0].len() {
        print!("| {} |", columns[0][row].0);
        for (at, column) in columns.iter().enumerate() {
            print!(" {} |", say(column[row].1));
            if at > 0 {
                // To a tenth as many, whatever the sizes are.
                let tenfold = (sizes[at] as f64 / sizes[at - 1] as f64).log10();
                print!(" {:.2} |", (column[row].1 / columns[at - 1][row].1).powf(1.0 / tenfold));
            }
        }
        println!();
    }
}
