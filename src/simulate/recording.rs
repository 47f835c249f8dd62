//! From a scenario and a seed to frames and truth.

use jiff::SignedDuration;
use rayon::prelude::*;

use super::colours::{self, ColourFrame};
use super::heights;
use super::layout;
use super::piece::{PlacedPiece, Pose};
use super::scenario::Scenario;
use super::stream::{Purpose, stream};
use super::target::TARGET_SCENARIO;
use super::truth::TruthPiece;
use crate::calibration::CameraSide;
use crate::error::{Error, ErrorKind, Result};
use crate::scan::{
    ColourPart, ColourRows, Counts, HeightKind, HeightPart, HeightRows, ScanDescription, ViewPart,
    ViewSide,
};

/// Cells of the truth's class grid to a sample pitch.
const TRUTH_CELLS: f64 = 4.0;

/// Pieces on a belt.
#[derive(Debug, Clone, PartialEq)]
pub struct Scene {
    /// The pieces; where two overlap, their heights add and the later one is seen.
    pub pieces: Vec<PlacedPiece>,
}

/// One frame as a scanner would have written it.
#[derive(Debug, Clone, PartialEq)]
pub struct SimulatedFrame {
    /// What its `scan.toml` says.
    pub description: ScanDescription,
    /// Its height rows.
    pub height: HeightRows,
    /// Its second camera's rows, one entry for each of the description's views.
    pub views: Vec<HeightRows>,
    /// Its colour rows.
    pub colour: Option<ColourRows>,
}

/// A simulated recording and its truth.
#[derive(Debug, Clone, PartialEq)]
pub struct SimulatedRecording {
    /// Frames that join end to end.
    pub frames: Vec<SimulatedFrame>,
    /// The pieces, ordered by y then x.
    pub truth: Vec<TruthPiece>,
}

impl Scenario {
    /// The scene this scenario lays out for a seed.
    pub fn scene(&self, seed: u64) -> Scene {
        if self.kinds.is_empty() {
            return Scene { pieces: Vec::new() };
        }
        let pieces = layout::lay(
            &self.placing,
            self.scanner.width_mm,
            self.length_mm,
            |number| stream(seed, Purpose::Layout, number),
            |number| self.draw(seed, number),
        );
        Scene { pieces }
    }

    fn draw(&self, seed: u64, number: u64) -> PlacedPiece {
        use rand::Rng;
        let mut rng = stream(seed, Purpose::Piece, number);
        let kind = self.kinds[(number % self.kinds.len() as u64) as usize];
        let (shape, pattern) = kind.draw(&mut rng);
        let pose = Pose {
            x_mm: 0.0,
            y_mm: 0.0,
            yaw_rad: 0.0,
            mirrored: rng.random(),
        };
        PlacedPiece::new(kind.name(), shape, pattern, pose)
    }

    fn check(&self) -> Result<()> {
        self.scanner.check(self.length_mm)?;
        let wrong = |key: &str, found: &str, expected: &str| {
            Err(Error::new(ErrorKind::Mismatch, found)
                .key(key)
                .expected(expected))
        };
        if self.frame_rows == 0 {
            return wrong("frame_rows", "0", "at least one row");
        }
        if self.materials.is_empty() || self.materials.len() != self.claims.len() {
            return wrong(
                "materials",
                "materials and claims differ in number, or there are none",
                "one claim for each material",
            );
        }
        if !(self.belt_speed_mm_s > 0.0 && self.belt_speed_mm_s.is_finite()) {
            return wrong("belt_speed_mm_s", "not above 0", "a speed above 0");
        }
        Ok(())
    }
}

/// Simulates the recording of a scenario.
///
/// # Errors
/// [`ErrorKind::Mismatch`] naming the scenario's value that makes no sense.
pub fn simulate(scenario: &Scenario, seed: u64) -> Result<SimulatedRecording> {
    if scenario.kinds.is_empty() {
        return Err(Error::new(ErrorKind::Mismatch, "no kinds of pieces")
            .key("kinds")
            .expected("at least one"));
    }
    scenario.check()?;
    simulate_scene(scenario, &scenario.scene(seed), seed)
}

/// Simulates the recording of a scene of one's own with a scenario's scanner and materials.
///
/// # Errors
/// As [`simulate`], and when a pattern names a material the scenario does not have.
pub fn simulate_scene(scenario: &Scenario, scene: &Scene, seed: u64) -> Result<SimulatedRecording> {
    scenario.check()?;
    for piece in &scene.pieces {
        let pattern = &piece.pattern;
        let most = pattern
            .regions
            .iter()
            .map(|(material, _)| *material)
            .fold(pattern.ground, usize::max);
        if most >= scenario.materials.len() {
            return Err(Error::new(
                ErrorKind::Mismatch,
                format!("a {} uses material {most}", piece.kind),
            )
            .key("materials")
            .expected(format!("one of {}", scenario.materials.len())));
        }
    }
    let scanner = &scenario.scanner;
    let rows = scenario.rows();
    let surface = heights::true_surface(scanner, &scene.pieces, rows);
    let counts = heights::counts(scanner, &surface, seed, Purpose::HeightRow);
    let second = heights::second_scanner(scanner).map(|other| {
        let surface = heights::true_surface(&other, &scene.pieces, rows);
        heights::counts(&other, &surface, seed, Purpose::SecondHeightRow)
    });
    let colour = scanner.colour.as_ref().map(|model| {
        colours::render(
            scanner,
            model,
            &scene.pieces,
            &scenario.materials,
            &surface,
            seed,
        )
    });
    let mut frames = Vec::new();
    let mut first = 0;
    while first < rows {
        let last = (first + scenario.frame_rows).min(rows);
        let frame = cut(
            scenario,
            seed,
            (&counts, second.as_deref()),
            colour.as_ref(),
            first..last,
            frames.len(),
        )?;
        frames.push(frame);
        first = last;
    }
    Ok(SimulatedRecording {
        frames,
        truth: truth(scenario, scene),
    })
}

