//! Ridges where the end of one piece lies on another, turned into valleys that part them.
//!
//! In a lap joint the two thicknesses add up over a few millimetres: a narrow ridge across the whole piece, far steeper
//! than the bumps of food. What an opening by a small square takes away is the ridge (the "top hat" of mathematical
//! morphology: Serra, Image Analysis and Mathematical Morphology, 1982); mirrored downwards, its crest becomes the line
//! along which the joint is cut, so that each piece gets half of what is shared.

use ndarray::{Array2, Zip};

/// Widest ridge, mm.
const WIDTH_MM: f64 = 13.0;
/// A crest higher than what is around it by less than this share is a bump and stays.
const BUMP: f32 = 0.15;
/// How far a ridge is sunk, in its own excess.
const SINK: f32 = 6.0;
/// Where the opening leaves less than this share of the height, the piece itself is narrow: nothing is said there.
const LEAST_LEFT: f32 = 0.4;
/// Where no square of so many mm fits into the piece, it is narrow too: a tail, or the body of a ring.
const BROAD_MM: f64 = 21.0;

/// The heights on square cells of `cell_mm` with ridges mirrored downwards.
pub fn sink_ridges(
    heights_mm: &Array2<f32>,
    highest_mm: &Array2<f32>,
    cell_mm: f64,
) -> Array2<f32> {
    // An odd number of cells.
    let size = |length_mm: f64| 2 * (length_mm / cell_mm / 2.0) as usize + 1;
    let opened = opened(highest_mm, size(WIDTH_MM));
    let high = highest_mm.mapv(|height| u8::from(height > 0.0));
    let broad = self::opened(&high, size(BROAD_MM));
    let mut sunk = heights_mm.clone();
    Zip::from(&mut sunk)
        .and(highest_mm)
        .and(&opened)
        .and(&broad)
        .for_each(|height, &highest, &left, &broad| {
            let excess = highest - left * (1.0 + BUMP);
            if excess > 0.0 && left >= LEAST_LEFT * highest && broad > 0 {
                *height = (*height - SINK * excess).max(0.0);
            }
        });
    sunk
}

/// The greatest, over all squares of `size` that hold a cell, of the least value in them; outside counts as 0, the belt.
fn opened<T: Copy + Default + PartialOrd>(values: &Array2<T>, size: usize) -> Array2<T> {
    // Not `f32::min`: what does not care for NaN is one instruction for many cells.
    let least = spread(values, size, |one, two| if one < two { one } else { two });
    spread(&least, size, |one, two| if one > two { one } else { two })
}

/// The value chosen of those in the square of `size` cells, an odd number, around each.
fn spread<T: Copy + Default>(
    values: &Array2<T>,
    size: usize,
    choose: impl Fn(T, T) -> T + Copy,
) -> Array2<T> {
    let half = size / 2;
    let (rows, columns) = values.dim();
    let (padded_rows, padded_columns) = (rows + 2 * half, columns + 2 * half);
    let mut cells = vec![T::default(); padded_rows * columns];
    let mut line = vec![T::default(); padded_columns];
    for (row, values) in values.outer_iter().enumerate() {
        line.fill(T::default());
        let inner = &mut line[half..half + columns];
        inner.iter_mut().zip(values).for_each(|(to, &of)| *to = of);
        by_doubling(&mut line, 1, size, choose);
        let first = (row + half) * columns;
        cells[first..first + columns].copy_from_slice(&line[..columns]);
    }
    by_doubling(&mut cells, columns, size, choose);
    cells.truncate(rows * columns);
    Array2::from_shape_vec((rows, columns), cells).unwrap_or_else(|_| values.clone())
}

/// Chooses over `size` values each `stride` from the next: windows of 1, 2, 4, 8 … by doubling, then two that overlap to the size. What
/// is chosen stands at the window's first value.
fn by_doubling<T: Copy>(
    values: &mut [T],
    stride: usize,
    size: usize,
    choose: impl Fn(T, T) -> T + Copy,
) {
    const BLOCK: usize = 512;
    let Some(&any) = values.first() else { return };
    let mut chosen = [any; BLOCK];
    let mut end = values.len();
    let mut width = 1;
    while width < size {
        let step = width.min(size - width);
        width += step;
        end -= step * stride;
        // A block at a time, so that what is read from farther on is never what was just written.
        for first in (0..end).step_by(BLOCK) {
            let block = first..(first + BLOCK).min(end);
            let far = &values[block.start + step * stride..block.end + step * stride];
            let near = &values[block.clone()];
            let chosen = &mut chosen[..near.len()];
            for ((chosen, &near), &far) in chosen.iter_mut().zip(near).zip(far) {
                *chosen = choose(near, far);
            }
            values[block].copy_from_slice(chosen);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::s;

    /// Two slabs of 20 mm, 60 × 60 cells, overlapping by `lap` rows.
    fn lapped(lap: usize) -> Array2<f32> {
        let mut heights = Array2::<f32>::zeros((140, 80));
        heights.slice_mut(s![10..70, 10..70]).fill(20.0);
        heights
            .slice_mut(s![70 - lap..130 - lap, 10..70])
            .mapv_inplace(|height| height + 20.0);
        heights
    }

    #[test]
    fn a_lap_becomes_a_valley_and_nothing_else_changes() {
        let heights = lapped(8);
        let sunk = sink_ridges(&heights, &heights, 1.0);
        assert_eq!(sunk[[66, 40]], 0.0);
        assert_eq!(sunk[[30, 40]], 20.0);
        assert_eq!(sunk[[100, 40]], 20.0);
        assert_eq!(sunk[[5, 40]], 0.0);
    }

    #[test]
    fn a_wide_step_and_a_dome_stay() {
        let wide = lapped(20);
        assert_eq!(sink_ridges(&wide, &wide, 1.0), wide);
        let dome = Array2::from_shape_fn((60, 60), |(row, column)| {
            let r = (row as f32 - 30.0).hypot(column as f32 - 30.0) / 25.0;
            25.0 * (1.0 - r * r).max(0.0).sqrt()
        });
        let sunk = sink_ridges(&dome, &dome, 1.0);
        let most = dome
            .iter()
            .zip(&sunk)
            .map(|(a, b)| a - b)
            .fold(0.0, f32::max);
        assert!(most < 0.03 * 25.0, "{most}");
    }

    #[test]
    fn a_raster_smaller_than_the_square_is_no_trouble() {
        let small = Array2::from_elem((2, 3), 5.0_f32);
        assert_eq!(sink_ridges(&small, &small, 1.0), small);
    }
}
