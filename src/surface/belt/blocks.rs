//! A thinned copy of the surface: every few rows and columns, in blocks along and zones across.

use ndarray::ArrayView2;

use super::BLOCK_MM;
use crate::surface::grid::SurfaceGrid;

/// Zones across the belt, at most.
const ZONES: usize = 24;
/// Narrowest zone, columns.
const ZONE_COLUMNS: usize = 12;
/// Samples taken across a zone and along a block: enough for a median to a tenth of the noise.
const SAMPLES_ACROSS: usize = 16;
const SAMPLES_ALONG: usize = 5;
/// Samples in a zone of a block, about.
pub const CELL_SAMPLES: f64 = (SAMPLES_ACROSS * SAMPLES_ALONG) as f64;

/// Where the samples are taken, and how far the sampling has come.
#[derive(Debug)]
pub struct Sampling {
    grid: SurfaceGrid,
    /// Rows to a block.
    pub block_rows: usize,
    row_step: usize,
    /// Sampled columns, zone after zone, `per_zone` each.
    columns: Vec<usize>,
    per_zone: usize,
    /// Zone centres, in columns.
    pub zone_columns: Vec<f32>,
    /// Zone centres from −1 at the left edge to 1 at the right.
    pub zone_u: Vec<f64>,
    /// Each sampled column from −1 to 1.
    column_u: Vec<f32>,
    rows: usize,
    open: Vec<f32>,
    final_rows: Option<usize>,
}

/// The samples of one block: sampled rows of `sampling.columns` heights each, NaN unseen.
#[derive(Debug, Clone)]
pub struct Block {
    /// Centre of the block, rows of the recording's grid.
    pub centre_row: f64,
    samples_mm: Vec<f32>,
}

impl Sampling {
    /// For a surface on `grid`.
    pub fn new(grid: SurfaceGrid) -> Self {
        let zones = (grid.columns / ZONE_COLUMNS).clamp(1, ZONES);
        let block_rows = ((BLOCK_MM / grid.pitch_along_mm).round() as usize).max(4);
        let edge = |zone: usize| zone * grid.columns / zones;
        let narrowest = (grid.columns / zones).max(1);
        let per_zone = SAMPLES_ACROSS.min(narrowest);
        let mut columns = Vec::with_capacity(zones * per_zone);
        let mut zone_columns = Vec::with_capacity(zones);
        for zone in 0..zones {
            let (first, end) = (edge(zone), edge(zone + 1));
            let width = end - first;
            columns.extend((0..per_zone).map(|k| first + (2 * k + 1) * width / (2 * per_zone)));
            zone_columns.push((first + end - 1) as f32 / 2.0);
        }
        let to_u = |column: f64| 2.0 * (column + 0.5) / grid.columns as f64 - 1.0;
        Self {
            zone_u: zone_columns
                .iter()
                .map(|&column| to_u(f64::from(column)))
                .collect(),
            column_u: columns
                .iter()
                .map(|&column| to_u(column as f64) as f32)
                .collect(),
            row_step: (block_rows / SAMPLES_ALONG).max(1),
            grid,
            block_rows,
            columns,
            per_zone,
            zone_columns,
            rows: 0,
            open: Vec::new(),
            final_rows: None,
        }
    }

    /// Number of zones.
    pub fn zones(&self) -> usize {
        self.zone_columns.len()
    }

    /// Length of a block, mm.
    pub fn block_mm(&self) -> f64 {
        self.block_rows as f64 * self.grid.pitch_along_mm
    }

    /// Half the width of the surface, mm.
    pub fn half_width_mm(&self) -> f64 {
        self.grid.width_mm() / 2.0
    }

    /// Centre of block `index`, in rows.
    pub fn centre_row(&self, index: usize) -> f64 {
        let first = index * self.block_rows;
        let end = self.final_rows.map_or(first + self.block_rows, |rows| {
            rows.min(first + self.block_rows)
        });
        (first + end) as f64 / 2.0 - 0.5
    }

    /// Blocks that are complete so far.
    pub fn complete_blocks(&self) -> usize {
        match self.final_rows {
            Some(rows) => rows.div_ceil(self.block_rows),
            None => self.rows / self.block_rows,
        }
    }

    /// Samples the next rows; blocks that they complete are appended to `blocks`.
    pub fn push(&mut self, heights_mm: ArrayView2<'_, f32>, blocks: &mut Vec<Block>) {
        for row in heights_mm.outer_iter() {
            let within = self.rows % self.block_rows;
            if within % self.row_step == self.row_step / 2 {
                self.open
                    .extend(self.columns.iter().map(|&column| row[column]));
            }
            self.rows += 1;
            if self.rows.is_multiple_of(self.block_rows) {
                let index = self.rows / self.block_rows - 1;
                self.close(index, blocks);
            }
        }
    }

    /// Closes a last, shorter block.
    pub fn finish(&mut self, blocks: &mut Vec<Block>) {
        self.final_rows = Some(self.rows);
        if !self.rows.is_multiple_of(self.block_rows) {
            let index = self.rows / self.block_rows;
            self.close(index, blocks);
        }
    }

    fn close(&mut self, index: usize, blocks: &mut Vec<Block>) {
        let samples_mm = std::mem::take(&mut self.open);
        blocks.push(Block {
            centre_row: self.centre_row(index),
            samples_mm,
        });
    }
}

impl Block {
    /// The seen samples of a zone as (position across from −1 to 1, height mm), and how many samples were taken.
    pub fn zone<'a>(
        &'a self,
        zone: usize,
        sampling: &'a Sampling,
    ) -> (impl Iterator<Item = (f32, f32)> + 'a, usize) {
        let stride = sampling.columns.len();
        let span = zone * sampling.per_zone..(zone + 1) * sampling.per_zone;
        let taken = self.samples_mm.len() / stride.max(1) * sampling.per_zone;
        let seen = self.samples_mm.chunks_exact(stride).flat_map(move |row| {
            row[span.clone()]
                .iter()
                .zip(&sampling.column_u[span.clone()])
                .filter(|(height, _)| !height.is_nan())
                .map(|(&height, &u)| (u, height))
        });
        (seen, taken)
    }
}
