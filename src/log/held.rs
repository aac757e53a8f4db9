//! Lines of one turn of the loop go out together, as far as there is room: each write costs the system as much as a message to a
//! plug.

use std::cell::RefCell;
use std::io::{self, Write};

use tracing::{Level, Metadata};
use tracing_subscriber::fmt::MakeWriter;

/// More than this is not held.
const ROOM: usize = 4 * 1024;

/// So much of the room stays.
const KEPT: usize = 1024;

thread_local! {
    static HELD: RefCell<Held<io::Stderr>> = RefCell::new(Held { holds: false, lines: Vec::new(), out: io::stderr() });
}

/// From here on the lines of this thread wait for [`let_go`]; errors never do.
pub fn hold() {
    HELD.with_borrow_mut(|held| held.holds = true);
}

/// Writes what waited, and whatever comes at once again.
pub fn let_go() {
    HELD.with_borrow_mut(Held::let_go);
}

/// Where the log's lines go: to standard error, by way of the thread's own store.
pub struct Lines;

impl<'a> MakeWriter<'a> for Lines {
    type Writer = Line;

    fn make_writer(&'a self) -> Line {
        Line { urgent: true }
    }

    fn make_writer_for(&'a self, of: &Metadata<'_>) -> Line {
        Line { urgent: *of.level() == Level::ERROR }
    }
}

/// One line on its way.
pub struct Line {
    urgent: bool,
}

impl Write for Line {
    fn write(&mut self, line: &[u8]) -> io::Result<usize> {
        // A thread on its last legs has no store any more.
        match HELD.try_with(|held| held.try_borrow_mut().map(|mut held| held.take(line, self.urgent))) {
            Ok(Ok(taken)) => taken.map(|()| line.len()),
            _ => io::stderr().write(line),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

struct Held<W: Write> {
    holds: bool,
    lines: Vec<u8>,
    out: W,
}

impl<W: Write> Held<W> {
    fn take(&mut self, line: &[u8], urgent: bool) -> io::Result<()> {
        if self.holds && !urgent && self.lines.len() + line.len() <= ROOM {
            self.lines.extend_from_slice(line);
            return Ok(());
        }
        self.pass_on();
        self.out.write_all(line)
    }

    fn let_go(&mut self) {
        self.holds = false;
        self.pass_on();
    }

    fn pass_on(&mut self) {
        if !self.lines.is_empty() {
            // Whoever took standard error away wants no lines.
            let _ = self.out.write_all(&self.lines);
            self.lines.clear();
            // After an evening's burst the room is not wanted until the next.
            self.lines.shrink_to(KEPT);
        }
    }
}

impl<W: Write> Drop for Held<W> {
    fn drop(&mut self) {
        self.pass_on();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Each write on its own.
    #[derive(Default)]
    struct Writes(Vec<String>);

    impl Write for &mut Writes {
        fn write(&mut self, text: &[u8]) -> io::Result<usize> {
            self.0.push(String::from_utf8_lossy(text).into_owned());
            Ok(text.len())
        }

        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    #[track_caller]
    fn check(act: impl FnOnce(&mut Held<&mut Writes>), expected: &[&str]) {
        let mut writes = Writes::default();
        act(&mut Held { holds: false, lines: Vec::new(), out: &mut writes });
        assert_eq!(writes.0, expected);
    }

    #[test]
    fn lines_go_out_in_their_order_and_none_is_lost() {
        check(
            |held| {
                held.take(b"1\n", false).expect("written");
                held.holds = true;
                held.take(b"2\n", false).expect("held");
                held.take(b"3\n", false).expect("held");
                held.let_go();
                held.take(b"4\n", false).expect("written");
            },
            &["1\n", "2\n3\n", "4\n"],
        );
    }

    #[test]
    fn an_error_waits_for_nothing_and_overtakes_nothing() {
        check(
            |held| {
                held.holds = true;
                held.take(b"1\n", false).expect("held");
                held.take(b"error\n", true).expect("written");
                held.take(b"2\n", false).expect("held");
            },
            &["1\n", "error\n", "2\n"],
        );
    }

    #[test]
    fn no_more_is_held_than_there_is_room() {
        let long = format!("{}\n", "x".repeat(ROOM - 2));
        check(
            |held| {
                held.holds = true;
                held.take(long.as_bytes(), false).expect("held");
                held.take(b"too much\n", false).expect("written");
                held.take(b"end\n", false).expect("held");
            },
            &[&long, "too much\n", "end\n"],
        );
    }
}
