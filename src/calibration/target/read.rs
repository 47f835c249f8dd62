//! Reading reference targets: from what is written to checked values.

use std::path::Path;

use crate::document::Document;
use crate::error::Result;

use super::check::check_places;
use super::model::{Frustum, Patch, Plate, Sphere, Step, Target};
use super::wire::{
    FrustumRecord, PatchRecord, PlateRecord, SphereRecord, StepRecord, TARGET_FORMAT, TargetRecord,
};

/// Nothing larger than this goes over a belt, mm.
const LARGEST_MM: f64 = 10_000.0;
/// More bodies than this on one plate are a file of another kind.
const MOST_ITEMS: usize = 1000;
/// A certified length known no better than this is no reference, mm.
const LARGEST_U_MM: f64 = 1.0;
/// Ten times the expansion of common plastics; more is a value in other units.
const LARGEST_EXPANSION_PER_K: f64 = 1e-3;
/// Temperatures at which a target can be measured, °C.
const TEMPERATURE_C: [f64; 2] = [-60.0, 150.0];

/// Reads one target.
///
/// # Errors
/// The file cannot be read, a value is wrong, or the target contradicts itself: a body off the plate or in another's place,
/// a top wider than its base, no body at all. The error names file, line and key.
pub fn read_target(path: &Path) -> Result<Target> {
    let document = Document::read(path)?;
    document.expect_format(TARGET_FORMAT)?;
    let record: TargetRecord = document.decode()?;
    let target = Target {
        name: document.name("name", record.name)?,
        plate: plate(&document, &record.plate)?,
        frustums: each(&document, "frustum", &record.frustum, frustum)?,
        steps: each(&document, "step", &record.step, step)?,
        spheres: each(&document, "sphere", &record.sphere, sphere)?,
        patches: each(&document, "patch", &record.patch, patch)?,
        u_mm: record
            .u_mm
            .map(|u| document.within("u_mm", u, 0.0, LARGEST_U_MM))
            .transpose()?,
        certificate: record
            .certificate
            .map(|name| document.name("certificate", name))
            .transpose()?,
        temperature_c: record
            .temperature_c
            .map(|t| document.within("temperature_c", t, TEMPERATURE_C[0], TEMPERATURE_C[1]))
            .transpose()?,
        expansion_per_k: record
            .expansion_per_k
            .map(|e| document.within("expansion_per_k", e, 0.0, LARGEST_EXPANSION_PER_K))
            .transpose()?,
    };
    let bodies = target.frustums.len() + target.steps.len() + target.spheres.len();
    if bodies == 0 {
        return Err(document
            .wrong("plate", "a plate without a frustum, a step or a sphere")
            .expected(
                "expected bodies of known form on it: add [[frustum]], [[step]] or [[sphere]]",
            ));
    }
    check_places(&document, &target)?;
    Ok(target)
}

/// Checks each item of a list under its key, `kind[index]`.
fn each<R, T>(
    document: &Document,
    kind: &str,
    records: &[R],
    check: impl Fn(&Document, &str, &R) -> Result<T>,
) -> Result<Vec<T>> {
    if MOST_ITEMS < records.len() {
        return Err(document
            .wrong(kind, format!("found {} of them", records.len()))
            .expected(format!("expected {MOST_ITEMS} at most")));
    }
    records
        .iter()
        .enumerate()
        .map(|(index, record)| check(document, &format!("{kind}[{index}]"), record))
        .collect()
}

fn length(document: &Document, item: &str, name: &str, value: f64) -> Result<f64> {
    let key = format!("{item}.{name}");
    document.positive(&key, value)?;
    document.within(&key, value, 0.0, LARGEST_MM)
}

fn place(document: &Document, item: &str, x_mm: f64, y_mm: f64) -> Result<[f64; 2]> {
    Ok([
        document.finite(&format!("{item}.x_mm"), x_mm)?,
        document.finite(&format!("{item}.y_mm"), y_mm)?,
    ])
}

fn plate(document: &Document, record: &PlateRecord) -> Result<Plate> {
    Ok(Plate {
        across_mm: length(document, "plate", "across_mm", record.across_mm)?,
        along_mm: length(document, "plate", "along_mm", record.along_mm)?,
        thickness_mm: length(document, "plate", "thickness_mm", record.thickness_mm)?,
    })
}

fn frustum(document: &Document, item: &str, record: &FrustumRecord) -> Result<Frustum> {
    let [x_mm, y_mm] = place(document, item, record.x_mm, record.y_mm)?;
    let base_mm = length(document, item, "base_mm", record.base_mm)?;
    let top_mm = length(document, item, "top_mm", record.top_mm)?;
    let height_mm = length(document, item, "height_mm", record.height_mm)?;
    if base_mm <= top_mm {
        return Err(document
            .wrong(
                &format!("{item}.top_mm"),
                format!("found {top_mm}, on a base of {base_mm}"),
            )
            .expected(
                "expected a top narrower than its base; a body with upright sides is a [[step]]",
            ));
    }
    Ok(Frustum {
        x_mm,
        y_mm,
        base_mm,
        top_mm,
        height_mm,
    })
}

fn step(document: &Document, item: &str, record: &StepRecord) -> Result<Step> {
    let [x_mm, y_mm] = place(document, item, record.x_mm, record.y_mm)?;
    Ok(Step {
        x_mm,
        y_mm,
        across_mm: length(document, item, "across_mm", record.across_mm)?,
        along_mm: length(document, item, "along_mm", record.along_mm)?,
        height_mm: length(document, item, "height_mm", record.height_mm)?,
    })
}

fn sphere(document: &Document, item: &str, record: &SphereRecord) -> Result<Sphere> {
    let [x_mm, y_mm] = place(document, item, record.x_mm, record.y_mm)?;
    let radius_mm = length(document, item, "radius_mm", record.radius_mm)?;
    let key = format!("{item}.centre_height_mm");
    let centre_height_mm =
        document.within(&key, record.centre_height_mm, -LARGEST_MM, LARGEST_MM)?;
    if centre_height_mm <= -radius_mm {
        return Err(document
            .wrong(
                &key,
                format!("found {centre_height_mm}, with a radius of {radius_mm}"),
            )
            .expected("expected a sphere that rises above the plate's top"));
    }
    Ok(Sphere {
        x_mm,
        y_mm,
        radius_mm,
        centre_height_mm,
    })
}

fn patch(document: &Document, item: &str, record: &PatchRecord) -> Result<Patch> {
    let [x_mm, y_mm] = place(document, item, record.x_mm, record.y_mm)?;
    let [l, a, b] = record.lab;
    let key = format!("{item}.lab");
    Ok(Patch {
        x_mm,
        y_mm,
        size_mm: length(document, item, "size_mm", record.size_mm)?,
        lab: [
            document.within(&key, l, 0.0, 100.0)?,
            document.within(&key, a, -128.0, 128.0)?,
            document.within(&key, b, -128.0, 128.0)?,
        ],
    })
}
