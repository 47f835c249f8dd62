//! `weighlight calibrate`.

use std::io::Write;
use std::path::{Path, PathBuf};

use clap::Args;
use jiff::Timestamp;
use serde_json::json;
use weighlight::calibration::{
    Calibration, GeometricErrors, read_calibration, read_target, write_calibration,
};
use weighlight::drift::{
    Combined, DEFAULT_TOLERANCES, ERROR_NAMES, FitRequest, HeightField, InputHash, LeftOut,
    ScanFit, check_colours_of, combine, combine_colours, errors_to_list, fit_target,
    new_calibration, stripe_field,
};
use weighlight::scan::read_scan;
use weighlight::{Error, ErrorKind, Result};

use super::drift::temperature;
use super::exit::Exit;
use super::output::{self, Format};
use super::stripe::StripeArguments;

/// Makes a scanner calibration from one or several scans of a reference target.
///
/// A fit that is poor is refused: a target that is dirty or not the one of the file, an error the scans do not tell, scans that contradict
/// each other. With several scans each is checked against all others.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  weighlight calibrate scans/target-1 scans/target-2 --target plate.toml --scanner line-2 \\
      --valid-from 2026-03-01T06:00:00Z --out calibration
  weighlight calibrate scans/target-1 --target plate.toml --scanner line-2 --baseline old.toml \\
      --valid-from 2026-03-01T06:00:00Z --out new.toml")]
pub(crate) struct Arguments {
    /// Folders of target scans
    #[arg(required = true, value_name = "SCAN")]
    scans: Vec<PathBuf>,
    /// The target that was scanned
    #[arg(long, value_name = "FILE")]
    target: PathBuf,
    /// The scanner
    #[arg(long, value_name = "NAME")]
    scanner: String,
    /// From when on the calibration holds, such as 2026-03-01T06:00:00Z
    #[arg(long, value_name = "TIME", value_parser = time)]
    valid_from: Timestamp,
    /// Calibration whose camera, laser, colour, registration and tolerances are kept
    #[arg(long, value_name = "CALIBRATION")]
    baseline: Option<PathBuf>,
    /// Temperature of the target when it was scanned, °C; its expansion is then taken off
    #[arg(long, value_name = "T", allow_hyphen_values = true, value_parser = temperature)]
    target_temperature_c: Option<f64>,
    /// A word on why, kept in the file
    #[arg(long, value_name = "TEXT")]
    note: Option<String>,
    /// File to write (.toml), or the folder of calibrations, where it goes below the scanner's name
    #[arg(long, value_name = "FILE.toml|DIR")]
    out: PathBuf,
    /// Form of the result on standard output
    #[arg(long, value_enum, default_value = "text")]
    format: Format,
    /// Take colour correction, flat field and registration from the scans too, in place of the baseline's
    #[arg(long)]
    colour: bool,
    #[command(flatten)]
    stripe: StripeArguments,
}

fn time(text: &str) -> std::result::Result<Timestamp, String> {
    text.parse()
        .map_err(|_| "expected a time with Z or an offset, such as 2026-03-01T06:00:00Z".to_owned())
}

