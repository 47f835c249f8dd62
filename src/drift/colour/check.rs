//! The colour check of a target scan.

use super::super::report::{ColourCheck, PatchCheck, TargetPose, Verdict};
use super::bare::{plate_surface, read_rows};
use super::edges;
use super::flat_field::{Surface, flat_field};
use super::frame::View;
use super::patch::{SeenPatch, seen_patch};
use super::words::words;
use crate::calibration::{
    Calibration, ColourCalibration, GeometricErrors, Patch, Registration, Target,
};
use crate::colour::{
    ColourPair, Correction, Lab, balance_gains, delta_e00, fit_matrix, lab_from_linear,
    linear_from_lab,
};
use crate::error::Result;
use crate::scan::Scan;

/// A patch with a larger share of saturated pixels is in no fit, and its colour counts as not known.
const MOST_SATURATED: f64 = 0.02;
/// Largest certified chroma of a neutral patch.
const NEUTRAL_CHROMA: f64 = 3.0;
/// Smallest certified lightness of a patch for the white balance.
const LEAST_NEUTRAL_L: f64 = 30.0;

/// What a colour check starts from.
#[derive(Debug, Clone, Copy)]
pub struct ColourTask<'a> {
    /// The target scan.
    pub scan: &'a Scan,
    /// The target.
    pub target: &'a Target,
    /// Where it lies, from its heights.
    pub pose: TargetPose,
    /// Standard uncertainty of the plate's place across and along, mm.
    pub pose_u_mm: [f64; 2],
    /// The errors of the scanner as found from the same scan.
    pub errors: &'a GeometricErrors,
    /// The calibration in force: its colour correction and registration are checked, its colour camera's place is believed.
    pub calibration: Option<&'a Calibration>,
    /// Largest CIEDE2000 difference that does not matter.
    pub tolerance_de00: f64,
}

/// What a colour check comes to.
#[derive(Debug, Clone, PartialEq)]
pub struct ColourOutcome {
    /// For the report; `None` where no patch could be seen.
    pub check: Option<ColourCheck>,
    /// What to know, most important first.
    pub findings: Vec<String>,
    /// A colour calibration from this scan: the flat field found, or else the one in force, and the matrix fitted after it.
    pub calibration: Option<ColourCalibration>,
    /// The registration from this scan.
    pub registration: Option<Registration>,
}

/// A patch and what was seen of it.
pub(super) struct Pair {
    pub patch: Patch,
    pub seen: SeenPatch,
}

impl Pair {
    fn certified(&self) -> Lab {
        let [l, a, b] = self.patch.lab;
        Lab { l, a, b }
    }

    pub fn saturated(&self) -> bool {
        self.seen.saturated_fraction > MOST_SATURATED
    }
}

