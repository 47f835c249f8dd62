//! Agreement in sentences for people.

use super::{Agreement, Estimated, XClass};
use crate::tables::round_to;

/// A number with as many decimals as half its interval's width deserves: two digits of it.
pub(in crate::agreement) fn shown(value: &Estimated, unit: &str) -> String {
    let decimals = decimals(value.half_width());
    let [at, low, high] =
        [value.value, value.low, value.high].map(|it| signed(round_to(it, decimals), decimals));
    format!("{at}{} ({low} to {high})", after_number(unit))
}

/// A unit as it follows a number; a plain number has none.
fn after_number(unit: &str) -> String {
    match unit {
        "1" => String::new(),
        unit => format!(" {unit}"),
    }
}

/// The same without signs on positive numbers.
pub(in crate::agreement) fn shown_size(value: &Estimated, unit: &str) -> String {
    let decimals = decimals(value.half_width());
    let [at, low, high] = [value.value, value.low, value.high]
        .map(|it| format!("{:.decimals$}", round_to(it, decimals)));
    format!("{at}{} ({low} to {high})", after_number(unit))
}

pub(in crate::agreement) fn decimals(half_width: f64) -> usize {
    if !half_width.is_finite() || half_width <= 0.0 {
        return 2;
    }
    (1.0 - half_width.log10().floor()).clamp(0.0, 6.0) as usize
}

fn signed(value: f64, decimals: usize) -> String {
    let sign = match value {
        v if v < 0.0 => "−",
        v if v > 0.0 => "+",
        _ => "",
    };
    format!("{sign}{:.decimals$}", value.abs())
}

impl Agreement {
    /// What was found, most important first. Intervals are of 95 %.
    #[must_use]
    pub fn in_words(&self) -> Vec<String> {
        let limits = &self.limits_g;
        let percent = shown(&self.limits_fraction.bias.times(100.0), "%");
        let mut words = vec![
            format!(
                "over {} pairs the estimate is off by {} on average, {percent}; spread (standard deviation) {}",
                self.pairs,
                shown(&limits.bias, "g"),
                shown_size(&limits.sd, "g"),
            ),
            format!(
                "95 % of differences are expected between {} and {}",
                shown(&limits.lower, "g"),
                shown(&limits.upper, "g"),
            ),
        ];
        match (self.scale_sd_g, &self.sd_without_scale_g) {
            (Some(scale), Some(own)) => words.push(format!(
                "without the checkweigher's own {scale} g the estimate's spread is {}",
                shown_size(own, "g")
            )),
            (Some(scale), None) => words.push(format!(
                "the checkweigher's stated spread of {scale} g is no smaller than the spread of the differences: nothing can be said of the estimate's own"
            )),
            (None, _) => {}
        }
        if let Some(proportional) = &self.proportional {
            let slope = proportional.slope.times(100.0);
            words.push(if slope.holds(0.0) {
                format!(
                    "the difference does not grow with the mass: {} for each 100 g",
                    shown(&slope, "g")
                )
            } else {
                format!(
                    "the difference grows with the mass by {} for each 100 g",
                    shown(&slope, "g")
                )
            });
        }
        for within in &self.within {
            let share = within.share;
            words.push(format!(
                "{} of {} pieces ({:.1} %, {:.1} to {:.1} %) are within ± {} g",
                share.count,
                share.of,
                100.0 * share.fraction,
                100.0 * share.low,
                100.0 * share.high,
                within.within_g
            ));
        }
        if let Some(giveaway) = &self.giveaway {
            let nominal = giveaway.nominal;
            let by_bias = match giveaway.by_bias_g {
                by if by > 0.0 => format!("gives away {by:.2} g a piece"),
                by => format!("leaves pieces {:.2} g short on average", by.abs()),
            };
            words.push(format!(
                "cut to {} g by the estimate as it is, the bias {by_bias} and {:.1} % of pieces are more than {} g short; the set point that keeps the mean and no more than {:.1} % short is {:.1} g, {:.2} g of it for the spread",
                nominal.mass_g,
                100.0 * giveaway.short_now_fraction,
                nominal.tolerance_g,
                100.0 * nominal.short_fraction,
                giveaway.set_point_g,
                giveaway.by_spread_g,
            ));
        }
        if let Some(class) = &self.class {
            let name = match class.class.class {
                XClass::One => "XI",
                XClass::Two => "XII",
                XClass::Three => "XIII",
                XClass::Four => "XIIII",
            };
            words.push(format!(
                "held against class {name}({}): mean error {:.2} g (limit {:.2} g), spread {:.2} g (limit {:.2} g): {}; a yardstick only, weights by a scanner are not legal for trade",
                class.class.factor,
                class.mean_error_g,
                class.mean_limit_g,
                class.sd_g,
                class.sd_limit_g,
                if class.within { "within" } else { "not within" },
            ));
        }
        if self.left_out > 0 {
            words.push(format!(
                "{} pairs had a mass that is no positive number and were left out",
                self.left_out
            ));
        }
        words
    }
}
