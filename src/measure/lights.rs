//! The colours of a piece's cells in linear light.

use std::ops::Range;

use super::colour_field::ColourField;
use crate::colour::linear_codes;
use crate::surface::whole_below;

/// Parts of a pixel below this are rounding.
const LEAST_PART: f32 = 1e-3;
/// Rows of colour beyond a piece's own that heights and skew may reach to, before they are looked up one by one.
const MARGIN: i64 = 64;

/// The rows of colour about a piece at hand, and where its cells lie among their pixels.
pub struct Lights<'a> {
    field: &'a ColourField,
    /// Linear light of each code.
    linear: &'static [f32; 256],
    first: i64,
    rows: Vec<Option<&'a [[u8; 3]]>>,
    /// First row and column of the surface, and what its rows and columns take where heights move nothing.
    from: (usize, usize),
    flat: Option<Flat<'a>>,
}

/// What rows and columns take where no height moves a place.
struct Flat<'a> {
    rows: Rows<'a>,
    columns: Vec<Option<Across>>,
}

/// What rows take.
enum Rows<'a> {
    /// Each row its own rows of colour.
    Straight(Vec<Along<'a>>),
    /// Skewed: places along of the first column, and what each column adds.
    Skewed(Vec<f64>, Vec<f64>),
}

/// The rows of colour that a row of cells lies between, and their parts; 0 where that is no more than rounding.
#[derive(Debug, Clone, Copy)]
struct Along<'a> {
    pixels: [Option<&'a [[u8; 3]]>; 2],
    parts: [f32; 2],
}

/// Likewise the pixels that a column of cells lies between.
#[derive(Debug, Clone, Copy)]
struct Across {
    pixels: [usize; 2],
    parts: [f32; 2],
}

/// A place between the centres of two pixels: the first of them, and how much of the way to the second.
#[derive(Debug, Clone, Copy)]
struct Place {
    first: i64,
    part: f32,
}

impl Place {
    fn along(number: f64) -> Self {
        let first = whole_below(number);
        Self {
            first,
            part: (number - first as f64) as f32,
        }
    }

    fn across(place: f32) -> Self {
        let first = whole_below(f64::from(place));
        Self {
            first,
            part: place - first as f32,
        }
    }

    /// The parts of the two pixels, as far as these are more than rounding.
    fn parts(self) -> [f32; 2] {
        [1.0 - self.part, self.part].map(|part| if part >= LEAST_PART { part } else { 0.0 })
    }

    /// The two pixels of `columns`; a cell whose pixel lies in the frame may reach half a pixel beyond its last one.
    fn within(self, columns: usize) -> Across {
        let inside = |pixel: i64| (pixel.max(0) as usize).min(columns - 1);
        Across {
            pixels: [inside(self.first), inside(self.first + 1)],
            parts: self.parts(),
        }
    }
}

impl<'a> Lights<'a> {
    /// For cells in these rows and columns of the surface.
    pub fn new(field: &'a ColourField, rows: Range<usize>, columns: Range<usize>) -> Self {
        let (kept, count) = field.kept_rows();
        let number = |row: usize| field.number_of_row(row);
        let (one, two) = (number(rows.start), number(rows.end));
        let first = (one.min(two) - MARGIN).max(kept);
        let end = (one.max(two) + MARGIN).min(kept.saturating_add_unsigned(count as u64));
        let mut lights = Self {
            field,
            linear: linear_codes(),
            first,
            rows: (first..end).map(|number| pixels(field, number)).collect(),
            from: (rows.start, columns.start),
            flat: None,
        };
        if field.has_parallax() {
            return lights;
        }
        let of_row = |row| field.number_of(row, columns.start, 0.0);
        let of_column = |column| {
            let place = Place::across(field.place_of(column, 0.0)?);
            Some(place.within(field.columns()))
        };
        let along = if field.is_straight() {
            let of_row = |row| lights.along(Place::along(of_row(row)));
            Rows::Straight(rows.clone().map(of_row).collect())
        } else {
            let added = |column| field.number_of(rows.start, column, 0.0) - of_row(rows.start);
            Rows::Skewed(
                rows.clone().map(of_row).collect(),
                columns.clone().map(added).collect(),
            )
        };
        lights.flat = Some(Flat {
            rows: along,
            columns: columns.clone().map(of_column).collect(),
        });
        lights
    }

    fn along(&self, place: Place) -> Along<'a> {
        Along {
            pixels: [place.first, place.first + 1].map(|number| self.row(number)),
            parts: place.parts(),
        }
    }

    /// Corrected colour of one cell of the grid in linear light; `None` where there is none.
    ///
    /// Between the centres of colour pixels it is interpolated bilinearly, so that a colour frame that lies a part of a pixel
    /// beside the height frame moves no border.
    pub fn at(&self, row: usize, column: usize, height_mm: f32) -> Option<[f32; 3]> {
        let (along, across) = match &self.flat {
            Some(flat) => {
                let row = row.checked_sub(self.from.0)?;
                let column = column.checked_sub(self.from.1)?;
                let along = match &flat.rows {
                    Rows::Straight(rows) => *rows.get(row)?,
                    Rows::Skewed(rows, added) => {
                        self.along(Place::along(rows.get(row)? + added.get(column)?))
                    }
                };
                (along, (*flat.columns.get(column)?)?)
            }
            None => {
                let across = Place::across(self.field.place_of(column, height_mm)?);
                (
                    self.along(Place::along(self.field.number_of(row, column, height_mm))),
                    across.within(self.field.columns()),
                )
            }
        };
        let correction = self.field.correction();
        let mut sum = [0.0_f32; 3];
        for (pixel, part_across) in across.pixels.into_iter().zip(across.parts) {
            if part_across == 0.0 {
                continue;
            }
            let mut light = [0.0_f32; 3];
            for (pixels, part_along) in along.pixels.into_iter().zip(along.parts) {
                if part_along == 0.0 {
                    continue;
                }
                let raw = pixels?.get(pixel)?;
                for channel in 0..3 {
                    light[channel] += part_along * self.linear[usize::from(raw[channel])];
                }
            }
            let gain = match correction {
                Some(correction) => *correction.gain(pixel)?,
                None => [1.0; 3],
            };
            for channel in 0..3 {
                sum[channel] += part_across * gain[channel] * light[channel];
            }
        }
        // Colours mix before the matrix as well as behind it.
        Some(correction.map_or(sum, |correction| correction.mixed(sum)))
    }

    fn row(&self, number: i64) -> Option<&'a [[u8; 3]]> {
        let at = usize::try_from(number - self.first).ok();
        match at.and_then(|at| self.rows.get(at)) {
            Some(row) => *row,
            None => pixels(self.field, number),
        }
    }
}

fn pixels(field: &ColourField, number: i64) -> Option<&[[u8; 3]]> {
    Some(field.row(number)?.as_chunks::<3>().0)
}
