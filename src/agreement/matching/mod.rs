//! Which weighing belongs to which piece, although nobody numbered them.
//!
//! [`sequence`] puts both into the order of time, [`track`] finds the lag by the likeness of masses, [`belonging`] asks whether there is any
//! likeness at all, [`lattice`] weighs all ways of matching against each other by the likelihoods of [`model`], and [`fit`] learns the model.
//! Method and figures: `docs/methods/matching.md`.

mod belonging;
mod clock;
mod core;
mod fit;
mod lag;
mod lattice;
mod leftovers;
mod model;
mod order;
mod outcome;
mod refusals;
mod sequence;
mod track;
mod words;

pub use clock::Clocks;
pub use outcome::{Counts, Match, Matching, PieceFate, WeighingFate};

use jiff::Timestamp;

use self::core::prepare;
use self::sequence::{Item, clock_step_s, in_order};
use crate::error::Result;
use crate::tables::PieceRecord;

use super::{PairedPiece, Weighing};

/// How to match.
#[derive(Debug, Clone, PartialEq)]
pub struct MatchSettings {
    /// Farthest that scan and weighing of a piece may lie apart by the two clocks, s.
    pub lag_within_s: f64,
    /// A match is accepted from this probability on.
    pub least_probability: f64,
    /// Test weights that were put on the scale, g.
    pub test_weights_g: Vec<f64>,
}

impl MatchSettings {
    /// A quarter of an hour; 95 %; no test weights known.
    pub const USUAL: Self = Self {
        lag_within_s: 900.0,
        least_probability: 0.95,
        test_weights_g: Vec::new(),
    };
}

/// Matches weighings with pieces.
///
/// # Errors
/// Pieces without times or masses, no common span of time, too few of either, masses that are all the same, masses in another unit, files that
/// do not belong together.
pub fn match_weighings(
    pieces: &[PieceRecord],
    weighings: &[Weighing],
    settings: &MatchSettings,
) -> Result<Matching> {
    let start = refusals::first_time(pieces)?;
    let seconds = |time: Timestamp| time.duration_since(start).as_secs_f64();
    let mut scanned: Vec<Item> = pieces
        .iter()
        .enumerate()
        .filter(|(_, piece)| piece.mass_g.is_finite() && piece.mass_g > 0.0)
        .filter_map(|(index, piece)| {
            Some(Item {
                index,
                time_s: seconds(piece.time?),
                mass_g: piece.mass_g,
                lane: piece.lane,
            })
        })
        .collect();
    scanned.sort_by(|one, other| one.time_s.total_cmp(&other.time_s));
    let mut weighed: Vec<Item> = weighings
        .iter()
        .enumerate()
        .map(|(index, weighing)| Item {
            index,
            time_s: seconds(weighing.time),
            mass_g: weighing.mass_g,
            lane: weighing.lane,
        })
        .collect();
    let step_s = clock_step_s(weighings.iter().map(|it| it.time.as_nanosecond()));
    in_order(&mut weighed, step_s);
    refusals::check(&scanned, &weighed, start, settings)?;
    // Weighings from hours before and after would only cost time.
    let (Some(first), Some(last)) = (scanned.first(), scanned.last()) else {
        return Err(refusals::too_few(0, weighed.len()));
    };
    let reach_s = settings.lag_within_s;
    let (from_s, to_s) = (first.time_s - reach_s, last.time_s + reach_s);
    weighed.retain(|it| from_s <= it.time_s && it.time_s <= to_s);
    refusals::check_units(&scanned, &weighed)?;
    let prepared = prepare(&scanned, &weighed, reach_s, step_s).map_err(refusals::unalignable)?;
    refusals::check_likeness(&prepared.likeness, scanned.len(), weighed.len(), settings)?;
    let aligned = prepared.aligned().map_err(refusals::unalignable)?;
    let matching = outcome::matching(
        pieces.len(),
        weighings.len(),
        &weighed,
        &aligned,
        settings,
        start,
    )?;
    refusals::check_belonging(&prepared.likeness, &matching, settings)?;
    Ok(matching)
}

/// The pieces that were weighed by themselves, each with its weighing, in the order of the piece table.
#[must_use]
pub fn paired_pieces(
    pieces: &[PieceRecord],
    weighings: &[Weighing],
    matching: &Matching,
) -> Vec<PairedPiece> {
    let mut paired: Vec<PairedPiece> = matching
        .matches
        .iter()
        .filter_map(|found| {
            let [index] = found.pieces.as_slice() else {
                return None;
            };
            let record = pieces.get(*index)?;
            let weighing = weighings.get(found.weighing)?;
            Some(PairedPiece {
                piece_row: index + 1,
                log_row: weighing.log_row,
                probability: found.probability,
                scanned: record.time?,
                weighed_g: weighing.mass_g,
                mass_g: record.mass_g,
                mass_u_g: record.mass_u_g,
                record: record.clone(),
            })
        })
        .collect();
    paired.sort_by_key(|pair| pair.piece_row);
    paired
}
