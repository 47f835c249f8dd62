//! A straight line through weighted points, with its confidence band and where it meets a level.

use statrs::distribution::{ContinuousCDF, StudentsT};

/// A line fitted by weighted least squares. Weights say only how points compare; the noise is taken from the residuals.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// Points.
    pub points: usize,
    /// Weighted mean of x, where the band is narrowest.
    pub x_mean: f64,
    /// Weighted mean of y.
    pub y_mean: f64,
    /// Slope.
    pub slope: f64,
    /// Standard error of the slope.
    pub slope_se: f64,
    /// Value at x = 0.
    pub intercept: f64,
    /// Standard error of it.
    pub intercept_se: f64,
    /// Standard deviation of the residuals of a point of mean weight.
    pub residual_sd: f64,
    /// Points less two, and less again where residuals of neighbours are alike.
    pub freedom: f64,
    /// Correlation of neighbouring residuals (lag 1), in the order given.
    pub neighbours: f64,
    /// Standard error of the mean of y.
    mean_se: f64,
}

/// Where a line meets a level: the place and the ends of its confidence interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Crossing {
    /// Where the line itself meets the level.
    pub at: f64,
    /// Where the first edge of the confidence band does.
    pub first: f64,
    /// Where the last edge does.
    pub last: f64,
}

/// Fits a line to points `(x, y, weight)`. `None` with fewer than three points of weight, or all at one x.
///
/// Reference: Draper and Smith, Applied Regression Analysis, ch. 1 and 2.11.
#[must_use]
pub fn fit_line(points: &[(f64, f64, f64)]) -> Option<Line> {
    let used = || points.iter().filter(|point| point.2 > 0.0);
    let n = used().count();
    let weight_sum: f64 = used().map(|point| point.2).sum();
    if n < 3 || !weight_sum.is_finite() {
        return None;
    }
    // Weights of mean 1, so that the residual's spread is that of a usual point.
    let scale = n as f64 / weight_sum;
    let count = n as f64;
    let mean = |value: fn(&(f64, f64, f64)) -> f64| {
        used().map(|p| scale * p.2 * value(p)).sum::<f64>() / count
    };
    let (x_mean, y_mean) = (mean(|p| p.0), mean(|p| p.1));
    let (mut sxx, mut sxy) = (0.0, 0.0);
    for &(x, y, w) in used() {
        sxx += scale * w * (x - x_mean).powi(2);
        sxy += scale * w * (x - x_mean) * (y - y_mean);
    }
    if sxx <= 0.0 || !sxx.is_finite() {
        return None;
    }
    let slope = sxy / sxx;
    let residuals: Vec<f64> = used()
        .map(|&(x, y, w)| (scale * w).sqrt() * (y - y_mean - slope * (x - x_mean)))
        .collect();
    let squares: f64 = residuals.iter().map(|r| r * r).sum();
    let residual_sd = (squares / (count - 2.0)).sqrt();
    let together: f64 = residuals.windows(2).map(|pair| pair[0] * pair[1]).sum();
    let neighbours = if squares > 0.0 {
        together / squares
    } else {
        0.0
    };
    Some(Line {
        points: n,
        x_mean,
        y_mean,
        slope,
        slope_se: residual_sd / sxx.sqrt(),
        intercept: y_mean - slope * x_mean,
        intercept_se: residual_sd * (1.0 / count + x_mean * x_mean / sxx).sqrt(),
        residual_sd,
        freedom: count - 2.0,
        neighbours,
        mean_se: residual_sd / count.sqrt(),
    })
}

impl Line {
    /// The same line where neighbours in time may be alike beyond chance (lag-1 correlation r above 2/√n): such points
    /// tell less than as many independent ones, so standard errors grow by √((1 + r)/(1 − r)) and the number of points
    /// shrinks by the square of that (Bayley and Hammersley 1946). The points must have been in the order of x.
    #[must_use]
    pub fn widened_for_neighbours(mut self) -> Self {
        let count = self.points as f64;
        if self.neighbours <= 2.0 / count.sqrt() {
            return self;
        }
        // Beyond 0.95 the correction is no longer worth its name.
        let alike = self.neighbours.min(0.95);
        let growth = ((1.0 + alike) / (1.0 - alike)).sqrt();
        self.slope_se *= growth;
        self.intercept_se *= growth;
        self.mean_se *= growth;
        self.freedom = (count / (growth * growth) - 2.0).max(1.0);
        self
    }

    /// The line's value at `x`.
    #[must_use]
    pub fn at(&self, x: f64) -> f64 {
        self.y_mean + self.slope * (x - self.x_mean)
    }

    /// Half the width of the band in which the line lies at `x` with a probability of `confidence`.
    #[must_use]
    pub fn half_band(&self, x: f64, confidence: f64) -> f64 {
        let se = self.mean_se.hypot(self.slope_se * (x - self.x_mean));
        student_quantile(confidence, self.freedom) * se
    }

