//! From two sequences to a fit, without anything around it.

use super::belonging::{Likeness, likeness};
use super::fit::{Fit, fit};
use super::sequence::{Item, scores};
use super::track::{Search, Track, follow};

/// Lags of single lanes are looked for this far around the common one, s.
const LANE_LAG_S: f64 = 15.0;

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
pub(super) fn align(
    pieces: &[Item],
    weighings: &[Item],
    reach_s: f64,
    step_s: f64,
) -> Result<Aligned, Unalignable> {
    let piece_scores = scores(pieces).ok_or(Unalignable::SameEstimates)?;
    let weighing_scores = scores(weighings).ok_or(Unalignable::SameWeighings)?;
    let search = Search {
        from_s: -reach_s,
        to_s: reach_s,
        bin_s: (0.25 * step_s).max(0.25),
    };
    let likeness = likeness(pieces, &piece_scores, weighings, &weighing_scores, search)
        .ok_or(Unalignable::Nothing)?;
    let track = follow(
        pieces,
        &piece_scores,
        weighings,
        &weighing_scores,
        search,
        |_| true,
    )
    .ok_or(Unalignable::Nothing)?;
    let lane_lag_s = lane_lags(
        pieces,
        &piece_scores,
        weighings,
        &weighing_scores,
        &track,
        search.bin_s,
    );
    let fit = fit(pieces, weighings, track, lane_lag_s, step_s);
    Ok(Aligned { likeness, fit })
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
