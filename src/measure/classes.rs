//! The classes on a piece's surface.

use std::ops::Range;

use ndarray::{Array2, s};

use super::borders::{SharedCell, share_borders};
use super::colour_field::{ColourField, NO_PIXEL};
use super::lights::Lights;
use super::rim::settle_rim;
use super::sides::Sides;
use super::spans::{class_counts, first_that, row_of, spans};
use crate::colour::{
    CLIPPED_FROM, ClassMap, HIGHLIGHT_MAX_AREA_MM2, Highlights, NO_CLASS, fill_highlights,
    is_clipped, remove_specks,
};
use crate::error::Result;
use crate::surface::SurfaceGrid;

/// Share of a piece without usable colour above which its class shares are called doubtful.
const DOUBTFUL_SHARE: f64 = 0.05;

/// How far in from its outline a piece's colour is mixed with what lies beside it, cells.
const RIM_CELLS: usize = 2;

/// How far the light of a clipped cell reaches, cells.
const HALO_CELLS: usize = 2;

/// Classes of a piece's cells.
#[derive(Debug, Clone)]
pub struct ClassRaster {
    /// Class index per cell, [`NO_CLASS`] outside the piece.
    pub class: Array2<u8>,
    /// Cells on the border of two classes, which have a part of each.
    pub shared: Vec<SharedCell>,
    /// Number of the piece's cells.
    pub cells: u64,
    /// The sides that bound its classes.
    pub sides: Sides,
    /// Edge spread of borders between classes, cells; `None` with too little border to tell.
    pub spread: Option<f64>,
    /// What was filled where the surface shines.
    pub highlights: Highlights,
    /// Cells that each class gained when specks were given another class, by class; negative where it lost.
    pub speck_cells: Vec<i64>,
    /// Whether too much of the colour was clipped or missing.
    pub doubtful: bool,
}

/// How cells get their classes.
#[derive(Debug, Clone, Copy)]
pub struct ClassRules<'a> {
    /// The profile's rules.
    pub map: &'a ClassMap,
    /// Class of cells without colour.
    pub base: u8,
    /// Area below which a patch of one class is a speck, mm².
    pub min_speck_mm2: f64,
}

/// Gives each covered cell its class by the profile's rules, fills highlights and removes specks.
///
/// `covered` is a window whose first cell is (`first_row`, `first_column`) of the surface.
///
/// # Errors
/// None that input can cause; sizes are checked by what is called.
pub fn classes(
    covered: &Array2<bool>,
    heights_mm: &Array2<f32>,
    (first_row, first_column): (usize, usize),
    field: &ColourField,
    rules: &ClassRules<'_>,
    grid: &SurfaceGrid,
) -> Result<ClassRaster> {
    let size = covered.dim();
    let mut class = Array2::from_elem(size, NO_CLASS);
    let mut clipped: Option<Array2<bool>> = None;
    let (mut cells, mut missing) = (0_usize, 0_usize);
    if field.has_parallax() {
        let first = (first_row, first_column);
        (cells, missing) = classes_aside(covered, heights_mm, first, field, rules, |at, value| {
            class[at] = value.0;
            if value.1 {
                clipped.get_or_insert_with(|| Array2::from_elem(size, false))[at] = true;
            }
        });
    }
    let straight = if field.has_parallax() {
        Vec::new()
    } else {
        spans(covered)
    };
    for (row, span) in straight {
        let columns = first_column + span.start..first_column + span.end;
        field.each_part(first_row + row, columns, |part, rgb| {
            let window = part.start - first_column..part.end - first_column;
            let covered = row_of(covered, row, &window);
            for run in runs(covered, &field.following()[part.clone()], part.start) {
                let columns = window.start + run.start..window.start + run.end;
                let mut out = class.slice_mut(s![row, columns.clone()]);
                let Some(out) = out.as_slice_mut() else {
                    continue;
                };
                cells += run.len();
                let pixel = field.pixels()[part.start + run.start];
                let Some(rgb) = rgb.filter(|_| pixel != NO_PIXEL) else {
                    missing += run.len();
                    out.fill(rules.base);
                    continue;
                };
                let first = pixel as usize;
                let raw = &rgb[first * 3..(first + run.len()) * 3];
                rules.map.classify_run(raw, first, field.correction(), out);
                if any_clipped(raw) {
                    let clipped = clipped.get_or_insert_with(|| Array2::from_elem(size, false));
                    let pixels = raw.as_chunks::<3>().0;
                    for (column, &pixel) in columns.zip(pixels) {
                        clipped[[row, column]] = is_clipped(pixel);
                    }
                }
            }
        });
    }
    let cell_mm2 = grid.cell_area_mm2();
    let highlights = match &clipped {
        None => Highlights::default(),
        Some(clipped) => fill_highlights(&mut class, clipped, cell_mm2, HIGHLIGHT_MAX_AREA_MM2)?,
    };
    let mut apart = settle_rim(&mut class, covered, RIM_CELLS);
    let before = class_counts(&class);
    remove_specks(&mut class, cell_mm2, rules.min_speck_mm2);
    let after = class_counts(&class);
    let speck_cells = after.iter().zip(&before).map(|(a, b)| a - b);
    let speck_cells = speck_cells.take(rules.map.classes()).collect();
    if let Some(clipped) = &clipped {
        mark_around(&mut apart, clipped);
    }
    let lights = Lights::new(
        field,
        first_row..first_row + size.0,
        first_column..first_column + size.1,
    );
    let light =
        |at: (usize, usize)| lights.at(first_row + at.0, first_column + at.1, heights_mm[at]);
    let borders = share_borders(&class, &apart, &light);
    Ok(ClassRaster {
        class,
        cells: after[..usize::from(NO_CLASS)].iter().sum::<i64>() as u64,
        sides: borders.sides,
        shared: borders.shared,
        spread: borders.spread,
        highlights,
        speck_cells,
        doubtful: (missing + highlights.left_cells) as f64 > DOUBTFUL_SHARE * cells as f64,
    })
}

