//! Class rules compiled into a table, so that a pixel costs one or two look-ups.
//!
//! **Definition.** The class of an 8-bit sRGB colour is the first rule whose box holds its CIELAB values (limits included),
//! or else the base class. A corrected colour is rounded to 8-bit sRGB first, so a class is what anyone finds who looks at
//! the corrected picture. [`ClassMap::classify`] returns exactly that: no approximation is left in the table.
//!
//! **Method.** The 256³ colours are cut into 64³ cells of 4³ colours. Bounds of L, a and b over a cell show for most cells that
//! all its colours have one class. In the others each colour is evaluated, and the cell holds 64 classes. Cells are worked
//! out when a colour of theirs is first met: a product shows a few thousand of the 262 144.

use std::sync::OnceLock;
use std::sync::atomic::{AtomicU8, Ordering};

use crate::{Error, ErrorKind, Result};

use super::correction::CorrectionRow;
use super::encoding::ENCODER;
use super::lab::{Lab, lab_from_linear};
use super::lab_bounds::{LIGHT, LabBounds};

/// A box in CIELAB (D65, 2°), limits included: `[low, high]`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LabLimits {
    /// Lightness.
    pub l: [f64; 2],
    /// Green–red.
    pub a: [f64; 2],
    /// Blue–yellow.
    pub b: [f64; 2],
}

impl LabLimits {
    /// Whether a colour lies in the box.
    #[must_use]
    pub fn hold(&self, lab: Lab) -> bool {
        let within = |[low, high]: [f64; 2], value: f64| low <= value && value <= high;
        within(self.l, lab.l) && within(self.a, lab.a) && within(self.b, lab.b)
    }
}

/// Class rules as a table over all 8-bit sRGB colours.
#[derive(Debug)]
pub struct ClassMap {
    rules: Vec<Option<LabLimits>>,
    base: u8,
    /// The one class of each cell of which that is known, [`UNSURE`] for all others: most pixels need no more.
    sure: Vec<AtomicU8>,
    /// One for each red and green; made when first met.
    rows: Vec<OnceLock<Box<Row>>>,
}

/// Not known, or several.
const UNSURE: u8 = u8::MAX;

/// The cells of all blues.
type Row = [OnceLock<Cell>; CELLS];

/// The classes of a cell's colours.
#[derive(Debug, Clone)]
enum Cell {
    One(u8),
    Several(Box<[u8; BLOCK]>),
}

/// Cells along each channel.
const CELLS: usize = 64;
/// Colours of a cell along each channel.
pub(super) const SIDE: usize = 4;
/// Colours of a cell.
const BLOCK: usize = SIDE * SIDE * SIDE;

impl ClassMap {
    /// Compiles rules: `rules[k]` is the box of class `k`, `None` for a class that claims no colour (the base); the first
    /// that fits wins, and `base` takes the rest.
    ///
    /// # Errors
    /// More than 255 classes, a base that is none of them, a limit that is not finite or low above high.
    pub fn new(rules: &[Option<LabLimits>], base: u8) -> Result<Self> {
        check(rules, base)?;
        Ok(Self {
            rules: rules.to_vec(),
            base,
            sure: (0..CELLS * CELLS * CELLS)
                .map(|_| AtomicU8::new(UNSURE))
                .collect(),
            rows: (0..CELLS * CELLS).map(|_| OnceLock::new()).collect(),
        })
    }

    /// Number of classes.
    #[must_use]
    pub fn classes(&self) -> usize {
        self.rules.len()
    }

    /// The class of an 8-bit sRGB colour.
    #[must_use]
    #[inline]
    pub fn classify(&self, rgb: [u8; 3]) -> u8 {
        let [r, g, b] = rgb.map(usize::from);
        let place = (r / SIDE * CELLS + g / SIDE) * CELLS + b / SIDE;
        // Whoever writes it writes the same, so that no order is needed.
        match self.sure[place].load(Ordering::Relaxed) {
            UNSURE => self.look_up(rgb, place),
            class => class,
        }
    }

    fn look_up(&self, rgb: [u8; 3], place: usize) -> u8 {
        let [r, g, b] = rgb.map(usize::from);
        let row = self.rows[place / CELLS]
            .get_or_init(|| Box::new(std::array::from_fn(|_| OnceLock::new())));
        match row[b / SIDE].get_or_init(|| self.cell([r / SIDE, g / SIDE, b / SIDE])) {
            Cell::One(class) => {
                self.sure[place].store(*class, Ordering::Relaxed);
                *class
            }
            Cell::Several(classes) => classes[(r % SIDE * SIDE + g % SIDE) * SIDE + b % SIDE],
        }
    }

    #[cold]
    fn cell(&self, place: [usize; 3]) -> Cell {
        let lowest = place.map(|cell| cell * SIDE);
        match sure_class(&self.rules, self.base, &LabBounds::of_cell(lowest)) {
            Some(class) => Cell::One(class),
            None => Cell::Several(Box::new(evaluate_block(&self.rules, self.base, lowest))),
        }
    }

