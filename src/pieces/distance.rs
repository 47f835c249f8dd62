//! Exact Euclidean distances inside labelled parts.
//!
//! Meijster, Roerdink and Hesselink, "A general algorithm for computing distance transforms in linear time", Mathematical
//! Morphology and its Applications to Image and Signal Processing (2000) 331–340: distances along columns first, then the
//! lower envelope of their parabolas along rows, all in whole numbers.

use ndarray::Array2;

/// Distance of each cell of a part (1, 2, …) to the nearest cell that is not of this part, cells; 0 outside all parts.
/// What lies outside the raster is no part.
pub fn to_other(parts: &Array2<u16>) -> Array2<f32> {
    let (rows, columns) = parts.dim();
    let mut distance = Array2::zeros((rows, columns));
    let along = along(parts);
    let mut lowest = Vec::with_capacity(columns + 2);
    let lines = parts.outer_iter().zip(along.chunks_exact(columns.max(1)));
    for ((parts, along), mut out) in lines.zip(distance.outer_iter_mut()) {
        let (Some(parts), Some(out)) = (parts.to_slice(), out.as_slice_mut()) else {
            continue;
        };
        let mut first = 0;
        while first < columns {
            let part = parts[first];
            let length = parts[first..].iter().position(|&cell| cell != part);
            let end = length.map_or(columns, |length| first + length);
            if part > 0 {
                across(&along[first..end], &mut lowest, &mut out[first..end]);
            }
            first = end;
        }
    }
    distance
}

/// A stretch of a row within one part, with the distances along the columns.
///
/// The cells next to the stretch are not of the part, so nothing beyond them is nearer.
fn across(along: &[u32], lowest: &mut Vec<(i64, i64)>, out: &mut [f32]) {
    let cells = along.len() as i64;
    let at = |column: i64| {
        let reach = usize::try_from(column).ok().and_then(|c| along.get(c));
        i64::from(reach.copied().unwrap_or(0))
    };
    let square = |place: i64, column: i64| (place - column).pow(2) + at(column).pow(2);
    // Columns of the envelope's parabolas and where each begins to be the lowest.
    lowest.clear();
    lowest.push((-1, -1));
    for column in 0..=cells {
        while let Some(&(best, begin)) = lowest.last() {
            if square(begin, best) > square(begin, column) {
                lowest.pop();
            } else {
                break;
            }
        }
        match lowest.last() {
            None => lowest.push((column, -1)),
            Some(&(best, _)) => {
                let rise = column * column - best * best + at(column).pow(2) - at(best).pow(2);
                let meet = rise.div_euclid(2 * (column - best));
                if meet < cells {
                    lowest.push((column, meet + 1));
                }
            }
        }
    }
    let mut index = 0;
    for (place, out) in (0_i64..).zip(out) {
        while lowest
            .get(index + 1)
            .is_some_and(|&(_, begin)| begin <= place)
        {
            index += 1;
        }
        *out = (square(place, lowest[index].0) as f32).sqrt();
    }
}

/// Distance of each cell to the nearest cell of its column that is not of its part; 0 for cells of no part.
fn along(parts: &Array2<u16>) -> Vec<u32> {
    let (rows, columns) = parts.dim();
    let mut along = vec![0_u32; rows * columns];
    let mut reach = vec![0_u32; columns];
    let mut before = vec![0_u16; columns];
    let mut follow = |parts: &[u16], reach: &mut [u32]| {
        for ((reach, &cell), before) in reach.iter_mut().zip(parts).zip(&mut before) {
            *reach = (u32::from(cell == *before) * *reach + 1) * u32::from(cell > 0);
            *before = cell;
        }
    };
    let cells = parts.as_slice().unwrap_or_default();
    for (out, parts) in along
        .chunks_exact_mut(columns.max(1))
        .zip(cells.chunks_exact(columns.max(1)))
    {
        follow(parts, &mut reach);
        out.copy_from_slice(&reach);
    }
    reach.fill(0);
    follow(&vec![0; columns], &mut reach);
    for (out, parts) in along
        .chunks_exact_mut(columns.max(1))
        .zip(cells.chunks_exact(columns.max(1)))
        .rev()
    {
        follow(parts, &mut reach);
        for (out, &reach) in out.iter_mut().zip(&reach) {
            *out = (*out).min(reach);
        }
    }
    along
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Every cell against every cell.
    fn by_search(parts: &Array2<u16>) -> Array2<f32> {
        let (rows, columns) = parts.dim();
        let part = |r: i64, c: i64| {
            let (r, c) = (usize::try_from(r).ok()?, usize::try_from(c).ok()?);
            parts.get([r, c]).copied()
        };
        Array2::from_shape_fn((rows, columns), |(row, column)| {
            if parts[[row, column]] == 0 {
                return 0.0;
            }
            let mut least = i64::MAX;
            for r in -1..=rows as i64 {
                for c in -1..=columns as i64 {
                    if part(r, c) != Some(parts[[row, column]]) {
                        least = least.min((r - row as i64).pow(2) + (c - column as i64).pow(2));
                    }
                }
            }
            (least as f32).sqrt()
        })
    }

    #[test]
    fn distances_are_those_of_a_search() {
        let round = |r: f64, c: f64, radius: f64, row: usize, column: usize| {
            (row as f64 - r).hypot(column as f64 - c) < radius
        };
        let parts = Array2::from_shape_fn((31, 47), |(row, column)| {
            if round(12.0, 10.0, 9.0, row, column) {
                1
            } else if round(14.0, 25.0, 13.0, row, column) && (row * 7 + column * 5) % 61 != 0 {
                2
            } else {
                u16::from(row > 27) * 3
            }
        });
        assert_eq!(to_other(&parts), by_search(&parts));
        let full = Array2::from_elem((5, 9), 1_u16);
        assert_eq!(to_other(&full), by_search(&full));
    }
}
