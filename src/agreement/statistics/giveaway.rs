//! What bias and spread cost when portions are cut by the estimate.

use serde::Serialize;
use statrs::distribution::{ContinuousCDF, Normal};

use super::Limits;
use crate::{Error, ErrorKind, Result};

/// What portions are to weigh.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Nominal {
    /// Nominal mass, g.
    pub mass_g: f64,
    /// How far below it a portion may lie, g.
    pub tolerance_g: f64,
    /// Share of portions that may lie lower than that, more than 0, less than 0.5.
    pub short_fraction: f64,
}

impl Nominal {
    /// A portion as a pre-packed quantity: tolerance by [`tolerable_negative_error_g`], 2.5 % may lie lower (Directive 76/211/EEC, annex II: an
    /// acceptable quality level of 2.5 %).
    ///
    /// # Errors
    /// A mass outside 5 g to 50 kg.
    pub fn of_portion(mass_g: f64) -> Result<Self> {
        let tolerance_g = tolerable_negative_error_g(mass_g).ok_or_else(|| {
            Error::new(ErrorKind::Mismatch, format!("{mass_g} g"))
                .expected("expected a nominal mass from 5 g to 50 kg")
        })?;
        Ok(Self {
            mass_g,
            tolerance_g,
            short_fraction: 0.025,
        })
    }
}

/// What bias and spread cost against a nominal mass.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Giveaway {
    /// The nominal mass.
    pub nominal: Nominal,
    /// Estimate to cut to, so that the mean is not below nominal and no more than the stated share is short, g.
    pub set_point_g: f64,
    /// Excess over nominal a portion that the spread makes necessary, g.
    pub by_spread_g: f64,
    /// What a portion weighs too much (negative: too little) when the estimate's bias is not taken off, g.
    pub by_bias_g: f64,
    /// Share of portions below nominal less tolerance when cut to the nominal by the estimate as it is.
    pub short_now_fraction: f64,
}

/// Tolerable negative error of a pre-packed quantity, g: Directive 76/211/EEC, annex I, 2.4 (as OIML R 87, table 1); percentages rounded up to
/// 0.1 g. `None` outside 5 g to 50 kg.
///
/// Packs that are each weighed and labelled are outside that rule.
#[must_use]
pub fn tolerable_negative_error_g(nominal_g: f64) -> Option<f64> {
    // (up to, percent or g)
    enum By {
        Percent(f64),
        Grams(f64),
    }
    const TABLE: [(f64, By); 9] = [
        (50.0, By::Percent(9.0)),
        (100.0, By::Grams(4.5)),
        (200.0, By::Percent(4.5)),
        (300.0, By::Grams(9.0)),
        (500.0, By::Percent(3.0)),
        (1_000.0, By::Grams(15.0)),
        (10_000.0, By::Percent(1.5)),
        (15_000.0, By::Grams(150.0)),
        (50_000.0, By::Percent(1.0)),
    ];
    if !(5.0..=50_000.0).contains(&nominal_g) {
        return None;
    }
    let (_, by) = TABLE.iter().find(|(up_to, _)| nominal_g <= *up_to)?;
    Some(match by {
        By::Grams(grams) => *grams,
        // In tenths of a gram; what lies a rounding error above a whole one is that whole one.
        By::Percent(percent) => ((nominal_g * percent / 10.0) - 1e-9).ceil() / 10.0,
    })
}

