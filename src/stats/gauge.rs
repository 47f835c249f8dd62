//! Gauge repeatability and reproducibility by analysis of variance.

use statrs::distribution::{ContinuousCDF, FisherSnedecor};

/// One source of variation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct VariationRow {
    /// Sum of squares.
    pub sum_of_squares: f64,
    /// Degrees of freedom.
    pub freedom: f64,
    /// Variance ratio against what it is tested with.
    pub f: Option<f64>,
    /// Probability of such a ratio by chance.
    pub p: Option<f64>,
}

impl VariationRow {
    fn new(sum_of_squares: f64, freedom: f64) -> Self {
        Self {
            sum_of_squares: sum_of_squares.max(0.0),
            freedom,
            f: None,
            p: None,
        }
    }

    fn mean_square(&self) -> f64 {
        if self.freedom > 0.0 {
            self.sum_of_squares / self.freedom
        } else {
            0.0
        }
    }

    fn tested_against(mut self, noise: &Self) -> Self {
        let f = self.mean_square() / noise.mean_square();
        if f.is_finite() {
            self.f = Some(f);
            self.p = FisherSnedecor::new(self.freedom, noise.freedom)
                .ok()
                .map(|distribution| distribution.sf(f));
        }
        self
    }
}

/// The outcome of a crossed study: every operator measured every part as often.
#[derive(Debug, Clone, PartialEq)]
pub struct GaugeStudy {
    /// Parts, operators and trials.
    pub parts: usize,
    /// Operators.
    pub operators: usize,
    /// Trials of one operator on one part.
    pub trials: usize,
    /// Variation between parts; absent with a single one.
    pub part: Option<VariationRow>,
    /// Variation between operators.
    pub operator: VariationRow,
    /// Variation of operators from part to part; absent with a single part.
    pub interaction: Option<VariationRow>,
    /// Variation of trials.
    pub equipment: VariationRow,
    /// Whether the interaction was taken as noise.
    pub pooled: bool,
    /// Repeatability: standard deviation of trials ("equipment variation").
    pub repeatability: f64,
    /// Reproducibility: standard deviation between operators, interaction included ("appraiser variation").
    pub reproducibility: f64,
    /// Repeatability and reproducibility together.
    pub gauge: f64,
    /// Standard deviation between parts; absent with a single one.
    pub between_parts: Option<f64>,
    /// All together.
    pub total: f64,
}

impl GaugeStudy {
    /// The gauge's share of all variation, as a ratio of standard deviations ("%GRR").
    #[must_use]
    pub fn share(&self) -> Option<f64> {
        (self.between_parts.is_some() && self.total > 0.0).then(|| self.gauge / self.total)
    }

    /// Number of distinct categories: parts that the gauge can tell apart, cut to a whole number, at least 1.
    #[must_use]
    pub fn categories(&self) -> Option<u64> {
        let parts = self.between_parts?;
        (self.gauge > 0.0).then(|| (1.41 * parts / self.gauge).floor().max(1.0) as u64)
    }
}

