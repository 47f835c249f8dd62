//! All that is said about how well two columns of masses agree.

use serde::Serialize;

use super::{
    ClassYardstick, Estimated, Giveaway, Limits, LimitsInterval, Nominal, Proportional, ScaleClass,
    class_yardstick, giveaway, limits_of_agreement, proportional_bias,
};
use crate::agreement::PairedPiece;
use crate::stats::{
    Concordance, MethodLine, Share, concordance, deming, exact_share, passing_bablok,
};
use crate::{Error, ErrorKind, Result};

/// Fewest pairs that anything is said about.
const FEWEST: usize = 3;

/// What is known beside the pairs, and what is asked.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct AgreementSettings {
    /// Differences for which the share of pairs within them is counted, g.
    pub within_g: Vec<f64>,
    /// Standard deviation of the checkweigher's own errors, g; it is then taken out of the spread.
    pub scale_sd_g: Option<f64>,
    /// Variance of the estimates' errors over that of the checkweigher's, for Deming's line; `None`: from `scale_sd_g`, or no such line.
    pub variance_ratio: Option<f64>,
    /// What portions are to weigh, for the giveaway.
    pub nominal: Option<Nominal>,
    /// A class of catchweighers to hold the scanner against.
    pub class: Option<ScaleClass>,
}

/// How well estimates agree with weighings. Differences are estimate minus weighing.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Agreement {
    /// Pairs used.
    pub pairs: usize,
    /// Pairs left out because a mass was not a positive, finite number.
    pub left_out: usize,
    /// Mean of what the checkweigher showed, g.
    pub mean_weighed_g: f64,
    /// Standard deviation of what the checkweigher showed, g.
    pub sd_weighed_g: f64,
    /// Bias, spread and limits of agreement, g.
    pub limits_g: Limits,
    /// The same of the difference over the weighing, 1.
    pub limits_fraction: Limits,
    /// Root mean square of the differences, g.
    pub rms_g: f64,
    /// The spread without the checkweigher's own, g; `None` where that is not known, or larger than the spread itself.
    pub sd_without_scale_g: Option<Estimated>,
    /// The stated spread of the checkweigher's errors, g.
    pub scale_sd_g: Option<f64>,
    /// How the difference grows with mass; `None` where all masses are equal or pairs too few.
    pub proportional: Option<Proportional>,
    /// Deming's line, x weighed, y estimated; `None` without a ratio of variances or without spread.
    pub deming: Option<MethodLine>,
    /// The ratio of variances it was computed with.
    pub variance_ratio: Option<f64>,
    /// Passing and Bablok's line, x weighed, y estimated; `None` without spread.
    pub passing_bablok: Option<MethodLine>,
    /// Lin's concordance; `None` without spread.
    pub concordance: Option<Concordance>,
    /// Shares of pairs within the differences asked for.
    pub within: Vec<Within>,
    /// What bias and spread cost; `None` without a nominal mass.
    pub giveaway: Option<Giveaway>,
    /// The class of catchweighers; `None` where none was given.
    pub class: Option<ClassYardstick>,
}

/// Share of pairs whose difference is no larger than stated.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Within {
    /// The difference, g.
    pub within_g: f64,
    /// The share, with the exact 95 % interval.
    pub share: Share,
}

/// How well estimated and weighed masses of pairs agree.
///
/// # Errors
/// Fewer than three usable pairs; a setting that makes no sense.
pub fn agreement(pairs: &[PairedPiece], settings: &AgreementSettings) -> Result<Agreement> {
    let masses: Vec<(f64, f64)> = pairs.iter().map(|it| (it.mass_g, it.weighed_g)).collect();
    agreement_of(&masses, settings)
}

