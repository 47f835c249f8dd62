//! The noncentral t distribution, by quadrature over the spread.

use statrs::distribution::{ContinuousCDF, Normal};
use statrs::function::gamma::ln_gamma;

/// Intervals of the quadrature; the integrand is smooth, and doubling them changes the 12th digit.
const INTERVALS: usize = 400;

/// Probability that `(Z + δ)/√(χ²_ν/ν)` is at most `t`, with Z standard normal.
///
/// The integral of `Φ(t·s − δ)` over the distribution of `s = √(χ²_ν/ν)` (Johnson, Kotz and Balakrishnan, *Continuous Univariate
/// Distributions*, vol. 2, ch. 31), by Simpson's rule over ten standard deviations of s: no series that loses digits where δ is large.
/// `None` unless `freedom` is 1 or more and all numbers are finite.
#[must_use]
pub fn noncentral_t_cdf(t: f64, freedom: f64, noncentrality: f64) -> Option<f64> {
    let sound = 1.0 <= freedom && [t, freedom, noncentrality].iter().all(|v| v.is_finite());
    if !sound {
        return None;
    }
    let normal = Normal::standard();
    let half_width = 10.0 / (2.0 * freedom).sqrt();
    let low = (1.0 - half_width).max(0.0);
    let high = 1.0 + half_width;
    // Density of s: 2·(ν/2)^(ν/2)/Γ(ν/2)·s^(ν−1)·exp(−ν·s²/2), through logarithms as its parts overflow.
    let half = freedom / 2.0;
    let constant = std::f64::consts::LN_2 + half * half.ln() - ln_gamma(half);
    let density = |s: f64| {
        let power = if freedom == 1.0 {
            0.0
        } else {
            (freedom - 1.0) * s.ln()
        };
        (constant + power - half * s * s).exp()
    };
    let step = (high - low) / INTERVALS as f64;
    let (mut sum, mut mass) = (0.0, 0.0);
    for i in 0..=INTERVALS {
        let s = low + step * i as f64;
        let weight = match i {
            0 | INTERVALS => 1.0,
            _ if i % 2 == 1 => 4.0,
            _ => 2.0,
        };
        let part = weight * density(s);
        mass += part;
        sum += part * normal.cdf(t * s - noncentrality);
    }
    Some((sum / mass).clamp(0.0, 1.0))
}

/// The value below which the share `p` lies. `None` as [`noncentral_t_cdf`], and for `p` outside (0, 1).
#[must_use]
pub fn noncentral_t_quantile(p: f64, freedom: f64, noncentrality: f64) -> Option<f64> {
    if !(0.0 < p && p < 1.0) {
        return None;
    }
    let off = |t: f64| Some(noncentral_t_cdf(t, freedom, noncentrality)? - p);
    // Bracketed from the usual approximation outwards, then halved with secant steps in between (Illinois rule).
    let z = Normal::standard().inverse_cdf(p);
    let spread = (1.0 + noncentrality * noncentrality / (2.0 * freedom)).sqrt();
    let (mut low, mut high) = (
        noncentrality + (z - 1.0) * spread,
        noncentrality + (z + 1.0) * spread,
    );
    let mut width = spread;
    while off(low)? > 0.0 {
        width *= 2.0;
        low -= width;
        if width > 1e12 {
            return None;
        }
    }
    width = spread;
    while off(high)? < 0.0 {
        width *= 2.0;
        high += width;
        if width > 1e12 {
            return None;
        }
    }
    let (mut at_low, mut at_high) = (off(low)?, off(high)?);
    let mut last_side = 0;
    for _ in 0..200 {
        if high - low <= 1e-11 * (1.0 + low.abs()) || at_high == at_low {
            break;
        }
        let mut middle = (low * at_high - high * at_low) / (at_high - at_low);
        if !(low < middle && middle < high) {
            middle = f64::midpoint(low, high);
        }
        let here = off(middle)?;
        if here == 0.0 {
            return Some(middle);
        }
        if here < 0.0 {
            (low, at_low) = (middle, here);
            if last_side == -1 {
                at_high /= 2.0;
            }
            last_side = -1;
        } else {
            (high, at_high) = (middle, here);
            if last_side == 1 {
                at_low /= 2.0;
            }
            last_side = 1;
        }
    }
    Some(f64::midpoint(low, high))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::student_quantile;

    #[test]
    fn without_noncentrality_it_is_students() {
        for freedom in [1.0, 2.0, 7.0, 30.0, 500.0] {
            for p in [0.025, 0.3, 0.5, 0.9, 0.975] {
                let found = noncentral_t_quantile(p, freedom, 0.0).unwrap();
                let expected =
                    student_quantile((2.0 * p - 1.0_f64).abs(), freedom).copysign(p - 0.5);
                // Heavy tails of one or two degrees of freedom reach beyond the quadrature's ten standard deviations.
                let within = if freedom < 3.0 { 2e-2 } else { 1e-6 };
                assert!(
                    (found - expected).abs() <= within * (1.0 + expected.abs()),
                    "{freedom} {p}: {found} for {expected}"
                );
            }
        }
    }

    #[test]
    fn quantiles_and_probabilities_are_inverse() {
        for (freedom, noncentrality) in [(5.0, -2.0), (16.0, 8.1), (499.0, 43.8), (9999.0, 196.0)] {
            for p in [0.025, 0.5, 0.975] {
                let t = noncentral_t_quantile(p, freedom, noncentrality).unwrap();
                let back = noncentral_t_cdf(t, freedom, noncentrality).unwrap();
                assert!((back - p).abs() < 1e-8, "{back} for {p}");
            }
        }
    }

    #[test]
    fn what_makes_no_sense_has_no_value() {
        assert_eq!(noncentral_t_cdf(f64::NAN, 5.0, 0.0), None);
        assert_eq!(noncentral_t_cdf(1.0, 0.5, 0.0), None);
        assert_eq!(noncentral_t_quantile(1.0, 5.0, 0.0), None);
    }
}
