//! Flying points: samples that stand alone, far from everything around them.

use ndarray::Array2;

/// A sample is false if it is outside the range of its neighbours by more than this many noise standard deviations …
const SPIKE_SDS: f32 = 6.0;
/// … and by more than this, mm: heights are quantised, and a rim is steep.
const SPIKE_LEAST_MM: f32 = 0.5;
/// Neighbours allowed to be as far out: a false return may have one beside it.
const COMPANIONS: usize = 1;
/// Neighbours that must be seen for a verdict.
const LEAST_NEIGHBOURS: usize = 5;

/// Marks false samples as unseen.
///
/// A sample is compared with its eight neighbours: it stays unless it lies beyond all but one of them, on the same side, by
/// more than the noise can. Edges stay: along an edge more than one neighbour is on either level.
pub fn reject_spikes(heights_mm: &mut Array2<f32>, noise_mm: f64) {
    let reach_mm = (SPIKE_SDS * noise_mm as f32).max(SPIKE_LEAST_MM);
    let (rows, columns) = heights_mm.dim();
    let mut false_cells = Vec::new();
    let is_false = |row: usize, column: usize| {
        let height = heights_mm[[row, column]];
        if height.is_nan() {
            return false;
        }
        let (mut near, mut seen) = (0, 0);
        let (mut above, mut below) = (0, 0);
        for neighbour in around(heights_mm, row, column) {
            seen += 1;
            near += usize::from((neighbour - height).abs() <= reach_mm);
            above += usize::from(neighbour > height);
            below += usize::from(neighbour < height);
        }
        let alone = near <= COMPANIONS && (above <= COMPANIONS || below <= COMPANIONS);
        seen >= LEAST_NEIGHBOURS && alone
    };
    let mut doubtful = vec![true; columns];
    for row in 0..rows {
        // Most samples have near ones on more sides than one, which settles them: a quick look at four neighbours.
        let inner = 0 < row && row + 1 < rows && columns > 2;
        if let (true, Some(cells)) = (inner, heights_mm.as_slice()) {
            let line = |row: usize| &cells[row * columns..(row + 1) * columns];
            let (above, own, below) = (line(row - 1), line(row), line(row + 1));
            let near = |one: f32, two: f32| u8::from((one - two).abs() <= reach_mm);
            let sides = own.windows(3).zip(&above[1..]).zip(&below[1..]);
            for (doubtful, ((own, &above), &below)) in doubtful[1..].iter_mut().zip(sides) {
                let height = own[1];
                let found = near(own[0], height)
                    + near(own[2], height)
                    + near(above, height)
                    + near(below, height);
                *doubtful = (usize::from(found) <= COMPANIONS) & !height.is_nan();
            }
        } else {
            doubtful.fill(true);
        }
        for (block, cells) in doubtful.chunks(32).enumerate() {
            if cells.iter().fold(false, |any, &doubtful| any | doubtful) {
                let columns = (block * 32..).zip(cells).filter(|(_, doubtful)| **doubtful);
                let found = columns.filter(|&(column, _)| is_false(row, column));
                false_cells.extend(found.map(|(column, _)| (row, column)));
            }
        }
    }
    for cell in false_cells {
        heights_mm[cell] = f32::NAN;
    }
}

fn around(heights_mm: &Array2<f32>, row: usize, column: usize) -> impl Iterator<Item = f32> + '_ {
    let (rows, columns) = heights_mm.dim();
    let near = |at: usize, end: usize| at.saturating_sub(1)..(at + 2).min(end);
    near(row, rows)
        .flat_map(move |r| near(column, columns).map(move |c| (r, c)))
        .filter(move |&cell| cell != (row, column))
        .map(|cell| heights_mm[cell])
        .filter(|height| !height.is_nan())
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
