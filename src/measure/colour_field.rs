//! The colour frames of a recording, brought onto the surface's grid.

use std::collections::VecDeque;

use ndarray::Array2;

use crate::calibration::Calibration;
use crate::colour::{Correction, CorrectionRow};
use crate::error::Result;
use crate::scan::{ColourPart, ColourRows};
use crate::surface::SurfaceGrid;

/// How near a frame's start must be to a whole colour row to count as one, in rows.
const WHOLE_ROW: f64 = 1e-6;

/// Where the height frame lies, as far as colour needs it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HeightPlace {
    /// Columns of the height frame.
    pub columns: usize,
    /// Nominal column pitch, mm.
    pub pitch_across_mm: f64,
    /// Nominal row pitch, mm.
    pub pitch_along_mm: f64,
}

/// Raw colour and where it came from, for the cells of a window.
#[derive(Debug, Clone)]
pub struct ColourWindow {
    /// Raw sRGB of each cell; black where there is none.
    pub raw: Array2<[u8; 3]>,
    /// Column of the colour frame each cell's colour came from; `u32::MAX` where there is none.
    pub column: Array2<u32>,
}

/// Rows of colour, held as long as pieces may need them.
#[derive(Debug)]
pub struct ColourField {
    part: ColourPart,
    columns: usize,
    height: HeightPlace,
    grid: SurfaceGrid,
    /// Measured place from true place: scales, skew, and the registration.
    across_scale: f64,
    along_scale: f64,
    skew: f64,
    shift_mm: [f64; 2],
    correction: Option<CorrectionRow>,
    /// Rows by their number in the recording, from `first_row` on; empty where missing.
    rows: VecDeque<Vec<u8>>,
    first_row: i64,
}

impl ColourField {
    /// For colour frames like `part`, `columns` wide, on a surface of `grid`.
    ///
    /// # Errors
    /// The calibration's colour correction does not hold together.
    pub fn new(
        part: &ColourPart,
        columns: usize,
        height: HeightPlace,
        grid: SurfaceGrid,
        calibration: Option<&Calibration>,
    ) -> Result<Self> {
        let errors = calibration.map(|calibration| calibration.errors);
        let registration = calibration.map(|c| c.registration).unwrap_or_default();
        let width_mm = height.columns as f64 * height.pitch_across_mm;
        let correction = match calibration.and_then(|calibration| calibration.colour.as_ref()) {
            Some(colour) => {
                let correction =
                    Correction::new(colour.matrix, colour.flat_field.clone(), width_mm)?;
                let origin_mm = part.origin_across_mm + registration.dx_mm;
                Some(correction.row(columns, part.pitch_across_mm, origin_mm))
            }
            None => None,
        };
        Ok(Self {
            columns,
            height,
            grid,
            across_scale: errors.map_or(1.0, |errors| errors.across_scale),
            along_scale: errors.map_or(1.0, |errors| errors.along_scale),
            skew: errors.map_or(0.0, |errors| errors.skew_mrad * 1e-3),
            shift_mm: [
                part.origin_across_mm + registration.dx_mm,
                part.origin_along_mm + registration.dy_mm,
            ],
            part: part.clone(),
            correction,
            rows: VecDeque::new(),
            first_row: i64::MIN,
        })
    }

    /// The colour correction, laid out for the colour frame's columns.
    pub fn correction(&self) -> Option<&CorrectionRow> {
        self.correction.as_ref()
    }

    /// Takes colour rows of the frame that starts at height row `first_profile` of the recording.
    pub fn push(&mut self, first_profile: u64, rows: &ColourRows) {
        // Numbered from the recording's start, so that a cut between frames moves no pixel.
        let start = first_profile as f64 * self.height.pitch_along_mm / self.part.pitch_along_mm;
        let whole = start.round();
        let start = if (start - whole).abs() < WHOLE_ROW {
            whole
        } else {
            start.floor()
        };
        let first = start as i64 + rows.first_row as i64;
        if self.first_row == i64::MIN {
            self.first_row = first;
        }
        for (index, row) in rows.rgb.chunks_exact(self.columns * 3).enumerate() {
            let at = first + index as i64 - self.first_row;
            let Ok(at) = usize::try_from(at) else {
                continue;
            };
            while self.rows.len() <= at {
                self.rows.push_back(Vec::new());
            }
            // Where two frames overlap by a row the first one stays.
            if self.rows[at].is_empty() {
                self.rows[at] = row.to_vec();
            }
        }
    }

    /// Lets go of rows that only surface rows before `row` need.
    pub fn release(&mut self, row: usize) {
        let widest_mm = self.skew.abs() * self.grid.width_mm();
        let y_mm = self.along_scale * (self.grid.y_mm(row as f64) - widest_mm);
        let keep = ((y_mm - self.shift_mm[1]) / self.part.pitch_along_mm).floor() as i64 - 2;
        while self.first_row < keep && self.rows.len() > 1 {
            self.rows.pop_front();
            self.first_row += 1;
        }
    }

    /// The colour of the cells of a window of the surface.
    ///
    /// Each cell takes the colour pixel in which its centre lies. Lean and height are not looked at: the colour camera does
    /// not see the laser.
    pub fn window(
        &self,
        first_row: usize,
        first_column: usize,
        size: (usize, usize),
    ) -> ColourWindow {
        let mut raw = Array2::from_elem(size, [0_u8; 3]);
        let mut from = Array2::from_elem(size, u32::MAX);
        let cx_mm = self.height.columns as f64 * self.height.pitch_across_mm / 2.0;
        for column in 0..size.1 {
            let from_centre_mm = self.grid.x_mm((first_column + column) as f64) - cx_mm;
            let x_mm = cx_mm + self.across_scale * from_centre_mm - self.shift_mm[0];
            let pixel = (x_mm / self.part.pitch_across_mm).floor();
            if pixel < 0.0 || pixel >= self.columns as f64 {
                continue;
            }
            let pixel = pixel as usize;
            for row in 0..size.0 {
                let y_mm = self.along_scale
                    * (self.grid.y_mm((first_row + row) as f64) + self.skew * from_centre_mm);
                let number = ((y_mm - self.shift_mm[1]) / self.part.pitch_along_mm).floor() as i64;
                let held = usize::try_from(number - self.first_row)
                    .ok()
                    .and_then(|at| self.rows.get(at))
                    .and_then(|row| row.get(pixel * 3..pixel * 3 + 3));
                if let Some(&[r, g, b]) = held {
                    raw[[row, column]] = [r, g, b];
                    from[[row, column]] = pixel as u32;
                }
            }
        }
        ColourWindow { raw, column: from }
    }

    /// A window's colours as they are after correction, for pictures.
    pub fn corrected(&self, window: &ColourWindow) -> Array2<[u8; 3]> {
        let Some(correction) = &self.correction else {
            return window.raw.clone();
        };
        let mut colours = window.raw.clone();
        colours.zip_mut_with(&window.column, |colour, &column| {
            if let Some(linear) = correction.linear(column as usize, *colour) {
                *colour = linear.map(crate::colour::encode_srgb8);
            }
        });
        colours
    }
}
