//! Rows of counts in, bands of heights above the belt out.

use std::collections::VecDeque;

use ndarray::{Array2, ArrayView2};

use super::belt::{BeltLine, BeltReport, BeltTracker};
use super::fusion::{FusedRows, ViewFusion, ViewReport};
use super::grid::{SurfaceBand, SurfaceGrid};
use super::ramp::{ZoneRamp, zones_at};
use super::rectify::Rectifier;
use super::resample::Resampler;
use super::stripe;
use crate::calibration::{Calibration, GeometricErrors, Triangulation};
use crate::error::{Error, ErrorKind, Result};
use crate::scan::{Counts, HeightKind};

/// Rows to a band. Bands lie on multiples of it in the recording, wherever frames begin and end.
pub const BAND_ROWS: usize = 512;

/// What the surface needs to know of a recording's frames.
#[derive(Debug, Clone, PartialEq)]
pub struct FrameLayout {
    /// Columns of a frame.
    pub columns: usize,
    /// Rows of the recording, counted from its start: from the first frame's first to the last frame's last.
    pub rows: std::ops::Range<u64>,
    /// Nominal column pitch, mm.
    pub pitch_across_mm: f64,
    /// Nominal row pitch, mm.
    pub pitch_along_mm: f64,
    /// What a count means.
    pub kind: HeightKind,
    /// mm or px per count.
    pub scale: f64,
    /// mm or px at count 0.
    pub offset: f64,
    /// The count that means "no return".
    pub invalid: Option<u16>,
    /// Whether rows come with measured y of their own ([`SurfaceStream::push`]'s `y_measured_mm`).
    pub own_y: bool,
    /// Measured y of the recording's end, mm, where rows have their own.
    pub y_end_mm: Option<f64>,
}

/// The surface of one recording, band by band.
#[derive(Debug)]
pub struct SurfaceStream {
    layout: FrameLayout,
    rectifier: Rectifier,
    resampler: Option<Resampler>,
    second: Option<SecondView>,
    triangulation: Option<Triangulation>,
    tracker: BeltTracker,
    zones: ZoneRamp,
    grid_rows: usize,
    /// Heights that wait for their belt, from `waiting_from` on.
    waiting: Waiting,
    waiting_from: usize,
    pushed_rows: usize,
    next_line: usize,
    seen_samples: u64,
    samples: u64,
}

impl SurfaceStream {
    /// For a recording of this layout, under the calibration in force (`None`: taken as already true).
    ///
    /// # Errors
    /// Stripe rows without a triangulation in the calibration.
    pub fn new(layout: FrameLayout, calibration: Option<&Calibration>) -> Result<Self> {
        let errors = calibration.map_or(GeometricErrors::NONE, |calibration| calibration.errors);
        let triangulation = match layout.kind {
            HeightKind::Range => None,
            HeightKind::Stripe => {
                Some(calibration.and_then(|c| c.triangulation).ok_or_else(|| {
                    Error::new(
                        ErrorKind::Mismatch,
                        "the scan holds stripe rows, and no calibration with a triangulation is in force",
                    )
                    .expected("give --calibrations with one that holds [triangulation]")
                })?)
            }
        };
        let coding = match layout.kind {
            HeightKind::Range => (layout.scale, layout.offset, layout.invalid),
            HeightKind::Stripe => (1.0, 0.0, None),
        };
        let rectifier = Rectifier::new(
            layout.columns,
            layout.rows.clone(),
            layout.pitch_across_mm,
            layout.pitch_along_mm,
            coding,
            &errors,
        );
        let grid = rectifier.grid;
        let moves = errors.skew_mrad != 0.0 || errors.lean_mrad != 0.0 || layout.own_y;
        let resampler = moves
            .then(|| Resampler::new(grid, errors.along_scale, errors.skew_mrad, errors.lean_mrad));
        let grid_rows = match layout.y_end_mm {
            Some(end_mm) => (end_mm / errors.along_scale / grid.pitch_along_mm)
                .round()
                .max(0.0) as usize,
            None => (layout.rows.end - layout.rows.start) as usize,
        };
        let tracker = BeltTracker::new(grid);
        Ok(Self {
            zones: ZoneRamp::new(grid.columns, tracker.zone_columns()),
            tracker,
            rectifier,
            resampler,
            second: None,
            triangulation,
            grid_rows,
            waiting: Waiting::new(layout.columns),
            layout,
            waiting_from: 0,
            pushed_rows: 0,
            next_line: 0,
            seen_samples: 0,
            samples: 0,
        })
    }

