//! Lines from a socket or a serial line, each within a time; neither the wait nor a line is ever without bound.

use std::io;
use std::os::fd::{AsFd, OwnedFd};
use std::time::Duration;

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::io::Errno;

/// Reads lines.
#[derive(Debug)]
pub struct Lines {
    from: OwnedFd,
    longest: usize,
    read: Vec<u8>,
}

/// The line has ended: closed, or the device is gone.
#[derive(Debug)]
pub struct Ended;

impl Lines {
    /// From this, which must not block. What has no end after `longest` bytes comes in pieces, of which nobody makes sense.
    pub fn of(from: OwnedFd, longest: usize) -> Lines {
        Lines { from, longest, read: Vec::new() }
    }

    /// The next line, without its end; `None` if none comes within `wait`.
    pub fn next(&mut self, wait: Duration) -> Result<Option<Vec<u8>>, Ended> {
        if let Some(line) = self.line() {
            return Ok(Some(line));
        }
        let mut ready = [PollFd::new(&self.from, PollFlags::IN)];
        let wait = Timespec::try_from(wait.min(Duration::from_secs(60))).map_err(|_| Ended)?;
        match poll(&mut ready, Some(&wait)) {
            Ok(0) | Err(Errno::INTR) => return Ok(None),
            Ok(_) => {}
            Err(_) => return Err(Ended),
        }
        let mut piece = [0; 4096];
        match rustix::io::read(self.from.as_fd(), &mut piece) {
            // A serial line whose device is gone reads as its end, or as one of several errors.
            Ok(0) => Err(Ended),
            Ok(length) => {
                self.read.extend_from_slice(&piece[..length]);
                Ok(self.line())
            }
            Err(Errno::AGAIN | Errno::INTR) => Ok(None),
            Err(error) => {
                tracing::debug!(error = %io::Error::from(error), "the line has ended");
                Err(Ended)
            }
        }
    }

    /// What has come of a line that has no end yet.
    pub fn rest(self) -> Vec<u8> {
        self.read
    }

    fn line(&mut self) -> Option<Vec<u8>> {
        let end = self.read.iter().position(|byte| *byte == b'\n');
        if let Some(end) = end {
            let mut line: Vec<u8> = self.read.drain(..=end).collect();
            line.pop();
            return Some(line);
        }
        (self.read.len() > self.longest).then(|| std::mem::take(&mut self.read))
    }
}

#[cfg(test)]
mod tests {
    use std::io::Write;
    use std::os::unix::net::UnixStream;

    use super::*;

    const LONGEST: usize = 10_000;
    const SOON: Duration = Duration::from_secs(10);

    /// What is written, in pieces, and the lines that come of it until the end.
    #[track_caller]
    fn check(pieces: &[&[u8]], expected: &[&[u8]]) {
        let (mut far, near) = UnixStream::pair().expect("a pair of sockets");
        near.set_nonblocking(true).expect("its own socket");
        let mut lines = Lines::of(near.into(), LONGEST);
        let mut found = Vec::new();
        for piece in pieces {
            far.write_all(piece).expect("the other end is there");
            while let Ok(Some(line)) = lines.next(Duration::ZERO) {
                found.push(line);
            }
        }
        drop(far);
        while let Ok(line) = lines.next(SOON) {
            found.extend(line);
        }
        assert_eq!(found, expected);
    }

    #[test]
    fn lines_come_whole_however_they_were_cut() {
        check(&[b"one\ntw", b"o\n\nhal", b"f"], &[b"one", b"two", b""]);
    }

    #[test]
    fn what_has_no_end_yet_is_not_lost() {
        let (mut far, near) = UnixStream::pair().expect("a pair of sockets");
        near.set_nonblocking(true).expect("its own socket");
        let mut lines = Lines::of(near.into(), LONGEST);
        far.write_all(b"half").expect("the other end is there");
        assert!(matches!(lines.next(SOON), Ok(None)));
        assert_eq!(lines.rest(), b"half");
    }

    #[test]
    fn what_never_ends_comes_in_pieces() {
        let long = vec![b'x'; LONGEST + 4096];
        let (mut far, near) = UnixStream::pair().expect("a pair of sockets");
        near.set_nonblocking(true).expect("its own socket");
        let mut lines = Lines::of(near.into(), LONGEST);
        let writer = std::thread::spawn(move || far.write_all(&long));
        let first = loop {
            if let Some(line) = lines.next(SOON).expect("the other end is there") {
                break line;
            }
        };
        assert!(first.len() > LONGEST && first.len() <= LONGEST + 4096, "{}", first.len());
        drop(lines);
        let _ = writer.join();
    }
}
