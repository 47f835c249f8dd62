//! The colour frames of a recording, brought onto the surface's grid.

use std::collections::VecDeque;
use std::ops::Range;

use ndarray::Array2;

use crate::calibration::{Calibration, ColourCamera};
use crate::colour::{Correction, CorrectionRow};
use crate::error::Result;
use crate::scan::{ColourLattice, ColourPart, ColourRows};
use crate::surface::SurfaceGrid;

/// Highest point that is looked up as it is, in heights of the camera.
const HIGHEST_SHARE: f64 = 0.8;
/// Highest piece that rows of colour are kept for where the camera sees heights from the side, mm.
const KEPT_HEIGHT_MM: f64 = 250.0;

/// Where the height frame lies, as far as colour needs it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HeightPlace {
    /// Columns of the height frame.
    pub columns: usize,
    /// Nominal column pitch, mm.
    pub pitch_across_mm: f64,
    /// Nominal row pitch, mm.
    pub pitch_along_mm: f64,
    /// First row of the recording's first frame.
    pub first_profile: u64,
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
    along_scale: f64,
    skew: f64,
    lattice: ColourLattice,
    shift_along_mm: f64,
    /// Where the camera stands, and the frame's middle, mm.
    camera: Option<ColourCamera>,
    cx_mm: f64,
    across_scale: f64,
    correction: Option<CorrectionRow>,
    /// Column of the colour frame that each column of the grid takes; `u32::MAX` beside the frame.
    pixels: Vec<u32>,
    /// One past the last column of the grid up to which columns take one pixel after the other, or none.
    following: Vec<u32>,
    /// The same from centre to centre, with parts of a pixel; NaN beside the frame.
    places: Vec<f32>,
    /// skew·(x − cx) of each column of the grid, mm.
    skew_mm: Vec<f64>,
    /// Blocks of rows as they came, from number `first_block` on; emptied when none of their rows is kept any more.
    blocks: VecDeque<Vec<u8>>,
    first_block: usize,
    /// Rows by their number in the recording, from `first_row` on; `None` where missing.
    rows: VecDeque<Option<RowPlace>>,
    first_row: i64,
}

/// Where a row of colour is kept.
#[derive(Debug, Clone, Copy)]
struct RowPlace {
    block: usize,
    first_byte: usize,
}

