//! What the flanks that are seen say of those that are not.
//!
//! A hidden flank runs as the one across the piece does, whose foot is parallel to the hidden shoulder: products are cut, moulded
//! and grown alike on both sides. What it says is averaged over several lanes, and compared at the shoulder's own height, so that
//! rims of any form speak: upright walls, slopes, rounded edges.

use ndarray::{Array1, ArrayView2};

use super::super::region::Cell;

/// Lanes on either side over which the direction of an edge is taken.
const DIRECTION_LANES: usize = 6;
/// Lanes whose foot is most nearly parallel to the shoulder, that are asked.
const ASKED_LANES: usize = 15;
/// Largest difference of direction, cells per lane, for a lane to be asked.
const PARALLEL: f32 = 0.35;
/// Feet asked at most when none is parallel.
const LEAST_LANES: usize = 3;
/// Cells of a flank that are followed.
const LONGEST: usize = 160;

/// Direction of an edge per lane: cells along per lane across; `None` where the edge is not known.
///
/// The slope of a line through the edge over up to six lanes on either side.
pub fn directions(edge: &[Option<usize>]) -> Vec<Option<f32>> {
    (0..edge.len())
        .map(|lane| {
            edge[lane]?;
            let first = lane.saturating_sub(DIRECTION_LANES);
            let end = (lane + DIRECTION_LANES + 1).min(edge.len());
            let (mut n, mut sum_x, mut sum_y, mut sum_xx, mut sum_xy) = (0.0, 0.0, 0.0, 0.0, 0.0);
            for near in first..end {
                if let Some(at) = edge[near] {
                    let (x, y) = (near as f32 - lane as f32, at as f32);
                    n += 1.0;
                    sum_x += x;
                    sum_y += y;
                    sum_xx += x * x;
                    sum_xy += x * y;
                }
            }
            let spread = n * sum_xx - sum_x * sum_x;
            (n >= 3.0 && spread > 0.0).then(|| (n * sum_xy - sum_x * sum_y) / spread)
        })
        .collect()
}

/// The feet of the seen flanks, lane by lane.
#[derive(Debug)]
pub struct SeenFlanks {
    feet: Vec<(usize, usize, f32)>,
}

impl SeenFlanks {
    /// The first own cell of each lane that is seen, and has seen belt before it. Lanes run away from the camera.
    pub fn new(heights_mm: &ArrayView2<'_, f32>, cells: &ArrayView2<'_, Cell>, low_mm: f32) -> Self {
        let lanes = heights_mm.ncols();
        let foot = |lane: usize| {
            let column = cells.column(lane);
            let first = column.iter().position(|&cell| cell == Cell::Own)?;
            let before = first.checked_sub(1)?;
            let seen = !heights_mm[[first, lane]].is_nan() && heights_mm[[before, lane]] <= low_mm;
            seen.then_some(first)
        };
        let edge: Vec<Option<usize>> = (0..lanes).map(foot).collect();
        let directions = directions(&edge);
        let feet = (0..lanes)
            .filter_map(|lane| Some((lane, edge[lane]?, directions[lane]?)))
            .collect();
        Self { feet }
    }

    /// Mean heights of the cells below `height_mm` on the flanks parallel to `direction`, from the top down: what the cells
    /// behind a shoulder of that height are expected to hold. `None` if no flank in view reaches it.
    pub fn below(
        &self,
        heights_mm: &ArrayView2<'_, f32>,
        height_mm: f32,
        direction: f32,
    ) -> Option<Array1<f32>> {
        let mut order: Vec<(f32, usize)> = self
            .feet
            .iter()
            .enumerate()
            .map(|(index, &(_, _, foot))| ((foot - direction).abs(), index))
            .collect();
        order.sort_by(|one, two| one.0.total_cmp(&two.0).then(one.1.cmp(&two.1)));
        let mut mean = Array1::zeros(LONGEST);
        let mut asked = 0;
        for (apart, index) in order {
            if asked >= ASKED_LANES || (apart > PARALLEL && asked >= LEAST_LANES) {
                break;
            }
            let (lane, foot, _) = self.feet[index];
            let column = heights_mm.column(lane);
            let top = (foot..(foot + LONGEST).min(column.len())).find(|&at| column[at] >= height_mm);
            let Some(top) = top else { continue };
            for (out, at) in mean.iter_mut().zip((foot..top).rev()) {
                *out += if column[at].is_nan() { height_mm / 2.0 } else { column[at] };
            }
            asked += 1;
        }
        (asked > 0).then(|| mean / asked as f32)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Array2;

    #[test]
    fn a_straight_edge_has_its_slope() {
        let edge: Vec<Option<usize>> = (0..20).map(|lane| Some(3 + 2 * lane)).collect();
        assert!(directions(&edge).iter().all(|d| (d.unwrap() - 2.0).abs() < 1e-4));
        assert_eq!(directions(&[None, Some(1), None]), vec![None, None, None]);
    }

    #[test]
    fn a_slope_speaks_for_its_opposite() {
        // A flank that rises by 3 mm a cell to 12 mm.
        let heights = Array2::from_shape_fn((20, 12), |(row, _)| {
            (3.0 * (row as f32 - 4.5)).clamp(0.0, 12.0)
        });
        let cells =
            heights.map(|&height| if height > 0.25 { Cell::Own } else { Cell::Free });
        let flanks = SeenFlanks::new(&heights.view(), &cells.view(), 0.25);
        let below = flanks.below(&heights.view(), 12.0, 0.0).unwrap();
        assert_eq!(below.as_slice().unwrap()[..5], [10.5, 7.5, 4.5, 1.5, 0.0]);
    }
}
