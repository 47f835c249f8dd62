//! What tuning came to, and its words.

use jiff::Timestamp;
use serde::Serialize;

use super::fit::FitKind;
use crate::agreement::statistics::Estimated;
use crate::agreement::statistics::words::shown_size;
use crate::product::Product;

/// A profile tuned to weighings.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Tuned {
    /// The new profile.
    #[serde(skip)]
    pub product: Product,
    /// What was fitted.
    pub fit: FitKind,
    /// The values, before and after.
    pub values: Vec<FittedValue>,
    /// Pairs the fit rests on.
    pub pairs: usize,
    /// Pairs left out: matched with a probability below 0.9.
    pub doubtful: usize,
    /// Pairs left out: farther off than four standard deviations.
    pub far_off: usize,
    /// Pairs left out: outside the times asked for, or a number missing.
    pub unusable: usize,
    /// When the first of the pieces was scanned; `None` where the table has no times.
    pub first: Option<Timestamp>,
    /// When the last was.
    pub last: Option<Timestamp>,
    /// Errors with the profile as it was.
    pub before: MassErrors,
    /// Errors on pieces that the fit did not see: each tenth of the time predicted from the others.
    pub unseen: MassErrors,
    /// The relative standard uncertainty of density that the new profile states.
    pub density_u_rel: f64,
    /// Fits that were not made, and why.
    pub not_fitted: Vec<NotFitted>,
    /// What to know before the profile is used.
    pub warnings: Vec<String>,
}

/// A value of a profile.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FittedValue {
    /// What it is.
    pub name: String,
    /// Its unit.
    pub unit: String,
    /// As it was.
    pub before: f64,
    /// As fitted, with its 95 % interval.
    pub after: Estimated,
    /// What it can be.
    pub bounds: Option<[f64; 2]>,
}

/// Errors of estimated masses: estimate minus weighing.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct MassErrors {
    /// Their mean, g.
    pub bias_g: f64,
    /// Their standard deviation, g.
    pub sd_g: f64,
    /// Root mean square, g.
    pub rms_g: f64,
    /// Root mean square of the relative errors.
    pub rms_fraction: f64,
}

/// A fit that was not made.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct NotFitted {
    /// What would have been fitted.
    pub fit: String,
    /// Why it was not.
    pub why: String,
}

impl MassErrors {
    /// Of pairs of relative error and weighed mass.
    pub(super) fn of(rows: impl Iterator<Item = (f64, f64)> + Clone) -> Self {
        let n = rows.clone().count().max(2) as f64;
        let grams = rows.clone().map(|(off, weighed_g)| off * weighed_g);
        let bias_g = grams.clone().sum::<f64>() / n;
        let squares: f64 = grams.clone().map(|it| (it - bias_g).powi(2)).sum();
        Self {
            bias_g,
            sd_g: (squares / (n - 1.0)).sqrt(),
            rms_g: (grams.map(|it| it * it).sum::<f64>() / n).sqrt(),
            rms_fraction: (rows.map(|it| it.0 * it.0).sum::<f64>() / n).sqrt(),
        }
    }
}

impl Tuned {
    /// What was found, for people.
    #[must_use]
    pub fn in_words(&self) -> Vec<String> {
        let mut words = vec![format!(
            "{} fitted to {} weighed pieces",
            self.fit.name(),
            self.pairs
        )];
        for it in &self.values {
            let decimals = crate::agreement::statistics::words::decimals(it.after.half_width());
            words.push(format!(
                "  {}: {:.decimals$} before, now {}",
                it.name,
                it.before,
                shown_size(&it.after, &it.unit)
            ));
        }
        let (before, after) = (&self.before, &self.unseen);
        words.push(format!(
            "on pieces the fit did not see: {:.2} g off on average and {:.2} g root mean square ({:.2} %), before {:.2} g and {:.2} g ({:.2} %)",
            after.bias_g,
            after.rms_g,
            100.0 * after.rms_fraction,
            before.bias_g,
            before.rms_g,
            100.0 * before.rms_fraction
        ));
        let left_out = self.doubtful + self.far_off + self.unusable;
        if left_out > 0 {
            words.push(format!(
                "left out: {} doubtful matches, {} too far off, {} unusable",
                self.doubtful, self.far_off, self.unusable
            ));
        }
        words.extend(
            self.not_fitted
                .iter()
                .map(|it| format!("not fitted: {}: {}", it.fit, it.why)),
        );
        words.extend(self.warnings.iter().cloned());
        words
    }
}
