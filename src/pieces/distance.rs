//! Exact Euclidean distances inside labelled parts.
//!
//! Meijster, Roerdink and Hesselink, "A general algorithm for computing distance transforms in linear time", Mathematical
//! Morphology and its Applications to Image and Signal Processing (2000) 331–340: distances along columns first, then the
//! lower envelope of their parabolas along rows, all in whole numbers.

use ndarray::Array2;

/// Distance of each cell of a part (1, 2, …) to the nearest cell that is not of this part, cells; 0 outside all parts.
/// What lies outside the raster is no part.
pub fn to_other(parts: &Array2<u16>) -> Array2<f32> {
    let mut distance = Array2::zeros(parts.dim());
    let count = parts.iter().copied().max().unwrap_or(0);
    for part in 1..=count {
        within(parts, part, &mut distance);
    }
    distance
}

fn within(parts: &Array2<u16>, part: u16, distance: &mut Array2<f32>) {
    let (rows, columns) = parts.dim();
    let along = along(parts, part);
    // Columns of the envelope's parabolas and where each begins to be the lowest; one cell outside on either side.
    let mut lowest: Vec<(i64, i64)> = Vec::with_capacity(columns + 2);
    for row in 0..rows {
        let reach = &along[row * columns..(row + 1) * columns];
        let Some(first) = reach.iter().position(|&reach| reach > 0) else {
            continue;
        };
        let last = reach.iter().rposition(|&reach| reach > 0).unwrap_or(first);
        // Beyond the part's ends in this row the nearest outside cells are those next to it.
        let (from, to) = (first as i64 - 1, last as i64 + 1);
        let at = |column: i64| {
            let reach = usize::try_from(column).ok().and_then(|c| reach.get(c));
            i64::from(reach.copied().unwrap_or(0))
        };
        let square = |place: i64, column: i64| (place - column).pow(2) + at(column).pow(2);
        lowest.clear();
        lowest.push((from, from));
        for column in from + 1..=to {
            while let Some(&(best, begin)) = lowest.last() {
                if square(begin, best) > square(begin, column) {
                    lowest.pop();
                } else {
                    break;
                }
            }
            match lowest.last() {
                None => lowest.push((column, from)),
                Some(&(best, _)) => {
                    let meet = (column * column - best * best + at(column).pow(2)
                        - at(best).pow(2))
                    .div_euclid(2 * (column - best));
                    if meet < to {
                        lowest.push((column, meet + 1));
                    }
                }
            }
        }
        let mut ends = lowest.iter().skip(1).map(|&(_, begin)| begin);
        let mut end = ends.next();
        let mut index = 0;
        for place in first..=last {
            while end.is_some_and(|end| end <= place as i64) {
                index += 1;
                end = ends.next();
            }
            if reach[place] > 0 {
                distance[[row, place]] = (square(place as i64, lowest[index].0) as f32).sqrt();
            }
        }
    }
}

/// Distance of each cell of the part to the nearest cell of its column outside; 0 for cells outside.
fn along(parts: &Array2<u16>, part: u16) -> Vec<u32> {
    let (rows, columns) = parts.dim();
    let mut along = vec![0_u32; rows * columns];
    let mut reach = vec![0_u32; columns];
    for (row, out) in along.chunks_exact_mut(columns).enumerate() {
        for ((reach, &cell), out) in reach.iter_mut().zip(parts.row(row)).zip(out) {
            *reach = if cell == part { *reach + 1 } else { 0 };
            *out = *reach;
        }
    }
    reach.fill(0);
    for out in along.chunks_exact_mut(columns).rev() {
        for (reach, out) in reach.iter_mut().zip(out) {
            *reach = if *out > 0 { *reach + 1 } else { 0 };
            *out = (*out).min(*reach);
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
