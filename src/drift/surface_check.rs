//! How well the surface was seen: noise, form, what is missing, and where the residuals lie.

use std::collections::BTreeMap;

use rayon::prelude::*;

use crate::stats::{mad_sd, median, quantile};

use super::faces::Body;
use super::fit::{Fitted, Problem, biweight, share};
use super::report::{ResidualMap, SurfaceCheck};

/// Side of a cell of the residual map, mm.
const MAP_CELL_MM: f64 = 10.0;
/// Most cells of a map: a plate of 10 m × 10 m.
const MOST_MAP_CELLS: i64 = 1_000_000;
/// Share of the samples left out of a span on each side: 0.3 % in all (VDI/VDE 2634 part 2).
const SPAN_TAIL: f64 = 0.0015;
/// Fewest samples on a sphere for its own fit.
const FEWEST_ON_SPHERE: usize = 200;

/// What the last pass over the samples brings.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Seen {
    pub surface: SurfaceCheck,
    pub map: Option<ResidualMap>,
    /// Mean residual and number of samples of each body, mm.
    pub bodies: Vec<BodyMisfit>,
    /// Share of the samples on the target that lie off its surface.
    pub off_fraction: f64,
}

/// How a body fits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct BodyMisfit {
    /// Median residual, mm.
    pub median_mm: f64,
    /// Samples on it.
    pub samples: usize,
    /// Share of them that lie off.
    pub off_fraction: f64,
}

#[derive(Default)]
struct Part {
    level: Vec<f32>,
    jumps: Vec<f32>,
    bodies: Vec<Vec<f32>>,
    /// Sum and number of residuals by row and column of the map.
    cells: BTreeMap<(i64, i64), [f64; 2]>,
    squares: f64,
    used: usize,
    landed: usize,
}

pub(super) fn see(problem: &Problem<'_>, fitted: &Fitted) -> Seen {
    let field = problem.field;
    let instrument = problem.instrument(&fitted.at);
    let parts: Vec<Part> = (0..problem.blocks_along())
        .into_par_iter()
        .map(|block_row| {
            let mut part = Part {
                bodies: vec![Vec::new(); problem.faces.bodies.len()],
                ..Part::default()
            };
            // Row, column and residual of the sample before, to tell noise from form.
            let mut before = (usize::MAX, usize::MAX, 0.0);
            problem.visit(&instrument, block_row, 1, |landed| {
                let r = landed.residual_mm;
                part.landed += 1;
                if let Some(body) = landed.face.part.checked_sub(1) {
                    part.bodies[body].push(r as f32);
                }
                if biweight(share(r, fitted.spread.of(&landed.face))) == 0.0 {
                    return;
                }
                part.used += 1;
                part.squares += r * r;
                if landed.face.part == 0 {
                    part.level.push(r as f32);
                }
                if !landed.face.slanted {
                    if before.0 == landed.row && before.1 + 1 == landed.column {
                        part.jumps.push((r - before.2) as f32);
                    }
                    before = (landed.row, landed.column, r);
                }
                let cell = |at_mm: f64| (at_mm / MAP_CELL_MM).floor() as i64;
                let place = (
                    cell(field.y_mm[landed.row]),
                    cell(field.x_mm(landed.column)),
                );
                let sums = part.cells.entry(place).or_default();
                *sums = [sums[0] + r, sums[1] + 1.0];
            });
            part
        })
        .collect();
    let mut all = Part {
        bodies: vec![Vec::new(); problem.faces.bodies.len()],
        ..Part::default()
    };
    for part in parts {
        all.join(part);
    }
    let noise_mm = mad_sd(&mut all.jumps, 0.0)
        .unwrap_or(fitted.spread.level_mm * std::f64::consts::SQRT_2)
        / std::f64::consts::SQRT_2;
    let (probing_form_mm, probing_size_mm) = probing(problem, fitted, &all.bodies);
    let visible = visibility(problem, fitted);
    let used = all.used.max(1) as f64;
    Seen {
        surface: SurfaceCheck {
            residual_rms_mm: (all.squares / used).sqrt(),
            flatness_mm: span(&mut all.level),
            noise_mm,
            dropout_fraction: visible.dropout_fraction,
            probing_form_mm,
            probing_size_mm,
            samples: all.used as u64,
            seen_fraction: visible.seen_fraction,
        },
        map: map(&all.cells),
        bodies: all
            .bodies
            .iter_mut()
            .map(|residuals| misfit(residuals, fitted))
            .collect(),
        off_fraction: 1.0 - all.used as f64 / all.landed.max(1) as f64,
    }
}

/// The map over the part of the belt that holds the target; `None` where an encoder record tears it far apart.
fn map(cells: &BTreeMap<(i64, i64), [f64; 2]>) -> Option<ResidualMap> {
    let rows = cells.keys().map(|place| place.0);
    let columns = cells.keys().map(|place| place.1);
    let (first_row, first_column) = (rows.clone().min()?, columns.clone().min()?);
    let (rows, columns) = (
        rows.max()? - first_row + 1,
        columns.max()? - first_column + 1,
    );
    if MOST_MAP_CELLS < rows.saturating_mul(columns) {
        return None;
    }
    let mean = |place: (i64, i64)| {
        let [sum, count] = cells.get(&place)?;
        Some((sum / count) as f32)
    };
    Some(ResidualMap {
        origin_mm: [
            first_column as f64 * MAP_CELL_MM,
            first_row as f64 * MAP_CELL_MM,
        ],
        cell_mm: MAP_CELL_MM,
        columns: columns as u64,
        residual_mm: (0..rows * columns)
            .map(|i| mean((first_row + i / columns, first_column + i % columns)))
            .collect(),
    })
}

