//! What the instrument would see of the target: twelve parameters, the predicted height, and its derivatives.

use nalgebra::{SMatrix, SVector};

use crate::calibration::{FrameGeometry, GeometricErrors};

use super::faces::Face;
use super::report::TargetPose;

/// Nine errors, then the plate's place (its middle) across and along and its turn.
pub(super) const PARAMETERS: usize = 12;
/// The nine errors come first.
pub(super) const ERRORS: usize = 9;
/// One number for each parameter, in the units of the calibration file.
pub(super) type Vector = SVector<f64, PARAMETERS>;
/// One number for each pair of parameters.
pub(super) type Matrix = SMatrix<f64, PARAMETERS, PARAMETERS>;

const PER_MRAD: f64 = 1e-3;

/// The names of the errors in the order of the calibration file.
pub const ERROR_NAMES: [&str; ERRORS] = [
    "across_scale",
    "along_scale",
    "height_scale",
    "height_offset_mm",
    "roll_mrad",
    "pitch_mrad",
    "bow_mm",
    "skew_mrad",
    "lean_mrad",
];

/// The nine errors as a list, in the order of the calibration file.
#[must_use]
pub fn errors_to_list(e: &GeometricErrors) -> [f64; ERRORS] {
    [
        e.across_scale,
        e.along_scale,
        e.height_scale,
        e.height_offset_mm,
        e.roll_mrad,
        e.pitch_mrad,
        e.bow_mm,
        e.skew_mrad,
        e.lean_mrad,
    ]
}

/// The nine errors from a list in the order of the calibration file.
#[must_use]
pub fn errors_from_list(list: &[f64; ERRORS]) -> GeometricErrors {
    GeometricErrors {
        across_scale: list[0],
        along_scale: list[1],
        height_scale: list[2],
        height_offset_mm: list[3],
        roll_mrad: list[4],
        pitch_mrad: list[5],
        bow_mm: list[6],
        skew_mrad: list[7],
        lean_mrad: list[8],
    }
}

/// The instrument with the target before it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Instrument {
    errors: GeometricErrors,
    frame: FrameGeometry,
    middle: [f64; 2],
    place: [f64; 2],
    sin: f64,
    cos: f64,
    roll: f64,
    pitch: f64,
    skew: f64,
    lean: f64,
    /// What a true mm of height is measured as along the line of measurement.
    per_height: f64,
}

/// A measured sample brought back to where it truly lies under the present parameters.
#[derive(Debug, Clone, Copy)]
pub(super) struct Sighting {
    /// Across from the frame's centre.
    dx: f64,
    /// Along, without what depends on height.
    y0: f64,
    /// True height.
    z: f64,
    /// Place on the plate.
    pub u: f64,
    /// Place on the plate.
    pub v: f64,
}

impl Sighting {
    /// Height above the belt where the sample truly lies, mm.
    pub(super) fn true_height_mm(&self) -> f64 {
        self.z
    }
}

/// Parameters from errors and pose; `middle` is the plate's middle.
pub(super) fn parameters(errors: &GeometricErrors, pose: &TargetPose, middle: [f64; 2]) -> Vector {
    let mut list = [0.0; PARAMETERS];
    list[..ERRORS].copy_from_slice(&errors_to_list(errors));
    let [x, y] = pose.to_belt(middle);
    list[ERRORS..].copy_from_slice(&[x, y, pose.yaw_mrad]);
    Vector::from(list)
}

/// The errors within the parameters.
pub(super) fn errors_of(parameters: &Vector) -> GeometricErrors {
    let mut list = [0.0; ERRORS];
    list.copy_from_slice(&parameters.as_slice()[..ERRORS]);
    errors_from_list(&list)
}

/// The pose within the parameters, its turn brought to ±π.
pub(super) fn pose_of(parameters: &Vector, middle: [f64; 2]) -> TargetPose {
    let yaw = PER_MRAD * parameters[11];
    let turned = TargetPose {
        x_mm: 0.0,
        y_mm: 0.0,
        yaw_mrad: yaw.sin().atan2(yaw.cos()) / PER_MRAD,
    };
    let [x, y] = turned.to_belt(middle);
    TargetPose {
        x_mm: parameters[9] - x,
        y_mm: parameters[10] - y,
        ..turned
    }
}

impl Instrument {
    pub(super) fn new(parameters: &Vector, frame: FrameGeometry, middle: [f64; 2]) -> Self {
        let errors = errors_of(parameters);
        let (sin, cos) = (PER_MRAD * parameters[11]).sin_cos();
        let (pitch, lean) = (PER_MRAD * errors.pitch_mrad, PER_MRAD * errors.lean_mrad);
        Self {
            errors,
            frame,
            middle,
            place: [parameters[9], parameters[10]],
            sin,
            cos,
            roll: PER_MRAD * errors.roll_mrad,
            pitch,
            skew: PER_MRAD * errors.skew_mrad,
            lean,
            per_height: errors.height_scale - pitch * lean,
        }
    }

    /// Where a sample measured at (x, y, z) truly lies.
    #[inline]
    pub(super) fn sight(&self, x_m: f64, y_m: f64, z_m: f64) -> Sighting {
        let e = &self.errors;
        let dx = (x_m - self.frame.cx_mm) / e.across_scale;
        let y0 = y_m / e.along_scale - self.skew * dx;
        let share = dx / self.frame.half_width_mm;
        let across = e.height_offset_mm + self.roll * dx + e.bow_mm * share * share;
        let z = (z_m - across - self.pitch * (y0 - self.frame.cy_mm)) / self.per_height;
        let from = [
            self.frame.cx_mm + dx - self.place[0],
            y0 - self.lean * z - self.place[1],
        ];
        Sighting {
            dx,
            y0,
            z,
            u: self.middle[0] + self.cos * from[0] + self.sin * from[1],
            v: self.middle[1] + self.cos * from[1] - self.sin * from[0],
        }
    }

