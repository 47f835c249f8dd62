//! A triangulation from the drawing: where a fit starts.

use nalgebra::{Matrix3, Vector3};

use crate::calibration::Triangulation;
use crate::error::{Error, ErrorKind, Result};

/// A camera over the laser plane as it is drawn, lens without distortion.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NominalCamera {
    /// Focal length over pixel size, px.
    pub focal_px: f64,
    /// Column and row at which the optical axis meets the sensor, px.
    pub centre_px: [f64; 2],
    /// From the camera's centre to the point of the belt on its axis, mm.
    pub distance_mm: f64,
    /// Between the camera's axis and the upright laser plane, degrees.
    pub angle_deg: f64,
    /// Place across of the point of the belt on its axis, mm.
    pub x_mm: f64,
    /// Columns run against x.
    pub mirrored: bool,
    /// Rows grow with height.
    pub upside_down: bool,
}

impl NominalCamera {
    /// The triangulation of this camera: a pinhole's view of the laser plane, turned round.
    ///
    /// # Errors
    /// [`ErrorKind::Mismatch`] for numbers that make no camera.
    pub fn triangulation(&self) -> Result<Triangulation> {
        for (key, value, good) in [
            ("focal_px", self.focal_px, self.focal_px > 0.0),
            ("distance_mm", self.distance_mm, self.distance_mm > 0.0),
            (
                "angle_deg",
                self.angle_deg,
                0.0 < self.angle_deg && self.angle_deg < 90.0,
            ),
        ] {
            if !(good && value.is_finite()) {
                return Err(Error::new(ErrorKind::Mismatch, value.to_string())
                    .key(key)
                    .expected("expected a number above 0, and an angle below 90 degrees"));
            }
        }
        let sign = |turned: bool| if turned { -1.0 } else { 1.0 };
        let (sin, cos) = self.angle_deg.to_radians().sin_cos();
        let [column, row] = self.centre_px;
        let matrix = Matrix3::new(
            self.focal_px,
            0.0,
            column,
            0.0,
            self.focal_px,
            row,
            0.0,
            0.0,
            1.0,
        );
        // Columns of [R | t] for the plane's x, its z, and its origin. Seen from the camera a point higher by dz lies dz·sin
        // above the axis and dz·cos nearer.
        let (right, up) = (sign(self.mirrored), sign(!self.upside_down));
        let across = Vector3::new(right, 0.0, 0.0);
        let rise = Vector3::new(0.0, up * sin, -cos);
        let origin = Vector3::new(-right * self.x_mm, 0.0, self.distance_mm);
        let to_pixel = matrix * Matrix3::from_columns(&[across, rise, origin]);
        let homography = to_pixel.try_inverse().ok_or_else(|| {
            Error::new(
                ErrorKind::Mismatch,
                "the camera sees the laser plane edge on",
            )
        })?;
        let last = homography[(2, 2)];
        Ok(Triangulation {
            camera_matrix: [0, 1, 2].map(|r| [0, 1, 2].map(|c| matrix[(r, c)])),
            k1: 0.0,
            k2: 0.0,
            homography: [0, 1, 2].map(|r| [0, 1, 2].map(|c| homography[(r, c)] / last)),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The pinhole law for a camera at height H over the belt and beside the laser: with its axis at α to the plane, at the
    /// distance D, a point at height z is seen at the angle atan(z·sin α / (D − z·cos α)) from the axis.
    #[test]
    fn a_drawn_camera_obeys_the_pinhole_law() {
        let camera = NominalCamera {
            focal_px: 2900.0,
            centre_px: [1000.0, 500.0],
            distance_mm: 850.0,
            angle_deg: 30.0,
            x_mm: 300.0,
            mirrored: false,
            upside_down: false,
        };
        let t = camera.triangulation().expect("a camera");
        let foot = t.to_plane(1000.0, 500.0).expect("on the plane");
        assert!((foot.x_mm - 300.0).abs() < 1e-9 && foot.z_mm.abs() < 1e-9);
        for z in [5.0_f64, 20.0, 60.0] {
            let (sin, cos) = 30.0_f64.to_radians().sin_cos();
            let away = 2900.0 * z * sin / (850.0 - z * cos);
            let down = t.to_plane(1000.0, 500.0 - away);
            let up = NominalCamera {
                upside_down: true,
                ..camera
            }
            .triangulation()
            .expect("a camera")
            .to_plane(1000.0, 500.0 + away);
            let seen = [down, up].map(|p| p.expect("on the plane").z_mm);
            assert!(
                seen.iter().any(|found| (found - z).abs() < 1e-9),
                "{seen:?} for {z}"
            );
        }
        assert!(
            NominalCamera {
                angle_deg: 0.0,
                ..camera
            }
            .triangulation()
            .is_err()
        );
    }
}