impl Part {
    fn join(&mut self, other: Self) {
        self.level.extend(other.level);
        self.jumps.extend(other.jumps);
        for (mine, others) in self.bodies.iter_mut().zip(other.bodies) {
            mine.extend(others);
        }
        for (place, others) in other.cells {
            let mine = self.cells.entry(place).or_default();
            *mine = [mine[0] + others[0], mine[1] + others[1]];
        }
        self.squares += other.squares;
        self.used += other.used;
        self.landed += other.landed;
    }
}

/// Span of values without the farthest 0.3 %.
fn span(values: &mut [f32]) -> f64 {
    let high = quantile(values, 1.0 - SPAN_TAIL);
    let low = quantile(values, SPAN_TAIL);
    match (low, high) {
        (Some(low), Some(high)) => f64::from(high - low),
        _ => 0.0,
    }
}

fn misfit(residuals: &mut [f32], fitted: &Fitted) -> BodyMisfit {
    let spread_mm = fitted.spread.level_mm.max(fitted.spread.slanted_mm);
    let off = residuals
        .iter()
        .filter(|r| biweight(share(f64::from(**r), spread_mm)) == 0.0)
        .count();
    let samples = residuals.len();
    BodyMisfit {
        median_mm: median(residuals).map_or(0.0, f64::from),
        samples,
        off_fraction: off as f64 / samples.max(1) as f64,
    }
}

/// Probing errors on the spheres: form, the largest span of residuals; size, the largest difference of diameter, from the mean residual over
/// the cap. A sphere larger by δ in radius lies higher by δ·R/depth on average.
fn probing(
    problem: &Problem<'_>,
    fitted: &Fitted,
    residuals: &[Vec<f32>],
) -> (Option<f64>, Option<f64>) {
    let (mut form, mut size): (Option<f64>, Option<f64>) = (None, None);
    let reach_mm = 4.685 * fitted.spread.slanted_mm;
    for (body, residuals) in problem.faces.bodies.iter().zip(residuals) {
        let Body::Sphere(sphere) = body else { continue };
        let mut on: Vec<f32> = residuals
            .iter()
            .copied()
            .filter(|r| f64::from(r.abs()) < reach_mm)
            .collect();
        if on.len() < FEWEST_ON_SPHERE {
            continue;
        }
        let mean = on.iter().map(|r| f64::from(*r)).sum::<f64>() / on.len() as f64;
        // Mean of R/√(R² − ρ²) over a disc of radius kR is 2·(1 − √(1 − k²))/k²; k as faces::SPHERE_SHARE at most.
        let k = (0.85_f64).min(sphere.seen_radius_mm() / sphere.radius_mm);
        let lift = 2.0 * (1.0 - (1.0 - k * k).sqrt()) / (k * k);
        let difference_mm = 2.0 * mean / lift;
        form = Some(form.unwrap_or(0.0).max(span(&mut on)));
        size = Some(match size {
            Some(other) if difference_mm.abs() < other.abs() => other,
            _ => difference_mm,
        });
    }
    (form, size)
}

struct Visibility {
    seen_fraction: f64,
    dropout_fraction: f64,
}

/// Which share of the plate was seen, and which share of the samples is missing one by one: longer gaps are shadows or something in the way.
fn visibility(problem: &Problem<'_>, fitted: &Fitted) -> Visibility {
    let field = problem.field;
    let instrument = problem.instrument(&fitted.at);
    let [across, along] = problem.faces.size_mm;
    let (mut seen, mut lost, mut inside) = (0_usize, 0_usize, 0_usize);
    let plate_z = problem.faces.thickness_mm * fitted.at[2] + fitted.at[3];
    for row in 0..field.rows {
        let y_m = field.y_mm[row];
        for (column, z) in field.row(row).iter().enumerate() {
            let missing = z.is_nan();
            let z_m = if missing { plate_z } else { f64::from(*z) };
            let s = instrument.sight(field.x_mm(column), y_m, z_m);
            if !(0.0 < s.u && s.u < across && 0.0 < s.v && s.v < along) {
                continue;
            }
            inside += 1;
            if !missing {
                seen += 1;
            } else if problem.alone(row, column) {
                lost += 1;
            }
        }
    }
    // Cells of the true grid: the plate's area over them is the number of samples it would have wholly in the frame.
    let cell_mm2 = field.pitch_across_mm * field.pitch_along_mm / (fitted.at[0] * fitted.at[1]);
    let whole = (across * along / cell_mm2).max(inside as f64).max(1.0);
    Visibility {
        seen_fraction: seen as f64 / whole,
        dropout_fraction: lost as f64 / (seen + lost).max(1) as f64,
    }
}
