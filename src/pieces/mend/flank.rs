//! What the flanks that are seen say of those that are not.
//!
//! Products are cut, moulded and grown alike on both sides, so a hidden flank runs as a seen one does. To compare like with like, the seen
//! side is shadowed too, by a camera that is not there: mirrored to the far side, at the same angle. What such a shadow would have hidden is
//! known, so each lane of the seen side is an example: a shoulder of some height, and what lies behind it. Examples speak for shoulders
//! whose edge runs in the same direction and that stand about as high; they are scaled to the shoulder's own height. Upright walls,
//! slopes and rounded rims of any form are thereby continued as this very piece continues them.

use ndarray::ArrayView2;

use super::super::region::Cell;
use super::lanes::own_stretches;

/// Lanes on either side over which the direction of an edge is taken.
const DIRECTION_LANES: usize = 6;
/// Examples that are averaged.
const ASKED: usize = 15;
/// Longest stretch of a lane that is kept, cells.
const LONGEST: usize = 160;
/// Fewest examples that are believed.
const LEAST: usize = 3;
/// Largest difference of direction, as an angle, rad, and of height, as a logarithm, for an example to count.
const FARTHEST: f32 = 0.6;
/// Weight of the logarithm of the heights' ratio against an angle in rad.
const HEIGHT_WEIGHT: f32 = 0.5;

