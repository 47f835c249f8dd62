//! Where the colour frame lies on the height frame, from the borders of the patches.
//!
//! The pose of the plate comes from heights; the borders of its patches are seen in colour. Each border is fitted with a
//! blurred step (the integral of a Gaussian) in linear light, which places it to a few hundredths of a pixel. A shift moves
//! opposite borders alike; paint that is a little larger or smaller than certified moves them against each other, and is
//! fitted along.

use statrs::function::erf::erf;

use super::frame::{Rows, View, linear};
use super::patch::window;
use crate::calibration::Patch;
use crate::stats::{mad_sd, median, weighted_least_squares};

/// Farthest shift that is looked for, mm.
const FARTHEST_MM: f64 = 5.0;
/// Most steps of the first search to each side.
const MOST_STEPS: f64 = 15.0;
/// Points of a patch along each side in the first search.
const GRID: i32 = 10;
/// Half the width of the strip about a border, pixels: at first, then twice more.
const STRIPS_PX: [f64; 3] = [6.0, 4.0, 4.0];
/// Smallest difference of linear light across a border.
const LEAST_CONTRAST: f64 = 0.03;
/// Fewest borders in each direction.
const LEAST_EDGES: usize = 3;
/// Tukey's constant (Mosteller and Tukey 1977).
const BIWEIGHT_C: f64 = 4.685;
/// What a border's place is known to at best, pixels: keeps the uncertainty above zero on a frame without noise.
const LEAST_U_PX: f64 = 0.01;

/// Where the colour frame lies.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Found {
    /// What is seen lies this far from where the registration in force puts it, mm.
    pub shift_mm: [f64; 2],
    /// Standard uncertainty from the scatter of the borders, mm.
    pub u_mm: [f64; 2],
}

/// One border.
#[derive(Debug, Clone, Copy)]
struct Edge {
    /// Outwards, on the height frame.
    normal: [f64; 2],
    /// How far outwards it lies from where it was looked for, mm.
    offset_mm: f64,
}

/// The shift at which patches look most even: within a pixel or two of the true one.
pub(super) fn coarse_shift_mm(rows: &Rows, view: &View, patches: &[Patch]) -> [f64; 2] {
    let step_mm = view.pixel_mm().max(FARTHEST_MM / MOST_STEPS);
    let steps = (FARTHEST_MM / step_mm) as i32;
    let mut tried: Vec<([f64; 2], f64)> = Vec::new();
    for down in -steps..=steps {
        for across in -steps..=steps {
            let shift_mm = [f64::from(across) * step_mm, f64::from(down) * step_mm];
            let uneven = patches.iter().map(|p| unevenness(rows, view, p, shift_mm));
            tried.push((shift_mm, uneven.sum()));
        }
    }
    let least = tried.iter().fold(f64::INFINITY, |least, t| least.min(t.1));
    // Well within the patches every shift looks alike: the middle of those is it.
    let alike: Vec<[f64; 2]> = tried
        .iter()
        .filter(|(_, uneven)| *uneven <= 1.3 * least + 1e-9)
        .map(|(shift, _)| *shift)
        .collect();
    let count = alike.len().max(1) as f64;
    [0, 1].map(|axis| alike.iter().map(|shift| shift[axis]).sum::<f64>() / count)
}

/// Variance of the encoded colour over a grid on a patch.
fn unevenness(rows: &Rows, view: &View, patch: &Patch, shift_mm: [f64; 2]) -> f64 {
    let (mut sum, mut square, mut count) = ([0.0; 3], [0.0; 3], 0.0);
    let place = |i: i32| (f64::from(i) / f64::from(GRID - 1) - 0.5) * patch.size_mm * 0.96;
    for i in 0..GRID {
        for j in 0..GRID {
            let on_frame = view
                .place
                .apply([patch.x_mm + place(i), patch.y_mm + place(j)]);
            let [column, row] = view.pixel([on_frame[0] + shift_mm[0], on_frame[1] + shift_mm[1]]);
            let Some(raw) = rows.raw_at(column.round() as i64, row.round() as i64) else {
                continue;
            };
            count += 1.0;
            for channel in 0..3 {
                let value = f64::from(raw[channel]);
                sum[channel] += value;
                square[channel] += value * value;
            }
        }
    }
    if count < 4.0 {
        return 0.0;
    }
    (0..3)
        .map(|c| square[c] / count - (sum[c] / count).powi(2))
        .sum()
}

