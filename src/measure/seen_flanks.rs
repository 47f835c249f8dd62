//! The flanks on a piece's seen side, lane by lane, from one pass over its rows.
//!
//! A camera mirrored to the far side sees a lane down to its shoulder: of the cells from the foot to the top the one that the ray grazes,
//! where height less the ray's fall up to there is largest. So the best cell so far, held for each lane when a new top is met, is all that a
//! pass needs to know, and lanes side by side need the same steps.

use super::footprint::Footprint;
use super::spans::row_of;
use crate::pieces::{CellState, Mended};

/// Lanes that are stepped together.
const LANES: usize = 8;

/// The seen flank of a lane.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SeenFlank {
    /// Place of the shoulder, counted from the camera's side.
    pub shoulder: usize,
    /// Its height, mm.
    pub height_mm: f32,
    /// Sum of the heights from the foot up to it, mm.
    pub behind_mm: f32,
}

/// A lane that begins with a cell nobody saw.
const UNSEEN: u32 = u32::MAX;

/// The first stretch of covered cells of some lanes, as far as it was met.
#[derive(Debug, Clone, Copy, Default)]
struct Lanes {
    /// One past its last cell; 0 before its first, [`UNSEEN`] where that was not seen.
    end: [u32; LANES],
    /// Sum of its heights, mm.
    sum_mm: [f32; LANES],
    /// The cell with the largest height less fall: that difference, height, place, and the sum of the heights before it.
    best_mm: [f32; LANES],
    best_height_mm: [f32; LANES],
    best_at: [u32; LANES],
    best_sum_mm: [f32; LANES],
    /// Height of the top, and the best cell up to it.
    top_mm: [f32; LANES],
    height_mm: [f32; LANES],
    at: [u32; LANES],
    behind_mm: [f32; LANES],
}

impl Lanes {
    /// Takes the next cell of one lane, `at` cells from the camera's side, where the ray has fallen by `fallen_mm`.
    #[inline(always)]
    fn step(&mut self, lane: usize, at: u32, fallen_mm: f32, height_mm: f32) {
        let stands_mm = height_mm - fallen_mm;
        let better = stands_mm > self.best_mm[lane];
        let held = |new: f32, old: f32, takes: bool| if takes { new } else { old };
        let held_at = |new: u32, old: u32, takes: bool| if takes { new } else { old };
        self.best_mm[lane] = held(stands_mm, self.best_mm[lane], better);
        self.best_height_mm[lane] = held(height_mm, self.best_height_mm[lane], better);
        self.best_at[lane] = held_at(at, self.best_at[lane], better);
        self.best_sum_mm[lane] = held(self.sum_mm[lane], self.best_sum_mm[lane], better);
        self.sum_mm[lane] += height_mm;
        let higher = height_mm >= self.top_mm[lane];
        self.top_mm[lane] = held(height_mm, self.top_mm[lane], higher);
        self.height_mm[lane] = held(self.best_height_mm[lane], self.height_mm[lane], higher);
        self.at[lane] = held_at(self.best_at[lane], self.at[lane], higher);
        self.behind_mm[lane] = held(self.best_sum_mm[lane], self.behind_mm[lane], higher);
        self.end[lane] = at + 1;
    }

    /// Begins a lane's stretch.
    fn begin(&mut self, lane: usize) {
        self.best_mm[lane] = f32::NEG_INFINITY;
        self.top_mm[lane] = f32::NEG_INFINITY;
    }
}

/// The seen flank of each lane (column), `None` where the lane is not covered or begins with a cell that nobody saw.
///
/// Lanes run from the camera's side, which is that of the last row if `from_high`; the ray falls by `fall_mm` a cell.
pub fn seen_flanks(
    mended: &Mended,
    footprint: &Footprint,
    from_high: bool,
    fall_mm: f32,
) -> Vec<Option<SeenFlank>> {
    let (rows, columns) = footprint.covered.dim();
    let mut lanes = vec![Lanes::default(); columns.div_ceil(LANES)];
    let mut take = |row: usize, span: &std::ops::Range<usize>| {
        let at = if from_high { rows - 1 - row } else { row } as u32;
        let fallen_mm = at as f32 * fall_mm;
        let blocks = span.start / LANES..span.end.div_ceil(LANES);
        for block in blocks {
            let own = block * LANES..(block * LANES + LANES).min(columns);
            let covered = row_of(&footprint.covered, row, &own);
            let heights = row_of(&mended.heights_mm, row, &own);
            let lanes = &mut lanes[block];
            if let (Ok(covered), Ok(heights)) = (
                <&[bool; LANES]>::try_from(covered),
                <&[f32; LANES]>::try_from(heights),
            ) {
                let goes_on = covered.iter().zip(&lanes.end);
                if goes_on.fold(true, |all, (&covered, &end)| all & covered & (end == at)) && at > 0
                {
                    for (lane, &height_mm) in heights.iter().enumerate() {
                        lanes.step(lane, at, fallen_mm, height_mm);
                    }
                    continue;
                }
            }
            for (lane, (&covered, &height_mm)) in covered.iter().zip(heights).enumerate() {
                if !covered {
                    continue;
                }
                if lanes.end[lane] == 0 {
                    lanes.begin(lane);
                    if mended.states[[row, own.start + lane]] == CellState::Seen {
                        lanes.step(lane, at, fallen_mm, height_mm);
                    } else {
                        lanes.end[lane] = UNSEEN;
                    }
                } else if lanes.end[lane] == at {
                    lanes.step(lane, at, fallen_mm, height_mm);
                }
            }
        }
    };
    let spans = footprint.spans.iter();
    if from_high {
        spans.rev().for_each(|(row, span)| take(*row, span));
    } else {
        spans.for_each(|(row, span)| take(*row, span));
    }
    let flank = |lane: usize| {
        let (block, lane) = (&lanes[lane / LANES], lane % LANES);
        let known = block.end[lane] != 0 && block.end[lane] != UNSEEN;
        known.then(|| SeenFlank {
            shoulder: block.at[lane] as usize,
            height_mm: block.height_mm[lane],
            behind_mm: block.behind_mm[lane],
        })
    };
    (0..columns).map(flank).collect()
}

