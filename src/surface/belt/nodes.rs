//! The belt's shape from its cells: tilt and bow over a wide window, undulation over a narrow one, local rest.

use super::blocks::Sampling;
use super::cells::{Cell, Cells};
use super::{BeltLine, BeltReport, COARSE, SHAPE_REACH};
use crate::stats::{median, tukey_location, weighted_least_squares};

/// Windows tried for the undulation, standard deviation in mm: the first with enough belt is taken.
const NARROW_MM: [f64; 6] = [3.0, 6.0, 12.0, 25.0, 50.0, 100.0];
/// Samples (effective) that a window must hold: the mean of so many is good to a twentieth of the noise.
const ENOUGH_SAMPLES: f64 = 400.0;
/// Prior standard deviations of tilt and bow at the frame's edge, mm: only there to keep unseen shapes at rest.
const TILT_PRIOR_MM: f64 = 3.0;
const BOW_PRIOR_MM: f64 = 1.0;
/// Prior standard deviation of how the tilt changes along the belt, mm at the frame's edge: belts sway by hundredths of a millimetre
/// (common practice, no source).
const SWAY_PRIOR_MM: f64 = 0.03;
/// Prior standard deviation of the undulation along, mm, and the wavelength below which it is not looked for, mm (common practice, no source).
const WAVE_PRIOR_MM: f64 = 0.1;
const WAVE_MM: f64 = 90.0;
/// Window of the local rest: standard deviation along, mm, and across, zones.
const REST_ALONG_MM: f64 = 10.0;
const REST_ACROSS_ZONES: f64 = 0.8;
/// Samples' worth of belief that there is no local rest.
const REST_PRIOR_SAMPLES: f64 = 150.0;
/// A cell wider than this many times the usual noise is not clean belt.
const WIDE_CELL: f64 = 2.0;
/// Variance of a median over that of a mean, for normal noise: π/2.
pub const MEDIAN_VARIANCE: f64 = std::f64::consts::FRAC_PI_2;
/// Smallest noise believed, mm: heights are quantised.
const LEAST_NOISE_MM: f64 = 0.003;

/// Fits the belt's shape for one coarse block after the other, and its lines between them.
#[derive(Debug, Default)]
pub struct NodeFitter {
    /// One per coarse block; `None` where no belt is in reach.
    shapes: Vec<Option<ShapeNode>>,
}

/// Shape and noise around a coarse block.
#[derive(Debug, Clone, Copy)]
struct ShapeNode {
    row: f64,
    shape: Shape,
    noise_mm: f64,
}

/// Tilt and bow, mm at the frame's edge.
#[derive(Debug, Clone, Copy)]
struct Shape {
    tilt_mm: f64,
    bow_mm: f64,
}

impl Shape {
    fn at(self, u: f64) -> f64 {
        self.tilt_mm * u + self.bow_mm * u * u
    }
}

/// Where the belt lies at a line: level in the middle, tilt beside that of the wide window, mm at the frame's edge.
#[derive(Debug, Clone, Copy)]
struct Lie {
    level_mm: f64,
    tilt_mm: f64,
    /// Samples (effective) behind it.
    effective: f64,
    /// Equivalent width of the window: that of an even one whose means are as alike, `2√π·σ`, mm.
    reach_mm: f64,
}

/// A clean cell in a window.
struct Seen {
    zone: usize,
    along_mm: f64,
    cell: Cell,
}

impl NodeFitter {
    /// Coarse blocks whose shape is fitted.
    pub fn shapes(&self) -> usize {
        self.shapes.len()
    }

    /// Fits the shape of the next coarse block, from all cells within reach.
    pub fn push_shape(&mut self, cells: &[Option<Cells>], sampling: &Sampling) {
        let coarse = self.shapes.len();
        let first = coarse.saturating_sub(SHAPE_REACH) * COARSE;
        let end = ((coarse + SHAPE_REACH + 1) * COARSE).min(cells.len());
        let last = ((coarse + 1) * COARSE).min(cells.len());
        let row = (sampling.centre_row(coarse * COARSE) + sampling.centre_row(last - 1)) / 2.0;
        let mut window = window(&cells[first..end], row, sampling);
        self.shapes
            .push(typical_noise(&window).and_then(|noise_mm| {
                window.retain(|seen| seen.cell.sd_mm <= WIDE_CELL * noise_mm);
                Some(ShapeNode {
                    row,
                    shape: shape(&window, noise_mm, sampling)?,
                    noise_mm,
                })
            }));
    }

