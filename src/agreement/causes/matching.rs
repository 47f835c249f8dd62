//! Signs that pairs do not belong together.

use serde::Serialize;

use super::terms::Sample;

/// Pairs that no cause explains.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MatchingTrouble {
    /// Pairs farther off than four standard deviations of the noise; they were set aside.
    pub far_off: usize,
    /// How many of them are neighbours in time whose differences cancel, as when two pieces changed places.
    pub swapped: usize,
    /// How many would be so by chance.
    pub by_chance: f64,
    /// Their places in the pairs as given, in the order of time.
    pub pairs: Vec<usize>,
    /// Whether that is more than chance: at least three, and one pair in two hundred.
    pub is_trouble: bool,
}

pub(super) fn matching_trouble(sample: &Sample, kept: &[bool], sd: f64) -> MatchingTrouble {
    let far: Vec<usize> = (0..kept.len()).filter(|i| !kept[*i]).collect();
    let difference_g = |i: usize| sample.off[i] * sample.weighed_g[i];
    let noise_g = |i: usize| sd * sample.variance[i].sqrt() * sample.weighed_g[i];
    let mut swapped = 0;
    let mut at = 0;
    while at + 1 < far.len() {
        let (one, other) = (far[at], far[at + 1]);
        let sum = difference_g(one) + difference_g(other);
        // What two that changed places leave is the noise of two.
        if other - one <= 2 && sum.abs() < 4.0 * noise_g(one).hypot(noise_g(other)) {
            swapped += 2;
            at += 2;
        } else {
            at += 1;
        }
    }
    let n = kept.len();
    MatchingTrouble {
        far_off: far.len(),
        swapped,
        // Two-sided share of a normal beyond four standard deviations.
        by_chance: 6.334e-5 * n as f64,
        is_trouble: far.len() >= 3 && far.len() * 200 >= n,
        pairs: far.into_iter().map(|i| sample.of[i]).collect(),
    }
}