    /// Whether the slope differs from 0 at this confidence.
    #[must_use]
    pub fn rises_or_falls(&self, confidence: f64) -> bool {
        self.slope.abs() > student_quantile(confidence, self.freedom) * self.slope_se
    }

    /// Where the line meets `level`, with the places where its confidence band does (Fieller 1954). `None` for a slope
    /// that does not differ from 0: then the band may never meet it.
    #[must_use]
    pub fn crossing(&self, level: f64, confidence: f64) -> Option<Crossing> {
        if !self.rises_or_falls(confidence) {
            return None;
        }
        let t2 = student_quantile(confidence, self.freedom).powi(2);
        let rise = level - self.y_mean;
        // Roots of (slope² − t²·se²)·z² − 2·slope·rise·z + rise² − t²·mean_se² = 0, z from the mean of x.
        let a = self.slope * self.slope - t2 * self.slope_se * self.slope_se;
        let b = self.slope * rise;
        let c = rise * rise - t2 * self.mean_se * self.mean_se;
        let root = (b * b - a * c).max(0.0).sqrt();
        let (one, other) = ((b - root) / a, (b + root) / a);
        Some(Crossing {
            at: self.x_mean + rise / self.slope,
            first: self.x_mean + one.min(other),
            last: self.x_mean + one.max(other),
        })
    }
}

/// The factor t for a two-sided interval of this confidence.
#[must_use]
pub fn student_quantile(confidence: f64, freedom: f64) -> f64 {
    match StudentsT::new(0.0, 1.0, freedom) {
        Ok(student) => student.inverse_cdf(0.5 + confidence / 2.0),
        // No such distribution, so no interval that is of use.
        Err(_) => f64::INFINITY,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn students_factor_meets_the_tables() {
        // Two-sided 95 %: t(16) = 2.1199 as in Bland and Altman (1986); t(1) = 12.706, t(30) = 2.042, any table.
        for (freedom, expected) in [(16.0, 2.119_905), (1.0, 12.706_205), (30.0, 2.042_272)] {
            let found = student_quantile(0.95, freedom);
            assert!((found - expected).abs() < 1e-5, "{freedom}: {found}");
        }
    }

    #[test]
    fn the_band_meets_the_level_where_the_crossing_says() {
        let points: Vec<_> = (0..20)
            .map(|i| {
                let x = f64::from(i);
                (x, 1.0 + 0.5 * x + if i % 2 == 0 { 0.3 } else { -0.3 }, 1.0)
            })
            .collect();
        let line = fit_line(&points).unwrap();
        let crossing = line.crossing(30.0, 0.95).unwrap();
        assert!((line.at(crossing.at) - 30.0).abs() < 1e-9);
        assert!(crossing.first < crossing.at && crossing.at < crossing.last);
        for (x, side) in [(crossing.first, 1.0), (crossing.last, -1.0)] {
            assert!((line.at(x) + side * line.half_band(x, 0.95) - 30.0).abs() < 1e-9);
        }
    }

    #[test]
    fn noise_without_slope_meets_nothing() {
        let points: Vec<_> = [0.2, -0.1, 0.1, -0.2, 0.15, -0.15]
            .iter()
            .enumerate()
            .map(|(i, y)| (i as f64, *y, 1.0))
            .collect();
        let line = fit_line(&points).unwrap();
        assert_eq!(line.crossing(5.0, 0.95), None);
    }

    #[test]
    fn weights_count_only_against_each_other() {
        let points = [
            (0.0, 1.0, 1.0),
            (1.0, 2.5, 2.0),
            (2.0, 2.0, 1.0),
            (3.0, 4.5, 4.0),
        ];
        let ten = points.map(|(x, y, w)| (x, y, 10.0 * w));
        let (one, other) = (fit_line(&points).unwrap(), fit_line(&ten).unwrap());
        assert!((one.slope - other.slope).abs() < 1e-12);
        assert!((one.slope_se - other.slope_se).abs() < 1e-12);
    }

    #[test]
    fn residuals_that_are_alike_widen_the_band() {
        let slow = |i: i32| (f64::from(i) / 8.0).sin();
        let fast = |i: i32| (f64::from(i) * 2.4).sin();
        let line = |wave: &dyn Fn(i32) -> f64| {
            let points: Vec<_> = (0..200).map(|i| (f64::from(i), wave(i), 1.0)).collect();
            fit_line(&points).unwrap().widened_for_neighbours()
        };
        assert!(line(&slow).slope_se > 3.0 * line(&fast).slope_se);
    }

    #[test]
    fn too_little_makes_no_line() {
        assert!(fit_line(&[(0.0, 1.0, 1.0), (1.0, 2.0, 1.0)]).is_none());
        assert!(fit_line(&[(1.0, 1.0, 1.0), (1.0, 2.0, 1.0), (1.0, 3.0, 1.0)]).is_none());
    }
}
