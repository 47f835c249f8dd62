//! The colour check of a target scan.

use super::super::report::{ColourCheck, PatchCheck, TargetPose, Verdict};
use super::edges;
use super::flat_field::{Surface, flat_field};
use super::frame::{Rows, View, linear};
use super::patch::{SeenPatch, seen_patch};
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
/// Rows held before and behind the plate, mm.
const MARGIN_MM: f64 = 12.0;
/// Belt nearer to the plate than this may lie in its shadow, mm.
const BELT_MARGIN_MM: f64 = 15.0;
/// The plate's own surface nearer than this to its rim or anything on it is not used, mm.
const PLATE_MARGIN_MM: f64 = 2.0;
/// About so many samples across and along are enough for the flat field.
const SAMPLES: [usize; 2] = [1000, 200];
/// Change of the light's course that is worth a word.
const FLAT_FIELD_CHANGE: f64 = 0.03;

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
struct Pair {
    patch: Patch,
    seen: SeenPatch,
}

impl Pair {
    fn certified(&self) -> Lab {
        let [l, a, b] = self.patch.lab;
        Lab { l, a, b }
    }

    fn saturated(&self) -> bool {
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

/// Holds the rows that show the plate and samples the bare belt everywhere.
fn read_rows(scan: &Scan, view: &View, target: &Target, belt: &mut Surface) -> Result<Rows> {
    let plate = &target.plate;
    let corners = [
        [-MARGIN_MM, -MARGIN_MM],
        [plate.across_mm + MARGIN_MM, -MARGIN_MM],
        [-MARGIN_MM, plate.along_mm + MARGIN_MM],
        [plate.across_mm + MARGIN_MM, plate.along_mm + MARGIN_MM],
    ]
    .map(|corner| view.pixel(view.place.apply(corner))[1]);
    let low = corners
        .iter()
        .copied()
        .fold(f64::INFINITY, f64::min)
        .max(0.0);
    let high = corners.iter().copied().fold(0.0, f64::max);
    let size = scan.colour_size;
    let (all, columns) = size.map_or((0, 0), |size| (size.rows, size.columns));
    let held = (low as usize, ((high.ceil() as usize) + 1).min(all));
    let steps = [(columns / SAMPLES[0]).max(1), (all / SAMPLES[1]).max(1)];
    let near = |value: f64, size: f64| -BELT_MARGIN_MM < value && value < size + BELT_MARGIN_MM;
    Rows::read(scan, held, |first, rgb| {
        for (index, row) in rgb.chunks_exact((columns * 3).max(3)).enumerate() {
            if !(first + index).is_multiple_of(steps[1]) {
                continue;
            }
            for (column, pixel) in row.as_chunks::<3>().0.iter().enumerate().step_by(steps[0]) {
                let place = view.place_of(column as f64, (first + index) as f64);
                let [u, v] = view.place.invert(place);
                if !(near(u, plate.across_mm) && near(v, plate.along_mm)) {
                    belt.add(place[0], linear(*pixel));
                }
            }
        }
    })
}

/// Samples the plate's own surface, away from all that stands or is painted on it.
fn plate_surface(rows: &Rows, view: &View, target: &Target, shift_mm: [f64; 2]) -> Surface {
    let mut surface = Surface::new(view.width_mm);
    let step = [
        (rows.columns / SAMPLES[0]).max(1),
        (rows.count / SAMPLES[1]).max(1),
    ];
    for row in (rows.first..rows.first + rows.count).step_by(step[1]) {
        for column in (0..rows.columns).step_by(step[0]) {
            let place = view.place_of(column as f64, row as f64);
            let on_plate = view
                .place
                .invert([place[0] - shift_mm[0], place[1] - shift_mm[1]]);
            if is_bare(target, on_plate)
                && let Some(raw) = rows.raw(column, row)
            {
                surface.add(place[0], linear(raw));
            }
        }
    }
    surface
}

/// Whether a point lies on the plate and on nothing else.
fn is_bare(target: &Target, [u, v]: [f64; 2]) -> bool {
    let margin = PLATE_MARGIN_MM;
    let plate = &target.plate;
    let within = |value: f64, size: f64| margin < value && value < size - margin;
    let on = |x: f64, y: f64, half_x: f64, half_y: f64| {
        (u - x).abs() < half_x + margin && (v - y).abs() < half_y + margin
    };
    within(u, plate.across_mm)
        && within(v, plate.along_mm)
        && !target
            .frustums
            .iter()
            .any(|f| on(f.x_mm, f.y_mm, 0.5 * f.base_mm, 0.5 * f.base_mm))
        && !target
            .steps
            .iter()
            .any(|s| on(s.x_mm, s.y_mm, 0.5 * s.across_mm, 0.5 * s.along_mm))
        && !target
            .spheres
            .iter()
            .any(|s| on(s.x_mm, s.y_mm, s.radius_mm, s.radius_mm))
        && !target
            .patches
            .iter()
            .any(|p| on(p.x_mm, p.y_mm, 0.5 * p.size_mm, 0.5 * p.size_mm))
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

/// What to know of a check, most important first.
fn words(pairs: &[Pair], check: &ColourCheck, view: &View, task: &ColourTask<'_>) -> Vec<String> {
    let mut said = Vec::new();
    for pair in pairs.iter().filter(|pair| pair.saturated()) {
        said.push(format!(
            "patch at ({}, {}) mm is saturated on {:.0} % of its pixels: its colour is not known; lower exposure or gain",
            pair.patch.x_mm,
            pair.patch.y_mm,
            100.0 * pair.seen.saturated_fraction
        ));
    }
    let hidden = task.target.patches.len() - pairs.len();
    if hidden > 0 {
        said.push(format!(
            "{hidden} of {} colour patches do not lie in the colour frame or are too small for its pixels",
            task.target.patches.len()
        ));
    }
    let worst = check
        .patches
        .iter()
        .max_by(|a, b| a.de00.total_cmp(&b.de00));
    if let (Some(worst), true) = (worst, check.verdict != Verdict::InTolerance) {
        said.push(format!(
            "largest colour difference {:.1} (CIEDE2000, tolerance {:.1}) at the patch at ({}, {}) mm{}",
            worst.de00,
            check.tolerance_de00,
            worst.x_mm,
            worst.y_mm,
            match check.corrected_max_de00 {
                Some(left) => format!(
                    "; {left:.1} would be left with a correction fitted to this scan: clean lamps, windows and the target's \
                     patches first, then calibrate"
                ),
                None => String::new(),
            }
        ));
    }
    if let (Some(shift), Some(u)) = (check.registration_mm, check.registration_u_mm) {
        let far = |axis: usize| shift[axis].abs() > (0.5 * view.pixel_mm()).max(2.0 * u[axis]);
        if far(0) || far(1) {
            said.push(format!(
                "the colour frame lies {:+.2} mm across and {:+.2} mm along beside where the calibration puts it: classes \
                 at borders are looked up beside their place",
                shift[0], shift[1]
            ));
        }
    } else {
        said.push("too few patch borders to tell where the colour frame lies".to_owned());
    }
    let in_force = task.calibration.and_then(|c| c.colour.as_ref());
    if let (Some(now), Some(before)) = (&check.flat_field, in_force)
        && let Some(change) = course_change(now, &before.flat_field)
        && change > FLAT_FIELD_CHANGE
    {
        said.push(format!(
            "the light's course across the belt has changed by up to {:.0} % since the calibration: look for dirt on lamps \
             and windows",
            100.0 * change
        ));
    }
    said
}

/// Largest relative difference of two flat fields, each over its mean; `None` where the second states nothing.
fn course_change(now: &[Vec<f64>; 3], before: &[Vec<f64>; 3]) -> Option<f64> {
    let mut most: Option<f64> = None;
    for (now, before) in now.iter().zip(before) {
        if before.is_empty() || now.len() < 2 {
            continue;
        }
        let old: Vec<f64> = (0..now.len())
            .map(|i| {
                let place = i as f64 / (now.len() - 1) as f64 * (before.len() - 1) as f64;
                let node = (place as usize).min(before.len() - 1);
                let next = (node + 1).min(before.len() - 1);
                before[node] + (before[next] - before[node]) * (place - node as f64)
            })
            .collect();
        let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
        let (now_mean, old_mean) = (mean(now), mean(&old));
        for (new, old) in now.iter().zip(&old) {
            let change = ((new / now_mean) / (old / old_mean) - 1.0).abs();
            most = Some(most.map_or(change, |m| m.max(change)));
        }
    }
    most
}
