//! Charts that learn their centre and spread while they run.
//!
//! Limits set from twenty values and then kept are off by what those twenty were off: charts of sums and averages then
//! call far more often, or less, than theory says (Jones, Champ and Rigdon 2004, J. Quality Technology 36:12). Here each
//! value is compared with all values in control before it, by Student's distribution for so many, and turned into the normal
//! score of the same probability. In control the scores are independent standard normal numbers from the start, so that
//! run lengths are those of known limits.

use std::f64::consts::{FRAC_2_SQRT_PI, PI};

use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

/// Fewest values that something is compared with.
const FEWEST: usize = 8;

/// Variance of the absolute difference of two standard normal numbers: 2 − 4/π.
const RANGE_VARIANCE: f64 = 2.0 - 4.0 / PI;

/// Covariance of neighbouring ones: (4/π)·(√3/2 + π/12 − 1), by the mean of |x·y| for a correlation of −1/2 (Cryer and Ryan
/// 1990, J. Quality Technology 22:187).
const RANGE_COVARIANCE: f64 = 4.0 / PI * (0.866_025_403_784_438_6 + PI / 12.0 - 1.0);

/// Scores are cut here: beyond, only rounding is told apart.
const FARTHEST: f64 = 8.0;

/// What was learned up to a point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Learned {
    /// Values that it was learned from.
    pub values: usize,
    /// Their mean.
    pub centre: f64,
    /// Their standard deviation, by moving ranges.
    pub sd: f64,
    /// What the next value has to fall below for its score to be below −3.
    pub lower: f64,
    /// What it has to rise above for its score to be above 3.
    pub upper: f64,
    /// Standard deviation of the next value's distance from the centre.
    noise: f64,
    freedom: f64,
}

/// Centre and spread of the values in control so far.
///
/// Scores after Quesenberry (1991, J. Quality Technology 23:213, Q statistics) and Hawkins (1987, The Statistician
/// 36:299), with the spread by moving ranges as on an individuals chart, so that a slow rise while learning does not count
/// as spread.
#[derive(Debug, Clone)]
pub struct SelfStarting {
    most: usize,
    values: usize,
    mean: f64,
    ranges: f64,
    last: f64,
    learned: Option<Learned>,
}

impl SelfStarting {
    /// Nothing learned yet; it ends after `most` values, so that what follows slowly cannot be learned as well.
    #[must_use]
    pub fn new(most: usize) -> Self {
        Self {
            most: most.max(FEWEST),
            values: 0,
            mean: 0.0,
            ranges: 0.0,
            last: 0.0,
            learned: None,
        }
    }

    /// What the next value is compared with; `None` with fewer than eight values, or without spread.
    #[must_use]
    pub fn learned(&self) -> Option<Learned> {
        self.learned
    }

    /// Takes in a value in control, unless it knows enough.
    pub fn learn(&mut self, value: f64) {
        if self.values >= self.most {
            return;
        }
        if self.values > 0 {
            self.ranges += (value - self.last).abs();
        }
        self.last = value;
        self.values += 1;
        let n = self.values as f64;
        self.mean += (value - self.mean) / n;
        let sd = self.ranges / (n - 1.0) / FRAC_2_SQRT_PI;
        if self.values < FEWEST || sd <= 0.0 || !sd.is_finite() {
            return;
        }
        // Relative variance of the mean range, and the root of a χ² that has the same (Patnaik 1950, Biometrika 37:78): its
        // degrees of freedom, and its mean against its root mean square.
        let pairs = n - 1.0;
        let relative = (RANGE_VARIANCE * pairs + 2.0 * RANGE_COVARIANCE * (pairs - 1.0))
            / (FRAC_2_SQRT_PI * FRAC_2_SQRT_PI * pairs * pairs);
        let growth = (1.0 + relative).sqrt();
        let freedom = 1.0 / (4.0 * (growth - 1.0));
        let noise = sd / growth * (1.0 + 1.0 / n).sqrt();
        let reach = StudentsT::new(0.0, 1.0, freedom).map_or(f64::INFINITY, |it| {
            it.inverse_cdf(Normal::standard().cdf(3.0))
        });
        let half = reach * noise;
        self.learned = Some(Learned {
            values: self.values,
            centre: self.mean,
            sd,
            lower: self.mean - half,
            upper: self.mean + half,
            noise,
            freedom,
        });
    }
}

impl Learned {
    /// The normal score of the next value: how many standard deviations it is off, by what is known of the standard
    /// deviation.
    #[must_use]
    pub fn score(&self, value: f64) -> f64 {
        let t = (value - self.centre) / self.noise;
        let Ok(student) = StudentsT::new(0.0, 1.0, self.freedom) else {
            return 0.0;
        };
        // The tail is what keeps its digits far out.
        let tail = student.sf(t.abs());
        let score = if tail > 0.0 {
            -Normal::standard().inverse_cdf(tail)
        } else {
            FARTHEST
        };
        score.clamp(0.0, FARTHEST).copysign(t)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    #[test]
    fn eight_values_are_needed_and_they_must_differ() {
        let mut charts = SelfStarting::new(100);
        for i in 0..7 {
            charts.learn(f64::from(i % 2));
        }
        assert_eq!(charts.learned(), None);
        charts.learn(1.0);
        let learned = charts.learned().unwrap();
        assert!((learned.centre - 0.5).abs() < 1e-12);
        assert!((learned.sd - 1.0 / FRAC_2_SQRT_PI).abs() < 1e-12);
        let mut equal = SelfStarting::new(100);
        (0..20).for_each(|_| equal.learn(3.0));
        assert_eq!(equal.learned(), None);
    }

    #[test]
    fn limits_are_where_the_score_is_three() {
        let mut random = ChaCha8Rng::seed_from_u64(4);
        let mut charts = SelfStarting::new(100);
        for _ in 0..30 {
            charts.learn(StandardNormal.sample(&mut random));
        }
        let learned = charts.learned().unwrap();
        assert!((learned.score(learned.upper) - 3.0).abs() < 1e-4);
        assert!((learned.score(learned.lower) + 3.0).abs() < 1e-4);
        assert!(learned.score(learned.centre).abs() < 1e-9);
        assert_eq!(learned.score(1e9), FARTHEST);
    }

    /// From the first score on: mean 0, spread 1, and no more beyond 3 than a normal has.
    #[test]
    fn scores_in_control_are_standard_normal_numbers() {
        let (mut sum, mut squares, mut beyond, mut count) = (0.0, 0.0, 0, 0.0);
        for seed in 0..4000 {
            let mut random = ChaCha8Rng::seed_from_u64(seed);
            let mut charts = SelfStarting::new(40);
            for _ in 0..40 {
                let value: f64 = StandardNormal.sample(&mut random);
                if let Some(learned) = charts.learned() {
                    let z = learned.score(value);
                    sum += z;
                    squares += z * z;
                    beyond += u32::from(z.abs() > 3.0);
                    count += 1.0;
                }
                charts.learn(value);
            }
        }
        // Each bound is some five standard errors.
        assert!((sum / count).abs() < 0.015, "{}", sum / count);
        assert!((squares / count - 1.0).abs() < 0.03, "{}", squares / count);
        let expected = 0.0027 * count;
        assert!(
            (f64::from(beyond) - expected).abs() < 5.0 * expected.sqrt(),
            "{beyond} of {count}"
        );
    }
}
