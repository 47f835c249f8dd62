//! The error model: from the true place of a point to the place the instrument gives it, and back.

use super::model::GeometricErrors;

/// What the error model needs to know of the height frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FrameGeometry {
    /// Centre across, mm.
    pub cx_mm: f64,
    /// Centre along, mm.
    pub cy_mm: f64,
    /// Half the width, mm; greater than 0.
    pub half_width_mm: f64,
}

const PER_MRAD: f64 = 1e-3;

impl GeometricErrors {
    /// Where the instrument sees a point that truly lies at `true_mm` (x, y, z).
    ///
    /// Units: mm. Frame: belt. The formula is the one above at [`GeometricErrors`]; it is exact for any size of error.
    #[inline]
    #[must_use]
    pub fn apply(&self, true_mm: [f64; 3], frame: &FrameGeometry) -> [f64; 3] {
        let [x, y, z] = true_mm;
        let from_centre = x - frame.cx_mm;
        let measured_y =
            self.along_scale * (y + PER_MRAD * (self.skew_mrad * from_centre + self.lean_mrad * z));
        let measured_z = self.height_scale * z
            + self.across_part(from_centre, frame)
            + PER_MRAD * self.pitch_mrad * (y - frame.cy_mm);
        [
            frame.cx_mm + self.across_scale * from_centre,
            measured_y,
            measured_z,
        ]
    }

    /// Where a point truly lies that the instrument sees at `measured_mm` (x, y, z): the inverse of [`Self::apply`].
    ///
    /// Units: mm. Frame: belt. Once x is known, y and z are two linear equations in two unknowns, so the inverse is exact.
    /// It exists while `height_scale` differs from `pitch · lean`, which every calibration that is read keeps to.
    #[inline]
    #[must_use]
    pub fn invert(&self, measured_mm: [f64; 3], frame: &FrameGeometry) -> [f64; 3] {
        let [measured_x, measured_y, measured_z] = measured_mm;
        let from_centre = (measured_x - frame.cx_mm) / self.across_scale;
        let pitch = PER_MRAD * self.pitch_mrad;
        let lean = PER_MRAD * self.lean_mrad;
        // y without the part that depends on z.
        let y_upright = measured_y / self.along_scale - PER_MRAD * self.skew_mrad * from_centre;
        let z =
            (measured_z - self.across_part(from_centre, frame) - pitch * (y_upright - frame.cy_mm))
                / (self.height_scale - pitch * lean);
        [frame.cx_mm + from_centre, y_upright - lean * z, z]
    }

    /// The height error that depends on the place across only, mm.
    #[inline]
    fn across_part(&self, from_centre_mm: f64, frame: &FrameGeometry) -> f64 {
        let share = from_centre_mm / frame.half_width_mm;
        self.height_offset_mm
            + PER_MRAD * self.roll_mrad * from_centre_mm
            + self.bow_mm * share * share
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const FRAME: FrameGeometry = FrameGeometry {
        cx_mm: 300.0,
        cy_mm: 500.0,
        half_width_mm: 300.0,
    };

    #[test]
    fn a_perfect_scanner_changes_nothing() {
        let point = [12.5, -3.0, 40.0];
        assert_eq!(GeometricErrors::NONE.apply(point, &FRAME), point);
        assert_eq!(GeometricErrors::NONE.invert(point, &FRAME), point);
    }

    /// Each error on its own, worked out by hand at x = 600, y = 700, z = 20: 300 mm from the centre across, 200 along.
    #[test]
    fn each_error_does_what_its_name_says() {
        let none = GeometricErrors::NONE;
        let cases = [
            (
                GeometricErrors {
                    across_scale: 1.01,
                    ..none
                },
                [603.0, 700.0, 20.0],
            ),
            (
                GeometricErrors {
                    along_scale: 1.01,
                    ..none
                },
                [600.0, 707.0, 20.0],
            ),
            (
                GeometricErrors {
                    height_scale: 0.99,
                    ..none
                },
                [600.0, 700.0, 19.8],
            ),
            (
                GeometricErrors {
                    height_offset_mm: 0.3,
                    ..none
                },
                [600.0, 700.0, 20.3],
            ),
            (
                GeometricErrors {
                    roll_mrad: 2.0,
                    ..none
                },
                [600.0, 700.0, 20.6],
            ),
            (
                GeometricErrors {
                    pitch_mrad: 2.0,
                    ..none
                },
                [600.0, 700.0, 20.4],
            ),
            (
                GeometricErrors {
                    bow_mm: 0.5,
                    ..none
                },
                [600.0, 700.0, 20.5],
            ),
            (
                GeometricErrors {
                    skew_mrad: 3.0,
                    ..none
                },
                [600.0, 700.9, 20.0],
            ),
            (
                GeometricErrors {
                    lean_mrad: 5.0,
                    ..none
                },
                [600.0, 700.1, 20.0],
            ),
        ];
        for (errors, expected) in cases {
            let found = errors.apply([600.0, 700.0, 20.0], &FRAME);
            for axis in 0..3 {
                assert!(
                    (found[axis] - expected[axis]).abs() < 1e-12 * 1000.0,
                    "{errors:?}: {found:?} for {expected:?}"
                );
            }
        }
    }

    proptest! {
        #[test]
        fn what_is_applied_can_be_undone(
            scales in prop::array::uniform3(0.9_f64..1.1),
            lengths in prop::array::uniform2(-5.0_f64..5.0),
            angles in prop::array::uniform4(-100.0_f64..100.0),
            x in -100.0_f64..700.0,
            y in -100.0_f64..20_000.0,
            z in -20.0_f64..150.0,
        ) {
            let errors = GeometricErrors {
                across_scale: scales[0],
                along_scale: scales[1],
                height_scale: scales[2],
                height_offset_mm: lengths[0],
                bow_mm: lengths[1],
                roll_mrad: angles[0],
                pitch_mrad: angles[1],
                skew_mrad: angles[2],
                lean_mrad: angles[3],
            };
            let back = errors.invert(errors.apply([x, y, z], &FRAME), &FRAME);
            for (found, put_in) in back.into_iter().zip([x, y, z]) {
                // Rounding of coordinates up to 20 000 mm is 4e-12 mm a step.
                prop_assert!((found - put_in).abs() < 1e-10, "{found} for {put_in}");
            }
        }
    }
}
