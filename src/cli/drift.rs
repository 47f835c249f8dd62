//! `weighlight drift`.

use std::io::Write;
use std::path::PathBuf;

use clap::Args;
use weighlight::Result;
use weighlight::calibration::{CalibrationSet, read_target};
use weighlight::drift::{
    COVERAGE_FACTOR, Check, CheckTask, Compared, DriftReport, ParameterCheck, Verdict, check_scan,
};
use weighlight::scan::{Scan, read_scan};

use super::effect::{self, EffectArguments};
use super::exit::Exit;
use super::history::{LogArguments, keep_check, note_event, run_history};
use super::output::{self, Format};

/// Says from a scan of a reference target whether the scanner is still true, and which of its errors moved.
///
/// The target may lie anywhere on the belt and at any angle. Each error is compared with the calibration in force, its uncertainty taken into
/// account. Exit code 3 when one is out of tolerance; 0 when all are in tolerance or some could not be decided, which the result says.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  weighlight drift scans/target-0412 --target calibration/targets/plate-420x260.toml --calibrations calibration
  weighlight drift scans/target-0412 --target plate.toml --baseline line-2/2026-03-01.toml --format json --out check.json
  weighlight drift scans/target-0412 --target plate.toml --log calibration/checks --operator \"A. Lund\" --record check.html
  weighlight drift --note \"belt changed\" --at 2026-03-04T09:00:00Z --log calibration/checks --scanner line-2
  weighlight drift --history --log calibration/checks --scanner line-2 --html history.html")]
pub(crate) struct Arguments {
    /// Folder of the target scan
    #[arg(value_name = "SCAN", required_unless_present_any = ["history", "note"], requires = "target", conflicts_with = "history")]
    scan: Option<PathBuf>,
    /// The target that was scanned
    #[arg(long, value_name = "FILE", requires = "scan")]
    target: Option<PathBuf>,
    /// Calibration to compare with; without it (and --calibrations), a perfect scanner
    #[arg(long, value_name = "CALIBRATION", conflicts_with = "calibrations")]
    baseline: Option<PathBuf>,
    /// Folder of scanner calibrations: the one in force at the scan's time is compared with
    #[arg(long, value_name = "DIR")]
    calibrations: Option<PathBuf>,
    /// Temperature of the target when it was scanned, °C; its expansion is then taken off
    #[arg(long, value_name = "T", allow_hyphen_values = true, value_parser = temperature)]
    target_temperature_c: Option<f64>,
    /// Form of the result
    #[arg(long, value_enum, default_value = "text")]
    format: Format,
    /// File for the result instead of standard output
    #[arg(long, value_name = "FILE", conflicts_with = "history")]
    out: Option<PathBuf>,
    #[command(flatten)]
    effect: EffectArguments,
    #[command(flatten)]
    log: LogArguments,
}

pub(super) fn temperature(text: &str) -> std::result::Result<f64, String> {
    output::number_in(text, -60.0..=150.0, "a temperature from -60 to 150 °C")
}

pub(crate) fn run(arguments: &Arguments) -> Result<Exit> {
    if let Some(path) = &arguments.out {
        output::check_target(path)?;
    }
    if arguments.log.history {
        return run_history(&arguments.log, arguments.format);
    }
    let (Some(scan), Some(target_file)) = (&arguments.scan, &arguments.target) else {
        return note_event(&arguments.log);
    };
    let scan = read_scan(scan)?;
    let target = read_target(target_file)?;
    let compared = compared(arguments, &scan)?;
    let task = CheckTask {
        scan: &scan,
        target: &target,
        target_file,
        compared: &compared,
        target_temperature_c: arguments.target_temperature_c,
    };
    let mut check = check_scan(&task)?;
    arguments.effect.add(&mut check, &task)?;
    let Check { report, .. } = check;
    // Kept before it is shown, so that nobody has seen a check that is not in the log.
    keep_check(&arguments.log, &report)?;
    let show = |to: &mut dyn Write| match arguments.format {
        Format::Text => text(to, &report),
        Format::Json => json(to, &report),
        Format::Csv => csv_result(to, &report),
    };
    match &arguments.out {
        Some(path) => output::to_file(path, show)?,
        None => output::to_stdout(show)?,
    }
    Ok(match report.verdict {
        Verdict::OutOfTolerance => Exit::BadVerdict,
        Verdict::InTolerance | Verdict::Warning => Exit::Done,
    })
}

/// What to compare with.
fn compared(arguments: &Arguments, scan: &Scan) -> Result<Compared> {
    if let Some(path) = &arguments.baseline {
        return Compared::with_file(path, scan);
    }
    if let Some(folder) = &arguments.calibrations {
        output::check_folder(folder, "scanner calibrations")?;
        let set = CalibrationSet::read(folder)?;
        if let Some(found) = Compared::in_force(&set, scan) {
            return Ok(found);
        }
        output::warn(&format!(
            "no calibration of \"{}\" is in force at {}: compared with a perfect scanner",
            scan.description.scanner, scan.description.captured
        ));
    }
    Ok(Compared::perfect())
}

