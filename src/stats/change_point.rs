//! Where the mean of a series changed: the segmentation of least cost.

use super::robust::{MAD_TO_SD, middle};

/// The noise of a series by the differences of its neighbours: their median absolute deviation from 0, which neither a
/// few steps nor a slow trend moves much, as a standard deviation, over √2. `None` without a difference or without spread.
///
/// Where more than half of the neighbours are equal, the median is 0 and tells nothing; then the mean difference is
/// taken, as on an individuals chart.
#[must_use]
pub fn noise_of_differences(values: &[f64]) -> Option<f64> {
    let mut differences: Vec<f64> = values.windows(2).map(|w| (w[1] - w[0]).abs()).collect();
    let by_median = middle(&mut differences)? * MAD_TO_SD / std::f64::consts::SQRT_2;
    let sd = if by_median > 0.0 {
        by_median
    } else {
        super::control::individuals(values)?.sd
    };
    (sd > 0.0 && sd.is_finite()).then_some(sd)
}

/// The first index of every new level.
///
/// Minimises the sum over segments of Σ(x − mean)²/sd², plus `penalty` for every change, over all ways to cut the series
/// into segments of at least `shortest` values: exact, by dynamic programming with the pruning of PELT (Killick, Fearnhead
/// and Eckley 2012, JASA 107:1590). A `penalty` of 2·ln n is the Schwarz criterion for a position and a level (Yao 1988).
#[must_use]
pub fn mean_changes(values: &[f64], sd: f64, penalty: f64, shortest: usize) -> Vec<usize> {
    let n = values.len();
    let shortest = shortest.max(1);
    let scaled_ok = sd > 0.0 && sd.is_finite() && values.iter().all(|v| v.is_finite());
    if !scaled_ok || n < 2 * shortest {
        return Vec::new();
    }
    // Sums of values about the first one, so that a large mean with a small spread loses no digits.
    let first = values[0];
    let mut sums = vec![(0.0, 0.0)];
    let (mut sum, mut squares) = (0.0, 0.0);
    for value in values {
        let z = (value - first) / sd;
        sum += z;
        squares += z * z;
        sums.push((sum, squares));
    }
    // best[t]: least cost of the first t values, with one penalty for each segment; cut[t]: where its last one starts.
    let mut best = vec![f64::INFINITY; n + 1];
    let mut cut = vec![0_usize; n + 1];
    best[0] = 0.0;
    let mut starts: Vec<Start> = Vec::new();
    let mut totals: Vec<f64> = Vec::new();
    let mut doomed: Vec<bool> = Vec::new();
    let mut useless_from = 0;
    for end in shortest..=n {
        let start = end - shortest;
        if best[start].is_finite() {
            starts.push(Start {
                at: start as f64,
                sum: sums[start].0,
                base: best[start] - sums[start].1,
            });
        }
        let (sum, squares) = sums[end];
        totals.clear();
        totals.extend(starts.iter().map(|it| {
            let part = sum - it.sum;
            it.base - part * part / (end as f64 - it.at)
        }));
        let (mut least, mut of) = (f64::INFINITY, 0);
        for (i, &total) in totals.iter().enumerate() {
            if total < least {
                (least, of) = (total, i);
            }
        }
        best[end] = least + squares + penalty;
        cut[end] = starts.get(of).map_or(0, |it| it.at as usize);
        // A start that is worse by more than any later cut can win back is never best again, from the first end on that
        // a cut here can serve.
        if doomed.is_empty() && end.is_multiple_of(PRUNE_EVERY) {
            doomed.extend(totals.iter().map(|total| total + squares > best[end]));
            useless_from = end + shortest;
        }
        if !doomed.is_empty() && end + 1 >= useless_from {
            // Starts that came after the marking stay.
            doomed.resize(starts.len(), false);
            let mut marks = doomed.iter();
            starts.retain(|_| !marks.next().copied().unwrap_or(false));
            doomed.clear();
        }
    }
    let mut changes = Vec::new();
    let mut end = cut[n];
    while end > 0 {
        changes.push(end);
        end = cut[end];
    }
    changes.reverse();
    changes
}

