//! Finding the causes.

use jiff::Timestamp;

use super::advice::{what_parts, what_to_do};
use super::cause::Cause;
use super::effects::{effect_g, size};
use super::matching::matching_trouble;
use super::report::{Alternative, Causes, NamedCause};
use super::robust_fit::robust_fit;
use super::search::{Candidate, Pool};
use super::terms::Sample;
use crate::agreement::PairedPiece;
use crate::agreement::statistics::Estimated;
use crate::stats::student_quantile;
use crate::{Error, ErrorKind, Result};

/// Fewest pairs from which causes are told.
pub const FEWEST_PAIRS: usize = 40;
/// A cause whose cost is within this of the named one's may be the true one: χ² with one degree of freedom stays below it 49 times in 50.
const CONFOUNDED: f64 = 6.0;
/// A scanner is not the same to better than this between a target check and the pieces (common practice, no source).
const BETWEEN_CHECK_AND_PIECES: f64 = 0.0005;
const FOLDS: usize = 10;

/// What is known beside the pairs.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct CauseSettings {
    /// Standard deviation of the checkweigher's own errors, g.
    pub scale_sd_g: Option<f64>,
    /// The last check with a reference target.
    pub check: Option<TargetCheck>,
}

/// What a target check says the scanner's scales do to masses.
///
/// A height offset of the scanner does not enter: heights are measured from the belt, which is found anew in each scan.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TargetCheck {
    /// Relative change of every mass, as in a drift report's `weight_effect`.
    pub relative: f64,
    /// Its standard uncertainty.
    pub relative_u: f64,
}

/// Names the causes of differences between estimates and weighings of one product.
///
/// # Errors
/// Fewer than 40 usable pairs; differences without any spread; a setting that makes no sense.
pub fn find_causes(pairs: &[PairedPiece], settings: &CauseSettings) -> Result<Causes> {
    check_settings(settings)?;
    let all = Sample::of(pairs, settings.scale_sd_g);
    if all.off.len() < FEWEST_PAIRS {
        return Err(Error::new(
            ErrorKind::Mismatch,
            format!("{} usable pairs of {}", all.off.len(), pairs.len()),
        )
        .expected(format!(
            "expected at least {FEWEST_PAIRS} to tell causes from: weigh more pieces"
        )));
    }
    let robust = robust_fit(&all).ok_or_else(|| {
        Error::new(ErrorKind::Mismatch, "the differences have no spread")
            .expected("expected estimates and weighings that come from different instruments")
    })?;
    let sample = all.keep(&robust.kept);
    let check = settings.check.map(|check| {
        (
            check.relative,
            check.relative_u.hypot(BETWEEN_CHECK_AND_PIECES),
        )
    });
    let mut pool = Pool::new(&sample, robust.sd, robust.freedom, check);
    let set = pool.search();
    let mut named = Vec::new();
    for place in 0..set.len() {
        named.extend(name(&mut pool, &sample, &set, place));
    }
    named.sort_by(|one, other| {
        let grams = |it: &NamedCause| it.effect_g.value.abs();
        grams(other).total_cmp(&grams(one))
    });
    let n = sample.off.len() as f64;
    Ok(Causes {
        pairs: sample.off.len(),
        left_out: pairs.len() - all.off.len(),
        mean_weighed_g: sample.weighed_g.iter().sum::<f64>() / n,
        named,
        noise_fraction: robust.sd,
        rms_fraction: (sample.off.iter().map(|it| it * it).sum::<f64>() / n).sqrt(),
        rms_without_fraction: cross_validated(&sample, &pool, &set),
        matching: matching_trouble(&all, &robust.kept, robust.sd),
        unexamined: sample.unexamined,
    })
}

fn check_settings(settings: &CauseSettings) -> Result<()> {
    let wrong = |found: String, expected: &str| {
        Err(Error::new(ErrorKind::Mismatch, found).expected(expected))
    };
    if let Some(sd) = settings.scale_sd_g
        && !(sd.is_finite() && sd >= 0.0)
    {
        return wrong(
            format!("a checkweigher's standard deviation of {sd} g"),
            "expected 0 g or more",
        );
    }
    if let Some(check) = settings.check
        && !(check.relative.is_finite() && check.relative_u.is_finite() && check.relative_u >= 0.0)
    {
        return wrong(
            format!(
                "a target check of {} ± {}",
                check.relative, check.relative_u
            ),
            "expected finite numbers",
        );
    }
    Ok(())
}

