//! `scan.toml` as read, and its way to the checked description.

use std::path::{Component, Path, PathBuf};

use schemars::JsonSchema;
use serde::Deserialize;

use crate::document::{Document, WireTime};
use crate::error::Result;

use super::description::{
    ColourPart, HeightKind, HeightPart, ProfilesPart, ScanDescription, ViewPart, ViewSide,
};

/// The format this version reads and writes.
pub const SCAN_FORMAT: &str = "weighlight-scan/1";

/// `scan.toml`: one scan.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct ScanRecord {
    /// `weighlight-scan/1`.
    #[serde(rename = "format")]
    #[schemars(extend("const" = SCAN_FORMAT))]
    _format: String,
    /// Unique in its archive.
    id: String,
    /// Time of row 0.
    captured: WireTime,
    /// The scanner it came from.
    scanner: String,
    /// A product profile's id.
    product: Option<String>,
    /// Frames of one recording join end to end.
    recording: Option<String>,
    /// Number of lanes of equal width.
    #[schemars(range(min = 1))]
    lanes: Option<u32>,
    /// Belt speed, mm/s; gives every piece its time.
    #[schemars(extend("exclusiveMinimum" = 0))]
    belt_speed_mm_s: Option<f64>,
    /// Product temperature, °C.
    product_temperature_c: Option<f64>,
    /// The height frame.
    height: HeightRecord,
    /// The height frame of a second camera on the other side of the same laser line; at most one.
    #[serde(default)]
    #[schemars(length(max = 1))]
    view: Vec<ViewRecord>,
    /// The colour frame.
    colour: Option<ColourRecord>,
    /// The encoder's record, where the belt does not run evenly.
    profiles: Option<ProfilesRecord>,
}

#[derive(Debug, Clone, Copy, Default, PartialEq, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
enum KindRecord {
    /// Counts are heights.
    #[default]
    Range,
    /// Counts are sub-pixel rows of the laser stripe on the sensor.
    Stripe,
}

/// The height frame.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct HeightRecord {
    /// What a count means.
    #[serde(default)]
    kind: KindRecord,
    /// 16-bit grey PNG or TIFF, 32-bit float TIFF, .npy (u16, f32) or .x3p, in the scan's folder.
    file: String,
    /// Column pitch, mm.
    #[schemars(extend("exclusiveMinimum" = 0))]
    pitch_across_mm: f64,
    /// Row pitch, mm.
    #[schemars(extend("exclusiveMinimum" = 0))]
    pitch_along_mm: f64,
    /// mm per count (range); 16-bit files need it, float files are in mm already.
    scale_mm: Option<f64>,
    /// mm at count 0 (range); 16-bit files need it.
    offset_mm: Option<f64>,
    /// px per count (stripe); 16-bit files need it, float files are in px already.
    scale_px: Option<f64>,
    /// px at count 0 (stripe); 16-bit files need it.
    offset_px: Option<f64>,
    /// The count that means "no return"; 16-bit files need it, in float files NaN does.
    #[schemars(range(min = 0, max = 65535))]
    invalid: Option<f64>,
    /// This frame's first row, counted from the recording's start.
    #[serde(default)]
    first_profile: u64,
}

/// The same rows as the height frame's, seen by a second camera: same size, pitches and sample type. Range frames only.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct ViewRecord {
    /// A file as the height frame's, in the scan's folder.
    file: String,
    /// The side of the laser plane this camera stands on.
    camera_side: ViewSideRecord,
    /// Angle between this camera's view and the upright laser plane, degrees; as the calibration's camera when absent.
    #[schemars(extend("exclusiveMinimum" = 0, "exclusiveMaximum" = 90))]
    camera_angle_deg: Option<f64>,
    /// mm per count; the height frame's when absent.
    scale_mm: Option<f64>,
    /// mm at count 0; the height frame's when absent.
    offset_mm: Option<f64>,
    /// The count that means "no return"; the height frame's when absent.
    #[schemars(range(min = 0, max = 65535))]
    invalid: Option<f64>,
}

#[derive(Debug, Clone, Copy, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
enum ViewSideRecord {
    /// At smaller y: shadows fall towards larger y.
    LowY,
    /// At larger y: shadows fall towards smaller y.
    HighY,
}

/// The colour frame.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct ColourRecord {
    /// 8-bit RGB PNG, JPEG or TIFF, sRGB-encoded, in the scan's folder.
    file: String,
    /// Pixel pitch across, mm.
    #[schemars(extend("exclusiveMinimum" = 0))]
    pitch_across_mm: f64,
    /// Pixel pitch along, mm.
    #[schemars(extend("exclusiveMinimum" = 0))]
    pitch_along_mm: f64,
    /// Outer corner of pixel (0, 0) relative to the height frame's outer corner, mm.
    #[serde(default)]
    origin_across_mm: f64,
    /// As above, along, mm.
    #[serde(default)]
    origin_along_mm: f64,
}

