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

#[cfg(test)]
mod tests {
    use super::*;

    /// Origin of the numbers: `tests/reference/triangulation/README.md`.
    const POINTS: &str = include_str!("../../tests/reference/triangulation/points.csv");
    const LAW: &str = include_str!("../../tests/reference/triangulation/law.csv");
    /// Both sides compute in double precision; OpenCV iterates to about 1e-9 px.
    const TOLERANCE: f64 = 1e-6;

    fn rows(text: &str) -> Vec<Vec<f64>> {
        text.lines()
            .filter(|line| !line.starts_with('#'))
            .skip(1)
            .map(|line| {
                line.split(',')
                    .map(|n| n.parse().expect("a number"))
                    .collect()
            })
            .collect()
    }

    fn camera(k1: f64, k2: f64) -> Triangulation {
        // As in make.py.
        Triangulation {
            camera_matrix: [
                [2910.0, 0.0, 1012.5],
                [0.0, 2905.0, 530.25],
                [0.0, 0.0, 1.0],
            ],
            k1,
            k2,
            homography: [
                [0.21, 0.003, -190.0],
                [0.002, -0.33, 160.0],
                [1e-6, 2.1e-4, 1.0],
            ],
        }
    }

    #[test]
    fn points_agree_with_opencv() {
        let rows = rows(POINTS);
        assert_eq!(rows.len(), 140);
        let mut sum = 0.0;
        for row in &rows {
            let [k1, k2, column, line, u, v, x_mm, z_mm] = row[..] else {
                panic!("eight numbers");
            };
            let camera = camera(k1, k2);
            let found = camera.undistort([column, line]).expect("within the lens");
            assert!((found[0] - u).abs() < TOLERANCE, "{row:?}: {found:?}");
            assert!((found[1] - v).abs() < TOLERANCE, "{row:?}: {found:?}");
            let point = camera.to_plane(column, line).expect("on the plane");
            assert!((point.x_mm - x_mm).abs() < TOLERANCE, "{row:?}: {point:?}");
            assert!((point.z_mm - z_mm).abs() < TOLERANCE, "{row:?}: {point:?}");
            sum += point.z_mm - z_mm;
        }
        assert!((sum / rows.len() as f64).abs() < TOLERANCE / 10.0);
    }

    /// The homography of a pinhole camera over an upright laser plane, derived from the law's formula: with
    /// t = (row − row of the axis)·pixel/f and T = b/H, z = (H + b·T)·t/(T + t), and x = (b/cos α)·(column offset)·pixel/f/(T + t).
    #[test]
    fn heights_agree_with_the_pinhole_law() {
        let (height, angle, focal_px) = (600.0_f64, 30.0_f64.to_radians(), 16.0 / 5.5e-3);
        let base = height * angle.tan();
        let tangent = base / height;
        let camera = Triangulation {
            camera_matrix: [
                [focal_px, 0.0, 1000.0],
                [0.0, focal_px, 500.0],
                [0.0, 0.0, 1.0],
            ],
            k1: 0.0,
            k2: 0.0,
            homography: [
                [
                    base / angle.cos() / focal_px,
                    0.0,
                    -base / angle.cos() * 1000.0 / focal_px,
                ],
                [
                    0.0,
                    (height + base * tangent) / focal_px,
                    -(height + base * tangent) * 500.0 / focal_px,
                ],
                [0.0, 1.0 / focal_px, tangent - 500.0 / focal_px],
            ],
        };
        for row in rows(LAW) {
            let [offset_px, _, z_mm] = row[..] else {
                panic!("three numbers");
            };
            let point = camera.to_plane(1000.0, 500.0 + offset_px).expect("seen");
            assert!((point.z_mm - z_mm).abs() < TOLERANCE, "{row:?}: {point:?}");
            assert!(point.x_mm.abs() < TOLERANCE);
        }
        // At the optical axis one pixel across is H/cos α · pixel/f wide on the belt.
        let beside = camera.to_plane(1001.0, 500.0).expect("seen");
        assert!((beside.x_mm - height / angle.cos() / focal_px).abs() < TOLERANCE);
    }

    #[test]
    fn beyond_the_fold_of_the_lens_there_is_no_point() {
        // With k1 = −0.3 the distorted radius grows up to r = 1/√0.9 = 1.0541, where it is 0.7027.
        let folded = camera(-0.3, 0.0);
        let pixel = |radius: f64| [1012.5 + 2910.0 * radius, 530.25];
        assert!(folded.undistort(pixel(0.70)).is_some());
        assert!(folded.undistort(pixel(0.71)).is_none());
        assert!(folded.undistort([f64::NAN, 0.0]).is_none());
        assert_eq!(folded.undistort([1012.5, 530.25]), Some([1012.5, 530.25]));
    }
}
