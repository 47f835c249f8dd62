//! How well the flanks that are seen speak for those that are not.
//!
//! The seen side, looked at by a camera that is not there (mirrored to the far side, at the same angle), has shoulders and what lies behind
//! them as the hidden side has, but known. Of the triangle between belt, shoulder and ray, a flank fills a share: 0 for a wall, 1 for a
//! slope as steep as the ray. How much that share differs along the seen side, beyond what the direction of the edge explains, is how
//! much a hidden flank may differ from what was expected of it; and over what length it stays alike says how many flanks,
//! independent of each other, are hidden.

use ndarray::ArrayView1;

use super::footprint::Footprint;
use super::seen_flanks::{last_seen, seen_flanks};
use crate::pieces::{CellState, Mended};

/// Lanes on either side over which the direction of an edge is taken.
const DIRECTION_LANES: usize = 6;
/// Shortest shadow, cells.
const LEAST_SHADOW: f32 = 3.0;
/// The seen side's lanes are looked at in stretches of a quarter.
const LEAST_STRETCHES: f64 = 4.0;
/// Cells looked at together.
const BLOCK: usize = 64;
/// Fewest lanes from which a spread is taken.
const LEAST_LANES: usize = 24;

/// A seen lane's flank.
struct Seen {
    lane: usize,
    share: f64,
    direction: f64,
    weight: f64,
}

/// What the seen side says about the hidden one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HiddenSpread {
    /// Standard deviation of the share of the triangle that a flank fills.
    pub share_sd: f64,
    /// Lanes over which it stays alike.
    pub alike_lanes: f64,
    /// Sum of the squares of the hidden lanes' triangles, mm².
    pub triangles_mm2: f64,
    /// Sum of the hidden lanes' triangles, mm.
    pub triangles_mm: f64,
    /// Sum of the heights that were rebuilt in these lanes, mm.
    pub rebuilt_mm: f64,
}

impl HiddenSpread {
    /// Standard uncertainty of the sum of the rebuilt heights, mm: both what was asked and what is hidden differ from the mean.
    #[must_use]
    pub fn sum_u_mm(&self) -> f64 {
        let apart = (self.alike_lanes * self.triangles_mm2)
            .sqrt()
            .min(self.triangles_mm);
        std::f64::consts::SQRT_2 * self.share_sd * apart
    }
}

/// Of a piece whose hidden side lies along the columns; `None` where nothing is hidden so, or too little is seen to tell.
pub fn hidden_spread(mended: &Mended, footprint: &Footprint) -> Option<HiddenSpread> {
    let (fall_mm, from_high) = ray(mended)?;
    let lanes = footprint.covered.ncols();
    let mut edge: Vec<Option<usize>> = vec![None; lanes];
    let mut seen = Vec::new();
    let (mut squares, mut sum, mut rebuilt_mm) = (0.0, 0.0, 0.0);
    let flanks = seen_flanks(mended, footprint, from_high, fall_mm);
    let shoulders = last_seen(mended, footprint, from_high);
    for (lane, (flank, last)) in flanks.into_iter().zip(shoulders).enumerate() {
        let column = Lane {
            heights_mm: mended.heights_mm.column(lane),
            states: mended.states.column(lane),
            from_high,
        };
        if let Some((height_mm, behind_mm)) = last.and_then(|last| column.hidden_mm(last)) {
            rebuilt_mm += behind_mm;
            let triangle_mm = f64::from(height_mm * height_mm / fall_mm / 2.0);
            squares += triangle_mm * triangle_mm;
            sum += triangle_mm;
        }
        let flank = flank.filter(|flank| flank.height_mm >= LEAST_SHADOW * fall_mm);
        if let Some(flank) = flank {
            let triangle_mm = flank.height_mm * flank.height_mm / fall_mm / 2.0;
            edge[lane] = Some(flank.shoulder);
            seen.push(Seen {
                lane,
                share: f64::from(flank.behind_mm / triangle_mm),
                direction: 0.0,
                weight: f64::from(triangle_mm),
            });
        }
    }
    for flank in &mut seen {
        flank.direction = direction(&edge, flank.lane)?;
    }
    let (share_sd, alike_lanes) = spread(&seen)?;
    (sum > 0.0).then_some(HiddenSpread {
        share_sd,
        alike_lanes,
        triangles_mm2: squares,
        triangles_mm: sum,
        rebuilt_mm,
    })
}

