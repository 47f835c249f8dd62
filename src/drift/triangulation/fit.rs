//! Lens distortion and homography from stripes on a target.

use nalgebra::{DMatrix, DVector};

use super::super::report::TargetPose;
use super::model::{COMMON, OF_SCAN, State};
use super::samples::StripeSample;
use crate::calibration::{FrameGeometry, GeometricErrors, Target, Triangulation};
use crate::error::{Error, ErrorKind, Result};
use crate::stats::mad_sd;

/// Fewest samples of all scans together.
const LEAST_SAMPLES: usize = 500;
/// Rounds of weights and steps.
const MOST_ROUNDS: usize = 60;
/// Tukey's constant (Mosteller and Tukey 1977).
const BIWEIGHT_C: f64 = 4.685;
/// Largest residual of a fit that is a calibration, root mean square, mm (four times the noise of a common stripe scanner; our own choice).
const MOST_RESIDUAL_MM: f64 = 0.3;
/// Largest uncertainty of a point of the laser plane, root mean square over what was seen, mm.
const MOST_FIELD_U_MM: f64 = 0.05;
/// How firmly the start's place across is held at one point, mm.
const HELD_MM: f64 = 1e-4;
/// Least share of the samples that must lie on the target.
const LEAST_ON_TARGET: f64 = 0.05;

/// Stripes of one target scan.
#[derive(Debug, Clone, PartialEq)]
pub struct StripeScan {
    /// What was seen, thinned.
    pub samples: Vec<StripeSample>,
    /// Where the target lies, to a few mm and 20 mrad.
    pub pose: TargetPose,
}

/// A fitted triangulation.
#[derive(Debug, Clone, PartialEq)]
pub struct TriangulationFit {
    /// Camera matrix as it was given, k1, k2 and homography as fitted.
    pub triangulation: Triangulation,
    /// Errors of the transport that the same scans show: along_scale, pitch, skew and lean; the others are in the homography.
    pub errors: GeometricErrors,
    /// Where the target lay in each scan.
    pub poses: Vec<TargetPose>,
    /// Root mean square distance of the samples from the surface, mm.
    pub residual_rms_mm: f64,
    /// Standard uncertainty of a point's x and z, root mean square over the samples, mm, from the fit alone.
    pub field_u_mm: [f64; 2],
    /// Samples that carried the fit.
    pub samples: u64,
    /// What these scans cannot tell.
    pub findings: Vec<String>,
}

/// One round: the weighted normal equations and how well the samples fit.
struct Round {
    normal: DMatrix<f64>,
    right: DVector<f64>,
    /// Mean weighted loss.
    loss: f64,
    scale_mm: f64,
    squares: f64,
    weight: f64,
    used: usize,
    on_target: usize,
}

/// Fits k1, k2 and the homography so that stripes lie on the target's surface, together with the target's place in each
/// scan and what the transport adds (along_scale, pitch, skew, lean).
///
/// Levenberg–Marquardt on point-to-surface distances with Tukey's weights, started at `start` and the scans' poses. The camera
/// matrix is held: see `docs/methods/drift-colour.md` for what one plane can tell. Where the target lies is not known, so the
/// place across of the point below the start's principal point is held too.
///
/// # Errors
/// [`ErrorKind::Unmeasurable`] with too few samples, samples that lie on no target, or a fit too poor to measure with.
pub fn fit_triangulation(
    scans: &[StripeScan],
    target: &Target,
    frame: &FrameGeometry,
    start: &Triangulation,
) -> Result<TriangulationFit> {
    let count: usize = scans.iter().map(|scan| scan.samples.len()).sum();
    if count < LEAST_SAMPLES {
        return Err(
            poor(format!("{count} stripe samples in {} scans", scans.len()))
                .expected("expected some thousands: scan the target whole"),
        );
    }
    let poses = scans.iter().map(|scan| scan.pose).collect();
    let held = Held::new(start)?;
    let mut state = State::new(start, poses)
        .ok_or_else(|| poor("the start's homography maps the sensor's middle to nowhere".into()))?;
    let mut scale_mm = f64::INFINITY;
    let mut damping = 1e-3;
    let mut round = Round::new(&state, scans, target, frame, &held, scale_mm);
    for _ in 0..MOST_ROUNDS {
        scale_mm = round.scale_mm.max(1e-6);
        round = Round::new(&state, scans, target, frame, &held, scale_mm);
        if round.used < LEAST_SAMPLES / 2 {
            break;
        }
        let mut moved = 0.0;
        for _ in 0..8 {
            let Some(step) = round.step(damping) else {
                damping *= 10.0;
                continue;
            };
            let next = state.moved(step.as_slice());
            let after = Round::new(&next, scans, target, frame, &held, scale_mm);
            if after.loss < round.loss {
                moved = (round.loss - after.loss) / round.loss.max(1e-300);
                state = next;
                round = after;
                damping = (damping * 0.2).max(1e-12);
                break;
            }
            damping *= 8.0;
        }
        if moved < 1e-9 {
            break;
        }
    }
    outcome(&state, &round, scans)
}