/// One cause of a set with its size and with what it may be confused with.
fn name(pool: &mut Pool, sample: &Sample, set: &[usize], place: usize) -> Option<NamedCause> {
    let mut rest = set.to_vec();
    let index = rest.remove(place);
    let cost = pool.cost(set);
    let without = pool.columns.fit(&rest)?.squares;
    let fit = pool.columns.fit(set)?;
    let cause = cause_of(pool, sample, &rest, index)?;
    let coefficient = estimated(pool, fit.coefficients[place], fit.variances[place]);
    let column = column_of(pool, index);
    // A step's best moment beside the others may be another than beside this cause.
    pool.best_step(&rest);
    let mut others: Vec<Alternative> = Vec::new();
    for other in (0..pool.candidates.len()).filter(|other| !set.contains(other)) {
        let mut exchanged = rest.clone();
        exchanged.push(other);
        let worse_by = pool.cost(&exchanged) - cost;
        if worse_by >= CONFOUNDED {
            continue;
        }
        let (Some(fit), Some(other_cause)) = (
            pool.columns.fit(&exchanged),
            cause_of(pool, sample, &rest, other),
        ) else {
            continue;
        };
        if other_cause.is_like(&cause) {
            continue;
        }
        let last = rest.len();
        let coefficient = estimated(pool, fit.coefficients[last], fit.variances[last]);
        let column = column_of(pool, other);
        others.push(Alternative {
            effect_g: effect_g(&other_cause, coefficient, &column, &sample.weighed_g),
            size: size(&other_cause, coefficient, &column),
            cause: other_cause,
            worse_by,
        });
    }
    others.sort_by(|one, other| one.worse_by.total_cmp(&other.worse_by));
    let mut kinds: Vec<Alternative> = Vec::new();
    for other in others {
        if !kinds.iter().any(|it| it.cause.is_like(&other.cause)) {
            kinds.push(other);
        }
    }
    let mut advice: Vec<String> = kinds
        .iter()
        .map(|it| what_parts(&cause, &it.cause))
        .collect();
    advice.push(what_to_do(&cause));
    Some(NamedCause {
        effect_g: effect_g(&cause, coefficient, &column, &sample.weighed_g),
        size: size(&cause, coefficient, &column),
        support: (without - fit.squares) / pool.noise,
        confounded_with: kinds,
        advice,
        cause,
    })
}

fn estimated(pool: &Pool, coefficient: f64, variance: f64) -> Estimated {
    let t = student_quantile(0.95, pool.freedom);
    Estimated::about(coefficient, t * (variance * pool.noise).max(0.0).sqrt())
}

/// A column as it was before it was divided by the noise.
fn column_of(pool: &Pool, index: usize) -> Vec<f64> {
    let columns = &pool.columns;
    columns.columns[index]
        .iter()
        .zip(&columns.factor)
        .map(|(x, f)| x / f)
        .collect()
}

/// The cause of a column; of a step also between which moments it lies: where the sum of squares is within χ² 3.84 of its least.
fn cause_of(pool: &Pool, sample: &Sample, rest: &[usize], index: usize) -> Option<Cause> {
    let row = match &pool.candidates[index] {
        Candidate::Term(cause) => return Some(cause.clone()),
        Candidate::Step(row) => *row,
    };
    let gains = pool.columns.step_gains(rest, pool.aside());
    let own = gains.iter().find(|it| it.0 == row)?.1;
    let near: Vec<usize> = gains
        .iter()
        .filter(|it| it.1 > own - 3.84 * pool.noise)
        .map(|it| it.0)
        .collect();
    let time = |row: usize| -> Option<Timestamp> { sample.times.get(row).copied() };
    Some(Cause::Step {
        at: time(row)?,
        earliest: time(near.iter().min()?.saturating_sub(1))?,
        latest: time(*near.iter().max()?)?,
    })
}

/// Root mean square of the relative differences less the causes, each fold by a fit to the others.
fn cross_validated(sample: &Sample, pool: &Pool, set: &[usize]) -> f64 {
    use super::model::Columns;
    let columns: Vec<Vec<f64>> = set.iter().map(|index| column_of(pool, *index)).collect();
    let mut squares = 0.0;
    for fold in 0..FOLDS {
        let variance: Vec<f64> = sample
            .variance
            .iter()
            .enumerate()
            .map(|(i, v)| if i % FOLDS == fold { f64::INFINITY } else { *v })
            .collect();
        let sums = Columns::new(&sample.off, &variance, columns.iter().cloned());
        // Of two columns that say the same (scales and densities, told apart by a target check only) one is enough to predict.
        let mut places: Vec<usize> = Vec::new();
        for place in 0..columns.len() {
            places.push(place);
            if sums.fit(&places).is_none() {
                places.pop();
            }
        }
        // A column that lives in one fold only cannot be fitted without it: nothing is taken off then.
        let coefficients = sums
            .fit(&places)
            .map(|it| it.coefficients)
            .unwrap_or_default();
        for row in (fold..sample.off.len()).step_by(FOLDS) {
            let explained: f64 = coefficients
                .iter()
                .zip(&places)
                .map(|(c, place)| c * columns[*place][row])
                .sum();
            squares += (sample.off[row] - explained).powi(2);
        }
    }
    (squares / sample.off.len() as f64).sqrt()
}
