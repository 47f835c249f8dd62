//! From two sequences to a fit, without anything around it.

use super::belonging::{Likeness, likeness};
use super::fit::{Fit, fit};
use super::sequence::{Item, scores};
use super::track::{Search, Track, follow};

/// Lags of single lanes are looked for this far around the common one, s.
const LANE_LAG_S: f64 = 15.0;

/// Two sequences with their scores, and how alike they are: what must be known before a fit makes sense.
pub(super) struct Prepared<'a> {
    pub(super) likeness: Likeness,
    pieces: &'a [Item],
    piece_scores: Vec<f64>,
    weighings: &'a [Item],
    weighing_scores: Vec<f64>,
    search: Search,
    step_s: f64,
}

/// What came out.
#[derive(Debug, Clone)]
pub(super) struct Aligned {
    pub(super) likeness: Likeness,
    pub(super) fit: Fit,
}

/// Why there is nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Unalignable {
    /// All estimates are the same.
    SameEstimates,
    /// All weighings are the same.
    SameWeighings,
    /// No pair of a piece and a weighing lies within reach.
    Nothing,
}

/// Both in the order of time.
pub(super) fn prepare<'a>(
    pieces: &'a [Item],
    weighings: &'a [Item],
    reach_s: f64,
    step_s: f64,
) -> Result<Prepared<'a>, Unalignable> {
    let piece_scores = scores(pieces).ok_or(Unalignable::SameEstimates)?;
    let weighing_scores = scores(weighings).ok_or(Unalignable::SameWeighings)?;
    let search = Search {
        from_s: -reach_s,
        to_s: reach_s,
        bin_s: (0.25 * step_s).max(0.25),
    };
    let likeness = likeness(pieces, &piece_scores, weighings, &weighing_scores, search)
        .ok_or(Unalignable::Nothing)?;
    Ok(Prepared {
        likeness,
        pieces,
        piece_scores,
        weighings,
        weighing_scores,
        search,
        step_s,
    })
}

impl Prepared<'_> {
    pub(super) fn aligned(&self) -> Result<Aligned, Unalignable> {
        let track = follow(
            self.pieces,
            &self.piece_scores,
            self.weighings,
            &self.weighing_scores,
            self.search,
            |_| true,
        )
        .ok_or(Unalignable::Nothing)?;
        let lane_lag_s = lane_lags(
            self.pieces,
            &self.piece_scores,
            self.weighings,
            &self.weighing_scores,
            &track,
            self.search.bin_s,
        );
        let fit = fit(self.pieces, self.weighings, track, lane_lag_s, self.step_s);
        Ok(Aligned {
            likeness: self.likeness,
            fit,
        })
    }
}

/// How much later than the common lag each lane's pieces are weighed, where that is plain.
fn lane_lags(
    pieces: &[Item],
    piece_scores: &[f64],
    weighings: &[Item],
    weighing_scores: &[f64],
    track: &Track,
    bin_s: f64,
) -> Vec<(u32, f64)> {
    let mut lanes: Vec<u32> = pieces.iter().filter_map(|item| item.lane).collect();
    lanes.sort_unstable();
    lanes.dedup();
    if lanes.len() < 2 {
        return Vec::new();
    }
    let search = Search {
        from_s: -LANE_LAG_S,
        to_s: LANE_LAG_S,
        bin_s,
    };
    // By a clock that already carries the common lag.
    let moved: Vec<Item> = pieces
        .iter()
        .map(|item| Item {
            time_s: item.time_s + track.at(item.time_s),
            ..*item
        })
        .collect();
    lanes
        .into_iter()
        .map(|lane| {
            let track = follow(
                &moved,
                piece_scores,
                weighings,
                weighing_scores,
                search,
                |at| moved[at].lane == Some(lane),
            );
            let mut lags: Vec<f64> = track
                .iter()
                .flat_map(|track| track.knots())
                .map(|knot| knot.1)
                .collect();
            (lane, super::order::median(&mut lags))
        })
        .map(|(lane, lag)| (lane, if lag.is_finite() { lag } else { 0.0 }))
        .collect()
}
