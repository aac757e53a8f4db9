//! A receiver of satellites' signals for tests: `tests/locate/receiver.py` on a pseudo-terminal.

use std::io::{BufRead, BufReader};
use std::process::{Child, Command, Stdio};

/// Speaks until it is dropped.
#[derive(Debug)]
pub struct Receiver {
    child: Child,
    device: String,
}

impl Receiver {
    /// With these arguments of the script's.
    pub fn start(arguments: &[&str]) -> Receiver {
        let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/locate/receiver.py");
        let mut child = Command::new("python3")
            .arg(script)
            .args(arguments)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("python3 starts: is it installed?");
        let mut device = String::new();
        let out = child.stdout.take().expect("a pipe");
        BufReader::new(out).read_line(&mut device).expect("the script names its line");
        Receiver { child, device: device.trim().to_owned() }
    }

    /// The serial line.
    pub fn device(&self) -> &str {
        &self.device
    }
}

impl Drop for Receiver {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
