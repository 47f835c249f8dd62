//! What stands beside the map: the height scale, swatches with their names, the axes.

use image::Rgb;
use imageproc::drawing::draw_polygon_mut;
use imageproc::point::Point;

use super::colour_map::HeightColours;
use super::layout::{Sheet, plain, round};
use super::lettering::{DARK, Lettering};
use super::marks;

const INK: Rgb<u8> = Rgb([34, 38, 46]);

/// How a swatch is filled.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Fill {
    /// One colour.
    Colour(Rgb<u8>),
    /// As cells that were not seen.
    Unseen,
    /// As cells that were reconstructed.
    Filled,
}

/// One thing in the legend column.
#[derive(Clone)]
pub(super) enum Item<'a> {
    /// A line of words.
    Words(String),
    /// The height scale.
    Scale {
        colours: &'a HeightColours,
        top_mm: f64,
        step_mm: f64,
    },
    /// A patch and its name.
    Swatch(Fill, String),
    /// The directions of x and y and of travel.
    Axes,
    /// Room.
    Gap,
}

/// Height of the height scale, in letters.
const SCALE: f32 = 13.0;
const ACROSS: &str = "x across";
const ALONG: &str = "y along";
const TRAVEL: &str = "belt travel";

impl Item<'_> {
    /// Its width at a letter size, px.
    pub(super) fn width(&self, lettering: &Lettering, text: f32) -> f32 {
        match self {
            Self::Words(words) => lettering.width(words, text),
            Self::Scale { top_mm, .. } => {
                2.6 * text + lettering.width(&format!("{} mm", plain(*top_mm)), text)
            }
            Self::Swatch(_, name) => 2.2 * text + lettering.width(name, text),
            Self::Axes => 5.6 * text + lettering.width(TRAVEL, text),
            Self::Gap => 0.0,
        }
    }

    /// Its height at a letter size, px.
    pub(super) fn height(&self, text: f32) -> f32 {
        text * match self {
            Self::Words(_) | Self::Swatch(..) => 1.65,
            Self::Scale { .. } => SCALE + 1.2,
            Self::Axes => 5.2,
            Self::Gap => 0.9,
        }
    }

    /// Draws it with its upper left corner at (x, y).
    pub(super) fn draw(&self, sheet: &mut Sheet, x: f32, y: f32) {
        let text = sheet.text;
        match self {
            Self::Words(words) => sheet.write(x, y, text, words),
            Self::Scale {
                colours,
                top_mm,
                step_mm,
            } => scale(sheet, x, y, colours, *top_mm, *step_mm),
            Self::Swatch(fill, name) => {
                swatch(sheet, x, y + 0.08 * text, *fill);
                sheet.write(x + 2.2 * text, y, text, name);
            }
            Self::Axes => axes(sheet, x, y),
            Self::Gap => {}
        }
    }
}

fn scale(sheet: &mut Sheet, x: f32, y: f32, colours: &HeightColours, top_mm: f64, step_mm: f64) {
    let text = sheet.text;
    let (width, height, top) = (1.5 * text, SCALE * text, y + 0.4 * text);
    let lines = round(height).max(1);
    for line in 0..lines {
        let share = 1.0 - (f64::from(line) + 0.5) / f64::from(lines);
        sheet.fill(x, top + line as f32, width, 1.0, colours.at(share));
    }
    let mut tick = 0.0_f64;
    while tick <= top_mm * 1.000_001 {
        let at = top + height * (1.0 - tick / top_mm) as f32;
        sheet.fill(x + width, at - 0.5, 0.45 * text, 2.0, INK);
        let last = tick + step_mm > top_mm * 1.000_001;
        let label = match last {
            true => format!("{} mm", plain(tick)),
            false => plain(tick),
        };
        sheet.write(x + width + 0.75 * text, at - 0.58 * text, text, &label);
        tick += step_mm;
    }
}

fn swatch(sheet: &mut Sheet, x: f32, y: f32, fill: Fill) {
    let (width, height) = (1.5 * sheet.text, 1.0 * sheet.text);
    let unit = marks::unit(sheet.text);
    sheet.fill(x - 1.0, y - 1.0, width + 2.0, height + 2.0, DARK);
    for py in round(y)..round(y + height) {
        for px in round(x)..round(x + width) {
            let colour = match fill {
                Fill::Colour(colour) => colour,
                Fill::Unseen => marks::unseen(px, py, unit),
                Fill::Filled => marks::filled(px, py, unit),
            };
            if let Some(pixel) = sheet.picture.get_pixel_mut_checked(px, py) {
                *pixel = colour;
            }
        }
    }
}

/// x to the right and y up from a corner; beside them the way the belt runs, down.
fn axes(sheet: &mut Sheet, x: f32, y: f32) {
    let text = sheet.text;
    let (long, thick) = (2.6 * text, (0.11 * text).max(2.0));
    let (corner_x, corner_y) = (x + 0.5 * text, y + 4.2 * text);
    arrow(sheet, corner_x, corner_y, corner_x + long, corner_y, thick);
    arrow(sheet, corner_x, corner_y, corner_x, corner_y - long, thick);
    sheet.write(
        corner_x + long + 0.4 * text,
        corner_y - 0.58 * text,
        text,
        ACROSS,
    );
    sheet.write(
        corner_x - 0.3 * text,
        corner_y - long - 1.35 * text,
        text,
        ALONG,
    );
    let travel_x = corner_x + 1.9 * text;
    arrow(
        sheet,
        travel_x,
        corner_y - long + 0.2 * text,
        travel_x,
        corner_y - 0.7 * text,
        2.2 * thick,
    );
    sheet.write(
        travel_x + 0.9 * text,
        corner_y - 0.62 * long - 0.58 * text,
        text,
        TRAVEL,
    );
}

/// An arrow along one of the axes.
fn arrow(sheet: &mut Sheet, x0: f32, y0: f32, x1: f32, y1: f32, thick: f32) {
    let (dx, dy) = ((x1 - x0).signum(), (y1 - y0).signum());
    let head = 0.55 * sheet.text.max(2.0 * thick);
    let half = thick / 2.0;
    if y0 == y1 {
        let stop = x1 - dx * head;
        sheet.fill(
            x0.min(stop) - half,
            y0 - half,
            (stop - x0).abs() + half,
            thick,
            INK,
        );
        triangle(
            sheet,
            [(x1, y1), (stop, y1 - 0.6 * head), (stop, y1 + 0.6 * head)],
        );
    } else {
        let stop = y1 - dy * head;
        sheet.fill(
            x0 - half,
            y0.min(stop),
            thick,
            (stop - y0).abs() + half,
            INK,
        );
        triangle(
            sheet,
            [(x1, y1), (x1 - 0.6 * head, stop), (x1 + 0.6 * head, stop)],
        );
    }
}

fn triangle(sheet: &mut Sheet, corners: [(f32, f32); 3]) {
    let points = corners.map(|(x, y)| Point::new(round(x) as i32, round(y) as i32));
    // A polygon whose first and last corners are the same would be refused by a panic.
    if points[0] != points[2] {
        draw_polygon_mut(&mut sheet.picture, &points, INK);
    }
}
