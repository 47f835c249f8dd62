//! What the uncertainties of a frame's pieces are made of, as bars.

use image::{Rgb, RgbImage};
use imageproc::drawing::draw_filled_rect_mut;
use imageproc::rect::Rect;

use super::lettering::Lettering;
use crate::Result;
use crate::pipeline::MeasuredPiece;
use crate::tables::{BudgetPart, PieceRecord};

/// Height of ordinary letters, px.
const TEXT: f32 = 20.0;
/// Most pieces shown, so that the picture stays readable on one page.
const MOST_PIECES: usize = 60;
/// Width of a bar, px.
const BAR: f32 = 330.0;
/// Room for the words beside a bar, px.
const WORDS: f32 = 190.0;
const PAPER: Rgb<u8> = Rgb([250, 250, 248]);
const INK: Rgb<u8> = Rgb([34, 38, 46]);
const FAINT_INK: Rgb<u8> = Rgb([92, 98, 108]);
const EMPTY: Rgb<u8> = Rgb([228, 229, 230]);
/// Tints of the sources in a panel: Okabe and Ito's set (Color Universal Design, 2008), then a grey and a black.
const TINTS: [Rgb<u8>; 9] = [
    Rgb([86, 180, 233]),
    Rgb([230, 159, 0]),
    Rgb([0, 158, 115]),
    Rgb([204, 121, 167]),
    Rgb([0, 114, 178]),
    Rgb([213, 94, 0]),
    Rgb([240, 228, 66]),
    Rgb([110, 110, 110]),
    Rgb([20, 20, 20]),
];

/// One quantity's bars.
struct Panel {
    title: &'static str,
    sources: &'static [&'static str],
    part: fn(&BudgetPart) -> f64,
    words: fn(&PieceRecord) -> Option<String>,
}

const PANELS: [Panel; 3] = [
    Panel {
        title: "Volume",
        sources: &["noise", "belt", "scale", "rim", "hidden", "gaps", "seam"],
        part: |part| part.volume_u_cm3,
        words: |record| relative(record.volume_u_cm3, record.volume_cm3),
    },
    Panel {
        title: "Mass",
        sources: &[
            "noise", "belt", "scale", "rim", "hidden", "gaps", "seam", "density", "shares",
        ],
        part: |part| part.mass_u_g,
        words: |record| relative(record.mass_u_g, record.mass_g),
    },
    Panel {
        title: "Fat fraction",
        sources: &["outline", "border", "registration", "specks", "highlights"],
        part: |part| part.fat_u_fraction,
        words: |record| {
            let u = record.fat_u_fraction?;
            Some(format!("± {:.2} points", 100.0 * u))
        },
    },
];

fn relative(u: f64, value: f64) -> Option<String> {
    let share = 100.0 * u / value;
    share.is_finite().then(|| format!("± {share:.2} %"))
}