pub(crate) fn run(arguments: &Arguments) -> Result<Exit> {
    let path = place(arguments)?;
    let target = read_target(&arguments.target)?;
    let baseline = arguments
        .baseline
        .as_ref()
        .map(|path| read_calibration(path).and_then(|c| of_scanner(c, &arguments.scanner, path)))
        .transpose()?;
    let request = FitRequest {
        expected: baseline
            .as_ref()
            .map_or(GeometricErrors::NONE, |c| c.errors),
        target_temperature_c: arguments.target_temperature_c,
    };
    let mut hashes = vec![InputHash::of("target", &arguments.target)?];
    let mut fits: Vec<ScanFit> = Vec::new();
    let mut colours = Vec::new();
    let stripes = arguments
        .stripe
        .fit(&arguments.scans, &target, baseline.as_ref())?;
    let bar = output::progress(arguments.scans.len(), "scan");
    for folder in &arguments.scans {
        let scan = read_scan(folder)?;
        if scan.description.scanner != arguments.scanner {
            return Err(Error::new(
                ErrorKind::Mismatch,
                format!("a scan of scanner \"{}\"", scan.description.scanner),
            )
            .at(scan.document_path())
            .key("scanner")
            .expected(format!(
                "expected \"{}\", as --scanner says",
                arguments.scanner
            )));
        }
        if fits.iter().any(|fit| fit.scan == scan.description.id) {
            return Err(Error::new(
                ErrorKind::Mismatch,
                format!("'{}' a second time", scan.description.id),
            )
            .at(scan.document_path())
            .key("id")
            .expected("expected each scan once"));
        }
        hashes.push(InputHash::of("height", &scan.height_path())?);
        let field = match &stripes {
            Some(stripes) => stripe_field(&scan, &stripes.triangulation)?,
            None => HeightField::read(&scan)?,
        };
        let fit = fit_target(&field, &target, &request).map_err(|error| error.at(folder))?;
        if arguments.colour {
            colours.push(check_colours_of(&fit, &scan, &target, baseline.as_ref())?);
        }
        fits.push(ScanFit {
            scan: scan.description.id,
            fit,
        });
        bar.inc(1);
    }
    bar.finish_and_clear();
    let tolerances = baseline
        .as_ref()
        .and_then(|c| c.tolerances)
        .unwrap_or(DEFAULT_TOLERANCES);
    let combined = combine(&fits, &tolerances)?;
    let mut note = arguments.note.clone().unwrap_or_default();
    for hash in &hashes {
        if !note.is_empty() {
            note.push_str("; ");
        }
        note.push_str(&format!(
            "{} {} blake3 {}",
            hash.role, hash.path, hash.blake3
        ));
    }
    let scans = fits.iter().map(|fit| fit.scan.clone()).collect();
    let mut calibration = new_calibration(
        &combined,
        (&arguments.scanner, arguments.valid_from),
        (&target, scans, note),
        baseline.as_ref(),
    );
    if arguments.colour {
        let (colour, registration) = combine_colours(&colours)?;
        calibration.colour = Some(colour);
        calibration.registration = registration;
    }
    if let Some(stripes) = &stripes {
        calibration.triangulation = Some(stripes.triangulation);
    }
    if let Some(folder) = path.parent().filter(|f| !f.as_os_str().is_empty()) {
        output::make_folder(folder)?;
    }
    write_calibration(&path, &calibration)?;
    output::to_stdout(|to| match arguments.format {
        Format::Text => {
            text(to, &calibration, &combined, &path)?;
            stripes
                .iter()
                .try_for_each(|fit| super::stripe::text(to, fit))
        }
        Format::Json => json_result(to, &calibration, &combined, &path),
        Format::Csv => csv_result(to, &calibration),
    })?;
    Ok(Exit::Done)
}

fn of_scanner(calibration: Calibration, scanner: &str, path: &Path) -> Result<Calibration> {
    if calibration.scanner == scanner {
        return Ok(calibration);
    }
    Err(Error::new(
        ErrorKind::Mismatch,
        format!("a calibration of scanner \"{}\"", calibration.scanner),
    )
    .at(path)
    .expected(format!("expected one of \"{scanner}\", as --scanner says")))
}

/// The file to write: the one named, or one named after the day below the scanner's folder. What is there already is kept.
fn place(arguments: &Arguments) -> Result<PathBuf> {
    let out = &arguments.out;
    let named = out.extension().is_some_and(|ending| ending == "toml") && !out.is_dir();
    let path = if named {
        output::check_target(out)?;
        out.clone()
    } else {
        let below = out.join("scanners");
        let root = if below.is_dir() { &below } else { out };
        let time = arguments.valid_from.to_string();
        // The day is enough for people; two on one day would meet in one file, which is then refused below.
        let day = time.get(..10).unwrap_or(&time);
        root.join(&arguments.scanner).join(format!("{day}.toml"))
    };
    if path.exists() {
        return Err(Error::new(ErrorKind::Io, "there is a calibration already")
            .at(&path)
            .expected("expected a new name; a calibration that was in force is kept, as old results rest on it"));
    }
    Ok(path)
}

