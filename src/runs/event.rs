//! How a run is done, what is told on the way, and what it came to.

use super::manifest::RunCounts;
use super::outcome::RejectedRow;

/// What happens while a run goes on.
#[derive(Debug)]
pub enum Event<'a> {
    /// So many scans of the archive have been read. Some of its recordings may be under way already.
    Read {
        /// Scans read so far.
        scans: usize,
    },
    /// The whole archive has been read: so many recordings are to be measured; so many were done before and stay.
    Begin {
        /// Recordings to measure.
        to_do: usize,
        /// Recordings done before.
        done_before: usize,
        /// Frames in the recordings to measure.
        frames_to_do: usize,
        /// Of those to measure, recordings that were done before with other inputs, profile, calibration or program.
        changed: usize,
    },
    /// A recording has been measured.
    Measured {
        /// Its name.
        recording: &'a str,
        /// Frames in it.
        frames: usize,
        /// What could not be used of it.
        rejected: &'a [RejectedRow],
    },
}

/// How a run is done; none of it shows in the result.
#[derive(Debug, Clone, Copy)]
pub struct Effort {
    /// Recordings measured at the same time. While the archive is being read, as many threads again read it as the caller's pool has.
    pub threads: usize,
    /// Whether the inputs of what was done before are read and compared, not only looked at.
    pub verify: bool,
}

/// What a run came to.
#[derive(Debug)]
pub struct RunResult {
    /// What is in it.
    pub counts: RunCounts,
    /// Recordings measured this time.
    pub measured_now: usize,
    /// Every input that is not in it, in order.
    pub rejected: Vec<RejectedRow>,
}
