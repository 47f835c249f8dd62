//! The pieces of a run as a list that can be sorted, filtered and read page by page.

use std::cmp::Ordering;
use std::collections::BTreeMap;

use jiff::Timestamp;

use crate::error::{Error, ErrorKind, Result};
use crate::tables::{Flag, PieceRecord};

use super::open::Run;
use super::partition::Partition;
use super::rows::RecordingRow;

/// Most pieces in a list: some 200 bytes each in memory.
pub const MOST_LISTED: u64 = 1_000_000;

/// One piece of the list. Values as in the piece table; see there for frame and definitions.
#[derive(Debug, Clone, PartialEq)]
pub struct PieceRow {
    /// Place of its recording in [`PieceList::recordings`].
    pub recording: usize,
    /// Place of its scan's id in [`PieceList::scans`].
    pub scan: usize,
    /// Number within the recording, from 1.
    pub piece: u32,
    /// Lane, from 1.
    pub lane: Option<u32>,
    /// When its centroid passed.
    pub time: Option<Timestamp>,
    /// Mass, g.
    pub mass_g: f64,
    /// Its standard uncertainty, g.
    pub mass_u_g: f64,
    /// Volume, cm³.
    pub volume_cm3: f64,
    /// Its standard uncertainty, cm³.
    pub volume_u_cm3: f64,
    /// Fat share of the top surface.
    pub fat_fraction: Option<f64>,
    /// Its standard uncertainty.
    pub fat_u_fraction: Option<f64>,
    /// Length, mm.
    pub length_mm: f64,
    /// Its standard uncertainty, mm.
    pub length_u_mm: Option<f64>,
    /// Width, mm.
    pub width_mm: f64,
    /// Its standard uncertainty, mm.
    pub width_u_mm: Option<f64>,
    /// Largest height, mm.
    pub max_height_mm: f64,
    /// What is remarkable, in the order of the flags.
    pub flags: Vec<Flag>,
}

/// What the list knows of a recording.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ListedRecording {
    /// Its name.
    pub name: String,
    /// Its scanner and day.
    pub partition: Partition,
    /// When its first row was taken.
    pub captured: Timestamp,
    /// Its product; empty where none is named.
    pub product: String,
}

/// The pieces of a run, in the order of its tables.
#[derive(Debug, Clone)]
pub struct PieceList {
    /// The recordings that were measured.
    pub recordings: Vec<ListedRecording>,
    /// Ids of the scans that hold pieces.
    pub scans: Vec<String>,
    /// The pieces.
    pub rows: Vec<PieceRow>,
}

/// What a list is sorted by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum SortBy {
    /// The order of the run's tables: scanner, time of the recording, number.
    #[default]
    Table,
    /// When the piece passed, or its recording began.
    Time,
    /// Lane.
    Lane,
    /// Mass.
    Mass,
    /// Volume.
    Volume,
    /// Fat share.
    Fat,
    /// Length.
    Length,
    /// Width.
    Width,
    /// Largest height.
    Height,
}

impl SortBy {
    /// Reads the name of a column of the piece table.
    #[must_use]
    pub fn from_column(name: &str) -> Option<Self> {
        Some(match name {
            "piece" => Self::Table,
            "time" => Self::Time,
            "lane" => Self::Lane,
            "mass_g" => Self::Mass,
            "volume_cm3" => Self::Volume,
            "fat_fraction" => Self::Fat,
            "length_mm" => Self::Length,
            "width_mm" => Self::Width,
            "max_height_mm" => Self::Height,
            _ => return None,
        })
    }
}

/// Which pieces are wanted, and in which order.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Wanted {
    /// Words that must all occur in recording, scan, product or scanner; case does not matter.
    pub words: String,
    /// Only this product.
    pub product: Option<String>,
    /// Only pieces with this flag.
    pub flag: Option<Flag>,
    /// Only pieces that miss any limit of their spec.
    pub out_of_spec: bool,
    /// The order.
    pub sort: SortBy,
    /// Largest first. Pieces without the value come last in either direction.
    pub descending: bool,
}

