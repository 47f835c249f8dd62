//! From a stripe sample to its distance from the target's surface, with derivatives.
//!
//! Normalised pixel coordinates (p, q) come from the camera matrix, which is held: over one plane a change of focal length or
//! principal point can hardly be told from a change of the homography, so that all else is fitted given the matrix.

use super::super::report::TargetPose;
use super::samples::StripeSample;
use super::surface::spot;
use crate::calibration::{FrameGeometry, Target, Triangulation};

/// The homography works in steps of this length, so that its numbers are all about 1, mm.
pub(super) const UNIT_MM: f64 = 100.0;

/// Parameters common to all scans: homography (8), k1, k2, along_scale − 1, skew, lean, pitch (radians).
pub(super) const COMMON: usize = 14;
/// Parameters of a scan: corner across, along, and turn (radians).
pub(super) const OF_SCAN: usize = 3;

/// What is fitted.
#[derive(Debug, Clone)]
pub(super) struct State {
    pub camera_matrix: [[f64; 3]; 3],
    pub common: [f64; COMMON],
    pub poses: Vec<TargetPose>,
}

/// A point of the laser plane and its derivatives by homography, k1 and k2.
#[derive(Debug, Clone, Copy)]
pub(super) struct PlanePlace {
    pub x_mm: f64,
    pub z_mm: f64,
    pub x_by: [f64; 10],
    pub z_by: [f64; 10],
}

impl State {
    pub fn new(start: &Triangulation, poses: Vec<TargetPose>) -> Option<Self> {
        let [[fx, skew, cx], [_, fy, cy], _] = start.camera_matrix;
        // homography · camera_matrix maps (p, q, 1) to the plane.
        let by_pixel = |line: [f64; 3]| {
            [
                line[0] * fx,
                line[0] * skew + line[1] * fy,
                line[0] * cx + line[1] * cy + line[2],
            ]
        };
        let [a, b, c] = start.homography.map(by_pixel);
        let last = c[2];
        let mut common = [0.0; COMMON];
        for i in 0..3 {
            common[i] = a[i] / last / UNIT_MM;
            common[3 + i] = b[i] / last / UNIT_MM;
        }
        common[6] = c[0] / last;
        common[7] = c[1] / last;
        common[8] = start.k1;
        common[9] = start.k2;
        common
            .iter()
            .all(|value| value.is_finite())
            .then_some(Self {
                camera_matrix: start.camera_matrix,
                common,
                poses,
            })
    }

    pub fn parameters(&self) -> usize {
        COMMON + OF_SCAN * self.poses.len()
    }

    pub fn moved(&self, by: &[f64]) -> Self {
        let mut next = self.clone();
        for (value, step) in next.common.iter_mut().zip(by) {
            *value += step;
        }
        for (pose, step) in next.poses.iter_mut().zip(by[COMMON..].chunks(OF_SCAN)) {
            pose.x_mm += step[0];
            pose.y_mm += step[1];
            pose.yaw_mrad += 1e3 * step[2];
        }
        next
    }

    pub fn triangulation(&self) -> Triangulation {
        let [[fx, skew, cx], [_, fy, cy], _] = self.camera_matrix;
        let h = &self.common;
        // Back from normalised coordinates: homography = H · camera_matrix⁻¹.
        let to_pixel = |line: [f64; 3]| {
            let first = line[0] / fx;
            let second = (line[1] - first * skew) / fy;
            [first, second, line[2] - first * cx - second * cy]
        };
        Triangulation {
            camera_matrix: self.camera_matrix,
            k1: h[8],
            k2: h[9],
            homography: [
                to_pixel([UNIT_MM * h[0], UNIT_MM * h[1], UNIT_MM * h[2]]),
                to_pixel([UNIT_MM * h[3], UNIT_MM * h[4], UNIT_MM * h[5]]),
                to_pixel([h[6], h[7], 1.0]),
            ],
        }
    }