/// The class of each covered cell, and whether it is clipped, where its height decides where its colour is looked up.
/// Returns the number of cells and of those without colour.
fn classes_aside(
    covered: &Array2<bool>,
    heights_mm: &Array2<f32>,
    (first_row, first_column): (usize, usize),
    field: &ColourField,
    rules: &ClassRules<'_>,
    mut put: impl FnMut((usize, usize), (u8, bool)),
) -> (usize, usize) {
    let (mut cells, mut missing) = (0, 0);
    for (at, _) in covered.indexed_iter().filter(|(_, covered)| **covered) {
        cells += 1;
        match field.seen(first_row + at.0, first_column + at.1, heights_mm[at]) {
            None => {
                missing += 1;
                put(at, (rules.base, false));
            }
            Some((pixel, raw)) => {
                let mut class = [rules.base];
                let correction = field.correction();
                rules.map.classify_run(&raw, pixel, correction, &mut class);
                put(at, (class[0], is_clipped(raw)));
            }
        }
    }
    (cells, missing)
}

/// Marks clipped cells and those near enough for their light to reach.
fn mark_around(apart: &mut Array2<bool>, clipped: &Array2<bool>) {
    let (rows, columns) = clipped.dim();
    let near =
        |at: usize, end: usize| at.saturating_sub(HALO_CELLS)..(at + HALO_CELLS + 1).min(end);
    for (row, cells) in clipped.outer_iter().enumerate() {
        let cells = cells.to_slice().unwrap_or_default();
        let mut next = 0;
        while let Some(further) = first_that(&cells[next..], true) {
            let column = next + further;
            let around = s![near(row, rows), near(column, columns)];
            apart.slice_mut(around).fill(true);
            next = column + 1;
        }
    }
}

/// Runs of covered cells whose pixels follow on from each other, or that have none; `ends` says for each column where what follows
/// on from it ends, `start` is the first cell's column.
fn runs<'a>(
    covered: &'a [bool],
    ends: &'a [u32],
    start: usize,
) -> impl Iterator<Item = Range<usize>> + 'a {
    let mut next = 0;
    std::iter::from_fn(move || {
        let first = next + first_that(&covered[next..], true)?;
        let length = first_that(&covered[first..], false);
        let end = length.map_or(covered.len(), |length| first + length);
        next = end.min(ends[first] as usize - start);
        Some(first..next)
    })
}
/// Whether any byte of these pixels counts as saturated.
fn any_clipped(raw: &[u8]) -> bool {
    raw.iter().copied().fold(0, u8::max) >= CLIPPED_FROM
}
