//! Where a position comes from: gpsd over TCP, or a serial line.

use std::fmt;
use std::fs::OpenOptions;
use std::io::{self, Write};
use std::net::{TcpStream, ToSocketAddrs};
use std::os::fd::OwnedFd;
use std::os::unix::fs::OpenOptionsExt;
use std::path::PathBuf;
use std::time::Duration;

use rustix::fs::OFlags;
use rustix::io::Errno;
use rustix::termios::{ControlModes, OptionalActions, QueueSelector, Termios, tcflush, tcgetattr, tcsetattr};

use super::line::Lines;
use crate::cli::file::plain;
use crate::clock::since_boot;
use crate::pure::locate::{Gpsd, Listener, Nmea, WATCH};

/// Where gpsd listens if nobody says otherwise (IANA: 2947, gpsd).
pub const GPSD: &str = "127.0.0.1:2947";
/// What most receivers speak at; a receiver on USB does not care. Common practice, no source.
pub const BAUD: u32 = 9600;

/// gpsd's longest messages name each satellite in view: some 10 kB; common practice, no source.
const LONGEST_MESSAGE: usize = 64 * 1024;
/// A sentence of NMEA 0183 has at most 82 characters, by the standard (from memory); receivers go a little beyond.
const LONGEST_SENTENCE: usize = 256;

/// A source of positions.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Source {
    /// gpsd, as HOST:PORT.
    Gpsd(String),
    /// A serial line that speaks NMEA 0183.
    Serial {
        /// Such as `/dev/ttyUSB0`.
        device: PathBuf,
        /// Bits a second.
        baud: u32,
    },
}

/// An open source.
pub struct Open {
    /// What comes from it.
    pub lines: Lines,
    /// Makes sense of it.
    pub listener: Box<dyn Listener>,
    _settings: Option<Settings>,
}

impl fmt::Display for Source {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Source::Gpsd(address) => write!(f, "gpsd at {address}"),
            Source::Serial { device, baud } => write!(f, "{} at {baud} baud", device.display()),
        }
    }
}

impl Source {
    /// Opens it, within `wait`.
    ///
    /// # Errors
    /// What stands in the way and what to do, complete, for people.
    pub fn open(&self, wait: Duration) -> Result<Open, String> {
        match self {
            Source::Gpsd(address) => {
                let socket = connect(address, wait)?;
                Ok(Open {
                    lines: Lines::of(socket, LONGEST_MESSAGE),
                    listener: Box::new(Gpsd::default()),
                    _settings: None,
                })
            }
            Source::Serial { device, baud } => {
                let (line, settings) = serial(device, *baud)
                    .map_err(|error| format!("cannot read {}: {}", device.display(), serial_fault(&error)))?;
                Ok(Open {
                    lines: Lines::of(line, LONGEST_SENTENCE),
                    listener: Box::new(Nmea::default()),
                    _settings: Some(settings),
                })
            }
        }
    }
}

fn connect(address: &str, wait: Duration) -> Result<OwnedFd, String> {
    let until = since_boot() + wait;
    let addresses = address.to_socket_addrs().map_err(|error| {
        format!("{address} is no address of gpsd: {}; expected HOST:PORT, such as {GPSD}", plain(&error))
    })?;
    let mut last = io::Error::from(io::ErrorKind::NotFound);
    for one in addresses {
        let left = until.saturating_sub(since_boot()).max(Duration::from_millis(1));
        let opened = TcpStream::connect_timeout(&one, left).and_then(|mut socket| {
            socket.write_all(WATCH.as_bytes())?;
            socket.set_nonblocking(true)?;
            Ok(socket)
        });
        match opened {
            Ok(socket) => return Ok(socket.into()),
            Err(error) => last = error,
        }
    }
    Err(format!(
        "gpsd does not answer at {address}: {}; is it installed and started (Debian: the package gpsd)? Another is named \
         with --gpsd HOST:PORT, a receiver on a serial line with --serial DEVICE",
        plain(&last)
    ))
}

/// Opens a serial line for raw bytes at a speed; what it was set to comes back with [`Settings`].
fn serial(device: &std::path::Path, baud: u32) -> io::Result<(OwnedFd, Settings)> {
    // Not to wait for a carrier, nor to become anybody's terminal.
    let flags = (OFlags::NONBLOCK | OFlags::NOCTTY).bits().cast_signed();
    let line: OwnedFd = OpenOptions::new().read(true).custom_flags(flags).open(device)?.into();
    let before = tcgetattr(&line)?;
    let mut raw = before.clone();
    raw.make_raw();
    raw.control_modes |= ControlModes::CLOCAL | ControlModes::CREAD;
    raw.control_modes -= ControlModes::CRTSCTS;
    raw.set_speed(baud)?;
    tcsetattr(&line, OptionalActions::Now, &raw)?;
    // What has waited there was said earlier, perhaps at another speed.
    tcflush(&line, QueueSelector::IFlush)?;
    let settings = Settings { line: line.try_clone()?, before };
    Ok((line, settings))
}

fn serial_fault(error: &io::Error) -> String {
    let more = match Errno::from_io_error(error) {
        Some(Errno::NOTTY | Errno::INVAL) => return "it is no serial line, or does not know that speed".to_owned(),
        Some(Errno::NOENT) => "; a receiver on USB is most often /dev/ttyUSB0 or /dev/ttyACM0",
        Some(Errno::ACCESS) => "; try again with sudo, or as one of the group that owns it (Debian: dialout)",
        Some(Errno::BUSY) => "; another program has it: where that is gpsd, leave --serial out",
        _ => "",
    };
    format!("{}{more}", plain(error))
}

/// Puts a serial line back to what it was when it was opened.
struct Settings {
    line: OwnedFd,
    before: Termios,
}

impl Drop for Settings {
    fn drop(&mut self) {
        // Where the device is gone there is nothing to put back.
        let _ = tcsetattr(&self.line, OptionalActions::Now, &self.before);
    }
}