    /// Slopes of a face along the belt's x and y.
    #[inline]
    fn belt_slope(&self, face: &Face) -> [f64; 2] {
        let [a, b] = face.slope;
        [a * self.cos - b * self.sin, a * self.sin + b * self.cos]
    }

    /// Measured less predicted height: along the line of measurement, from the face's plane to the sample, mm.
    #[inline]
    pub(super) fn residual(&self, sighting: &Sighting, face: &Face) -> f64 {
        let [_, gy] = self.belt_slope(face);
        (sighting.z - face.z_mm) * self.per_height / (1.0 + gy * self.lean)
    }

    /// What the predicted height changes by where the surface rises by 1 mm.
    #[inline]
    pub(super) fn per_rise(&self, face: &Face) -> f64 {
        let [_, gy] = self.belt_slope(face);
        self.per_height / (1.0 + gy * self.lean)
    }

    /// Derivatives of the predicted height with respect to the parameters, in their units.
    ///
    /// The line of measurement is the set of true points that share the sample's measured (x, y): upright but for lean. Where it meets
    /// the face's plane, `z = (h + gx·x + gy·y0)/(1 + gy·lean)`; the rest follows by the chain rule.
    #[inline]
    pub(super) fn derivatives(&self, s: &Sighting, face: &Face) -> [f64; PARAMETERS] {
        let e = &self.errors;
        let [gx, gy] = self.belt_slope(face);
        let along_line = 1.0 + gy * self.lean;
        let per = self.per_height / along_line;
        // Where the line meets the face, from where the sample lies.
        let z = s.z - (s.z - face.z_mm) / along_line;
        let half = self.frame.half_width_mm;
        let (ddx, dy0) = (-s.dx / e.across_scale, self.skew * s.dx / e.across_scale);
        let across = self.roll + 2.0 * e.bow_mm * s.dx / (half * half);
        let per_y0 = per * gy + self.pitch;
        let y_m_over = s.y0 + self.skew * s.dx;
        let share = s.dx / half;
        let [a, b] = face.slope;
        [
            (per * gx + across) * ddx + per_y0 * dy0,
            -per_y0 * y_m_over / e.along_scale,
            z,
            1.0,
            PER_MRAD * s.dx,
            PER_MRAD * (s.y0 - self.lean * z - self.frame.cy_mm),
            share * share,
            -PER_MRAD * s.dx * per_y0,
            -PER_MRAD * z * per_y0,
            -per * gx,
            -per * gy,
            PER_MRAD * per * (a * (s.v - self.middle[1]) - b * (s.u - self.middle[0])),
        ]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Each derivative against a central difference of the height that the calibration's own error model predicts.
    #[test]
    fn derivatives_are_those_of_the_error_model() {
        let frame = FrameGeometry {
            cx_mm: 300.0,
            cy_mm: 210.0,
            half_width_mm: 300.0,
        };
        let middle = [210.0, 130.0];
        let at = Vector::from([
            1.003, 0.996, 1.004, 0.4, 3.0, -4.0, 0.4, 4.5, -3.5, 310.0, 200.0, 700.0,
        ]);
        // A flank that falls along the plate's x, its plane given at one point of the plate.
        let (u0, z0, slope) = (100.0, 25.0, [-1.3, 0.0]);
        let plane = |u: f64| z0 + slope[0] * (u - u0);
        // The height measured at (x_m, y_m): the true z at which the line of measurement meets the plane, by bisection.
        let predicted = |p: &Vector, x_m: f64, y_m: f64| {
            let e = errors_of(p);
            let pose = pose_of(p, middle);
            let x = frame.cx_mm + (x_m - frame.cx_mm) / e.across_scale;
            let y_at = |z: f64| {
                y_m / e.along_scale - 1e-3 * (e.skew_mrad * (x - frame.cx_mm) + e.lean_mrad * z)
            };
            let (mut low, mut high) = (-200.0, 200.0);
            for _ in 0..200 {
                let z = 0.5 * (low + high);
                let [u, _] = pose.to_plate([x, y_at(z)]);
                if plane(u) < z { high = z } else { low = z }
            }
            e.apply([x, y_at(low), low], &frame)[2]
        };
        let (x_m, y_m) = (260.0, 150.0);
        let z_m = predicted(&at, x_m, y_m);
        let instrument = Instrument::new(&at, frame, middle);
        let sighting = instrument.sight(x_m, y_m, z_m);
        let face = Face {
            z_mm: plane(sighting.u),
            slope,
            part: 1,
            slanted: true,
        };
        assert!(instrument.residual(&sighting, &face).abs() < 1e-9);
        let higher = instrument.sight(x_m, y_m, z_m + 0.05);
        let above = Face {
            z_mm: plane(higher.u),
            ..face
        };
        assert!((instrument.residual(&higher, &above) - 0.05).abs() < 1e-9);
        let analytic = instrument.derivatives(&sighting, &face);
        for (i, derivative) in analytic.iter().enumerate() {
            let step = 1e-3;
            let mut up = at;
            up[i] += step;
            let mut down = at;
            down[i] -= step;
            let numeric = (predicted(&up, x_m, y_m) - predicted(&down, x_m, y_m)) / (2.0 * step);
            assert!(
                (derivative - numeric).abs() < 1e-4 * (1.0 + numeric.abs()),
                "{i}: {derivative} for {numeric}"
            );
        }
    }
}
