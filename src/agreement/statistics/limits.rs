//! Limits of agreement: between which differences nearly all pairs lie.

use serde::Serialize;
use statrs::distribution::{ChiSquared, ContinuousCDF};

use super::Estimated;
use crate::stats::{noncentral_t_quantile, student_quantile};

/// How the interval of a limit is computed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub enum LimitsInterval {
    /// Exact for normal differences, by the noncentral t distribution (Carkeet 2015, Optometry and Vision Science 92:e71).
    #[serde(rename = "exact")]
    Exact,
    /// Variance `(1/n + k²/(2(n − 1)))·SD²` (Bland and Altman 1999, Statistical Methods in Medical Research 8:135).
    #[serde(rename = "bland-altman-1999")]
    BlandAltman1999,
    /// Variance `3·SD²/n` (Bland and Altman 1986, Lancet i:307).
    #[serde(rename = "bland-altman-1986")]
    BlandAltman1986,
}

/// Bias, spread and limits of agreement of differences, in the differences' unit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Limits {
    /// Differences.
    pub count: usize,
    /// Their mean.
    pub bias: Estimated,
    /// Their standard deviation (n − 1); interval by χ², exact for normal differences.
    pub sd: Estimated,
    /// `bias − multiplier·SD`.
    pub lower: Estimated,
    /// `bias + multiplier·SD`.
    pub upper: Estimated,
    /// 1.96 for 95 % of normal differences.
    pub multiplier: f64,
    /// How the intervals of the two limits were computed.
    pub interval: LimitsInterval,
}

/// Limits of agreement of `differences` with 95 % intervals.
///
/// `None` with fewer than three differences, or one that is not finite. Differences without any spread have limits without width.
#[must_use]
pub fn limits_of_agreement(
    differences: &[f64],
    multiplier: f64,
    interval: LimitsInterval,
) -> Option<Limits> {
    let n = differences.len();
    if n < 3 || !differences.iter().all(|d| d.is_finite()) || !multiplier.is_finite() {
        return None;
    }
    let count = n as f64;
    let freedom = count - 1.0;
    // Two passes: a one-pass sum of squares loses all digits where the bias is large.
    let first = differences[0];
    let mean = first + differences.iter().map(|d| d - first).sum::<f64>() / count;
    let squares: f64 = differences.iter().map(|d| (d - mean).powi(2)).sum();
    let sd = (squares / freedom).sqrt();
    let t = student_quantile(0.95, freedom);
    let spread = ChiSquared::new(freedom).ok()?;
    let [below, above] = match interval {
        LimitsInterval::Exact => {
            let noncentrality = multiplier * count.sqrt();
            let at =
                |p| noncentral_t_quantile(p, freedom, noncentrality).map(|t| t * sd / count.sqrt());
            [at(0.025)?, at(0.975)?]
        }
        LimitsInterval::BlandAltman1999 => {
            let half = t * sd * (1.0 / count + multiplier * multiplier / (2.0 * freedom)).sqrt();
            [multiplier * sd - half, multiplier * sd + half]
        }
        LimitsInterval::BlandAltman1986 => {
            let half = t * sd * (3.0 / count).sqrt();
            [multiplier * sd - half, multiplier * sd + half]
        }
    };
    Some(Limits {
        count: n,
        bias: Estimated::about(mean, t * sd / count.sqrt()),
        sd: Estimated {
            value: sd,
            low: sd * (freedom / spread.inverse_cdf(0.975)).sqrt(),
            high: sd * (freedom / spread.inverse_cdf(0.025)).sqrt(),
        },
        lower: Estimated {
            value: mean - multiplier * sd,
            low: mean - above,
            high: mean - below,
        },
        upper: Estimated {
            value: mean + multiplier * sd,
            low: mean + below,
            high: mean + above,
        },
        multiplier,
        interval,
    })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    use super::*;

    #[test]
    fn too_few_and_unusable_numbers_have_none() {
        for differences in [&[][..], &[1.0, 2.0], &[1.0, f64::NAN, 2.0]] {
            assert_eq!(
                limits_of_agreement(differences, 1.96, LimitsInterval::Exact),
                None
            );
        }
        let same = limits_of_agreement(&[0.5; 4], 1.96, LimitsInterval::Exact).unwrap();
        assert_eq!(
            (same.bias.value, same.sd.value, same.upper.high),
            (0.5, 0.0, 0.5)
        );
    }

    #[test]
    fn a_large_bias_costs_no_digits() {
        // NIST StRD NumAcc4: mean 10000000.2, standard deviation 0.1, 1001 values.
        let values: Vec<f64> = std::iter::once(10_000_000.2)
            .chain((0..1000).map(|i| {
                if i % 2 == 0 {
                    10_000_000.1
                } else {
                    10_000_000.3
                }
            }))
            .collect();
        let found = limits_of_agreement(&values, 1.96, LimitsInterval::Exact).unwrap();
        assert!((found.bias.value - 10_000_000.2).abs() < 1e-8);
        assert!((found.sd.value / 0.1 - 1.0).abs() < 1e-7);
    }

    #[test]
    fn the_exact_interval_covers_as_it_says() {
        let mut rng = ChaCha8Rng::seed_from_u64(5);
        let mut covered = [0; 2];
        for _ in 0..2000 {
            let draws: Vec<f64> = (0..8).map(|_| StandardNormal.sample(&mut rng)).collect();
            let found = limits_of_agreement(&draws, 1.96, LimitsInterval::Exact).unwrap();
            covered[0] += u32::from(found.upper.holds(1.96));
            covered[1] += u32::from(found.lower.holds(-1.96));
        }
        // 95 % of 2000 is 1900, four standard deviations are 39.
        for count in covered {
            assert!((1861..=1939).contains(&count), "{count} of 2000");
        }
    }

    proptest! {
        #[test]
        fn turning_the_differences_round_turns_the_limits_round(
            values in proptest::collection::vec(-50.0..50.0_f64, 3..40)
        ) {
            let turned: Vec<f64> = values.iter().map(|v| -v).collect();
            let one = limits_of_agreement(&values, 1.96, LimitsInterval::Exact).unwrap();
            let other = limits_of_agreement(&turned, 1.96, LimitsInterval::Exact).unwrap();
            prop_assert!((one.upper.high + other.lower.low).abs() < 1e-6);
            prop_assert!((one.lower.value + other.upper.value).abs() < 1e-9);
            prop_assert!(one.upper.low <= one.upper.value && one.upper.value <= one.upper.high);
        }
    }
}