/// Draws for each piece which share of the variance (the square of the standard uncertainty) of volume, mass and fat fraction each
/// source has, and beside it the standard uncertainty itself.
///
/// # Errors
/// None that input can cause: the lettering is built in.
pub fn budget_picture(scan: &str, pieces: &[MeasuredPiece]) -> Result<RgbImage> {
    let lettering = Lettering::new()?;
    let shown = &pieces[..pieces.len().min(MOST_PIECES)];
    let (margin, line) = (1.4 * TEXT, 1.6 * TEXT);
    let panel = BAR + WORDS + margin;
    let numbers = 4.0 * TEXT;
    // Sources stand in two columns under a panel's title.
    let keys = PANELS.iter().map(|p| p.sources.len().div_ceil(2)).max();
    let head = margin + 3.6 * TEXT;
    let bars = head + 1.9 * TEXT + keys.unwrap_or(0) as f32 * 1.4 * TEXT + TEXT;
    let more = pieces.len() - shown.len();
    let lines = shown.len().max(1) as f32 + if more > 0 { 1.0 } else { 0.0 };
    let width = 2.0 * margin + numbers + PANELS.len() as f32 * panel;
    let mut sheet = Bars {
        picture: RgbImage::from_pixel(
            width.ceil() as u32,
            (bars + lines * line + margin).ceil() as u32,
            PAPER,
        ),
        lettering,
    };
    let room = width - 2.0 * margin;
    let scan = sheet.lettering.fit(&format!("scan {scan}"), TEXT, room);
    sheet.write(
        margin,
        margin - 0.3 * TEXT,
        1.35 * TEXT,
        INK,
        "What the uncertainties are made of",
    );
    let words =
        format!("{scan} · shares of the variance; beside them the standard uncertainty (k = 1)");
    sheet.write(margin, margin + 1.6 * TEXT, TEXT, FAINT_INK, &words);
    for (index, panel_of) in PANELS.iter().enumerate() {
        let left = margin + numbers + index as f32 * panel;
        sheet.write(left, head, 1.15 * TEXT, INK, panel_of.title);
        for (place, source) in panel_of.sources.iter().enumerate() {
            let x = left + (place % 2) as f32 * 0.5 * (BAR + WORDS);
            let y = head + 1.9 * TEXT + (place / 2) as f32 * 1.4 * TEXT;
            sheet.fill(x, y + 0.1 * TEXT, 1.3 * TEXT, 0.95 * TEXT, tint(place));
            sheet.write(x + 1.7 * TEXT, y, TEXT, INK, source);
        }
        for (row, piece) in shown.iter().enumerate() {
            let y = bars + row as f32 * line;
            sheet.bar(left, y, panel_of, &piece.record);
        }
    }
    for (row, piece) in shown.iter().enumerate() {
        let y = bars + row as f32 * line;
        sheet.write(margin, y, TEXT, INK, &piece.record.piece.to_string());
    }
    if shown.is_empty() {
        sheet.write(margin, bars, TEXT, INK, "no pieces");
    }
    if more > 0 {
        let y = bars + shown.len() as f32 * line;
        let words = format!("and {more} more pieces, which are in the table");
        sheet.write(margin, y, TEXT, FAINT_INK, &words);
    }
    Ok(sheet.picture)
}

fn tint(place: usize) -> Rgb<u8> {
    TINTS[place % TINTS.len()]
}

struct Bars {
    picture: RgbImage,
    lettering: Lettering,
}

impl Bars {
    fn write(&mut self, x: f32, y: f32, size: f32, ink: Rgb<u8>, text: &str) {
        self.lettering
            .draw(&mut self.picture, x, y, size, ink, text);
    }

    fn fill(&mut self, x: f32, y: f32, width: f32, height: f32, colour: Rgb<u8>) {
        let (left, right) = (x.round() as i32, (x + width).round() as i32);
        let (top, bottom) = (y.round() as i32, (y + height).round() as i32);
        if right > left && bottom > top {
            let rect = Rect::at(left, top).of_size((right - left) as u32, (bottom - top) as u32);
            draw_filled_rect_mut(&mut self.picture, rect, colour);
        }
    }

    fn bar(&mut self, x: f32, y: f32, panel: &Panel, record: &PieceRecord) {
        let variance = |source: &str| {
            let parts = record.budget.iter().filter(|part| part.source == source);
            parts.map(|part| (panel.part)(part).powi(2)).sum::<f64>()
        };
        let variances: Vec<f64> = panel
            .sources
            .iter()
            .map(|source| variance(source))
            .collect();
        let total: f64 = variances.iter().sum();
        let (top, height) = (y + 0.05 * TEXT, 1.1 * TEXT);
        self.fill(x, top, BAR, height, EMPTY);
        let words = match (panel.words)(record) {
            Some(words) if total > 0.0 => words,
            _ => {
                self.write(x + BAR + 0.5 * TEXT, y, TEXT, FAINT_INK, "not known");
                return;
            }
        };
        let mut from = 0.0;
        for (place, part) in variances.iter().enumerate() {
            let to = from + part / total;
            let (left, right) = (x + BAR * from as f32, x + BAR * to as f32);
            self.fill(left, top, right - left, height, tint(place));
            from = to;
        }
        self.write(x + BAR + 0.5 * TEXT, y, TEXT, INK, &words);
    }
}
