//! Shares with exact intervals.

use super::clopper_pearson;

/// A share counted out, with its interval.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Share {
    /// How many of them.
    pub count: usize,
    /// Of how many.
    pub of: usize,
    /// `count/of`.
    pub fraction: f64,
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end of the interval.
    pub high: f64,
}

/// A share with the exact interval of Clopper and Pearson (1934, Biometrika 26:404), which covers at least `confidence`.
///
/// `None` without any, with more counted than there are, or a confidence outside (0, 1).
#[must_use]
pub fn exact_share(count: usize, of: usize, confidence: f64) -> Option<Share> {
    let [low, high] = clopper_pearson(count as u64, of as u64, confidence)?;
    Some(Share {
        count,
        of,
        fraction: count as f64 / of as f64,
        low,
        high,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn none_and_all_have_closed_forms() {
        // For 0 of n the upper end is 1 − (α/2)^(1/n).
        let none = exact_share(0, 10, 0.95).unwrap();
        assert_eq!(none.low, 0.0);
        assert!((none.high - (1.0 - 0.025_f64.powf(0.1))).abs() < 1e-9);
        let all = exact_share(10, 10, 0.95).unwrap();
        assert_eq!(all.high, 1.0);
        assert!((all.low - 0.025_f64.powf(0.1)).abs() < 1e-9);
    }

    #[test]
    fn the_ends_leave_half_of_the_rest_on_either_side() {
        use statrs::distribution::{Binomial, DiscreteCDF};
        for (count, of) in [(1, 7), (93, 100), (480, 1500)] {
            let share = exact_share(count, of, 0.95).unwrap();
            let below = Binomial::new(share.high, of as u64).unwrap();
            assert!((below.cdf(count as u64) - 0.025).abs() < 1e-6);
            let above = Binomial::new(share.low, of as u64).unwrap();
            assert!((1.0 - above.cdf(count as u64 - 1) - 0.025).abs() < 1e-6);
        }
    }

    #[test]
    fn what_makes_no_sense_has_no_share() {
        assert_eq!(exact_share(0, 0, 0.95), None);
        assert_eq!(exact_share(3, 2, 0.95), None);
        assert_eq!(exact_share(1, 2, 1.0), None);
    }
}