    /// The grid of the surface.
    pub fn grid(&self) -> SurfaceGrid {
        self.rectifier.grid
    }

    /// Rows of the surface in all.
    pub fn rows(&self) -> usize {
        self.grid_rows
    }

    /// Fuses a second view of the same rows, whose counts mean `offset_mm + scale_mm·count` under the same calibration. To be
    /// called before any rows come, which then come by [`SurfaceStream::push_views`].
    pub fn add_view(&mut self, coding: (f64, f64, Option<u16>), calibration: Option<&Calibration>) {
        let layout = &self.layout;
        let rectifier = Rectifier::new(
            layout.columns,
            layout.rows.clone(),
            layout.pitch_across_mm,
            layout.pitch_along_mm,
            coding,
            &calibration.map_or(GeometricErrors::NONE, |calibration| calibration.errors),
        );
        self.second = Some(SecondView {
            rectifier,
            fusion: ViewFusion::new(layout.columns),
        });
    }

    /// Takes the next rows of both views; without a second one as [`SurfaceStream::push`].
    pub fn push_views(
        &mut self,
        counts: &Counts,
        second: Option<&Counts>,
        y_measured_mm: Option<&[f64]>,
    ) {
        let (Some(view), Some(second)) = (&mut self.second, second) else {
            self.push(counts, y_measured_mm);
            return;
        };
        self.samples += counts.len() as u64;
        let rows = counts.len() / self.layout.columns;
        let first_row = self.pushed_rows;
        self.pushed_rows += rows;
        let mut complete = Vec::new();
        for index in 0..rows {
            let row = first_row + index;
            let y_mm =
                y_measured_mm.map_or_else(|| nominal_mm(&self.layout, row), |own| own[index]);
            complete.extend(view.fusion.push(y_mm, |one, two| {
                self.rectifier.append_row(row, counts, index, one);
                view.rectifier.append_row(row, second, index, two);
            }));
        }
        complete.into_iter().for_each(|rows| self.push_fused(&rows));
    }

    /// How the second view agrees with the first; `None` without one, or where too little was seen by both.
    pub fn view_report(&self) -> Option<ViewReport> {
        self.second.as_ref().and_then(|view| view.fusion.report())
    }

    /// Whether the second view sees something other than the first.
    pub fn views_are_apart(&self) -> bool {
        let second = self.second.as_ref();
        second.is_some_and(|view| view.fusion.is_apart())
    }

    fn push_fused(&mut self, rows: &FusedRows) {
        self.seen_samples += seen(&rows.heights_mm);
        let (tracker, waiting) = (&mut self.tracker, &mut self.waiting);
        let heights = rows.heights_mm.chunks_exact(self.layout.columns);
        for (heights, &y_mm) in heights.zip(&rows.y_mm) {
            let mut complete = |row: &[f32]| {
                push_row(tracker, row);
                waiting.push(row);
            };
            match &mut self.resampler {
                None => complete(heights),
                Some(resampler) => resampler.push(y_mm, heights, complete),
            }
        }
    }

