//! Where a file says what it says: for warnings that are found only once the whole of it is planned.

use std::ops::Range;

use super::fault::{Fault, PhraseFault};
use super::reader::{MOST_SHOWN, Reader};

/// A file without fault and the bytes of it that a later warning can be about.
#[derive(Clone, Debug, PartialEq)]
pub struct Spots {
    /// Name of the file, as the person gave it.
    pub(super) file: String,
    pub(super) text: String,
    /// The value of `[place] position`.
    pub position: Range<usize>,
    /// Every rule of every channel, in the order of [`Config::channels`](super::Config::channels) and of their `lit`.
    pub rules: Vec<RuleSpots>,
}

/// The bytes of one entry of `lit`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RuleSpots {
    /// From brace to brace.
    pub whole: Range<usize>,
    /// The value of `from`.
    pub from: Range<usize>,
    /// The value of `until`.
    pub until: Range<usize>,
}

impl Spots {
    /// Faults or warnings by their bytes in the file, with line and column, in the order given. Those for which there is
    /// no room are left out: each has its whole line with it, and one endless line with many would fill the memory.
    pub fn faults(&self, found: &[PhraseFault]) -> Vec<Fault> {
        let reader = Reader::new(&self.file, &self.text);
        let mut room = MOST_SHOWN;
        let mut placed = Vec::with_capacity(found.len());
        for found in found {
            if room == 0 {
                break;
            }
            let fault = reader.place(found);
            room = room.saturating_sub(fault.source_line.len());
            placed.push(fault);
        }
        placed
    }
}
