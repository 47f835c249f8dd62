//! A limit between two classes learned from a recording: a first pass counts colours, a second one measures.
//!
//! Counted are cells of the grid, every other row and column of the recording's own numbering, well inside what stands above the belt. The
//! counts are whole numbers: neither threads nor how the recording is cut into frames can change them.

use rayon::prelude::*;

use crate::colour::{is_clipped, lab_from_linear};
use crate::measure::{ColourField, Lights};
use crate::pieces::{Cell, Region};
use crate::product::{LabAxis, LearnMethod, LearnRule, Product};
use crate::stats::{equally_likely, otsu, two_normals};
use crate::tables::LearnedLimit;

/// Bins over the rule's range.
const BINS: usize = 256;
/// Every so many rows and columns a cell is looked at.
const THINNING: usize = 2;
/// How far inside its outline a piece's colour is its own, cells.
const RIM_CELLS: usize = 3;
/// Fewest cells that tell anything.
const LEAST_CELLS: u64 = 2000;
/// Otsu's separability η below which there are not two humps: that of an even distribution, 3/4, which no other symmetric single hump
/// exceeds (the normal one has 2/π = 0.64, the exponential one 0.65).
const LEAST_SEPARABILITY: f64 = 0.75;
/// Smallest share of the smaller class.
const LEAST_SHARE: f64 = 0.005;

/// Counts colours on the axis of a rule.
#[derive(Debug, Clone)]
pub struct Learner {
    rule: LearnRule,
    counts: Vec<u64>,
}

impl Learner {
    /// With nothing counted yet.
    pub fn new(rule: &LearnRule) -> Self {
        Self {
            rule: rule.clone(),
            counts: vec![0; BINS],
        }
    }

    /// Counts the cells of these things.
    pub fn look(&mut self, regions: &[Region], field: &ColourField) {
        let counted: Vec<Vec<u64>> = regions
            .par_iter()
            .map(|region| self.counts_of(region, field))
            .collect();
        for counts in counted {
            for (sum, count) in self.counts.iter_mut().zip(counts) {
                *sum += count;
            }
        }
    }

    fn counts_of(&self, region: &Region, field: &ColourField) -> Vec<u64> {
        let mut counts = vec![0; BINS];
        let (rows, columns) = region.cells.dim();
        let range = self.rule.range;
        let per_unit = BINS as f64 / (range.high - range.low);
        let inside = |row: usize, column: usize| {
            let own =
                |row: usize, column: usize| region.cells.get((row, column)) == Some(&Cell::Own);
            row >= RIM_CELLS
                && column >= RIM_CELLS
                && own(row, column)
                && own(row - RIM_CELLS, column)
                && own(row + RIM_CELLS, column)
                && own(row, column - RIM_CELLS)
                && own(row, column + RIM_CELLS)
        };
        let lights = Lights::new(
            field,
            region.first_row..region.first_row + rows,
            region.first_column..region.first_column + columns,
        );
        for row in 0..rows {
            let at_row = region.first_row + row;
            if !at_row.is_multiple_of(THINNING) {
                continue;
            }
            for column in 0..columns {
                let at_column = region.first_column + column;
                let height_mm = region.heights_mm[[row, column]];
                if !at_column.is_multiple_of(THINNING) || height_mm.is_nan() || !inside(row, column)
                {
                    continue;
                }
                let clipped = field
                    .seen(at_row, at_column, height_mm)
                    .is_none_or(|(_, raw)| is_clipped(raw));
                if clipped {
                    continue;
                }
                let Some(light) = lights.at(at_row, at_column, height_mm) else {
                    continue;
                };
                let lab = lab_from_linear(light.map(f64::from));
                let value = match self.rule.axis {
                    LabAxis::L => lab.l,
                    LabAxis::A => lab.a,
                    LabAxis::B => lab.b,
                };
                let bin = ((value - range.low) * per_unit).floor();
                if (0.0..BINS as f64).contains(&bin) {
                    counts[bin as usize] += 1;
                }
            }
        }
        counts
    }

    /// The same counts for another rule; `None` where that looks at other values.
    pub fn with_rule(&self, rule: &LearnRule) -> Option<Self> {
        let same = self.rule.axis == rule.axis && self.rule.range == rule.range;
        same.then(|| Self {
            rule: rule.clone(),
            counts: self.counts.clone(),
        })
    }

