//! Control charts of single values: Shewhart's individuals chart, EWMA and tabular CUSUM.
//!
//! A chart compares values in the order of time with limits that were set from values in control. The smaller a lasting
//! shift, the sooner EWMA and CUSUM see it; a single large one is seen by the individuals chart. What the charts call by
//! chance alone is in [`super::run_length`].

use std::f64::consts::{FRAC_2_SQRT_PI, PI};

/// Mean of the range of two values from a normal of standard deviation 1: 2/√π, the factor d₂ for n = 2 (ISO 7870-2).
const D2_OF_TWO: f64 = FRAC_2_SQRT_PI;

/// How many standard deviations from the centre Shewhart's limits lie.
const SHEWHART_WIDTH: f64 = 3.0;

/// Centre and limits of an individuals chart, set from values in control.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Individuals {
    /// Mean of the values.
    pub centre: f64,
    /// Mean absolute difference of neighbours.
    pub mean_moving_range: f64,
    /// Standard deviation by the moving ranges: their mean over d₂.
    pub sd: f64,
    /// Lower limit, three standard deviations below the centre.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
    /// Upper limit for a moving range (D₄ times their mean).
    pub moving_range_upper: f64,
}

/// The individuals chart of `values`. `None` with fewer than two.
///
/// The spread is taken from neighbours and not from all values, so that a shift among them widens the limits little.
/// References: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2; ISO 7870-2.
#[must_use]
pub fn individuals(values: &[f64]) -> Option<Individuals> {
    if values.len() < 2 {
        return None;
    }
    let centre = values.iter().sum::<f64>() / values.len() as f64;
    let ranges = values.windows(2).map(|pair| (pair[1] - pair[0]).abs());
    let mean_moving_range = ranges.sum::<f64>() / (values.len() - 1) as f64;
    let sd = mean_moving_range / D2_OF_TWO;
    // d₃ of two values: √(2 − 4/π).
    let d4 = 1.0 + 3.0 * (2.0 - 4.0 / PI).sqrt() / D2_OF_TWO;
    Some(Individuals {
        centre,
        mean_moving_range,
        sd,
        lower: centre - SHEWHART_WIDTH * sd,
        upper: centre + SHEWHART_WIDTH * sd,
        moving_range_upper: d4 * mean_moving_range,
    })
}

/// What an exponentially weighted moving average is made with.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ewma {
    /// Weight of the newest value, more than 0 to 1.
    pub lambda: f64,
    /// Width of the limits in standard deviations of the average.
    pub width: f64,
}

/// One point of an EWMA chart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EwmaPoint {
    /// The average, in the values' unit.
    pub average: f64,
    /// Lower limit at this point.
    pub lower: f64,
    /// Upper limit at this point.
    pub upper: f64,
}

impl EwmaPoint {
    /// Whether the average lies outside its limits.
    #[must_use]
    pub fn is_outside(&self) -> bool {
        self.average < self.lower || self.upper < self.average
    }
}

impl Ewma {
    /// Half the distance of the limits that are reached after many values, for values of standard deviation `sd`.
    #[must_use]
    pub fn steady_half_width(&self, sd: f64) -> f64 {
        self.width * sd * (self.lambda / (2.0 - self.lambda)).sqrt()
    }

    /// A chart about `centre`, started there, to which values are added one by one.
    #[must_use]
    pub fn start(&self, centre: f64, sd: f64) -> EwmaRun {
        EwmaRun {
            lambda: self.lambda,
            centre,
            steady: self.steady_half_width(sd),
            average: centre,
            left: 1.0,
        }
    }

    /// The chart of `values` about `centre`, started there, with limits that widen as the average fills.
    ///
    /// References: Roberts (1959), Technometrics 1:239; NIST/SEMATECH e-Handbook, 6.3.2.4.
    #[must_use]
    pub fn chart(&self, values: &[f64], centre: f64, sd: f64) -> Vec<EwmaPoint> {
        let mut run = self.start(centre, sd);
        values.iter().map(|value| run.add(*value)).collect()
    }
}