impl PieceList {
    /// Reads the pieces of a run, all of them or those of one scanner and day.
    ///
    /// # Errors
    /// A table is damaged, or there are more than [`MOST_LISTED`].
    pub fn read(run: &Run, part: Option<&Partition>) -> Result<Self> {
        let mut list = Self {
            recordings: Vec::new(),
            scans: Vec::new(),
            rows: Vec::new(),
        };
        let parts = run.partitions.iter();
        for partition in parts.filter(|it| part.is_none_or(|wanted| wanted == *it)) {
            run.read(partition, &mut |row, pieces| {
                if (list.rows.len() + pieces.len()) as u64 > MOST_LISTED {
                    return Err(Error::new(
                        ErrorKind::Unmeasurable,
                        format!("more than {MOST_LISTED} pieces"),
                    )
                    .at(&run.path)
                    .expected(
                        "choose one scanner and day, or read the Parquet tables with a data tool",
                    ));
                }
                list.add(partition, row, pieces);
                Ok(())
            })?;
        }
        Ok(list)
    }

    fn add(&mut self, partition: &Partition, row: &RecordingRow, pieces: &[PieceRecord]) {
        if !row.measured {
            return;
        }
        let recording = self.recordings.len();
        self.recordings.push(ListedRecording {
            name: row.recording.clone(),
            partition: partition.clone(),
            captured: row.captured,
            product: row.product.clone().unwrap_or_default(),
        });
        let mut scans: BTreeMap<&str, usize> = BTreeMap::new();
        for piece in pieces {
            let scan = *scans.entry(&piece.scan).or_insert_with(|| {
                self.scans.push(piece.scan.clone());
                self.scans.len() - 1
            });
            self.rows.push(PieceRow {
                recording,
                scan,
                piece: piece.piece,
                lane: piece.lane,
                time: piece.time,
                mass_g: piece.mass_g,
                mass_u_g: piece.mass_u_g,
                volume_cm3: piece.volume_cm3,
                volume_u_cm3: piece.volume_u_cm3,
                fat_fraction: piece.fat_fraction,
                fat_u_fraction: piece.fat_u_fraction,
                length_mm: piece.length_mm,
                length_u_mm: piece.length_u_mm,
                width_mm: piece.width_mm,
                width_u_mm: piece.width_u_mm,
                max_height_mm: piece.max_height_mm,
                flags: piece.flags.clone(),
            });
        }
    }

    /// Places of the wanted pieces in [`PieceList::rows`], in the wanted order. Equal ones stay in the order of the tables.
    #[must_use]
    pub fn select(&self, wanted: &Wanted) -> Vec<usize> {
        let words: Vec<String> = wanted
            .words
            .split_whitespace()
            .map(str::to_lowercase)
            .collect();
        let scans_of = |row: &PieceRow| {
            let about = &self.recordings[row.recording];
            let scan = &self.scans[row.scan];
            format!(
                "{} {scan} {} {}",
                about.name, about.product, about.partition.scanner
            )
            .to_lowercase()
        };
        // The pieces of one scan lie together: their words are looked at once.
        let mut last: Option<(usize, bool)> = None;
        let mut fits_words = |row: &PieceRow| match last {
            _ if words.is_empty() => true,
            Some((scan, fits)) if scan == row.scan => fits,
            _ => {
                let text = scans_of(row);
                let fits = words.iter().all(|word| text.contains(word.as_str()));
                last = Some((row.scan, fits));
                fits
            }
        };
        let mut found: Vec<usize> = Vec::new();
        for (at, row) in self.rows.iter().enumerate() {
            let product = &self.recordings[row.recording].product;
            let fits = wanted.product.as_ref().is_none_or(|it| it == product)
                && wanted.flag.is_none_or(|flag| row.flags.contains(&flag))
                && (!wanted.out_of_spec || row.flags.iter().any(|flag| flag.is_spec()))
                && fits_words(row);
            if fits {
                found.push(at);
            }
        }
        if wanted.sort == SortBy::Table {
            if wanted.descending {
                found.reverse();
            }
            return found;
        }
        let mut keyed: Vec<(Option<f64>, usize)> = found
            .into_iter()
            .map(|at| (self.key(&self.rows[at], wanted.sort), at))
            .collect();
        keyed.sort_by(|(one, _), (other, _)| match (one, other) {
            (Some(one), Some(other)) if wanted.descending => other.total_cmp(one),
            (Some(one), Some(other)) => one.total_cmp(other),
            (None, None) => Ordering::Equal,
            (None, Some(_)) => Ordering::Greater,
            (Some(_), None) => Ordering::Less,
        });
        keyed.into_iter().map(|(_, at)| at).collect()
    }