/// The largest difference of one scan from the others, of one error.
fn farthest(left_out: &[LeftOut], i: usize) -> Option<f64> {
    left_out
        .iter()
        .filter_map(|one| one.difference[i])
        .max_by(|a, b| a.abs().total_cmp(&b.abs()))
}

fn text(
    to: &mut dyn Write,
    calibration: &Calibration,
    combined: &Combined,
    path: &Path,
) -> std::io::Result<()> {
    writeln!(
        to,
        "calibration of {} from {}: {}",
        calibration.scanner,
        calibration.valid_from,
        path.display()
    )?;
    writeln!(
        to,
        "  from {} scans of {}",
        calibration.provenance.scans.len(),
        calibration
            .provenance
            .target
            .as_deref()
            .unwrap_or("a target")
    )?;
    writeln!(
        to,
        "  {:<17} {:>12} {:>11}  one scan against the others",
        "error", "value", "u (k = 1)"
    )?;
    let (values, us) = (
        errors_to_list(&combined.errors),
        errors_to_list(&combined.errors_u),
    );
    for (i, name) in ERROR_NAMES.iter().enumerate() {
        let apart = farthest(&combined.left_out, i)
            .map_or_else(|| "-".to_owned(), |d| format!("{d:+.1e} at most"));
        writeln!(
            to,
            "  {name:<17} {:>12.6} {:>11.1e}  {apart}",
            values[i], us[i]
        )?;
    }
    if combined.left_out.is_empty() {
        writeln!(to, "  one scan only: nothing to check it against")?;
    }
    Ok(())
}

fn json_result(
    to: &mut dyn Write,
    calibration: &Calibration,
    combined: &Combined,
    path: &Path,
) -> std::io::Result<()> {
    let (values, us) = (
        errors_to_list(&combined.errors),
        errors_to_list(&combined.errors_u),
    );
    let parameters: Vec<_> = ERROR_NAMES
        .iter()
        .enumerate()
        .map(|(i, name)| json!({"name": name, "value": values[i], "u": us[i]}))
        .collect();
    let left_out: Vec<_> = combined
        .left_out
        .iter()
        .map(|one| json!({"scan": one.scan, "difference": one.difference, "u": one.u}))
        .collect();
    let document = json!({
        "format": "weighlight-calibration-result/1",
        "version": env!("CARGO_PKG_VERSION"),
        "file": path.display().to_string(),
        "scanner": calibration.scanner,
        "valid_from": calibration.valid_from.to_string(),
        "scans": calibration.provenance.scans,
        "parameters": parameters,
        "left_out": left_out,
    });
    serde_json::to_writer_pretty(&mut *to, &document)?;
    to.write_all(b"\n")
}

fn csv_result(to: &mut dyn Write, calibration: &Calibration) -> std::io::Result<()> {
    let mut writer = csv::Writer::from_writer(to);
    writer
        .write_record(["scanner", "valid_from", "name", "value", "u"])
        .map_err(std::io::Error::other)?;
    let values = errors_to_list(&calibration.errors);
    let us = errors_to_list(&calibration.errors_u);
    for (i, name) in ERROR_NAMES.iter().enumerate() {
        let row = [
            calibration.scanner.clone(),
            calibration.valid_from.to_string(),
            (*name).to_owned(),
            values[i].to_string(),
            us[i].to_string(),
        ];
        writer.write_record(row).map_err(std::io::Error::other)?;
    }
    writer.flush()
}
