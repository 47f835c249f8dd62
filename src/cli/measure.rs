//! `weighlight measure`.

use std::path::{Path, PathBuf};

use clap::{ArgGroup, Args};
use rayon::prelude::*;
use weighlight::calibration::{Calibration, CalibrationSet};
use weighlight::pipeline::{MeasuredRecording, Plan, measure_recording};
use weighlight::product::{Product, find_product, read_product};
use weighlight::report::write_pictures;
use weighlight::scan::{self, Recording, read_archive};
use weighlight::tables::{
    PieceTable, ProductUsed, Provenance, RecordingUsed, Rejected, provenance_json, write_csv,
    write_json, write_parquet, write_text,
};
use weighlight::{Error, ErrorKind, Result};

use super::exit::Exit;
use super::output::{self, Format};

/// Measures every piece and writes one row a piece.
///
/// Frames of one recording are one belt: a piece cut by a frame's end is measured once, whole. Weights are estimates with
/// standard uncertainties (k = 1), not legal for trade.
#[derive(Debug, Args)]
#[command(group = ArgGroup::new("profile").required(true).args(["product", "products"]))]
#[command(after_help = "\
Examples:
  weighlight measure scans/0007 --product belly-strips.toml
  weighlight measure archive/2026-03 --products products --calibrations calibration --out march.parquet
  weighlight measure scans/0007 --product rolls.toml --pictures seen --format json > pieces.json")]
pub(crate) struct Arguments {
    /// Scan folders, or folders that hold scans at any depth
    #[arg(required = true, value_name = "SCAN|ARCHIVE")]
    scans: Vec<PathBuf>,
    /// Product profile for every scan, whatever product the scan names
    #[arg(long, value_name = "FILE")]
    product: Option<PathBuf>,
    /// Folder of product profiles; each scan's own product is looked up there
    #[arg(long, value_name = "DIR")]
    products: Option<PathBuf>,
    /// Folder of scanner calibrations; without it every scan is taken as already true
    #[arg(long, value_name = "DIR")]
    calibrations: Option<PathBuf>,
    /// Table to write: its ending .csv, .parquet, .json or .txt says which kind
    #[arg(long, value_name = "FILE", value_parser = table_file)]
    out: Option<PathBuf>,
    /// Folder for pictures of every frame: heights, pieces over colour, and what their uncertainties are made of
    #[arg(long, value_name = "DIR")]
    pictures: Option<PathBuf>,
    /// Form of the result on standard output
    #[arg(long, value_enum, default_value = "text", conflicts_with = "out")]
    format: Format,
    /// Number of threads; the result does not depend on it [default: all cores]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    threads: Option<u16>,
}

/// The kinds of table by the ending of the file's name.
const ENDINGS: [&str; 4] = ["csv", "parquet", "json", "txt"];

fn table_file(text: &str) -> std::result::Result<PathBuf, String> {
    let path = PathBuf::from(text);
    if ENDINGS.contains(&ending(&path).as_str()) {
        Ok(path)
    } else {
        Err("the name must end in .csv, .parquet, .json or .txt".to_owned())
    }
}

fn ending(path: &Path) -> String {
    let ending = path.extension().and_then(|ending| ending.to_str());
    ending.unwrap_or_default().to_ascii_lowercase()
}

/// What one recording came to.
struct Outcome {
    measured: MeasuredRecording,
    product: ProductUsed,
    /// Whether any frame's colour went through a lossy compression.
    colour_lossy: bool,
    /// Frames that turned out to be damaged.
    broken: Vec<scan::Rejected>,
}

