//! What changed between two runs over the same scans: pieces found again by their place, and what differs in how they were measured.

mod json;
mod matching;
mod settings;
mod table;
mod tally;
mod views;

use std::collections::{BTreeMap, BTreeSet};

use crate::error::Result;
use crate::tables::{Flag, PieceRecord};

use super::open::Run;
use super::partition::Partition;
use super::rows::RecordingRow;

pub use json::{SHARES, diff_json};
pub use settings::{SettingChange, setting_changes};
pub use table::PairTable;
pub use tally::{Bars, Spread, Tally};
pub use views::{FrameSeen, frame_seen};

use matching::pairs;

/// Pieces that moved most and are kept with all that is known of them.
const MOST_MOVED: usize = 50;

/// One piece in both runs.
#[derive(Debug, Clone, PartialEq)]
pub struct PiecePair {
    /// Scanner and day.
    pub partition: Partition,
    /// The product, as the second run names it.
    pub product: String,
    /// Before: the piece in the first run.
    pub before: PieceRecord,
    /// After: the piece in the second.
    pub after: PieceRecord,
}

impl PiecePair {
    /// Change of the mass, g.
    #[must_use]
    pub fn mass_g(&self) -> f64 {
        self.after.mass_g - self.before.mass_g
    }

    /// The same as a share of the mass before; `None` of nothing.
    #[must_use]
    pub fn mass_relative(&self) -> Option<f64> {
        (self.before.mass_g > 0.0).then(|| self.mass_g() / self.before.mass_g)
    }

    /// Change of the volume, cm³.
    #[must_use]
    pub fn volume_cm3(&self) -> f64 {
        self.after.volume_cm3 - self.before.volume_cm3
    }

    /// Change of the fat share; `None` where one of them has none.
    #[must_use]
    pub fn fat_fraction(&self) -> Option<f64> {
        Some(self.after.fat_fraction? - self.before.fat_fraction?)
    }

    /// Flags that are new.
    pub fn flags_gained(&self) -> impl Iterator<Item = Flag> {
        let after = self.after.flags.iter();
        after
            .copied()
            .filter(|flag| !self.before.flags.contains(flag))
    }

    /// Flags that are gone.
    pub fn flags_lost(&self) -> impl Iterator<Item = Flag> {
        let before = self.before.flags.iter();
        before
            .copied()
            .filter(|flag| !self.after.flags.contains(flag))
    }

    /// Whether it was in spec before, and is after.
    #[must_use]
    pub fn in_spec(&self) -> [bool; 2] {
        [&self.before, &self.after].map(|piece| !piece.flags.iter().any(|flag| flag.is_spec()))
    }
}

/// What changed between two runs.
#[derive(Debug, Clone)]
pub struct RunDiff {
    /// The first run.
    pub before: String,
    /// The second run.
    pub after: String,
    /// What differs in how they were made.
    pub settings: Vec<SettingChange>,
    /// Recordings in both runs.
    pub recordings: u64,
    /// Of those, recordings whose input files differ.
    pub inputs_differ: u64,
    /// Recordings measured only in the first run, by name.
    pub only_before: Vec<String>,
    /// Recordings measured only in the second run, by name.
    pub only_after: Vec<String>,
    /// All pieces.
    pub all: Tally,
    /// By product, as the second run names it.
    pub products: BTreeMap<String, Tally>,
    /// By scanner.
    pub scanners: BTreeMap<String, Tally>,
    /// By week of the year (ISO 8601), `2026-W10`.
    pub weeks: BTreeMap<String, Tally>,
    /// Pieces whose mass changed most, the most first.
    pub most_moved: Vec<PiecePair>,
}

