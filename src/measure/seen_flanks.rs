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

/// A lane that begins with a cell nobody saw, or none yet.
const UNSEEN: f32 = -1.0;

/// A value for each of some lanes; places are whole numbers far below 2²⁴.
type Each = [f32; LANES];
/// All bits of the lanes that something holds for.
type Mask = [u32; LANES];

/// The first stretch of covered cells of some lanes, as far as it was met.
#[derive(Debug, Clone, Copy)]
struct Lanes {
    /// One past its last cell; 0 before its first, [`UNSEEN`] where that was not seen.
    end: Each,
    /// Sum of its heights, mm.
    sum_mm: Each,
    /// The cell with the largest height less fall: that difference, height, place, and the sum of the heights before it.
    best_mm: Each,
    best_height_mm: Each,
    best_at: Each,
    best_sum_mm: Each,
    /// Height of the top, and the best cell up to it.
    top_mm: Each,
    height_mm: Each,
    at: Each,
    behind_mm: Each,
}

impl Lanes {
    const NEW: Self = Self {
        end: [0.0; LANES],
        sum_mm: [0.0; LANES],
        best_mm: [f32::NEG_INFINITY; LANES],
        best_height_mm: [0.0; LANES],
        best_at: [0.0; LANES],
        best_sum_mm: [0.0; LANES],
        top_mm: [f32::NEG_INFINITY; LANES],
        height_mm: [0.0; LANES],
        at: [0.0; LANES],
        behind_mm: [0.0; LANES],
    };

    /// Takes the next cells, `at` cells from the camera's side, where the ray has fallen by `fallen_mm`, of the lanes in `goes_on`.
    fn step(&mut self, goes_on: &Mask, at: f32, fallen_mm: f32, height_mm: &Each) {
        let mut stands_mm = [0.0; LANES];
        let (mut better, mut higher) = ([0; LANES], [0; LANES]);
        for lane in 0..LANES {
            stands_mm[lane] = height_mm[lane] - fallen_mm;
            better[lane] = goes_on[lane] & mask(stands_mm[lane] > self.best_mm[lane]);
            higher[lane] = goes_on[lane] & mask(height_mm[lane] >= self.top_mm[lane]);
        }
        let at = [at; LANES];
        put(&better, &stands_mm, &mut self.best_mm);
        put(&better, height_mm, &mut self.best_height_mm);
        put(&better, &at, &mut self.best_at);
        put(&better, &self.sum_mm, &mut self.best_sum_mm);
        put(&higher, height_mm, &mut self.top_mm);
        put(&higher, &self.best_height_mm, &mut self.height_mm);
        put(&higher, &self.best_at, &mut self.at);
        put(&higher, &self.best_sum_mm, &mut self.behind_mm);
        put(goes_on, &at.map(|at| at + 1.0), &mut self.end);
        for lane in 0..LANES {
            self.sum_mm[lane] += f32::from_bits(goes_on[lane] & height_mm[lane].to_bits());
        }
    }
}

fn mask(holds: bool) -> u32 {
    if holds { u32::MAX } else { 0 }
}

/// Puts new values where the mask is set.
fn put(mask: &Mask, new: &Each, held: &mut Each) {
    for lane in 0..LANES {
        let bits = mask[lane] & new[lane].to_bits() | !mask[lane] & held[lane].to_bits();
        held[lane] = f32::from_bits(bits);
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
    let mut lanes = vec![Lanes::NEW; columns.div_ceil(LANES)];
    let mut take = |row: usize, span: &std::ops::Range<usize>| {
        let at = if from_high { rows - 1 - row } else { row } as f32;
        let fallen_mm = at * fall_mm;
        for block in span.start / LANES..span.end.div_ceil(LANES) {
            let own = block * LANES..(block * LANES + LANES).min(columns);
            let mut covered = [false; LANES];
            let mut height_mm = [0.0; LANES];
            covered[..own.len()].copy_from_slice(row_of(&footprint.covered, row, &own));
            height_mm[..own.len()].copy_from_slice(row_of(&mended.heights_mm, row, &own));
            let lanes = &mut lanes[block];
            let mut begins = false;
            let mut goes_on = [0; LANES];
            for lane in 0..LANES {
                begins |= covered[lane] & (lanes.end[lane] == 0.0);
                goes_on[lane] = mask(covered[lane]) & mask(lanes.end[lane] == at);
            }
            if begins {
                for lane in 0..own.len() {
                    if covered[lane] && lanes.end[lane] == 0.0 {
                        let seen = mended.states[[row, own.start + lane]] == CellState::Seen;
                        goes_on[lane] = mask(seen);
                        lanes.end[lane] = if seen { at } else { UNSEEN };
                    }
                }
            }
            lanes.step(&goes_on, at, fallen_mm, &height_mm);
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
        let known = block.end[lane] > 0.0;
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
