//! `weighlight tune-colour`.

use std::io::Write;
use std::path::PathBuf;

use clap::Args;
use serde_json::json;
use weighlight::calibration::CalibrationSet;
use weighlight::colour::FittedLimits;
use weighlight::inspection::{fit_colour_rules, painted_colours};
use weighlight::product::{Product, check_new_product, read_product, write_new_product};
use weighlight::scan::read_scan;
use weighlight::{Error, ErrorKind, Result};

use super::exit::Exit;
use super::output::{self, Format};

/// Fits the colour rules of a product profile to pixels that somebody has painted.
///
/// Paint on a copy of the scan's colour frame, in one plain colour for each class and in several places, and save it as PNG. The boxes in CIELAB are put where they
/// name most painted pixels rightly, all classes counting alike, and are tried on parts of the picture that they were not fitted to.
#[derive(Debug, Args)]
#[command(after_help = "\
Example:
  weighlight tune-colour scans/0007 --painted labels.png --label '#ff0000=fat' --label '#0000ff=lean' \\
      --product belly-strips.toml --calibrations calibration --out belly-strips-new.toml")]
pub(crate) struct Arguments {
    /// The scan's folder
    scan: PathBuf,
    /// Painted picture, a PNG of the colour frame's size
    #[arg(long, value_name = "FILE.png")]
    painted: PathBuf,
    /// Which colour stands for which class; once for each class
    #[arg(long, value_name = "#RRGGBB=CLASS", required = true, value_parser = label)]
    label: Vec<([u8; 3], String)>,
    /// The profile whose rules are fitted
    #[arg(long, value_name = "FILE")]
    product: PathBuf,
    /// Folder of scanner calibrations; without it colours are taken as they are
    #[arg(long, value_name = "DIR")]
    calibrations: Option<PathBuf>,
    /// File to write
    #[arg(long, value_name = "FILE.toml")]
    out: PathBuf,
    /// Form of the result on standard output
    #[arg(long, value_enum, default_value = "text")]
    format: Format,
}

fn label(text: &str) -> std::result::Result<([u8; 3], String), String> {
    let parsed = text.split_once('=').and_then(|(colour, class)| {
        let digits = colour.strip_prefix('#')?;
        let sound = digits.len() == 6 && digits.bytes().all(|it| it.is_ascii_hexdigit());
        let value = u32::from_str_radix(digits, 16).ok().filter(|_| sound)?;
        let [_, r, g, b] = value.to_be_bytes();
        (!class.is_empty()).then(|| ([r, g, b], class.to_owned()))
    });
    parsed.ok_or_else(|| "expected a colour and a class, such as #ff0000=fat".to_owned())
}

pub(crate) fn run(arguments: &Arguments) -> Result<Exit> {
    output::check_target(&arguments.out)?;
    check_new_product(&arguments.out)?;
    let product = read_product(&arguments.product)?;
    let labels = labels(arguments, &product)?;
    let scan = read_scan(&arguments.scan)?;
    let calibrations = match &arguments.calibrations {
        Some(folder) => CalibrationSet::read(folder)?,
        None => CalibrationSet::default(),
    };
    let description = &scan.description;
    let calibration = calibrations.in_force(&description.scanner, description.captured);
    if calibration.is_none_or(|it| it.colour.is_none()) {
        output::warn(
            "no colour correction is in force: colours are taken as they are, and must be when pieces are measured",
        );
    }
    let picture = std::fs::read(&arguments.painted)
        .map_err(|source| Error::io(&arguments.painted, &source))?;
    let frame = painted_colours(&scan, &picture, &labels, calibration)
        .map_err(|error| error.at(&arguments.painted))?;
    let (new, fitted) = fit_colour_rules(&product, &frame.painted).map_err(|error| {
        let about_rules = error.key.as_deref() == Some("learn");
        error.at(if about_rules {
            &arguments.product
        } else {
            &arguments.painted
        })
    })?;
    write_new_product(&arguments.out, &new)?;
    output::to_stdout(|to| match arguments.format {
        Format::Text => text(to, arguments, &new, &fitted, frame.clipped),
        Format::Json => json_result(to, arguments, &new, &fitted, frame.clipped),
        Format::Csv => csv_result(to, &new, &fitted),
    })?;
    Ok(Exit::Done)
}

