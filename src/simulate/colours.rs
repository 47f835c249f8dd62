//! Colour frames: what the colour camera makes of belt and pieces.

use palette::convert::FromColorUnclamped;
use palette::white_point::D65;
use palette::{Lab, LinSrgb};
use rand_distr::{Distribution, StandardNormal};
use rayon::prelude::*;

use super::field::SmoothField;
use super::heights::{Places, TrueSurface};
use super::pattern::Material;
use super::piece::PlacedPiece;
use super::scanner::{ColourModel, ScannerModel};
use super::stream::{Purpose, stream};

/// Light of a wet highlight: beyond white, so that it clips.
const HIGHLIGHT: f32 = 1.6;
/// Slopes are taken no steeper than this when shading.
const STEEPEST: f32 = 4.0;
/// Step in height at which a colour camera's ray is followed, mm.
const RAY_STEP_MM: f64 = 0.2;

/// The colour frame of a whole recording.
pub(super) struct ColourFrame {
    pub rows: usize,
    pub columns: usize,
    /// sRGB-encoded, `rows × columns × 3`.
    pub rgb: Vec<u8>,
}

/// Renders the colour of the whole recording.
///
/// A pixel shows what lies at its place on the height frame: its nominal place plus the registration. In linear light
/// and in this order: class colour and texture, shading, highlights, camera response, vignetting, blur; then the sRGB
/// encoding and the noise.
pub(super) fn render(
    scanner: &ScannerModel,
    colour: &ColourModel,
    pieces: &[PlacedPiece],
    materials: &[Material],
    surface: &TrueSurface,
    seed: u64,
) -> ColourFrame {
    let length_mm = surface.rows as f64 * scanner.pitch_along_mm;
    let columns = (scanner.frame_width_mm() / colour.pitch_across_mm)
        .round()
        .max(1.0) as usize;
    let rows = (length_mm / colour.pitch_along_mm).round().max(1.0) as usize;
    let painter = Painter {
        scanner,
        colour,
        pieces,
        surface,
        places: Places::new(scanner, surface.rows),
        light: materials.iter().map(|m| linear_rgb(m.lab)).collect(),
        materials,
        belt_light: linear_rgb(scanner.belt.lab),
        belt_field: SmoothField::new(6.0, &mut stream(seed, Purpose::Belt, 0)),
        gloss_level: gloss_level(colour.gloss_fraction),
        highest_mm: match colour.camera {
            Some(_) => highest_mm(surface),
            None => 0.0,
        },
    };
    let mut light = vec![[0.0_f32; 3]; rows * columns];
    light
        .par_chunks_mut(columns)
        .enumerate()
        .for_each(|(row, out)| painter.paint_row(row, out));
    blur(&mut light, rows, columns, colour.blur_px);
    let mut rgb = vec![0_u8; rows * columns * 3];
    rgb.par_chunks_mut(columns * 3)
        .zip(light.par_chunks(columns))
        .enumerate()
        .for_each(|(row, (out, light))| {
            let mut rng = stream(seed, Purpose::ColourRow, row as u64);
            for (value, linear) in out.iter_mut().zip(light.iter().flatten()) {
                let mut level = 255.0 * srgb_encoded(linear.clamp(0.0, 1.0));
                if colour.noise_counts > 0.0 {
                    let noise: f32 = StandardNormal.sample(&mut rng);
                    level += colour.noise_counts as f32 * noise;
                }
                *value = level.round().clamp(0.0, 255.0) as u8;
            }
        });
    ColourFrame { rows, columns, rgb }
}

/// Row and column of the nearest sample, and the true place, mm.
type Seen = ([usize; 2], [f64; 2]);

struct Painter<'a> {
    scanner: &'a ScannerModel,
    colour: &'a ColourModel,
    pieces: &'a [PlacedPiece],
    materials: &'a [Material],
    surface: &'a TrueSurface,
    places: Places,
    light: Vec<[f32; 3]>,
    belt_light: [f32; 3],
    belt_field: SmoothField,
    gloss_level: f64,
    /// Height above which there is nothing, mm.
    highest_mm: f64,
}

