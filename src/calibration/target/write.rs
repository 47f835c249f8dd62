//! Writing reference targets that read back to the same values.

use std::io::Write;
use std::path::Path;

use crate::document::{TomlText, list, replace_file};
use crate::error::{Error, Result};

use super::model::Target;
use super::wire::TARGET_FORMAT;

/// Writes one target.
///
/// # Errors
/// The file cannot be written.
pub fn write_target(path: &Path, target: &Target) -> Result<()> {
    let text = to_text(target);
    replace_file(path, |out| {
        out.write_all(text.as_bytes())
            .map_err(|e| Error::io(path, &e))
    })
}

fn to_text(target: &Target) -> String {
    let mut text = TomlText::new(TARGET_FORMAT);
    text.text("name", &target.name);
    if let Some(u_mm) = target.u_mm {
        text.number("u_mm", u_mm);
    }
    if let Some(certificate) = &target.certificate {
        text.text("certificate", certificate);
    }
    if let Some(temperature_c) = target.temperature_c {
        text.number("temperature_c", temperature_c);
    }
    if let Some(expansion_per_k) = target.expansion_per_k {
        text.number("expansion_per_k", expansion_per_k);
    }
    text.table("plate");
    text.number("across_mm", target.plate.across_mm);
    text.number("along_mm", target.plate.along_mm);
    text.number("thickness_mm", target.plate.thickness_mm);
    for frustum in &target.frustums {
        text.item("frustum");
        text.number("x_mm", frustum.x_mm);
        text.number("y_mm", frustum.y_mm);
        text.number("base_mm", frustum.base_mm);
        text.number("top_mm", frustum.top_mm);
        text.number("height_mm", frustum.height_mm);
    }
    for step in &target.steps {
        text.item("step");
        text.number("x_mm", step.x_mm);
        text.number("y_mm", step.y_mm);
        text.number("across_mm", step.across_mm);
        text.number("along_mm", step.along_mm);
        text.number("height_mm", step.height_mm);
    }
    for sphere in &target.spheres {
        text.item("sphere");
        text.number("x_mm", sphere.x_mm);
        text.number("y_mm", sphere.y_mm);
        text.number("radius_mm", sphere.radius_mm);
        text.number("centre_height_mm", sphere.centre_height_mm);
    }
    for patch in &target.patches {
        text.item("patch");
        text.number("x_mm", patch.x_mm);
        text.number("y_mm", patch.y_mm);
        text.number("size_mm", patch.size_mm);
        text.raw("lab", &list(&patch.lab));
    }
    text.finish()
}