    /// Shape and noise at a block's centre, between the last fitted coarse block before it and the next one after it.
    ///
    /// Only the next: a look further ahead would depend on how many rows have arrived.
    fn shape_at(&self, index: usize, row: f64) -> Option<ShapeNode> {
        let next = (index / COARSE + 2).min(self.shapes.len());
        let known = || self.shapes[..next].iter().flatten();
        let before = known().rfind(|node| node.row <= row);
        let after = known().find(|node| node.row > row);
        let (one, two) = match (before, after) {
            (Some(one), Some(two)) => (one, two),
            (node, None) | (None, node) => return node.copied(),
        };
        let t = (row - one.row) / (two.row - one.row);
        let mix = |a: f64, b: f64| a + t * (b - a);
        Some(ShapeNode {
            row,
            shape: Shape {
                tilt_mm: mix(one.shape.tilt_mm, two.shape.tilt_mm),
                bow_mm: mix(one.shape.bow_mm, two.shape.bow_mm),
            },
            noise_mm: mix(one.noise_mm, two.noise_mm),
        })
    }

    /// The belt line of block `index`; `None` if no belt is in reach.
    pub fn line(
        &self,
        index: usize,
        cells: &[Option<Cells>],
        sampling: &Sampling,
    ) -> Option<BeltLine> {
        let row = sampling.centre_row(index);
        let ShapeNode {
            shape, noise_mm, ..
        } = self.shape_at(index, row)?;
        let (window, lie) = NARROW_MM.iter().find_map(|&sigma_mm| {
            let reach = (3.0 * sigma_mm.max(REST_ALONG_MM) / sampling.block_mm()).ceil() as usize;
            let near = &cells[index.saturating_sub(reach)..(index + reach + 1).min(cells.len())];
            let mut window = window(near, row, sampling);
            window.retain(|seen| seen.cell.sd_mm <= WIDE_CELL * noise_mm);
            let lie = lie(&window, sigma_mm, shape, noise_mm, sampling)?;
            let widest = sigma_mm == NARROW_MM[NARROW_MM.len() - 1];
            (lie.effective >= ENOUGH_SAMPLES || (widest && lie.effective > 0.0))
                .then_some((window, lie))
        })?;
        let Lie {
            level_mm,
            effective,
            ..
        } = lie;
        let shape = Shape {
            tilt_mm: shape.tilt_mm + lie.tilt_mm,
            ..shape
        };
        let around = trend(&window, REST_ALONG_MM, shape, noise_mm, sampling)?;
        let rests = rests_mm(&window, &around, shape, noise_mm, sampling);
        let zones = sampling.zone_u.iter().zip(rests);
        let zone_mm = zones
            .map(|(&u, rest_mm)| (level_mm + shape.at(u) + rest_mm) as f32)
            .collect();
        let mut zones_seen = vec![false; sampling.zones()];
        for seen in window
            .iter()
            .filter(|seen| seen.along_mm.abs() <= 2.0 * sampling.block_mm())
        {
            zones_seen[seen.zone] = true;
        }
        let seen_fraction =
            zones_seen.iter().filter(|&&seen| seen).count() as f64 / sampling.zones() as f64;
        // The mean of medians of that many samples.
        let u_mm = noise_mm * (MEDIAN_VARIANCE / effective.max(1.0)).sqrt();
        let zone_rest_mm = zone_rests(&window, shape, level_mm, sampling);
        Some(BeltLine {
            row,
            zone_mm,
            seen_fraction,
            u_mm,
            reach_mm: lie.reach_mm,
            noise_mm,
            zone_rest_mm,
        })
    }

    /// What the belt looks like over the whole recording.
    pub fn report(&self, lines: &[BeltLine], sampling: &Sampling) -> Option<BeltReport> {
        let mut noises: Vec<f32> = self
            .shapes
            .iter()
            .flatten()
            .map(|node| node.noise_mm as f32)
            .collect();
        let noise_mm = f64::from(median(&mut noises)?);
        let seen = || lines.iter().filter(|line| line.u_mm.is_finite());
        let plane = weighted_least_squares(
            seen().flat_map(|line| {
                line.zone_mm
                    .iter()
                    .zip(&sampling.zone_u)
                    .map(move |(&z, &u)| ([1.0, u, line.row / 1000.0], f64::from(z), 1.0))
            }),
            [0.0, 1e-9, 1e-9],
        )?;
        let [level_mm, tilt_mm, along] = plane.coefficients.into();
        let (mut lowest, mut highest) = (f64::INFINITY, f64::NEG_INFINITY);
        for line in seen() {
            for (&z, &u) in line.zone_mm.iter().zip(&sampling.zone_u) {
                let rest = f64::from(z) - level_mm - tilt_mm * u - along * line.row / 1000.0;
                lowest = lowest.min(rest);
                highest = highest.max(rest);
            }
        }
        Some(BeltReport {
            noise_mm,
            roll_mrad: tilt_mm / sampling.half_width_mm() * 1e3,
            ripple_mm: (highest - lowest) / 2.0,
        })
    }
}

