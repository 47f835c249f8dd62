//! Height frames: the true surface where each sample lands, the shadows on it, and the counts the scanner gives.

use rand::Rng;
use rand_distr::{Distribution, StandardNormal};
use rayon::prelude::*;

use super::piece::PlacedPiece;
use super::scanner::ScannerModel;
use super::stream::{Purpose, stream};
use crate::calibration::{Camera, CameraSide};

/// Steps of the shadow sweep to a row.
const SWEEP_STEPS: usize = 4;
/// How far before the first row and behind the last the sweep looks for what casts shadows, mm.
const SWEEP_MARGIN_MM: f64 = 150.0;
/// Change of height between the rows before and after that makes an edge, mm.
const EDGE_MM: f64 = 2.0;

/// Change of height between rows up to which a straight line stands for the steps between them, mm.
const FLAT_MM: f64 = 0.3;

/// No light or no view.
const HIDDEN: u8 = 1;
/// Bare belt.
const BELT: u8 = 2;

/// The true surface at the samples of a recording.
pub(super) struct TrueSurface {
    pub rows: usize,
    pub columns: usize,
    /// Height in the belt's frame, mm, column by column.
    z_mm: Vec<f32>,
    marks: Vec<u8>,
}

impl TrueSurface {
    pub fn z_mm(&self, row: usize, column: usize) -> f32 {
        self.z_mm[column * self.rows + row]
    }
}

/// The frame of one recording: its middle and how sample places map to true places.
#[derive(Debug, Clone, Copy)]
pub(super) struct Places {
    pub centre_mm: [f64; 2],
    pub half_width_mm: f64,
    across_scale: f64,
    along_scale: f64,
    skew: f64,
    lean: f64,
}

impl Places {
    pub fn new(scanner: &ScannerModel, rows: usize) -> Self {
        let half_width_mm = 0.5 * scanner.frame_width_mm();
        Self {
            centre_mm: [half_width_mm, 0.5 * rows as f64 * scanner.pitch_along_mm],
            half_width_mm,
            across_scale: scanner.errors.across_scale,
            along_scale: scanner.errors.along_scale,
            skew: 1e-3 * scanner.errors.skew_mrad,
            lean: 1e-3 * scanner.errors.lean_mrad,
        }
    }

    /// True x of what is measured at `x_m`.
    pub fn true_x_mm(&self, x_m: f64) -> f64 {
        self.centre_mm[0] + (x_m - self.centre_mm[0]) / self.across_scale
    }

    /// True y of what is measured at `y_m` at true x and height z.
    pub fn true_y_mm(&self, y_m: f64, x_mm: f64, z_mm: f64) -> f64 {
        y_m / self.along_scale - self.skew * (x_mm - self.centre_mm[0]) - self.lean * z_mm
    }
}

/// The true surface at every sample, with what the camera cannot see marked.
///
/// A point is hidden when the ray from it towards the camera, which rises by cot(angle) for every millimetre along
/// the belt, meets the surface. Swept from the camera's side, that is: when `z + cot(angle)·distance` of some point
/// passed before is larger. The sweep takes four steps to a row.
pub(super) fn true_surface(
    scanner: &ScannerModel,
    pieces: &[PlacedPiece],
    rows: usize,
) -> TrueSurface {
    let columns = scanner.columns();
    let places = Places::new(scanner, rows);
    let step_mm = scanner.pitch_along_mm / SWEEP_STEPS as f64;
    let margin = (SWEEP_MARGIN_MM / scanner.pitch_along_mm).ceil() as usize * SWEEP_STEPS;
    let sweep = Sweep {
        scanner,
        places,
        step_mm,
        first_y_m: 0.5 * scanner.pitch_along_mm - margin as f64 * step_mm,
        steps: rows * SWEEP_STEPS + 2 * margin,
    };
    let mut z_mm = vec![0.0_f32; rows * columns];
    let mut marks = vec![0_u8; rows * columns];
    z_mm.par_chunks_mut(rows)
        .zip(marks.par_chunks_mut(rows))
        .enumerate()
        .for_each_init(
            || Column {
                z: vec![0.0; sweep.steps],
                on_piece: vec![false; sweep.steps],
                hidden: vec![false; sweep.steps],
            },
            |column, (number, (z_out, marks_out))| {
                let x = places.true_x_mm((number as f64 + 0.5) * scanner.pitch_across_mm);
                sweep.trace(pieces, x, column);
                sweep.shade(x, column);
                for row in 0..rows {
                    let i = margin + row * SWEEP_STEPS;
                    z_out[row] = column.z[i] as f32;
                    marks_out[row] = if column.hidden[i] { HIDDEN } else { 0 }
                        | if column.on_piece[i] { 0 } else { BELT };
                }
            },
        );
    let mut surface = TrueSurface {
        rows,
        columns,
        z_mm,
        marks,
    };
    if let Some(apex_mm) = scanner.laser_apex_mm {
        shade_from_apex(&mut surface, scanner, places, apex_mm);
    }
    surface
}

