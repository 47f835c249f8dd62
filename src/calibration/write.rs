//! Writing scanner calibrations that read back to the same values.

use std::io::Write;
use std::path::Path;

use crate::document::{TomlText, list, quoted, replace_file};
use crate::error::{Error, Result};

use super::model::{Calibration, CameraSide, GeometricErrors};
use super::wire::CALIBRATION_FORMAT;

/// Writes one calibration.
///
/// # Errors
/// The file cannot be written.
pub fn write_calibration(path: &Path, calibration: &Calibration) -> Result<()> {
    let text = to_text(calibration);
    replace_file(path, |out| {
        out.write_all(text.as_bytes())
            .map_err(|e| Error::io(path, &e))
    })
}

fn to_text(calibration: &Calibration) -> String {
    let mut text = TomlText::new(CALIBRATION_FORMAT);
    text.text("scanner", &calibration.scanner);
    text.time("valid_from", calibration.valid_from);
    text.table("errors");
    errors(&mut text, &calibration.errors);
    text.table("errors_u");
    errors(&mut text, &calibration.errors_u);
    if let Some(colour) = &calibration.colour {
        text.table("colour");
        text.raw("matrix", &matrix(&colour.matrix));
        let [red, green, blue] = &colour.flat_field;
        if !red.is_empty() {
            text.table("colour.flat_field");
            text.raw("red", &list(red));
            text.raw("green", &list(green));
            text.raw("blue", &list(blue));
        }
    }
    text.table("registration");
    text.number("dx_mm", calibration.registration.dx_mm);
    text.number("dy_mm", calibration.registration.dy_mm);
    if let Some(camera) = &calibration.camera {
        text.table("camera");
        text.text(
            "side",
            match camera.side {
                CameraSide::LowY => "low-y",
                CameraSide::HighY => "high-y",
            },
        );
        text.number("angle_deg", camera.angle_deg);
    }
    if let Some(camera) = &calibration.colour_camera {
        text.table("colour_camera");
        text.number("height_mm", camera.height_mm);
        text.number("x_mm", camera.x_mm);
        text.number("y_mm", camera.y_mm);
    }
    if let Some(laser) = &calibration.laser {
        text.table("laser");
        text.number("apex_height_mm", laser.apex_height_mm);
        text.number("apex_x_mm", laser.apex_x_mm);
    }
    if let Some(triangulation) = &calibration.triangulation {
        text.table("triangulation");
        text.raw("camera_matrix", &matrix(&triangulation.camera_matrix));
        text.number("k1", triangulation.k1);
        text.number("k2", triangulation.k2);
        text.raw("homography", &matrix(&triangulation.homography));
    }
    if let Some(tolerances) = &calibration.tolerances {
        text.table("tolerances");
        errors(&mut text, &tolerances.errors);
        text.number("de00", tolerances.de00);
    }
    let provenance = &calibration.provenance;
    text.table("provenance");
    if let Some(target) = &provenance.target {
        text.text("target", target);
    }
    let scans: Vec<String> = provenance.scans.iter().map(|s| quoted(s)).collect();
    text.raw("scans", &format!("[{}]", scans.join(", ")));
    if let Some(note) = &provenance.note {
        text.text("note", note);
    }
    text.finish()
}

fn errors(text: &mut TomlText, errors: &GeometricErrors) {
    text.number("across_scale", errors.across_scale);
    text.number("along_scale", errors.along_scale);
    text.number("height_scale", errors.height_scale);
    text.number("height_offset_mm", errors.height_offset_mm);
    text.number("roll_mrad", errors.roll_mrad);
    text.number("pitch_mrad", errors.pitch_mrad);
    text.number("bow_mm", errors.bow_mm);
    text.number("skew_mrad", errors.skew_mrad);
    text.number("lean_mrad", errors.lean_mrad);
}

/// A matrix, one row a line.
fn matrix(rows: &[[f64; 3]; 3]) -> String {
    let lines: Vec<String> = rows
        .iter()
        .map(|row| format!("    {},\n", list(row)))
        .collect();
    format!("[\n{}]", lines.concat())
}
