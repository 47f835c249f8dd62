//! Weighings without a piece that are of test weights.

use super::order::median;
use super::sequence::Item;

/// How near a weighing lies to a stated test weight, relative. Wide enough for a class XIII instrument's errors (common practice, no source).
const NEAR: f64 = 0.01;
/// Weighings that are all nearly the same, relative.
const SAME: f64 = 0.003;
/// As many of them are no chance where nothing else is as heavy.
const FEWEST: usize = 3;

/// Test weights among what was left over.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct TestWeights {
    /// Places of weighings.
    pub(super) weighings: Vec<usize>,
    /// One for each test weight, g: as stated, or as mostly weighed.
    pub(super) masses_g: Vec<f64>,
}

impl TestWeights {
    /// `left` are places and masses of weighings without a piece, `products_g` are weighings of single pieces, `stated_g` is what the user knows.
    ///
    /// What nobody stated must stand apart: heavier or lighter than any piece, three times or more, and nearly always the same.
    pub(super) fn among(
        left: &[(usize, f64)],
        products_g: &[f64],
        readout_g: f64,
        stated_g: &[f64],
    ) -> Self {
        let mut found = Self::default();
        for &stated in stated_g {
            let near = (NEAR * stated).max(2.0 * readout_g);
            let before = found.weighings.len();
            found.weighings.extend(
                left.iter()
                    .filter(|it| (it.1 - stated).abs() <= near)
                    .map(|it| it.0),
            );
            if found.weighings.len() > before {
                found.masses_g.push(stated);
            }
        }
        let (lightest, heaviest) = products_g
            .iter()
            .fold((f64::INFINITY, 0.0f64), |(low, high), &it| {
                (low.min(it), high.max(it))
            });
        let mut apart: Vec<(usize, f64)> = left
            .iter()
            .filter(|it| !found.weighings.contains(&it.0))
            .filter(|it| it.1 < 0.95 * lightest || 1.05 * heaviest < it.1)
            .copied()
            .collect();
        apart.sort_by(|one, other| one.1.total_cmp(&other.1).then(one.0.cmp(&other.0)));
        let mut rest = apart.as_slice();
        while let Some(first) = rest.first() {
            let within = (SAME * first.1).max(2.0 * readout_g);
            let count = rest
                .iter()
                .take_while(|it| it.1 - first.1 <= within)
                .count();
            if count >= FEWEST {
                let group = &rest[..count];
                found.weighings.extend(group.iter().map(|it| it.0));
                found.masses_g.push(median(
                    &mut group.iter().map(|it| it.1).collect::<Vec<f64>>(),
                ));
                rest = &rest[count..];
            } else {
                rest = &rest[1..];
            }
        }
        found.weighings.sort_unstable();
        found
    }
}

/// The smallest difference between two readings, g; 0 where there is none.
pub(super) fn readout_g(weighed: &[Item]) -> f64 {
    let mut masses: Vec<f64> = weighed.iter().map(|it| it.mass_g).collect();
    masses.sort_unstable_by(f64::total_cmp);
    // Below a tenth of a milligram are the traces of converting units.
    let smallest = masses
        .windows(2)
        .map(|pair| pair[1] - pair[0])
        .filter(|step| *step > 1e-4)
        .fold(f64::INFINITY, f64::min);
    if smallest.is_finite() { smallest } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_weighings_that_stand_apart_are_a_test_weight() {
        let left = [(0, 500.0), (1, 500.5), (2, 150.0), (3, 500.0), (4, 320.0)];
        let products = [140.0, 150.0, 180.0];
        let found = TestWeights::among(&left, &products, 0.5, &[]);
        assert_eq!(found.weighings, [0, 1, 3]);
        assert_eq!(found.masses_g, [500.0]);
    }

    #[test]
    fn among_the_pieces_masses_a_test_weight_must_be_stated() {
        let left = [(0, 150.0), (1, 150.0), (2, 150.5), (3, 150.0)];
        let products = [140.0, 150.0, 180.0];
        assert_eq!(
            TestWeights::among(&left, &products, 0.5, &[]),
            TestWeights::default()
        );
        let found = TestWeights::among(&left, &products, 0.5, &[150.0]);
        assert_eq!(found.weighings, [0, 1, 2, 3]);
    }
}
