//! Medians in double precision.

/// Makes the median absolute deviation estimate a normal's standard deviation: 1/Φ⁻¹(3/4).
const MAD_TO_SD: f64 = 1.482_602_218_505_602;

/// The median; NaN when empty. `values` are reordered.
pub(super) fn median(values: &mut [f64]) -> f64 {
    let n = values.len();
    if n == 0 {
        return f64::NAN;
    }
    let (below, upper, _) = values.select_nth_unstable_by(n / 2, f64::total_cmp);
    let upper = *upper;
    if n % 2 == 1 {
        return upper;
    }
    let lower = below.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    f64::midpoint(lower, upper)
}

/// Standard deviation from the median absolute deviation about the median; NaN when empty. `values` are overwritten.
pub(super) fn mad_sd(values: &mut [f64]) -> f64 {
    let centre = median(values);
    for value in values.iter_mut() {
        *value = (*value - centre).abs();
    }
    MAD_TO_SD * median(values)
}
