//! Finds whole pieces in bands of rows that arrive in order.

use std::collections::VecDeque;

use ndarray::Array2;

use super::components::{Component, Components, RowRuns};
use super::mask::{FindRules, Masker};
use super::region::{Cell, Ends, Region};
use crate::surface::{SurfaceBand, SurfaceGrid};

/// Rows after a thing's last one before it counts as complete, mm: longer than any gap that links.
const SETTLED_MM: f64 = 40.0;
/// Longest unseen gap inside a thing, mm.
const LONGEST_LINK_MM: f64 = 30.0;
/// Belt kept around a thing in its window, mm: room for its shadow's far end and for thin edges.
const PAD_MM: f64 = 10.0;
/// Share of the least area below which a component is not even looked at as a neighbour.
const NEIGHBOUR_SHARE: f64 = 0.05;

/// Keeps a window of rows as long as something in it is incomplete.
#[derive(Debug)]
pub struct PieceFinder {
    grid: SurfaceGrid,
    recording_rows: usize,
    min_core_cells: usize,
    neighbour_cells: usize,
    masker: Masker,
    settled_rows: usize,
    /// Rows that a later row may still mark a link in.
    link_rows: usize,
    /// The bands of the window as they came, and the rows of the first that are no longer in it.
    bands: VecDeque<Array2<f32>>,
    dropped_rows: usize,
    /// What stands in the window's rows, and the mask of the rows from `mask_from` on that may still change.
    runs: RowRuns,
    mask: Vec<u8>,
    mask_from: usize,
    /// Rows of the window of which nothing at all was seen.
    row_missing: Vec<bool>,
    first_row: usize,
    /// End of the window when pieces were last handed out.
    handed_to: usize,
}

impl PieceFinder {
    /// For a recording of `recording_rows` on `grid`.
    pub fn new(grid: SurfaceGrid, recording_rows: usize, rules: &FindRules) -> Self {
        let cells = |share: f64| (share * rules.min_area_mm2 / grid.cell_area_mm2()) as usize;
        Self {
            grid,
            recording_rows,
            min_core_cells: cells(1.0).max(1),
            neighbour_cells: cells(NEIGHBOUR_SHARE).max(1),
            masker: Masker::new(grid, rules, LONGEST_LINK_MM),
            settled_rows: grid.rows_spanning(SETTLED_MM),
            bands: VecDeque::new(),
            dropped_rows: 0,
            link_rows: grid.rows_spanning(LONGEST_LINK_MM),
            runs: RowRuns::default(),
            mask: Vec::new(),
            mask_from: 0,
            row_missing: Vec::new(),
            first_row: 0,
            handed_to: 0,
        }
    }

    /// Takes the next band and hands out the things that are complete with it, in order of their first cell.
    pub fn push(&mut self, band: SurfaceBand) -> Vec<Region> {
        self.runs.forget_from(self.mask_from);
        for (index, row) in band.heights_mm.outer_iter().enumerate() {
            let row = row.as_slice().unwrap_or_default();
            self.row_missing.push(is_missing(row));
            self.masker
                .push(band.first_row + index, row, &mut self.mask, self.mask_from);
        }
        self.bands.push_back(band.heights_mm);
        let end = self.first_row + self.row_missing.len();
        let columns = self.grid.columns;
        for (row, cells) in (self.mask_from..).zip(self.mask.chunks_exact(columns)) {
            self.runs.push(row, cells);
        }
        let done = end.saturating_sub(self.link_rows).max(self.mask_from);
        self.mask.drain(..(done - self.mask_from) * columns);
        self.mask_from = done;
        let found = self.runs.connect(self.first_row);
        let settled = |component: &Component, end: usize| {
            end >= self.recording_rows
                || self.first_row + component.rows.end + self.settled_rows <= end
        };
        let handed_to = self.handed_to;
        let fresh: Vec<usize> = (0..found.components.len())
            .filter(|&index| {
                let component = &found.components[index];
                component.core_cells >= self.min_core_cells
                    && settled(component, end)
                    && (handed_to == 0 || !settled(component, handed_to))
            })
            .collect();
        let regions = self.regions(&found, &fresh);
        let kept_from = found
            .components
            .iter()
            .filter(|component| component.cells >= self.neighbour_cells && !settled(component, end))
            .map(|component| component.rows.start)
            .min()
            .unwrap_or(self.row_missing.len())
            .min(self.row_missing.len())
            .saturating_sub(self.settled_rows);
        self.drop_rows(kept_from);
        self.handed_to = end;
        regions
    }