/// Looks at every patch of the target in the scan's colour frame.
///
/// Patches are found by the plate's pose, the scanner's errors and the registration, the rest of which is fitted from the
/// patches' borders. Colours are robust means in linear light, corrected as the calibration in force says (but not clipped),
/// against the certified ones. See `docs/methods/drift-colour.md`.
///
/// # Errors
/// The scan has no colour frame, it is damaged, or the calibration's colour correction does not hold together.
pub fn check_colour(task: &ColourTask<'_>) -> Result<ColourOutcome> {
    let target = task.target;
    let view = View::new(
        task.scan,
        target.plate.thickness_mm,
        &task.pose,
        task.errors,
        task.calibration,
    )?;
    let correction = match task.calibration.and_then(|c| c.colour.as_ref()) {
        Some(colour) => Some(Correction::new(
            colour.matrix,
            colour.flat_field.clone(),
            view.width_mm,
        )?),
        None => None,
    };
    let mut belt = Surface::new(view.width_mm);
    let rows = read_rows(task.scan, &view, target, &mut belt)?;
    let mut findings = Vec::new();

    let coarse_mm = edges::coarse_shift_mm(&rows, &view, &target.patches);
    let see = |shift_mm: [f64; 2]| -> Vec<Pair> {
        let seen = target.patches.iter().map(|patch| {
            seen_patch(&rows, &view, patch, shift_mm, correction.as_ref()).map(|seen| Pair {
                patch: *patch,
                seen,
            })
        });
        seen.flatten().collect()
    };
    let bordered: Vec<(Patch, [f64; 3])> = see(coarse_mm)
        .iter()
        .map(|pair| (pair.patch, pair.seen.light))
        .collect();
    let found = edges::find(&rows, &view, &bordered, coarse_mm);
    let shift_mm = found.map_or(coarse_mm, |found| found.shift_mm);
    let pairs = see(shift_mm);
    if pairs.is_empty() {
        findings.push(match target.patches.is_empty() {
            true => "the target has no colour patches: colours were not checked".to_owned(),
            false => {
                "no colour patch lies in the colour frame: colours were not checked".to_owned()
            }
        });
        return Ok(ColourOutcome {
            check: None,
            findings,
            calibration: None,
            registration: None,
        });
    }

    let plate = plate_surface(&rows, &view, target, shift_mm);
    let flat = match flat_field(belt, plate) {
        Ok(flat) => Some(flat),
        Err(reason) => {
            findings.push(format!(
                "how evenly light falls across the belt cannot be told: {reason}"
            ));
            None
        }
    };
    let patches: Vec<PatchCheck> = pairs.iter().map(|pair| patch_check(pair, task)).collect();
    let fit = Fit::new(&pairs, flat.as_ref(), &view, task);
    let max_de00 = patches.iter().fold(0.0, |most: f64, p| most.max(p.de00));
    let check = ColourCheck {
        verdict: verdict(&pairs, task, target.patches.len()),
        max_de00,
        tolerance_de00: task.tolerance_de00,
        registration_mm: found.map(|f| f.shift_mm.map(|shift| -shift)),
        registration_u_mm: found
            .map(|f| [0, 1].map(|axis| f.u_mm[axis].hypot(task.pose_u_mm[axis]))),
        white_balance: fit.white_balance,
        matrix: fit.matrix,
        corrected_max_de00: fit.left_de00,
        flat_field: flat.clone(),
        patches,
    };
    let mut said = words(&pairs, &check, &view, task);
    said.extend(
        fit.refused
            .map(|reason| format!("no colour correction was fitted: {reason}")),
    );
    said.append(&mut findings);
    let in_force = task.calibration.and_then(|c| c.colour.as_ref());
    let before = task.calibration.map(|c| c.registration).unwrap_or_default();
    Ok(ColourOutcome {
        findings: said,
        calibration: fit.matrix.map(|matrix| ColourCalibration {
            matrix,
            flat_field: flat
                .or_else(|| in_force.map(|colour| colour.flat_field.clone()))
                .unwrap_or_default(),
        }),
        registration: found.map(|f| Registration {
            dx_mm: before.dx_mm - f.shift_mm[0],
            dy_mm: before.dy_mm - f.shift_mm[1],
        }),
        check: Some(check),
    })
}

/// A patch's light as measuring sees it, before anything is clipped.
fn corrected(even: [f64; 3], calibration: Option<&Calibration>) -> [f64; 3] {
    match calibration.and_then(|c| c.colour.as_ref()) {
        Some(colour) => multiplied(&colour.matrix, even),
        None => even,
    }
}

fn multiplied(matrix: &[[f64; 3]; 3], light: [f64; 3]) -> [f64; 3] {
    matrix.map(|row| row[0] * light[0] + row[1] * light[1] + row[2] * light[2])
}

fn patch_check(pair: &Pair, task: &ColourTask<'_>) -> PatchCheck {
    let lab = lab_from_linear(corrected(pair.seen.even, task.calibration));
    PatchCheck {
        x_mm: pair.patch.x_mm,
        y_mm: pair.patch.y_mm,
        lab: [lab.l, lab.a, lab.b],
        certified_lab: pair.patch.lab,
        de00: delta_e00(lab, pair.certified()),
        saturated_fraction: pair.seen.saturated_fraction,
        pixels: pair.seen.pixels as u64,
    }
}

