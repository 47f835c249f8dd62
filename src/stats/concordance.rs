//! Lin's concordance: how near pairs lie to the line of equality.

use statrs::distribution::{ContinuousCDF, Normal};

/// Lin's concordance correlation coefficient with its 95 % interval.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Concordance {
    /// The coefficient: 1 where all pairs are equal.
    pub coefficient: f64,
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end of it.
    pub high: f64,
    /// Pearson's correlation: how near the pairs lie to some line.
    pub correlation: f64,
    /// How near that line lies to the line of equality, up to 1 (`coefficient = correlation · accuracy`).
    pub accuracy: f64,
}

/// Lin's coefficient `2·s_xy/(s_x² + s_y² + (x̄ − ȳ)²)` with sums over n, its interval by Fisher's z with the asymptotic variance (Lin 1989,
/// Biometrics 45:255, with the correction of 2000, Biometrics 56:324).
///
/// It grows with the spread of the masses themselves: values from products of different spread are not comparable. `None` with fewer than four pairs, or
/// where one side has no spread.
#[must_use]
pub fn concordance(pairs: &[(f64, f64)]) -> Option<Concordance> {
    let n = pairs.len() as f64;
    if pairs.len() < 4 || !pairs.iter().all(|(x, y)| x.is_finite() && y.is_finite()) {
        return None;
    }
    let x_mean = pairs.iter().map(|p| p.0).sum::<f64>() / n;
    let y_mean = pairs.iter().map(|p| p.1).sum::<f64>() / n;
    let (mut sxx, mut syy, mut sxy) = (0.0, 0.0, 0.0);
    for (x, y) in pairs {
        sxx += (x - x_mean).powi(2) / n;
        syy += (y - y_mean).powi(2) / n;
        sxy += (x - x_mean) * (y - y_mean) / n;
    }
    if sxx <= 0.0 || syy <= 0.0 {
        return None;
    }
    let shift = (x_mean - y_mean).powi(2);
    let rho_c = 2.0 * sxy / (sxx + syy + shift);
    let rho = sxy / (sxx * syy).sqrt();
    let u2 = shift / (sxx * syy).sqrt();
    if rho == 0.0 {
        return None;
    }
    let c2 = rho_c * rho_c;
    let variance = if rho_c.abs() >= 1.0 - 1e-15 {
        0.0
    } else {
        let by_line = (1.0 - rho * rho) * c2 / ((1.0 - c2) * rho * rho);
        let by_shift = 2.0 * c2 * rho_c * (1.0 - rho_c) * u2 / (rho * (1.0 - c2).powi(2));
        let by_both = c2 * c2 * u2 * u2 / (2.0 * rho * rho * (1.0 - c2).powi(2));
        ((by_line + by_shift - by_both) / (n - 2.0)).max(0.0)
    };
    let half = Normal::standard().inverse_cdf(0.975) * variance.sqrt();
    let z = rho_c.clamp(-1.0, 1.0).atanh();
    Some(Concordance {
        coefficient: rho_c,
        low: (z - half).tanh(),
        high: (z + half).tanh(),
        correlation: rho,
        accuracy: rho_c / rho,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_pairs_agree_wholly_and_a_shift_is_held_against_them() {
        let equal: Vec<(f64, f64)> = (0..10).map(|i| (f64::from(i), f64::from(i))).collect();
        assert!((concordance(&equal).unwrap().coefficient - 1.0).abs() < 1e-12);
        let shifted: Vec<(f64, f64)> = equal.iter().map(|(x, y)| (*x, y + 2.0)).collect();
        let found = concordance(&shifted).unwrap();
        // s² = 8.25 over n; 2·8.25/(2·8.25 + 4).
        assert!((found.coefficient - 16.5 / 20.5).abs() < 1e-12);
        assert!((found.correlation - 1.0).abs() < 1e-12);
    }

    #[test]
    fn without_spread_there_is_none() {
        assert_eq!(concordance(&[(1.0, 2.0); 8]), None);
        assert_eq!(concordance(&[(1.0, 2.0), (2.0, 3.0), (3.0, 1.0)]), None);
    }
}
