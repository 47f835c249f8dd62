//! Following the chain of a log: what was changed, what is missing.

use std::fmt;

use super::entry::{ReadLine, read_line};
use super::log::Logged;

/// What the first entry names as the hash before it.
pub const ORIGIN: &str = "0000000000000000000000000000000000000000000000000000000000000000";

/// Something that shows that a log is not as it was written.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub enum Damage {
    /// The entry's words do not give the hash it carries.
    Changed {
        /// The entry.
        sequence: u64,
        /// Its line.
        line: usize,
    },
    /// The entry is whole by itself, but the next one was written after another.
    Replaced {
        /// The entry.
        sequence: u64,
        /// Its line.
        line: usize,
    },
    /// Entries are missing before a line.
    Missing {
        /// The first of them.
        first: u64,
        /// The last of them.
        last: u64,
        /// The line before which they should stand.
        line: usize,
    },
    /// The entry's number is not above that of the entry before.
    OutOfPlace {
        /// The entry.
        sequence: u64,
        /// Its line.
        line: usize,
    },
    /// The entry is of another scanner.
    WrongScanner {
        /// The entry.
        sequence: u64,
        /// Its line.
        line: usize,
        /// The scanner it names.
        found: String,
    },
    /// The line is no entry at all.
    NotAnEntry {
        /// The line.
        line: usize,
        /// The entry that should stand there.
        sequence: u64,
        /// Why not.
        reason: String,
    },
    /// The last line is half written: the program or the machine stopped while writing.
    Torn {
        /// The line.
        line: usize,
        /// Bytes of it that are there.
        bytes: u64,
    },
}

impl fmt::Display for Damage {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Changed { sequence, line } => write!(
                f,
                "line {line}: entry {sequence} was changed after it was written: its words do not give its hash; left out"
            ),
            Self::Replaced { sequence, line } => write!(
                f,
                "line {line}: entry {sequence} was replaced: the next entry was written after another one; left out"
            ),
            Self::Missing { first, last, line } if first == last => {
                write!(f, "line {line}: entry {first} is missing before this line")
            }
            Self::Missing { first, last, line } => {
                write!(
                    f,
                    "line {line}: entries {first} to {last} are missing before this line"
                )
            }
            Self::OutOfPlace { sequence, line } => write!(
                f,
                "line {line}: entry {sequence} stands here a second time or out of its place; left out"
            ),
            Self::WrongScanner {
                sequence,
                line,
                found,
            } => write!(
                f,
                "line {line}: entry {sequence} is of scanner '{found}', not of this log's; left out"
            ),
            Self::NotAnEntry {
                line,
                sequence,
                reason,
            } => write!(
                f,
                "line {line}: entry {sequence} should stand here, but the line is no entry: {reason}; left out"
            ),
            Self::Torn { line, bytes } => write!(
                f,
                "line {line}: half written ({bytes} bytes), as when the machine stops while writing; all before it is \
                 kept, and the next check moves it to a file beside the log"
            ),
        }
    }
}

/// Something that is allowed but worth knowing.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub enum Notice {
    /// The entry's time is before that of the entry before it: written down late.
    Late {
        /// The entry.
        sequence: u64,
    },
    /// The scan was checked before; the charts take the newer entry.
    SameScan {
        /// The entry.
        sequence: u64,
        /// The older one.
        earlier: u64,
        /// The scan.
        scan: String,
    },
}

impl fmt::Display for Notice {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Late { sequence } => write!(
                f,
                "entry {sequence} happened before the entry before it: written down late, charted in its time"
            ),
            Self::SameScan {
                sequence,
                earlier,
                scan,
            } => write!(
                f,
                "entry {sequence} is of scan {scan}, as entry {earlier} was: charted once, as in entry {sequence}"
            ),
        }
    }
}

/// A log's lines followed from the first to the last.
pub(super) struct Chain {
    pub(super) entries: Vec<Logged>,
    pub(super) damage: Vec<Damage>,
    /// The number of the last line that is an entry, or should be; 0 before the first.
    pub(super) sequence: u64,
    /// The hash that the next entry names; unknown after a line that is no entry.
    pub(super) hash: Option<String>,
}

/// Follows complete lines. Only entries in which everything agrees are kept.
pub(super) fn follow<'a>(lines: impl Iterator<Item = &'a [u8]>, scanner: &str) -> Chain {
    let mut chain = Chain {
        entries: Vec::new(),
        damage: Vec::new(),
        sequence: 0,
        hash: Some(ORIGIN.to_owned()),
    };
    for (index, text) in lines.enumerate() {
        let line = index + 1;
        match read_line(text) {
            Ok(read) => chain.take(line, read, scanner),
            Err(reason) => {
                chain.sequence += 1;
                chain.damage.push(Damage::NotAnEntry {
                    line,
                    sequence: chain.sequence,
                    reason,
                });
                chain.hash = None;
            }
        }
    }
    chain
}

impl Chain {
    fn take(&mut self, line: usize, read: ReadLine, scanner: &str) {
        let sequence = read.entry.sequence;
        let mut sound = true;
        if !read.intact {
            self.damage.push(Damage::Changed { sequence, line });
            // Its number may be what was changed. The place counts, and the hash it carries is what the next one names.
            self.sequence += 1;
            self.hash = Some(read.hash);
            return;
        }
        if sequence <= self.sequence {
            self.damage.push(Damage::OutOfPlace { sequence, line });
            return;
        }
        if sequence > self.sequence + 1 {
            self.damage.push(Damage::Missing {
                first: self.sequence + 1,
                last: sequence - 1,
                line,
            });
        } else if self
            .hash
            .as_ref()
            .is_some_and(|it| *it != read.entry.previous)
        {
            self.blame_the_one_before(sequence, line);
        }
        if read.entry.scanner != scanner {
            self.damage.push(Damage::WrongScanner {
                sequence,
                line,
                found: read.entry.scanner.clone(),
            });
            sound = false;
        }
        self.sequence = sequence;
        self.hash = Some(read.hash.clone());
        if sound {
            self.entries.push(Logged {
                line,
                hash: read.hash,
                entry: read.entry,
            });
        }
    }

    /// An entry that is whole names another hash than the one before it carries: that one is not what it followed.
    fn blame_the_one_before(&mut self, sequence: u64, line: usize) {
        let before = sequence - 1;
        match self.entries.pop_if(|it| it.entry.sequence == before) {
            Some(replaced) => self.damage.push(Damage::Replaced {
                sequence: before,
                line: replaced.line,
            }),
            // The first entry names something before it: the start was taken off and the rest numbered anew. Or the
            // one before was left out already, for a reason that was told.
            None if before == 0 => self.damage.push(Damage::Replaced { sequence, line }),
            None => {}
        }
    }
}