/// Compares two runs, scanner by scanner and day by day; `take` gets every pair in the order of the tables.
///
/// # Errors
/// A table of a run is damaged, or what `take` returns.
pub fn compare(
    before: &Run,
    after: &Run,
    take: &mut dyn FnMut(&PiecePair) -> Result<()>,
) -> Result<RunDiff> {
    let mut diff = RunDiff {
        before: before.path.display().to_string(),
        after: after.path.display().to_string(),
        settings: setting_changes(&before.description, &after.description),
        recordings: 0,
        inputs_differ: 0,
        only_before: Vec::new(),
        only_after: Vec::new(),
        all: Tally::default(),
        products: BTreeMap::new(),
        scanners: BTreeMap::new(),
        weeks: BTreeMap::new(),
        most_moved: Vec::new(),
    };
    let partitions: BTreeSet<&Partition> =
        before.partitions.iter().chain(&after.partitions).collect();
    for partition in partitions {
        let mut first = recordings(before, partition)?;
        let second = recordings(after, partition)?;
        for (name, (row, pieces)) in second {
            match first.remove(&name) {
                None => diff.only_after.push(name),
                Some((row_before, pieces_before)) => {
                    diff.recordings += 1;
                    diff.inputs_differ += u64::from(row_before.inputs_blake3 != row.inputs_blake3);
                    let product = row.product.unwrap_or_default();
                    diff.recording(partition, &product, pieces_before, pieces, take)?;
                }
            }
        }
        diff.only_before.extend(first.into_keys());
    }
    let key = |pair: &PiecePair| (pair.before.recording.clone(), pair.before.piece);
    diff.most_moved.sort_by(|a, b| {
        let by_mass = b.mass_g().abs().total_cmp(&a.mass_g().abs());
        by_mass.then_with(|| key(a).cmp(&key(b)))
    });
    diff.most_moved.truncate(MOST_MOVED);
    diff.only_before.sort();
    diff.only_after.sort();
    Ok(diff)
}

type Measured = BTreeMap<String, (RecordingRow, Vec<PieceRecord>)>;

/// What was measured of a partition.
fn recordings(run: &Run, partition: &Partition) -> Result<Measured> {
    let mut measured = Measured::new();
    if run.partitions.contains(partition) {
        run.read(partition, &mut |row, pieces| {
            if row.measured {
                measured.insert(row.recording.clone(), (row.clone(), pieces.to_vec()));
            }
            Ok(())
        })?;
    }
    Ok(measured)
}

impl RunDiff {
    /// Whether the runs say the same of every piece.
    #[must_use]
    pub fn is_same(&self) -> bool {
        self.only_before.is_empty()
            && self.only_after.is_empty()
            && self.all.pairs == self.all.same
            && self.all.only_before == 0
            && self.all.only_after == 0
    }

    fn recording(
        &mut self,
        partition: &Partition,
        product: &str,
        before: Vec<PieceRecord>,
        after: Vec<PieceRecord>,
        take: &mut dyn FnMut(&PiecePair) -> Result<()>,
    ) -> Result<()> {
        let matched = pairs(&before, &after)?;
        let week = week_of(&partition.day);
        let mut tallies = |add: &dyn Fn(&mut Tally)| {
            add(&mut self.all);
            add(self.products.entry(product.to_owned()).or_default());
            add(self.scanners.entry(partition.scanner.clone()).or_default());
            add(self.weeks.entry(week.clone()).or_default());
        };
        let lost = (before.len() - matched.len()) as u64;
        let found = (after.len() - matched.len()) as u64;
        tallies(&|tally| {
            tally.only_before += lost;
            tally.only_after += found;
        });
        for (one, other) in matched {
            let pair = PiecePair {
                partition: partition.clone(),
                product: product.to_owned(),
                before: before[one].clone(),
                after: after[other].clone(),
            };
            tallies(&|tally| tally.add(&pair));
            take(&pair)?;
            if pair.mass_g() != 0.0 {
                self.most_moved.push(pair);
            }
        }
        // Cut down now and then, so that memory does not grow with the runs.
        if self.most_moved.len() > 40 * MOST_MOVED {
            let by_mass =
                |a: &PiecePair, b: &PiecePair| b.mass_g().abs().total_cmp(&a.mass_g().abs());
            self.most_moved.sort_by(by_mass);
            self.most_moved.truncate(MOST_MOVED);
        }
        Ok(())
    }
}

/// The week of a day, `2026-W10` (ISO 8601).
fn week_of(day: &str) -> String {
    match day.parse::<jiff::civil::Date>() {
        Ok(date) => {
            let week = date.iso_week_date();
            format!("{:04}-W{:02}", week.year(), week.week())
        }
        Err(_) => day.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weeks_are_those_of_iso_8601() {
        // Examples of the standard's rule: week 1 is the one with the year's first Thursday.
        for (day, week) in [
            ("2026-03-04", "2026-W10"),
            ("2027-01-01", "2026-W53"),
            ("2024-12-30", "2025-W01"),
        ] {
            assert_eq!(week_of(day), week);
        }
    }
}
