//! What was found, and its words.

use serde::Serialize;

use super::cause::Cause;
use super::matching::MatchingTrouble;
use crate::agreement::statistics::Estimated;
use crate::agreement::statistics::words::{shown, shown_size};

/// Why estimates differ from weighings. Differences are estimate minus weighing; intervals are of 95 %.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Causes {
    /// Pairs used.
    pub pairs: usize,
    /// Pairs left out because a number was missing or not positive.
    pub left_out: usize,
    /// Mean of what the checkweigher showed, g.
    pub mean_weighed_g: f64,
    /// The causes, largest first by grams at the mean piece. Empty: nothing but noise was found.
    pub named: Vec<NamedCause>,
    /// Noise of a usual pair, relative to its mass: what no cause explains.
    pub noise_fraction: f64,
    /// Root mean square of the relative differences as they are.
    pub rms_fraction: f64,
    /// The same once the causes are taken off, on pieces that were not used to find their sizes (tenfold cross-validation).
    pub rms_without_fraction: f64,
    /// Pairs that do not belong together.
    pub matching: MatchingTrouble,
    /// What could not be looked into, and why.
    pub unexamined: Vec<Unexamined>,
}

/// A cause that explains part of the differences.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NamedCause {
    /// The cause.
    pub cause: Cause,
    /// What it adds to the estimate of the mean piece it acts on, g.
    pub effect_g: Estimated,
    /// The same in the cause's own unit.
    pub size: Size,
    /// How much worse the differences are explained without it: fall of the sum of squares over the noise, to be compared with the price of a cause (about 11
    /// at 500 pairs).
    pub support: f64,
    /// Other causes that would explain this part nearly as well: the data cannot tell them apart.
    pub confounded_with: Vec<Alternative>,
    /// What to do, most important first.
    pub advice: Vec<String>,
}

/// A cause that could stand in the place of a named one.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Alternative {
    /// The cause.
    pub cause: Cause,
    /// What it would add to the estimate of the mean piece, g.
    pub effect_g: Estimated,
    /// The same in its own unit.
    pub size: Size,
    /// How much worse it explains the differences; less than 6.
    pub worse_by: f64,
}

/// A size in the cause's own unit.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Size {
    /// The value with its interval.
    pub value: Estimated,
    /// Its unit.
    pub unit: String,
    /// What it is of.
    pub of: String,
}

/// A cause that could not be looked into.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Unexamined {
    /// The cause.
    pub what: String,
    /// Why.
    pub why: String,
}

impl Causes {
    /// The finding in sentences for people, most important first.
    #[must_use]
    pub fn in_words(&self) -> Vec<String> {
        let mut words = Vec::new();
        if self.named.is_empty() {
            words.push(format!(
                "no cause was found: the differences of {} pairs look like noise of {:.2} % of a piece's mass",
                self.pairs,
                100.0 * self.noise_fraction
            ));
        }
        for named in &self.named {
            words.extend(named.in_words());
        }
        if !self.named.is_empty() {
            words.push(format!(
                "without these causes the differences would come down from {:.2} % to {:.2} % of a piece's mass (root mean square, on pieces not used to find the sizes)",
                100.0 * self.rms_fraction,
                100.0 * self.rms_without_fraction
            ));
        }
        let matching = &self.matching;
        if matching.is_trouble {
            let swapped = match matching.swapped {
                0 => String::new(),
                count => format!(", {count} of them as if neighbours had changed places"),
            };
            words.push(format!(
                "{} of {} pairs are farther off than noise allows ({:.1} expected by chance){swapped}: look whether they belong together; they were set aside",
                matching.far_off,
                self.pairs + matching.far_off,
                matching.by_chance
            ));
        }
        for it in &self.unexamined {
            words.push(format!("not examined: {}: {}", it.what, it.why));
        }
        words
    }
}

impl NamedCause {
    /// What it is, how large, and what else it could be.
    #[must_use]
    pub fn in_words(&self) -> Vec<String> {
        let when = match &self.cause {
            Cause::Step {
                at,
                earliest,
                latest,
            } => format!(
                " at {} ({} to {})",
                at.strftime("%Y-%m-%d %H:%M:%S UTC"),
                earliest.strftime("%H:%M:%S"),
                latest.strftime("%H:%M:%S")
            ),
            Cause::WarmUp { minutes } => format!(" over about {minutes:.0} min"),
            _ => String::new(),
        };
        let mut words = vec![format!(
            "{}{when}: {} a piece, {} {}",
            self.cause.name(),
            shown(&self.effect_g, "g"),
            shown(&self.size.value, &self.size.unit),
            self.size.of
        )];
        if !self.confounded_with.is_empty() {
            let others: Vec<String> = self
                .confounded_with
                .iter()
                .map(|it| {
                    format!(
                        "{} ({} {})",
                        it.cause.name(),
                        shown_size(&it.size.value, &it.size.unit),
                        it.size.of
                    )
                })
                .collect();
            words.push(format!(
                "  confounded: the data cannot tell this from {}",
                others.join(", nor from ")
            ));
        }
        words.extend(self.advice.iter().map(|it| format!("  {it}")));
        words
    }
}
