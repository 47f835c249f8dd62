//! Reading product profiles: from what is written to checked values.

use std::path::Path;

use crate::document::{Document, WireTime, nearest};
use crate::error::{Error, ErrorKind, Result};

use super::profile::{
    ClassRule, Composition, DensityRule, DepthRule, FitProvenance, LabAxis, LabBox, LearnMethod,
    LearnRule, PieceRules, Product, Range, Spec, WeightFit,
};
use super::wire::{
    ClassRecord, CompositionRecord, DepthRecord, LabAxisRecord, LabRecord, LearnMethodRecord,
    LearnRecord, PRODUCT_FORMAT, PieceRecord, ProductRecord, ProvenanceRecord, SpecRecord,
    WeightRecord,
};

/// How far a composition's sum may be from 1: three digits of rounding in seven parts and the usual error of proximate
/// analyses stay below it; more is a slip or a part left out.
const COMPOSITION_SUM_TOLERANCE: f64 = 0.015;
/// Lightest and heaviest density that is plausible for food, kg/m³: puffed grain lies near 100, salt at 2165
/// (common practice, no source). Beyond, a decimal or a unit slipped.
const DENSITY_KG_M3: [f64; 2] = [50.0, 3000.0];

/// Reads a product profile.
///
/// # Errors
/// The file cannot be read or a value is wrong; the error names file, line and key.
pub fn read_product(path: &Path) -> Result<Product> {
    from_document(&Document::read(path)?)
}

/// Reads a product profile from its text; `path` is only named in errors.
///
/// # Errors
/// A value is wrong; the error names line and key.
pub fn parse_product(path: &Path, text: String) -> Result<Product> {
    from_document(&Document::parse(path, text)?)
}

fn from_document(document: &Document) -> Result<Product> {
    document.expect_format(PRODUCT_FORMAT)?;
    let record: ProductRecord = document.decode()?;
    product(document, record)
}

/// Reads the profile with this id from a folder of profiles, `id.toml`.
///
/// # Errors
/// There is no such profile (the error names the nearest), it is wrong, or it states another name.
pub fn find_product(folder: &Path, id: &str) -> Result<Product> {
    let is_name = !id.is_empty() && !id.contains(['/', '\\']) && id != "." && id != "..";
    if !is_name {
        return Err(
            Error::new(ErrorKind::Document, format!("the product id {id:?}"))
                .at(folder)
                .expected("expected the name of a profile, without a path"),
        );
    }
    let path = folder.join(format!("{id}.toml"));
    if !path.exists() {
        return Err(no_such_product(folder, id));
    }
    let product = read_product(&path)?;
    if product.name != id {
        return Err(
            Error::new(ErrorKind::Mismatch, format!("found \"{}\"", product.name))
                .at(&path)
                .key("name")
                .expected(format!("expected \"{id}\", the file's own name")),
        );
    }
    Ok(product)
}

fn no_such_product(folder: &Path, id: &str) -> Error {
    let mut names = Vec::new();
    match std::fs::read_dir(folder) {
        Err(e) => return Error::io(folder, &e).expected("expected a folder of product profiles"),
        Ok(entries) => {
            for entry in entries.flatten() {
                let path = entry.path();
                if path.extension().is_some_and(|e| e == "toml")
                    && let Some(stem) = path.file_stem()
                {
                    names.push(stem.to_string_lossy().into_owned());
                }
            }
        }
    }
    names.sort();
    let known: Vec<&str> = names.iter().map(String::as_str).collect();
    let error = Error::new(ErrorKind::Document, format!("no profile '{id}.toml'")).at(folder);
    match nearest(id, &known) {
        Some(near) => error.expected(format!("did you mean '{near}'?")),
        None if known.is_empty() => error.expected("the folder holds no profile"),
        None => error.expected(format!("it holds {}", known.join(", "))),
    }
}

fn product(document: &Document, record: ProductRecord) -> Result<Product> {
    if record.classes.is_empty() {
        return Err(document
            .wrong("class", "no class")
            .expected("expected at least one [[class]]"));
    }
    let names: Vec<String> = record.classes.iter().map(|c| c.name.clone()).collect();
    for (index, name) in names.iter().enumerate() {
        let key = format!("class[{index}].name");
        let fits = !name.is_empty()
            && name
                .bytes()
                .all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-' || b == b'_');
        if !fits {
            return Err(document.wrong(&key, format!("found {name:?}")).expected(
                "expected a to z, 0 to 9, - and _, as the name becomes part of column names",
            ));
        }
        if names[..index].contains(name) {
            return Err(document
                .wrong(&key, format!("a second class \"{name}\""))
                .expected("expected each class once"));
        }
    }
    if !names.contains(&record.base) {
        return Err(document
            .wrong("base", format!("found \"{}\"", record.base))
            .expected(format!(
                "expected the name of one of the classes: {}",
                names.join(", ")
            )));
    }
    let classes = record
        .classes
        .into_iter()
        .enumerate()
        .map(|(index, record_class)| {
            let is_base = record_class.name == record.base;
            class(document, index, record_class, is_base)
        })
        .collect::<Result<Vec<_>>>()?;
    let product = Product {
        name: document.name("name", record.name)?,
        base: record.base,
        piece: piece(document, &record.piece)?,
        classes,
        weight: weight(document, &record.weight)?,
        spec: spec(document, &record.spec)?,
        learn: None,
        fit: match &record.provenance {
            Some(record) => Some(provenance(document, record)?),
            None => None,
        },
    };
    match record.learn {
        None => Ok(product),
        Some(record) => Ok(Product {
            learn: Some(learn(document, record, &product)?),
            ..product
        }),
    }
}

