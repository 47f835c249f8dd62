//! Rows that are there twice, as where two exports overlap.

use std::collections::BTreeSet;

use csv::ByteRecord;
use jiff::Timestamp;

/// Hashes of the rows kept.
#[derive(Default)]
pub(super) struct Seen {
    hashes: BTreeSet<u64>,
    /// Those of the rows that bear the same time as the newest.
    newest: Vec<u64>,
    newest_time: Option<Timestamp>,
}

impl Seen {
    /// Whether a whole row repeats an earlier one. Where times are written to whole seconds, two pieces of the same second and mass look the same:
    /// rows that follow each other with one time are no repetition.
    pub(super) fn repeats(&mut self, row: &ByteRecord, time: Timestamp) -> bool {
        let digest = blake3::hash(row.as_slice());
        let [a, b, c, d, e, f, g, h, ..] = *digest.as_bytes();
        let hash = u64::from_le_bytes([a, b, c, d, e, f, g, h]);
        if self.newest_time != Some(time) {
            self.hashes.extend(self.newest.drain(..));
            self.newest_time = Some(time);
        }
        if self.hashes.contains(&hash) {
            return true;
        }
        let whole_seconds = time.subsec_nanosecond() == 0;
        if !whole_seconds && self.newest.contains(&hash) {
            return true;
        }
        self.newest.push(hash);
        false
    }
}
