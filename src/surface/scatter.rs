//! Samples at uneven places along a line, brought onto evenly spaced cells.

/// Widest gap between two neighbouring samples that is interpolated across, in cells. Samples further apart have a
/// missing one between them, which must stay missing.
pub(super) const WIDEST_GAP_CELLS: f64 = 1.6;

/// Steepest rise between two samples that is a slope, mm per cell; a steeper one is an edge, and a sample between top and
/// bottom of an edge would be one that nobody saw. An edge moves to the nearer sample instead, which moves nothing on the mean.
pub(super) const STEEPEST_SLOPE_MM: f32 = 0.8;

/// One seen sample: its place in cells (cell `k` has its centre at `k`) and its height, mm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Placed {
    /// Place, in cells.
    pub place: f64,
    /// Height, mm.
    pub height_mm: f32,
}

/// Hands `set(cell, height, exact)` every cell that the step from `before` to `next` decides: by linear interpolation
/// between the two (`exact`), or, next to a missing sample, the cell that `next` lies in (not `exact`: it gives way).
///
/// Where lean folds the order of two samples over, the step decides nothing but the cell that `next` lies in.
#[inline]
pub fn step(before: Option<Placed>, next: Placed, mut set: impl FnMut(i64, f32, bool)) {
    set(whole_below(next.place + 0.5), next.height_mm, false);
    let Some(before) = before else { return };
    let gap = next.place - before.place;
    if gap <= 0.0 || gap > WIDEST_GAP_CELLS {
        return;
    }
    let (first, end) = (-whole_below(-before.place), whole_below(next.place));
    let edge = (next.height_mm - before.height_mm).abs() > STEEPEST_SLOPE_MM * gap as f32;
    for cell in first..=end {
        let t = ((cell as f64 - before.place) / gap) as f32;
        let t = match (edge, t < 0.5) {
            (false, _) => t,
            (true, true) => 0.0,
            (true, false) => 1.0,
        };
        set(
            cell,
            before.height_mm + t * (next.height_mm - before.height_mm),
            true,
        );
    }
}

/// The floor as a whole number: without a call, which `f64::floor` is where the processor need not have an instruction for it.
#[inline]
pub fn whole_below(place: f64) -> i64 {
    let cut = place as i64;
    cut - i64::from(cut as f64 > place)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn placed(samples: &[(f64, f32)], cells: usize) -> Vec<f32> {
        let mut out = vec![(f32::NAN, false); cells];
        let mut before = None;
        for &(place, height_mm) in samples {
            let next = Placed { place, height_mm };
            step(before, next, |cell, height, exact| {
                if let Some(out) = usize::try_from(cell)
                    .ok()
                    .and_then(|cell| out.get_mut(cell))
                    && (exact || !out.1)
                {
                    *out = (height, exact);
                }
            });
            before = Some(next);
        }
        out.into_iter().map(|cell| cell.0).collect()
    }

    #[test]
    fn the_whole_number_below_is_the_floor() {
        for place in [-2.0, -1.5, -0.1, -0.0, 0.0, 0.9, 1.0, 1e9 + 0.5, -1e9 - 0.5] {
            assert_eq!(whole_below(place), f64::floor(place) as i64);
        }
    }

    #[test]
    fn a_slope_stays_a_slope() {
        let samples: Vec<(f64, f32)> = (0..6)
            .map(|k| (f64::from(k) + 0.3, 0.7 * (k as f32 + 0.3)))
            .collect();
        let cells = placed(&samples, 6);
        for (cell, &height) in cells.iter().enumerate().skip(1) {
            assert!((height - 0.7 * cell as f32).abs() < 1e-5, "{cells:?}");
        }
    }

    #[test]
    fn an_edge_stays_an_edge() {
        let cells = placed(&[(0.3, 0.0), (1.3, 0.0), (2.3, 20.0), (3.3, 20.0)], 4);
        assert_eq!(cells, [0.0, 0.0, 20.0, 20.0]);
    }

    #[test]
    fn a_missing_sample_stays_missing() {
        let cells = placed(&[(0.0, 1.0), (1.0, 1.0), (3.0, 1.0)], 4);
        assert!(cells[2].is_nan());
        assert_eq!(cells[3], 1.0);
    }
}
