//! The covered part of a raster's rows, so that loops run over pieces and not over their windows.

use std::ops::Range;

use ndarray::Array2;

/// The rows that hold a set cell, each with the columns from its first to one past its last.
pub type Spans = Vec<(usize, Range<usize>)>;

/// The spans of a raster's set cells.
pub fn spans(cells: &Array2<bool>) -> Spans {
    let rows = cells.outer_iter().enumerate();
    rows.filter_map(|(row, cells)| {
        let cells = cells.to_slice()?;
        let first = first_that(cells, true)?;
        Some((row, first..past_last(cells, true)))
    })
    .collect()
}

/// Index of the first cell that is `wanted`; whole blocks without one are passed over.
pub fn first_that<T: Copy + PartialEq>(cells: &[T], wanted: T) -> Option<usize> {
    const BLOCK: usize = 32;
    let any = |block: &[T]| {
        block
            .iter()
            .fold(false, |any, &cell| any | (cell == wanted))
    };
    let block = cells.chunks(BLOCK).position(any)? * BLOCK;
    let within = cells[block..].iter().position(|&cell| cell == wanted)?;
    Some(block + within)
}

/// One past the last cell that is `wanted`; whole blocks without one are passed over.
pub(super) fn past_last<T: Copy + PartialEq>(cells: &[T], wanted: T) -> usize {
    const BLOCK: usize = 32;
    let none = |block: &&[T]| {
        !block
            .iter()
            .fold(false, |any, &cell| any | (cell == wanted))
    };
    let blank = cells.rchunks(BLOCK).take_while(none).count() * BLOCK;
    let end = cells.len().saturating_sub(blank);
    cells[..end]
        .iter()
        .rposition(|&cell| cell == wanted)
        .map_or(0, |last| last + 1)
}

/// A part of a row of a raster stored row by row.
pub fn row_of<'a, T>(raster: &'a Array2<T>, row: usize, span: &Range<usize>) -> &'a [T] {
    let columns = raster.ncols();
    let cells = raster.as_slice().unwrap_or_default();
    cells
        .get(row * columns + span.start..row * columns + span.end)
        .unwrap_or_default()
}

/// Calls `meet` with the places at which two rows differ, in order; eight cells that do not are passed over at once.
pub fn differing(ones: &[u8], twos: &[u8], mut meet: impl FnMut(usize)) {
    let cells = ones.len().min(twos.len());
    let (ones, ones_rest) = ones[..cells].as_chunks::<8>();
    let (twos, twos_rest) = twos[..cells].as_chunks::<8>();
    for (block, (one, two)) in ones.iter().zip(twos).enumerate() {
        let mut differ = u64::from_le_bytes(*one) ^ u64::from_le_bytes(*two);
        while differ != 0 {
            let byte = differ.trailing_zeros() / 8;
            meet(block * 8 + byte as usize);
            differ &= !(0xff << (8 * byte));
        }
    }
    let rest = ones_rest.iter().zip(twos_rest).enumerate();
    let first = ones.len() * 8;
    rest.filter(|(_, (one, two))| one != two)
        .for_each(|(within, _)| meet(first + within));
}

/// Number of cells of each class.
pub fn class_counts(class: &Array2<u8>) -> [i64; 256] {
    const BLOCK: usize = 64;
    let mut counts = [0_i64; 256];
    for block in class.as_slice().unwrap_or_default().chunks(BLOCK) {
        // Most blocks are of one class, nearly all others of two.
        let [first, last] = [block[0], block[block.len() - 1]];
        let mut left = block.len();
        for class in [first, last] {
            let found = block
                .iter()
                .fold(0_u8, |sum, &c| sum + u8::from(c == class));
            counts[usize::from(class)] += i64::from(found);
            left -= usize::from(found);
            if left == 0 || first == last {
                break;
            }
        }
        if left > 0 {
            let others = block.iter().filter(|&&c| c != first && c != last);
            others.for_each(|&class| counts[usize::from(class)] += 1);
        }
    }
    counts
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn classes_are_counted_in_blocks_and_out_of_them() {
        let class = Array2::from_shape_fn(
            (7, 50),
            |(row, column)| {
                if row < 3 { 4 } else { (column % 5) as u8 }
            },
        );
        let counts = class_counts(&class);
        assert_eq!(counts[..6], [40, 40, 40, 40, 190, 0]);
    }

    #[test]
    fn rows_differ_where_their_cells_do() {
        let mut state = 1_u64;
        for length in [0, 1, 7, 8, 9, 64, 77] {
            let mut cells = |_| {
                state = state.wrapping_mul(6_364_136_223_846_793_005) + 1;
                (state >> 62) as u8
            };
            let ones: Vec<u8> = (0..length).map(&mut cells).collect();
            let twos: Vec<u8> = (0..length).map(&mut cells).collect();
            let mut found = Vec::new();
            differing(&ones, &twos, |at| found.push(at));
            let expected = (0..length).filter(|&at| ones[at] != twos[at]);
            assert_eq!(found, expected.collect::<Vec<_>>());
        }
    }

    #[test]
    fn spans_run_from_the_first_set_cell_to_the_last() {
        let mut cells = Array2::from_elem((3, 100), false);
        cells[[0, 70]] = true;
        cells[[0, 99]] = true;
        cells[[2, 0]] = true;
        assert_eq!(spans(&cells), vec![(0, 70..100), (2, 0..1)]);
        assert_eq!(row_of(&cells, 0, &(69..72)), &[false, true, false]);
    }
}