    /// Takes the next rows; `y_measured_mm` gives each row's own y where the layout says so.
    ///
    /// Rows that are missing in the recording are given by [`SurfaceStream::push_missing`].
    pub fn push(&mut self, counts: &Counts, y_measured_mm: Option<&[f64]>) {
        let stripe = self.triangulation.as_ref();
        let stripe = stripe.map(|by| Counts::F32(self.stripe_heights(counts, by)));
        let counts = stripe.as_ref().unwrap_or(counts);
        self.samples += counts.len() as u64;
        let first_row = self.pushed_rows;
        let rows = counts.len() / self.layout.columns;
        self.pushed_rows += rows;
        let Some(resampler) = &mut self.resampler else {
            for index in 0..rows {
                let row = self.waiting.push_with(|out| {
                    self.rectifier
                        .append_row(first_row + index, counts, index, out);
                });
                self.seen_samples += seen(row);
                push_row(&mut self.tracker, row);
            }
            return;
        };
        let heights_mm = self.rectifier.heights_mm(first_row, counts);
        self.seen_samples += seen(&heights_mm);
        let (tracker, waiting) = (&mut self.tracker, &mut self.waiting);
        for (index, heights) in heights_mm.chunks_exact(self.layout.columns).enumerate() {
            let row = self.layout.rows.start as f64 + (first_row + index) as f64;
            let nominal_mm = (row + 0.5) * self.layout.pitch_along_mm;
            let y_mm = y_measured_mm.map_or(nominal_mm, |own| own[index]);
            resampler.push(y_mm, heights, |row| {
                push_row(tracker, row);
                waiting.push(row);
            });
        }
    }

    /// Takes `rows` rows that the recording does not have.
    pub fn push_missing(&mut self, rows: usize) {
        let missing = vec![f32::NAN; self.layout.columns];
        let first_row = self.pushed_rows;
        self.pushed_rows += rows;
        if self.second.is_some() {
            for row in first_row..self.pushed_rows {
                let y_mm = nominal_mm(&self.layout, row);
                let block = self.second.as_mut().and_then(|view| {
                    view.fusion.push(y_mm, |one, two| {
                        one.extend_from_slice(&missing);
                        two.extend_from_slice(&missing);
                    })
                });
                if let Some(rows) = block {
                    self.push_fused(&rows);
                }
            }
            return;
        }
        let (tracker, waiting) = (&mut self.tracker, &mut self.waiting);
        for index in 0..rows {
            let mut complete = |row: &[f32]| {
                push_row(tracker, row);
                waiting.push(row);
            };
            match &mut self.resampler {
                None => complete(&missing),
                Some(resampler) => {
                    let row = self.layout.rows.start as f64 + (first_row + index) as f64;
                    let y_mm = (row + 0.5) * self.layout.pitch_along_mm;
                    resampler.push(y_mm, &missing, complete);
                }
            }
        }
    }

    /// No more rows.
    pub fn finish(&mut self) {
        if let Some(rows) = self.second.as_mut().and_then(|view| view.fusion.finish()) {
            self.push_fused(&rows);
        }
        let end = self.grid_rows;
        if let Some(resampler) = &mut self.resampler {
            let (tracker, waiting) = (&mut self.tracker, &mut self.waiting);
            resampler.finish(end, |row| {
                push_row(tracker, row);
                waiting.push(row);
            });
        }
        self.tracker.finish();
    }

    /// The next band whose belt is settled; the last band may be shorter. `None` until there is one, or at the end.
    pub fn next_band(&mut self) -> Option<SurfaceBand> {
        let first_row = self.waiting_from;
        let columns = self.layout.columns;
        let waiting_rows = self.waiting.rows;
        let rows = BAND_ROWS.min(self.grid_rows.saturating_sub(first_row));
        let settled = self.tracker.settled_rows();
        if rows == 0 || waiting_rows < rows || settled < first_row + rows {
            return None;
        }
        let mut heights = self.waiting.pop();
        heights.truncate(rows * columns);
        let mut heights_mm = Array2::from_shape_vec((rows, columns), heights).ok()?;
        for (index, mut row) in heights_mm.outer_iter_mut().enumerate() {
            let at = (first_row + index) as f64;
            let lines = self.tracker.lines();
            while lines.get(self.next_line).is_some_and(|line| line.row <= at) {
                self.next_line += 1;
            }
            let belt_mm = zones_at(lines, self.next_line, at);
            self.zones
                .subtract(&belt_mm, row.as_slice_mut().unwrap_or_default());
        }
        self.waiting_from += rows;
        Some(SurfaceBand {
            first_row,
            heights_mm,
        })
    }