fn provenance(document: &Document, record: &ProvenanceRecord) -> Result<FitProvenance> {
    let time = |key: &str, time: &Option<WireTime>| {
        let time = time.as_ref();
        time.map(|it| document.time(&format!("provenance.{key}"), it))
            .transpose()
    };
    let error =
        |key: &str, value: f64| document.within(&format!("provenance.{key}"), value, 0.0, f64::MAX);
    Ok(FitProvenance {
        fitted: record.fitted.clone(),
        pairs: record.pairs,
        first: time("first", &record.first)?,
        last: time("last", &record.last)?,
        rms_before_g: error("rms_before_g", record.rms_before_g)?,
        rms_unseen_g: error("rms_unseen_g", record.rms_unseen_g)?,
        inputs: record.inputs.clone(),
    })
}

fn learn(document: &Document, record: LearnRecord, product: &Product) -> Result<LearnRule> {
    let known = |name: &String| product.classes.iter().any(|class| class.name == *name);
    let [one, two] = &record.between;
    if !known(one) || !known(two) || one == two {
        let names: Vec<&str> = product.classes.iter().map(|c| c.name.as_str()).collect();
        return Err(document
            .wrong("learn.between", format!("found \"{one}\" and \"{two}\""))
            .expected(format!("expected two of the classes: {}", names.join(", "))));
    }
    let range = range(document, "learn.range", record.range)?;
    let rule = LearnRule {
        between: record.between,
        method: match record.method {
            LearnMethodRecord::Otsu => LearnMethod::Otsu,
            LearnMethodRecord::TwoGaussian => LearnMethod::TwoGaussian,
        },
        axis: match record.axis {
            LabAxisRecord::L => LabAxis::L,
            LabAxisRecord::A => LabAxis::A,
            LabAxisRecord::B => LabAxis::B,
        },
        range,
        max_move: document.positive("learn.max_move", record.max_move)?,
    };
    if product.limit_between(&rule).is_none() {
        return Err(document
            .wrong(
                "learn.between",
                format!(
                    "{} and {} do not meet in one limit on {} within {} to {}",
                    rule.between[0],
                    rule.between[1],
                    rule.axis.name(),
                    rule.range.low,
                    rule.range.high
                ),
            )
            .expected("expected the upper limit of one to be the lower limit of the other: it is what is learned"));
    }
    Ok(rule)
}

fn piece(document: &Document, record: &PieceRecord) -> Result<PieceRules> {
    Ok(PieceRules {
        min_height_mm: document.positive("piece.min_height_mm", record.min_height_mm)?,
        min_area_cm2: document.within("piece.min_area_cm2", record.min_area_cm2, 0.0, f64::MAX)?,
        split_touching: record.split_touching,
        min_speck_mm2: document.within(
            "piece.min_speck_mm2",
            record.min_speck_mm2,
            0.0,
            f64::MAX,
        )?,
    })
}

fn weight(document: &Document, record: &WeightRecord) -> Result<WeightFit> {
    Ok(WeightFit {
        scale: document.positive("weight.scale", record.scale)?,
        offset_g: document.finite("weight.offset_g", record.offset_g)?,
        density_u_rel: document.within("weight.density_u_rel", record.density_u_rel, 0.0, 1.0)?,
    })
}

fn spec(document: &Document, record: &SpecRecord) -> Result<Spec> {
    let limits = |key: &str, value: Option<[f64; 2]>, most: f64| -> Result<Option<Range>> {
        let Some(value) = value else { return Ok(None) };
        let key = format!("spec.{key}");
        let range = range(document, &key, value)?;
        if range.low < 0.0 || most < range.high {
            return Err(document
                .wrong(&key, format!("found {} to {}", range.low, range.high))
                .expected(if most == 1.0 {
                    "expected fractions from 0 to 1"
                } else {
                    "expected limits of 0 or more"
                }));
        }
        Ok(Some(range))
    };
    Ok(Spec {
        mass_g: limits("mass_g", record.mass_g, f64::MAX)?,
        length_mm: limits("length_mm", record.length_mm, f64::MAX)?,
        width_mm: limits("width_mm", record.width_mm, f64::MAX)?,
        max_height_mm: limits("max_height_mm", record.max_height_mm, f64::MAX)?,
        fat_fraction: limits("fat_fraction", record.fat_fraction, 1.0)?,
    })
}