/// The encoder's record.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct ProfilesRecord {
    /// CSV with the columns `profile,encoder_mm[,time]`, one row for each row of the height frame.
    file: String,
}

/// Whether the file named holds floats for certain (`Some(true)`), counts for certain, or either.
fn holds_floats(file: &Path) -> Option<bool> {
    match super::format::HeightFormat::of(file) {
        Some(super::format::HeightFormat::Png) => Some(false),
        Some(super::format::HeightFormat::X3p) => Some(true),
        _ => None,
    }
}

/// A description with what can only be judged once the frame's sample type is known.
#[derive(Debug)]
pub(super) struct Described {
    pub(super) description: ScanDescription,
    /// Which of scale, offset and invalid are written down.
    pub(super) stated: Stated,
}

/// Which keys the document states.
#[derive(Debug, Clone, Copy)]
pub(super) struct Stated {
    pub(super) scale: bool,
    pub(super) offset: bool,
    pub(super) invalid: bool,
}

/// The description in `document`, of which `record` was decoded.
pub(super) fn describe(document: &Document, record: ScanRecord) -> Result<Described> {
    let optional_name =
        |key: &str, value: Option<String>| value.map(|value| document.name(key, value)).transpose();
    let (height, stated) = height_part(document, record.height)?;
    let views = views(document, record.view, &height)?;
    let colour = record
        .colour
        .map(|colour| colour_part(document, colour))
        .transpose()?;
    let profiles = record
        .profiles
        .map(|profiles| {
            file_part(document, "profiles.file", &profiles.file).map(|file| ProfilesPart { file })
        })
        .transpose()?;
    if record.lanes == Some(0) {
        return Err(document
            .wrong("lanes", "found 0")
            .expected("expected 1 or more, or leave the key out"));
    }
    let description = ScanDescription {
        id: document.name("id", record.id)?,
        captured: document.time("captured", &record.captured)?,
        scanner: document.name("scanner", record.scanner)?,
        product: optional_name("product", record.product)?,
        recording: optional_name("recording", record.recording)?,
        lanes: record.lanes,
        belt_speed_mm_s: record
            .belt_speed_mm_s
            .map(|v| document.positive("belt_speed_mm_s", v))
            .transpose()?,
        product_temperature_c: record
            .product_temperature_c
            // Foods are scanned between deep-frozen and fresh from an oven; beyond that it is a slip of unit or digit.
            .map(|v| document.within("product_temperature_c", v, -60.0, 150.0))
            .transpose()?,
        height,
        views,
        colour,
        profiles,
    };
    Ok(Described {
        description,
        stated,
    })
}

fn height_part(document: &Document, record: HeightRecord) -> Result<(HeightPart, Stated)> {
    let file = file_part(document, "height.file", &record.file)?;
    let (kind, unit, scale, offset, others) = match record.kind {
        KindRecord::Range => (
            HeightKind::Range,
            "mm",
            record.scale_mm,
            record.offset_mm,
            [
                ("height.scale_px", record.scale_px),
                ("height.offset_px", record.offset_px),
            ],
        ),
        KindRecord::Stripe => (
            HeightKind::Stripe,
            "px",
            record.scale_px,
            record.offset_px,
            [
                ("height.scale_mm", record.scale_mm),
                ("height.offset_mm", record.offset_mm),
            ],
        ),
    };
    for (key, value) in others {
        if value.is_some() {
            return Err(document
                .wrong(key, "not a key of this kind of height frame")
                .expected(format!(
                    "expected scale_{unit} and offset_{unit} for kind = \"{}\"",
                    if kind == HeightKind::Range {
                        "range"
                    } else {
                        "stripe"
                    }
                )));
        }
    }
    if holds_floats(&file) == Some(true) && kind == HeightKind::Stripe {
        return Err(document
            .wrong("height.kind", "found \"stripe\" with an .x3p file")
            .expected("expected \"range\": an .x3p file holds heights"));
    }
    let scale_key = format!("height.scale_{unit}");
    let scale_value = document.finite(&scale_key, scale.unwrap_or(1.0))?;
    if scale_value == 0.0 {
        return Err(document
            .wrong(&scale_key, "found 0")
            .expected("expected a factor other than 0"));
    }
    let invalid = invalid_count(document, "height.invalid", record.invalid, &file)?;
    let part = HeightPart {
        kind,
        file,
        pitch_across_mm: document.positive("height.pitch_across_mm", record.pitch_across_mm)?,
        pitch_along_mm: document.positive("height.pitch_along_mm", record.pitch_along_mm)?,
        scale: scale_value,
        offset: document.finite(&format!("height.offset_{unit}"), offset.unwrap_or(0.0))?,
        invalid,
        first_profile: record.first_profile,
    };
    let stated = Stated {
        scale: scale.is_some(),
        offset: offset.is_some(),
        invalid: invalid.is_some(),
    };
    Ok((part, stated))
}

