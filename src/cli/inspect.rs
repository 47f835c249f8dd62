//! `weighlight inspect`.

use std::io::Write;
use std::path::PathBuf;

use clap::Args;
use serde_json::{Value, json};
use weighlight::calibration::CalibrationSet;
use weighlight::inspection::{Inspection, inspect};
use weighlight::pipeline::FrameView;
use weighlight::report::{height_picture, save_picture, write_height_picture};
use weighlight::scan::{Rejected, Scan, read_archive};
use weighlight::{Error, ErrorKind, Result};

use super::exit::Exit;
use super::output::{self, Format};

/// Says what is in each scan, and whether it is sound: heights, belt, noise, lost samples, exposure.
///
/// Exit code 3 when a scan is not sound, 4 when one could not be read.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  weighlight inspect scans/0007
  weighlight inspect archive/2026-03 --format csv > scans.csv
  weighlight inspect scans/0007 --picture heights.png")]
pub(crate) struct Arguments {
    /// Scan folders, or folders that hold scans at any depth
    #[arg(required = true, value_name = "SCAN|ARCHIVE")]
    scans: Vec<PathBuf>,
    /// Folder of scanner calibrations; without it every scan is taken as already true
    #[arg(long, value_name = "DIR")]
    calibrations: Option<PathBuf>,
    /// Height map of the one scan, as PNG
    #[arg(long, value_name = "FILE.png", conflicts_with = "pictures", value_parser = png_file)]
    picture: Option<PathBuf>,
    /// Folder for the height map of every scan
    #[arg(long, value_name = "DIR")]
    pictures: Option<PathBuf>,
    /// Form of the result
    #[arg(long, value_enum, default_value = "text")]
    format: Format,
}

fn png_file(text: &str) -> std::result::Result<PathBuf, String> {
    let path = PathBuf::from(text);
    match path.extension() {
        Some(ending) if ending.eq_ignore_ascii_case("png") => Ok(path),
        _ => Err("the name must end in .png".to_owned()),
    }
}

/// A scan that was inspected.
struct Seen<'a> {
    scan: &'a Scan,
    inspection: Inspection,
}

pub(crate) fn run(arguments: &Arguments) -> Result<Exit> {
    let calibrations = match &arguments.calibrations {
        Some(folder) => {
            output::check_folder(folder, "scanner calibrations")?;
            CalibrationSet::read(folder)?
        }
        None => CalibrationSet::default(),
    };
    let archive = read_archive(&arguments.scans)?;
    let scans: Vec<&Scan> = archive.recordings.iter().flat_map(|r| &r.frames).collect();
    if arguments.picture.is_some() && scans.len() != 1 {
        return Err(
            Error::new(ErrorKind::Mismatch, format!("{} scans", scans.len()))
                .key("--picture")
                .expected("expected one scan; use --pictures DIR for more"),
        );
    }
    if let Some(folder) = &arguments.pictures {
        output::make_folder(folder)?;
    }
    if let Some(path) = &arguments.picture {
        output::check_target(path)?;
    }
    let mut rejected = archive.rejected.clone();
    let mut seen = Vec::new();
    let bar = output::progress(scans.len(), "scan");
    for scan in scans {
        let calibration =
            calibrations.in_force(&scan.description.scanner, scan.description.captured);
        match inspect(scan, calibration) {
            Ok(inspected) => {
                // A picture that cannot be written is no fault of the scan's.
                pictures(arguments, &inspected.view)?;
                seen.push(Seen {
                    scan,
                    inspection: inspected.inspection,
                });
            }
            Err(error) => rejected.push(Rejected {
                folder: scan.folder.clone(),
                error,
            }),
        }
        bar.inc(1);
    }
    bar.finish_and_clear();
    for rejected in &rejected {
        output::warn(&format!(
            "{}: {}",
            rejected.folder.display(),
            rejected.error
        ));
    }
    output::to_stdout(|to| match arguments.format {
        Format::Text => text(to, &seen, &rejected),
        Format::Json => json_result(to, &seen, &rejected),
        Format::Csv => csv_result(to, &seen),
    })?;
    let sound = match seen.iter().all(|seen| seen.inspection.is_sound()) {
        true => Exit::Done,
        false => Exit::BadVerdict,
    };
    let read = match (rejected.is_empty(), seen.is_empty()) {
        (true, _) => Exit::Done,
        (false, false) => Exit::Rejected,
        (false, true) => Exit::Failed,
    };
    Ok(sound.and(read))
}

fn pictures(arguments: &Arguments, view: &FrameView) -> Result<()> {
    if let Some(path) = &arguments.picture {
        save_picture(path, &height_picture(view, &[])?)?;
    }
    if let Some(folder) = &arguments.pictures {
        write_height_picture(folder, view, &[])?;
    }
    Ok(())
}

fn verdict(inspection: &Inspection) -> &'static str {
    if inspection.is_sound() {
        "sound"
    } else {
        "not sound"
    }
}

