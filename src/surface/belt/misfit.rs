//! How well the belt is known where it is not seen.

use super::BeltLine;
use crate::stats::median;

/// How much farther than where it is seen the belt lies off where it is not: simulated pieces under a camera from straight
/// above, of which nothing is hidden, have errors that much larger than the seen zones' misfit explains.
const UNSEEN_BELT: f64 = 1.8;

/// How far the belt under a piece may lie off what was fitted beside it: as the seen zones do, each on the mean along the
/// piece. Robust against zones that hold something else: 1.4826 times their median magnitude, and more by
/// `UNSEEN_BELT`.
pub fn pooled_misfit_mm(lines: &[BeltLine], under: usize) -> f64 {
    let zones = lines.first().map_or(0, |line| line.zone_rest_mm.len());
    let zones = lines
        .iter()
        .map(|l| l.zone_rest_mm.len())
        .max()
        .unwrap_or(zones);
    let under = under.max(1);
    let mut means: Vec<f32> = Vec::new();
    let mut end = lines.len();
    while end >= under {
        let window = &lines[end - under..end];
        for zone in 0..zones {
            let seen = window.iter().filter_map(|line| line.zone_rest_mm.get(zone));
            let (sum, count) = seen
                .filter(|rest| !rest.is_nan())
                .fold((0.0_f32, 0_usize), |(sum, count), rest| {
                    (sum + rest, count + 1)
                });
            if 2 * count > under {
                means.push((sum / count as f32).abs());
            }
        }
        if end < under / 2 + 1 {
            break;
        }
        end -= (under / 2).max(1);
    }
    median(&mut means).map_or(0.0, |rest| f64::from(rest) * 1.4826)
}

/// Old.
pub fn belt_misfit_mm(lines: &[BeltLine]) -> f64 {
    let zones = lines.first().map_or(0, |line| line.zone_rest_mm.len());
    let mut means: Vec<f32> = (0..zones)
        .filter_map(|zone| {
            let seen = lines.iter().filter_map(|line| line.zone_rest_mm.get(zone));
            let (sum, count) = seen
                .filter(|rest| !rest.is_nan())
                .fold((0.0_f32, 0_usize), |(sum, count), rest| {
                    (sum + rest, count + 1)
                });
            (2 * count > lines.len()).then(|| (sum / count as f32).abs())
        })
        .collect();
    median(&mut means).map_or(0.0, |rest| f64::from(rest) * 1.4826 * UNSEEN_BELT)
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
            noise_mm: 0.05,
            zone_rest_mm,
        }
    }

    #[test]
    fn what_changes_along_the_piece_averages_out_and_what_stays_does_not() {
        let wave: Vec<BeltLine> = (0..100)
            .map(|k| line(vec![if k % 2 == 0 { 0.02 } else { -0.02 }; 9]))
            .collect();
        assert!(belt_misfit_mm(&wave) < 1e-6);
        let offsets: Vec<BeltLine> = (0..100).map(|_| line(vec![0.01, -0.01, 0.01])).collect();
        assert!((belt_misfit_mm(&offsets) - 0.01 * 1.4826 * UNSEEN_BELT).abs() < 1e-6);
    }

    #[test]
    fn zones_that_are_hardly_seen_have_no_voice() {
        let lines: Vec<BeltLine> = (0..10)
            .map(|k| line(vec![0.0, if k == 0 { 5.0 } else { f32::NAN }]))
            .collect();
        assert_eq!(belt_misfit_mm(&lines), 0.0);
        assert_eq!(belt_misfit_mm(&[]), 0.0);
    }
}
