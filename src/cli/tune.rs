//! `weighlight tune`.

use std::io::Write;
use std::path::{Path, PathBuf};

use clap::Args;
use jiff::Timestamp;
use serde_json::json;
use weighlight::agreement::tune::{
    DensityBounds, FitKind, FitSource, TuneSettings, Tuned, read_pairs, tune,
};
use weighlight::drift::InputHash;
use weighlight::product::{check_new_product, dated_file_name, read_product, write_new_product};
use weighlight::tables::read_pieces;
use weighlight::{Error, ErrorKind, Result};

use super::compare_check::target_check;
use super::exit::Exit;
use super::output::{self, Format};

/// Fits a product profile to weighed pieces: scale, offset, densities or the depth of a layer.
///
/// Without --fit, what does best on pieces it has not seen is taken, the simplest where several do as well. The new profile says what it rests on and
/// how far off it is on pieces not seen. It is refused where the weighings do not carry it: too few pieces or too much alike, doubtful matches, impossible
/// densities, differences that come from something a profile must not hide.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  weighlight compare pieces.csv log.csv --time time --mass mass --pairs pairs.csv
  weighlight tune pieces.csv pairs.csv --product belly-strips.toml --out products/tuned
  weighlight tune pieces.csv pairs.csv --product rolls.toml --fit depth:crust --out rolls-new.toml")]
pub(crate) struct Arguments {
    /// Piece table, .csv or .parquet, measured with the profile
    pieces: PathBuf,
    /// Pairs, .csv or .parquet, as compare --pairs writes them
    pairs: PathBuf,
    /// The profile that the pieces were measured with
    #[arg(long, value_name = "FILE")]
    product: PathBuf,
    /// File to write (.toml), or a folder, where it is named after product and day
    #[arg(long, value_name = "FILE.toml|DIR")]
    out: PathBuf,
    /// What to fit: scale, scale-offset, densities, densities-offset, depth:CLASS
    #[arg(long, value_name = "WHAT", value_parser = fit_kind)]
    fit: Option<FitKind>,
    /// Standard deviation of the checkweigher's own errors, g
    #[arg(long, value_name = "G", value_parser = scale_sd)]
    scale_sd_g: Option<f64>,
    /// The last check with a reference target: a drift report (JSON) or a log of checks (.jsonl)
    #[arg(long, value_name = "FILE")]
    last_check: Option<PathBuf>,
    /// What a class's density can be, kg/m³, such as fat=880..960
    #[arg(long, value_name = "CLASS=LOW..HIGH", value_parser = bounds)]
    density: Vec<(String, DensityBounds)>,
    /// Only pieces scanned from then on, such as 2026-03-04T06:00:00Z
    #[arg(long, value_name = "TIME", value_parser = time)]
    from: Option<Timestamp>,
    /// Only pieces scanned before then
    #[arg(long, value_name = "TIME", value_parser = time)]
    to: Option<Timestamp>,
    /// Go on although part of the differences comes from what a profile cannot hold (a lane, a drift, the belt …)
    #[arg(long)]
    accept_causes: bool,
    /// Form of the result on standard output
    #[arg(long, value_enum, default_value = "text")]
    format: Format,
}

fn fit_kind(text: &str) -> std::result::Result<FitKind, String> {
    match text.split_once(':') {
        Some(("depth", class)) if !class.is_empty() => Ok(FitKind::Depth {
            class: class.to_owned(),
        }),
        _ => match text {
            "scale" => Ok(FitKind::Scale),
            "scale-offset" => Ok(FitKind::ScaleOffset),
            "densities" => Ok(FitKind::Densities),
            "densities-offset" => Ok(FitKind::DensitiesOffset),
            _ => Err(
                "expected scale, scale-offset, densities, densities-offset or depth:CLASS"
                    .to_owned(),
            ),
        },
    }
}

fn scale_sd(text: &str) -> std::result::Result<f64, String> {
    output::number_in(text, 0.0..=1e6, "0 g or more")
}

fn bounds(text: &str) -> std::result::Result<(String, DensityBounds), String> {
    let parsed = text.split_once('=').and_then(|(class, range)| {
        let (low, high) = range.split_once("..")?;
        let (low_kg_m3, high_kg_m3) = (low.parse().ok()?, high.parse().ok()?);
        Some((
            class.to_owned(),
            DensityBounds {
                low_kg_m3,
                high_kg_m3,
            },
        ))
    });
    let sound = |it: &DensityBounds| {
        50.0 <= it.low_kg_m3 && it.low_kg_m3 < it.high_kg_m3 && it.high_kg_m3 <= 3000.0
    };
    parsed
        .filter(|(class, it)| !class.is_empty() && sound(it))
        .ok_or_else(|| {
            "expected a class and a range within 50 to 3000 kg/m³, such as fat=880..960".to_owned()
        })
}

