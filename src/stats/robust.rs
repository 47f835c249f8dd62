//! Order statistics and M-estimates of location.

/// Factor that makes the median absolute deviation estimate a normal's standard deviation: 1/Φ⁻¹(3/4).
pub(super) const MAD_TO_SD: f64 = 1.482_602_218_505_602;

/// Tukey's biweight tuning constant for 95 % efficiency at the normal (Mosteller and Tukey 1977).
const BIWEIGHT_C: f64 = 4.685;

/// The `p` quantile (lower order statistic, no interpolation) of `values`, which are reordered. `None` when empty.
///
/// NaN values must have been left out.
pub fn quantile(values: &mut [f32], p: f64) -> Option<f32> {
    let last = values.len().checked_sub(1)?;
    let index = (p.clamp(0.0, 1.0) * last as f64).floor() as usize;
    let (_, value, _) = values.select_nth_unstable_by(index, f32::total_cmp);
    Some(*value)
}

/// The median; of an even number of values the mean of the middle two. `values` are reordered. `None` when empty.
pub fn median(values: &mut [f32]) -> Option<f32> {
    let n = values.len();
    let (below, upper, _) = values
        .get(n / 2)?
        .is_finite()
        .then(|| values.select_nth_unstable_by(n / 2, f32::total_cmp))?;
    let upper = *upper;
    if n % 2 == 1 {
        return Some(upper);
    }
    let lower = below.iter().copied().fold(f32::NEG_INFINITY, f32::max);
    Some(f32::midpoint(lower, upper))
}

/// The median of `values` in double precision; of an even number of values the mean of the middle two. They are reordered.
/// `None` when empty.
pub(super) fn middle(values: &mut [f64]) -> Option<f64> {
    values.sort_unstable_by(f64::total_cmp);
    let n = values.len();
    let upper = values.get(n / 2)?;
    Some(match n % 2 {
        1 => *upper,
        _ => f64::midpoint(*values.get(n / 2 - 1)?, *upper),
    })
}

/// Standard deviation from the median absolute deviation about `centre`. `values` are overwritten. `None` when empty.
pub fn mad_sd(values: &mut [f32], centre: f32) -> Option<f64> {
    for value in values.iter_mut() {
        *value = (*value - centre).abs();
    }
    Some(f64::from(median(values)?) * MAD_TO_SD)
}

/// The weighted median of (value, weight) pairs, which are reordered: the first value at which half of the weight is
/// reached. `None` without weight.
pub fn weighted_median(pairs: &mut [(f64, f64)]) -> Option<f64> {
    let total: f64 = pairs.iter().map(|pair| pair.1).sum();
    if total.is_nan() || total <= 0.0 {
        return None;
    }
    // By halves: of those that are not told apart yet, the lower half holds the value or all of it is below.
    let (mut open, mut reached) = (pairs, 0.0);
    while open.len() > 1 {
        let half = open.len() / 2;
        let (below, ..) = open.select_nth_unstable_by(half, |one, other| one.0.total_cmp(&other.0));
        let weight: f64 = below.iter().map(|pair| pair.1).sum();
        if reached + weight >= total / 2.0 {
            open = &mut open[..half];
        } else {
            reached += weight;
            open = &mut open[half..];
        }
    }
    open.first().map(|pair| pair.0)
}

/// Weighted location by Tukey's biweight with a known `scale`, started at the weighted median.
///
/// Returns the location and the effective sum of weights. `None` without weight.
pub fn tukey_location(pairs: &mut [(f64, f64)], scale: f64) -> Option<(f64, f64)> {
    let mut centre = weighted_median(pairs)?;
    let reach = BIWEIGHT_C * scale.max(f64::MIN_POSITIVE);
    let mut effective = 0.0;
    for _ in 0..10 {
        let (mut sum, mut weights) = (0.0, 0.0);
        for &(value, weight) in pairs.iter() {
            let u = (value - centre) / reach;
            if u.abs() < 1.0 {
                let w = weight * (1.0 - u * u).powi(2);
                sum += w * value;
                weights += w;
            }
        }
        if weights <= 0.0 {
            return Some((centre, 0.0));
        }
        let next = sum / weights;
        effective = weights;
        if (next - centre).abs() < 1e-9 * reach {
            return Some((next, effective));
        }
        centre = next;
    }
    Some((centre, effective))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn median_and_mad_of_the_textbook_example() {
        // 1, 1, 2, 2, 4, 6, 9: median 2, MAD 1, the usual textbook example.
        let mut values = [1.0, 1.0, 2.0, 2.0, 4.0, 6.0, 9.0];
        assert_eq!(median(&mut values), Some(2.0));
        let sd = mad_sd(&mut values, 2.0).unwrap();
        assert!((sd - 1.482_602_218_505_602).abs() < 1e-12);
    }

    #[test]
    fn an_even_number_takes_the_mean_of_the_middle_two() {
        assert_eq!(median(&mut [4.0, 1.0, 3.0, 2.0]), Some(2.5));
        assert_eq!(median(&mut []), None);
    }

    #[test]
    fn quantiles_are_order_statistics() {
        let mut values: Vec<f32> = (0..=100).rev().map(|v| v as f32).collect();
        assert_eq!(quantile(&mut values, 0.1), Some(10.0));
        assert_eq!(quantile(&mut [], 0.5), None);
    }

    #[test]
    fn weights_decide_the_weighted_median() {
        let mut pairs = [(3.0, 1.0), (1.0, 5.0), (2.0, 1.0)];
        assert_eq!(weighted_median(&mut pairs), Some(1.0));
        assert_eq!(weighted_median(&mut [(1.0, 0.0)]), None);
    }

    #[test]
    fn the_biweight_ignores_gross_outliers() {
        let mut pairs: Vec<(f64, f64)> = (-50..=50).map(|v| (f64::from(v) / 50.0, 1.0)).collect();
        pairs.extend((0..30).map(|_| (100.0, 1.0)));
        let (centre, _) = tukey_location(&mut pairs, 0.6).unwrap();
        assert!(centre.abs() < 0.05, "{centre}");
    }
}