/// The same of `(estimated, weighed)` masses in g.
///
/// # Errors
/// As [`agreement`].
pub fn agreement_of(masses: &[(f64, f64)], settings: &AgreementSettings) -> Result<Agreement> {
    check(settings)?;
    let usable = |mass: f64| mass.is_finite() && mass > 0.0;
    let used: Vec<(f64, f64)> = masses
        .iter()
        .copied()
        .filter(|(estimate, weighed)| usable(*estimate) && usable(*weighed))
        .collect();
    let too_few = || {
        Error::new(
            ErrorKind::Mismatch,
            format!("{} usable pairs of {}", used.len(), masses.len()),
        )
        .expected(format!(
            "expected at least {FEWEST} pairs with masses above 0 g"
        ))
    };
    let differences: Vec<f64> = used.iter().map(|(e, w)| e - w).collect();
    let relative: Vec<f64> = used.iter().map(|(e, w)| e / w - 1.0).collect();
    let limits = |values: &[f64]| {
        limits_of_agreement(values, 1.96, LimitsInterval::Exact).ok_or_else(too_few)
    };
    let limits_g = limits(&differences)?;
    let limits_fraction = limits(&relative)?;
    let n = used.len() as f64;
    let mean_weighed_g = used.iter().map(|p| p.1).sum::<f64>() / n;
    let sd_weighed_g = (used
        .iter()
        .map(|p| (p.1 - mean_weighed_g).powi(2))
        .sum::<f64>()
        / (n - 1.0))
        .sqrt();
    let sd_without_scale_g = settings
        .scale_sd_g
        .and_then(|scale_sd_g| without(limits_g.sd, scale_sd_g));
    let variance_ratio = settings.variance_ratio.or_else(|| {
        let scale_sd_g = settings.scale_sd_g.filter(|sd| *sd > 0.0)?;
        Some((sd_without_scale_g?.value / scale_sd_g).powi(2)).filter(|ratio| *ratio > 0.0)
    });
    let turned: Vec<(f64, f64)> = used.iter().map(|(e, w)| (*w, *e)).collect();
    // The cost is of the estimate's spread: the checkweigher's is not in the portions.
    let own_sd_g = sd_without_scale_g.map_or(limits_g.sd.value, |sd| sd.value);
    let within = settings
        .within_g
        .iter()
        .filter_map(|&within_g| {
            let count = differences.iter().filter(|d| d.abs() <= within_g).count();
            let share = exact_share(count, used.len(), 0.95)?;
            Some(Within { within_g, share })
        })
        .collect();
    Ok(Agreement {
        pairs: used.len(),
        left_out: masses.len() - used.len(),
        mean_weighed_g,
        sd_weighed_g,
        limits_g,
        limits_fraction,
        rms_g: (differences.iter().map(|d| d * d).sum::<f64>() / n).sqrt(),
        sd_without_scale_g,
        scale_sd_g: settings.scale_sd_g,
        proportional: proportional_bias(&used),
        deming: variance_ratio.and_then(|ratio| deming(&turned, ratio)),
        variance_ratio,
        passing_bablok: passing_bablok(&turned),
        concordance: concordance(&turned),
        within,
        giveaway: match settings.nominal {
            Some(nominal) => Some(giveaway(&limits_g, own_sd_g, nominal)?),
            None => None,
        },
        class: match settings.class {
            Some(class) => Some(class_yardstick(&limits_g, own_sd_g, mean_weighed_g, class)?),
            None => None,
        },
    })
}

/// A spread with another, independent one taken out; `None` where nothing is left of it.
fn without(sd: Estimated, other_sd: f64) -> Option<Estimated> {
    let less = |sd: f64| sd * sd - other_sd * other_sd;
    (less(sd.value) > 0.0).then(|| Estimated {
        value: less(sd.value).sqrt(),
        low: less(sd.low).max(0.0).sqrt(),
        high: less(sd.high).sqrt(),
    })
}