pub(crate) fn run(arguments: &Arguments) -> Result<Exit> {
    output::set_threads(arguments.threads.map(usize::from))?;
    check_folders(arguments)?;
    let one_product = arguments.product.as_deref().map(load_product).transpose()?;
    let calibrations = match &arguments.calibrations {
        Some(folder) => CalibrationSet::read(folder)?,
        None => CalibrationSet::default(),
    };
    if let Some(folder) = &arguments.pictures {
        output::make_folder(folder)?;
    }
    if let Some(path) = &arguments.out {
        output::check_target(path)?;
    }
    let archive = read_archive(&arguments.scans)?;
    let bar = output::progress(archive.recordings.len(), "recording");
    let outcomes: Vec<Result<Outcome>> = archive
        .recordings
        .par_iter()
        .map(|recording| {
            let outcome = one(arguments, recording, one_product.as_ref(), &calibrations);
            bar.inc(1);
            outcome
        })
        .collect();
    bar.finish_and_clear();
    let mut rejected: Vec<Rejected> = archive.rejected.iter().map(in_words).collect();
    let mut measured = Vec::new();
    for (recording, outcome) in archive.recordings.iter().zip(outcomes) {
        match outcome {
            Ok(outcome) => {
                rejected.extend(outcome.broken.iter().map(in_words));
                measured.push(outcome);
            }
            Err(error) => rejected.push(Rejected {
                input: format!("recording {}", recording.name),
                reason: error.to_string(),
            }),
        }
    }
    for rejected in &rejected {
        output::warn(&format!(
            "not measured: {}: {}",
            rejected.input, rejected.reason
        ));
    }
    if measured.is_empty() {
        let (found, reasons) = match rejected.len() {
            1 => ("the one input was".to_owned(), "its reason is above"),
            count => (
                format!("all {count} inputs were"),
                "each is listed above with its reason",
            ),
        };
        return Err(Error::new(
            ErrorKind::Unmeasurable,
            format!("nothing could be measured: {found} rejected"),
        )
        .expected(reasons));
    }
    let table = table(arguments, measured, rejected);
    write(arguments, &table)?;
    Ok(verdict(&table))
}

/// A mistyped folder is told once and at once, not for each recording.
fn check_folders(arguments: &Arguments) -> Result<()> {
    if let Some(folder) = &arguments.products {
        output::check_folder(folder, "product profiles")?;
    }
    if let Some(folder) = &arguments.calibrations {
        output::check_folder(folder, "scanner calibrations")?;
    }
    match &arguments.product {
        Some(path) if path.is_dir() => Err(Error::new(ErrorKind::Io, "a folder")
            .at(path)
            .key("--product")
            .expected("expected one product profile; --products takes a folder of them")),
        _ => Ok(()),
    }
}

fn in_words(rejected: &scan::Rejected) -> Rejected {
    Rejected {
        input: rejected.folder.display().to_string(),
        reason: rejected.error.to_string(),
    }
}

pub(super) fn load_product(path: &Path) -> Result<(Product, ProductUsed)> {
    let product = read_product(path)?;
    let bytes = std::fs::read(path).map_err(|source| Error::io(path, &source))?;
    let used = ProductUsed {
        name: product.name.clone(),
        blake3: blake3::hash(&bytes).to_hex().to_string(),
    };
    Ok((product, used))
}

fn one(
    arguments: &Arguments,
    recording: &Recording,
    one_product: Option<&(Product, ProductUsed)>,
    calibrations: &CalibrationSet,
) -> Result<Outcome> {
    let (product, used) = profile_of(recording, one_product, arguments.products.as_deref())?;
    let plan = Plan {
        product: &product,
        calibration: calibration_of(recording, calibrations),
        keep_views: arguments.pictures.is_some(),
    };
    let (measured, broken) =
        measure_recording(
            recording,
            &plan,
            &mut |view, pieces| match &arguments.pictures {
                Some(folder) => write_pictures(folder, &view, pieces).map(|_| ()),
                None => Ok(()),
            },
        )?;
    Ok(Outcome {
        measured,
        product: used,
        colour_lossy: recording.frames.iter().any(|frame| frame.colour_lossy),
        broken,
    })
}

/// The profile of a recording: the one for all, or the one it names.
pub(super) fn profile_of(
    recording: &Recording,
    one_product: Option<&(Product, ProductUsed)>,
    products: Option<&Path>,
) -> Result<(Product, ProductUsed)> {
    match (one_product, products) {
        (Some(product), _) => Ok(product.clone()),
        (None, Some(folder)) => product_of(recording, folder),
        (None, None) => Err(
            Error::new(ErrorKind::Mismatch, "no product profile is given")
                .expected("expected --product FILE or --products DIR"),
        ),
    }
}

