//! The Western Electric zone rules: patterns of an individuals chart that chance seldom makes.

/// A rule of the Western Electric Statistical Quality Control Handbook (1956), for points of one side of the centre.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum ZoneRule {
    /// One point beyond three standard deviations.
    OneBeyondThree,
    /// Two of three points in a row beyond two standard deviations.
    TwoOfThreeBeyondTwo,
    /// Four of five points in a row beyond one standard deviation.
    FourOfFiveBeyondOne,
    /// Eight points in a row on one side.
    EightOnOneSide,
}

impl ZoneRule {
    /// All four.
    pub const ALL: [Self; 4] = [
        Self::OneBeyondThree,
        Self::TwoOfThreeBeyondTwo,
        Self::FourOfFiveBeyondOne,
        Self::EightOnOneSide,
    ];

    /// How many of the last how many points must lie beyond how many standard deviations.
    fn pattern(self) -> (usize, usize, f64) {
        match self {
            Self::OneBeyondThree => (1, 1, 3.0),
            Self::TwoOfThreeBeyondTwo => (2, 3, 2.0),
            Self::FourOfFiveBeyondOne => (4, 5, 1.0),
            Self::EightOnOneSide => (8, 8, 0.0),
        }
    }

    /// What was seen, in words.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::OneBeyondThree => "1 beyond 3 s",
            Self::TwoOfThreeBeyondTwo => "2 of 3 beyond 2 s",
            Self::FourOfFiveBeyondOne => "4 of 5 beyond 1 s",
            Self::EightOnOneSide => "8 in a row on one side",
        }
    }
}

/// A rule broken by the pattern that ends at a point.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct ZoneBreak {
    /// The pattern's last point.
    pub index: usize,
    /// The rule.
    pub rule: ZoneRule,
}

/// Every rule broken, in the order of the points. Without a spread (`sd` not more than 0) there is nothing to compare.
///
/// The last point of a pattern belongs to it: a point near the centre breaks no rule, whatever came before it.
#[must_use]
pub fn zone_breaks(values: &[f64], centre: f64, sd: f64) -> Vec<ZoneBreak> {
    let mut found = Vec::new();
    if sd <= 0.0 || !sd.is_finite() {
        return found;
    }
    for index in 0..values.len() {
        for rule in ZoneRule::ALL {
            let (wanted, of, beyond) = rule.pattern();
            let window = &values[(index + 1).saturating_sub(of)..=index];
            let broken = [1.0, -1.0].into_iter().any(|side| {
                let lies_beyond = |value: &f64| (value - centre) * side > beyond * sd;
                lies_beyond(&values[index])
                    && window.iter().filter(|value| lies_beyond(value)).count() >= wanted
            });
            if broken {
                found.push(ZoneBreak { index, rule });
            }
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(values: &[f64], expected: &[(usize, ZoneRule)]) {
        let found: Vec<_> = zone_breaks(values, 0.0, 1.0)
            .into_iter()
            .map(|it| (it.index, it.rule))
            .collect();
        assert_eq!(found, expected);
    }

    #[test]
    fn each_rule_by_itself() {
        check(&[0.0, 3.01, 0.0], &[(1, ZoneRule::OneBeyondThree)]);
        check(&[2.1, 0.0, 2.1], &[(2, ZoneRule::TwoOfThreeBeyondTwo)]);
        check(
            &[-1.1, -1.1, 0.5, -1.1, -1.1],
            &[(4, ZoneRule::FourOfFiveBeyondOne)],
        );
        check(&[0.1; 8], &[(7, ZoneRule::EightOnOneSide)]);
    }

    #[test]
    fn what_lies_on_both_sides_or_on_the_line_breaks_none() {
        check(&[2.1, -2.1, 2.1, -2.1].map(|v| v * 0.9), &[]);
        check(&[3.0], &[]);
        check(&[0.1, 0.1, 0.1, 0.1, 0.0, 0.1, 0.1, 0.1], &[]);
    }

    #[test]
    fn a_point_near_the_centre_does_not_repeat_the_call() {
        check(&[2.1, 2.1, 0.0], &[(1, ZoneRule::TwoOfThreeBeyondTwo)]);
    }

    #[test]
    fn without_spread_there_is_no_rule() {
        assert!(zone_breaks(&[1.0, 2.0], 1.0, 0.0).is_empty());
    }
}
