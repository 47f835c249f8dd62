//! The checked description as `scan.toml` text.

use crate::document::TomlText;

use super::description::{HeightKind, ScanDescription, ViewSide};
use super::wire::SCAN_FORMAT;

/// The description as `scan.toml`; `floats` says that the height file holds floats, which state neither scale nor offset.
pub(super) fn to_text(description: &ScanDescription, floats: bool) -> String {
    let mut text = TomlText::new(SCAN_FORMAT);
    text.text("id", &description.id);
    text.time("captured", description.captured);
    text.text("scanner", &description.scanner);
    if let Some(product) = &description.product {
        text.text("product", product);
    }
    if let Some(recording) = &description.recording {
        text.text("recording", recording);
    }
    if let Some(lanes) = description.lanes {
        text.whole("lanes", u64::from(lanes));
    }
    if let Some(speed) = description.belt_speed_mm_s {
        text.number("belt_speed_mm_s", speed);
    }
    if let Some(temperature) = description.product_temperature_c {
        text.number("product_temperature_c", temperature);
    }
    let height = &description.height;
    text.table("height");
    let unit = match height.kind {
        HeightKind::Range => "mm",
        HeightKind::Stripe => {
            text.text("kind", "stripe");
            "px"
        }
    };
    text.text("file", &height.file.to_string_lossy());
    text.number("pitch_across_mm", height.pitch_across_mm);
    text.number("pitch_along_mm", height.pitch_along_mm);
    if !floats {
        text.number(&format!("scale_{unit}"), height.scale);
        text.number(&format!("offset_{unit}"), height.offset);
    }
    if let Some(invalid) = height.invalid {
        text.whole("invalid", u64::from(invalid));
    }
    text.whole("first_profile", height.first_profile);
    for view in &description.views {
        text.item("view");
        text.text("file", &view.file.to_string_lossy());
        text.text(
            "camera_side",
            match view.camera_side {
                ViewSide::LowY => "low-y",
                ViewSide::HighY => "high-y",
            },
        );
        if let Some(angle_deg) = view.camera_angle_deg {
            text.number("camera_angle_deg", angle_deg);
        }
        if !floats {
            text.number("scale_mm", view.scale);
            text.number("offset_mm", view.offset);
        }
        if let Some(invalid) = view.invalid {
            text.whole("invalid", u64::from(invalid));
        }
    }
    if let Some(colour) = &description.colour {
        text.table("colour");
        text.text("file", &colour.file.to_string_lossy());
        text.number("pitch_across_mm", colour.pitch_across_mm);
        text.number("pitch_along_mm", colour.pitch_along_mm);
        text.number("origin_across_mm", colour.origin_across_mm);
        text.number("origin_along_mm", colour.origin_along_mm);
    }
    if let Some(profiles) = &description.profiles {
        text.table("profiles");
        text.text("file", &profiles.file.to_string_lossy());
    }
    text.finish()
}