impl Painter<'_> {
    fn paint_row(&self, row: usize, out: &mut [[f32; 3]]) {
        let colour = self.colour;
        let y_m = colour.origin_along_mm
            + (row as f64 + 0.5) * colour.pitch_along_mm
            + colour.registration.dy_mm;
        let place = |i: usize| {
            let x_m = colour.origin_across_mm
                + (i as f64 + 0.5) * colour.pitch_across_mm
                + colour.registration.dx_mm;
            let x = self.places.true_x_mm(x_m);
            // The colour camera does not look along the laser plane: its lean moves no colour.
            self.seen([x_m, y_m], [x, self.places.true_y_mm(y_m, x, 0.0)])
        };
        let places: Vec<Seen> = (0..out.len()).map(place).collect();
        for (pixel, (_, [x, y])) in out.iter_mut().zip(&places) {
            let shade = 1.0 + self.scanner.belt.texture as f32 * self.belt_field.at(*x, *y) as f32;
            *pixel = self.belt_light.map(|c| c * shade);
        }
        let (y_low, y_high) = places
            .iter()
            .fold((f64::INFINITY, f64::NEG_INFINITY), |r, p| {
                (r.0.min(p.1[1]), r.1.max(p.1[1]))
            });
        for piece in self.pieces {
            let (low, high) = piece.bounds_mm();
            if low[1] > y_high || high[1] < y_low {
                continue;
            }
            for (i, (_, [x, y])) in places.iter().enumerate() {
                if *x < low[0] || high[0] < *x {
                    continue;
                }
                let [u, v] = piece.to_piece(*x, *y);
                if let Some(z) = piece.shape.height_mm(u, v) {
                    out[i] = self.paint(piece, u, v, z);
                }
            }
        }
        for (pixel, ([row, column], [x, _])) in out.iter_mut().zip(&places) {
            let shade = self.shade(*row, *column);
            let lit = pixel.map(|c| c * shade);
            let across = (x - self.places.centre_mm[0]) / self.places.half_width_mm;
            let fall = (1.0 - colour.vignetting * across * across) as f32;
            for (k, response) in colour.response.iter().enumerate() {
                let sum: f32 = response.iter().zip(lit).map(|(m, c)| *m as f32 * c).sum();
                pixel[k] = fall * sum;
            }
        }
    }

    /// What a pixel shows whose place on the height frame, and truly on the belt, is given: the nearest sample and the place.
    ///
    /// With a camera that stands somewhere its ray is followed down, from above the highest piece, until it meets the surface.
    fn seen(&self, measured: [f64; 2], on_belt: [f64; 2]) -> Seen {
        let (scanner, surface) = (self.scanner, self.surface);
        let sample = |[x_m, y_m]: [f64; 2]| {
            [
                clamp_index(y_m / scanner.pitch_along_mm, surface.rows),
                clamp_index(x_m / scanner.pitch_across_mm, surface.columns),
            ]
        };
        let Some(camera) = self.colour.camera else {
            return (sample(measured), on_belt);
        };
        let x_c = self.places.centre_mm[0] + camera.x_mm;
        let mut z = self.highest_mm;
        loop {
            let risen = z.max(0.0) / camera.height_mm;
            let shift = [(x_c - on_belt[0]) * risen, camera.y_mm * risen];
            let at = sample([measured[0] + shift[0], measured[1] + shift[1]]);
            if z <= 0.0 || f64::from(surface.z_mm(at[0], at[1])) >= z {
                return (at, [on_belt[0] + shift[0], on_belt[1] + shift[1]]);
            }
            z -= RAY_STEP_MM;
        }
    }

    fn paint(&self, piece: &PlacedPiece, u: f64, v: f64, z: f64) -> [f32; 3] {
        let index = piece.pattern.material_at(u, v, z);
        let material = &self.materials[index];
        if material.glossy && piece.pattern.gloss.at(u, v) > self.gloss_level {
            return [HIGHLIGHT; 3];
        }
        let texture = (1.0 + material.texture * piece.pattern.texture.at(u, v)).max(0.3) as f32;
        self.light[index].map(|c| c * texture)
    }

    /// `1 − shading·(1 − n_z)` from the slope of the true surface about the nearest sample.
    fn shade(&self, row: usize, column: usize) -> f32 {
        if self.colour.shading == 0.0 {
            return 1.0;
        }
        let s = self.surface;
        let difference =
            |low: f32, high: f32, run: f64| ((high - low) / run as f32).clamp(-STEEPEST, STEEPEST);
        let (c0, c1) = (column.saturating_sub(1), (column + 1).min(s.columns - 1));
        let (r0, r1) = (row.saturating_sub(1), (row + 1).min(s.rows - 1));
        let dx = difference(
            s.z_mm(row, c0),
            s.z_mm(row, c1),
            (c1 - c0).max(1) as f64 * self.scanner.pitch_across_mm,
        );
        let dy = difference(
            s.z_mm(r0, column),
            s.z_mm(r1, column),
            (r1 - r0).max(1) as f64 * self.scanner.pitch_along_mm,
        );
        let upright = 1.0 / (1.0 + dx * dx + dy * dy).sqrt();
        1.0 - self.colour.shading as f32 * (1.0 - upright)
    }
}

