//! One row of a checkweigher's log.

use jiff::Timestamp;

/// A weighing.
#[derive(Debug, Clone, PartialEq)]
pub struct Weighing {
    /// 1-based data row of the log (the head does not count); over several logs counted on.
    pub log_row: usize,
    /// When it was weighed, by the checkweigher's own clock.
    pub time: Timestamp,
    /// What the checkweigher showed, g.
    pub mass_g: f64,
    /// 1-based lane, where the log tells it.
    pub lane: Option<u32>,
}
