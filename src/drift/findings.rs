//! What was found, in words: which error moved, by how much, what commonly does that, and what to do.

use super::report::{ParameterCheck, Verdict};

/// How an error is called, what commonly moves it, and what to look at. Causes are common practice, no source.
struct Meaning {
    name: &'static str,
    called: &'static str,
    cause: &'static str,
    look: &'static str,
}

const MEANINGS: [Meaning; 9] = [
    Meaning {
        name: "across_scale",
        called: "scale across the belt",
        cause: "a camera that moved nearer or farther, or another lens or focus",
        look: "the camera's bracket and the lens's locking screws",
    },
    Meaning {
        name: "along_scale",
        called: "scale along the belt",
        cause: "another drive roller, a worn or slipping encoder wheel or coupling, or a wrong number of pulses per mm",
        look: "encoder wheel, coupling and the pulses-per-mm setting",
    },
    Meaning {
        name: "height_scale",
        called: "height scale",
        cause: "a changed angle between camera and laser",
        look: "the brackets of camera and laser",
    },
    Meaning {
        name: "height_offset_mm",
        called: "height offset",
        cause: "a raised or lowered scanner head, a thicker or thinner belt, or a new belt bed",
        look: "the head's height and the belt; measuring finds the belt anew in every scan, so this matters little by itself",
    },
    Meaning {
        name: "roll_mrad",
        called: "tilt across (roll)",
        cause: "a scanner head knocked sideways, or a belt bed no longer level across",
        look: "the head's mounting and the belt bed under it",
    },
    Meaning {
        name: "pitch_mrad",
        called: "tilt along (pitch)",
        cause: "a belt that rises or sags under the head, or a target that rocked",
        look: "belt tension and support rollers",
    },
    Meaning {
        name: "bow_mm",
        called: "bow across the belt",
        cause: "a belt bed or rollers worn in the middle, or a lens that changed",
        look: "belt bed and rollers under the head",
    },
    Meaning {
        name: "skew_mrad",
        called: "skew",
        cause: "a laser line no longer square to the belt's travel: laser or head turned, or the belt runs off",
        look: "the laser's turn and the belt's tracking",
    },
    Meaning {
        name: "lean_mrad",
        called: "lean",
        cause: "a laser plane no longer upright: the laser tipped along the belt",
        look: "the laser's tilt",
    },
];

/// The findings of a check, most important first.
pub(super) fn findings(
    parameters: &[ParameterCheck],
    notes: &[String],
    compared: &str,
) -> Vec<String> {
    let mut found = Vec::new();
    let with = |verdict: Verdict| {
        parameters
            .iter()
            .filter(move |p| p.verdict == verdict && p.change.is_some())
    };
    let moved: Vec<&ParameterCheck> = with(Verdict::OutOfTolerance).collect();
    found.extend(together(&moved));
    for p in &moved {
        found.push(format!(
            "{}: what {} does; look at {}",
            said(p, compared),
            cause(p),
            look(p)
        ));
    }
    for p in with(Verdict::Warning) {
        found.push(format!(
            "{}: not decided, the uncertainty reaches over the tolerance of {}; scan the target again",
            said(p, compared),
            amount(p, p.tolerance, false)
        ));
    }
    for p in parameters.iter().filter(|p| p.value.is_none()) {
        let why = p.remark.as_deref().unwrap_or("not told by this scan");
        found.push(format!("{} ({}): {why}", called(p), p.name));
    }
    found.extend(notes.iter().cloned());
    let good = with(Verdict::InTolerance).count();
    if good == parameters.len() {
        found.push(format!("all {good} errors in tolerance against {compared}"));
    } else if 0 < good {
        found.push(format!(
            "{good} of {} errors in tolerance",
            parameters.len()
        ));
    }
    found
}

/// Errors that move together have one cause.
fn together(moved: &[&ParameterCheck]) -> Vec<String> {
    let change = |name: &str| moved.iter().find(|p| p.name == name).and_then(|p| p.change);
    let mut found = Vec::new();
    if let (Some(across), Some(height)) = (change("across_scale"), change("height_scale"))
        && 0.0 < across * height
    {
        found.push(
            "scale across and height scale moved the same way: what a changed working distance or lens does; look at the camera's height and focus first"
                .to_string(),
        );
    }
    if change("roll_mrad").is_some() && change("height_scale").is_some() {
        found.push(
            "tilt across and height scale moved in one check: what a knocked camera bracket does; look at the brackets first".to_string(),
        );
    }
    found
}

fn meaning(p: &ParameterCheck) -> Option<&'static Meaning> {
    MEANINGS.iter().find(|m| m.name == p.name)
}

fn called(p: &ParameterCheck) -> &str {
    meaning(p).map_or(&p.name, |m| m.called)
}

fn cause(p: &ParameterCheck) -> &'static str {
    meaning(p).map_or("an unknown cause", |m| m.cause)
}

fn look(p: &ParameterCheck) -> &'static str {
    meaning(p).map_or("the scanner", |m| m.look)
}

/// `scale along the belt +0.31 % (± 0.01 %) since calibration.toml`.
fn said(p: &ParameterCheck, compared: &str) -> String {
    let change = p.change.unwrap_or(0.0);
    let expanded = super::verdict::COVERAGE_FACTOR * p.u.unwrap_or(0.0);
    format!(
        "{} {} ± {} against {compared}",
        called(p),
        amount(p, change, true),
        amount(p, expanded, false)
    )
}

/// A value with its unit, scales as percent.
fn amount(p: &ParameterCheck, value: f64, signed: bool) -> String {
    let (value, unit, decimals) = match p.unit.as_str() {
        "1" => (100.0 * value, "%", 3),
        "mm" => (value, "mm", 3),
        _ => (value, "mrad", 2),
    };
    if signed {
        format!("{value:+.decimals$} {unit}")
    } else {
        format!("{value:.decimals$} {unit}")
    }
}

/// Cautions for whoever goes to the machine. Local rules come first.
pub(super) fn cautions(verdict: Verdict) -> Vec<String> {
    let mut cautions = vec![
        "Placing and fetching the target: stop and lock out belt, blades and presses before reaching in; the plant's rules and the maker's instructions come first."
            .to_string(),
        "A target on a food belt must be made for it and clean, or the belt is cleaned afterwards.".to_string(),
    ];
    if verdict != Verdict::InTolerance {
        cautions.push(
            "Before adjusting camera or laser: switch the laser off or keep its guards on, do not look along the line; covers wet from wash-down are opened with the power off; a trained person does it."
                .to_string(),
        );
    }
    cautions
}
