//! Where lanes are not seen. Few cells are, so that what looks at gaps need not look at every cell.

use ndarray::{ArrayView2, Axis};

use super::super::bits::{WORD, bits, set};

/// Unseen cells of a lane between seen ones, or between a seen one and the lane's end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Gap {
    /// The lane: a column of the view.
    pub lane: usize,
    /// First unseen cell.
    pub first: usize,
    /// One past the last: the next seen cell, or the lane's length.
    pub end: usize,
}

impl Gap {
    /// The last seen cell before the gap.
    pub fn before(&self) -> Option<usize> {
        self.first.checked_sub(1)
    }

    /// Its cells, as places along and lane.
    pub fn cells(&self) -> impl Iterator<Item = (usize, usize)> + use<> {
        let lane = self.lane;
        (self.first..self.end).map(move |at| (at, lane))
    }
}

/// The same gaps, lanes of `cells` cells being read from their other end.
pub fn from_other_end(gaps: &[Gap], cells: usize) -> Vec<Gap> {
    let turned = |gap: &Gap| Gap {
        lane: gap.lane,
        first: cells - gap.end,
        end: cells - gap.first,
    };
    gaps.iter().rev().map(turned).collect()
}

/// The gaps of all lanes, which are columns. Those of one lane come in its order.
pub fn gaps(heights_mm: &ArrayView2<'_, f32>) -> Vec<Gap> {
    let lanes = heights_mm.ncols();
    let rows_lie_together = heights_mm
        .axis_iter(Axis(0))
        .all(|row| row.to_slice().is_some());
    if rows_lie_together {
        by_rows(heights_mm)
    } else {
        let mut found = Vec::new();
        let mut cells = Vec::new();
        for lane in 0..lanes {
            let column = heights_mm.column(lane);
            match column.to_slice() {
                Some(cells) => in_lane(lane, cells, &mut found),
                None => {
                    cells.clear();
                    cells.extend(column.iter().copied());
                    in_lane(lane, &cells, &mut found);
                }
            }
        }
        found
    }
}

/// The gaps of one lane.
pub fn in_lane(lane: usize, cells: &[f32], found: &mut Vec<Gap>) {
    let mut open: Option<usize> = None;
    let mut before = 0;
    for (word, block) in cells.chunks(WORD).enumerate() {
        let unseen = bits(block, f32::is_nan);
        // Where a cell differs from the one before it.
        let changes = unseen ^ (unseen << 1 | before);
        before = unseen >> (block.len() - 1) & 1;
        for at in set(changes).map(|bit| word * WORD + bit) {
            match open.take() {
                None if at < cells.len() => open = Some(at),
                None => {}
                Some(first) => found.push(Gap {
                    lane,
                    first,
                    end: at,
                }),
            }
        }
    }
    found.extend(open.map(|first| Gap {
        lane,
        first,
        end: cells.len(),
    }));
}

/// Row by row, with each lane's open gap.
fn by_rows(heights_mm: &ArrayView2<'_, f32>) -> Vec<Gap> {
    let (rows, lanes) = heights_mm.dim();
    let mut found = Vec::new();
    let mut since = vec![0; lanes];
    let mut open = vec![0_u64; lanes.div_ceil(WORD)];
    for (row, heights) in heights_mm.outer_iter().enumerate() {
        let heights = heights.to_slice().unwrap_or_default();
        for (word, (heights, open)) in heights.chunks(WORD).zip(&mut open).enumerate() {
            let unseen = bits(heights, f32::is_nan);
            let before = std::mem::replace(open, unseen);
            for lane in set(unseen & !before).map(|bit| word * WORD + bit) {
                since[lane] = row;
            }
            for lane in set(before & !unseen).map(|bit| word * WORD + bit) {
                found.push(Gap {
                    lane,
                    first: since[lane],
                    end: row,
                });
            }
        }
    }
    for (word, &open) in open.iter().enumerate() {
        found.extend(set(open).map(|bit| word * WORD + bit).map(|lane| Gap {
            lane,
            first: since[lane],
            end: rows,
        }));
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Array2;

    #[test]
    fn gaps_are_alike_however_the_view_lies_in_memory() {
        let heights = Array2::from_shape_fn((90, 150), |(row, column)| {
            if (row * 7 + column * 13) % 11 < 3 || row + column > 200 {
                f32::NAN
            } else {
                1.0
            }
        });
        let turned = heights.t().as_standard_layout().into_owned();
        let order = |gap: &Gap| (gap.lane, gap.first);
        let mut found = gaps(&heights.view());
        found.sort_by_key(order);
        assert_eq!(found, gaps(&turned.t()));
        let mut cells = 0;
        for gap in &found {
            let lane = heights.column(gap.lane);
            assert!((gap.first..gap.end).all(|at| lane[at].is_nan()));
            assert!(gap.before().is_none_or(|at| !lane[at].is_nan()));
            assert!(lane.get(gap.end).is_none_or(|h| !h.is_nan()));
            cells += gap.end - gap.first;
        }
        assert_eq!(cells, heights.iter().filter(|h| h.is_nan()).count());

        let mut back = heights.view();
        back.invert_axis(Axis(0));
        let mut inverted = gaps(&back);
        inverted.sort_by_key(order);
        let mut turned = from_other_end(&found, 90);
        turned.sort_by_key(order);
        assert_eq!(turned, inverted);
    }
}