/// Where the colour frame lies, from all borders of patches whose inner light is known. `None` with too few borders.
pub(super) fn find(
    rows: &Rows,
    view: &View,
    patches: &[(Patch, [f64; 3])],
    start_mm: [f64; 2],
) -> Option<Found> {
    let mut found = Found {
        shift_mm: start_mm,
        u_mm: [0.0; 2],
    };
    for strip_px in STRIPS_PX {
        let strip_mm = strip_px * view.pixel_mm();
        let mut edges = Vec::new();
        for (patch, light) in patches {
            for (axis, sign) in [(0, -1.0), (0, 1.0), (1, -1.0), (1, 1.0)] {
                let side = Side {
                    patch,
                    axis,
                    sign,
                    strip_mm,
                };
                edges.extend(side.fit(rows, view, *light, found.shift_mm));
            }
        }
        let (more, u_mm) = shift(&edges, view.pixel_mm())?;
        found.shift_mm = [0, 1].map(|axis| found.shift_mm[axis] + more[axis]);
        found.u_mm = u_mm;
    }
    Some(found)
}

/// Shift and its standard uncertainty from borders, robustly.
fn shift(edges: &[Edge], pixel_mm: f64) -> Option<([f64; 2], [f64; 2])> {
    let across = edges.iter().filter(|e| e.normal[0].abs() > 0.5).count();
    let along = edges.iter().filter(|e| e.normal[1].abs() > 0.5).count();
    if across < LEAST_EDGES || along < LEAST_EDGES {
        return None;
    }
    let mut weights = vec![1.0; edges.len()];
    let mut result = None;
    for _ in 0..10 {
        let observations = edges.iter().zip(&weights).map(|(edge, weight)| {
            let [x, y] = edge.normal;
            ([x, y, 1.0], edge.offset_mm, *weight)
        });
        let fit = weighted_least_squares::<3>(observations, [0.0; 3])?;
        let c = fit.coefficients;
        let left = |e: &Edge| e.offset_mm - (c[0] * e.normal[0] + c[1] * e.normal[1] + c[2]);
        let mut absolute: Vec<f32> = edges.iter().map(|e| left(e).abs() as f32).collect();
        let scale = mad_sd(&mut absolute, 0.0)?.max(LEAST_U_PX * pixel_mm);
        let mut squares = 0.0;
        for (weight, edge) in weights.iter_mut().zip(edges) {
            let u = left(edge) / (BIWEIGHT_C * scale);
            *weight = if u.abs() < 1.0 {
                (1.0 - u * u).powi(2)
            } else {
                0.0
            };
            squares += *weight * left(edge).powi(2);
        }
        let free = weights.iter().sum::<f64>() - 3.0;
        if free < 1.0 {
            return None;
        }
        let spread = (squares / free).sqrt().max(LEAST_U_PX * pixel_mm);
        let u = |axis: usize| spread * fit.cofactor[(axis, axis)].max(0.0).sqrt();
        result = Some(([c[0], c[1]], [u(0), u(1)]));
    }
    result
}

/// One border of a patch.
struct Side<'a> {
    patch: &'a Patch,
    axis: usize,
    sign: f64,
    strip_mm: f64,
}

impl Side<'_> {
    fn fit(&self, rows: &Rows, view: &View, inside: [f64; 3], shift_mm: [f64; 2]) -> Option<Edge> {
        let patch = self.patch;
        let half_mm = 0.5 * patch.size_mm;
        let length_mm = half_mm - self.strip_mm;
        if length_mm < 2.0 * self.strip_mm {
            return None;
        }
        // (distance outwards, linear light) of every pixel in the strip.
        let mut near: Vec<(f64, [f64; 3])> = Vec::new();
        let mut beyond: [Vec<f32>; 3] = Default::default();
        for (column, row) in window(view, patch, shift_mm, half_mm + 2.0 * self.strip_mm) {
            let place = view.place_of(column as f64, row as f64);
            let [u, v] = view
                .place
                .invert([place[0] - shift_mm[0], place[1] - shift_mm[1]]);
            let on_patch = [u - patch.x_mm, v - patch.y_mm];
            let out_mm = self.sign * on_patch[self.axis] - half_mm;
            if on_patch[1 - self.axis].abs() > length_mm || out_mm.abs() > 2.0 * self.strip_mm {
                continue;
            }
            // A border that runs out of the frame is not used at all.
            let light = linear(rows.raw_at(column, row)?);
            if out_mm.abs() <= self.strip_mm {
                near.push((out_mm, light));
            } else if out_mm > 0.0 {
                for (values, value) in beyond.iter_mut().zip(light) {
                    values.push(value as f32);
                }
            }
        }
        let mut outside = [0.0; 3];
        for (level, values) in outside.iter_mut().zip(&mut beyond) {
            *level = f64::from(median(values)?);
        }
        let step: [f64; 3] = std::array::from_fn(|c| inside[c] - outside[c]);
        let square: f64 = step.iter().map(|s| s * s).sum();
        if square.sqrt() < LEAST_CONTRAST {
            return None;
        }
        let share = |light: [f64; 3]| {
            let along = (0..3)
                .map(|c| (light[c] - outside[c]) * step[c])
                .sum::<f64>();
            along / square
        };
        let samples: Vec<(f64, f64)> = near.iter().map(|(d, light)| (*d, share(*light))).collect();
        let offset_mm = step_place_mm(&samples, 0.5 * view.pixel_mm(), self.strip_mm)?;
        let mut outwards = [0.0; 2];
        outwards[self.axis] = self.sign;
        let turned = view.place.turn(outwards);
        let length = turned[0].hypot(turned[1]);
        Some(Edge {
            normal: turned.map(|part| part / length),
            offset_mm,
        })
    }
}