fn verdict_text(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::InTolerance => "in tolerance",
        Verdict::Warning => "not decided",
        Verdict::OutOfTolerance => "OUT OF TOLERANCE",
    }
}

/// Decimals that an uncertainty deserves: its second digit, within what reads well.
fn decimals(u: f64) -> usize {
    if 0.0 < u && u < 1.0 {
        ((1.0 - u.log10().floor()) as usize).min(7)
    } else {
        2
    }
}

fn text(to: &mut dyn Write, report: &DriftReport) -> std::io::Result<()> {
    writeln!(
        to,
        "scanner {}: {}",
        report.scanner,
        verdict_text(report.verdict)
    )?;
    writeln!(
        to,
        "  scan       {}, taken {}",
        report.scan, report.captured
    )?;
    writeln!(
        to,
        "  target     {}, turned by {:.1}°, corner at {:.1}, {:.1} mm",
        report.target,
        report.pose.yaw_mrad.to_degrees() / 1e3,
        report.pose.x_mm,
        report.pose.y_mm
    )?;
    writeln!(to, "  compared   with {}", report.compared_with)?;
    let s = &report.surface;
    writeln!(
        to,
        "  surface    {:.0} % of the target seen, noise {:.3} mm, residuals {:.3} mm, flatness {:.2} mm, {:.1} % dropouts",
        100.0 * s.seen_fraction,
        s.noise_mm,
        s.residual_rms_mm,
        s.flatness_mm,
        100.0 * s.dropout_fraction
    )?;
    if let (Some(form), Some(size)) = (s.probing_form_mm, s.probing_size_mm) {
        writeln!(
            to,
            "  spheres    probing error of form {form:.2} mm, of size {size:+.3} mm"
        )?;
    }
    writeln!(to)?;
    writeln!(
        to,
        "  {:<17} {:>12} {:>12} {:>12} {:>12} {:>10}  verdict",
        "error", "value", "baseline", "change", "U (k = 2)", "tolerance"
    )?;
    for p in &report.parameters {
        line(to, p)?;
    }
    writeln!(to)?;
    effect::colour_and_cost(to, report)?;
    for finding in &report.findings {
        writeln!(to, "  - {finding}")?;
    }
    writeln!(to)?;
    for caution in &report.cautions {
        writeln!(to, "  caution: {caution}")?;
    }
    Ok(())
}

fn line(to: &mut dyn Write, p: &ParameterCheck) -> std::io::Result<()> {
    let verdict = verdict_text(p.verdict);
    match (p.value, p.u, p.change) {
        (Some(value), Some(u), Some(change)) => {
            let d = decimals(COVERAGE_FACTOR * u);
            writeln!(
                to,
                "  {:<17} {:>12.d$} {:>12.d$} {:>+12.d$} {:>12.d$} {:>10}  {verdict}",
                p.name,
                value,
                p.baseline,
                change,
                COVERAGE_FACTOR * u,
                p.tolerance
            )
        }
        _ => writeln!(
            to,
            "  {:<17} {:>12} {:>12} {:>12} {:>12} {:>10}  {verdict}",
            p.name, "not told", p.baseline, "", "", p.tolerance
        ),
    }
}

fn json(to: &mut dyn Write, report: &DriftReport) -> std::io::Result<()> {
    serde_json::to_writer_pretty(&mut *to, report)?;
    to.write_all(b"\n")
}

fn csv_result(to: &mut dyn Write, report: &DriftReport) -> std::io::Result<()> {
    let mut writer = csv::Writer::from_writer(to);
    let names = [
        "scanner",
        "scan",
        "target",
        "captured",
        "name",
        "value",
        "u",
        "baseline",
        "change",
        "tolerance",
        "unit",
        "verdict",
        "remark",
    ];
    writer.write_record(names).map_err(std::io::Error::other)?;
    for p in &report.parameters {
        let number = |value: Option<f64>| value.map_or(String::new(), |v| v.to_string());
        let verdict = match p.verdict {
            Verdict::InTolerance => "in tolerance",
            Verdict::Warning => "warning",
            Verdict::OutOfTolerance => "out of tolerance",
        };
        let row = [
            report.scanner.clone(),
            report.scan.clone(),
            report.target.clone(),
            report.captured.to_string(),
            p.name.clone(),
            number(p.value),
            number(p.u),
            p.baseline.to_string(),
            number(p.change),
            p.tolerance.to_string(),
            p.unit.clone(),
            verdict.to_owned(),
            p.remark.clone().unwrap_or_default(),
        ];
        writer.write_record(row).map_err(std::io::Error::other)?;
    }
    writer.flush()
}