/// The product that all frames of a recording name.
fn product_of(recording: &Recording, folder: &Path) -> Result<(Product, ProductUsed)> {
    let mut named = None;
    for frame in &recording.frames {
        let here = || frame.document_path();
        match (&frame.description.product, named) {
            (None, _) => {
                return Err(Error::new(ErrorKind::Mismatch, "the scan names no product")
                    .at(here())
                    .key("product")
                    .expected("expected a product's id, or --product FILE for every scan"));
            }
            (Some(name), Some(before)) if name != before => {
                return Err(Error::new(ErrorKind::Mismatch, format!("found \"{name}\""))
                    .at(here())
                    .key("product")
                    .expected(format!(
                        "expected \"{before}\" as in the recording's frames before it"
                    )));
            }
            (Some(name), _) => named = Some(name),
        }
    }
    let Some(id) = named else {
        return Err(Error::new(
            ErrorKind::Mismatch,
            "the recording has no frames",
        ));
    };
    let product = find_product(folder, id)?;
    let (_, used) = load_product(&folder.join(format!("{id}.toml")))?;
    Ok((product, used))
}

/// The calibration in force when the recording began.
fn calibration_of<'a>(
    recording: &Recording,
    calibrations: &'a CalibrationSet,
) -> Option<&'a Calibration> {
    let first = &recording.frames.first()?.description;
    calibrations.in_force(&first.scanner, first.captured)
}

fn table(arguments: &Arguments, measured: Vec<Outcome>, rejected: Vec<Rejected>) -> PieceTable {
    let mut pieces = Vec::new();
    let mut recordings = Vec::new();
    for outcome in measured {
        let measured = outcome.measured;
        if measured.calibration.is_none() {
            output::warn(&format!(
                "recording {}: no calibration of scanner {} is in force: taken as already true",
                measured.recording, measured.scanner
            ));
        }
        if !measured.has_colour {
            output::warn(&format!(
                "recording {}: no colour: no fat and lean, the weight is by the base class's density",
                measured.recording
            ));
        }
        if let Some(learned) = &measured.learned
            && learned.refused.is_some()
        {
            output::warn(&format!(
                "recording {}: {}",
                measured.recording,
                learned.in_words()
            ));
        }
        recordings.push(RecordingUsed {
            recording: measured.recording,
            scanner: measured.scanner,
            scans: measured.scans,
            calibration: measured.calibration,
            product: Some(outcome.product),
            has_colour: measured.has_colour,
            colour_lossy: outcome.colour_lossy,
            learned: measured.learned,
        });
        pieces.extend(measured.pieces.into_iter().map(|piece| piece.record));
    }
    let given = |name: &str, path: &Option<PathBuf>| {
        path.as_ref()
            .map(|path| (name.to_owned(), path.display().to_string()))
    };
    let settings = [
        given("product", &arguments.product),
        given("products", &arguments.products),
        given("calibrations", &arguments.calibrations),
    ];
    let provenance = Provenance {
        version: env!("CARGO_PKG_VERSION").to_owned(),
        command: std::env::args_os()
            .map(|word| word.to_string_lossy().into_owned())
            .collect(),
        settings: settings.into_iter().flatten().collect(),
        recordings,
    };
    PieceTable::new(pieces, rejected, provenance)
}

fn write(arguments: &Arguments, table: &PieceTable) -> Result<()> {
    let Some(path) = &arguments.out else {
        return output::to_stdout(|out| match arguments.format {
            Format::Text => write_text(table, out),
            Format::Json => write_json(table, out),
            Format::Csv => write_csv(table, out),
        });
    };
    match ending(path).as_str() {
        "parquet" => weighlight::document::replace_file(path, |out| {
            write_parquet(table, out).map_err(|error| error.at(path))
        }),
        "json" => output::to_file(path, |out| write_json(table, out)),
        "csv" => {
            output::to_file(path, |out| write_csv(table, out))?;
            let mut beside = path.as_os_str().to_owned();
            beside.push(".provenance.json");
            output::to_file(Path::new(&beside), |out| {
                serde_json::to_writer_pretty(&mut *out, &provenance_json(&table.provenance))?;
                out.write_all(b"\n")
            })
        }
        _ => output::to_file(path, |out| write_text(table, out)),
    }
}

fn verdict(table: &PieceTable) -> Exit {
    let missed = |piece: &weighlight::tables::PieceRecord| piece.flags.iter().any(|f| f.is_spec());
    let spec = match table.pieces.iter().any(missed) {
        true => Exit::BadVerdict,
        false => Exit::Done,
    };
    let inputs = match table.rejected.is_empty() {
        true => Exit::Done,
        false => Exit::Rejected,
    };
    spec.and(inputs)
}
