//! Where light comes from and cameras stand, from the scan's views and the calibration.

use crate::calibration::{Calibration, CameraSide};
use crate::error::{Error, ErrorKind, Result};
use crate::pieces::{Apex, Cameras, Light, Lighting};
use crate::scan::{Scan, ViewSide};

/// The lighting of a recording whose first frame is `first`.
///
/// # Errors
/// The second view is on the side on which the calibration says the first camera stands.
pub fn lighting(first: &Scan, calibration: Option<&Calibration>) -> Result<Lighting> {
    let camera = calibration.and_then(|calibration| calibration.camera);
    let laser = calibration
        .and_then(|calibration| calibration.laser)
        .map(|laser| Apex {
            height_mm: laser.apex_height_mm,
            x_mm: laser.apex_x_mm,
        });
    let tan = |angle_deg: f64| angle_deg.to_radians().tan() as f32;
    let light = camera.map(|camera| Light {
        from_high_y: camera.side == CameraSide::HighY,
        tan_angle: tan(camera.angle_deg),
    });
    let light = light.filter(|light| light.tan_angle > 0.0);
    let cameras = match first.description.views.first() {
        None => light.map_or(Cameras::Unknown, Cameras::One),
        Some(view) => {
            let view_high = view.camera_side == ViewSide::HighY;
            if light.is_some_and(|light| light.from_high_y == view_high) {
                let side = if view_high { "high-y" } else { "low-y" };
                return Err(Error::new(
                    ErrorKind::Mismatch,
                    format!("found \"{side}\", the side on which the calibration has the first camera"),
                )
                .at(first.document_path())
                .key("view.camera_side")
                .expected("expected the other side: [height] is the calibration's camera, [[view]] the one across"));
            }
            let first_tan = light.map(|light| light.tan_angle);
            let second_tan = view.camera_angle_deg.map(tan).or(first_tan);
            let (low_tan, high_tan) = if view_high {
                (first_tan, second_tan)
            } else {
                (second_tan, first_tan)
            };
            Cameras::Both { low_tan, high_tan }
        }
    };
    Ok(Lighting { cameras, laser })
}
