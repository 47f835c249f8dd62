//! What changed between two runs, as a page.

use std::io::Cursor;

use askama::Template;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use image::ImageFormat;
use image::imageops::{FilterType, resize};
use jiff::Timestamp;
use serde_json::json;

use crate::error::{Error, ErrorKind, Result};
use crate::pipeline::{FrameView, MeasuredPiece};
use crate::report::pictures::piece_picture;
use crate::runs::diff::{PiecePair, RunDiff, Spread, Tally};

use super::charts::{BLUE, Figure, GREEN, ORANGE, Sketch, f64s};
use super::page::{Page, render};
use super::quantities::minute;

/// Widest picture in a page, pixels: twice a figure's width, for sharp screens and print.
const WIDEST_PX: u32 = 1360;
/// Bars of a distribution.
const BARS: usize = 60;
/// Pieces listed.
const LISTED: usize = 25;

/// A frame's picture before and after, PNG; or why there is none.
#[derive(Debug, Clone)]
pub struct DiffPictures {
    /// In the first run.
    pub before: std::result::Result<Vec<u8>, String>,
    /// In the second run.
    pub after: std::result::Result<Vec<u8>, String>,
}

/// The picture of a frame's pieces as PNG, small enough for a page. The piece's number must be among those of the frame.
///
/// # Errors
/// The frame is empty, has no such piece, or cannot be drawn.
pub fn small_piece_picture(
    view: &FrameView,
    pieces: &[MeasuredPiece],
    piece: u32,
) -> Result<Vec<u8>> {
    if !pieces.iter().any(|it| it.record.piece == piece) {
        return Err(Error::new(
            ErrorKind::Mismatch,
            format!("piece {piece} is not in scan {} any more", view.scan),
        ));
    }
    let picture = piece_picture(view, pieces)?;
    let (width, height) = picture.dimensions();
    let picture = match width > WIDEST_PX {
        true => resize(
            &picture,
            WIDEST_PX,
            (u64::from(height) * u64::from(WIDEST_PX) / u64::from(width)).max(1) as u32,
            FilterType::Triangle,
        ),
        false => picture,
    };
    let mut bytes = Cursor::new(Vec::new());
    picture
        .write_to(&mut bytes, ImageFormat::Png)
        .map_err(|e| Error::new(ErrorKind::Image, e.to_string()))?;
    Ok(bytes.into_inner())
}

/// A comparison as one HTML page, made at the time `made`. `pictures` belong to the first of the pieces that moved most, in order.
///
/// # Errors
/// The page cannot be written.
pub fn run_diff_page(diff: &RunDiff, pictures: &[DiffPictures], made: Timestamp) -> Result<String> {
    let all = &diff.all;
    let (class, verdict, verdict_means) = match diff.is_same() {
        true => (
            "good",
            "nothing changed",
            "both runs say the very same of every piece".to_owned(),
        ),
        false => (
            "unsure",
            "changed",
            format!(
                "{} of {} pieces; {} % of the mass in all",
                all.pairs - all.same,
                all.pairs,
                signed(all.total_relative().map(|it| 100.0 * it), 3)
            ),
        ),
    };
    let mut rows = vec![row("all".to_owned(), all)];
    for (what, groups) in [
        ("product", &diff.products),
        ("scanner", &diff.scanners),
        ("week", &diff.weeks),
    ] {
        rows.extend(
            groups
                .iter()
                .map(|(name, tally)| row(format!("{what} {name}"), tally)),
        );
    }
    let said = |side: &Option<String>| side.clone().unwrap_or_else(|| "none".to_owned());
    let flags = [(&all.gained, "gained"), (&all.lost, "lost")];
    let flags = flags.into_iter().flat_map(|(counts, which)| {
        counts
            .iter()
            .map(move |(flag, count)| format!("{}: {which} by {count} pieces", flag.name()))
    });
    render(&DiffPage {
        page: Page::new(
            "What changed between two runs".to_owned(),
            &format!("{} {} {made}", diff.before, diff.after),
        ),
        before: diff.before.clone(),
        after: diff.after.clone(),
        made: minute(made),
        class,
        verdict,
        verdict_means,
        settings: diff
            .settings
            .iter()
            .map(|it| SettingRow {
                what: it.what.clone(),
                before: said(&it.before),
                after: said(&it.after),
            })
            .collect(),
        recordings: diff.recordings,
        inputs_differ: diff.inputs_differ,
        only_before: diff.only_before.len(),
        only_after: diff.only_after.len(),
        rows,
        flags: flags.collect(),
        figures: figures(diff),
        moved: diff.most_moved.iter().take(LISTED).map(moved).collect(),
        shown: diff.most_moved.iter().zip(pictures).map(shown).collect(),
    })
}

#[derive(Template)]
#[template(path = "run_diff.html", config = "src/report/html/askama.toml")]
struct DiffPage {
    page: Page,
    before: String,
    after: String,
    made: String,
    class: &'static str,
    verdict: &'static str,
    verdict_means: String,
    settings: Vec<SettingRow>,
    recordings: u64,
    inputs_differ: u64,
    only_before: usize,
    only_after: usize,
    rows: Vec<Row>,
    flags: Vec<String>,
    figures: Vec<Figure>,
    moved: Vec<MovedRow>,
    shown: Vec<Shown>,
}

