//! Laser triangulation: from the stripe's place on the sensor to a point of the laser plane.
//!
//! Pixel coordinates have whole numbers at pixel centres, as the camera matrix of the usual calibration tools does.

use super::model::Triangulation;

/// A point of the laser plane.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlanePoint {
    /// Across the belt, mm.
    pub x_mm: f64,
    /// Up from the belt, mm.
    pub z_mm: f64,
}

/// Newton steps converge quadratically; a lens that needs more than this folds the picture over.
const MOST_STEPS: usize = 50;
/// Relative accuracy of the undistorted radius, far below a thousandth of a pixel.
const RADIUS_ACCURACY: f64 = 1e-14;

impl Triangulation {
    /// The pixel (column, row) at which a lens without distortion would show what is seen at `pixel`.
    ///
    /// `None` where the distortion cannot be undone: beyond the radius at which the lens model folds back.
    ///
    /// Method: Brown's radial model as given by Conrady (1919) and Brown (1966), `r_d = r·(1 + k1·r² + k2·r⁴)` in normalised
    /// coordinates, solved for r by Newton's method on the branch that starts at the centre.
    #[must_use]
    pub fn undistort(&self, pixel: [f64; 2]) -> Option<[f64; 2]> {
        let [[fx, skew, cx], [_, fy, cy], _] = self.camera_matrix;
        let y = (pixel[1] - cy) / fy;
        let x = (pixel[0] - cx - skew * y) / fx;
        let distorted = x.hypot(y);
        if distorted == 0.0 {
            return Some(pixel);
        }
        let factor = self.undistorted_radius(distorted)? / distorted;
        let (x, y) = (x * factor, y * factor);
        Some([fx * x + skew * y + cx, fy * y + cy])
    }

    /// The point of the laser plane seen at this sensor column and row.
    ///
    /// `None` where the distortion cannot be undone, or on the plane's horizon, which no point of it reaches.
    #[must_use]
    pub fn to_plane(&self, column: f64, row: f64) -> Option<PlanePoint> {
        let [u, v] = self.undistort([column, row])?;
        let [a, b, c] = self.homography;
        let project = |line: [f64; 3]| line[0] * u + line[1] * v + line[2];
        let scale = project(c);
        let point = PlanePoint {
            x_mm: project(a) / scale,
            z_mm: project(b) / scale,
        };
        (point.x_mm.is_finite() && point.z_mm.is_finite()).then_some(point)
    }

    /// Solves `r·(1 + k1·r² + k2·r⁴) = distorted` for the root nearest the centre.
    fn undistorted_radius(&self, distorted: f64) -> Option<f64> {
        let mut r = distorted;
        for _ in 0..MOST_STEPS {
            let r2 = r * r;
            let slope = 1.0 + r2 * (3.0 * self.k1 + r2 * 5.0 * self.k2);
            // On the branch from the centre the distorted radius grows with the true one.
            if slope <= 0.0 {
                return None;
            }
            let step = (r * (1.0 + r2 * (self.k1 + r2 * self.k2)) - distorted) / slope;
            r -= step;
            if step.abs() <= RADIUS_ACCURACY * r.abs() {
                return self.grows_up_to(r).then_some(r);
            }
        }
        None
    }

    /// Whether the distorted radius grows all the way from the centre to `r`: `1 + 3·k1·s + 5·k2·s² > 0` for s in 0..=r².
    fn grows_up_to(&self, r: f64) -> bool {
        let slope = |s: f64| 1.0 + s * (3.0 * self.k1 + s * 5.0 * self.k2);
        let s = r * r;
        let lowest = -3.0 * self.k1 / (10.0 * self.k2);
        let inside = 0.0 < lowest && lowest < s;
        0.0 < r && 0.0 < slope(s) && (!inside || 0.0 < slope(lowest))
    }
}
