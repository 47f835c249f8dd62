//! Finds whole pieces in bands of rows that arrive in order.

use std::collections::VecDeque;

use ndarray::{Array2, s};

use super::components::{Component, Components, label};
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
    /// The bands of the window as they came, and the rows of the first that are no longer in it.
    bands: VecDeque<Array2<f32>>,
    dropped_rows: usize,
    mask: Vec<u8>,
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
            mask: Vec::new(),
            row_missing: Vec::new(),
            first_row: 0,
            handed_to: 0,
        }
    }

    /// Takes the next band and hands out the things that are complete with it, in order of their first cell.
    pub fn push(&mut self, band: SurfaceBand) -> Vec<Region> {
        for (index, row) in band.heights_mm.outer_iter().enumerate() {
            let row = row.as_slice().unwrap_or_default();
            self.row_missing
                .push(row.iter().all(|height| height.is_nan()));
            self.masker
                .push(band.first_row + index, row, &mut self.mask, self.first_row);
        }
        self.bands.push_back(band.heights_mm);
        let end = self.first_row + self.row_missing.len();
        let found = label(&self.mask, self.grid.columns);
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
        let columns = self.grid.columns;
        self.dropped_rows += rows;
        while let Some(band) = self.bands.front() {
            if self.dropped_rows < band.nrows() {
                break;
            }
            self.dropped_rows -= band.nrows();
            self.bands.pop_front();
        }
        self.mask.drain(..rows * columns);
        self.row_missing.drain(..rows);
        self.first_row += rows;
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
                    let row = run.row as usize - rows.start;
                    region
                        .cells
                        .slice_mut(s![row, from - columns.start..to - columns.start])
                        .fill(if own { Cell::Own } else { Cell::Other });
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
        let mut heights_mm = Array2::from_elem((rows.len(), columns.len()), f32::NAN);
        let mut band_row = 0;
        let mut out = heights_mm.outer_iter_mut();
        for band in &self.bands {
            // Rows of the window that lie in this band.
            let from = (rows.start + self.dropped_rows).max(band_row);
            let to = (rows.end + self.dropped_rows).min(band_row + band.nrows());
            for (row, mut out) in (from..to).zip(&mut out) {
                out.assign(&band.slice(s![row - band_row, columns.clone()]));
            }
            band_row += band.nrows();
        }
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

fn pad(range: &std::ops::Range<usize>, by: usize, end: usize) -> std::ops::Range<usize> {
    range.start.saturating_sub(by)..(range.end + by).min(end)
}
