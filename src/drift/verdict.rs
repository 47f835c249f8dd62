//! Is a change within its tolerance, its uncertainty taken into account.

use crate::calibration::{GeometricErrors, Tolerances};

use super::report::Verdict;

/// Coverage factor of the expanded uncertainty (about 95 % for a normal distribution).
pub const COVERAGE_FACTOR: f64 = 2.0;

/// Tolerances where the calibration states none: about 0.2 % of a piece's volume each. Common practice, no source.
pub const DEFAULT_TOLERANCES: Tolerances = Tolerances {
    errors: GeometricErrors {
        across_scale: 0.002,
        along_scale: 0.002,
        height_scale: 0.002,
        height_offset_mm: 0.2,
        roll_mrad: 1.0,
        pitch_mrad: 1.0,
        bow_mm: 0.2,
        skew_mrad: 2.0,
        lean_mrad: 2.0,
    },
    de00: 2.0,
};

impl Verdict {
    /// The verdict on a change with standard uncertainty `u` against a symmetric tolerance.
    ///
    /// ISO 14253-1 (and JCGM 106, guarded acceptance and guarded rejection): in tolerance only if the change with its expanded uncertainty
    /// lies inside, out of tolerance only if it lies outside with it, otherwise not decided.
    #[must_use]
    pub fn of(change: f64, u: f64, tolerance: f64) -> Self {
        let expanded = COVERAGE_FACTOR * u;
        if change.abs() + expanded <= tolerance {
            Self::InTolerance
        } else if tolerance < change.abs() - expanded {
            Self::OutOfTolerance
        } else {
            Self::Warning
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_uncertainty_is_taken_off_both_zones() {
        for (change, u, verdict) in [
            (0.0, 0.0, Verdict::InTolerance),
            (0.8, 0.1, Verdict::InTolerance),
            (-0.8, 0.1, Verdict::InTolerance),
            (0.81, 0.1, Verdict::Warning),
            (1.19, 0.1, Verdict::Warning),
            (-1.2, 0.1, Verdict::Warning),
            (1.21, 0.1, Verdict::OutOfTolerance),
            (-1.5, 0.1, Verdict::OutOfTolerance),
            (0.0, 0.6, Verdict::Warning),
            (f64::NAN, 0.1, Verdict::Warning),
            (0.0, f64::NAN, Verdict::Warning),
        ] {
            assert_eq!(Verdict::of(change, u, 1.0), verdict, "{change} ± {u}");
        }
    }
}