/// Direction of an edge, cells along per lane across; `None` where the edge is not known.
///
/// The slope of a line through the edge over up to six lanes on either side, as far as the edge is connected.
pub fn directions(edge: &[Option<usize>]) -> Vec<Option<f32>> {
    (0..edge.len())
        .map(|lane| {
            let own = edge[lane]? as f32;
            let (mut n, mut sum_x, mut sum_y, mut sum_xx, mut sum_xy) = (0.0, 0.0, 0.0, 0.0, 0.0);
            let first = lane.saturating_sub(DIRECTION_LANES);
            let end = (lane + DIRECTION_LANES + 1).min(edge.len());
            for (near, at) in edge.iter().enumerate().take(end).skip(first) {
                if let Some(at) = *at {
                    let (x, y) = (near as f32 - lane as f32, at as f32 - own);
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

/// A shoulder and what lies behind it.
#[derive(Debug, Clone)]
struct Example {
    angle: f32,
    height_mm: f32,
    /// Where in [`SeenFlanks::examples_mm`] lie the shoulder's own height and those of the cells behind it down to the foot.
    cells: std::ops::Range<usize>,
}

/// A lane of the seen side from its foot upwards.
#[derive(Debug, Clone)]
struct Slope {
    angle: f32,
    lane_mm: Vec<f32>,
}

/// A cell behind a shoulder as the examples have it.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Expected {
    /// Mean height, mm.
    pub height_mm: f32,
    /// Share of the examples whose foot lies farther out.
    pub covered: f32,
}

/// What was asked last, and room to work it out.
#[derive(Debug, Default)]
pub struct Answer {
    /// The cells behind the shoulder, from the first to the foot.
    pub cells: Vec<Expected>,
    near: Vec<Near>,
}

/// An example, and how far it is from what was asked.
#[derive(Debug, Clone, Copy)]
struct Near {
    apart: f32,
    lane: usize,
    example: usize,
}

/// The examples of a piece.
#[derive(Debug)]
pub struct SeenFlanks {
    /// Ordered by angle, those of equal angle by lane.
    examples: Vec<Example>,
    /// Lane of each example.
    example_lanes: Vec<usize>,
    examples_mm: Vec<f32>,
    slopes: Vec<Slope>,
    aspect: f32,
}

impl SeenFlanks {
    /// Examples from all lanes whose foot on the camera's side is seen, with belt before it. Lanes run away from the
    /// camera; `fall_mm` is the ray's fall per cell, `aspect` the pitch along over the pitch across. Only with `fronts`
    /// can [`SeenFlanks::before`] be asked.
    pub fn new(
        heights_mm: &ArrayView2<'_, f32>,
        cells: &ArrayView2<'_, Cell>,
        low_mm: f32,
        fall_mm: f32,
        aspect: f32,
        noise_mm: f32,
        fronts: bool,
    ) -> Self {
        let lanes = heights_mm.ncols();
        let mut found: Vec<Option<Example>> = vec![None; lanes];
        let mut edge: Vec<Option<usize>> = vec![None; lanes];
        let mut feet: Vec<Option<usize>> = vec![None; lanes];
        let mut seen: Vec<Vec<f32>> = vec![Vec::new(); if fronts { lanes } else { 0 }];
        let mut examples_mm = Vec::new();
        let mut lane_mm = Vec::new();
        for (lane, own) in own_stretches(cells).into_iter().enumerate() {
            let foot = own.start;
            let Some(before) = foot.checked_sub(1).filter(|_| !own.is_empty()) else {
                continue;
            };
            let on_belt =
                cells[[before, lane]] != Cell::Other && heights_mm[[before, lane]] <= low_mm;
            let mut last = heights_mm[[foot, lane]];
            if !on_belt || last.is_nan() {
                continue;
            }
            lane_mm.clear();
            let column = heights_mm.column(lane);
            let (mut top, mut top_mm) = (0, f32::NEG_INFINITY);
            lane_mm.extend(own.enumerate().map(|(index, at)| {
                let height = column[at];
                last = if height.is_nan() { last } else { height };
                let higher = last >= top_mm;
                top = if higher { index } else { top };
                top_mm = if higher { last } else { top_mm };
                last
            }));
            if fronts {
                feet[lane] = Some(foot);
                seen[lane] = lane_mm.iter().take(LONGEST).copied().collect();
            }
            let Some(shoulder) = mirrored_shoulder(&lane_mm[..=top], fall_mm, noise_mm) else {
                continue;
            };
            let first = examples_mm.len();
            examples_mm.extend(lane_mm[..=shoulder].iter().rev());
            edge[lane] = Some(foot + shoulder);
            found[lane] = Some(Example {
                angle: 0.0,
                height_mm: lane_mm[shoulder],
                cells: first..examples_mm.len(),
            });
        }
        let angle = |direction: f32| (direction * aspect).atan();
        let examples = found.into_iter().zip(directions(&edge)).enumerate();
        let mut examples: Vec<(usize, Example)> = examples
            .filter_map(|(lane, (example, direction))| {
                let angle = angle(direction?);
                Some((lane, Example { angle, ..example? }))
            })
            .collect();
        examples.sort_unstable_by(|(lane, one), (other, two)| {
            one.angle.total_cmp(&two.angle).then(lane.cmp(other))
        });
        let (example_lanes, examples) = examples.into_iter().unzip();
        let slopes = directions(&feet).into_iter().zip(seen);
        let slopes = slopes.filter_map(|(direction, lane_mm)| {
            let angle = angle(direction?);
            Some(Slope { angle, lane_mm })
        });
        Self {
            examples,
            example_lanes,
            examples_mm,
            slopes: slopes.collect(),
            aspect,
        }
    }

    /// What is expected behind a shoulder of `height_mm` whose edge runs in `direction`, from the first cell behind it to
    /// the foot, but of no more than `most` cells, in `answer`. False if no flank in view is like it.
    pub fn behind(&self, height_mm: f32, direction: f32, most: usize, answer: &mut Answer) -> bool {
        let Answer { cells: mean, near } = answer;
        mean.clear();
        self.nearest(height_mm, (direction * self.aspect).atan(), near);
        if near.len() < LEAST {
            return false;
        }
        for near in near.iter() {
            let example = &self.examples[near.example];
            let scale = height_mm / example.height_mm;
            // The shoulder, and what is behind it.
            let lane_mm = &self.examples_mm[example.cells.clone()];
            let reach = (lane_mm.len() - 1) as f32 * scale;
            let whole = reach as usize;
            let cells = (whole + usize::from(reach > whole as f32) + 1).min(most);
            if mean.len() < cells {
                mean.resize(cells, Expected::default());
            }
            // The crest lies half a cell behind the shoulder's centre, on the mean: from there on it is larger.
            let mut out_at = 0.5;
            for out in &mut mean[..cells] {
                let place: f32 = out_at / scale + 0.5;
                out_at += 1.0;
                let before = place as u32;
                let part = place - before as f32;
                let before = before as usize;
                let (one, two) = match lane_mm.get(before..before + 2) {
                    Some(&[one, two]) => (one, two),
                    // Beyond the foot there is belt.
                    _ => (lane_mm.get(before).copied().unwrap_or(0.0), 0.0),
                };
                out.height_mm += scale * (one + part * (two - one));
                // Rounded to the nearest cell: a foot has no fractions.
                let nearest = if part < 0.5 { one } else { two };
                out.covered += if nearest > 0.0 { 1.0 } else { 0.0 };
            }
        }
        let count = near.len() as f32;
        for out in mean {
            out.height_mm /= count;
            out.covered /= count;
        }
        true
    }

    /// The examples nearest in direction and height, nearest first, of equally near ones that of the lower lane.
    ///
    /// From the query's angle outwards to both sides: what is farther off in angle alone than all that were found needs no look.
    fn nearest(&self, height_mm: f32, angle: f32, near: &mut Vec<Near>) {
        near.clear();
        let mut above = self
            .examples
            .partition_point(|example| example.angle < angle);
        let mut below = above;
        loop {
            let off = |index: usize| Some((self.examples.get(index)?.angle - angle).abs());
            let (low, high) = (below.checked_sub(1).and_then(off), off(above));
            let (index, turned) = match (low, high) {
                (Some(low), high) if high.is_none_or(|high| low <= high) => {
                    below -= 1;
                    (below, low)
                }
                (_, Some(high)) => {
                    above += 1;
                    (above - 1, high)
                }
                (_, None) => break,
            };
            let full = near.len() == ASKED;
            let farthest = near
                .last()
                .filter(|_| full)
                .map_or(FARTHEST, |last| last.apart);
            if turned > farthest {
                break;
            }
            let (example, lane) = (&self.examples[index], self.example_lanes[index]);
            // |ln(a/b)| is at least 2·|a − b|/(a + b), which is quicker to tell; less what rounding may do.
            let sum_mm = example.height_mm + height_mm;
            let least = 1.999 * (example.height_mm - height_mm).abs() / sum_mm - 1e-6;
            if turned + HEIGHT_WEIGHT * least > farthest {
                continue;
            }
            let higher = (example.height_mm / height_mm).ln().abs();
            let apart = turned + HEIGHT_WEIGHT * higher;
            if apart <= farthest {
                let nearer = |other: &Near| (other.apart, other.lane) <= (apart, lane);
                let place = near.partition_point(nearer);
                if place == ASKED {
                    continue;
                }
                near.truncate(ASKED - 1);
                near.insert(
                    place,
                    Near {
                        apart,
                        lane,
                        example: index,
                    },
                );
            }
        }
    }
}

impl SeenFlanks {
    /// What is expected before the first seen cell, of `height_mm`, of a lane on the camera's side whose foot a neighbour's
    /// shadow hides, and whose edge runs in `direction`: from the first cell before it to the foot.
    pub fn before(&self, height_mm: f32, direction: f32) -> Option<Vec<f32>> {
        let angle = (direction * self.aspect).atan();
        let mut order: Vec<(f32, usize)> = self
            .slopes
            .iter()
            .enumerate()
            .map(|(index, slope)| ((slope.angle - angle).abs(), index))
            .collect();
        order.sort_by(|one, two| one.0.total_cmp(&two.0).then(one.1.cmp(&two.1)));
        let mut mean: Vec<f32> = Vec::new();
        let mut asked = 0;
        for (_, index) in order {
            let lane_mm = &self.slopes[index].lane_mm;
            let Some(first) = lane_mm.iter().position(|&h| h >= height_mm) else {
                continue;
            };
            mean.resize(mean.len().max(first), 0.0);
            for (out, height) in mean.iter_mut().zip(lane_mm[..first].iter().rev()) {
                *out += height;
            }
            asked += 1;
            if asked == ASKED {
                break;
            }
        }
        (asked >= LEAST).then(|| mean.into_iter().map(|sum| sum / asked as f32).collect())
    }
}

/// The last cell (seen from the piece's top, where the lane ends, towards its start) that a camera beyond the far side sees, if a shadow on the belt
/// lies before it. A sample must stand clear of the ray by the noise, which would else let hidden ones through.
fn mirrored_shoulder(lane_mm: &[f32], fall_mm: f32, noise_mm: f32) -> Option<usize> {
    let top = lane_mm.len().checked_sub(1)?;
    let mut shoulder = top;
    let mut ray_mm = lane_mm[top];
    for at in (0..top).rev() {
        ray_mm -= fall_mm;
        if lane_mm[at] >= ray_mm + noise_mm {
            ray_mm = lane_mm[at];
            shoulder = at;
        }
    }
    // As for real shadows: some cells long.
    let hidden = (lane_mm[shoulder] / fall_mm) as usize;
    (hidden > super::shadow::LEAST_GAP).then_some(shoulder)
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

    fn behind(height: impl Fn(usize) -> f32, top_mm: f32) -> Vec<f32> {
        let heights = Array2::from_shape_fn((40, 12), |(row, _)| height(row));
        let cells = heights.map(|&height| if height > 0.25 { Cell::Own } else { Cell::Free });
        let flanks = SeenFlanks::new(&heights.view(), &cells.view(), 0.25, 0.86, 1.0, 0.0, false);
        let mut answer = Answer::default();
        assert!(flanks.behind(top_mm, 0.0, usize::MAX, &mut answer));
        answer.cells.iter().map(|cell| cell.height_mm).collect()
    }

    #[test]
    fn a_slope_speaks_for_its_opposite() {
        // A flank that rises by 3 mm a cell to 12 mm: behind the crest lie 10.5, 7.5, 4.5 and 1.5 mm.
        let found = behind(|row| (3.0 * (row as f32 - 4.5)).clamp(0.0, 12.0), 12.0);
        for (found, expected) in found.iter().zip([10.5, 7.5, 4.5, 1.5, 0.0]) {
            assert!((found - expected).abs() < 1e-5);
        }
    }

    #[test]
    fn a_wall_leaves_nothing_behind() {
        let found = behind(|row| if row > 4 { 12.0 } else { 0.0 }, 12.0);
        assert!(found.iter().all(|&height| height == 0.0));
    }

    #[test]
    fn a_higher_shoulder_is_the_same_larger() {
        let found = behind(|row| (3.0 * (row as f32 - 4.5)).clamp(0.0, 12.0), 13.2);
        let sum: f32 = found.iter().sum();
        assert!((sum / (24.0 * 1.1 * 1.1) - 1.0).abs() < 0.03, "{found:?}");
    }
}