/// Standard uncertainty of a patch's CIEDE2000 difference from that of its light.
fn de00_u(pair: &Pair, task: &ColourTask<'_>) -> f64 {
    let de00 = |even: [f64; 3]| {
        delta_e00(
            lab_from_linear(corrected(even, task.calibration)),
            pair.certified(),
        )
    };
    let middle = de00(pair.seen.even);
    (0..3)
        .map(|channel| {
            let mut moved = pair.seen.even;
            moved[channel] += pair.seen.light_u[channel];
            (de00(moved) - middle).powi(2)
        })
        .sum::<f64>()
        .sqrt()
}

/// In tolerance only if every patch with its expanded uncertainty (k = 2) is, out if one is with it outside.
fn verdict(pairs: &[Pair], task: &ColourTask<'_>, patches: usize) -> Verdict {
    let known = pairs.iter().filter(|pair| !pair.saturated());
    let ranges: Vec<(f64, f64)> = known
        .map(|pair| {
            let (value, u) = (patch_check(pair, task).de00, de00_u(pair, task));
            (value - 2.0 * u, value + 2.0 * u)
        })
        .collect();
    if ranges.iter().any(|(low, _)| *low > task.tolerance_de00) {
        Verdict::OutOfTolerance
    } else if ranges.len() == patches && ranges.iter().all(|(_, high)| *high <= task.tolerance_de00)
    {
        Verdict::InTolerance
    } else {
        Verdict::Warning
    }
}

/// White balance and matrix fitted to this scan.
struct Fit {
    white_balance: Option<[f64; 3]>,
    matrix: Option<[[f64; 3]; 3]>,
    left_de00: Option<f64>,
    refused: Option<String>,
}

impl Fit {
    fn new(
        pairs: &[Pair],
        flat: Option<&[Vec<f64>; 3]>,
        view: &View,
        task: &ColourTask<'_>,
    ) -> Self {
        let in_force = task.calibration.and_then(|c| c.colour.as_ref());
        let even = |pair: &Pair| -> [f64; 3] {
            match flat {
                // The flat field found here, in place of the one in force.
                Some(flat) => {
                    let unit = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
                    match Correction::new(unit, flat.clone(), view.width_mm) {
                        Ok(correction) => {
                            let gain = correction.gain_at(pair.seen.x_mm);
                            std::array::from_fn(|c| pair.seen.light[c] * f64::from(gain[c]))
                        }
                        Err(_) => pair.seen.light,
                    }
                }
                None if in_force.is_some() => pair.seen.even,
                None => pair.seen.light,
            }
        };
        let known: Vec<(&Pair, ColourPair)> = pairs
            .iter()
            .filter(|pair| !pair.saturated())
            .map(|pair| {
                let wanted = linear_from_lab(pair.certified());
                (
                    pair,
                    ColourPair {
                        seen: even(pair),
                        wanted,
                    },
                )
            })
            .collect();
        let neutral = |pair: &Pair| {
            let [l, a, b] = pair.patch.lab;
            l >= LEAST_NEUTRAL_L && a.hypot(b) <= NEUTRAL_CHROMA
        };
        let neutrals: Vec<ColourPair> = known
            .iter()
            .filter(|(pair, _)| neutral(pair))
            .map(|(_, colours)| *colours)
            .collect();
        let all: Vec<ColourPair> = known.iter().map(|(_, colours)| *colours).collect();
        let (matrix, refused) = match fit_matrix(&all, None) {
            Ok(matrix) => (Some(matrix), None),
            Err(error) => (None, Some(error.to_string())),
        };
        let left_de00 = matrix.map(|matrix| {
            known.iter().fold(0.0, |most: f64, (pair, colours)| {
                let lab = lab_from_linear(multiplied(&matrix, colours.seen));
                most.max(delta_e00(lab, pair.certified()))
            })
        });
        Self {
            white_balance: balance_gains(&neutrals).map(|gains| gains.map(|gain| gain / gains[1])),
            matrix,
            left_de00,
            refused,
        }
    }
}