/// No colour for this column.
pub const NO_PIXEL: u32 = u32::MAX;

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
        let start_mm = height.first_profile as f64 * height.pitch_along_mm;
        let lattice = ColourLattice::new(part.origin_along_mm, part.pitch_along_mm, start_mm);
        let correction = match calibration.and_then(|calibration| calibration.colour.as_ref()) {
            Some(colour) => {
                let correction =
                    Correction::new(colour.matrix, colour.flat_field.clone(), width_mm)?;
                let origin_mm = part.origin_across_mm + registration.dx_mm;
                Some(correction.row(columns, part.pitch_across_mm, origin_mm))
            }
            None => None,
        };
        let across_scale = errors.map_or(1.0, |errors| errors.across_scale);
        let skew = errors.map_or(0.0, |errors| errors.skew_mrad * 1e-3);
        let cx_mm = width_mm / 2.0;
        let shift_mm = part.origin_across_mm + registration.dx_mm;
        let from_centre_mm = |column: usize| grid.x_mm(column as f64) - cx_mm;
        let pixels_in = |column| {
            let x_mm = cx_mm + across_scale * from_centre_mm(column) - shift_mm;
            x_mm / part.pitch_across_mm
        };
        let pixel = |column| {
            let pixel = pixels_in(column).floor();
            if pixel < 0.0 || pixel >= columns as f64 {
                NO_PIXEL
            } else {
                pixel as u32
            }
        };
        let pixels: Vec<u32> = (0..grid.columns).map(pixel).collect();
        Ok(Self {
            following: following(&pixels),
            pixels,
            places: (0..grid.columns)
                .map(|column| match pixel(column) {
                    NO_PIXEL => f32::NAN,
                    _ => (pixels_in(column) - 0.5) as f32,
                })
                .collect(),
            skew_mm: (0..grid.columns)
                .map(|column| skew * from_centre_mm(column))
                .collect(),
            columns,
            height,
            grid,
            along_scale: errors.map_or(1.0, |errors| errors.along_scale),
            skew,
            lattice,
            shift_along_mm: lattice.origin_mm + registration.dy_mm,
            camera: calibration.and_then(|calibration| calibration.colour_camera),
            cx_mm,
            across_scale,
            part: part.clone(),
            correction,
            blocks: VecDeque::new(),
            first_block: 0,
            rows: VecDeque::new(),
            first_row: i64::MIN,
        })
    }

    /// The colour correction, laid out for the colour frame's columns.
    pub fn correction(&self) -> Option<&CorrectionRow> {
        self.correction.as_ref()
    }

    /// Takes colour rows of the frame that starts at height row `first_profile` of the recording and whose colour rows start at
    /// `origin_along_mm` there.
    pub fn push(&mut self, first_profile: u64, origin_along_mm: f64, rows: ColourRows) {
        let start_mm = first_profile as f64 * self.height.pitch_along_mm;
        let first = (self.lattice).first_row(start_mm, origin_along_mm) + rows.first_row as i64;
        if self.first_row == i64::MIN {
            self.first_row = first;
        }
        let block = self.first_block + self.blocks.len();
        let row_bytes = self.columns * 3;
        for index in 0..rows.rgb.len() / row_bytes {
            let at = first + index as i64 - self.first_row;
            let Ok(at) = usize::try_from(at) else {
                continue;
            };
            while self.rows.len() <= at {
                self.rows.push_back(None);
            }
            // Where two frames overlap by a row the first one stays.
            self.rows[at].get_or_insert(RowPlace {
                block,
                first_byte: index * row_bytes,
            });
        }
        self.blocks.push_back(rows.rgb);
    }

    /// Lets go of rows that only surface rows before `row` need.
    pub fn release(&mut self, row: usize) {
        let widest_mm = self.skew.abs() * self.grid.width_mm();
        let aside_mm = self.camera.map_or(0.0, |camera| {
            camera.y_mm.abs() * KEPT_HEIGHT_MM / camera.height_mm
        });
        let y_mm = self.along_scale * (self.grid.y_mm(row as f64) - widest_mm - aside_mm);
        let keep = self.number(y_mm) - 2;
        while self.first_row < keep && self.rows.len() > 1 {
            self.rows.pop_front();
            self.first_row += 1;
        }
        // Blocks came in order, so the first row that is kept tells the first block that is.
        let needed = self.rows.iter().flatten().next();
        while needed.is_some_and(|place| self.first_block < place.block) {
            self.blocks.pop_front();
            self.first_block += 1;
        }
    }

    /// Number of the colour row at a measured place along, mm.
    fn number(&self, y_mm: f64) -> i64 {
        ((y_mm - self.shift_along_mm) / self.part.pitch_along_mm).floor() as i64
    }

    /// Number of the colour row under the middle of a row of the grid.
    pub(super) fn number_of_row(&self, row: usize) -> i64 {
        self.number(self.along_scale * self.grid.y_mm(row as f64))
    }

    /// Number of the colour row that a cell of the grid takes.
    fn number_at(&self, row_mm: f64, column: usize) -> i64 {
        self.number(self.along_scale * (row_mm + self.skew_mm[column]))
    }

    /// A row of colour, `None` if it is missing or no longer kept.
    pub(super) fn row(&self, number: i64) -> Option<&[u8]> {
        let at = usize::try_from(number - self.first_row).ok()?;
        let place = (*self.rows.get(at)?)?;
        let block = self
            .blocks
            .get(place.block.checked_sub(self.first_block)?)?;
        block.get(place.first_byte..place.first_byte + self.columns * 3)
    }

    /// The colour of a stretch of a row of the grid, in parts that take it from one row of the colour frame: to `take` go the
    /// part's columns and that row's bytes, `None` where there are none.
    ///
    /// Each cell takes the colour pixel in which its centre lies: column [`ColourField::pixels`] of that row. Lean and height
    /// are not looked at: the colour camera does not see the laser. Where it does not see every height from straight above,
    /// [`ColourField::seen`] says what it sees of a piece.
    pub fn each_part(
        &self,
        row: usize,
        columns: Range<usize>,
        mut take: impl FnMut(Range<usize>, Option<&[u8]>),
    ) {
        let row_mm = self.grid.y_mm(row as f64);
        let mut first = columns.start;
        while first < columns.end {
            let number = self.number_at(row_mm, first);
            let same = |column: usize| self.number_at(row_mm, column) == number;
            // Along a row the number only rises or only falls, so what ends alike is alike.
            let end = if same(columns.end - 1) {
                columns.end
            } else {
                let (mut inside, mut outside) = (first, columns.end - 1);
                while outside - inside > 1 {
                    let middle = usize::midpoint(inside, outside);
                    if same(middle) {
                        inside = middle;
                    } else {
                        outside = middle;
                    }
                }
                outside
            };
            take(first..end, self.row(number));
            first = end;
        }
    }

    /// Column of the colour frame that each column of the grid takes; `u32::MAX` beside the frame.
    pub fn pixels(&self) -> &[u32] {
        &self.pixels
    }

    /// Whether a cell's height decides where its colour is looked up.
    pub fn has_parallax(&self) -> bool {
        self.camera.is_some()
    }

    /// Column of the colour frame and raw colour of a cell seen by a camera that stands somewhere: the pixel in which the
    /// place lies at which it appears on the belt.
    pub fn seen(&self, row: usize, column: usize, height_mm: f32) -> Option<(usize, [u8; 3])> {
        let place = *self.places.get(column).filter(|place| !place.is_nan())?;
        let [right_mm, on_mm] = self.moved_mm(column, height_mm);
        let pixel =
            f64::from(place) + 0.5 + self.across_scale * right_mm / self.part.pitch_across_mm;
        if pixel < 0.0 || pixel >= self.columns as f64 {
            return None;
        }
        let number = self.number_at(self.grid.y_mm(row as f64) + on_mm, column);
        let pixel = pixel as usize;
        let raw = *self.row(number)?.as_chunks::<3>().0.get(pixel)?;
        Some((pixel, raw))
    }

    /// How far across and along a point of this height appears moved on the belt, mm.
    fn moved_mm(&self, column: usize, height_mm: f32) -> [f64; 2] {
        let Some(camera) = &self.camera else {
            return [0.0; 2];
        };
        let height_mm = f64::from(height_mm.max(0.0)).min(HIGHEST_SHARE * camera.height_mm);
        let from_centre_mm = self.grid.x_mm(column as f64) - self.cx_mm - camera.x_mm;
        [
            from_centre_mm * height_mm / (camera.height_mm - height_mm),
            -camera.y_mm * height_mm / camera.height_mm,
        ]
    }

    /// Corrected colour of a raw one as 8-bit sRGB: what the rules of classes look at.
    pub fn corrected_srgb8(&self, pixel: usize, raw: [u8; 3]) -> Option<[u8; 3]> {
        match &self.correction {
            Some(correction) => {
                let linear = correction.linear(pixel, raw)?;
                Some(linear.map(crate::colour::encode_srgb8))
            }
            None => Some(raw),
        }
    }

    /// For each column of the grid, one past the last column up to which columns take one pixel after the other, or none.
    pub(super) fn following(&self) -> &[u32] {
        &self.following
    }

    /// Whether all cells of a row, and all of a column, are seen in line, whatever their height.
    pub(super) fn is_straight(&self) -> bool {
        self.camera.is_none() && self.skew == 0.0
    }

    /// Place across in which a cell of the grid is seen, from centre to centre of colour pixels; `None` beside the frame.
    pub(super) fn place_of(&self, column: usize, height_mm: f32) -> Option<f32> {
        let place = *self.places.get(column).filter(|place| !place.is_nan())?;
        let [right_mm, _] = self.moved_mm(column, height_mm);
        Some(place + (self.across_scale * right_mm / self.part.pitch_across_mm) as f32)
    }

    /// Place along in which a cell of the grid is seen, from centre to centre of colour rows.
    pub(super) fn number_of(&self, row: usize, column: usize, height_mm: f32) -> f64 {
        let [_, on_mm] = self.moved_mm(column, height_mm);
        let y_mm = self.along_scale * (self.grid.y_mm(row as f64) + self.skew_mm[column] + on_mm);
        (y_mm - self.shift_along_mm) / self.part.pitch_along_mm - 0.5
    }

    /// All rows that are kept, with the number of the first.
    pub(super) fn kept_rows(&self) -> (i64, usize) {
        (self.first_row, self.rows.len())
    }

    /// Columns of the colour frame.
    pub(super) fn columns(&self) -> usize {
        self.columns
    }

    /// The colour of the cells of a window of the surface.
    pub fn window(
        &self,
        first_row: usize,
        first_column: usize,
        size: (usize, usize),
    ) -> ColourWindow {
        let mut raw = Array2::from_elem(size, [0_u8; 3]);
        let mut from = Array2::from_elem(size, NO_PIXEL);
        for row in 0..size.0 {
            let columns = first_column..first_column + size.1;
            self.each_part(first_row + row, columns, |columns, rgb| {
                let Some(rgb) = rgb else { return };
                for column in columns {
                    let pixel = self.pixels[column];
                    if pixel != NO_PIXEL {
                        let at = [row, column - first_column];
                        let byte = pixel as usize * 3;
                        raw[at] = [rgb[byte], rgb[byte + 1], rgb[byte + 2]];
                        from[at] = pixel;
                    }
                }
            });
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

fn following(pixels: &[u32]) -> Vec<u32> {
    let mut ends = vec![pixels.len() as u32; pixels.len()];
    for (column, pair) in pixels.windows(2).enumerate().rev() {
        let follows = match pair[0] {
            NO_PIXEL => pair[1] == NO_PIXEL,
            pixel => pair[1] == pixel + 1,
        };
        ends[column] = if follows {
            ends[column + 1]
        } else {
            column as u32 + 1
        };
    }
    ends
}
