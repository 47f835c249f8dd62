//! Ridges where the end of one piece lies on another, turned into valleys that part them.
//!
//! In a lap joint the two thicknesses add up over a few millimetres: a narrow ridge across the whole piece, far steeper
//! than the bumps of food. What an opening by a small square takes away is the ridge (the "top hat" of mathematical
//! morphology: Serra, Image Analysis and Mathematical Morphology, 1982); mirrored downwards, its crest becomes the line
//! along which the joint is cut, so that each piece gets half of what is shared.

use ndarray::{Array2, Axis, Zip, s};

/// Widest ridge, cells of a millimetre.
const WIDTH: usize = 13;
/// A crest higher than what is around it by less than this share is a bump and stays.
const BUMP: f32 = 0.15;
/// Where the opening leaves less than this share of the height, the piece itself is narrow: nothing is said there.
const LEAST_LEFT: f32 = 0.4;

/// The heights with ridges mirrored downwards.
pub fn sink_ridges(heights_mm: &Array2<f32>) -> Array2<f32> {
    let opened = spread(&spread(heights_mm, f32::min), f32::max);
    let mut sunk = heights_mm.clone();
    Zip::from(&mut sunk).and(&opened).for_each(|height, &left| {
        let excess = *height - left * (1.0 + BUMP);
        if excess > 0.0 && left >= LEAST_LEFT * *height {
            *height -= 2.0 * excess;
        }
    });
    sunk
}

/// The least or greatest value in the square of [`WIDTH`] around each cell; outside counts as 0, the belt.
fn spread(values: &Array2<f32>, choose: fn(f32, f32) -> f32) -> Array2<f32> {
    let across = along_axis(values, Axis(1), choose);
    along_axis(&across, Axis(0), choose)
}

fn along_axis(values: &Array2<f32>, axis: Axis, choose: fn(f32, f32) -> f32) -> Array2<f32> {
    let half = WIDTH / 2;
    let (rows, columns) = values.dim();
    let (above, beside) = if axis == Axis(0) {
        (half, 0)
    } else {
        (0, half)
    };
    let mut padded = Array2::zeros((rows + 2 * above, columns + 2 * beside));
    padded
        .slice_mut(s![above..above + rows, beside..beside + columns])
        .assign(values);
    // Windows of 1, 2, 4, 8 cells by doubling, then two of 8 that overlap to 13.
    let mut width = 1;
    while 2 * width < WIDTH {
        padded = pairs(&padded, axis, width, choose);
        width *= 2;
    }
    pairs(&padded, axis, WIDTH - width, choose)
}

/// Each cell with the one `step` farther on; the result is that much shorter.
fn pairs(
    values: &Array2<f32>,
    axis: Axis,
    step: usize,
    choose: fn(f32, f32) -> f32,
) -> Array2<f32> {
    let (near, _) = values.view().split_at(axis, values.len_of(axis) - step);
    let (_, far) = values.view().split_at(axis, step);
    Zip::from(&near)
        .and(&far)
        .map_collect(|&near, &far| choose(near, far))
}

#[cfg(test)]
mod tests {
    use super::*;

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
        let sunk = sink_ridges(&heights);
        assert!((sunk[[66, 40]] - 6.0).abs() < 1e-4, "{}", sunk[[66, 40]]);
        assert_eq!(sunk[[30, 40]], 20.0);
        assert_eq!(sunk[[100, 40]], 20.0);
        assert_eq!(sunk[[5, 40]], 0.0);
    }

    #[test]
    fn a_wide_step_and_a_dome_stay() {
        let wide = lapped(20);
        assert_eq!(sink_ridges(&wide), wide);
        let dome = Array2::from_shape_fn((60, 60), |(row, column)| {
            let r = (row as f32 - 30.0).hypot(column as f32 - 30.0) / 25.0;
            25.0 * (1.0 - r * r).max(0.0).sqrt()
        });
        let sunk = sink_ridges(&dome);
        let most = dome
            .iter()
            .zip(&sunk)
            .map(|(a, b)| a - b)
            .fold(0.0, f32::max);
        assert!(most < 0.02 * 25.0, "{most}");
    }

    #[test]
    fn a_raster_smaller_than_the_square_is_no_trouble() {
        let small = Array2::from_elem((2, 3), 5.0_f32);
        assert_eq!(sink_ridges(&small), small);
    }
}
