//! How quantities are called and shown: words, unit, as many digits as they deserve.

use jiff::Timestamp;

use crate::drift::Verdict;
use crate::tables::with_uncertainty;

/// How one quantity is shown.
#[derive(Debug, Clone)]
pub struct Quantity {
    /// Its name for people.
    pub title: String,
    /// The unit it is shown in.
    pub unit: String,
    /// Taken off a value before it is shown: 1 for scales.
    offset: f64,
    /// From the stored unit to the shown one.
    factor: f64,
}

const TITLES: [(&str, &str); 14] = [
    ("across_scale", "Scale across"),
    ("along_scale", "Scale along"),
    ("height_scale", "Scale of height"),
    ("height_offset_mm", "Height offset"),
    ("roll_mrad", "Roll"),
    ("pitch_mrad", "Pitch"),
    ("bow_mm", "Bow"),
    ("skew_mrad", "Skew"),
    ("lean_mrad", "Lean"),
    ("noise_mm", "Noise of a sample"),
    ("flatness_mm", "Flatness"),
    ("dropout_fraction", "Dropouts"),
    ("max_de00", "Largest colour difference"),
    ("weight_effect", "Effect on weight"),
];

/// How the quantity of this name and stored unit is shown.
#[must_use]
pub fn quantity(name: &str, unit: &str) -> Quantity {
    let title = TITLES
        .iter()
        .find(|it| it.0 == name)
        .map_or(name, |it| it.1);
    let (offset, factor, unit) = match unit {
        "1" if name.ends_with("_scale") => (1.0, 100.0, "%"),
        "1" => (0.0, 100.0, "%"),
        other => (0.0, 1.0, other),
    };
    Quantity {
        title: title.to_owned(),
        unit: unit.to_owned(),
        offset,
        factor,
    }
}

impl Quantity {
    /// A value in the shown unit; of a scale, what it is off from 1.
    #[must_use]
    pub fn value(&self, value: f64) -> f64 {
        (value - self.offset) * self.factor
    }

    /// A difference in the shown unit.
    #[must_use]
    pub fn difference(&self, difference: f64) -> f64 {
        difference * self.factor
    }

    /// A value with its uncertainty and unit.
    #[must_use]
    pub fn value_text(&self, value: f64, u: Option<f64>) -> String {
        self.text(self.value(value), u)
    }

    /// A difference with its uncertainty and unit, with its sign.
    #[must_use]
    pub fn difference_text(&self, difference: f64, u: Option<f64>) -> String {
        let text = self.text(self.difference(difference), u);
        match text.starts_with('−') || difference == 0.0 {
            true => text,
            false => format!("+{text}"),
        }
    }

    /// A limit or a tolerance, as it was stated.
    #[must_use]
    pub fn stated(&self, difference: f64) -> String {
        format!("{} {}", plain(self.difference(difference)), self.unit)
    }

    fn text(&self, shown: f64, u: Option<f64>) -> String {
        let number = match u {
            Some(u) if u > 0.0 => with_uncertainty(shown, self.difference(u)),
            _ => plain(shown),
        };
        format!("{} {}", number.replace('-', "−"), self.unit)
    }
}

/// Three significant digits, for what states no uncertainty.
pub(super) fn plain(value: f64) -> String {
    if value == 0.0 || !value.is_finite() {
        return "0".to_owned();
    }
    let decimals = (2.0 - value.abs().log10().floor()).clamp(0.0, 6.0) as usize;
    let text = format!("{value:.decimals$}");
    let text = match text.contains('.') {
        true => text.trim_end_matches('0').trim_end_matches('.'),
        false => &text,
    };
    text.replace('-', "−")
}

/// A time to the minute, in UTC.
pub(super) fn minute(time: Timestamp) -> String {
    time.strftime("%Y-%m-%d %H:%M UTC").to_string()
}

/// A day, in UTC.
pub(super) fn day(time: Timestamp) -> String {
    time.strftime("%Y-%m-%d").to_string()
}

/// Class of style and words of a verdict.
pub(super) fn verdict(verdict: Verdict) -> (&'static str, &'static str) {
    match verdict {
        Verdict::InTolerance => ("good", "in tolerance"),
        Verdict::Warning => ("unsure", "not decided"),
        Verdict::OutOfTolerance => ("bad", "out of tolerance"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scales_are_shown_as_percent_off_one() {
        let scale = quantity("height_scale", "1");
        assert_eq!(
            scale.value_text(0.996, Some(0.000_04)),
            "−0.4000 ± 0.0040 %"
        );
        assert_eq!(scale.difference_text(0.0005, None), "+0.05 %");
        assert_eq!(scale.stated(0.002), "0.2 %");
        let dropouts = quantity("dropout_fraction", "1");
        assert_eq!(dropouts.value_text(0.0123, None), "1.23 %");
    }

    #[test]
    fn millimetres_stay_millimetres() {
        let offset = quantity("height_offset_mm", "mm");
        assert_eq!(
            offset.value_text(-0.1234, Some(0.0041)),
            "−0.1234 ± 0.0041 mm"
        );
        assert_eq!(offset.title, "Height offset");
        assert_eq!(plain(1234.5), "1234");
        assert_eq!(plain(-0.000_500), "−0.0005");
    }
}