/// One column at the steps of the sweep.
struct Column {
    z: Vec<f64>,
    on_piece: Vec<bool>,
    hidden: Vec<bool>,
}

impl Column {
    fn add(&mut self, step: usize, height: Option<f64>) {
        if let Some(height) = height {
            self.z[step] += height;
            self.on_piece[step] = true;
        }
    }
}

struct Sweep<'a> {
    scanner: &'a ScannerModel,
    places: Places,
    step_mm: f64,
    first_y_m: f64,
    steps: usize,
}

impl Sweep<'_> {
    fn true_y(&self, step: usize, x: f64, z: f64) -> f64 {
        let y_m = self.first_y_m + step as f64 * self.step_mm;
        self.places.true_y_mm(y_m, x, z)
    }

    fn belt(&self, x: f64, y: f64) -> f64 {
        let places = &self.places;
        self.scanner
            .belt
            .height_mm(x, y, places.centre_mm, places.half_width_mm)
    }

    /// Fills the column with the surface at true x.
    fn trace(&self, pieces: &[PlacedPiece], x: f64, column: &mut Column) {
        column.on_piece.fill(false);
        let mut before = self.belt(x, self.true_y(0, x, 0.0));
        for row in (0..self.steps).step_by(SWEEP_STEPS) {
            let after = self.belt(x, self.true_y(row + SWEEP_STEPS, x, 0.0));
            for k in 0..SWEEP_STEPS {
                column.z[row + k] = before + (after - before) * k as f64 / SWEEP_STEPS as f64;
            }
            before = after;
        }
        for piece in pieces {
            let (low, high) = piece.bounds_mm();
            if !(low[0]..=high[0]).contains(&x) {
                continue;
            }
            // The lean moves a sample by at most its share of the height.
            let slack = self.places.lean.abs() * (piece.size().max_height_mm + 20.0) + self.step_mm;
            let place = |y: f64| {
                let y_m = (y + self.places.skew * (x - self.places.centre_mm[0]))
                    * self.places.along_scale;
                (y_m - self.first_y_m) / self.step_mm
            };
            let from = place(low[1] - slack).floor().max(0.0) as usize;
            let to = (place(high[1] + slack).ceil().max(0.0) as usize).min(self.steps);
            // Rows exactly; the steps between them, which only cast shadows, by a straight line where it is flat enough.
            let from = from / SWEEP_STEPS * SWEEP_STEPS;
            let mut before = self.height_on(piece, x, from);
            let mut row = from;
            while row < to {
                column.add(row, before);
                let next = row + SWEEP_STEPS;
                let after = if next < self.steps {
                    self.height_on(piece, x, next)
                } else {
                    None
                };
                for k in 1..SWEEP_STEPS {
                    let height = match (before, after) {
                        (Some(a), Some(b)) if (a - b).abs() < FLAT_MM => {
                            Some(a + (b - a) * k as f64 / SWEEP_STEPS as f64)
                        }
                        _ => self.height_on(piece, x, row + k),
                    };
                    column.add(row + k, height);
                }
                before = after;
                row = next;
            }
        }
    }

    /// Height of the piece above the belt where the laser plane of this step meets it.
    fn height_on(&self, piece: &PlacedPiece, x: f64, step: usize) -> Option<f64> {
        if self.places.lean == 0.0 {
            return piece.height_mm(x, self.true_y(step, x, 0.0));
        }
        // A fixed point, from the top down, because the topmost solution is the one the light meets first. Leans are
        // a few mrad, so it settles at once except inside an upright wall, which the last of an odd number of looks
        // gives to the belt before it.
        let mut height = Some(piece.size().max_height_mm);
        for _ in 0..5 {
            let z = height.unwrap_or(0.0);
            height = piece.height_mm(x, self.true_y(step, x, z));
        }
        height
    }

    fn shade(&self, x: f64, column: &mut Column) {
        column.hidden.fill(false);
        let Some(camera) = self.scanner.camera else {
            return;
        };
        if camera.angle_deg <= 0.0 {
            return;
        }
        let rise = 1.0 / camera.angle_deg.to_radians().tan();
        let mut highest = f64::NEG_INFINITY;
        let steps = self.steps;
        for i in 0..steps {
            let (step, sign) = match camera.side {
                CameraSide::LowY => (i, 1.0),
                CameraSide::HighY => (steps - 1 - i, -1.0),
            };
            let z = column.z[step];
            let reach = z + sign * rise * self.true_y(step, x, z);
            column.hidden[step] = reach < highest - 1e-9;
            highest = highest.max(reach);
        }
    }
}

