//! The pieces of a frame over its colour.

use image::{Rgb, RgbImage};

use super::height::{HeightScale, map_cells, subtitle};
use super::layout::Sheet;
use super::legend::{Fill, Item};
use super::lettering::mix;
use super::marks::{self, PieceMap};
use super::sampling::{Ground, lay_pieces, mean_height};
use crate::Result;
use crate::pipeline::{FrameView, MeasuredPiece};

/// Tints of the classes in the profile's order: Okabe and Ito's set (Color Universal Design, 2008), which people with
/// every kind of colour vision can tell apart. Further classes begin again.
const TINTS: [Rgb<u8>; 7] = [
    Rgb([86, 180, 233]),
    Rgb([230, 159, 0]),
    Rgb([0, 158, 115]),
    Rgb([204, 121, 167]),
    Rgb([240, 228, 66]),
    Rgb([0, 114, 178]),
    Rgb([213, 94, 0]),
];
/// How much of a tint covers the colour under it.
const COVER: f32 = 0.38;

/// Draws the colour of a frame with its pieces' outlines and numbers and a tint for each class.
///
/// Without a colour frame the heights stand in, in grey, and the picture says so.
///
/// # Errors
/// The frame is empty.
pub fn piece_picture(view: &FrameView, pieces: &[MeasuredPiece]) -> Result<RgbImage> {
    let ground = lay_pieces(view, pieces);
    let scale = HeightScale::of(view, &ground);
    let title = match view.colour {
        Some(_) => "Pieces over colour",
        None => "Pieces over height (no colour)",
    };
    let legend = legend(view, pieces, &ground);
    let mut sheet = Sheet::new(view, title, &subtitle(view, pieces, &ground), &legend)?;
    let map = sheet.map;
    let (rows, columns) = map_cells(view, &sheet);
    let unit = marks::unit(sheet.text);
    for (y, row) in (map.top..).zip(&rows) {
        for (x, column) in (map.left..).zip(&columns) {
            let middle = (
                usize::midpoint(row.start, row.end),
                usize::midpoint(column.start, column.end),
            );
            let under = match &view.colour {
                Some(colour) => mean_colour(colour, row, column),
                None if ground.filled.get(middle) == Some(&true) => marks::filled(x, y, unit),
                None => match mean_height(&view.height_mm, row, column) {
                    Some(height) => grey(height / scale.top_mm),
                    None => marks::unseen(x, y, unit),
                },
            };
            let class = ground.class.get(middle).copied().unwrap_or(u8::MAX);
            let colour = match class {
                u8::MAX => under,
                class => mix(under, tint(class), COVER),
            };
            sheet.picture.put_pixel(x, y, colour);
        }
    }
    let map_of_pieces = PieceMap::new(map, &ground, &rows, &columns);
    marks::outlines(&mut sheet, &map_of_pieces, i64::from(unit.min(3)));
    let numbers: Vec<u32> = pieces.iter().map(|piece| piece.record.piece).collect();
    marks::numbers(&mut sheet, &map_of_pieces, &numbers);
    sheet.rim();
    Ok(sheet.picture)
}

fn tint(class: u8) -> Rgb<u8> {
    TINTS[usize::from(class) % TINTS.len()]
}

#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // Clamped to a byte.
fn grey(share: f64) -> Rgb<u8> {
    let value = (46.0 + 186.0 * share.clamp(0.0, 1.0)).round() as u8;
    Rgb([value; 3])
}

/// Mean of a block of colour cells (of their sRGB bytes, as a viewer that scales a picture does).
fn mean_colour(
    colour: &ndarray::Array2<[u8; 3]>,
    rows: &std::ops::Range<usize>,
    columns: &std::ops::Range<usize>,
) -> Rgb<u8> {
    let (mut sum, mut count) = ([0_u64; 3], 0_u64);
    for row in rows.clone() {
        for column in columns.clone() {
            if let Some(cell) = colour.get((row, column)) {
                count += 1;
                for (sum, value) in sum.iter_mut().zip(cell) {
                    *sum += u64::from(*value);
                }
            }
        }
    }
    Rgb(sum.map(|sum| u8::try_from((sum + count / 2) / count.max(1)).unwrap_or(u8::MAX)))
}

/// Each class with its share of the footprint of all pieces in the picture.
fn legend(view: &FrameView, pieces: &[MeasuredPiece], ground: &Ground) -> Vec<Item<'static>> {
    let names: Vec<&str> = pieces.first().map_or_else(Vec::new, |piece| {
        let classes = &piece.record.classes;
        classes.iter().map(|share| share.class.as_str()).collect()
    });
    let count = |wanted: u8| {
        let cells = ground.class.iter().zip(&ground.piece);
        cells
            .filter(|(class, piece)| **piece != 0 && **class == wanted)
            .count()
    };
    let known: usize = (0..u8::MAX).map(count).take(names.len()).sum();
    let mut legend = Vec::new();
    if known > 0 {
        legend.push(Item::Words("share of surface".to_owned()));
        for (class, name) in (0..u8::MAX).zip(&names) {
            let percent = 100.0 * count(class) as f64 / known as f64;
            let name: String = match name.chars().count() {
                0..=20 => (*name).to_owned(),
                _ => name.chars().take(19).chain(['…']).collect(),
            };
            let label = format!("{name} {percent:.0} %");
            // The swatch shows the tint as it looks in the picture: over the class's mean colour.
            let under = class_colour(view, ground, class);
            let shown = mix(under.unwrap_or(tint(class)), tint(class), COVER);
            legend.push(Item::Swatch(Fill::Colour(shown), label));
        }
        legend.push(Item::Gap);
    }
    if view.colour.is_none() {
        legend.push(Item::Swatch(Fill::Unseen, "not seen".to_owned()));
        if ground.filled.iter().any(|filled| *filled) {
            legend.push(Item::Swatch(Fill::Filled, "reconstructed".to_owned()));
        }
        legend.push(Item::Gap);
    }
    legend.push(Item::Axes);
    legend
}

/// Mean colour of a class's cells.
fn class_colour(view: &FrameView, ground: &Ground, class: u8) -> Option<Rgb<u8>> {
    let colour = view.colour.as_ref()?;
    let (mut sum, mut count) = ([0_u64; 3], 0_u64);
    for (cell, _) in colour
        .iter()
        .zip(&ground.class)
        .filter(|(_, known)| **known == class)
    {
        count += 1;
        for (sum, value) in sum.iter_mut().zip(cell) {
            *sum += u64::from(*value);
        }
    }
    (count > 0).then(|| Rgb(sum.map(|sum| u8::try_from(sum / count).unwrap_or(u8::MAX))))
}
