//! The two sequences that are matched, in the order of time.

use super::order::{mad_sd, median};

/// Neighbours on each side whose median mass is taken off, so that a slow change of the product's mass is not taken for a likeness.
const HALF_WINDOW: usize = 25;

/// Scores are cut here, in standard deviations: a double weighing or a test weight must not outweigh everything else.
const LARGEST_SCORE: f64 = 2.5;

/// One piece or one weighing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Item {
    /// Place in the list that came from outside.
    pub(super) index: usize,
    /// Seconds since the first piece, each by its own clock.
    pub(super) time_s: f64,
    /// Estimate or weighing, g.
    pub(super) mass_g: f64,
    /// 1-based lane.
    pub(super) lane: Option<u32>,
}

/// Puts weighings into the order of time. Where the log's times are coarse, rows that bear the same time keep the log's order and are spread
/// evenly over the time that one step of its clock lasts.
pub(super) fn in_order(items: &mut [Item], step_s: f64) {
    let falling = items
        .windows(2)
        .filter(|pair| pair[1].time_s < pair[0].time_s)
        .count();
    let rising = items
        .windows(2)
        .filter(|pair| pair[1].time_s > pair[0].time_s)
        .count();
    if falling > rising {
        // The newest row stands first: so do the newer ones of those with the same time.
        items.reverse();
    }
    items.sort_by(|one, other| one.time_s.total_cmp(&other.time_s));
    if step_s <= 0.0 {
        return;
    }
    let mut start = 0;
    while start < items.len() {
        let time = items[start].time_s;
        let count = items[start..]
            .iter()
            .take_while(|item| item.time_s <= time)
            .count();
        for (place, item) in items[start..start + count].iter_mut().enumerate() {
            item.time_s = time + step_s * (place as f64 + 0.5) / count as f64;
        }
        start += count;
    }
}

/// The step of a clock that wrote these times (nanoseconds): a minute, a second, a tenth of a second; 0 where it is finer.
pub(super) fn clock_step_s(times_ns: impl Iterator<Item = i128> + Clone) -> f64 {
    const STEPS_NS: [i128; 3] = [60_000_000_000, 1_000_000_000, 100_000_000];
    STEPS_NS
        .into_iter()
        .find(|step| times_ns.clone().all(|time| time.rem_euclid(*step) == 0))
        .map_or(0.0, |step| step as f64 * 1e-9)
}

/// How far each mass lies from those around it, in standard deviations of all such distances; `None` where they are all the same.
pub(super) fn scores(items: &[Item]) -> Option<Vec<f64>> {
    let mut distance: Vec<f64> = (0..items.len())
        .map(|at| {
            let from = at.saturating_sub(HALF_WINDOW);
            let to = (at + HALF_WINDOW + 1).min(items.len());
            let mut around: Vec<f64> = items[from..to].iter().map(|item| item.mass_g).collect();
            items[at].mass_g - median(&mut around)
        })
        .collect();
    let sd = mad_sd(&mut distance.clone());
    if !sd.is_finite() || sd <= 0.0 {
        return None;
    }
    for score in &mut distance {
        *score = (*score / sd).clamp(-LARGEST_SCORE, LARGEST_SCORE);
    }
    Some(distance)
}
