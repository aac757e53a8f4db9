//! A plug at the edge of the radio network is gone and back every few seconds: that is said once a minute at most.

use std::collections::HashMap;
use std::time::Duration;

use smol_str::SmolStr;
use tracing::{debug, info};

use crate::pure::entry::Note;

/// No plug's coming and going takes more than a line in this time.
const ONCE_IN: Duration = Duration::from_secs(60);

/// What was said of plugs that have come or gone in the last minute. All times are by the clock that never jumps.
#[derive(Debug, Default)]
pub struct Flaps {
    plugs: HashMap<SmolStr, Flap>,
}

#[derive(Debug)]
struct Flap {
    channel: SmolStr,
    said_at: Duration,
    /// Whether it is gone, as of now.
    gone: bool,
    /// How often it has come or gone since something was said.
    turns: u32,
}

impl Flaps {
    /// Says what a note says, at once or within a minute.
    pub fn note(&mut self, up: Duration, note: &Note) {
        let (channel, plug, gone) = match note {
            Note::PlugGone { channel, plug } => (channel, plug, true),
            Note::PlugBack { channel, plug } => (channel, plug, false),
            other => return super::note(other),
        };
        self.look(up);
        match self.plugs.get_mut(plug) {
            Some(flap) => {
                debug!(channel = channel.as_str(), plug = plug.as_str(), gone, "the plug comes and goes");
                (flap.gone, flap.turns) = (gone, flap.turns + 1);
            }
            None => {
                super::note(note);
                self.plugs.insert(plug.clone(), Flap { channel: channel.clone(), said_at: up, gone, turns: 0 });
            }
        }
    }

    /// Says what has waited for a minute.
    pub fn look(&mut self, up: Duration) {
        self.plugs.retain(|plug, flap| {
            if up < flap.said_at + ONCE_IN {
                return true;
            }
            if flap.turns == 0 {
                return false;
            }
            let (channel, plug, turns) = (flap.channel.as_str(), plug.as_str(), flap.turns);
            match flap.gone {
                true => info!(channel, plug, turns, "plug gone"),
                false => info!(channel, plug, turns, "plug back"),
            }
            (flap.said_at, flap.turns) = (up, 0);
            true
        });
    }

    /// When something that waits is to be said.
    pub fn look_at(&self) -> Option<Duration> {
        self.plugs.values().filter(|flap| flap.turns > 0).map(|flap| flap.said_at + ONCE_IN).min()
    }
}

#[cfg(test)]
mod tests {
    use std::io::Write;
    use std::sync::{Arc, Mutex};

    use super::*;

    #[derive(Clone, Default)]
    struct Kept(Arc<Mutex<Vec<u8>>>);

    impl Write for Kept {
        fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
            self.0.lock().expect("not poisoned").extend_from_slice(bytes);
            Ok(bytes.len())
        }

        fn flush(&mut self) -> std::io::Result<()> {
            Ok(())
        }
    }

    /// Turns of one plug at these seconds, gone first, looked at every second for three minutes: what is said.
    #[track_caller]
    fn check(turns_at_s: &[u64], expected: &[&str]) {
        let kept = Kept::default();
        let writer = kept.clone();
        let log = tracing_subscriber::fmt().with_writer(move || writer.clone()).with_ansi(false).without_time();
        tracing::subscriber::with_default(log.with_target(false).finish(), || {
            let mut flaps = Flaps::default();
            let mut gone = false;
            for second in 0..180 {
                let up = Duration::from_secs(second);
                for _ in turns_at_s.iter().filter(|at| **at == second) {
                    gone = !gone;
                    let (channel, plug) = ("jetty".into(), "yard/3".into());
                    flaps.note(
                        up,
                        &if gone { Note::PlugGone { channel, plug } } else { Note::PlugBack { channel, plug } },
                    );
                }
                if flaps.look_at().is_some_and(|at| up >= at) {
                    flaps.look(up);
                }
            }
        });
        let text = String::from_utf8(kept.0.lock().expect("not poisoned").clone()).expect("text");
        let said: Vec<&str> = text.lines().map(str::trim).collect();
        assert_eq!(said, expected);
    }

    #[test]
    fn a_plug_that_comes_and_goes_takes_a_line_a_minute_and_the_last_word_is_true() {
        let gone = "INFO plug gone channel=\"jetty\" plug=\"yard/3\"";
        let back = "INFO plug back channel=\"jetty\" plug=\"yard/3\"";
        check(&[3], &[gone]);
        check(&[3, 120], &[gone, back]);
        check(&[3, 8], &[gone, "INFO plug back channel=\"jetty\" plug=\"yard/3\" turns=1"]);
        let every_five: Vec<u64> = (0..12).map(|n| 3 + n * 5).collect();
        check(&every_five, &[gone, "INFO plug back channel=\"jetty\" plug=\"yard/3\" turns=11"]);
    }
}
