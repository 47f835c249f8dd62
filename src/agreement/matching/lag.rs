//! The lag's curve and the lanes' own lags, moved to where the likely matches are.

use super::fit::Learned;
use super::track::Track;

/// Matches on each side that the lag at a time is taken from.
const LAG_NEIGHBOURS: usize = 40;
/// Matches from one knot of the lag to the next.
const LAG_SPACING: usize = 20;

/// Moves the lag to where the matches are: a straight line through the nearest ones at each knot.
pub(super) fn relearn_lag(track: &mut Track, lane_lag_s: &mut [(u32, f64)], matches: &[Learned]) {
    let weight = |one: &Learned| one.probability * one.narrow;
    if !lane_lag_s.is_empty() {
        let mut moved = Vec::with_capacity(lane_lag_s.len());
        for entry in lane_lag_s.iter_mut() {
            let (mut sum, mut total) = (0.0, 0.0);
            for one in matches.iter().filter(|it| it.lane == Some(entry.0)) {
                sum += weight(one) * one.late_s;
                total += weight(one);
            }
            moved.push(if total > 3.0 { sum / total } else { 0.0 });
        }
        for (entry, by) in lane_lag_s.iter_mut().zip(&moved) {
            entry.1 += by;
        }
        // What all lanes share belongs to the common lag.
        let shared = lane_lag_s.iter().map(|it| it.1).sum::<f64>() / lane_lag_s.len() as f64;
        for entry in lane_lag_s.iter_mut() {
            entry.1 -= shared;
        }
        let knots = track.knots().iter().map(|(t, lag)| (*t, lag + shared));
        *track = Track::new(knots.collect());
        let late = |one: &Learned| {
            let by = lane_lag_s
                .iter()
                .position(|it| Some(it.0) == one.lane)
                .and_then(|at| moved.get(at))
                .copied();
            one.late_s - by.unwrap_or(shared)
        };
        *track = relaid(track, matches, weight, late);
    } else {
        *track = relaid(track, matches, weight, |one| one.late_s);
    }
}

fn relaid(
    track: &Track,
    matches: &[Learned],
    weight: impl Fn(&Learned) -> f64,
    late_s: impl Fn(&Learned) -> f64,
) -> Track {
    let knots = (matches.len() / LAG_SPACING).max(2);
    let mut laid = Vec::with_capacity(knots);
    for knot in 0..knots {
        let centre = knot * (matches.len() - 1) / (knots - 1);
        let near = &matches[centre.saturating_sub(LAG_NEIGHBOURS)
            ..(centre + LAG_NEIGHBOURS + 1).min(matches.len())];
        let at = matches[centre].time_s;
        let total: f64 = near.iter().map(&weight).sum();
        if total < 3.0 {
            continue;
        }
        let mean = |value: &dyn Fn(&Learned) -> f64| {
            near.iter().map(|it| weight(it) * value(it)).sum::<f64>() / total
        };
        let time = mean(&|it| it.time_s - at);
        let late = mean(&late_s);
        let tt = mean(&|it| (it.time_s - at - time).powi(2));
        let tl = mean(&|it| (it.time_s - at - time) * late_s(it));
        let slope = if tt > 0.0 && near.len() >= 20 {
            // Clocks part slowly; a steeper line follows chance.
            (tl / tt).clamp(-5e-3, 5e-3)
        } else {
            0.0
        };
        let lag = track.at(at) + late - slope * time;
        if laid.last().is_none_or(|last: &(f64, f64)| last.0 < at) {
            laid.push((at, lag));
        }
    }
    if laid.is_empty() {
        track.clone()
    } else {
        Track::new(laid)
    }
}
