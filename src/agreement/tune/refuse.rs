//! When weighings do not carry a fit.

use super::tuning::TuneSettings;
use crate::agreement::PairedPiece;
use crate::agreement::causes::{Cause, CauseSettings, Causes, find_causes};
use crate::{Error, ErrorKind, Result};

/// Grams at the mean piece, relative, from which on a cause that no profile can hold refuses the fit.
const MATTERS: f64 = 0.003;
/// Largest share of doubtful matches, and of pairs too far off.
const MOST_DOUBTFUL: f64 = 0.2;
const MOST_FAR_OFF: f64 = 0.1;

/// Whether a profile's scale, offset, densities or depths can take this cause up.
fn is_tunable(cause: &Cause) -> bool {
    matches!(
        cause,
        Cause::DensityOrScale | Cause::Density | Cause::Class { .. } | Cause::FixedMass
    )
}

/// Refuses pairs whose differences come from something that a profile must not hide; gives warnings otherwise.
pub(super) fn look_at_causes(
    pairs: &[PairedPiece],
    settings: &TuneSettings,
) -> Result<Vec<String>> {
    let causes = find_causes(
        pairs,
        &CauseSettings {
            scale_sd_g: settings.scale_sd_g,
            check: settings.check,
        },
    )?;
    far_off(&causes)?;
    let mut warnings = Vec::new();
    for named in &causes.named {
        let others: Vec<&Cause> = named.confounded_with.iter().map(|it| &it.cause).collect();
        let all_tunable = is_tunable(&named.cause) && others.iter().all(|it| is_tunable(it));
        if all_tunable {
            continue;
        }
        let confounded = match others.as_slice() {
            [] => String::new(),
            others => {
                let names: Vec<String> = others.iter().map(|it| it.name()).collect();
                format!(" (or {}: the data cannot tell)", names.join(", or "))
            }
        };
        let found = format!(
            "the differences come from {}{confounded}: {:.2} g a piece",
            named.cause.name(),
            named.effect_g.value
        );
        let matters = named.effect_g.value.abs() > MATTERS * causes.mean_weighed_g;
        if matters && !settings.accept_causes {
            return Err(Error::new(ErrorKind::Unmeasurable, found).expected(format!(
                "a profile fitted to these pieces would hide that; {}; or fit a part of the time, or accept it",
                named.advice.first().map_or("mend it first", String::as_str)
            )));
        }
        warnings.push(format!("{found}; the fit averages over it"));
    }
    if settings.check.is_none() {
        warnings.push(
            "no target check was given: if the scanner's scales are off, this profile now hides it"
                .to_owned(),
        );
    }
    Ok(warnings)
}

fn far_off(causes: &Causes) -> Result<()> {
    let all = causes.pairs + causes.matching.far_off;
    let share = causes.matching.far_off as f64 / all as f64;
    if share > MOST_FAR_OFF {
        return Err(poor(format!(
            "{} of {all} pairs are farther off than noise allows",
            causes.matching.far_off
        )));
    }
    Ok(())
}

/// Refuses a file of pairs of which too many are doubtful.
pub(super) fn doubtful(doubtful: usize, all: usize) -> Result<()> {
    if doubtful as f64 > MOST_DOUBTFUL * all as f64 {
        return Err(poor(format!(
            "{doubtful} of {all} pairs were matched with a probability below 0.9"
        )));
    }
    Ok(())
}

fn poor(found: String) -> Error {
    Error::new(ErrorKind::Unmeasurable, found)
        .expected("expected pairs that belong together: match the log anew, or weigh with more space between the pieces")
}
