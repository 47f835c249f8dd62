//! How much a set of pieces changed.

use std::cmp::Ordering;
use std::collections::BTreeMap;

use crate::runs::summary::Moments;
use crate::stats::quantile;
use crate::tables::Flag;

use super::PiecePair;

/// How a change is spread over the pieces.
#[derive(Debug, Clone, Default)]
pub struct Spread {
    /// Mean and standard deviation.
    pub moments: Moments,
    values: Vec<f32>,
}

impl Spread {
    fn add(&mut self, value: f64) {
        self.moments.add(value);
        // Seven digits are more than any quantile is shown with.
        self.values.push(value as f32);
    }

    /// The values that these shares of the pieces lie below; `None` of none.
    #[must_use]
    pub fn quantiles<const N: usize>(&self, shares: [f64; N]) -> Option<[f64; N]> {
        let mut values = self.values.clone();
        let found = shares.map(|share| quantile(&mut values, share).map(f64::from));
        found
            .iter()
            .all(Option::is_some)
            .then(|| found.map(Option::unwrap_or_default))
    }

    /// The values, in no particular order.
    #[must_use]
    pub fn values(&self) -> &[f32] {
        &self.values
    }

    /// How many values lie in each of `bars` equal steps from the least to the most; `None` where all are the same, or none.
    #[must_use]
    pub fn bars(&self, bars: usize) -> Option<Bars> {
        let values = || self.values.iter().map(|it| f64::from(*it));
        let least = values().fold(f64::INFINITY, f64::min);
        let most = values().fold(f64::NEG_INFINITY, f64::max);
        if bars == 0 || least.partial_cmp(&most) != Some(Ordering::Less) {
            return None;
        }
        let width = (most - least) / bars as f64;
        let mut counts = vec![0_u64; bars];
        for value in values() {
            let bar = ((value - least) / width) as usize;
            counts[bar.min(bars - 1)] += 1;
        }
        Some(Bars {
            least,
            width,
            counts,
        })
    }
}

/// How values are distributed.
#[derive(Debug, Clone, PartialEq)]
pub struct Bars {
    /// Where the first bar begins.
    pub least: f64,
    /// Width of each bar.
    pub width: f64,
    /// Values in each.
    pub counts: Vec<u64>,
}

impl Bars {
    /// The middle of each bar.
    pub fn middles(&self) -> impl Iterator<Item = f64> {
        (0..self.counts.len()).map(|bar| self.least + (bar as f64 + 0.5) * self.width)
    }
}

/// How much a set of pieces changed.
#[derive(Debug, Clone, Default)]
pub struct Tally {
    /// Pieces in both runs.
    pub pairs: u64,
    /// Of those, pieces of which both runs say the very same.
    pub same: u64,
    /// Pieces in the first run alone.
    pub only_before: u64,
    /// Pieces in the second run alone.
    pub only_after: u64,
    /// Mass of the pairs before, g.
    pub mass_before_g: f64,
    /// Mass of the pairs after, g.
    pub mass_after_g: f64,
    /// Change of the mass, g.
    pub mass_g: Spread,
    /// Change of the mass as a share of the mass before.
    pub mass_relative: Spread,
    /// Change of the volume, cm³.
    pub volume_cm3: Spread,
    /// Change of the fat share.
    pub fat_fraction: Spread,
    /// Pieces in spec before that are not after.
    pub out_now: u64,
    /// Pieces out of spec before that are in spec after.
    pub in_now: u64,
    /// Pieces that gained a flag.
    pub gained: BTreeMap<Flag, u64>,
    /// Pieces that lost a flag.
    pub lost: BTreeMap<Flag, u64>,
}

impl Tally {
    pub(super) fn add(&mut self, pair: &PiecePair) {
        self.pairs += 1;
        self.same += u64::from(is_same(pair));
        self.mass_before_g += pair.before.mass_g;
        self.mass_after_g += pair.after.mass_g;
        self.mass_g.add(pair.mass_g());
        if let Some(relative) = pair.mass_relative() {
            self.mass_relative.add(relative);
        }
        self.volume_cm3.add(pair.volume_cm3());
        if let Some(fat) = pair.fat_fraction() {
            self.fat_fraction.add(fat);
        }
        match pair.in_spec() {
            [true, false] => self.out_now += 1,
            [false, true] => self.in_now += 1,
            _ => {}
        }
        for flag in pair.flags_gained() {
            *self.gained.entry(flag).or_default() += 1;
        }
        for flag in pair.flags_lost() {
            *self.lost.entry(flag).or_default() += 1;
        }
    }

    /// Change of the mass of all pairs together as a share of the mass before; `None` of nothing.
    #[must_use]
    pub fn total_relative(&self) -> Option<f64> {
        (self.mass_before_g > 0.0)
            .then(|| (self.mass_after_g - self.mass_before_g) / self.mass_before_g)
    }
}

/// Whether both say the very same. The number in the recording may differ: it counts the pieces before.
fn is_same(pair: &PiecePair) -> bool {
    let mut before = pair.before.clone();
    before.piece = pair.after.piece;
    // Runs over other profiles have other classes beside those of the piece; what is unknown in both is the same.
    let classes = |piece: &crate::tables::PieceRecord| {
        let mut classes: Vec<_> = piece
            .classes
            .iter()
            .filter(|share| share.area_cm2.is_some() || share.volume_cm3.is_some())
            .cloned()
            .collect();
        classes.sort_by(|a, b| a.class.cmp(&b.class));
        classes
    };
    let mut after = pair.after.clone();
    (before.classes, after.classes) = (classes(&before), classes(&after));
    before == after
}

#[cfg(test)]
mod tests {
    use super::*;

    fn spread(values: &[f64]) -> Spread {
        let mut spread = Spread::default();
        for value in values {
            spread.add(*value);
        }
        spread
    }

    #[test]
    fn every_value_falls_into_one_bar() {
        let bars = spread(&[0.0, 0.1, 1.0, 1.9, 2.0]).bars(4).unwrap();
        assert_eq!((bars.least, bars.width), (0.0, 0.5));
        assert_eq!(bars.counts, [2, 0, 1, 2]);
        assert_eq!(bars.middles().collect::<Vec<_>>(), [0.25, 0.75, 1.25, 1.75]);
        assert_eq!(spread(&[3.0, 3.0]).bars(4), None);
        assert_eq!(spread(&[]).bars(4), None);
        assert_eq!(spread(&[1.0, 2.0]).bars(0), None);
    }
}
