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