fn invalid_count(
    document: &Document,
    key: &str,
    value: Option<f64>,
    file: &Path,
) -> Result<Option<u16>> {
    match value {
        // NaN is how a float file's "no return" is written down.
        None => Ok(None),
        Some(value) if value.is_nan() && holds_floats(file) != Some(false) => Ok(None),
        Some(value) if (0.0..=65535.0).contains(&value) && value.fract() == 0.0 => {
            Ok(Some(value as u16))
        }
        Some(value) => Err(document
            .wrong(key, format!("found {value}"))
            .expected("expected a whole number from 0 to 65535")),
    }
}

fn views(
    document: &Document,
    records: Vec<ViewRecord>,
    height: &HeightPart,
) -> Result<Vec<ViewPart>> {
    if records.len() > 1 {
        return Err(document
            .wrong("view", format!("found {} views", records.len()))
            .expected("expected one at most: the camera on the other side"));
    }
    if !records.is_empty() && height.kind == HeightKind::Stripe {
        return Err(document
            .wrong("view", "found a view beside stripe rows")
            .expected(
                "expected kind = \"range\": a second camera needs a triangulation of its own",
            ));
    }
    let view = |record| view_part(document, record, height);
    records.into_iter().map(view).collect()
}

fn view_part(document: &Document, record: ViewRecord, height: &HeightPart) -> Result<ViewPart> {
    let file = file_part(document, "view[0].file", &record.file)?;
    if file == height.file {
        return Err(document
            .wrong("view[0].file", format!("found \"{}\"", record.file))
            .expected("expected another file than the height frame's"));
    }
    let camera_angle_deg = record
        .camera_angle_deg
        .map(|angle_deg| {
            let angle_deg = document.positive("view[0].camera_angle_deg", angle_deg)?;
            if angle_deg < 90.0 {
                Ok(angle_deg)
            } else {
                Err(document
                    .wrong("view[0].camera_angle_deg", format!("found {angle_deg}"))
                    .expected("expected an angle of more than 0 and less than 90 degrees"))
            }
        })
        .transpose()?;
    let scale = document.finite("view[0].scale_mm", record.scale_mm.unwrap_or(height.scale))?;
    if scale == 0.0 {
        return Err(document
            .wrong("view[0].scale_mm", "found 0")
            .expected("expected a factor other than 0"));
    }
    Ok(ViewPart {
        camera_side: match record.camera_side {
            ViewSideRecord::LowY => ViewSide::LowY,
            ViewSideRecord::HighY => ViewSide::HighY,
        },
        camera_angle_deg,
        scale,
        offset: document.finite(
            "view[0].offset_mm",
            record.offset_mm.unwrap_or(height.offset),
        )?,
        invalid: invalid_count(document, "view[0].invalid", record.invalid, &file)?
            .or(height.invalid),
        file,
    })
}

fn colour_part(document: &Document, record: ColourRecord) -> Result<ColourPart> {
    Ok(ColourPart {
        file: file_part(document, "colour.file", &record.file)?,
        pitch_across_mm: document.positive("colour.pitch_across_mm", record.pitch_across_mm)?,
        pitch_along_mm: document.positive("colour.pitch_along_mm", record.pitch_along_mm)?,
        origin_across_mm: document.finite("colour.origin_across_mm", record.origin_across_mm)?,
        origin_along_mm: document.finite("colour.origin_along_mm", record.origin_along_mm)?,
    })
}

/// A path inside the scan folder: a scan that is copied must take all its files along.
fn file_part(document: &Document, key: &str, file: &str) -> Result<PathBuf> {
    let path = PathBuf::from(file);
    let inside = !file.is_empty()
        && path
            .components()
            .all(|part| matches!(part, Component::Normal(_)));
    if inside {
        Ok(path)
    } else {
        Err(document
            .wrong(key, format!("found \"{file}\""))
            .expected("expected a file in the scan's own folder, such as \"height.png\""))
    }
}

/// The JSON Schema of `scan.toml`.
#[must_use]
pub fn scan_schema() -> schemars::Schema {
    schemars::schema_for!(ScanRecord)
}
