//! How well the belt is known where it is not seen.

use super::BeltLine;
use super::blocks::CELL_SAMPLES;
use super::nodes::MEDIAN_VARIANCE;
use crate::stats::median;

/// How far back the belt's misfit is looked at, lines: a piece's own zones are too few to tell it.
const BACK_LINES: usize = 100;

/// Standard uncertainty of the belt's height where pieces hide it, mm, from how far it lies off what was fitted where it is seen.
///
/// `lines[under..]` are those under the piece; over windows as long as that, from its end back to `BACK_LINES` before its start, each
/// zone's misfit is averaged along. Robust against zones that hold something else: 1.4826 times the median magnitude. Level and tilt were
/// fitted to the k zones that are seen, so that these misfit less than others: by `√(1 − 2/k)`, where a zone that had no part in the fit
/// misfits by `√(1 + 2/k)`. What noise adds to the means is taken off.
pub fn belt_misfit_mm(lines: &[BeltLine], under: usize) -> f64 {
    let length = lines.len().saturating_sub(under).max(1);
    let zones = lines.iter().map(|line| line.zone_rest_mm.len()).max();
    let mut means: Vec<f32> = Vec::new();
    let mut windows = 0_usize;
    let mut end = lines.len();
    let first = under.saturating_sub(BACK_LINES);
    while end >= first + length {
        let window = &lines[end - length..end];
        windows += 1;
        means.extend((0..zones.unwrap_or(0)).filter_map(|zone| zone_mean_mm(window, zone)));
        match end.checked_sub((length / 2).max(1)) {
            Some(before) => end = before,
            None => break,
        }
    }
    let seen = means.len() as f64 / windows.max(1) as f64;
    let free = 2.0 / seen.max(4.0);
    let noises = lines[under..].iter().map(|line| line.noise_mm);
    let noise_mm = noises.filter(|noise| noise.is_finite()).fold(0.0, f64::max);
    // The means' own noise is not the belt's.
    let noise_variance = MEDIAN_VARIANCE * noise_mm * noise_mm / (CELL_SAMPLES * length as f64);
    median(&mut means).map_or(0.0, |rest| {
        let spread_mm = f64::from(rest) * 1.4826;
        let variance = (spread_mm * spread_mm - noise_variance).max(0.0);
        (variance * (1.0 + free) / (1.0 - free)).sqrt()
    })
}

/// Magnitude of a zone's mean misfit along; `None` where it is not seen on most lines.
fn zone_mean_mm(lines: &[BeltLine], zone: usize) -> Option<f32> {
    let seen = lines.iter().filter_map(|line| line.zone_rest_mm.get(zone));
    let (sum, count) = seen
        .filter(|rest| !rest.is_nan())
        .fold((0.0_f32, 0_usize), |(sum, count), rest| {
            (sum + rest, count + 1)
        });
    (2 * count > lines.len()).then(|| (sum / count as f32).abs())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(zone_rest_mm: Vec<f32>) -> BeltLine {
        let zone_mm = vec![0.0; zone_rest_mm.len()];
        BeltLine {
            row: 0.0,
            zone_mm,
            seen_fraction: 1.0,
            u_mm: 0.0,
            reach_mm: 10.0,
            noise_mm: 0.0,
            zone_rest_mm,
        }
    }

    #[test]
    fn what_changes_along_the_piece_averages_out_and_what_stays_does_not() {
        let wave: Vec<BeltLine> = (0..100)
            .map(|k| line(vec![if k % 2 == 0 { 0.02 } else { -0.02 }; 9]))
            .collect();
        assert!(belt_misfit_mm(&wave, 0) < 1e-6);
        let offsets: Vec<BeltLine> = (0..100).map(|_| line(vec![0.01, -0.01, 0.01])).collect();
        // Three zones count as four: √(1.5/0.5).
        let expected = 0.01 * 1.4826 * 3.0_f64.sqrt();
        assert!((belt_misfit_mm(&offsets, 0) - expected).abs() < 1e-6);
    }

    #[test]
    fn zones_that_are_hardly_seen_have_no_voice() {
        let lines: Vec<BeltLine> = (0..10)
            .map(|k| line(vec![0.0, if k == 0 { 5.0 } else { f32::NAN }]))
            .collect();
        assert_eq!(belt_misfit_mm(&lines, 0), 0.0);
        assert_eq!(belt_misfit_mm(&[], 0), 0.0);
    }
}