/// Ends between two prunings: pruning costs as much as a step, and need not happen at each.
const PRUNE_EVERY: usize = 16;

/// A place where the last segment may start.
struct Start {
    at: f64,
    /// Sum of all values before it.
    sum: f64,
    /// Least cost of what lies before it, less the sum of squares there.
    base: f64,
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    fn noise(seed: u64, n: usize) -> Vec<f64> {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        (0..n).map(|_| StandardNormal.sample(&mut random)).collect()
    }

    /// The same minimum without pruning.
    fn slowly(values: &[f64], penalty: f64, shortest: usize) -> Vec<usize> {
        let n = values.len();
        let cost = |part: &[f64]| {
            let mean = part.iter().sum::<f64>() / part.len() as f64;
            part.iter().map(|v| (v - mean).powi(2)).sum::<f64>()
        };
        let mut best: Vec<(f64, Vec<usize>)> = vec![(0.0, Vec::new())];
        for end in 1..=n {
            let mut here = (f64::INFINITY, Vec::new());
            for start in 0..=end.saturating_sub(shortest) {
                if end < shortest {
                    break;
                }
                let total = best[start].0 + cost(&values[start..end]) + penalty;
                if total < here.0 - 1e-9 {
                    here = (total, best[start].1.clone());
                    if start > 0 {
                        here.1.push(start);
                    }
                }
            }
            best.push(here);
        }
        best.swap_remove(n).1
    }

    #[test]
    fn clean_steps_are_found_where_they_are() {
        let mut values = noise(1, 90);
        values[30..].iter_mut().for_each(|v| *v += 8.0);
        values[60..].iter_mut().for_each(|v| *v -= 20.0);
        assert_eq!(mean_changes(&values, 1.0, 2.0 * 90_f64.ln(), 3), [30, 60]);
    }

    #[test]
    fn pruning_changes_nothing() {
        for seed in 0..20 {
            let mut values = noise(seed, 80);
            values[20..].iter_mut().for_each(|v| *v += 1.5);
            values[50..].iter_mut().for_each(|v| *v -= 2.5);
            for shortest in [1, 2, 5] {
                for penalty in [2.0, 8.0] {
                    assert_eq!(
                        mean_changes(&values, 1.0, penalty, shortest),
                        slowly(&values, penalty, shortest),
                        "seed {seed}, {shortest}, {penalty}"
                    );
                }
            }
        }
    }

    #[test]
    fn noise_alone_seldom_has_a_change() {
        let n = 365;
        let found = (0..200)
            .filter(|&seed| {
                let values = noise(1000 + seed, n);
                let sd = noise_of_differences(&values).unwrap();
                !mean_changes(&values, sd, 2.0 * (n as f64).ln() + 4.0, 3).is_empty()
            })
            .count();
        assert!(found <= 20, "{found} of 200");
    }

    #[test]
    fn steps_hardly_move_the_noise() {
        let mut values = noise(7, 2000);
        values[500..].iter_mut().for_each(|v| *v += 50.0);
        let sd = noise_of_differences(&values).unwrap();
        assert!((sd - 1.0).abs() < 0.06, "{sd}");
        assert_eq!(noise_of_differences(&[2.0, 2.0, 2.0]), None);
        assert!(noise_of_differences(&[2.0, 2.0, 2.0, 2.0, 3.0]).is_some());
        assert_eq!(noise_of_differences(&[2.0]), None);
    }

    #[test]
    fn too_little_has_no_change() {
        assert!(mean_changes(&[], 1.0, 1.0, 3).is_empty());
        assert!(mean_changes(&[0.0, 9.0, 9.0], 1.0, 1.0, 3).is_empty());
        assert!(mean_changes(&[0.0, f64::NAN, 9.0], 1.0, 1.0, 1).is_empty());
        assert!(mean_changes(&[0.0, 9.0], 0.0, 1.0, 1).is_empty());
    }
}