fn poor(found: String) -> Error {
    Error::new(ErrorKind::Unmeasurable, found).key("triangulation")
}

/// The point whose place across is held.
struct Held {
    pixel: [f64; 2],
    x_mm: f64,
}

impl Held {
    fn new(start: &Triangulation) -> Result<Self> {
        let pixel = [start.camera_matrix[0][2], start.camera_matrix[1][2]];
        let place = start.to_plane(pixel[0], pixel[1]).ok_or_else(|| {
            poor("the start's homography maps the principal point to nowhere".into())
        })?;
        Ok(Self {
            pixel,
            x_mm: place.x_mm,
        })
    }
}

impl Round {
    fn new(
        state: &State,
        scans: &[StripeScan],
        target: &Target,
        frame: &FrameGeometry,
        held: &Held,
        scale_mm: f64,
    ) -> Self {
        let size = state.parameters();
        let lens = state.triangulation();
        let mut round = Self {
            normal: DMatrix::zeros(size, size),
            right: DVector::zeros(size),
            loss: 0.0,
            scale_mm: 0.0,
            squares: 0.0,
            weight: 0.0,
            used: 0,
            on_target: 0,
        };
        let mut distances: Vec<f32> = Vec::new();
        let reach_mm = BIWEIGHT_C * scale_mm;
        let mut all = 0.0;
        for (number, scan) in scans.iter().enumerate() {
            for sample in &scan.samples {
                let Some((distance, common, own)) =
                    state.distance(&lens, number, sample, target, frame)
                else {
                    continue;
                };
                distances.push(distance as f32);
                all += 1.0;
                let u = distance / reach_mm;
                // Tukey's loss, 1 beyond its reach; without a scale yet, plain squares.
                round.loss += if scale_mm.is_finite() {
                    if u.abs() < 1.0 {
                        1.0 - (1.0 - u * u).powi(3)
                    } else {
                        1.0
                    }
                } else {
                    distance * distance
                };
                if u.abs() >= 1.0 {
                    continue;
                }
                let weight = (1.0 - u * u).powi(2);
                round.add(number, distance, &common, &own, weight);
                round.squares += weight * distance * distance;
                round.weight += weight;
                round.used += 1;
                round.on_target += usize::from(own.iter().any(|by| *by != 0.0));
            }
        }
        round.loss /= f64::max(all, 1.0);
        round.scale_mm = mad_sd(&mut distances, 0.0).unwrap_or(0.0);
        if let Some(place) = state.place(&lens, held.pixel[0], held.pixel[1]) {
            let mut common = [0.0; COMMON];
            common[..10].copy_from_slice(&place.x_by);
            // In the units of the samples' weights: as many of them as 1/HELD² would be.
            let noise = round.scale_mm.max(1e-6);
            let weight = (noise / HELD_MM).powi(2);
            round.add(0, place.x_mm - held.x_mm, &common, &[0.0; OF_SCAN], weight);
        }
        round
    }

    fn add(
        &mut self,
        scan: usize,
        distance: f64,
        common: &[f64; COMMON],
        own: &[f64; OF_SCAN],
        weight: f64,
    ) {
        let first = COMMON + scan * OF_SCAN;
        let entry = |i: usize| {
            if i < COMMON {
                common[i]
            } else {
                own[i - COMMON]
            }
        };
        let index = |i: usize| if i < COMMON { i } else { first + i - COMMON };
        for i in 0..COMMON + OF_SCAN {
            let a = weight * entry(i);
            self.right[index(i)] -= a * distance;
            for j in 0..=i {
                self.normal[(index(i), index(j))] += a * entry(j);
            }
        }
    }

