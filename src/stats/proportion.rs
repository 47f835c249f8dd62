//! Exact confidence limits of a share (Clopper and Pearson 1934, Biometrika 26, 404–413).

use statrs::distribution::{Beta, ContinuousCDF};

/// Confidence limits of the share of `hits` among `trials`, two-sided and equal-tailed: the true share lies within them with at least
/// the probability `confidence`, whatever it is. `None` without trials, with more hits than trials, or without a confidence
/// between 0 and 1.
#[must_use]
pub fn clopper_pearson(hits: u64, trials: u64, confidence: f64) -> Option<[f64; 2]> {
    if trials == 0 || hits > trials || !(0.0 < confidence && confidence < 1.0) {
        return None;
    }
    let tail = (1.0 - confidence) / 2.0;
    let (k, n) = (hits as f64, trials as f64);
    let low = match hits {
        0 => 0.0,
        _ => quantile(tail, k, n - k + 1.0)?,
    };
    let high = match hits == trials {
        true => 1.0,
        false => quantile(1.0 - tail, k + 1.0, n - k)?,
    };
    Some([low, high])
}

/// The quantile of a Beta distribution, by halving: its distribution function is known to full precision, and rises.
fn quantile(p: f64, a: f64, b: f64) -> Option<f64> {
    let beta = Beta::new(a, b).ok()?;
    let (mut low, mut high) = (0.0_f64, 1.0_f64);
    // Each step halves the interval; after 1075 not even the smallest number lies between its ends.
    for _ in 0..1075 {
        let middle = 0.5 * (low + high);
        if middle <= low || high <= middle {
            break;
        }
        if beta.cdf(middle) < p {
            low = middle;
        } else {
            high = middle;
        }
    }
    Some(0.5 * (low + high))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn nothing_and_everything_have_the_limits_that_can_be_written_down() {
        // With no hit the upper limit p solves (1 − p)^n = tail; with hits only, the lower one p^n = tail.
        for n in [1_u64, 5, 40, 1000, 1_000_000] {
            let end = 0.025_f64.powf(1.0 / n as f64);
            let [low, high] = clopper_pearson(0, n, 0.95).unwrap();
            assert_eq!(low, 0.0);
            assert!((high - (1.0 - end)).abs() < 1e-12, "{n}: {high}");
            let [low, high] = clopper_pearson(n, n, 0.95).unwrap();
            assert_eq!(high, 1.0);
            assert!((low - end).abs() < 1e-12, "{n}: {low}");
        }
    }

    #[test]
    fn what_is_no_share_has_no_limits() {
        assert_eq!(clopper_pearson(0, 0, 0.95), None);
        assert_eq!(clopper_pearson(3, 2, 0.95), None);
        assert_eq!(clopper_pearson(1, 2, 1.0), None);
        assert_eq!(clopper_pearson(1, 2, f64::NAN), None);
    }

    proptest! {
        #[test]
        fn the_limits_enclose_the_share_and_mirror_each_other(n in 1_u64..3000, share in 0.0..=1.0) {
            let k = (share * n as f64) as u64;
            let [low, high] = clopper_pearson(k, n, 0.95).unwrap();
            let found = k as f64 / n as f64;
            prop_assert!(low <= found && found <= high);
            let [mirrored_low, mirrored_high] = clopper_pearson(n - k, n, 0.95).unwrap();
            prop_assert!((low - (1.0 - mirrored_high)).abs() < 1e-10);
            prop_assert!((high - (1.0 - mirrored_low)).abs() < 1e-10);
        }
    }
}
