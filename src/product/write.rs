//! Writing product profiles that read back to the same values.

use std::io::Write;
use std::path::Path;

use jiff::Timestamp;

use crate::document::{TomlText, list, quoted, replace_file, write_new_file};
use crate::error::{Error, ErrorKind, Result};

use super::profile::{ClassRule, Composition, DensityRule, DepthRule, Product, Range};
use super::wire::PRODUCT_FORMAT;

/// Writes a product profile.
///
/// # Errors
/// The file cannot be written.
pub fn write_product(path: &Path, product: &Product) -> Result<()> {
    let text = product_text(product);
    replace_file(path, |out| {
        out.write_all(text.as_bytes())
            .map_err(|e| Error::io(path, &e))
    })
}

/// Writes a product profile under a name that is not taken: what was in use is kept, as old results rest on it.
///
/// # Errors
/// There is a file of this name, or it cannot be written.
pub fn write_new_product(path: &Path, product: &Product) -> Result<()> {
    let text = product_text(product);
    write_new_file(path, |out| {
        out.write_all(text.as_bytes())
            .map_err(|e| Error::io(path, &e))
    })?
    .then_some(())
    .ok_or_else(|| taken(path))
}

/// Checks that a profile could be written under a new name.
///
/// # Errors
/// There is a file of this name.
pub fn check_new_product(path: &Path) -> Result<()> {
    match path.symlink_metadata() {
        Ok(_) => Err(taken(path)),
        Err(_) => Ok(()),
    }
}

fn taken(path: &Path) -> Error {
    Error::new(ErrorKind::Io, "there is a profile already")
        .at(path)
        .expected(
            "expected a new name; a profile that was in use is kept, as old results rest on it",
        )
}

/// The file's name of a profile that rests on data of a day: `<product>-<day>.toml`.
#[must_use]
pub fn dated_file_name(product: &Product, time: Timestamp) -> String {
    format!("{}-{}.toml", product.name, time.strftime("%Y-%m-%d"))
}

/// A profile as its document.
#[must_use]
pub fn product_text(product: &Product) -> String {
    let mut text = TomlText::new(PRODUCT_FORMAT);
    text.text("name", &product.name);
    text.text("base", &product.base);
    text.table("piece");
    text.number("min_height_mm", product.piece.min_height_mm);
    text.number("min_area_cm2", product.piece.min_area_cm2);
    text.flag("split_touching", product.piece.split_touching);
    text.number("min_speck_mm2", product.piece.min_speck_mm2);
    for class in &product.classes {
        text.item("class");
        write_class(&mut text, class);
    }
    text.table("weight");
    text.number("scale", product.weight.scale);
    text.number("offset_g", product.weight.offset_g);
    text.number("density_u_rel", product.weight.density_u_rel);
    if let Some(rule) = &product.learn {
        text.table("learn");
        text.raw(
            "between",
            &format!("[\"{}\", \"{}\"]", rule.between[0], rule.between[1]),
        );
        text.text("method", rule.method.name());
        text.text("axis", rule.axis.name());
        text.raw("range", &range(rule.range));
        text.number("max_move", rule.max_move);
    }
    let spec = &product.spec;
    let limits = [
        ("mass_g", spec.mass_g),
        ("length_mm", spec.length_mm),
        ("width_mm", spec.width_mm),
        ("max_height_mm", spec.max_height_mm),
        ("fat_fraction", spec.fat_fraction),
    ];
    if limits.iter().any(|(_, limit)| limit.is_some()) {
        text.table("spec");
        for (key, limit) in limits {
            if let Some(limit) = limit {
                text.raw(key, &range(limit));
            }
        }
    }
    if let Some(fit) = &product.fit {
        text.table("provenance");
        text.text("fitted", &fit.fitted);
        text.whole("pairs", fit.pairs);
        for (key, time) in [("first", fit.first), ("last", fit.last)] {
            if let Some(time) = time {
                text.time(key, time);
            }
        }
        text.number("rms_before_g", fit.rms_before_g);
        text.number("rms_unseen_g", fit.rms_unseen_g);
        let inputs: Vec<String> = fit.inputs.iter().map(|it| quoted(it)).collect();
        text.raw("inputs", &format!("[{}]", inputs.join(", ")));
    }
    text.finish()
}

fn write_class(text: &mut TomlText, class: &ClassRule) {
    text.text("name", &class.name);
    if let Some(lab) = &class.lab {
        text.raw(
            "lab",
            &format!(
                "{{ l = {}, a = {}, b = {} }}",
                range(lab.l),
                range(lab.a),
                range(lab.b)
            ),
        );
    }
    match &class.density {
        DensityRule::Given { kg_m3 } => text.number("density_kg_m3", *kg_m3),
        DensityRule::Composition {
            composition,
            temperature_c,
            void_fraction,
        } => {
            text.raw("composition", &fractions(composition));
            if let Some(temperature_c) = temperature_c {
                text.number("temperature_c", *temperature_c);
            }
            text.number("void_fraction", *void_fraction);
        }
    }
    match class.depth {
        DepthRule::Through => text.text("depth", "through"),
        DepthRule::Layer { depth_mm } => text.number("depth_mm", depth_mm),
    }
}

fn range(range: Range) -> String {
    list(&[range.low, range.high])
}

fn fractions(composition: &Composition) -> String {
    let parts = [
        ("water", composition.water),
        ("ice", composition.ice),
        ("protein", composition.protein),
        ("fat", composition.fat),
        ("carbohydrate", composition.carbohydrate),
        ("fibre", composition.fibre),
        ("ash", composition.ash),
    ];
    let present: Vec<String> = parts
        .iter()
        .filter(|(_, value)| *value != 0.0)
        .map(|(name, value)| format!("{name} = {value:?}"))
        .collect();
    format!("{{ {} }}", present.join(", "))
}