/// The last covered cell of each lane that was seen, counted from the camera's side.
pub fn last_seen(mended: &Mended, footprint: &Footprint, from_high: bool) -> Vec<Option<usize>> {
    const BLOCK: usize = 32;
    let (rows, columns) = footprint.covered.dim();
    let mut found = vec![false; columns];
    let mut last = vec![None; columns];
    let mut take = |row: usize, span: &std::ops::Range<usize>| {
        let at = if from_high { rows - 1 - row } else { row };
        let covered = row_of(&footprint.covered, row, span).chunks(BLOCK);
        let states = row_of(&mended.states, row, span).chunks(BLOCK);
        let found = found[span.clone()].chunks_mut(BLOCK);
        let last = last[span.clone()].chunks_mut(BLOCK);
        for ((covered, states), (found, last)) in covered.zip(states).zip(found.zip(last)) {
            let is_last = |((&covered, &state), &found): ((&bool, &CellState), &bool)| {
                covered & (state == CellState::Seen) & !found
            };
            let cells = covered.iter().zip(states);
            let asked = cells.clone().zip(&*found);
            if !asked.fold(false, |any, cell| any | is_last(cell)) {
                continue;
            }
            for ((cell, found), last) in cells.zip(found).zip(last) {
                if is_last((cell, &*found)) {
                    *found = true;
                    *last = Some(at);
                }
            }
        }
    };
    let spans = footprint.spans.iter();
    if from_high {
        spans.for_each(|(row, span)| take(*row, span));
    } else {
        spans.rev().for_each(|(row, span)| take(*row, span));
    }
    last
}

#[cfg(test)]
mod tests {
    use ndarray::Array2;

    use super::super::spans::spans;
    use super::*;

    /// The definition: from the top back to the foot, what stands clear of the ray is the next shoulder.
    fn by_definition(
        mended: &Mended,
        footprint: &Footprint,
        from_high: bool,
        fall_mm: f32,
        lane: usize,
    ) -> Option<SeenFlank> {
        let rows = footprint.covered.nrows();
        let at = |at: usize| [if from_high { rows - 1 - at } else { at }, lane];
        let foot = (0..rows).find(|&place| footprint.covered[at(place)])?;
        if mended.states[at(foot)] != CellState::Seen {
            return None;
        }
        let end = (foot..rows)
            .find(|&place| !footprint.covered[at(place)])
            .unwrap_or(rows);
        let height = |place: usize| mended.heights_mm[at(place)];
        let top_mm = (foot..end).map(height).fold(f32::NEG_INFINITY, f32::max);
        let top = (foot..end).rfind(|&place| height(place) == top_mm)?;
        let mut shoulder = top;
        for place in (foot..top).rev() {
            if height(place) >= height(shoulder) - fall_mm * (shoulder - place) as f32 {
                shoulder = place;
            }
        }
        Some(SeenFlank {
            shoulder,
            height_mm: height(shoulder),
            behind_mm: (foot..shoulder).map(height).sum(),
        })
    }

    #[test]
    fn a_pass_over_rows_finds_what_a_walk_along_lanes_does() {
        let size = (70, 43);
        let mut state = 1_u64;
        let mut random = move |below: u64| {
            state = state.wrapping_mul(6_364_136_223_846_793_005) + 1;
            (state >> 33) % below
        };
        // Heights in eighths of a millimetre and a fall of a quarter: sums and differences are exact.
        let heights_mm = Array2::from_shape_fn(size, |(row, _)| {
            let arch = 8.0 * (row as f32 / 69.0 * std::f32::consts::PI).sin();
            (arch * 8.0).round() / 8.0 + random(24) as f32 / 8.0
        });
        let covered = Array2::from_shape_fn(size, |(row, column)| {
            column != 5 && (4 + column % 7..60).contains(&row) && random(97) != 0
        });
        let states = Array2::from_shape_fn(size, |_| match random(9) {
            0 => CellState::Shadow,
            _ => CellState::Seen,
        });
        let mended = Mended {
            ceiling_mm: Array2::zeros(size),
            heights_mm,
            states,
        };
        let footprint = Footprint {
            spans: spans(&covered),
            summed_spans: spans(&covered),
            summed: covered.clone(),
            covered,
        };
        for from_high in [false, true] {
            let found = seen_flanks(&mended, &footprint, from_high, 0.25);
            let last = last_seen(&mended, &footprint, from_high);
            assert!(found.iter().flatten().count() > 20);
            for lane in 0..size.1 {
                let expected = by_definition(&mended, &footprint, from_high, 0.25, lane);
                assert_eq!(found[lane], expected, "{lane}");
                let seen = |at: &usize| {
                    let row = if from_high { size.0 - 1 - at } else { *at };
                    let at = [row, lane];
                    footprint.covered[at] && mended.states[at] == CellState::Seen
                };
                assert_eq!(last[lane], (0..size.0).rfind(seen));
            }
        }
    }
}