    /// The limit that the counts tell, or why they tell none.
    pub fn learned(&self, product: &Product, has_colour: bool) -> LearnedLimit {
        let rule = &self.rule;
        let profile_limit = product
            .limit_between(rule)
            .map_or(f64::NAN, |(_, _, limit)| limit);
        let mut learned = LearnedLimit {
            between: rule.between.clone(),
            axis: rule.axis.name().to_string(),
            method: rule.method.name().to_string(),
            profile_limit,
            limit: None,
            separability: None,
            refused: None,
        };
        let seen: u64 = self.counts.iter().sum();
        if !has_colour || seen < LEAST_CELLS {
            let found = match has_colour {
                true => format!("only {seen} cells have a colour in the range"),
                false => "there is no colour".to_string(),
            };
            learned.refused = Some(found);
            return learned;
        }
        let Some(split) = otsu(&self.counts) else {
            learned.refused = Some("all colours are alike".to_string());
            return learned;
        };
        learned.separability = Some(split.separability);
        let limit = match rule.method {
            LearnMethod::Otsu => Some(split.limit()),
            LearnMethod::TwoGaussian => two_normals(&self.counts).as_ref().and_then(equally_likely),
        };
        let bin = (rule.range.high - rule.range.low) / BINS as f64;
        learned.limit = limit.map(|limit| rule.range.low + limit * bin);
        let lower: u64 = self.counts[..=split.lowest].iter().sum();
        let smaller = lower.min(seen - lower) as f64 / seen as f64;
        learned.refused = match learned.limit {
            _ if split.separability < LEAST_SEPARABILITY || smaller < LEAST_SHARE => Some(format!(
                "the colours have not two humps (separability {:.2}, needed {LEAST_SEPARABILITY}; smaller class {:.1} %)",
                split.separability,
                100.0 * smaller
            )),
            None => Some("one class outweighs the other at every value".to_string()),
            Some(limit) if (limit - profile_limit).abs() > rule.max_move => Some(format!(
                "the learned limit {limit:.1} lies more than {} away",
                rule.max_move
            )),
            Some(_) => None,
        };
        learned
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::product::Range;
    use crate::simulate::Scenario;

    fn rule(method: LearnMethod) -> LearnRule {
        LearnRule {
            between: ["fat".into(), "lean".into()],
            method,
            axis: LabAxis::L,
            range: Range {
                low: 20.0,
                high: 100.0,
            },
            max_move: 10.0,
        }
    }

    fn told(method: LearnMethod, humps: &[(f64, f64, f64)]) -> LearnedLimit {
        let rule = rule(method);
        let mut learner = Learner::new(&rule);
        for (bin, count) in learner.counts.iter_mut().enumerate() {
            let value = 20.0 + 80.0 * (bin as f64 + 0.5) / BINS as f64;
            let density: f64 = humps
                .iter()
                .map(|(n, mean, sd)| n / sd * (-0.5 * ((value - mean) / sd).powi(2)).exp())
                .sum();
            *count = density.round() as u64;
        }
        learner.learned(&Scenario::named("lobes").unwrap().product(), true)
    }

    #[test]
    fn two_humps_are_parted_between_them() {
        for method in [LearnMethod::Otsu, LearnMethod::TwoGaussian] {
            let learned = told(method, &[(30000.0, 36.0, 3.0), (9000.0, 74.0, 3.0)]);
            assert_eq!(learned.refused, None, "{learned:?}");
            let limit = learned.limit.unwrap();
            assert!((52.0..58.0).contains(&limit), "{learned:?}");
            assert_eq!(learned.used(), limit);
        }
    }

    #[test]
    fn one_hump_a_speck_and_a_far_limit_are_refused_and_say_so() {
        let refused = |humps: &[(f64, f64, f64)], word: &str| {
            let learned = told(LearnMethod::Otsu, humps);
            let reason = learned.refused.clone().unwrap();
            assert!(reason.contains(word), "{reason}");
            assert_eq!(learned.used(), 62.0);
            assert!(
                learned.in_words().contains("62.0"),
                "{}",
                learned.in_words()
            );
        };
        refused(&[(50000.0, 42.0, 4.0)], "not two humps");
        refused(&[(50000.0, 42.0, 1.0), (100.0, 82.0, 1.0)], "smaller class");
        refused(
            &[(30000.0, 26.0, 2.0), (30000.0, 48.0, 2.0)],
            "more than 10 away",
        );
        refused(&[(30.0, 26.0, 2.0)], "only");
    }
}