struct SettingRow {
    what: String,
    before: String,
    after: String,
}

struct Row {
    what: String,
    cells: Vec<String>,
}

struct MovedRow {
    recording: String,
    piece: u32,
    place: String,
    before: String,
    after: String,
    change: String,
    u: String,
    flags: String,
}

struct Shown {
    title: String,
    sides: Vec<Side>,
}

struct Side {
    caption: String,
    data: Option<String>,
    reason: Option<String>,
}

fn signed(value: Option<f64>, decimals: usize) -> String {
    match value {
        None => "–".to_owned(),
        Some(value) => {
            let text = format!("{value:+.decimals$}");
            // A change that rounds to nought has no sign.
            match text.chars().any(|c| c.is_ascii_digit() && c != '0') {
                true => text,
                false => text.trim_start_matches(['+', '-']).to_owned(),
            }
        }
    }
}

fn row(what: String, tally: &Tally) -> Row {
    Row {
        what,
        cells: vec![
            tally.pairs.to_string(),
            tally.same.to_string(),
            tally.only_before.to_string(),
            tally.only_after.to_string(),
            signed(tally.mass_g.moments.mean(), 3),
            signed(tally.total_relative().map(|it| 100.0 * it), 3),
            signed(tally.volume_cm3.moments.mean(), 3),
            signed(tally.fat_fraction.moments.mean().map(|it| 100.0 * it), 2),
            tally.out_now.to_string(),
            tally.in_now.to_string(),
        ],
    }
}

fn moved(pair: &PiecePair) -> MovedRow {
    let flags: Vec<String> = pair
        .flags_gained()
        .map(|flag| format!("+{}", flag.name()))
        .chain(pair.flags_lost().map(|flag| format!("−{}", flag.name())))
        .collect();
    MovedRow {
        recording: pair.after.recording.clone(),
        piece: pair.after.piece,
        place: format!("{} {}", pair.partition.scanner, pair.partition.day),
        before: format!("{:.2}", pair.before.mass_g),
        after: format!("{:.2}", pair.after.mass_g),
        change: signed(Some(pair.mass_g()), 2),
        u: format!("{:.2}", pair.after.mass_u_g),
        flags: flags.join(" "),
    }
}

fn shown((pair, pictures): (&PiecePair, &DiffPictures)) -> Shown {
    let side = |what: &str, piece: u32, picture: &std::result::Result<Vec<u8>, String>| Side {
        caption: format!("{what}: piece {piece}"),
        data: picture.as_ref().ok().map(|bytes| STANDARD.encode(bytes)),
        reason: picture.as_ref().err().cloned(),
    };
    Shown {
        title: format!(
            "{} piece {}: {} g",
            pair.after.recording,
            pair.after.piece,
            signed(Some(pair.mass_g()), 2)
        ),
        sides: vec![
            side("Before", pair.before.piece, &pictures.before),
            side("After", pair.after.piece, &pictures.after),
        ],
    }
}

fn figures(diff: &RunDiff) -> Vec<Figure> {
    let all = &diff.all;
    let mut figures = Vec::new();
    for (caption, unit, factor, colour, changes) in [
        (
            "Change of mass as a share of the mass before",
            "%",
            100.0,
            BLUE,
            &all.mass_relative,
        ),
        (
            "Change of the fat share",
            "%",
            100.0,
            ORANGE,
            &all.fat_fraction,
        ),
    ] {
        figures.extend(distribution(caption, unit, factor, colour, changes));
    }
    if diff.weeks.len() > 1 {
        let mut sketch = Sketch::new("Change of the mass in all by week", 210);
        let weeks: Vec<&String> = diff.weeks.keys().collect();
        let changes = diff.weeks.values();
        sketch.trace(json!({
            "type": "bar", "x": weeks,
            "y": f64s(changes.map(|it| 100.0 * it.total_relative().unwrap_or(f64::NAN))),
            "marker": {"color": GREEN}, "hovertemplate": "%{x}: %{y:+.3f} %<extra></extra>",
        }));
        sketch.layout("yaxis", json!({"title": {"text": "%"}}));
        sketch.layout("xaxis", json!({"type": "category"}));
        figures.push(sketch.done());
    }
    figures
}

/// How many pieces changed by how much; none where nothing changed.
fn distribution(
    caption: &str,
    unit: &str,
    factor: f64,
    colour: &str,
    changes: &Spread,
) -> Option<Figure> {
    let bars = changes.bars(BARS)?;
    let mut sketch = Sketch::new(caption, 210);
    sketch.trace(json!({
        "type": "bar", "x": f64s(bars.middles().map(|it| factor * it)),
        "y": f64s(bars.counts.iter().map(|count| *count as f64)), "width": factor * bars.width,
        "marker": {"color": colour}, "hovertemplate": format!("%{{x:.3f}} {unit}: %{{y}} pieces<extra></extra>"),
    }));
    sketch
        .layout("xaxis", json!({"title": {"text": unit}}))
        .layout(
            "yaxis",
            json!({"title": {"text": "pieces"}, "rangemode": "tozero"}),
        );
    Some(sketch.done())
}