fn check(settings: &AgreementSettings) -> Result<()> {
    let wrong = |what: &str, value: f64, expected: &str| {
        Err(Error::new(ErrorKind::Mismatch, format!("{what} of {value}")).expected(expected))
    };
    if let Some(sd) = settings.scale_sd_g
        && !(sd.is_finite() && sd >= 0.0)
    {
        return wrong(
            "a checkweigher's standard deviation",
            sd,
            "expected 0 g or more",
        );
    }
    if let Some(ratio) = settings.variance_ratio
        && !(ratio.is_finite() && ratio > 0.0)
    {
        return wrong("a ratio of variances", ratio, "expected more than 0");
    }
    for &within_g in &settings.within_g {
        if !(within_g.is_finite() && within_g >= 0.0) {
            return wrong("a largest difference", within_g, "expected 0 g or more");
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn masses() -> Vec<(f64, f64)> {
        (0..200)
            .map(|i| {
                let weighed = 100.0 + f64::from(i) * 0.5;
                (weighed * 1.01 + f64::from((i * 37) % 11 - 5) * 0.2, weighed)
            })
            .collect()
    }

    #[test]
    fn all_parts_are_of_the_same_pairs() {
        let settings = AgreementSettings {
            within_g: vec![1.0, 5.0],
            scale_sd_g: Some(0.3),
            nominal: Some(Nominal {
                mass_g: 150.0,
                tolerance_g: 6.8,
                short_fraction: 0.025,
            }),
            class: Some("XIII(1)/1".parse().unwrap()),
            ..AgreementSettings::default()
        };
        let found = agreement_of(&masses(), &settings).unwrap();
        assert_eq!(found.pairs, 200);
        assert!(found.limits_fraction.bias.holds(0.01));
        let sd = found.limits_g.sd.value;
        let own = found.sd_without_scale_g.unwrap().value;
        assert!((sd * sd - own * own - 0.09).abs() < 1e-12);
        assert!(
            (found.rms_g.powi(2) - found.limits_g.bias.value.powi(2) - sd * sd * 199.0 / 200.0)
                .abs()
                < 1e-9
        );
        assert!((found.variance_ratio.unwrap() - (own / 0.3).powi(2)).abs() < 1e-12);
        assert!((found.deming.unwrap().slope - 1.01).abs() < 0.005);
        assert!((found.passing_bablok.unwrap().slope - 1.01).abs() < 0.005);
        assert!(found.within[0].share.fraction < found.within[1].share.fraction);
        assert!(found.giveaway.is_some() && found.class.is_some());
    }

    #[test]
    fn unusable_pairs_are_counted_and_too_few_refused() {
        let mut masses = masses();
        masses.extend([(f64::NAN, 100.0), (100.0, 0.0), (-1.0, 100.0)]);
        let found = agreement_of(&masses, &AgreementSettings::default()).unwrap();
        assert_eq!((found.pairs, found.left_out), (200, 3));
        let error = agreement_of(&masses[199..], &AgreementSettings::default()).unwrap_err();
        assert!(error.to_string().contains("1 usable pairs of 4"), "{error}");
    }

    #[test]
    fn equal_weights_have_a_bias_and_no_line() {
        let same = [(151.0, 150.0); 5];
        let found = agreement_of(&same, &AgreementSettings::default()).unwrap();
        assert_eq!(
            (found.limits_g.bias.value, found.limits_g.sd.value),
            (1.0, 0.0)
        );
        assert_eq!(
            (
                found.proportional,
                found.deming,
                found.passing_bablok,
                found.concordance
            ),
            (None, None, None, None)
        );
    }

    #[test]
    fn settings_that_make_no_sense_are_refused() {
        for settings in [
            AgreementSettings {
                scale_sd_g: Some(-1.0),
                ..AgreementSettings::default()
            },
            AgreementSettings {
                variance_ratio: Some(0.0),
                ..AgreementSettings::default()
            },
            AgreementSettings {
                within_g: vec![f64::NAN],
                ..AgreementSettings::default()
            },
        ] {
            assert!(agreement_of(&masses(), &settings).is_err());
        }
    }

    #[test]
    fn a_scale_noisier_than_the_differences_leaves_nothing_to_say() {
        let settings = AgreementSettings {
            scale_sd_g: Some(50.0),
            ..AgreementSettings::default()
        };
        let found = agreement_of(&masses(), &settings).unwrap();
        assert_eq!((found.sd_without_scale_g, found.deming), (None, None));
    }
}