    /// The class of a corrected colour in linear light: that of the nearest 8-bit sRGB colour.
    #[must_use]
    pub fn classify_corrected(&self, linear: [f32; 3]) -> u8 {
        let encoder = &*ENCODER;
        self.classify(linear.map(|value| encoder.encode(value)))
    }

    /// The classes of a row of raw 8-bit sRGB pixels, each corrected first if a correction is given.
    ///
    /// # Errors
    /// The row, the correction and the output are not equally long.
    pub fn classify_row(
        &self,
        raw_rgb: &[u8],
        correction: Option<&CorrectionRow>,
        out: &mut [u8],
    ) -> Result<()> {
        let columns = correction.map_or(out.len(), CorrectionRow::columns);
        if columns != out.len() || raw_rgb.len() != columns * 3 {
            return Err(Error::new(
                ErrorKind::Mismatch,
                format!("a colour row of {} bytes", raw_rgb.len()),
            )
            .expected(format!(
                "{columns} pixels of 3 bytes into {columns} classes"
            )));
        }
        self.classify_run(raw_rgb, 0, correction, out);
        Ok(())
    }

    /// The classes of pixels that follow on from each other, the first of them in column `first` of the frame.
    ///
    /// As many as the shortest of the pixels, the correction's columns from `first` on, and the output allow.
    pub fn classify_run(
        &self,
        raw_rgb: &[u8],
        first: usize,
        correction: Option<&CorrectionRow>,
        out: &mut [u8],
    ) {
        match correction {
            Some(row) => row.for_each(first, raw_rgb, out, |class, rgb| {
                *class = self.classify(rgb);
            }),
            None => {
                for (pixel, class) in raw_rgb.as_chunks::<3>().0.iter().zip(out) {
                    *class = self.classify(*pixel);
                }
            }
        }
    }
}

fn check(rules: &[Option<LabLimits>], base: u8) -> Result<()> {
    if rules.len() > 255 {
        return Err(
            Error::new(ErrorKind::Document, format!("{} classes", rules.len()))
                .expected("at most 255"),
        );
    }
    if usize::from(base) >= rules.len() {
        return Err(
            Error::new(ErrorKind::Document, format!("class {base} as base"))
                .expected(format!("one of the {} classes", rules.len())),
        );
    }
    for (class, limits) in rules.iter().enumerate() {
        let Some(limits) = limits else { continue };
        for (axis, [low, high]) in [("l", limits.l), ("a", limits.a), ("b", limits.b)] {
            if !(low.is_finite() && high.is_finite() && low <= high) {
                return Err(Error::new(
                    ErrorKind::Document,
                    format!("{axis} from {low} to {high} for class {class}"),
                )
                .key("lab")
                .expected("two finite numbers, the lower first"));
            }
        }
    }
    Ok(())
}

/// The definition: the first box that holds the colour.
fn first_fit(rules: &[Option<LabLimits>], base: u8, lab: Lab) -> u8 {
    rules
        .iter()
        .position(|rule| rule.is_some_and(|limits| limits.hold(lab)))
        .map_or(base, |class| class as u8)
}

fn evaluate_block(rules: &[Option<LabLimits>], base: u8, lowest: [usize; 3]) -> [u8; BLOCK] {
    let light = &*LIGHT;
    std::array::from_fn(|within| {
        let code = [
            lowest[0] + within / (SIDE * SIDE),
            lowest[1] + within / SIDE % SIDE,
            lowest[2] + within % SIDE,
        ];
        first_fit(rules, base, lab_from_linear(code.map(|code| light[code])))
    })
}

/// The class of every colour within the bounds, if that can be told.
fn sure_class(rules: &[Option<LabLimits>], base: u8, bounds: &LabBounds) -> Option<u8> {
    for (class, rule) in rules.iter().enumerate() {
        let Some(limits) = rule else { continue };
        let axes = [
            (limits.l, bounds.l),
            (limits.a, bounds.a),
            (limits.b, bounds.b),
        ];
        if axes
            .iter()
            .all(|([low, high], [from, to])| low <= from && to <= high)
        {
            return Some(class as u8);
        }
        let apart = |([low, high], [from, to]): &([f64; 2], [f64; 2])| to < low || high < from;
        if !axes.iter().any(apart) {
            return None;
        }
    }
    Some(base)
}

#[cfg(test)]
mod tests {
    use rayon::prelude::*;

    use super::super::{Correction, encode_srgb8};
    use super::*;

    fn meat() -> Vec<Option<LabLimits>> {
        let fat = LabLimits {
            l: [62.0, 100.0],
            a: [-20.0, 16.0],
            b: [-10.0, 40.0],
        };
        let lean = LabLimits {
            l: [10.0, 62.0],
            a: [8.0, 60.0],
            b: [-10.0, 50.0],
        };
        let skin = LabLimits {
            l: [40.0, 80.0],
            a: [0.0, 30.0],
            b: [5.0, 45.0],
        };
        vec![Some(fat), Some(lean), None, Some(skin)]
    }