/// Marks what a laser with its apex over the middle of the belt cannot reach across x.
fn shade_from_apex(
    surface: &mut TrueSurface,
    scanner: &ScannerModel,
    places: Places,
    apex_mm: f64,
) {
    let middle = surface.columns / 2;
    for row in 0..surface.rows {
        let right = (middle..surface.columns).collect::<Vec<_>>();
        let left = (0..middle).rev().collect::<Vec<_>>();
        for side in [right, left] {
            let mut widest = f64::NEG_INFINITY;
            for column in side {
                let x = places.true_x_mm((column as f64 + 0.5) * scanner.pitch_across_mm);
                let i = column * surface.rows + row;
                let drop = apex_mm - f64::from(surface.z_mm[i]);
                let slant = (x - places.centre_mm[0]).abs() / drop.max(1.0);
                if slant < widest - 1e-9 {
                    surface.marks[i] |= HIDDEN;
                }
                widest = widest.max(slant);
            }
        }
    }
}

/// A scanner's second camera as a scanner of its own; `None` without one.
pub(super) fn second_scanner(scanner: &ScannerModel) -> Option<ScannerModel> {
    let (second, camera) = (scanner.second_view?, scanner.camera?);
    let side = match camera.side {
        CameraSide::LowY => CameraSide::HighY,
        CameraSide::HighY => CameraSide::LowY,
    };
    let mut other = scanner.clone();
    other.camera = Some(Camera { side, ..camera });
    other.errors.height_offset_mm += second.offset_mm;
    Some(other)
}

/// The counts of the whole recording, row by row; 0 is "no return". `rows_of` names the random stream of the rows.
pub(super) fn counts(
    scanner: &ScannerModel,
    surface: &TrueSurface,
    seed: u64,
    rows_of: Purpose,
) -> Vec<u16> {
    let places = Places::new(scanner, surface.rows);
    let mut counts = vec![0_u16; surface.rows * surface.columns];
    counts
        .par_chunks_mut(surface.columns)
        .enumerate()
        .for_each(|(row, out)| {
            let rng = stream(seed, rows_of, row as u64);
            count_row(scanner, surface, places, rng, row, out);
        });
    counts
}

fn count_row(
    scanner: &ScannerModel,
    surface: &TrueSurface,
    places: Places,
    mut rng: impl Rng,
    row: usize,
    out: &mut [u16],
) {
    let errors = &scanner.errors;
    let memory = if scanner.correlated_noise_mm > 0.0 {
        (-scanner.pitch_across_mm / scanner.correlation_mm).exp()
    } else {
        0.0
    };
    let mut drift: f64 = StandardNormal.sample(&mut rng);
    let y_m = (row as f64 + 0.5) * scanner.pitch_along_mm;
    for (column, count) in out.iter_mut().enumerate() {
        let i = column * surface.rows + row;
        let mut z = f64::from(surface.z_mm[i]);
        let x = places.true_x_mm((column as f64 + 0.5) * scanner.pitch_across_mm);
        let y = places.true_y_mm(y_m, x, z);
        let lost: f64 = rng.random();
        let white: f64 = StandardNormal.sample(&mut rng);
        if scanner.mixed_fraction > 0.0 && row > 0 && row + 1 < surface.rows {
            let (before, after) = (
                f64::from(surface.z_mm[i - 1]),
                f64::from(surface.z_mm[i + 1]),
            );
            if (after - before).abs() > EDGE_MM && rng.random::<f64>() < scanner.mixed_fraction {
                z = before + (after - before) * rng.random::<f64>();
            }
        }
        let across = x - places.centre_mm[0];
        let s = across / places.half_width_mm;
        let mut measured = errors.height_scale * z
            + errors.height_offset_mm
            + 1e-3 * errors.roll_mrad * across
            + 1e-3 * errors.pitch_mrad * (y - places.centre_mm[1])
            + errors.bow_mm * s * s
            + scanner.noise_mm * white;
        if scanner.correlated_noise_mm > 0.0 {
            let fresh: f64 = StandardNormal.sample(&mut rng);
            drift = memory * drift + (1.0 - memory * memory).sqrt() * fresh;
            measured += scanner.correlated_noise_mm * drift;
        }
        let mut seen = surface.marks[i] & HIDDEN == 0
            && lost >= scanner.dropout_fraction
            && !(surface.marks[i] & BELT != 0 && scanner.belt.is_hole(x, y));
        if scanner.spike_fraction > 0.0 && rng.random::<f64>() < scanner.spike_fraction {
            measured = scanner.spike_height_mm * rng.random::<f64>();
            seen = true;
        }
        let level = ((measured - scanner.offset_mm) / scanner.scale_mm).round();
        *count = if seen && (1.0..=65535.0).contains(&level) {
            level as u16
        } else {
            0
        };
    }
}
