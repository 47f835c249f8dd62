//! Counts, sums and spreads of any set of pieces.

use crate::stats::clopper_pearson;
use crate::tables::PieceRecord;

use super::{CONFIDENCE, misses_spec};

/// Mean and spread, added up one by one without losing digits (Welford 1962, Technometrics 4, 419–420).
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Moments {
    count: u64,
    mean: f64,
    squares: f64,
}

impl Moments {
    /// Adds a value.
    pub fn add(&mut self, value: f64) {
        self.count += 1;
        let off = value - self.mean;
        self.mean += off / self.count as f64;
        self.squares += off * (value - self.mean);
    }

    /// How many.
    #[must_use]
    pub fn count(&self) -> u64 {
        self.count
    }

    /// Their mean; `None` of none.
    #[must_use]
    pub fn mean(&self) -> Option<f64> {
        (self.count > 0).then_some(self.mean)
    }

    /// Their standard deviation (n − 1); `None` of fewer than two.
    #[must_use]
    pub fn sd(&self) -> Option<f64> {
        (self.count > 1).then(|| (self.squares / (self.count - 1) as f64).max(0.0).sqrt())
    }
}

/// A set of pieces.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Group {
    /// Masses, g.
    pub mass_g: Moments,
    /// Their standard uncertainties, g.
    pub mass_u_g: Moments,
    /// Fat shares of the top surface, where there are any.
    pub fat_fraction: Moments,
    /// Pieces outside their spec in any respect.
    pub out_of_spec: u64,
    /// Time for which the belt was seen, s.
    belt_s: f64,
    /// Whether that is known of all recordings.
    belt_unknown: bool,
}

impl Group {
    pub(super) fn add(&mut self, piece: &PieceRecord) {
        self.mass_g.add(piece.mass_g);
        self.mass_u_g.add(piece.mass_u_g);
        if let Some(fat) = piece.fat_fraction {
            self.fat_fraction.add(fat);
        }
        self.out_of_spec += u64::from(misses_spec(piece));
    }

    pub(super) fn add_belt(&mut self, belt_s: Option<f64>) {
        match belt_s {
            Some(belt_s) => self.belt_s += belt_s,
            None => self.belt_unknown = true,
        }
    }

    /// Number of pieces.
    #[must_use]
    pub fn pieces(&self) -> u64 {
        self.mass_g.count()
    }

    /// Mass of all pieces, kg.
    #[must_use]
    pub fn total_kg(&self) -> f64 {
        self.mass_g.mean().unwrap_or(0.0) * self.pieces() as f64 / 1000.0
    }

    /// Its standard uncertainty, kg: that of the pieces added up, since what they are uncertain by (density, scales) they share.
    #[must_use]
    pub fn total_u_kg(&self) -> f64 {
        self.mass_u_g.mean().unwrap_or(0.0) * self.pieces() as f64 / 1000.0
    }

    /// Time for which the belt was seen, s; `None` where it is not known of all recordings, or nought.
    #[must_use]
    pub fn belt_s(&self) -> Option<f64> {
        (!self.belt_unknown && self.belt_s > 0.0).then_some(self.belt_s)
    }

    /// Pieces in a minute of belt seen.
    #[must_use]
    pub fn pieces_per_minute(&self) -> Option<f64> {
        self.belt_s().map(|s| self.pieces() as f64 * 60.0 / s)
    }

    /// Mass in an hour of belt seen, kg.
    #[must_use]
    pub fn kg_per_hour(&self) -> Option<f64> {
        self.belt_s().map(|s| self.total_kg() * 3600.0 / s)
    }

    /// Share of pieces out of spec with its exact confidence limits; `None` without pieces.
    #[must_use]
    pub fn out_of_spec_fraction(&self) -> Option<(f64, [f64; 2])> {
        share(self.out_of_spec, self.pieces())
    }
}

/// A share with its exact confidence limits.
pub(super) fn share(hits: u64, of: u64) -> Option<(f64, [f64; 2])> {
    let limits = clopper_pearson(hits, of, CONFIDENCE)?;
    Some((hits as f64 / of as f64, limits))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments_are_those_of_the_textbook_even_far_from_nought() {
        // NIST StRD, univariate summary statistics, data set NumAcc4: mean 10000000.2, standard deviation 0.1, 1001 values.
        let mut moments = Moments::default();
        moments.add(10_000_000.2);
        for _ in 0..500 {
            moments.add(10_000_000.1);
            moments.add(10_000_000.3);
        }
        assert_eq!(moments.count(), 1001);
        assert!((moments.mean().unwrap() - 10_000_000.2).abs() < 1e-8);
        assert!((moments.sd().unwrap() - 0.1).abs() < 1e-8);
    }

    #[test]
    fn too_few_values_have_no_spread() {
        let mut moments = Moments::default();
        assert_eq!(moments.mean(), None);
        moments.add(3.0);
        assert_eq!((moments.mean(), moments.sd()), (Some(3.0), None));
    }
}
