//! How many digits a number deserves.

/// `value` rounded to `decimals` places, as the nearest binary number to that decimal; never −0.
///
/// Going through the decimal text makes a rounded value the very number that a reader of the text gets back.
pub fn round_to(value: f64, decimals: usize) -> f64 {
    if !value.is_finite() {
        return value;
    }
    let rounded = format!("{value:.decimals$}").parse().unwrap_or(value);
    if rounded == 0.0 { 0.0 } else { rounded }
}

/// `value` with `decimals` places, without a minus sign on zero.
pub(crate) fn fixed(value: f64, decimals: usize) -> String {
    format!("{:.decimals$}", round_to(value, decimals))
}

/// The number of decimals at which a standard uncertainty shows two significant digits (at least 0, at most 6).
///
/// Two digits at most is the advice of JCGM 100:2008 (GUM), 7.2.6.
pub(crate) fn decimals_for(uncertainty: f64) -> usize {
    if !uncertainty.is_finite() || uncertainty <= 0.0 {
        return 1;
    }
    // 9.96 becomes "10.0" at one decimal, so the power of ten is that of the rounded value.
    let exponent = format!("{uncertainty:.1e}")
        .split('e')
        .nth(1)
        .and_then(|text| text.parse::<i32>().ok())
        .unwrap_or(0);
    usize::try_from(1 - exponent).unwrap_or(0).min(6)
}

/// `value ± uncertainty`, both cut at the second significant digit of the uncertainty (JCGM 100:2008, 7.2.6).
pub fn with_uncertainty(value: f64, uncertainty: f64) -> String {
    let decimals = decimals_for(uncertainty);
    format!(
        "{} ± {}",
        fixed(value, decimals),
        fixed(uncertainty, decimals)
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_uncertainty_decides_how_many_digits_are_shown() {
        // JCGM 100:2008, 7.2.2 writes 100.021 47 g with u = 0.35 mg, that is, two digits of u.
        assert_eq!(
            with_uncertainty(100.021_472_3, 0.000_35),
            "100.02147 ± 0.00035"
        );
        assert_eq!(with_uncertainty(201.372, 1.26), "201.4 ± 1.3");
        assert_eq!(with_uncertainty(201.372, 9.96), "201 ± 10");
        assert_eq!(with_uncertainty(201.372, 0.0996), "201.37 ± 0.10");
        assert_eq!(with_uncertainty(20_137.2, 260.0), "20137 ± 260");
        assert_eq!(with_uncertainty(12.34, 0.0), "12.3 ± 0.0");
    }

    #[test]
    fn rounding_never_leaves_a_minus_on_zero_and_is_its_own_fixed_point() {
        assert_eq!(fixed(-0.0004, 3), "0.000");
        assert!(round_to(-0.0001, 3).is_sign_positive());
        for value in [1.2345, -7.000_49, 1e9 + 0.123_456, 0.1 + 0.2] {
            let once = round_to(value, 3);
            assert_eq!(once.to_bits(), round_to(once, 3).to_bits());
            assert!((once - value).abs() <= 0.000_500_1);
        }
    }
}
