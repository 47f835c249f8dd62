//! What is counted and summed over a footprint, in one pass over its cells.

use std::ops::Range;

use super::footprint::Footprint;
use super::spans::{first_that, row_of};
use super::uncertainty::BeltKnowledge;
use crate::pieces::{CellState, Mended};

/// Cells looked at together: where all are covered, seen and high there is little to ask of each.
const BLOCK: usize = 16;

/// Counts and sums over a footprint and the ring that its volume is summed over.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Tally {
    /// Sums of heights of each row of the window, ring included, mm.
    pub rows_mm: Vec<f64>,
    /// Likewise of each column, mm.
    pub columns_mm: Vec<f64>,
    /// Covered cells of each row.
    pub rows: Vec<f64>,
    /// Covered cells of each column.
    pub columns: Vec<f64>,
    /// Whether a column has rebuilt cells.
    pub hidden_columns: Vec<bool>,
    /// Cells the volume is summed over.
    pub summed: u64,
    /// Covered cells.
    pub covered: u64,
    /// Covered cells that nobody saw.
    pub filled: u64,
    /// Covered cells that were seen, below twice the low threshold.
    pub edge: u64,
    /// Covered cells that were rebuilt like seen flanks.
    pub like_seen: u64,
    /// Cells that were rebuilt from their shoulder alone.
    pub alone: u64,
    /// Sum of heights rebuilt like seen flanks, mm.
    pub like_seen_mm: f64,
    /// Sum of the rays above cells rebuilt from a shoulder alone, or between two cameras' rays, mm.
    pub alone_mm: f64,
    /// Sum of heights over gaps that nothing explains, mm.
    pub gaps_mm: f64,
}

impl Tally {
    /// Counts and sums.
    pub fn new(mended: &Mended, footprint: &Footprint, belt: &BeltKnowledge) -> Self {
        let size = footprint.summed.dim();
        let mut tally = Self {
            rows_mm: vec![0.0; size.0],
            columns_mm: vec![0.0; size.1],
            rows: vec![0.0; size.0],
            columns: vec![0.0; size.1],
            hidden_columns: vec![false; size.1],
            ..Self::default()
        };
        // How many covered cells of its row more each column has than the one before.
        let mut more = vec![0_i32; size.1 + 1];
        for (row, span) in &footprint.spans {
            let covered = row_of(&footprint.covered, *row, span);
            let mut next = 0;
            while let Some(first) = first_that(&covered[next..], true) {
                let first = next + first;
                let length = first_that(&covered[first..], false);
                let end = length.map_or(covered.len(), |length| first + length);
                more[span.start + first] += 1;
                more[span.start + end] -= 1;
                tally.rows[*row] += (end - first) as f64;
                next = end;
            }
        }
        let mut cells = 0;
        for (column, more) in tally.columns.iter_mut().zip(&more) {
            cells += more;
            *column = f64::from(cells);
        }
        tally.covered = tally.rows.iter().sum::<f64>() as u64;
        for (row, span) in &footprint.summed_spans {
            tally.add_row(mended, footprint, belt, *row, span);
        }
        tally
    }

    fn add_row(
        &mut self,
        mended: &Mended,
        footprint: &Footprint,
        belt: &BeltKnowledge,
        row: usize,
        span: &Range<usize>,
    ) {
        let high_mm = 2.0 * belt.low_mm as f32;
        let heights = row_of(&mended.heights_mm, row, span);
        let states = row_of(&mended.states, row, span);
        let covered = row_of(&footprint.covered, row, span);
        let summed = row_of(&footprint.summed, row, span);
        let mut row_mm = 0.0;
        for first in (0..span.len()).step_by(BLOCK) {
            let block = first..(first + BLOCK).min(span.len());
            let (heights, states) = (&heights[block.clone()], &states[block.clone()]);
            let (covered, summed) = (&covered[block.clone()], &summed[block]);
            let own = summed.iter().zip(covered);
            let own = own.fold(true, |all, (&summed, &covered)| all & summed & covered);
            let unseen = states.iter().fold(0, |any, &state| any | state as u8);
            let low = heights.iter().fold(false, |any, &h| any | (h < high_mm));
            let plain = own & (unseen == CellState::Seen as u8) & !low;
            let columns_mm = &mut self.columns_mm[span.start + first..];
            if plain {
                let mut lanes = [0.0_f64; 4];
                let columns_mm = &mut columns_mm[..heights.len()];
                let (fours, rest) = heights.as_chunks::<4>();
                let (column_fours, column_rest) = columns_mm.as_chunks_mut::<4>();
                for (heights, columns_mm) in fours.iter().zip(column_fours) {
                    for place in 0..4 {
                        let height = f64::from(heights[place]);
                        lanes[place] += height;
                        columns_mm[place] += height;
                    }
                }
                for ((lane, &height), column_mm) in lanes.iter_mut().zip(rest).zip(column_rest) {
                    *lane += f64::from(height);
                    *column_mm += f64::from(height);
                }
                row_mm += lanes.iter().sum::<f64>();
                self.summed += heights.len() as u64;
                continue;
            }
            for place in (0..heights.len()).filter(|&place| summed[place]) {
                let height = f64::from(heights[place]);
                row_mm += height;
                self.columns_mm[span.start + first + place] += height;
                self.summed += 1;
                let state = states[place];
                let at = [row, span.start + first + place];
                if state == CellState::Seen {
                    self.edge += u64::from(covered[place] & (heights[place] < high_mm));
                } else {
                    let ceiling_mm = f64::from(mended.ceiling_mm[at]);
                    self.add_unseen(state, covered[place], at[1], [height, ceiling_mm], belt);
                }
            }
        }
        self.rows_mm[row] = row_mm;
    }

    fn add_unseen(
        &mut self,
        state: CellState,
        covered: bool,
        column: usize,
        [height_mm, ceiling_mm]: [f64; 2],
        belt: &BeltKnowledge,
    ) {
        self.filled += u64::from(covered);
        match state {
            CellState::Seen | CellState::Dropout => {}
            CellState::Gap => self.gaps_mm += height_mm,
            CellState::Alone => self.alone_mm += ceiling_mm,
            CellState::Shadow | CellState::Beyond if belt.two_views => self.alone_mm += ceiling_mm,
            CellState::Shadow | CellState::Beyond => self.like_seen_mm += height_mm,
        }
        match state {
            CellState::Shadow if covered => self.like_seen += 1,
            CellState::Alone => self.alone += 1,
            CellState::Beyond => {}
            _ => return,
        }
        self.hidden_columns[column] = true;
    }
}