fn highest_mm(surface: &TrueSurface) -> f64 {
    let cells = (0..surface.rows).flat_map(|row| (0..surface.columns).map(move |c| (row, c)));
    cells
        .map(|(row, column)| f64::from(surface.z_mm(row, column)))
        .fold(0.0, f64::max)
}

fn clamp_index(place: f64, count: usize) -> usize {
    (place.max(0.0) as usize).min(count - 1)
}

/// The level a field of unit spread exceeds on about `fraction` of the area.
fn gloss_level(fraction: f64) -> f64 {
    if fraction <= 0.0 {
        return f64::INFINITY;
    }
    // Abramowitz and Stegun, 26.2.22: error below 3e-3, ample for "about".
    let tail = fraction.min(0.5);
    let t = (-2.0 * tail.ln()).sqrt();
    t - (2.30753 + 0.27061 * t) / (1.0 + 0.99229 * t + 0.04481 * t * t)
}

/// CIELAB (D65, 2°) to linear sRGB; colours outside sRGB keep their negative or large values.
fn linear_rgb(lab: [f64; 3]) -> [f32; 3] {
    let rgb = LinSrgb::<f64>::from_color_unclamped(Lab::<D65, f64>::new(lab[0], lab[1], lab[2]));
    [rgb.red as f32, rgb.green as f32, rgb.blue as f32]
}

/// The sRGB encoding (IEC 61966-2-1:1999).
fn srgb_encoded(linear: f32) -> f32 {
    if linear <= 0.003_130_8 {
        12.92 * linear
    } else {
        1.055 * linear.powf(1.0 / 2.4) - 0.055
    }
}

/// Gaussian blur, along rows and then along columns; edges repeat.
fn blur(light: &mut [[f32; 3]], rows: usize, columns: usize, sigma_px: f64) {
    if sigma_px <= 0.0 {
        return;
    }
    let reach = (3.0 * sigma_px).ceil().clamp(1.0, 50.0) as i64;
    let mut kernel: Vec<f32> = (-reach..=reach)
        .map(|i| (-0.5 * (i as f64 / sigma_px).powi(2)).exp() as f32)
        .collect();
    let sum: f32 = kernel.iter().sum();
    kernel.iter_mut().for_each(|w| *w /= sum);
    let clamp = |i: i64, count: usize| i.clamp(0, count as i64 - 1) as usize;
    for along_rows in [true, false] {
        let source = light.to_vec();
        light
            .par_chunks_mut(columns)
            .enumerate()
            .for_each(|(row, out)| {
                out.fill([0.0; 3]);
                for (k, weight) in kernel.iter().enumerate() {
                    let offset = k as i64 - reach;
                    let line = if along_rows {
                        row
                    } else {
                        clamp(row as i64 + offset, rows)
                    };
                    let line = &source[line * columns..(line + 1) * columns];
                    for (column, pixel) in out.iter_mut().enumerate() {
                        let from = if along_rows {
                            line[clamp(column as i64 + offset, columns)]
                        } else {
                            line[column]
                        };
                        for c in 0..3 {
                            pixel[c] += weight * from[c];
                        }
                    }
                }
            });
    }
}