fn time(text: &str) -> std::result::Result<Timestamp, String> {
    text.parse()
        .map_err(|_| "expected a time with Z or an offset, such as 2026-03-04T06:00:00Z".to_owned())
}

pub(crate) fn run(arguments: &Arguments) -> Result<Exit> {
    let product = read_product(&arguments.product)?;
    let known = |class: &String| product.classes.iter().any(|it| it.name == *class);
    if let Some((class, _)) = arguments.density.iter().find(|(class, _)| !known(class)) {
        return Err(Error::new(
            ErrorKind::Mismatch,
            format!("no class {class:?} in the profile"),
        )
        .key("--density")
        .at(&arguments.product));
    }
    let named = named(&arguments.out)?;
    let pieces = read_pieces(&arguments.pieces)?;
    let read = read_pairs(&arguments.pairs, &pieces)?;
    let check = arguments
        .last_check
        .as_deref()
        .map(target_check)
        .transpose()?;
    let settings = TuneSettings {
        fit: arguments.fit.clone(),
        scale_sd_g: arguments.scale_sd_g,
        check,
        bounds: arguments.density.clone(),
        from: arguments.from,
        to: arguments.to,
        accept_causes: arguments.accept_causes,
    };
    let sources = [
        ("pieces", &arguments.pieces),
        ("pairs", &arguments.pairs),
        ("product", &arguments.product),
    ];
    let sources = sources
        .into_iter()
        .map(|(role, path)| {
            let hashed = InputHash::of(role, path)?;
            Ok(FitSource {
                role: hashed.role,
                path: hashed.path,
                blake3: hashed.blake3,
            })
        })
        .collect::<Result<Vec<_>>>()?;
    let tuned = tune(&read.pairs, &product, &settings, &sources)
        .map_err(|error| error.at(&arguments.pairs))?;
    let path = match named {
        Some(path) => path,
        None => place(&arguments.out, &tuned)?,
    };
    write_new_product(&path, &tuned.product)?;
    output::to_stdout(|to| match arguments.format {
        Format::Text => text(to, &tuned, read.doubles, &path),
        Format::Json => json_result(to, &tuned, read.doubles, &sources, &path),
        Format::Csv => csv_result(to, &tuned),
    })?;
    Ok(Exit::Done)
}

/// The file to write, where it is named; better to know before the work that it can be written.
fn named(out: &Path) -> Result<Option<PathBuf>> {
    if out.extension().is_none_or(|ending| ending != "toml") || out.is_dir() {
        return Ok(None);
    }
    output::check_target(out)?;
    check_new_product(out)?;
    Ok(Some(out.to_path_buf()))
}

/// The file to write in a folder, named after product and day of the last piece.
fn place(folder: &Path, tuned: &Tuned) -> Result<PathBuf> {
    let Some(last) = tuned.last else {
        return Err(Error::new(
            ErrorKind::Mismatch,
            "the pieces have no times to name a profile after",
        )
        .at(folder)
        .expected("expected the name of a file to write, NAME.toml"));
    };
    output::make_folder(folder)?;
    let path = folder.join(dated_file_name(&tuned.product, last));
    check_new_product(&path)?;
    Ok(path)
}

fn text(to: &mut dyn Write, tuned: &Tuned, doubles: usize, path: &Path) -> std::io::Result<()> {
    for line in tuned.in_words() {
        writeln!(to, "{line}")?;
    }
    if doubles > 0 {
        writeln!(
            to,
            "{doubles} rows of two pieces weighed as one were not used"
        )?;
    }
    writeln!(to, "written: {}", path.display())
}

fn json_result(
    to: &mut dyn Write,
    tuned: &Tuned,
    doubles: usize,
    sources: &[FitSource],
    path: &Path,
) -> std::io::Result<()> {
    let inputs: Vec<_> = sources
        .iter()
        .map(|it| json!({"role": it.role, "path": it.path, "blake3": it.blake3}))
        .collect();
    let document = json!({
        "format": "weighlight-tune/1",
        "version": env!("CARGO_PKG_VERSION"),
        "file": path.display().to_string(),
        "product": tuned.product.name,
        "doubles": doubles,
        "result": tuned,
        "inputs": inputs,
    });
    serde_json::to_writer_pretty(&mut *to, &document)?;
    to.write_all(b"\n")
}

fn csv_result(to: &mut dyn Write, tuned: &Tuned) -> std::io::Result<()> {
    writeln!(to, "name,unit,before,after,low,high")?;
    for it in &tuned.values {
        writeln!(
            to,
            "{},{},{:.6},{:.6},{:.6},{:.6}",
            it.name, it.unit, it.before, it.after.value, it.after.low, it.after.high
        )?;
    }
    Ok(())
}
