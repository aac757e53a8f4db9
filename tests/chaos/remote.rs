//! The process in which the plugs live, and what they say of themselves.

use std::cell::RefCell;
use std::io::{BufRead, BufReader, Write};
use std::net::{TcpListener, TcpStream};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use serde_json::Value;

/// Set in the process of the plugs: where the test listens, and the broker.
pub const PORTS: &str = "LAMPWARD_CHAOS_PORTS";

/// The plugs' process.
pub struct Remote {
    child: Child,
    control: RefCell<BufReader<TcpStream>>,
}

impl Remote {
    /// Starts it: this program again, which is told by the environment what it is to be.
    pub fn start(broker: u16) -> Remote {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let ports = format!("{} {broker}", listener.local_addr().unwrap().port());
        let child = Command::new(std::env::current_exe().unwrap())
            .args(["the_plugs_live_in_a_process_of_their_own", "--exact", "--nocapture"])
            .env(PORTS, ports)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .spawn()
            .unwrap();
        let (control, _) = listener.accept().unwrap();
        control.set_read_timeout(Some(Duration::from_secs(60))).unwrap();
        control.set_nodelay(true).unwrap();
        Remote { child, control: RefCell::new(BufReader::new(control)) }
    }

    /// One order to the process, and its answer.
    pub fn ask(&self, order: &str) -> Value {
        let mut control = self.control.borrow_mut();
        control.get_mut().write_all(format!("{order}\n").as_bytes()).unwrap();
        let mut answer = String::new();
        control.read_line(&mut answer).expect("the plugs answer");
        serde_json::from_str(&answer).unwrap_or_else(|error| panic!("{answer:?} to {order:?}: {error}"))
    }

    /// How each lamp is, and what was counted.
    pub fn say(&self) -> Value {
        self.ask("say")
    }

    /// One of the counts.
    pub fn counted(&self, what: &str) -> u64 {
        self.say()[what].as_u64().unwrap()
    }

    /// Its process.
    pub fn id(&self) -> u32 {
        self.child.id()
    }
}

impl Drop for Remote {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
