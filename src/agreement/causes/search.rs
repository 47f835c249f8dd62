//! The set of causes that explains the differences at the least price.

use statrs::distribution::{ContinuousCDF, Normal};

use super::cause::Cause;
use super::model::{Columns, SubsetFit};
use super::terms::{FEWEST_ASIDE, Sample};
use crate::stats::student_quantile;

/// Most causes at once.
const MOST_CAUSES: usize = 6;
/// Price of a step beside its position and level, as for lasting changes of a scanner (`stats::mean_changes`).
const STEP_EXTRA: f64 = 4.0;

/// What a column stands for.
#[derive(Debug, Clone)]
pub(super) enum Candidate {
    /// A cause of the sample.
    Term(Cause),
    /// A step before this row.
    Step(usize),
}

/// All columns with their prices.
#[derive(Debug, Clone)]
pub(super) struct Pool {
    pub columns: Columns,
    pub candidates: Vec<Candidate>,
    pub price: Vec<f64>,
    /// Noise variance of a usual row.
    pub noise: f64,
    pub freedom: f64,
    step_price: f64,
    has_time: bool,
    rows: usize,
}

impl Pool {
    /// Terms with the prices of the extended Schwarz criterion: `ln n + 2·ln m` for one of m terms (Chen and Chen 2008, Biometrika 95:759), `2·ln n + 4`
    /// for a step, each raised to what Student's t asks for where the noise is known by few rows only.
    ///
    /// `check`: relative effect of the scanner's scales and its standard uncertainty by a target check.
    pub fn new(sample: &Sample, sd: f64, freedom: f64, check: Option<(f64, f64)>) -> Self {
        let n = sample.off.len() as f64;
        let mut candidates = Vec::new();
        let mut price = Vec::new();
        let count = sample.terms.len() + usize::from(check.is_some());
        let single = n.ln() + 2.0 * (count.max(1) as f64).ln();
        let mut columns = Columns::new(&sample.off, &sample.variance, std::iter::empty());
        for term in &sample.terms {
            columns.push(&term.column);
            // With a check, scales have a term of their own, and this one is one cause like the others.
            let (cause, unlikely) = match (&term.cause, check) {
                (Cause::DensityOrScale, Some(_)) => (Cause::Density, 0.0),
                (cause, _) => (cause.clone(), term.unlikely),
            };
            candidates.push(Candidate::Term(cause));
            price.push(as_student(single + unlikely, freedom));
        }
        if let Some((relative, relative_u)) = check {
            let at = columns.push(&vec![1.0; sample.off.len()]);
            columns.observe_coefficient(at, relative, (sd / relative_u).powi(2));
            candidates.push(Candidate::Term(Cause::Scale));
            price.push(as_student(single, freedom));
        }
        Self {
            columns,
            candidates,
            price,
            noise: sd * sd,
            freedom,
            step_price: as_student(2.0 * n.ln() + STEP_EXTRA, freedom),
            has_time: sample.has_time,
            rows: sample.off.len(),
        }
    }

    /// Sum of squares over noise plus the prices; infinite where the set cannot be fitted.
    pub fn cost(&self, set: &[usize]) -> f64 {
        self.fit(set).map_or(f64::INFINITY, |fit| {
            fit.squares / self.noise + set.iter().map(|i| self.price[*i]).sum::<f64>()
        })
    }

    pub fn fit(&self, set: &[usize]) -> Option<SubsetFit> {
        // Of several time constants one is enough.
        let warm_ups = set
            .iter()
            .filter(|i| matches!(self.candidates[**i], Candidate::Term(Cause::WarmUp { .. })))
            .count();
        if warm_ups > 1 {
            return None;
        }
        self.columns.fit(set)
    }

    /// Sees to it that the best step beside a set is in the pool, and gives its place.
    pub fn best_step(&mut self, set: &[usize]) -> Option<usize> {
        if !self.has_time {
            return None;
        }
        let gains = self.columns.step_gains(set, self.aside());
        let (row, _) = gains
            .into_iter()
            .max_by(|one, other| one.1.total_cmp(&other.1))?;
        let there = self
            .candidates
            .iter()
            .position(|it| matches!(it, Candidate::Step(at) if *at == row));
        Some(there.unwrap_or_else(|| {
            let column: Vec<f64> = (0..self.rows)
                .map(|i| f64::from(u8::from(i >= row)))
                .collect();
            self.candidates.push(Candidate::Step(row));
            self.price.push(self.step_price);
            self.columns.push(&column)
        }))
    }

    /// Fewest rows on either side of a step.
    pub fn aside(&self) -> usize {
        FEWEST_ASIDE.max(self.rows / 50)
    }

    /// The set of least cost: all sets of up to two, then by adding, dropping and exchanging until nothing is better.
    pub fn search(&mut self) -> Vec<usize> {
        let terms = self.candidates.len();
        self.best_step(&[]);
        for term in 0..terms {
            self.best_step(&[term]);
        }
        let all = self.candidates.len();
        let mut best = (self.cost(&[]), Vec::new());
        let mut consider = |pool: &Self, set: Vec<usize>| {
            let cost = pool.cost(&set);
            if cost < best.0 - 1e-9 {
                best = (cost, set);
            }
        };
        for i in 0..all {
            consider(self, vec![i]);
            for j in 0..i {
                consider(self, vec![j, i]);
            }
        }
        loop {
            let (cost, set) = best.clone();
            self.best_step(&set);
            let all = self.candidates.len();
            let mut next = best.clone();
            let mut consider = |pool: &Self, set: Vec<usize>| {
                let cost = pool.cost(&set);
                if cost < next.0 - 1e-9 {
                    next = (cost, set);
                }
            };
            for place in 0..set.len() {
                let mut rest = set.clone();
                rest.remove(place);
                consider(self, rest.clone());
                for other in (0..all).filter(|other| !set.contains(other)) {
                    let mut exchanged = rest.clone();
                    exchanged.push(other);
                    consider(self, exchanged);
                }
            }
            if set.len() < MOST_CAUSES {
                for other in (0..all).filter(|other| !set.contains(other)) {
                    let mut longer = set.clone();
                    longer.push(other);
                    consider(self, longer);
                }
            }
            if next.0 >= cost {
                return set;
            }
            best = next;
        }
    }
}

/// The square of Student's t that is passed as seldom as χ² with one degree of freedom passes `price`.
fn as_student(price: f64, freedom: f64) -> f64 {
    let tails = 2.0 * Normal::standard().cdf(-price.sqrt());
    if tails < 1e-15 {
        return price;
    }
    student_quantile(1.0 - tails, freedom).powi(2).max(price)
}