    /// First row that may still be needed.
    pub fn first_row(&self) -> usize {
        self.first_row
    }

    fn drop_rows(&mut self, rows: usize) {
        self.dropped_rows += rows;
        while let Some(band) = self.bands.front() {
            if self.dropped_rows < band.nrows() {
                break;
            }
            self.dropped_rows -= band.nrows();
            self.bands.pop_front();
        }
        self.row_missing.drain(..rows);
        self.first_row += rows;
        self.runs.forget_before(self.first_row);
    }

    fn regions(&self, found: &Components, fresh: &[usize]) -> Vec<Region> {
        let mut regions: Vec<(
            usize,
            Region,
            std::ops::Range<usize>,
            std::ops::Range<usize>,
        )> = fresh
            .iter()
            .map(|&index| {
                let component = &found.components[index];
                let rows = pad(
                    &component.rows,
                    self.grid.rows_spanning(PAD_MM),
                    self.row_missing.len(),
                );
                let columns = pad(
                    &component.columns,
                    self.grid.columns_spanning(PAD_MM),
                    self.grid.columns,
                );
                let region = self.window(component, rows.clone(), columns.clone());
                (index, region, rows, columns)
            })
            .collect();
        for (index, region, rows, columns) in &mut regions {
            let first = found
                .runs
                .partition_point(|run| (run.row as usize) < rows.start);
            for run in &found.runs[first..] {
                if run.row as usize >= rows.end {
                    break;
                }
                let own = run.component as usize == *index;
                if !own && found.components[run.component as usize].cells < self.neighbour_cells {
                    continue;
                }
                let from = (run.first as usize).max(columns.start);
                let to = (run.end as usize).min(columns.end);
                if from < to {
                    let line = (run.row as usize - rows.start) * columns.len();
                    let span = line + from - columns.start..line + to - columns.start;
                    let cells = region.cells.as_slice_mut().unwrap_or_default();
                    cells[span].fill(if own { Cell::Own } else { Cell::Other });
                }
            }
        }
        regions
            .into_iter()
            .map(|(_, region, _, _)| region)
            .collect()
    }

    fn window(
        &self,
        component: &Component,
        rows: std::ops::Range<usize>,
        columns: std::ops::Range<usize>,
    ) -> Region {
        let size = (rows.len(), columns.len());
        let mut heights_mm = Vec::with_capacity(size.0 * size.1);
        let mut band_row = 0;
        for band in &self.bands {
            // Rows of the window that lie in this band.
            let from = (rows.start + self.dropped_rows).max(band_row);
            let to = (rows.end + self.dropped_rows).min(band_row + band.nrows());
            for row in from..to {
                let row = band.row(row - band_row);
                heights_mm.extend_from_slice(&row.to_slice().unwrap_or_default()[columns.clone()]);
            }
            band_row += band.nrows();
        }
        let heights_mm = Array2::from_shape_vec(size, heights_mm)
            .unwrap_or_else(|_| Array2::from_elem(size, f32::NAN));
        let cells = Array2::from_elem(heights_mm.dim(), Cell::Free);
        let first = self.first_row + component.rows.start;
        let end = self.first_row + component.rows.end;
        let missing = |row: Option<usize>| {
            row.and_then(|row| self.row_missing.get(row))
                .copied()
                .unwrap_or(false)
        };
        let along = first == 0
            || end >= self.recording_rows
            || missing(component.rows.start.checked_sub(1))
            || missing(Some(component.rows.end))
            || component.rows.clone().any(|row| missing(Some(row)));
        let side = component.columns.start == 0 || component.columns.end == self.grid.columns;
        Region {
            first_row: self.first_row + rows.start,
            first_column: columns.start,
            heights_mm,
            cells,
            ends: Ends { side, along },
            touching: false,
            doubtful: false,
        }
    }
}

/// Whether nothing at all was seen; ends at the first block with a sample.
fn is_missing(heights_mm: &[f32]) -> bool {
    let unseen = |block: &[f32]| block.iter().fold(true, |all, h| all & h.is_nan());
    heights_mm.chunks(64).all(unseen)
}

fn pad(range: &std::ops::Range<usize>, by: usize, end: usize) -> std::ops::Range<usize> {
    range.start.saturating_sub(by)..(range.end + by).min(end)
}
