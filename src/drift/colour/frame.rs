//! The part of the colour frame that shows the target, and the way from the plate to its pixels.

use crate::calibration::{Calibration, GeometricErrors, Registration};
use crate::colour::linear_from_srgb8;
use crate::error::{Error, ErrorKind, Result};
use crate::scan::{ColourPart, ColourReader, Scan};

use super::super::report::TargetPose;

/// Rows read at a time.
const BLOCK_ROWS: usize = 256;

/// An affine map of the plane.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Affine {
    /// Where the origin goes.
    origin: [f64; 2],
    /// Where the unit steps go.
    first: [f64; 2],
    second: [f64; 2],
}

impl Affine {
    /// The affine map that a function is known to be.
    fn of(map: impl Fn([f64; 2]) -> [f64; 2]) -> Self {
        let origin = map([0.0, 0.0]);
        // Steps as long as a plate, so that rounding is small beside them.
        let step = 100.0;
        let part = |to: [f64; 2]| [0, 1].map(|axis| (to[axis] - origin[axis]) / step);
        Self {
            origin,
            first: part(map([step, 0.0])),
            second: part(map([0.0, step])),
        }
    }

    pub fn apply(&self, [u, v]: [f64; 2]) -> [f64; 2] {
        [0, 1].map(|axis| self.origin[axis] + u * self.first[axis] + v * self.second[axis])
    }

    pub fn invert(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        let (dx, dy) = (x - self.origin[0], y - self.origin[1]);
        let (a, b) = (self.first, self.second);
        let determinant = a[0] * b[1] - a[1] * b[0];
        [
            (dx * b[1] - dy * b[0]) / determinant,
            (dy * a[0] - dx * a[1]) / determinant,
        ]
    }

    /// The direction of a step on the plate.
    pub fn turn(&self, [u, v]: [f64; 2]) -> [f64; 2] {
        [0, 1].map(|axis| u * self.first[axis] + v * self.second[axis])
    }
}

/// Where the plate's top appears in the colour frame, by the registration in force.
#[derive(Debug, Clone)]
pub(super) struct View {
    /// From the plate (mm) to the colour frame's place on the height frame (mm), registration included.
    pub place: Affine,
    part: ColourPart,
    registration: Registration,
    /// Width of the height frame, mm.
    pub width_mm: f64,
}

impl View {
    pub fn new(
        scan: &Scan,
        top_mm: f64,
        pose: &TargetPose,
        errors: &GeometricErrors,
        calibration: Option<&Calibration>,
    ) -> Result<Self> {
        let Some(part) = scan.description.colour.clone() else {
            return Err(
                Error::new(ErrorKind::Mismatch, "the scan has no colour frame")
                    .at(&scan.folder)
                    .expected("expected a [colour] part in its scan.toml"),
            );
        };
        let height = &scan.description.height;
        let width_mm = scan.columns as f64 * height.pitch_across_mm;
        let cx_mm = 0.5 * width_mm;
        let camera = calibration.and_then(|calibration| calibration.colour_camera);
        let place = Affine::of(|on_plate| {
            let [mut x, mut y] = pose.to_belt(on_plate);
            if let Some(camera) = camera {
                let from_camera_mm = x - cx_mm - camera.x_mm;
                x += from_camera_mm * top_mm / (camera.height_mm - top_mm);
                y -= camera.y_mm * top_mm / camera.height_mm;
            }
            // The colour camera does not see the laser: its lean moves no colour.
            let aside_mm = x - cx_mm;
            [
                cx_mm + errors.across_scale * aside_mm,
                errors.along_scale * (y + 1e-3 * errors.skew_mrad * aside_mm),
            ]
        });
        Ok(Self {
            place,
            part,
            registration: calibration.map(|c| c.registration).unwrap_or_default(),
            width_mm,
        })
    }

    /// Colour pixel (column, row) at a place on the height frame; whole numbers are pixels' centres.
    pub fn pixel(&self, [x_mm, y_mm]: [f64; 2]) -> [f64; 2] {
        let part = &self.part;
        [
            (x_mm - part.origin_across_mm - self.registration.dx_mm) / part.pitch_across_mm - 0.5,
            (y_mm - part.origin_along_mm - self.registration.dy_mm) / part.pitch_along_mm - 0.5,
        ]
    }

    /// Place on the height frame of a colour pixel (column, row), also beside the frame, mm.
    pub fn place_of(&self, column: f64, row: f64) -> [f64; 2] {
        let part = &self.part;
        [
            part.origin_across_mm + self.registration.dx_mm + (column + 0.5) * part.pitch_across_mm,
            part.origin_along_mm + self.registration.dy_mm + (row + 0.5) * part.pitch_along_mm,
        ]
    }

    /// The longer side of a pixel, mm.
    pub fn pixel_mm(&self) -> f64 {
        self.part.pitch_across_mm.max(self.part.pitch_along_mm)
    }
}

/// Rows of the colour frame that are held.
#[derive(Debug)]
pub(super) struct Rows {
    pub columns: usize,
    pub first: usize,
    pub count: usize,
    rgb: Vec<u8>,
}

impl Rows {
    /// Reads the frame, holds the rows `from..to`, and shows each block of all rows to `look` (first row and bytes).
    pub fn read(
        scan: &Scan,
        (from, to): (usize, usize),
        mut look: impl FnMut(usize, &[u8]),
    ) -> Result<Self> {
        let mut reader = ColourReader::open(scan)?;
        let mut held = Self {
            columns: 0,
            first: from,
            count: 0,
            rgb: Vec::new(),
        };
        while let Some(block) = reader.read(BLOCK_ROWS)? {
            held.columns = block.columns;
            let bytes = block.columns * 3;
            let rows = block.rgb.len() / bytes.max(1);
            let low = from.clamp(block.first_row, block.first_row + rows) - block.first_row;
            let high = to.clamp(block.first_row, block.first_row + rows) - block.first_row;
            if low < high {
                held.rgb
                    .extend_from_slice(&block.rgb[low * bytes..high * bytes]);
                held.count += high - low;
            }
            look(block.first_row, &block.rgb);
        }
        Ok(held)
    }

    /// Raw colour of a pixel, `None` if it is not held.
    pub fn raw(&self, column: usize, row: usize) -> Option<[u8; 3]> {
        let row = row.checked_sub(self.first)?;
        if row >= self.count || column >= self.columns {
            return None;
        }
        let at = (row * self.columns + column) * 3;
        self.rgb.get(at..at + 3).map(|p| [p[0], p[1], p[2]])
    }

    /// The same for numbers that may lie before the frame.
    pub fn raw_at(&self, column: i64, row: i64) -> Option<[u8; 3]> {
        self.raw(usize::try_from(column).ok()?, usize::try_from(row).ok()?)
    }
}

pub(super) fn linear(raw: [u8; 3]) -> [f64; 3] {
    raw.map(|code| f64::from(linear_from_srgb8(code)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_affine_map_goes_there_and_back() {
        let map = Affine::of(|[u, v]| [3.0 + 0.8 * u - 0.6 * v, -7.0 + 0.6 * u + 0.81 * v]);
        let there = map.apply([12.0, -5.0]);
        assert!((there[0] - (3.0 + 9.6 + 3.0)).abs() < 1e-9);
        let back = map.invert(there);
        assert!((back[0] - 12.0).abs() < 1e-9 && (back[1] + 5.0).abs() < 1e-9);
        assert!((map.turn([0.0, 2.0])[1] - 1.62).abs() < 1e-9);
    }
}