/// Colours with the places of their classes.
fn labels(arguments: &Arguments, product: &Product) -> Result<Vec<([u8; 3], usize)>> {
    let mut found: Vec<([u8; 3], usize)> = Vec::new();
    for (colour, name) in &arguments.label {
        let class = product.classes.iter().position(|it| it.name == *name);
        let Some(class) = class else {
            let names: Vec<&str> = product.classes.iter().map(|it| it.name.as_str()).collect();
            return Err(Error::new(
                ErrorKind::Mismatch,
                format!("no class {name:?} in the profile"),
            )
            .key("--label")
            .at(&arguments.product)
            .expected(format!("expected one of {}", names.join(", "))));
        };
        if found.iter().any(|it| it.0 == *colour || it.1 == class) {
            return Err(Error::new(
                ErrorKind::Mismatch,
                format!("{name} or its colour is named twice"),
            )
            .key("--label")
            .expected("expected one colour for each class"));
        }
        found.push((*colour, class));
    }
    Ok(found)
}

fn text(
    to: &mut dyn Write,
    arguments: &Arguments,
    new: &Product,
    fitted: &FittedLimits,
    clipped: usize,
) -> std::io::Result<()> {
    for (class, pixels, right) in &fitted.by_class {
        let rule = &new.classes[*class];
        let limits = match rule.lab {
            Some(lab) => format!(
                "L {} to {}, a {} to {}, b {} to {}",
                lab.l.low, lab.l.high, lab.a.low, lab.a.high, lab.b.low, lab.b.high
            ),
            None => "what no rule claims".to_owned(),
        };
        writeln!(
            to,
            "{}: {pixels} pixels, {:.1} % named rightly where the rules were not fitted; {limits}",
            rule.name,
            100.0 * right
        )?;
    }
    writeln!(
        to,
        "all classes alike: {:.1} %, before {:.1} %",
        100.0 * fitted.unseen,
        100.0 * fitted.before
    )?;
    if clipped > 0 {
        writeln!(to, "{clipped} painted pixels are clipped and were not used")?;
    }
    writeln!(to, "written: {}", arguments.out.display())
}

fn json_result(
    to: &mut dyn Write,
    arguments: &Arguments,
    new: &Product,
    fitted: &FittedLimits,
    clipped: usize,
) -> std::io::Result<()> {
    let classes: Vec<_> = fitted
        .by_class
        .iter()
        .map(|(class, pixels, right)| {
            let rule = &new.classes[*class];
            let lab = rule.lab.map(|it| {
                json!({"l": [it.l.low, it.l.high], "a": [it.a.low, it.a.high], "b": [it.b.low, it.b.high]})
            });
            json!({"class": rule.name, "pixels": pixels, "right_unseen_fraction": right, "lab": lab})
        })
        .collect();
    let document = json!({
        "format": "weighlight-tune-colour/1",
        "version": env!("CARGO_PKG_VERSION"),
        "file": arguments.out.display().to_string(),
        "classes": classes,
        "balanced_accuracy_unseen": fitted.unseen,
        "balanced_accuracy_before": fitted.before,
        "clipped_pixels": clipped,
    });
    serde_json::to_writer_pretty(&mut *to, &document)?;
    to.write_all(b"\n")
}

fn csv_result(to: &mut dyn Write, new: &Product, fitted: &FittedLimits) -> std::io::Result<()> {
    writeln!(
        to,
        "class,pixels,right_unseen_fraction,l_low,l_high,a_low,a_high,b_low,b_high"
    )?;
    for (class, pixels, right) in &fitted.by_class {
        let rule = &new.classes[*class];
        let ends = rule.lab.map_or_else(
            || ",,,,,".to_owned(),
            |it| {
                format!(
                    "{},{},{},{},{},{}",
                    it.l.low, it.l.high, it.a.low, it.a.high, it.b.low, it.b.high
                )
            },
        );
        writeln!(to, "{},{pixels},{right:.6},{ends}", rule.name)?;
    }
    Ok(())
}