    /// The normal matrix with its upper half filled, rows and columns scaled to a diagonal of 1, and those scales.
    fn scaled(&self) -> Option<(DMatrix<f64>, DVector<f64>)> {
        let scales = self.normal.diagonal().map(|d| d.sqrt());
        if !scales.iter().all(|s| *s > 0.0 && s.is_finite()) {
            return None;
        }
        let mut normal = self.normal.clone();
        normal.fill_upper_triangle_with_lower_triangle();
        let (rows, columns) = normal.shape();
        let unit = DMatrix::from_fn(rows, columns, |r, c| {
            normal[(r, c)] / (scales[r] * scales[c])
        });
        Some((unit, scales))
    }

    fn step(&self, damping: f64) -> Option<DVector<f64>> {
        let (mut unit, scales) = self.scaled()?;
        for i in 0..unit.nrows() {
            unit[(i, i)] += damping;
        }
        let right = self.right.component_div(&scales);
        let step = unit.cholesky()?.solve(&right).component_div(&scales);
        step.iter().all(|value| value.is_finite()).then_some(step)
    }

    fn covariance(&self, variance: f64) -> Option<DMatrix<f64>> {
        let (unit, scales) = self.scaled()?;
        let inverse = unit.cholesky()?.inverse();
        let (rows, columns) = inverse.shape();
        Some(DMatrix::from_fn(rows, columns, |r, c| {
            variance * inverse[(r, c)] / (scales[r] * scales[c])
        }))
    }
}

fn outcome(state: &State, round: &Round, scans: &[StripeScan]) -> Result<TriangulationFit> {
    let better = "expected whole scans of the right target, and a start that is right to a few mm over the field";
    if round.used < LEAST_SAMPLES / 2
        || (round.on_target as f64) < LEAST_ON_TARGET * round.used as f64
    {
        return Err(poor(format!(
            "{} of {} stripe samples agree with belt and target, {} of them on slopes",
            round.used,
            scans.iter().map(|scan| scan.samples.len()).sum::<usize>(),
            round.on_target
        ))
        .expected(better));
    }
    let variance = round.squares / round.weight.max(1.0);
    let residual_rms_mm = variance.sqrt();
    if residual_rms_mm > MOST_RESIDUAL_MM {
        return Err(poor(format!(
            "stripes lie {residual_rms_mm:.2} mm (root mean square) from the target after the fit"
        ))
        .expected(better));
    }
    let unclear = || {
        poor(
            "these scans cannot tell the triangulation: some of its numbers do without each other"
                .into(),
        )
        .expected(
            "expected scans in which the target covers more of the field, at two or more places",
        )
    };
    let covariance = round.covariance(variance).ok_or_else(unclear)?;
    let triangulation = state.triangulation();
    let field_u_mm = field_u_mm(state, &triangulation, scans, &covariance);
    if field_u_mm
        .iter()
        .any(|u| u.is_nan() || *u > MOST_FIELD_U_MM)
    {
        return Err(unclear());
    }
    let c = &state.common;
    Ok(TriangulationFit {
        triangulation,
        errors: GeometricErrors {
            along_scale: 1.0 + c[10],
            skew_mrad: 1e3 * c[11],
            lean_mrad: 1e3 * c[12],
            pitch_mrad: 1e3 * c[13],
            ..GeometricErrors::NONE
        },
        poses: state.poses.clone(),
        residual_rms_mm,
        field_u_mm,
        samples: round.used as u64,
        findings: vec![
            "focal lengths and principal point are held at their given values: one laser plane cannot tell them from the \
             homography"
                .to_owned(),
            "where x = 0 lies is held as it was: a target of unknown place does not tell it".to_owned(),
        ],
    })
}

/// Root mean square over samples of the standard uncertainties of x and z.
fn field_u_mm(
    state: &State,
    lens: &Triangulation,
    scans: &[StripeScan],
    covariance: &DMatrix<f64>,
) -> [f64; 2] {
    let (mut squares, mut count) = ([0.0; 2], 0.0);
    let samples = scans.iter().flat_map(|scan| &scan.samples);
    for sample in samples.step_by(97) {
        let Some(place) = state.place(lens, sample.column, sample.row_px) else {
            continue;
        };
        count += 1.0;
        for (square, by) in squares.iter_mut().zip([place.x_by, place.z_by]) {
            for (i, a) in by.iter().enumerate() {
                for (j, b) in by.iter().enumerate() {
                    *square += a * covariance[(i, j)] * b;
                }
            }
        }
    }
    squares.map(|square| (square / count).sqrt())
}