/// Place of a step from 1 (before) to 0 (behind) in samples (place, value), blurred by a Gaussian: least squares for its place
/// and its spread. `None` if there is no such step within `reach`.
fn step_place_mm(samples: &[(f64, f64)], blur_mm: f64, reach_mm: f64) -> Option<f64> {
    let (mut place, mut spread) = (0.0, blur_mm);
    for _ in 0..30 {
        let observations = samples.iter().map(|&(at, value)| {
            let z = (place - at) / spread;
            let density = (-0.5 * z * z).exp() / (std::f64::consts::TAU.sqrt() * spread);
            let model = 0.5 * (1.0 + erf(z * std::f64::consts::FRAC_1_SQRT_2));
            ([density, -z * density], value - model, 1.0)
        });
        let fit = weighted_least_squares::<2>(observations, [1e-12; 2])?;
        let most = 0.5 * blur_mm.max(spread);
        let move_mm = fit.coefficients[0].clamp(-most, most);
        place += move_mm;
        spread = (spread + fit.coefficients[1].clamp(-0.5 * spread, spread))
            .clamp(0.2 * blur_mm, reach_mm);
        if place.is_nan() || place.abs() > reach_mm {
            return None;
        }
        if move_mm.abs() < 1e-6 * reach_mm {
            return Some(place);
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Outside reference: a box pixel that a sharp step crosses holds the share on the step's bright side.
    #[test]
    fn a_step_seen_by_box_pixels_is_placed_where_it_is() {
        for true_mm in [-0.61, -0.2, 0.0, 0.13, 0.37, 0.9] {
            // Rows of pixels of 0.4 mm, each a little aside, as on a turned plate.
            let samples: Vec<(f64, f64)> = (0..40)
                .flat_map(|row| {
                    (-5..=5).map(move |pixel| {
                        let at = 0.4 * f64::from(pixel) + 0.01 * f64::from(row);
                        (at, ((true_mm - at) / 0.4 + 0.5).clamp(0.0, 1.0))
                    })
                })
                .collect();
            let found = step_place_mm(&samples, 0.2, 1.6).expect("a step");
            assert!((found - true_mm).abs() < 0.004, "{found} for {true_mm}");
        }
        let level: Vec<(f64, f64)> = (0..50).map(|i| (0.1 * f64::from(i) - 2.5, 1.0)).collect();
        assert_eq!(step_place_mm(&level, 0.2, 1.6), None);
    }

    #[test]
    fn a_shift_is_told_from_paint_that_is_too_large() {
        let edge = |x: f64, y: f64| Edge {
            normal: [x, y],
            offset_mm: 0.3 * x - 0.2 * y + 0.05,
        };
        let mut edges: Vec<Edge> = (0..4)
            .flat_map(|_| {
                [
                    edge(1.0, 0.0),
                    edge(-1.0, 0.0),
                    edge(0.0, 1.0),
                    edge(0.0, -1.0),
                ]
            })
            .collect();
        edges[3].offset_mm = 1.5;
        let (shift_mm, u_mm) = shift(&edges, 0.4).expect("borders");
        assert!((shift_mm[0] - 0.3).abs() < 1e-6 && (shift_mm[1] + 0.2).abs() < 1e-6);
        assert!(u_mm.iter().all(|u| (1e-4..0.01).contains(u)), "{u_mm:?}");
        assert!(shift(&edges[..2], 0.4).is_none());
    }
}
