//! Reading scanner calibrations: from what is written to checked values.

use std::path::Path;

use crate::document::Document;
use crate::error::Result;

use super::model::{
    Calibration, Camera, CameraSide, ColourCalibration, ColourCamera, GeometricErrors, Laser,
    Provenance, Registration, Tolerances, Triangulation,
};
use super::wire::{
    CALIBRATION_FORMAT, CalibrationRecord, ColourCameraRecord, ColourRecord, ErrorsRecord,
    ErrorsURecord, SideRecord, TolerancesRecord, TriangulationRecord,
};

/// Scales beyond these are no error of an instrument but a wrong pitch or unit.
const SCALE: [f64; 2] = [0.5, 2.0];
/// Angles beyond this, about 17°, are no misalignment that the linear error model can describe.
const LARGEST_ANGLE_MRAD: f64 = 300.0;

/// Heights of a colour camera over a belt, mm; nearer ones stand among the pieces.
const COLOUR_CAMERA_MM: [f64; 2] = [100.0, 100_000.0];

/// Reads one calibration.
///
/// # Errors
/// The file cannot be read or a value is wrong; the error names file, line and key.
pub fn read_calibration(path: &Path) -> Result<Calibration> {
    let document = Document::read(path)?;
    document.expect_format(CALIBRATION_FORMAT)?;
    let record: CalibrationRecord = document.decode()?;
    Ok(Calibration {
        scanner: document.name("scanner", record.scanner)?,
        valid_from: document.time("valid_from", &record.valid_from)?,
        errors: errors(&document, &record.errors)?,
        errors_u: errors_u(&document, &record.errors_u)?,
        colour: record.colour.map(|c| colour(&document, c)).transpose()?,
        registration: Registration {
            dx_mm: document.finite("registration.dx_mm", record.registration.dx_mm)?,
            dy_mm: document.finite("registration.dy_mm", record.registration.dy_mm)?,
        },
        camera: record
            .camera
            .map(|camera| -> Result<Camera> {
                let angle_deg = document.positive("camera.angle_deg", camera.angle_deg)?;
                if 90.0 <= angle_deg {
                    return Err(document
                        .wrong("camera.angle_deg", format!("found {angle_deg}"))
                        .expected("expected an angle of more than 0 and less than 90 degrees"));
                }
                Ok(Camera {
                    side: match camera.side {
                        SideRecord::LowY => CameraSide::LowY,
                        SideRecord::HighY => CameraSide::HighY,
                    },
                    angle_deg,
                })
            })
            .transpose()?,
        colour_camera: record
            .colour_camera
            .map(|camera| colour_camera(&document, &camera))
            .transpose()?,
        laser: record
            .laser
            .map(|laser| -> Result<Laser> {
                Ok(Laser {
                    apex_height_mm: document
                        .positive("laser.apex_height_mm", laser.apex_height_mm)?,
                    apex_x_mm: document.finite("laser.apex_x_mm", laser.apex_x_mm)?,
                })
            })
            .transpose()?,
        triangulation: record
            .triangulation
            .map(|t| triangulation(&document, &t))
            .transpose()?,
        tolerances: record
            .tolerances
            .map(|t| tolerances(&document, &t))
            .transpose()?,
        provenance: Provenance {
            target: record.provenance.target,
            scans: record.provenance.scans,
            note: record.provenance.note,
        },
    })
}

fn errors(document: &Document, record: &ErrorsRecord) -> Result<GeometricErrors> {
    let scale =
        |name: &str, value| document.within(&format!("errors.{name}"), value, SCALE[0], SCALE[1]);
    let angle = |name: &str, value| {
        document.within(
            &format!("errors.{name}"),
            value,
            -LARGEST_ANGLE_MRAD,
            LARGEST_ANGLE_MRAD,
        )
    };
    let length = |name: &str, value| document.finite(&format!("errors.{name}"), value);
    Ok(GeometricErrors {
        across_scale: scale("across_scale", record.across_scale)?,
        along_scale: scale("along_scale", record.along_scale)?,
        height_scale: scale("height_scale", record.height_scale)?,
        height_offset_mm: length("height_offset_mm", record.height_offset_mm)?,
        roll_mrad: angle("roll_mrad", record.roll_mrad)?,
        pitch_mrad: angle("pitch_mrad", record.pitch_mrad)?,
        bow_mm: length("bow_mm", record.bow_mm)?,
        skew_mrad: angle("skew_mrad", record.skew_mrad)?,
        lean_mrad: angle("lean_mrad", record.lean_mrad)?,
    })
}