/// One frame of the recording.
fn cut(
    scenario: &Scenario,
    seed: u64,
    (counts, second): (&[u16], Option<&[u16]>),
    colour: Option<&ColourFrame>,
    rows: std::ops::Range<usize>,
    number: usize,
) -> Result<SimulatedFrame> {
    let scanner = &scenario.scanner;
    let columns = scanner.columns();
    let start_mm = rows.start as f64 * scanner.pitch_along_mm;
    let end_mm = rows.end as f64 * scanner.pitch_along_mm;
    let whole = rows.end == scenario.rows();
    let after = SignedDuration::from_micros((1e6 * start_mm / scenario.belt_speed_mm_s) as i64);
    let captured = scenario.captured.checked_add(after).map_err(|e| {
        Error::new(
            ErrorKind::Mismatch,
            format!("the time of frame {number}: {e}"),
        )
        .key("captured")
    })?;
    let (mut colour_part, mut colour_rows) = (None, None);
    if let (Some(model), Some(frame)) = (&scanner.colour, colour) {
        // A colour row belongs to the frame that its nominal middle falls into.
        let row_at = |y_mm: f64| {
            let row = (y_mm - model.origin_along_mm) / model.pitch_along_mm - 0.5;
            ((row - 1e-9).ceil().max(0.0) as usize).min(frame.rows)
        };
        let from = if rows.start == 0 { 0 } else { row_at(start_mm) };
        let to = if whole { frame.rows } else { row_at(end_mm) };
        colour_part = Some(ColourPart {
            file: "colour.png".into(),
            pitch_across_mm: model.pitch_across_mm,
            pitch_along_mm: model.pitch_along_mm,
            origin_across_mm: model.origin_across_mm,
            origin_along_mm: rounded(
                model.origin_along_mm + from as f64 * model.pitch_along_mm - start_mm,
            ),
        });
        colour_rows = Some(ColourRows {
            first_row: 0,
            columns: frame.columns,
            rgb: frame.rgb[from * frame.columns * 3..to * frame.columns * 3].to_vec(),
        });
    }
    let part = |counts: &[u16]| HeightRows {
        first_row: 0,
        columns,
        counts: Counts::U16(counts[rows.start * columns..rows.end * columns].to_vec()),
    };
    let view = ViewPart {
        file: "height-2.png".into(),
        camera_side: match scanner.camera.map(|camera| camera.side) {
            Some(CameraSide::HighY) => ViewSide::LowY,
            _ => ViewSide::HighY,
        },
        camera_angle_deg: scanner.camera.map(|camera| camera.angle_deg),
        scale: scanner.scale_mm,
        offset: scanner.offset_mm,
        invalid: Some(0),
    };
    let recording = format!("{}-{seed}", scenario.name);
    // A target is no product.
    let product = (scenario.name != TARGET_SCENARIO).then(|| scenario.name.clone());
    Ok(SimulatedFrame {
        description: ScanDescription {
            id: format!("{recording}_{number:04}"),
            captured,
            scanner: scanner.name.clone(),
            product,
            recording: Some(recording),
            lanes: scenario.lanes,
            belt_speed_mm_s: Some(scenario.belt_speed_mm_s),
            product_temperature_c: Some(scenario.product_temperature_c),
            height: HeightPart {
                kind: HeightKind::Range,
                file: "height.png".into(),
                pitch_across_mm: scanner.pitch_across_mm,
                pitch_along_mm: scanner.pitch_along_mm,
                scale: scanner.scale_mm,
                offset: scanner.offset_mm,
                invalid: Some(0),
                first_profile: rows.start as u64,
            },
            views: second.map(|_| view).into_iter().collect(),
            colour: colour_part,
            profiles: None,
        },
        height: part(counts),
        views: second.map(part).into_iter().collect(),
        colour: colour_rows,
    })
}

/// To a nanometre, so that a multiple of the pitch minus itself is 0.
fn rounded(value_mm: f64) -> f64 {
    (value_mm * 1e6).round() / 1e6
}

fn truth(scenario: &Scenario, scene: &Scene) -> Vec<TruthPiece> {
    let scanner = &scenario.scanner;
    let pitch = scanner.pitch_across_mm.min(scanner.pitch_along_mm);
    let colour_pitch = scanner
        .colour
        .as_ref()
        .map_or(pitch, |c| c.pitch_across_mm.min(c.pitch_along_mm));
    let step_mm = pitch.min(colour_pitch) / TRUTH_CELLS;
    let frame_mm = scenario.frame_rows as f64 * scanner.pitch_along_mm;
    let mut truth: Vec<TruthPiece> = scene
        .pieces
        .par_iter()
        .map(|piece| {
            let mut truth = piece.truth(&scenario.materials, step_mm);
            let (low, high) = piece.bounds_mm();
            truth.cut = low[0] < 0.0
                || high[0] > scanner.frame_width_mm()
                || low[1] < 0.0
                || high[1] > scenario.length_mm;
            truth.frame_end = (low[1] / frame_mm).floor() != (high[1] / frame_mm).floor();
            truth
        })
        .collect();
    truth.sort_by(|a, b| a.y_mm.total_cmp(&b.y_mm).then(a.x_mm.total_cmp(&b.x_mm)));
    for (piece, number) in truth.iter_mut().zip(1..) {
        piece.piece = number;
    }
    truth
}