    /// Narrow and overlapping boxes, where the order decides, some at the gamut's corners.
    fn awkward() -> Vec<Option<LabLimits>> {
        let cube = |l, a, b, half: f64| {
            Some(LabLimits {
                l: [l - half, l + half],
                a: [a - half, a + half],
                b: [b - half, b + half],
            })
        };
        vec![
            cube(50.0, 0.0, 0.0, 0.4),
            cube(50.0, 0.0, 0.0, 6.0),
            cube(53.24, 80.1, 67.2, 1.0),
            cube(32.3, 79.2, -107.9, 3.0),
            cube(0.5, 0.0, 0.0, 0.5),
            None,
            cube(100.0, 0.0, 0.0, 0.1),
        ]
    }

    /// All 16.8 million colours against the definition.
    #[test]
    fn the_table_says_what_the_rules_say_for_every_colour() -> Result<()> {
        let (meat, awkward) = (meat(), awkward());
        let meat_map = ClassMap::new(&meat, 2)?;
        let awkward_map = ClassMap::new(&awkward, 5)?;
        let wrong_of_red = |r: u8| {
            let mut wrong = 0;
            for g in 0..=255 {
                for b in 0..=255 {
                    let rgb = [r, g, b];
                    let lab = lab_from_linear(rgb.map(|code| LIGHT[usize::from(code)]));
                    wrong += usize::from(meat_map.classify(rgb) != first_fit(&meat, 2, lab));
                    wrong += usize::from(awkward_map.classify(rgb) != first_fit(&awkward, 5, lab));
                }
            }
            wrong
        };
        let wrong: usize = (0..=255_u8).into_par_iter().map(wrong_of_red).sum();
        assert_eq!(wrong, 0);
        Ok(())
    }

    #[test]
    fn every_awkward_class_is_met() -> Result<()> {
        let map = ClassMap::new(&awkward(), 5)?;
        let seen = |class: u8| (0..=255_u8).any(|v| map.classify([v, v, v]) == class);
        assert!(seen(0) && seen(1) && seen(4) && seen(5) && seen(6));
        assert_eq!(map.classify([255, 0, 0]), 2);
        assert_eq!(map.classify([0, 0, 255]), 3);
        Ok(())
    }

    #[test]
    fn the_first_rule_that_fits_wins() -> Result<()> {
        let all = LabLimits {
            l: [-1.0, 101.0],
            a: [-200.0, 200.0],
            b: [-200.0, 200.0],
        };
        let map = ClassMap::new(&[Some(all), Some(all)], 1)?;
        assert_eq!(map.classify([120, 60, 60]), 0);
        let none = ClassMap::new(&[None], 0)?;
        assert_eq!(none.classify([120, 60, 60]), 0);
        Ok(())
    }

    #[test]
    fn a_corrected_row_is_the_corrected_picture_s_class() -> Result<()> {
        let map = ClassMap::new(&meat(), 2)?;
        let matrix = [[1.2, -0.1, -0.1], [-0.05, 1.1, -0.05], [0.0, -0.1, 1.1]];
        let flat = [vec![0.7, 1.0, 0.8], vec![0.9, 1.0], vec![1.0]];
        let row = Correction::new(matrix, flat, 400.0)?.row(1000, 0.4, 0.0);
        let raw: Vec<u8> = (0..3000_u32)
            .map(|i| (i.wrapping_mul(2_654_435_761) >> 24) as u8)
            .collect();
        let mut picture = vec![0; 3000];
        row.correct(&raw, &mut picture)?;
        let mut classes = vec![0; 1000];
        map.classify_row(&raw, Some(&row), &mut classes)?;
        let mut direct = vec![0; 1000];
        map.classify_row(&picture, None, &mut direct)?;
        assert_eq!(classes, direct);
        for column in 0..1000 {
            let pixel = [raw[column * 3], raw[column * 3 + 1], raw[column * 3 + 2]];
            let linear = row.linear(column, pixel).unwrap_or_default();
            assert_eq!(map.classify_corrected(linear), classes[column]);
            assert_eq!(picture[column * 3], encode_srgb8(linear[0]));
        }
        assert!(map.classify_row(&raw, Some(&row), &mut [0; 999]).is_err());
        assert!(map.classify_row(&raw[1..], None, &mut classes).is_err());
        Ok(())
    }

    #[test]
    fn rules_that_make_no_sense_are_refused() {
        let bad = LabLimits {
            l: [60.0, 50.0],
            a: [0.0, 1.0],
            b: [0.0, 1.0],
        };
        assert!(ClassMap::new(&[Some(bad)], 0).is_err());
        assert!(ClassMap::new(&[None], 1).is_err());
        assert!(ClassMap::new(&[], 0).is_err());
        assert!(ClassMap::new(&vec![None; 256], 0).is_err());
    }
}