/// The belt cells of these blocks, with their distance along from `row`.
fn window(blocks: &[Option<Cells>], row: f64, sampling: &Sampling) -> Vec<Seen> {
    let block_rows = sampling.block_rows as f64;
    let mut window = Vec::new();
    for block in blocks.iter().flatten() {
        let along_mm = (block.row - row) / block_rows * sampling.block_mm();
        window.extend(block.zones.iter().enumerate().filter_map(|(zone, cell)| {
            cell.map(|cell| Seen {
                zone,
                along_mm,
                cell,
            })
        }));
    }
    window
}

fn typical_noise(window: &[Seen]) -> Option<f64> {
    let mut sds: Vec<f32> = window.iter().map(|seen| seen.cell.sd_mm as f32).collect();
    Some(f64::from(median(&mut sds)?).max(LEAST_NOISE_MM))
}

/// Tilt and bow by a weighted fit over the whole window, twice reweighted by the biweight.
fn shape(window: &[Seen], noise_mm: f64, sampling: &Sampling) -> Option<Shape> {
    let variance = noise_mm * noise_mm;
    let ridge = [
        0.0,
        variance / (TILT_PRIOR_MM * TILT_PRIOR_MM),
        variance / (BOW_PRIOR_MM * BOW_PRIOR_MM),
        1e-9,
        1e-9,
    ];
    let half_mm = window
        .iter()
        .map(|seen| seen.along_mm.abs())
        .fold(1.0, f64::max);
    let datum_mm = window.first()?.cell.height_mm;
    let regressors = |seen: &Seen| {
        let (u, v) = (sampling.zone_u[seen.zone], seen.along_mm / half_mm);
        [1.0, u, u * u, v, v * v]
    };
    let mut weights: Vec<f64> = window.iter().map(|seen| seen.cell.weight).collect();
    let mut coefficients = None;
    for _ in 0..3 {
        let observations = window
            .iter()
            .zip(&weights)
            .map(|(seen, &weight)| (regressors(seen), seen.cell.height_mm - datum_mm, weight));
        let fit = weighted_least_squares(observations, ridge)?;
        let residual = |seen: &Seen| {
            let row = nalgebra::SVector::from(regressors(seen));
            seen.cell.height_mm - datum_mm - row.dot(&fit.coefficients)
        };
        let mut rests: Vec<f32> = window
            .iter()
            .map(|seen| residual(seen).abs() as f32)
            .collect();
        let reach = 4.685 * (f64::from(median(&mut rests)?) * 1.4826).max(noise_mm / 4.0);
        for (weight, seen) in weights.iter_mut().zip(window) {
            let t = residual(seen) / reach;
            *weight = if t.abs() < 1.0 {
                seen.cell.weight * (1.0 - t * t).powi(2)
            } else {
                0.0
            };
        }
        coefficients = Some(fit.coefficients);
    }
    coefficients.map(|c| Shape {
        tilt_mm: c[1],
        bow_mm: c[2],
    })
}

/// Height in the middle at the window's centre, and how the belt is tilted there: what makes a belt undulate is seldom the same on both its
/// sides.
fn lie(
    window: &[Seen],
    sigma_mm: f64,
    shape: Shape,
    noise_mm: f64,
    sampling: &Sampling,
) -> Option<Lie> {
    let [level_mm, tilt_mm, ..] = trend(window, sigma_mm, shape, noise_mm, sampling)?;
    Some(Lie {
        level_mm: level_mm.0,
        tilt_mm: tilt_mm.0,
        // The level's own, and the tilt's over the belt's width: a third of that at the edge.
        effective: 1.0 / (level_mm.1 + tilt_mm.1 / 3.0),
        reach_mm: 2.0 * std::f64::consts::PI.sqrt() * sigma_mm,
    })
}