fn range(document: &Document, key: &str, [low, high]: [f64; 2]) -> Result<Range> {
    document.finite(key, low)?;
    document.finite(key, high)?;
    if low <= high {
        Ok(Range { low, high })
    } else {
        Err(document
            .wrong(key, format!("found [{low}, {high}]"))
            .expected("expected the lower limit first"))
    }
}

fn class(
    document: &Document,
    index: usize,
    record: ClassRecord,
    is_base: bool,
) -> Result<ClassRule> {
    let key = |name: &str| format!("class[{index}].{name}");
    let lab = match &record.lab {
        Some(lab) => Some(lab_box(document, &key("lab"), lab)?),
        None if is_base => None,
        None => {
            return Err(document.wrong(&key("lab"), "missing").expected(
                "expected the colours this class claims; only the base class may do without",
            ));
        }
    };
    let density = density(document, index, &record)?;
    let depth = match (record.depth, record.depth_mm) {
        (Some(_), Some(_)) => {
            return Err(document
                .wrong(&key("depth_mm"), "found beside depth")
                .expected("expected either depth = \"through\" or depth_mm"));
        }
        (Some(DepthRecord::Through), None) => DepthRule::Through,
        (None, None) if is_base => DepthRule::Through,
        (None, None) => {
            return Err(document
                .wrong(&key("depth"), "missing")
                .expected("expected depth = \"through\" or depth_mm = the layer's thickness"));
        }
        (None, Some(_)) if is_base => {
            return Err(document
                .wrong(&key("depth_mm"), "found for the base class")
                .expected(
                    "expected no depth_mm: the base class is what lies beneath every layer",
                ));
        }
        (None, Some(depth_mm)) => DepthRule::Layer {
            depth_mm: document.positive(&key("depth_mm"), depth_mm)?,
        },
    };
    Ok(ClassRule {
        name: record.name,
        lab,
        density,
        depth,
    })
}

fn lab_box(document: &Document, key: &str, record: &LabRecord) -> Result<LabBox> {
    Ok(LabBox {
        l: range(document, &format!("{key}.l"), record.l)?,
        a: range(document, &format!("{key}.a"), record.a)?,
        b: range(document, &format!("{key}.b"), record.b)?,
    })
}

fn density(document: &Document, index: usize, record: &ClassRecord) -> Result<DensityRule> {
    let key = |name: &str| format!("class[{index}].{name}");
    match (record.density_kg_m3, &record.composition) {
        (Some(_), Some(_)) => Err(document
            .wrong(&key("composition"), "found beside density_kg_m3")
            .expected("expected either density_kg_m3 or composition")),
        (None, None) => Err(document
            .wrong(&key("density_kg_m3"), "missing")
            .expected("expected density_kg_m3 or composition")),
        (Some(kg_m3), None) => {
            for (name, value) in [
                ("temperature_c", record.temperature_c),
                ("void_fraction", record.void_fraction),
            ] {
                if value.is_some() {
                    return Err(document
                        .wrong(&key(name), "found beside density_kg_m3")
                        .expected("expected this key only with composition: a given density is used as it is"));
                }
            }
            let [low, high] = DENSITY_KG_M3;
            Ok(DensityRule::Given {
                kg_m3: document.within(&key("density_kg_m3"), kg_m3, low, high)?,
            })
        }
        (None, Some(composition)) => Ok(DensityRule::Composition {
            composition: fractions(document, &key("composition"), composition)?,
            temperature_c: record
                .temperature_c
                .map(|t| document.within(&key("temperature_c"), t, -60.0, 150.0))
                .transpose()?,
            void_fraction: {
                let void = record.void_fraction.unwrap_or(0.0);
                if !(0.0..1.0).contains(&void) {
                    return Err(document
                        .wrong(&key("void_fraction"), format!("found {void}"))
                        .expected("expected a fraction from 0 to less than 1"));
                }
                void
            },
        }),
    }
}

fn fractions(document: &Document, key: &str, record: &CompositionRecord) -> Result<Composition> {
    let parts = [
        ("water", record.water),
        ("ice", record.ice),
        ("protein", record.protein),
        ("fat", record.fat),
        ("carbohydrate", record.carbohydrate),
        ("fibre", record.fibre),
        ("ash", record.ash),
    ];
    for (name, value) in parts {
        document.within(&format!("{key}.{name}"), value, 0.0, 1.0)?;
    }
    let sum: f64 = parts.iter().map(|(_, value)| value).sum();
    // A hair of slack, so that a sum written as 0.985 is not refused for its binary rounding.
    if COMPOSITION_SUM_TOLERANCE + 1e-12 < (sum - 1.0).abs() {
        return Err(document
            .wrong(key, format!("the fractions sum to {sum:.4}"))
            .expected(format!(
                "expected a sum of 1, at most {COMPOSITION_SUM_TOLERANCE} off"
            )));
    }
    Ok(Composition {
        water: record.water,
        ice: record.ice,
        protein: record.protein,
        fat: record.fat,
        carbohydrate: record.carbohydrate,
        fibre: record.fibre,
        ash: record.ash,
    })
}
