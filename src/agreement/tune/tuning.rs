//! Tuning a profile.

use jiff::Timestamp;

use super::bounds::DensityBounds;
use super::choose::{Candidate, Layer, candidate, simplest, squares_gained};
use super::fit::FitKind;
use super::problem::Problem;
use super::profile::tuned;
use super::refuse::{doubtful, look_at_causes};
use super::report::{MassErrors, NotFitted, Tuned};
use crate::agreement::PairedPiece;
use crate::agreement::causes::{FEWEST_PAIRS, TargetCheck};
use crate::product::{FitProvenance, Product};
use crate::{Error, ErrorKind, Result};

/// Probability of a match from which on a pair is believed.
const SURE: f64 = 0.9;
/// Least uncertainty of density that a fitted profile states.
const LEAST_U: f64 = 0.001;

/// What to fit, and to what.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct TuneSettings {
    /// What to fit; `None`: what does best on pieces not seen, of scale, scale and offset, densities, densities and offset.
    pub fit: Option<FitKind>,
    /// Standard deviation of the checkweigher's own errors, g.
    pub scale_sd_g: Option<f64>,
    /// The last check with a reference target.
    pub check: Option<TargetCheck>,
    /// Densities that a class can have, in place of those known by its name.
    pub bounds: Vec<(String, DensityBounds)>,
    /// Only pieces scanned from then on.
    pub from: Option<Timestamp>,
    /// Only pieces scanned before then.
    pub to: Option<Timestamp>,
    /// Go on although part of the differences comes from what a profile cannot hold.
    pub accept_causes: bool,
}

/// A file the fit rests on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FitSource {
    /// What it is: `pieces`, `pairs`, `product`.
    pub role: String,
    /// Its path as given.
    pub path: String,
    /// BLAKE3, hexadecimal.
    pub blake3: String,
}

/// Fits `product` to weighed pieces of one product that were measured with it.
///
/// # Errors
/// Too few or too doubtful pairs; pieces measured with another profile; differences that come from something a profile must not hide; values that cannot be
/// told or are impossible; a profile that is not better on pieces it has not seen.
pub fn tune(
    pairs: &[PairedPiece],
    product: &Product,
    settings: &TuneSettings,
    sources: &[FitSource],
) -> Result<Tuned> {
    let in_time = |it: &&PairedPiece| {
        settings.from.is_none_or(|from| from <= it.scanned)
            && settings.to.is_none_or(|to| it.scanned < to)
    };
    let positive = |value: f64| value.is_finite() && value > 0.0;
    let mut usable: Vec<PairedPiece> = pairs
        .iter()
        .filter(in_time)
        .filter(|it| {
            positive(it.mass_g) && positive(it.weighed_g) && positive(it.record.volume_cm3)
        })
        .cloned()
        .collect();
    usable.sort_by_key(|it| (it.scanned, it.piece_row));
    let unusable = pairs.len() - usable.len();
    let all = usable.len();
    usable.retain(|it| it.probability >= SURE);
    let unsure = all - usable.len();
    doubtful(unsure, all)?;
    if usable.len() < FEWEST_PAIRS {
        return Err(Error::new(
            ErrorKind::Unmeasurable,
            format!("{} usable pairs of {}", usable.len(), pairs.len()),
        )
        .expected(format!(
            "expected at least {FEWEST_PAIRS}: weigh more pieces"
        )));
    }
    let problem = Problem::new(&usable.iter().collect::<Vec<_>>(), product)?;
    let mut warnings = look_at_causes(&usable, settings)?;
    let (candidates, not_fitted) = candidates(&problem, product, &usable, settings)?;
    let marks = match candidates.last() {
        Some(richest) => richest.solution.kept.clone(),
        None => {
            let why: Vec<String> = not_fitted
                .iter()
                .map(|it| format!("{}: {}", it.fit, it.why))
                .collect();
            return Err(
                Error::new(ErrorKind::Unmeasurable, why.join("; ")).expected(
                    "expected more pieces, or pieces that differ more in mass and composition",
                ),
            );
        }
    };
    let before: Vec<f64> = usable
        .iter()
        .map(|it| it.mass_g / it.weighed_g - 1.0)
        .collect();
    let best = simplest(&candidates, &marks)
        .and_then(|index| candidates.into_iter().nth(index))
        .ok_or_else(|| {
            Error::new(
                ErrorKind::Unmeasurable,
                "no fit could be compared with another",
            )
        })?;
    let (gained, gained_u) = squares_gained(&before, &best.unseen, &marks);
    if gained <= 2.0 * gained_u {
        return Err(Error::new(
            ErrorKind::Unmeasurable,
            format!(
                "fitting {} would not make the profile better on pieces it has not seen, beyond chance",
                best.kind.name()
            ),
        )
        .expected("keep the profile as it is; more weighed pieces may show more"));
    }
    let rows = |errors: &[f64]| -> Vec<(f64, f64)> {
        let rows = errors
            .iter()
            .zip(&usable)
            .zip(&marks)
            .filter(|(_, mark)| **mark);
        rows.map(|((off, it), _)| (*off, it.weighed_g)).collect()
    };
    let (before, unseen) = (rows(&before), rows(&best.unseen));
    let kept: Vec<&PairedPiece> = usable
        .iter()
        .zip(&marks)
        .filter(|it| *it.1)
        .map(|it| it.0)
        .collect();
    let density_u_rel = density_uncertainty(&unseen, &kept, settings.scale_sd_g);
    let mut new = tuned(product, &problem, &best.kind, &best.values, density_u_rel);
    let times = || {
        kept.iter()
            .map(|it| it.scanned)
            .filter(|it| *it != Timestamp::UNIX_EPOCH)
    };
    let (first, last) = (times().min(), times().max());
    let (before, unseen) = (
        MassErrors::of(before.into_iter()),
        MassErrors::of(unseen.into_iter()),
    );
    new.fit = Some(FitProvenance {
        fitted: best.kind.name(),
        pairs: kept.len() as u64,
        first,
        last,
        rms_before_g: (1e3 * before.rms_g).round() / 1e3,
        rms_unseen_g: (1e3 * unseen.rms_g).round() / 1e3,
        inputs: sources
            .iter()
            .map(|it| format!("{} {} blake3 {}", it.role, it.path, it.blake3))
            .collect(),
    });
    warnings.push("weights by this profile are estimates, not legal for trade".to_owned());
    Ok(Tuned {
        product: new,
        fit: best.kind,
        values: best.values,
        pairs: kept.len(),
        doubtful: unsure,
        far_off: usable.len() - kept.len(),
        unusable,
        first,
        last,
        before,
        unseen,
        density_u_rel,
        not_fitted,
        warnings,
    })
}