    /// The belt's lines, for what rests on them. All are known after [`SurfaceStream::finish`].
    pub fn belt_lines(&self) -> &[BeltLine] {
        self.tracker.lines()
    }

    /// What the belt looks like; `None` if it was never seen.
    pub fn belt_report(&self) -> Option<BeltReport> {
        self.tracker.report()
    }

    /// Share of samples without a return, missing rows left out.
    pub fn dropout_fraction(&self) -> f64 {
        1.0 - self.seen_samples as f64 / self.samples.max(1) as f64
    }

    fn stripe_heights(&self, counts: &Counts, triangulation: &Triangulation) -> Vec<f32> {
        let to_px = |count: f32| (self.layout.offset + self.layout.scale * f64::from(count)) as f32;
        let stripe_px: Vec<f32> = match counts {
            Counts::U16(samples) => samples
                .iter()
                .map(|&count| {
                    if Some(count) == self.layout.invalid {
                        f32::NAN
                    } else {
                        to_px(f32::from(count))
                    }
                })
                .collect(),
            Counts::F32(samples) => samples.iter().map(|&value| to_px(value)).collect(),
        };
        stripe_px
            .chunks(self.layout.columns)
            .flat_map(|row| stripe::heights_mm(row, triangulation, self.layout.pitch_across_mm))
            .collect()
    }
}

/// A second view and what its counts mean.
#[derive(Debug)]
struct SecondView {
    rectifier: Rectifier,
    fusion: ViewFusion,
}

/// Nominal y of a row of the surface, mm.
fn nominal_mm(layout: &FrameLayout, row: usize) -> f64 {
    (layout.rows.start as f64 + row as f64 + 0.5) * layout.pitch_along_mm
}

/// Number of samples with a return.
fn seen(heights_mm: &[f32]) -> u64 {
    // Blocks short enough for sums of 32 bits.
    let blocks = heights_mm.chunks(1 << 20);
    let count = |block: &[f32]| block.iter().map(|h| u32::from(!h.is_nan())).sum::<u32>();
    blocks.map(|block| u64::from(count(block))).sum()
}

/// Rows in bands, so that a band leaves without a copy.
#[derive(Debug)]
struct Waiting {
    columns: usize,
    rows: usize,
    bands: VecDeque<Vec<f32>>,
}

impl Waiting {
    fn new(columns: usize) -> Self {
        Self {
            columns,
            rows: 0,
            bands: VecDeque::new(),
        }
    }

    fn push(&mut self, row: &[f32]) {
        self.push_with(|out| out.extend_from_slice(row));
    }

    /// Appends the row that `append` adds, and returns it.
    fn push_with(&mut self, append: impl FnOnce(&mut Vec<f32>)) -> &[f32] {
        let full = BAND_ROWS * self.columns;
        self.rows += 1;
        let open = match self.bands.back_mut().filter(|band| band.len() < full) {
            Some(_) => self.bands.len() - 1,
            None => {
                self.bands.push_back(Vec::with_capacity(full));
                self.bands.len() - 1
            }
        };
        let band = &mut self.bands[open];
        let start = band.len();
        append(band);
        &band[start..]
    }

    /// The first band.
    fn pop(&mut self) -> Vec<f32> {
        let band = self.bands.pop_front().unwrap_or_default();
        self.rows -= band.len() / self.columns;
        band
    }
}

fn push_row(tracker: &mut BeltTracker, row: &[f32]) {
    if let Ok(view) = ArrayView2::from_shape((1, row.len()), row) {
        tracker.push(view);
    }
}