/// The belt about the window's centre as level, tilt (mm at the frame's edge), climb and bend (mm at `sigma_mm` along), each with its variance
/// in those of a single sample.
///
/// A mean over a stretch of an undulating belt is flatter than the belt. A line and a parabola along take what is lost into account; they
/// and the tilt are drawn towards none by how belts undulate at most.
fn trend(
    window: &[Seen],
    sigma_mm: f64,
    shape: Shape,
    noise_mm: f64,
    sampling: &Sampling,
) -> Option<[(f64, f64); 4]> {
    let within = |seen: &&Seen| seen.along_mm.abs() <= 3.0 * sigma_mm;
    // The cells of a block are all as far along.
    let last = std::cell::Cell::new((f64::NAN, 0.0));
    let weight = |seen: &Seen| {
        if last.get().0 != seen.along_mm {
            last.set((seen.along_mm, gauss(seen.along_mm / sigma_mm)));
        }
        seen.cell.weight * last.get().1
    };
    let above = |seen: &Seen| seen.cell.height_mm - shape.at(sampling.zone_u[seen.zone]);
    let mut pairs: Vec<(f64, f64)> = window
        .iter()
        .filter(within)
        .map(|seen| (above(seen), weight(seen)))
        .collect();
    // Cells differ by their own median's error and by what the shape leaves: half the noise covers both.
    let (level_mm, _) = tukey_location(&mut pairs, noise_mm / 2.0)?;
    let wave = std::f64::consts::TAU * sigma_mm / WAVE_MM;
    let near = window.iter().filter(within).filter_map(|seen| {
        let (u, v) = (sampling.zone_u[seen.zone], seen.along_mm / sigma_mm);
        let rest_mm = above(seen) - level_mm;
        let gate_mm = noise_mm + WAVE_PRIOR_MM * (wave * v.abs()).min(2.0);
        (rest_mm.abs() <= gate_mm).then_some(([1.0, u, v, v * v], rest_mm, weight(seen)))
    });
    let variance = MEDIAN_VARIANCE * noise_mm * noise_mm;
    let ridge = |prior_mm: f64| variance / (prior_mm * prior_mm);
    let fit = weighted_least_squares(
        near,
        [
            0.0,
            ridge(SWAY_PRIOR_MM),
            ridge(WAVE_PRIOR_MM * wave),
            ridge(WAVE_PRIOR_MM * wave * wave / 2.0),
        ],
    )?;
    let mut found: [(f64, f64); 4] =
        std::array::from_fn(|k| (fit.coefficients[k], fit.cofactor[(k, k)]));
    found[0].0 += level_mm;
    Some(found)
}

/// For each zone, what the cells near a node still show above the belt's trend there and its shape, drawn towards 0 where little is seen.
fn rests_mm(
    window: &[Seen],
    [level_mm, tilt_mm, climb_mm, bend_mm]: &[(f64, f64); 4],
    shape: Shape,
    noise_mm: f64,
    sampling: &Sampling,
) -> Vec<f64> {
    // Along first: what a cell shows and how near it is along are the same for every zone asked about.
    let mut seen_in = vec![(0.0, 0.0); sampling.zones()];
    for seen in window {
        let along = seen.along_mm / REST_ALONG_MM;
        if along.abs() > 3.0 {
            continue;
        }
        let u = sampling.zone_u[seen.zone];
        let common_mm = level_mm.0 + tilt_mm.0 * u + (climb_mm.0 + bend_mm.0 * along) * along;
        let rest_mm = seen.cell.height_mm - common_mm - shape.at(u);
        if rest_mm.abs() > 3.0 * noise_mm {
            continue;
        }
        let weight = seen.cell.weight * gauss(along);
        let (sum, weights) = &mut seen_in[seen.zone];
        *sum += weight * rest_mm;
        *weights += weight;
    }
    const REACH: usize = (3.0 * REST_ACROSS_ZONES) as usize;
    let nearness: [f64; REACH + 1] =
        std::array::from_fn(|zones| gauss(zones as f64 / REST_ACROSS_ZONES));
    let rest_mm = |zone: usize| {
        let near = zone.saturating_sub(REACH)..(zone + REACH + 1).min(seen_in.len());
        let (sum, weights) = near.fold((0.0, REST_PRIOR_SAMPLES), |(sum, weights), other| {
            let nearness = nearness[other.abs_diff(zone)];
            let seen = seen_in[other];
            (sum + nearness * seen.0, weights + nearness * seen.1)
        });
        sum / weights
    };
    (0..seen_in.len()).map(rest_mm).collect()
}

/// How far each zone's belt lies off level and shape, on the mean over the nearest blocks; NaN where none is seen.
fn zone_rests(window: &[Seen], shape: Shape, level_mm: f64, sampling: &Sampling) -> Vec<f32> {
    let mut sums = vec![(0.0, 0.0); sampling.zones()];
    for seen in window
        .iter()
        .filter(|seen| seen.along_mm.abs() <= 1.5 * sampling.block_mm())
    {
        let sum = &mut sums[seen.zone];
        sum.0 += seen.cell.weight
            * (seen.cell.height_mm - level_mm - shape.at(sampling.zone_u[seen.zone]));
        sum.1 += seen.cell.weight;
    }
    sums.into_iter()
        .map(|(sum, weight)| (sum / weight) as f32)
        .collect()
}

fn gauss(t: f64) -> f64 {
    (-0.5 * t * t).exp()
}
