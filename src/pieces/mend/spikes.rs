//! Flying points: samples that stand alone, far from everything around them.

use ndarray::Array2;

/// A sample is false if it is outside the range of its neighbours by more than this many noise standard deviations …
const SPIKE_SDS: f32 = 6.0;
/// … and by more than this, mm: heights are quantised, and a rim is steep.
const SPIKE_LEAST_MM: f32 = 0.5;
/// Neighbours allowed to be as far out: a false return may have one beside it.
const COMPANIONS: u32 = 1;
/// Neighbours that must be seen for a verdict.
const LEAST_NEIGHBOURS: u32 = 5;
/// Samples looked at together.
const BLOCK: usize = 32;

/// Marks false samples as unseen.
///
/// A sample is compared with its eight neighbours: it stays unless it lies beyond all but one of them, on the same side, by
/// more than the noise can. Edges stay: along an edge more than one neighbour is on either level.
pub fn reject_spikes(heights_mm: &mut Array2<f32>, noise_mm: f64) {
    let reach_mm = (SPIKE_SDS * noise_mm as f32).max(SPIKE_LEAST_MM);
    let (rows, columns) = heights_mm.dim();
    let Some(cells) = heights_mm.as_slice() else {
        return;
    };
    let line = |row: usize| &cells[row * columns..(row + 1) * columns];
    let mut false_cells = Vec::new();
    for row in 0..rows {
        let inner = 0 < row && row + 1 < rows && columns > 2;
        if !inner {
            let found = (0..columns).filter(|&column| is_false(heights_mm, row, column, reach_mm));
            false_cells.extend(found.map(|column| (row, column)));
            continue;
        }
        let lines = [line(row - 1), line(row), line(row + 1)];
        let near = |one: f32, two: f32| u32::from((one - two).abs() <= reach_mm);
        for column in [0, columns - 1] {
            let own = lines[1][column];
            let upright = near(lines[0][column], own) + near(lines[2][column], own);
            if upright <= COMPANIONS && is_false(heights_mm, row, column, reach_mm) {
                false_cells.push((row, column));
            }
        }
        // Most samples have near ones on more sides than one, which settles them: a quick look at four neighbours.
        let sides = [
            &lines[0][1..columns - 1],
            &lines[1][..columns - 2],
            &lines[1][2..],
            &lines[2][1..columns - 1],
        ];
        let own = &lines[1][1..columns - 1];
        for first in (0..own.len()).step_by(BLOCK) {
            let block = first..(first + BLOCK).min(own.len());
            // What is near its neighbours on both sides of the row stays: no need to look up or down.
            let beside = &lines[1][block.start..block.end + 2];
            let pairs = beside.iter().zip(&beside[1..]);
            if pairs.fold(true, |all, (&a, &b)| all & ((a - b).abs() <= reach_mm)) {
                continue;
            }
            let sides = sides.map(|side| &side[block.clone()]);
            let own = &own[block];
            let [one, two, three, four] = sides;
            let each = own.iter().zip(one).zip(two).zip(three).zip(four);
            let mut doubtful = [0_u8; BLOCK];
            for (flag, ((((&own, &one), &two), &three), &four)) in doubtful.iter_mut().zip(each) {
                let found = near(one, own) + near(two, own) + near(three, own) + near(four, own);
                *flag = u8::from(found <= COMPANIONS) & u8::from(!own.is_nan());
            }
            if doubtful.iter().fold(0, |any, flag| any | flag) == 0 {
                continue;
            }
            for (place, _) in doubtful.iter().enumerate().filter(|(_, flag)| **flag != 0) {
                let column = first + place + 1;
                if stands_alone(own[place], &lines, column, reach_mm) {
                    false_cells.push((row, column));
                }
            }
        }
    }
    for cell in false_cells {
        heights_mm[cell] = f32::NAN;
    }
}

/// Whether an inner sample is false, by the three rows about it.
fn stands_alone(height: f32, lines: &[&[f32]; 3], column: usize, reach_mm: f32) -> bool {
    let mut verdict = Verdict::default();
    for (index, line) in lines.iter().enumerate() {
        for (place, &neighbour) in line[column - 1..column + 2].iter().enumerate() {
            if (index, place) != (1, 1) {
                verdict.hear(neighbour, height, reach_mm);
            }
        }
    }
    verdict.is_false()
}

fn is_false(heights_mm: &Array2<f32>, row: usize, column: usize, reach_mm: f32) -> bool {
    let height = heights_mm[[row, column]];
    let mut verdict = Verdict::default();
    for neighbour in around(heights_mm, row, column) {
        verdict.hear(neighbour, height, reach_mm);
    }
    !height.is_nan() && verdict.is_false()
}

/// What the neighbours of a sample say.
#[derive(Default)]
struct Verdict {
    seen: u32,
    near: u32,
    above: u32,
    below: u32,
}

impl Verdict {
    /// An unseen neighbour says nothing.
    fn hear(&mut self, neighbour: f32, height: f32, reach_mm: f32) {
        self.seen += u32::from(!neighbour.is_nan());
        self.near += u32::from((neighbour - height).abs() <= reach_mm);
        self.above += u32::from(neighbour > height);
        self.below += u32::from(neighbour < height);
    }

    fn is_false(&self) -> bool {
        let alone =
            self.near <= COMPANIONS && (self.above <= COMPANIONS || self.below <= COMPANIONS);
        self.seen >= LEAST_NEIGHBOURS && alone
    }
}

fn around(heights_mm: &Array2<f32>, row: usize, column: usize) -> impl Iterator<Item = f32> + '_ {
    let (rows, columns) = heights_mm.dim();
    let near = |at: usize, end: usize| at.saturating_sub(1)..(at + 2).min(end);
    near(row, rows)
        .flat_map(move |r| near(column, columns).map(move |c| (r, c)))
        .filter(move |&cell| cell != (row, column))
        .map(|cell| heights_mm[cell])
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::array;

    #[test]
    fn a_lone_point_goes_and_an_edge_stays() {
        let mut heights = Array2::from_shape_fn((9, 9), |(_, c)| if c > 4 { 20.0 } else { 0.0 });
        heights[[2, 2]] = 7.0;
        let before = heights.clone();
        reject_spikes(&mut heights, 0.05);
        for (cell, &height) in heights.indexed_iter() {
            assert_eq!(height.is_nan(), cell == (2, 2), "{cell:?}");
            assert!(height.is_nan() || height == before[cell]);
        }
    }

    #[test]
    fn noise_is_not_a_spike() {
        let mut heights = array![[0.0, 0.05, -0.1], [0.1, 0.2, 0.0], [0.0, -0.05, 0.05_f32]];
        reject_spikes(&mut heights, 0.05);
        assert!(heights.iter().all(|h| !h.is_nan()));
    }
}