fn errors_u(document: &Document, record: &ErrorsURecord) -> Result<GeometricErrors> {
    let u = |name: &str, value| document.within(&format!("errors_u.{name}"), value, 0.0, f64::MAX);
    Ok(GeometricErrors {
        across_scale: u("across_scale", record.across_scale)?,
        along_scale: u("along_scale", record.along_scale)?,
        height_scale: u("height_scale", record.height_scale)?,
        height_offset_mm: u("height_offset_mm", record.height_offset_mm)?,
        roll_mrad: u("roll_mrad", record.roll_mrad)?,
        pitch_mrad: u("pitch_mrad", record.pitch_mrad)?,
        bow_mm: u("bow_mm", record.bow_mm)?,
        skew_mrad: u("skew_mrad", record.skew_mrad)?,
        lean_mrad: u("lean_mrad", record.lean_mrad)?,
    })
}

fn tolerances(document: &Document, record: &TolerancesRecord) -> Result<Tolerances> {
    let positive = |name: &str, value| document.positive(&format!("tolerances.{name}"), value);
    Ok(Tolerances {
        errors: GeometricErrors {
            across_scale: positive("across_scale", record.across_scale)?,
            along_scale: positive("along_scale", record.along_scale)?,
            height_scale: positive("height_scale", record.height_scale)?,
            height_offset_mm: positive("height_offset_mm", record.height_offset_mm)?,
            roll_mrad: positive("roll_mrad", record.roll_mrad)?,
            pitch_mrad: positive("pitch_mrad", record.pitch_mrad)?,
            bow_mm: positive("bow_mm", record.bow_mm)?,
            skew_mrad: positive("skew_mrad", record.skew_mrad)?,
            lean_mrad: positive("lean_mrad", record.lean_mrad)?,
        },
        de00: positive("de00", record.de00)?,
    })
}

fn colour(document: &Document, record: ColourRecord) -> Result<ColourCalibration> {
    invertible(document, "colour.matrix", &record.matrix)?;
    let flat_field = record.flat_field;
    let stations = flat_field.red.len();
    for (name, response) in [
        ("red", &flat_field.red),
        ("green", &flat_field.green),
        ("blue", &flat_field.blue),
    ] {
        let key = format!("colour.flat_field.{name}");
        if response.len() != stations {
            return Err(document
                .wrong(&key, format!("found {} stations", response.len()))
                .expected(format!("expected {stations}, as for red")));
        }
        for value in response {
            document.positive(&key, *value)?;
        }
    }
    if stations == 1 {
        return Err(document
            .wrong("colour.flat_field.red", "found 1 station")
            .expected("expected two or more, from edge to edge, or none"));
    }
    Ok(ColourCalibration {
        matrix: record.matrix,
        flat_field: [flat_field.red, flat_field.green, flat_field.blue],
    })
}

fn colour_camera(document: &Document, record: &ColourCameraRecord) -> Result<ColourCamera> {
    let [low, high] = COLOUR_CAMERA_MM;
    let place =
        |name: &str, value| document.within(&format!("colour_camera.{name}"), value, -high, high);
    Ok(ColourCamera {
        height_mm: document.within("colour_camera.height_mm", record.height_mm, low, high)?,
        x_mm: place("x_mm", record.x_mm)?,
        y_mm: place("y_mm", record.y_mm)?,
    })
}

fn triangulation(document: &Document, record: &TriangulationRecord) -> Result<Triangulation> {
    let key = "triangulation.camera_matrix";
    let camera = &record.camera_matrix;
    invertible(document, key, camera)?;
    let upper = camera[1][0] == 0.0 && camera[2] == [0.0, 0.0, 1.0];
    if !upper || camera[0][0] <= 0.0 || camera[1][1] <= 0.0 {
        return Err(document.wrong(key, "not a camera matrix").expected(
            "expected [[fx, skew, cx], [0, fy, cy], [0, 0, 1]] with fx and fy greater than 0",
        ));
    }
    invertible(document, "triangulation.homography", &record.homography)?;
    Ok(Triangulation {
        camera_matrix: record.camera_matrix,
        k1: document.finite("triangulation.k1", record.k1)?,
        k2: document.finite("triangulation.k2", record.k2)?,
        homography: record.homography,
    })
}

fn invertible(document: &Document, key: &str, matrix: &[[f64; 3]; 3]) -> Result<()> {
    for value in matrix.iter().flatten() {
        document.finite(key, *value)?;
    }
    let [a, b, c] = matrix;
    let determinant = a[0] * (b[1] * c[2] - b[2] * c[1]) - a[1] * (b[0] * c[2] - b[2] * c[0])
        + a[2] * (b[0] * c[1] - b[1] * c[0]);
    if determinant.is_finite() && determinant != 0.0 {
        Ok(())
    } else {
        Err(document
            .wrong(key, "a matrix that cannot be inverted")
            .expected("expected three independent rows"))
    }
}