/// Fall of the ray from one hidden cell to the next, mm, and whether it falls towards smaller rows.
fn ray(mended: &Mended) -> Option<(f32, bool)> {
    let hidden = |state: CellState| matches!(state, CellState::Shadow | CellState::Alone);
    let mut falls = Vec::new();
    for row in 1..mended.states.nrows() {
        let [one, two] = [row - 1, row].map(|row| mended.states.row(row));
        let (Some(one), Some(two)) = (one.to_slice(), two.to_slice()) else {
            continue;
        };
        let mut column = 0;
        for (ones, twos) in one.chunks(BLOCK).zip(two.chunks(BLOCK)) {
            // Few cells are hidden: blocks without any are passed over.
            let mut both = ones.iter().zip(twos).map(|(&a, &b)| hidden(a) & hidden(b));
            if both.clone().fold(false, |any, both| any | both) {
                let mut at = column;
                both.by_ref().for_each(|both| {
                    if both {
                        falls.push(mended.ceiling_mm[[row - 1, at]] - mended.ceiling_mm[[row, at]]);
                    }
                    at += 1;
                });
            }
            column += ones.len();
        }
    }
    let fall_mm = crate::stats::median(&mut falls)?;
    (fall_mm != 0.0).then_some((fall_mm.abs(), fall_mm < 0.0))
}

struct Lane<'a> {
    heights_mm: ArrayView1<'a, f32>,
    states: ArrayView1<'a, CellState>,
    from_high: bool,
}

impl Lane<'_> {
    fn row(&self, at: usize) -> usize {
        if self.from_high {
            self.states.len() - 1 - at
        } else {
            at
        }
    }

    /// Height of the `last` seen cell, counted from the camera's side, and the sum of the heights rebuilt behind it; `None` if nothing was.
    fn hidden_mm(&self, last: usize) -> Option<(f32, f64)> {
        let hidden = |at: &usize| {
            matches!(
                self.states[self.row(*at)],
                CellState::Shadow | CellState::Beyond
            )
        };
        let cells = self.states.len();
        (last + 1..(last + 3).min(cells))
            .any(|at| hidden(&at))
            .then(|| {
                let behind = (last + 1..cells).take_while(|at| hidden(at));
                let behind_mm = behind.map(|at| f64::from(self.heights_mm[self.row(at)]));
                (self.heights_mm[self.row(last)], behind_mm.sum())
            })
    }
}

/// Cells along per lane across of the edge about a lane.
fn direction(edge: &[Option<usize>], lane: usize) -> Option<f64> {
    let first = lane.saturating_sub(DIRECTION_LANES);
    let near = edge
        .iter()
        .enumerate()
        .skip(first)
        .take(lane + DIRECTION_LANES + 1 - first);
    let points = near.filter_map(|(at, place)| {
        let x = at as f64 - lane as f64;
        place.map(|place| ([1.0, x], place as f64, 1.0))
    });
    let fit = crate::stats::weighted_least_squares(points, [0.0, 1e-6])?;
    Some(fit.coefficients[1])
}

/// Standard deviation of the shares about what the direction explains, and over how many lanes they stay alike.
fn spread(seen: &[Seen]) -> Option<(f64, f64)> {
    let steepness = |flank: &Seen| flank.direction.atan().powi(2);
    let fit = crate::stats::weighted_least_squares(
        seen.iter()
            .map(|flank| ([1.0, steepness(flank)], flank.share, flank.weight)),
        [0.0, 1e-9],
    )?;
    let rest =
        |flank: &Seen| flank.share - fit.coefficients[0] - fit.coefficients[1] * steepness(flank);
    let weights: f64 = seen.iter().map(|flank| flank.weight).sum();
    let variance = seen
        .iter()
        .map(|flank| flank.weight * rest(flank).powi(2))
        .sum::<f64>()
        / weights;
    let rests: Vec<f64> = seen.iter().map(rest).collect();
    let square: f64 = rests.iter().map(|r| r * r).sum();
    if square <= 0.0 {
        return None;
    }
    // Bartlett's window over a quarter of the lanes (W. K. Newey and K. D. West, Econometrica 55 (1987) 703–708): never negative.
    let reach = rests.len() / 4;
    let mut alike = 1.0;
    for lag in 1..=reach {
        let product: f64 = rests.iter().zip(&rests[lag..]).map(|(a, b)| a * b).sum();
        alike += 2.0 * (1.0 - lag as f64 / (reach + 1) as f64) * product / square;
    }
    // Two coefficients were fitted to lanes that are alike over the window's length.
    let free = 1.0 - 2.0 / LEAST_STRETCHES;
    (rests.len() >= LEAST_LANES && alike > 0.0).then(|| ((variance / free).sqrt(), alike))
}
