//! A number with its interval.

use serde::Serialize;

/// A value with the ends of its 95 % confidence interval, all in one unit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Estimated {
    /// The value.
    pub value: f64,
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end of the interval.
    pub high: f64,
}

impl Estimated {
    /// A value and half the width of its interval.
    #[must_use]
    pub fn about(value: f64, half_width: f64) -> Self {
        Self {
            value,
            low: value - half_width,
            high: value + half_width,
        }
    }

    /// The same in another unit, or turned round.
    #[must_use]
    pub fn times(self, factor: f64) -> Self {
        let (one, other) = (self.low * factor, self.high * factor);
        Self {
            value: self.value * factor,
            low: one.min(other),
            high: one.max(other),
        }
    }

    /// Whether the interval holds this value.
    #[must_use]
    pub fn holds(&self, value: f64) -> bool {
        self.low <= value && value <= self.high
    }

    /// Half the width of the interval.
    #[must_use]
    pub fn half_width(&self) -> f64 {
        (self.high - self.low) / 2.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn turning_round_keeps_the_ends_in_order() {
        let turned = Estimated::about(2.0, 0.5).times(-10.0);
        assert_eq!(
            (turned.value, turned.low, turned.high),
            (-20.0, -25.0, -15.0)
        );
        assert!(turned.holds(-25.0) && !turned.holds(-14.9));
        assert_eq!(turned.half_width(), 5.0);
    }
}
