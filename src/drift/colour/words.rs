//! A colour check in words.

use super::super::report::{ColourCheck, Verdict};
use super::check::{ColourTask, Pair};
use super::frame::View;

/// Change of the light's course that is worth a word.
const FLAT_FIELD_CHANGE: f64 = 0.03;

/// What to know of a check, most important first.
pub(super) fn words(
    pairs: &[Pair],
    check: &ColourCheck,
    view: &View,
    task: &ColourTask<'_>,
) -> Vec<String> {
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn courses_of_different_stations_are_compared_place_by_place() {
        let now = [0, 1, 2].map(|_| vec![0.8, 0.9, 1.0, 0.9, 0.8]);
        let before = [0, 1, 2].map(|_| vec![0.8, 1.0, 0.8]);
        assert!(course_change(&now, &before).expect("both known") < 1e-12);
        let dirty = [vec![0.8, 0.9, 1.0, 0.9, 0.6], vec![], vec![]];
        assert!(course_change(&dirty, &before).expect("red known") > 0.15);
        assert_eq!(course_change(&now, &[vec![], vec![], vec![]]), None);
    }
}
