//! Limits that a line has to keep, and whether it does.

use super::{Group, Summary};

/// What a limit is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LimitKind {
    /// At most this share of pieces out of spec.
    MostOutOfSpec,
    /// At least so many pieces in a minute of belt seen.
    LeastPiecesPerMinute,
    /// At least so many kilograms in an hour of belt seen.
    LeastKgPerHour,
}

/// A limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limit {
    /// What it is about.
    pub kind: LimitKind,
    /// The limit; a fraction for shares.
    pub value: f64,
}

/// How a product stands to a limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// It is kept.
    Kept,
    /// Too few pieces to say: the limit lies within the confidence limits of the share.
    Undecided,
    /// It is missed.
    Missed,
    /// What it is about is not known of this product.
    Unknown,
}

impl Verdict {
    /// In a word.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Kept => "kept",
            Self::Undecided => "undecided",
            Self::Missed => "MISSED",
            Self::Unknown => "unknown",
        }
    }
}

impl LimitKind {
    /// What it limits, in words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::MostOutOfSpec => "share out of spec, at most",
            Self::LeastPiecesPerMinute => "pieces per minute, at least",
            Self::LeastKgPerHour => "kg per hour, at least",
        }
    }
}

/// How one product stands to one limit.
#[derive(Debug, Clone, PartialEq)]
pub struct Checked {
    /// The product.
    pub product: String,
    /// The limit.
    pub limit: Limit,
    /// What was found; `None` where it is not known.
    pub value: Option<f64>,
    /// How it stands.
    pub verdict: Verdict,
}

/// How each product stands to each limit.
#[must_use]
pub fn check_limits(summary: &Summary, limits: &[Limit]) -> Vec<Checked> {
    let mut checked = Vec::new();
    for product in &summary.products {
        for limit in limits {
            let (value, verdict) = check(&product.all, limit);
            checked.push(Checked {
                product: product.product.clone(),
                limit: *limit,
                value,
                verdict,
            });
        }
    }
    checked
}

fn check(group: &Group, limit: &Limit) -> (Option<f64>, Verdict) {
    let least = |value: Option<f64>| match value {
        None => (None, Verdict::Unknown),
        Some(value) if value < limit.value => (Some(value), Verdict::Missed),
        Some(value) => (Some(value), Verdict::Kept),
    };
    match limit.kind {
        LimitKind::LeastPiecesPerMinute => least(group.pieces_per_minute()),
        LimitKind::LeastKgPerHour => least(group.kg_per_hour()),
        LimitKind::MostOutOfSpec => match group.out_of_spec_fraction() {
            None => (None, Verdict::Unknown),
            Some((share, [low, _])) if limit.value < low => (Some(share), Verdict::Missed),
            Some((share, [_, high])) if limit.value < high => (Some(share), Verdict::Undecided),
            Some((share, _)) => (Some(share), Verdict::Kept),
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_share_is_missed_only_when_its_whole_interval_is_beyond_the_limit() {
        let group = |out_of_spec: u64, pieces: u64| {
            let mut group = Group::default();
            for _ in 0..pieces {
                group.mass_g.add(100.0);
            }
            group.out_of_spec = out_of_spec;
            group
        };
        let limit = Limit {
            kind: LimitKind::MostOutOfSpec,
            value: 0.02,
        };
        assert_eq!(check(&group(0, 0), &limit).1, Verdict::Unknown);
        assert_eq!(check(&group(0, 1000), &limit).1, Verdict::Kept);
        // 1 of 10 is a lot, but with 10 pieces nothing is known: 0.25 % to 44.5 %.
        assert_eq!(check(&group(1, 10), &limit).1, Verdict::Undecided);
        assert_eq!(check(&group(100, 1000), &limit).1, Verdict::Missed);
    }
}