/// A crossed study of `values`, part by part, in each operator by operator, in each trial by trial.
///
/// The interaction is taken as noise where its probability by chance is above `pooling` (a preliminary test; 0.25 after
/// Bancroft 1964). Variance components below 0 are taken as 0. With one part there is no interaction to tell.
/// Reference: AIAG, Measurement Systems Analysis, 4th edition (2010), ch. III B, ANOVA method; Montgomery and Runger
/// (1993), Quality Engineering 6:289. `None` with fewer than two operators or trials, or another number of values.
#[must_use]
pub fn gauge_study(
    parts: usize,
    operators: usize,
    trials: usize,
    values: &[f64],
    pooling: f64,
) -> Option<GaugeStudy> {
    let cells = parts.checked_mul(operators)?;
    if parts < 1 || operators < 2 || trials < 2 || values.len() != cells.checked_mul(trials)? {
        return None;
    }
    if !values.iter().all(|value| value.is_finite()) {
        return None;
    }
    let (p, o, t) = (parts as f64, operators as f64, trials as f64);
    let grand = values.iter().sum::<f64>() / values.len() as f64;
    // Squared distances of the means of groups of values from the grand mean, times the values in a group.
    let between = |groups: usize, group: &dyn Fn(usize) -> usize| {
        let mut sums = vec![0.0; groups];
        for (i, value) in values.iter().enumerate() {
            sums[group(i)] += value - grand;
        }
        let each = (values.len() / groups) as f64;
        sums.iter().map(|sum| sum * sum / each).sum::<f64>()
    };
    let of_parts = between(parts, &|i| i / (operators * trials));
    let of_operators = between(operators, &|i| i / trials % operators);
    let of_cells = between(cells, &|i| i / trials);
    let all: f64 = values.iter().map(|value| (value - grand).powi(2)).sum();

    let equipment = VariationRow::new(all - of_cells, p * o * (t - 1.0));
    let mixed = VariationRow::new(of_cells - of_parts - of_operators, (p - 1.0) * (o - 1.0))
        .tested_against(&equipment);
    let interaction = (parts > 1).then_some(mixed);
    let pooled = interaction.is_none_or(|row| row.p.is_none_or(|chance| chance > pooling));
    let noise = match interaction {
        Some(row) if pooled => VariationRow::new(
            row.sum_of_squares + equipment.sum_of_squares,
            row.freedom + equipment.freedom,
        ),
        _ => equipment,
    };
    // What operators and parts are compared with: the interaction where there is one, else the noise.
    let against = match interaction {
        Some(row) if !pooled => row,
        _ => noise,
    };
    let operator = VariationRow::new(of_operators, o - 1.0).tested_against(&against);
    let part = (parts > 1).then(|| VariationRow::new(of_parts, p - 1.0).tested_against(&against));
    let component = |row: &VariationRow, over: f64| {
        ((row.mean_square() - against.mean_square()) / over).max(0.0)
    };
    let of_interaction = match interaction {
        Some(row) if !pooled => ((row.mean_square() - noise.mean_square()) / t).max(0.0),
        _ => 0.0,
    };
    let repeatability = noise.mean_square();
    let reproducibility = component(&operator, p * t) + of_interaction;
    let between_parts = part.map(|row| component(&row, o * t));
    let gauge = repeatability + reproducibility;
    Some(GaugeStudy {
        parts,
        operators,
        trials,
        part,
        operator,
        interaction,
        equipment,
        pooled,
        repeatability: repeatability.sqrt(),
        reproducibility: reproducibility.sqrt(),
        gauge: gauge.sqrt(),
        between_parts: between_parts.map(f64::sqrt),
        total: (gauge + between_parts.unwrap_or(0.0)).sqrt(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_strong_interaction_stays_apart() {
        // Operator 2 reads part 2 high and part 1 low: means (1, 3) and (3, 1) with trials ± 0.1.
        let values = [0.9, 1.1, 2.9, 3.1, 2.9, 3.1, 0.9, 1.1];
        let study = gauge_study(2, 2, 2, &values, 0.25).unwrap();
        assert!(!study.pooled);
        // Interaction: cells lie ± 1 from additive, so its sum of squares is 8·1; equipment 8·0.01.
        let row = study.interaction.unwrap();
        assert!((row.sum_of_squares - 8.0).abs() < 1e-12);
        assert!((study.equipment.sum_of_squares - 0.08).abs() < 1e-12);
        // Its component: (8 − 0.02)/2.
        assert!((study.reproducibility.powi(2) - 3.99).abs() < 1e-12);
        assert!((study.repeatability.powi(2) - 0.02).abs() < 1e-12);
    }

    #[test]
    fn one_part_tells_repeatability_and_reproducibility_only() {
        let study = gauge_study(1, 2, 2, &[0.0, 2.0, 10.0, 12.0], 0.25).unwrap();
        assert_eq!((study.part, study.between_parts), (None, None));
        assert!((study.repeatability.powi(2) - 2.0).abs() < 1e-12);
        assert!((study.reproducibility.powi(2) - (100.0 - 2.0) / 2.0).abs() < 1e-12);
        assert_eq!((study.share(), study.categories()), (None, None));
    }

    #[test]
    fn what_is_not_crossed_is_refused() {
        assert!(gauge_study(2, 1, 2, &[0.0; 4], 0.25).is_none());
        assert!(gauge_study(2, 2, 1, &[0.0; 4], 0.25).is_none());
        assert!(gauge_study(2, 2, 2, &[0.0; 7], 0.25).is_none());
        assert!(gauge_study(usize::MAX, 2, 2, &[0.0; 7], 0.25).is_none());
        assert!(gauge_study(1, 2, 2, &[0.0, f64::NAN, 1.0, 2.0], 0.25).is_none());
    }

    #[test]
    fn equal_values_have_no_variation_and_stop_nothing() {
        let study = gauge_study(2, 2, 2, &[1.0; 8], 0.25).unwrap();
        assert_eq!((study.gauge, study.total, study.share()), (0.0, 0.0, None));
    }
}