fn text(to: &mut dyn Write, seen: &[Seen<'_>], rejected: &[Rejected]) -> std::io::Result<()> {
    for Seen { scan, inspection } in seen {
        let d = &scan.description;
        let (across, along) = (d.height.pitch_across_mm, d.height.pitch_along_mm);
        writeln!(to, "scan {}: {}", d.id, verdict(inspection))?;
        writeln!(to, "  taken      {}, scanner {}", d.captured, d.scanner)?;
        writeln!(
            to,
            "  size       {} columns × {} rows of {across} × {along} mm: {:.0} mm across, {:.0} mm along",
            scan.columns,
            scan.rows,
            scan.columns as f64 * across,
            scan.rows as f64 * along,
        )?;
        let calibration = match inspection.calibrated {
            true => "applied",
            false => "none: taken as true",
        };
        writeln!(to, "  calibration {calibration}")?;
        if let Some(heights) = inspection.heights {
            writeln!(
                to,
                "  heights    {:.1} to {:.1} mm above the belt, {:.0} % of what was seen is belt",
                heights.low_mm,
                heights.high_mm,
                100.0 * heights.belt_fraction,
            )?;
        }
        writeln!(
            to,
            "  no return  {:.1} % of the samples",
            100.0 * inspection.dropout_fraction
        )?;
        if let Some(belt) = inspection.belt {
            writeln!(
                to,
                "  belt       noise {:.3} mm, slope across {:.1} mrad, ripple ± {:.2} mm",
                belt.noise_mm, belt.roll_mrad, belt.ripple_mm,
            )?;
        }
        if let Some(views) = inspection.views {
            writeln!(
                to,
                "  views      the second {:+.3} mm against the first, {:.1} % seen by both, {:.2} % of that not alike",
                views.offset_mm,
                100.0 * views.both_fraction,
                100.0 * views.apart_fraction,
            )?;
        }
        if let Some(colour) = inspection.colour {
            let [r, g, b] = colour.mean;
            writeln!(
                to,
                "  colour     mean {r:.0} {g:.0} {b:.0} of 255, {:.1} % clipped, {:.1} % black",
                100.0 * colour.clipped_fraction,
                100.0 * colour.black_fraction,
            )?;
        }
        for finding in &inspection.findings {
            let mark = if finding.is_unsound() {
                "unsound"
            } else {
                "note"
            };
            writeln!(to, "  {mark:<10} {finding}")?;
        }
        writeln!(to)?;
    }
    let sound = seen.iter().filter(|s| s.inspection.is_sound()).count();
    writeln!(
        to,
        "{sound} of {} sound, {} could not be read",
        output::counted(seen.len() + rejected.len(), "scan"),
        rejected.len()
    )
}

fn json_result(
    to: &mut dyn Write,
    seen: &[Seen<'_>],
    rejected: &[Rejected],
) -> std::io::Result<()> {
    let scans: Vec<Value> = seen.iter().map(json_of).collect();
    let rejected: Vec<Value> = rejected
        .iter()
        .map(|r| json!({"input": r.folder.display().to_string(), "reason": r.error.to_string()}))
        .collect();
    let document = json!({
        "format": "weighlight-inspection/1",
        "version": env!("CARGO_PKG_VERSION"),
        "scans": scans,
        "rejected": rejected,
    });
    serde_json::to_writer_pretty(&mut *to, &document)?;
    to.write_all(b"\n")
}

fn json_of(Seen { scan, inspection }: &Seen<'_>) -> Value {
    let d = &scan.description;
    let findings: Vec<Value> = inspection
        .findings
        .iter()
        .map(|f| json!({"name": f.name(), "unsound": f.is_unsound(), "text": f.to_string()}))
        .collect();
    json!({
        "scan": d.id,
        "folder": scan.folder.display().to_string(),
        "scanner": d.scanner,
        "recording": scan.recording(),
        "captured": d.captured.to_string(),
        "verdict": verdict(inspection),
        "columns": scan.columns,
        "rows": scan.rows,
        "pitch_across_mm": d.height.pitch_across_mm,
        "pitch_along_mm": d.height.pitch_along_mm,
        "belt_speed_mm_s": d.belt_speed_mm_s,
        "calibrated": inspection.calibrated,
        "low_mm": inspection.heights.map(|h| h.low_mm),
        "high_mm": inspection.heights.map(|h| h.high_mm),
        "belt_fraction": inspection.heights.map(|h| h.belt_fraction),
        "dropout_fraction": inspection.dropout_fraction,
        "noise_mm": inspection.belt.map(|b| b.noise_mm),
        "roll_mrad": inspection.belt.map(|b| b.roll_mrad),
        "ripple_mm": inspection.belt.map(|b| b.ripple_mm),
        "colour_mean": inspection.colour.map(|c| c.mean),
        "clipped_fraction": inspection.colour.map(|c| c.clipped_fraction),
        "black_fraction": inspection.colour.map(|c| c.black_fraction),
        "findings": findings,
    })
}

fn csv_result(to: &mut dyn Write, seen: &[Seen<'_>]) -> std::io::Result<()> {
    let mut writer = csv::Writer::from_writer(to);
    for (number, seen) in seen.iter().enumerate() {
        let Value::Object(object) = json_of(seen) else {
            continue;
        };
        let columns = || object.iter().filter(|(name, _)| *name != "colour_mean");
        if number == 0 {
            let names = columns().map(|(name, _)| name.as_str());
            writer.write_record(names).map_err(std::io::Error::other)?;
        }
        let cells = columns().map(|(name, value)| match (name.as_str(), value) {
            ("findings", _) => {
                let names = seen.inspection.findings.iter().map(|f| f.name());
                names.collect::<Vec<_>>().join(" ")
            }
            (_, Value::Null) => String::new(),
            (_, Value::String(text)) => text.clone(),
            (_, other) => other.to_string(),
        });
        writer.write_record(cells).map_err(std::io::Error::other)?;
    }
    writer.flush()
}