    /// The point of the laser plane seen at a pixel.
    pub fn place(&self, lens: &Triangulation, column: f64, row_px: f64) -> Option<PlanePlace> {
        let [[fx, skew, cx], [_, fy, cy], _] = self.camera_matrix;
        let [u, v] = lens.undistort([column, row_px])?;
        let q = (v - cy) / fy;
        let p = (u - cx - skew * q) / fx;
        let h = &self.common;
        let w = h[6] * p + h[7] * q + 1.0;
        let x = (h[0] * p + h[1] * q + h[2]) / w;
        let z = (h[3] * p + h[4] * q + h[5]) / w;
        let r2 = p * p + q * q;
        // r·(1 + k1·r² + k2·r⁴) is held, so r falls as k1 and k2 rise.
        let grows = 1.0 + r2 * (3.0 * h[8] + 5.0 * h[9] * r2);
        let [by_k1, by_k2] = [-r2 / grows, -r2 * r2 / grows];
        let along =
            |a: f64, b: f64, value: f64| ((a - value * h[6]) * p + (b - value * h[7]) * q) / w;
        let (x_grows, z_grows) = (along(h[0], h[1], x), along(h[3], h[4], z));
        let scaled = |by: [f64; 10]| by.map(|value| UNIT_MM * value);
        let (x_mm, z_mm) = (UNIT_MM * x, UNIT_MM * z);
        (x_mm.is_finite() && z_mm.is_finite()).then_some(PlanePlace {
            x_mm,
            z_mm,
            x_by: scaled([
                p / w,
                q / w,
                1.0 / w,
                0.0,
                0.0,
                0.0,
                -x * p / w,
                -x * q / w,
                x_grows * by_k1,
                x_grows * by_k2,
            ]),
            z_by: scaled([
                0.0,
                0.0,
                0.0,
                p / w,
                q / w,
                1.0 / w,
                -z * p / w,
                -z * q / w,
                z_grows * by_k1,
                z_grows * by_k2,
            ]),
        })
    }

    /// Distance of a sample from the target's surface, mm, and its derivatives by the common parameters and by the scan's.
    ///
    /// `None` where the surface is not sure: off the lens, near walls and creases.
    pub fn distance(
        &self,
        lens: &Triangulation,
        scan: usize,
        sample: &StripeSample,
        target: &Target,
        frame: &FrameGeometry,
    ) -> Option<(f64, [f64; COMMON], [f64; OF_SCAN])> {
        let place = self.place(lens, sample.column, sample.row_px)?;
        let pose = &self.poses[scan];
        let [along, skew, lean, pitch] = [
            1.0 + self.common[10],
            self.common[11],
            self.common[12],
            self.common[13],
        ];
        let aside_mm = place.x_mm - frame.cx_mm;
        let level_mm = sample.y_mm / along - skew * aside_mm;
        let d = 1.0 / (1.0 - pitch * lean);
        let z_mm = d * (place.z_mm - pitch * (level_mm - frame.cy_mm));
        let y_mm = level_mm - lean * z_mm;
        let [u, v] = pose.to_plate([place.x_mm, y_mm]);
        let under = spot(target, u, v)?;
        let (sin, cos) = (1e-3 * pose.yaw_mrad).sin_cos();
        let [slope_u, slope_v] = under.slope;
        let slope_x = slope_u * cos - slope_v * sin;
        let slope_y = slope_u * sin + slope_v * cos;
        let weight = 1.0 / (1.0 + slope_u * slope_u + slope_v * slope_v).sqrt();
        let by_z = d * (1.0 + lean * slope_y);
        let by_level = -pitch * d - slope_y * (1.0 + lean * pitch * d);
        let by_x = -slope_x - skew * by_level;
        let z_by_pitch = d * (lean * z_mm - (level_mm - frame.cy_mm));
        let z_by_lean = d * pitch * z_mm;
        let mut common = [0.0; COMMON];
        let of_place = place.x_by.iter().zip(&place.z_by);
        for (common, (x_by, z_by)) in common[..10].iter_mut().zip(of_place) {
            *common = by_x * x_by + by_z * z_by;
        }
        common[10] = -by_level * sample.y_mm / (along * along);
        common[11] = -by_level * aside_mm;
        common[12] = z_by_lean + slope_y * (z_mm + lean * z_by_lean);
        common[13] = z_by_pitch * (1.0 + lean * slope_y);
        let scan_by = [slope_x, slope_y, -(slope_u * v - slope_v * u)];
        Some((
            weight * (z_mm - under.z_mm),
            common.map(|value| weight * value),
            scan_by.map(|value| weight * value),
        ))
    }
}
