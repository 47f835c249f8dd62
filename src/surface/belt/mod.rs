//! The belt under the pieces.
//!
//! Three steps, each robust against pieces, false returns and missing ones:
//! 1. *Envelope*: for every 100 mm of belt, low quantiles in zones across the belt; the line through them that has the
//!    most zones on it while hardly any lie below ([`envelope`]). Full lanes cannot pull it up: they lie above.
//! 2. *Cells*: medians of what lies near that line, for every few millimetres along and every zone across ([`cells`]).
//! 3. *Nodes*: tilt and bow from a wide window, the undulation along from as narrow a window as the seen belt allows,
//!    and what is left locally ([`nodes`]); the belt is interpolated between nodes.
//!
//! All windows are fixed in recording rows, so how a recording is cut into frames cannot change the belt.

mod blocks;
mod cells;
mod envelope;
mod misfit;
mod nodes;

use ndarray::ArrayView2;

pub use self::misfit::belt_misfit_mm;

use self::blocks::{Block, Sampling};
use self::cells::Cells;
use self::envelope::EnvelopeLine;
use self::nodes::NodeFitter;
use super::grid::SurfaceGrid;

/// Length of a fine block, mm: short against belt undulation, long enough for a median.
const BLOCK_MM: f64 = 4.0;
/// Fine blocks to a coarse block (about 100 mm).
const COARSE: usize = 25;
/// Coarse blocks looked at on either side to tell belt from a product that covers all of a coarse block.
const ENVELOPE_REACH: usize = 3;
/// Coarse blocks on either side that tilt and bow are fitted over.
const SHAPE_REACH: usize = 2;

/// The belt along one line across: heights at the zone centres.
#[derive(Debug, Clone, PartialEq)]
pub struct BeltLine {
    /// Row of the recording's grid this line is at (block centre).
    pub row: f64,
    /// Belt height at each zone's centre, mm.
    pub zone_mm: Vec<f32>,
    /// Share of the zones in which belt was seen near this line.
    pub seen_fraction: f64,
    /// Standard uncertainty of the line's height, mm.
    pub u_mm: f64,
    /// Length along over which the lines' heights rest on the same samples, mm.
    pub reach_mm: f64,
    /// Standard deviation of single samples around here, mm.
    pub noise_mm: f64,
    /// How far each zone's belt lies off level, tilt and bow here, mm; NaN where no belt is seen.
    pub zone_rest_mm: Vec<f32>,
}

/// What a recording's belt looks like.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BeltReport {
    /// Standard deviation of single samples about the belt, mm.
    pub noise_mm: f64,
    /// Slope across, mrad (mean over the recording).
    pub roll_mrad: f64,
    /// Half the range of the belt about its mean plane, mm.
    pub ripple_mm: f64,
}

/// Finds the belt in rows that arrive in order.
#[derive(Debug)]
pub struct BeltTracker {
    sampling: Sampling,
    pending: Vec<Block>,
    envelopes: Vec<Option<EnvelopeLine>>,
    cells: Vec<Option<Cells>>,
    fitter: NodeFitter,
    lines: Vec<BeltLine>,
    finished: bool,
}

impl BeltTracker {
    /// For a surface on `grid`.
    pub fn new(grid: SurfaceGrid) -> Self {
        let sampling = Sampling::new(grid);
        Self {
            sampling,
            fitter: NodeFitter::default(),
            pending: Vec::new(),
            envelopes: Vec::new(),
            cells: Vec::new(),
            lines: Vec::new(),
            finished: false,
        }
    }

    /// Takes the next rows of heights (mm, NaN unseen).
    pub fn push(&mut self, heights_mm: ArrayView2<'_, f32>) {
        self.sampling.push(heights_mm, &mut self.pending);
        self.advance();
    }

    /// No more rows: settles all lines.
    pub fn finish(&mut self) {
        self.sampling.finish(&mut self.pending);
        self.finished = true;
        self.advance();
    }

    /// Lines settled so far, in order of rows.
    pub fn lines(&self) -> &[BeltLine] {
        &self.lines
    }

    /// Zone centres in columns.
    pub fn zone_columns(&self) -> &[f32] {
        &self.sampling.zone_columns
    }

    /// Rows (from the start) for which the belt is settled.
    pub fn settled_rows(&self) -> usize {
        if self.finished {
            return usize::MAX;
        }
        // Up to the last settled line's centre: beyond it the next line is needed to interpolate.
        self.lines
            .last()
            .map_or(0, |line| line.row.floor() as usize)
    }

    /// What the belt looks like; `None` if it was never seen.
    pub fn report(&self) -> Option<BeltReport> {
        self.fitter.report(&self.lines, &self.sampling)
    }

    fn advance(&mut self) {
        let blocks = self.sampling.complete_blocks();
        let coarse_complete = if self.finished {
            blocks.div_ceil(COARSE)
        } else {
            blocks / COARSE
        };
        while self.envelopes.len() < coarse_complete {
            let coarse = self.envelopes.len();
            let first = self.cells.len();
            let members = coarse * COARSE - first..((coarse + 1) * COARSE).min(blocks) - first;
            self.envelopes
                .push(envelope::line(&self.pending[members], &self.sampling));
        }
        // An envelope is judged against its neighbours on both sides, and interpolated with the next one.
        let judged = self.ready(coarse_complete, ENVELOPE_REACH + 1);
        while self.cells.len() < self.blocks_in(judged, blocks) {
            let block = self.pending.remove(0);
            let line = envelope::at(&self.envelopes, block.centre_row, &self.sampling);
            self.cells
                .push(line.map(|line| Cells::new(&block, line, &self.sampling)));
        }
        while self.fitter.shapes() < self.ready(judged, SHAPE_REACH) {
            self.fitter.push_shape(&self.cells, &self.sampling);
        }
        let settled = self.ready(self.fitter.shapes(), 1);
        while self.lines.len() < self.blocks_in(settled, blocks) {
            let index = self.lines.len();
            let line = self.fitter.line(index, &self.cells, &self.sampling);
            let line = line.unwrap_or_else(|| self.unseen_line(index));
            self.lines.push(line);
        }
    }

    /// Where no belt is in reach the last line is held, marked as unseen.
    fn unseen_line(&self, index: usize) -> BeltLine {
        let zone_mm = match self.lines.last() {
            Some(line) => line.zone_mm.clone(),
            None => vec![f32::NAN; self.sampling.zones()],
        };
        let row = self.sampling.centre_row(index);
        BeltLine {
            row,
            zone_mm,
            seen_fraction: 0.0,
            u_mm: f64::NAN,
            reach_mm: f64::NAN,
            noise_mm: f64::NAN,
            zone_rest_mm: Vec::new(),
        }
    }

    fn ready(&self, complete: usize, reach: usize) -> usize {
        if self.finished {
            complete
        } else {
            complete.saturating_sub(reach)
        }
    }

    fn blocks_in(&self, coarse: usize, blocks: usize) -> usize {
        (coarse * COARSE).min(blocks)
    }
}