    fn key(&self, row: &PieceRow, sort: SortBy) -> Option<f64> {
        match sort {
            SortBy::Table => None,
            SortBy::Time => {
                let time = row.time.unwrap_or(self.recordings[row.recording].captured);
                Some(time.as_microsecond() as f64)
            }
            SortBy::Lane => row.lane.map(f64::from),
            SortBy::Mass => Some(row.mass_g),
            SortBy::Volume => Some(row.volume_cm3),
            SortBy::Fat => row.fat_fraction,
            SortBy::Length => Some(row.length_mm),
            SortBy::Width => Some(row.width_mm),
            SortBy::Height => Some(row.max_height_mm),
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// A list of pieces with these masses and fat shares, two a recording.
    fn list(values: &[(f64, Option<f64>)]) -> PieceList {
        let mut list = PieceList {
            recordings: Vec::new(),
            scans: Vec::new(),
            rows: Vec::new(),
        };
        for (at, (mass_g, fat_fraction)) in values.iter().enumerate() {
            if at % 2 == 0 {
                list.recordings.push(ListedRecording {
                    name: format!("R{:03}", at / 2),
                    partition: Partition {
                        scanner: "harbour-1".to_owned(),
                        day: "2026-03-04".to_owned(),
                    },
                    captured: Timestamp::UNIX_EPOCH,
                    product: ["strips", "rolls"][at / 2 % 2].to_owned(),
                });
                list.scans.push(format!("s{at}"));
            }
            list.rows.push(PieceRow {
                recording: list.recordings.len() - 1,
                scan: list.scans.len() - 1,
                piece: 1 + at as u32 % 2,
                lane: None,
                time: None,
                mass_g: *mass_g,
                mass_u_g: 1.0,
                volume_cm3: 1.0,
                volume_u_cm3: 1.0,
                fat_fraction: *fat_fraction,
                fat_u_fraction: None,
                length_mm: 1.0,
                length_u_mm: None,
                width_mm: 1.0,
                width_u_mm: None,
                max_height_mm: 1.0,
                flags: if at % 3 == 0 {
                    vec![Flag::Cut, Flag::SpecMass]
                } else {
                    Vec::new()
                },
            });
        }
        list
    }

    #[test]
    fn words_product_and_flags_are_all_kept_to() {
        let list = list(&[(1.0, None); 8]);
        let all = Wanted::default();
        assert_eq!(list.select(&all), [0, 1, 2, 3, 4, 5, 6, 7]);
        let wanted = Wanted {
            words: "r00 STRIPS".to_owned(),
            ..all.clone()
        };
        assert_eq!(list.select(&wanted), [0, 1, 4, 5]);
        let wanted = Wanted {
            words: "r001 strips".to_owned(),
            ..all.clone()
        };
        assert!(list.select(&wanted).is_empty());
        let wanted = Wanted {
            product: Some("rolls".to_owned()),
            out_of_spec: true,
            ..all.clone()
        };
        assert_eq!(list.select(&wanted), [3, 6]);
        let wanted = Wanted {
            flag: Some(Flag::Cut),
            descending: true,
            ..all.clone()
        };
        assert_eq!(list.select(&wanted), [6, 3, 0]);
        let wanted = Wanted {
            flag: Some(Flag::Edge),
            ..all
        };
        assert!(list.select(&wanted).is_empty());
    }

    proptest! {
        #[test]
        fn sorted_lists_are_the_same_pieces_in_order_with_the_unknown_last(
            values in prop::collection::vec((0.0..9.0_f64, prop::option::of(0.0..1.0_f64)), 0..40),
            descending in any::<bool>(),
        ) {
            let list = list(&values);
            let found = list.select(&Wanted { sort: SortBy::Fat, descending, ..Wanted::default() });
            let mut places = found.clone();
            places.sort_unstable();
            prop_assert_eq!(places, (0..values.len()).collect::<Vec<_>>());
            for pair in found.windows(2) {
                match (values[pair[0]].1, values[pair[1]].1) {
                    (Some(one), Some(other)) if descending => prop_assert!(one >= other),
                    (Some(one), Some(other)) => prop_assert!(one <= other),
                    (None, Some(_)) => prop_assert!(false, "an unknown value before a known one"),
                    _ => {}
                }
            }
        }
    }
}