/// What `limits` of estimate minus weighing cost when portions are cut to a mass by the estimate.
///
/// A portion cut to the estimate E weighs E less the difference, so its mass has the mean `E − bias` and the spread `sd_g` (the difference's, the
/// checkweigher's own taken off where it is known). Two rules hold: the mean is at least nominal, and at most `short_fraction` lies
/// below nominal less tolerance, for normal differences: `mean ≥ nominal − tolerance + z·SD`. The spread of what is cut off otherwise (blade, shape) is
/// not in here.
///
/// # Errors
/// A nominal mass that is not positive, a tolerance below 0, a share outside (0, 0.5).
pub fn giveaway(limits: &Limits, sd_g: f64, nominal: Nominal) -> Result<Giveaway> {
    let wrong = |found: String, expected: &str| {
        Err(Error::new(ErrorKind::Mismatch, found).expected(expected))
    };
    if !(nominal.mass_g.is_finite() && nominal.mass_g > 0.0) {
        return wrong(
            format!("a nominal mass of {} g", nominal.mass_g),
            "expected more than 0 g",
        );
    }
    if !(nominal.tolerance_g.is_finite() && nominal.tolerance_g >= 0.0) {
        return wrong(
            format!("a tolerance of {} g", nominal.tolerance_g),
            "expected 0 g or more",
        );
    }
    if !(0.0 < nominal.short_fraction && nominal.short_fraction < 0.5) {
        return wrong(
            format!("a share of {} that may be short", nominal.short_fraction),
            "expected more than 0 and less than 0.5, such as 0.025",
        );
    }
    let bias = limits.bias.value;
    let normal = Normal::standard();
    let z = normal.inverse_cdf(1.0 - nominal.short_fraction);
    let by_spread_g = (z * sd_g - nominal.tolerance_g).max(0.0);
    let short_now_fraction = if sd_g > 0.0 {
        normal.cdf((bias - nominal.tolerance_g) / sd_g)
    } else {
        f64::from(u8::from(bias > nominal.tolerance_g))
    };
    Ok(Giveaway {
        nominal,
        set_point_g: nominal.mass_g + by_spread_g + bias,
        by_spread_g,
        by_bias_g: -bias,
        short_now_fraction,
    })
}

#[cfg(test)]
mod tests {
    use super::super::{LimitsInterval, limits_of_agreement};
    use super::*;

    /// Worked from the table of 76/211/EEC, annex I: 35 g 3.2 g; 125 g 5.7 g; 170 g 7.7 g; 400 g 12.0 g; and its steps.
    #[test]
    fn tolerable_errors_are_those_of_the_table() {
        for (nominal_g, expected_g) in [
            (35.0, 3.2),
            (50.0, 4.5),
            (100.0, 4.5),
            (125.0, 5.7),
            (170.0, 7.7),
            (200.0, 9.0),
            (250.0, 9.0),
            (300.0, 9.0),
            (400.0, 12.0),
            (500.0, 15.0),
            (1000.0, 15.0),
            (10_000.0, 150.0),
            (15_000.0, 150.0),
        ] {
            assert_eq!(
                tolerable_negative_error_g(nominal_g),
                Some(expected_g),
                "{nominal_g} g"
            );
        }
        assert_eq!(tolerable_negative_error_g(4.9), None);
        assert_eq!(tolerable_negative_error_g(f64::NAN), None);
    }

    #[test]
    fn a_set_point_takes_the_bias_off_and_the_spread_in() {
        let differences: Vec<f64> = (0..101)
            .map(|i| 1.0 + (f64::from(i) - 50.0) * 0.1)
            .collect();
        let limits = limits_of_agreement(&differences, 1.96, LimitsInterval::Exact).unwrap();
        let nominal = Nominal {
            mass_g: 150.0,
            tolerance_g: 2.0,
            short_fraction: 0.025,
        };
        let found = giveaway(&limits, 2.0, nominal).unwrap();
        // 1.959964·2 − 2 = 1.919928 g, and 1 g of bias.
        assert!((found.by_spread_g - 1.919_928).abs() < 1e-6);
        assert!((found.set_point_g - 152.919_928).abs() < 1e-6);
        assert!((found.by_bias_g + 1.0).abs() < 1e-12);
        // Φ((1 − 2)/2) = 0.308538.
        assert!((found.short_now_fraction - 0.308_538).abs() < 1e-6);
        for (mass_g, tolerance_g, short_fraction) in [
            (0.0, 1.0, 0.1),
            (1.0, -1.0, 0.1),
            (1.0, 1.0, 0.5),
            (f64::NAN, 1.0, 0.1),
        ] {
            let nominal = Nominal {
                mass_g,
                tolerance_g,
                short_fraction,
            };
            assert!(giveaway(&limits, 2.0, nominal).is_err());
        }
    }
}