/// An EWMA chart in the making.
#[derive(Debug, Clone, Copy)]
pub struct EwmaRun {
    lambda: f64,
    centre: f64,
    steady: f64,
    average: f64,
    /// Share of the average's variance that is not reached yet.
    left: f64,
}

impl EwmaRun {
    /// The chart's next point.
    pub fn add(&mut self, value: f64) -> EwmaPoint {
        self.average = self.lambda * value + (1.0 - self.lambda) * self.average;
        self.left *= (1.0 - self.lambda).powi(2);
        let half = self.steady * (1.0 - self.left).sqrt();
        EwmaPoint {
            average: self.average,
            lower: self.centre - half,
            upper: self.centre + half,
        }
    }
}

/// What a tabular CUSUM is made with, both in standard deviations of the values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cusum {
    /// Allowance: half the shift that is to be seen soonest.
    pub allowance: f64,
    /// Decision interval.
    pub decision: f64,
}

/// One point of a tabular CUSUM, in standard deviations.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CusumPoint {
    /// Sum of what lies above centre plus allowance; never below 0.
    pub high: f64,
    /// Sum of what lies below centre minus allowance; never below 0.
    pub low: f64,
}

impl Cusum {
    /// The chart of `values` about `centre`. With `sd` 0 there is none.
    ///
    /// References: Page (1954), Biometrika 41:100; NIST/SEMATECH e-Handbook, 6.3.2.3.
    #[must_use]
    pub fn chart(&self, values: &[f64], centre: f64, sd: f64) -> Option<Vec<CusumPoint>> {
        if sd <= 0.0 || !sd.is_finite() {
            return None;
        }
        let mut run = self.start();
        let points = values.iter().map(|value| run.add((value - centre) / sd));
        Some(points.collect())
    }

    /// A chart started at 0, to which values in standard deviations from the centre are added one by one.
    #[must_use]
    pub fn start(&self) -> CusumRun {
        CusumRun {
            allowance: self.allowance,
            sums: CusumPoint {
                high: 0.0,
                low: 0.0,
            },
        }
    }

    /// Whether a sum passes the decision interval.
    #[must_use]
    pub fn is_outside(&self, point: &CusumPoint) -> bool {
        point.high > self.decision || point.low > self.decision
    }
}

/// A CUSUM chart in the making.
#[derive(Debug, Clone, Copy)]
pub struct CusumRun {
    allowance: f64,
    sums: CusumPoint,
}

impl CusumRun {
    /// The chart's next point; `z` in standard deviations from the centre.
    pub fn add(&mut self, z: f64) -> CusumPoint {
        self.sums = CusumPoint {
            high: (self.sums.high + z - self.allowance).max(0.0),
            low: (self.sums.low - z - self.allowance).max(0.0),
        };
        self.sums
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_value_sets_no_limits() {
        assert_eq!(individuals(&[]), None);
        assert_eq!(individuals(&[1.0]), None);
    }

    #[test]
    fn two_values_by_hand() {
        let chart = individuals(&[1.0, 3.0]).unwrap();
        assert!((chart.centre - 2.0).abs() < 1e-15);
        // The mean range of two normal values is 2/√π standard deviations.
        assert!((chart.sd - 2.0 / std::f64::consts::FRAC_2_SQRT_PI).abs() < 1e-12);
        assert!((chart.upper - chart.centre - 3.0 * chart.sd).abs() < 1e-12);
    }

    #[test]
    fn values_without_spread_have_no_cusum() {
        let cusum = Cusum {
            allowance: 0.5,
            decision: 5.0,
        };
        assert_eq!(cusum.chart(&[1.0, 1.0], 1.0, 0.0), None);
    }

    #[test]
    fn lambda_one_is_the_individuals_chart() {
        let values = [4.0, -1.0, 2.5];
        let ewma = Ewma {
            lambda: 1.0,
            width: 3.0,
        };
        for (point, value) in ewma.chart(&values, 1.0, 0.5).iter().zip(values) {
            assert_eq!(point.average, value);
            assert_eq!((point.lower, point.upper), (-0.5, 2.5));
        }
    }
}
