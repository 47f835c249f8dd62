//! What the flanks that are seen say of those that are not.
//!
//! A hidden flank runs as the one across the piece does, whose foot is parallel to the hidden shoulder: products are cut, moulded
//! and grown alike on both sides. What it says is averaged over several lanes, and compared at the shoulder's own height, so that
//! rims of any form speak: upright walls, slopes, rounded edges.

use ndarray::ArrayView2;

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
    pub fn new(
        heights_mm: &ArrayView2<'_, f32>,
        cells: &ArrayView2<'_, Cell>,
        low_mm: f32,
    ) -> Self {
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

    /// Mean profile of the flanks parallel to `direction`: height of the first cell from the foot on, never falling.
    /// `None` if no flank in view reaches `height_mm`.
    fn profile(
        &self,
        heights_mm: &ArrayView2<'_, f32>,
        height_mm: f32,
        direction: f32,
    ) -> Option<Vec<f32>> {
        let mut order: Vec<(f32, usize)> = self
            .feet
            .iter()
            .enumerate()
            .map(|(index, &(_, _, foot))| ((foot - direction).abs(), index))
            .collect();
        order.sort_by(|one, two| one.0.total_cmp(&two.0).then(one.1.cmp(&two.1)));
        let mut sums = [(0.0_f32, 0.0_f32); LONGEST];
        let mut asked = 0;
        for (apart, index) in order {
            if asked >= ASKED_LANES || (apart > PARALLEL && asked >= LEAST_LANES) {
                break;
            }
            let (lane, foot, _) = self.feet[index];
            let column = heights_mm.column(lane);
            let flank = foot..(foot + LONGEST).min(column.len());
            if !flank.clone().any(|at| column[at] >= height_mm) {
                continue;
            }
            for (sum, at) in sums.iter_mut().zip(flank) {
                if !column[at].is_nan() {
                    sum.0 += column[at];
                    sum.1 += 1.0;
                }
            }
            asked += 1;
        }
        let mut highest = 0.0_f32;
        let mean = sums.iter().map(|&(sum, count)| {
            if count > 0.0 {
                highest = highest.max(sum / count);
            }
            highest
        });
        (asked > 0).then(|| mean.collect())
    }

    /// Heights expected of the cells behind a shoulder of `height_mm`, as on the flanks parallel to `direction`.
    /// `None` if no flank in view reaches that height.
    pub fn below(
        &self,
        heights_mm: &ArrayView2<'_, f32>,
        height_mm: f32,
        direction: f32,
        slack_mm: f32,
    ) -> Option<Vec<f32>> {
        // On a level top the noise decides where its very height is first reached: a little less is reached at its edge.
        let level_mm = height_mm - slack_mm;
        let profile = self.profile(heights_mm, level_mm, direction)?;
        let above = profile.iter().position(|&h| h >= level_mm)?;
        let crest = match above.checked_sub(1) {
            None => 0.0,
            Some(before) => {
                let (one, two) = (profile[before], profile[above]);
                before as f32 + (level_mm - one) / (two - one).max(f32::MIN_POSITIVE)
            }
        };
        // The foot lies half a cell before the first cell's centre, the crest half a cell behind the shoulder's, on the mean.
        let at = |place: f32| {
            if place <= -0.5 {
                0.0
            } else if place < 0.0 {
                profile[0] * (1.0 + 2.0 * place)
            } else {
                let cell = place as usize;
                let next = profile.get(cell + 1).copied().unwrap_or(height_mm);
                profile[cell] + place.fract() * (next - profile[cell])
            }
        };
        let cells = (crest + 1.5).ceil() as usize;
        Some(
            (1..=cells)
                .map(|j| at(crest + 0.5 - j as f32).min(height_mm))
                .collect(),
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Array2;

    #[test]
    fn a_straight_edge_has_its_slope() {
        let edge: Vec<Option<usize>> = (0..20).map(|lane| Some(3 + 2 * lane)).collect();
        assert!(
            directions(&edge)
                .iter()
                .all(|d| (d.unwrap() - 2.0).abs() < 1e-4)
        );
        assert_eq!(directions(&[None, Some(1), None]), vec![None, None, None]);
    }

    #[test]
    fn a_slope_speaks_for_its_opposite() {
        // A flank that rises by 3 mm a cell to 12 mm.
        let heights = Array2::from_shape_fn((20, 12), |(row, _)| {
            (3.0 * (row as f32 - 4.5)).clamp(0.0, 12.0)
        });
        let cells = heights.map(|&height| if height > 0.25 { Cell::Own } else { Cell::Free });
        let flanks = SeenFlanks::new(&heights.view(), &cells.view(), 0.25);
        let below = flanks.below(&heights.view(), 12.0, 0.0, 0.0).unwrap();
        let expected = [10.5, 7.5, 4.5, 1.5, 0.0];
        for (found, expected) in below.iter().zip(expected) {
            assert!((found - expected).abs() < 1.6, "{below:?}");
        }
        let sum: f32 = below.iter().sum();
        assert!((sum - 24.0).abs() < 1.0, "{below:?}");
    }

    #[test]
    fn a_wall_leaves_nothing_behind() {
        let heights = Array2::from_shape_fn((20, 12), |(row, _)| if row > 4 { 12.0 } else { 0.0 });
        let cells = heights.map(|&height| if height > 0.25 { Cell::Own } else { Cell::Free });
        let flanks = SeenFlanks::new(&heights.view(), &cells.view(), 0.25);
        let below = flanks.below(&heights.view(), 12.0, 0.0, 0.1).unwrap();
        assert!(below.iter().sum::<f32>() < 0.5, "{below:?}");
    }
}
