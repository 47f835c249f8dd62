//! The same, parted by lane, hour, recording, size or whatever the caller names.

use std::collections::BTreeMap;

use serde::Serialize;

use super::{Limits, LimitsInterval, limits_of_agreement};
use crate::agreement::PairedPiece;

/// What pairs are parted by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum GroupBy {
    /// The lane that the scan states.
    Lane,
    /// The hour of the scan (UTC).
    Hour,
    /// The product, as the caller names it for each pair.
    Product,
    /// The recording.
    Recording,
    /// Thirds of the weighed mass.
    Size,
}

/// Bias and spread of one group.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Group {
    /// What was parted by.
    pub by: GroupBy,
    /// The group's name.
    pub name: String,
    /// Pairs in it.
    pub pairs: usize,
    /// Mean of what the checkweigher showed, g.
    pub mean_weighed_g: f64,
    /// Bias, spread and limits of agreement, g; `None` with fewer than three pairs.
    pub limits_g: Option<Limits>,
    /// The same of the difference over the weighing, 1.
    pub limits_fraction: Option<Limits>,
}

/// Parts pairs by `by`, groups in the order of lane, time or size, else of name. Pairs without a lane are a group of their own, named `none`; pairs
/// with an unusable mass are left out.
///
/// `product` names the product of a pair and is asked for [`GroupBy::Product`] only.
#[must_use]
pub fn groups(
    pairs: &[PairedPiece],
    by: GroupBy,
    product: impl Fn(&PairedPiece) -> Option<String>,
) -> Vec<Group> {
    let usable: Vec<&PairedPiece> = pairs
        .iter()
        .filter(|it| {
            [it.mass_g, it.weighed_g]
                .iter()
                .all(|mass| mass.is_finite() && *mass > 0.0)
        })
        .collect();
    let mut parted: BTreeMap<(i64, String), Vec<(f64, f64)>> = BTreeMap::new();
    let none = || "none".to_owned();
    let ends_g = thirds(&usable);
    for it in usable {
        let key = match by {
            GroupBy::Lane => match it.record.lane {
                Some(lane) => (i64::from(lane), format!("lane {lane}")),
                None => (i64::MAX, none()),
            },
            GroupBy::Hour => {
                let hour = it.scanned.as_second().div_euclid(3600);
                let name = jiff::Timestamp::from_second(hour * 3600).map_or_else(
                    |_| none(),
                    |start| start.strftime("%Y-%m-%d %H:%M UTC").to_string(),
                );
                (hour, name)
            }
            GroupBy::Product => (0, product(it).unwrap_or_else(none)),
            GroupBy::Recording => (0, it.record.recording.clone()),
            GroupBy::Size => {
                let third = ends_g.iter().filter(|end| it.weighed_g > **end).count();
                let name = match third {
                    0 => format!("up to {:.0} g", ends_g[0]),
                    1 => format!("{:.0} to {:.0} g", ends_g[0], ends_g[1]),
                    _ => format!("above {:.0} g", ends_g[1]),
                };
                (third as i64, name)
            }
        };
        parted
            .entry(key)
            .or_default()
            .push((it.mass_g, it.weighed_g));
    }
    parted
        .into_iter()
        .map(|((_, name), masses)| group(by, name, &masses))
        .collect()
}

fn group(by: GroupBy, name: String, masses: &[(f64, f64)]) -> Group {
    let limits = |of: fn(&(f64, f64)) -> f64| {
        let values: Vec<f64> = masses.iter().map(of).collect();
        limits_of_agreement(&values, 1.96, LimitsInterval::Exact)
    };
    Group {
        by,
        name,
        pairs: masses.len(),
        mean_weighed_g: masses.iter().map(|it| it.1).sum::<f64>() / masses.len() as f64,
        limits_g: limits(|(estimate, weighed)| estimate - weighed),
        limits_fraction: limits(|(estimate, weighed)| estimate / weighed - 1.0),
    }
}

/// The weighed masses at one and two thirds of all.
fn thirds(pairs: &[&PairedPiece]) -> [f64; 2] {
    let mut masses: Vec<f64> = pairs.iter().map(|it| it.weighed_g).collect();
    masses.sort_unstable_by(f64::total_cmp);
    let at = |k: usize| {
        let index = (k * masses.len()).div_ceil(3).saturating_sub(1);
        masses.get(index).copied().unwrap_or(f64::NAN)
    };
    [at(1), at(2)]
}