/// The fits that can be made, from simple to rich, and those that cannot.
fn candidates(
    problem: &Problem,
    product: &Product,
    pairs: &[PairedPiece],
    settings: &TuneSettings,
) -> Result<(Vec<Candidate>, Vec<NotFitted>)> {
    let kinds = match &settings.fit {
        Some(kind) => vec![kind.clone()],
        None => vec![
            FitKind::Scale,
            FitKind::ScaleOffset,
            FitKind::Densities,
            FitKind::DensitiesOffset,
        ],
    };
    let (mut made, mut not) = (Vec::new(), Vec::new());
    for kind in kinds {
        let layer = match &kind {
            FitKind::Depth { class } => {
                let (layer, base, depth_mm) =
                    problem.layer(product, class, &pairs.iter().collect::<Vec<_>>())?;
                Some(Layer {
                    layer,
                    base,
                    depth_mm,
                })
            }
            _ => None,
        };
        match candidate(kind, problem, product, layer, settings) {
            Ok(it) => made.push(it),
            Err(it) => not.push(it),
        }
    }
    Ok((made, not))
}

/// The spread on unseen pieces that neither the volumes' stated uncertainty nor the checkweigher explains: what the profile has to state for its densities.
fn density_uncertainty(
    unseen: &[(f64, f64)],
    kept: &[&PairedPiece],
    scale_sd_g: Option<f64>,
) -> f64 {
    let n = unseen.len().max(1) as f64;
    let all = unseen.iter().map(|it| it.0 * it.0).sum::<f64>() / n;
    let volume = kept
        .iter()
        .map(|it| (it.record.volume_u_cm3 / it.record.volume_cm3).powi(2));
    let volume = volume.filter(|it| it.is_finite()).sum::<f64>() / n;
    let scale = scale_sd_g.map_or(0.0, |sd| {
        unseen.iter().map(|it| (sd / it.1).powi(2)).sum::<f64>() / n
    });
    let rest = (all - volume - scale).max(LEAST_U * LEAST_U).sqrt();
    (rest * 1e4).ceil() / 1e4
}
