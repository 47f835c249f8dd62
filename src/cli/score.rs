//! `weighlight score`.

use std::io::Write;
use std::path::{Path, PathBuf};

use clap::Args;
use serde_json::json;
use weighlight::simulate::{Score, Spread, TruthPiece, score};
use weighlight::tables::read_pieces;
use weighlight::{Error, ErrorKind, Result};

use super::exit::Exit;
use super::output::{self, Format};

/// Pairs the pieces of a table with the true ones by place, and says how far off volume, area, mass, length and fat are.
///
/// Exit code 3 when a true piece was missed or a piece was found that is not there.
#[derive(Debug, Args)]
#[command(after_help = "\
Example:
  weighlight simulate lobes --out demo --seed 7
  weighlight measure demo --products demo/products --calibrations demo/calibration --out pieces.csv
  weighlight score pieces.csv demo/truth.csv")]
pub(crate) struct Arguments {
    /// Piece table, .csv or .parquet
    pieces: PathBuf,
    /// The truth.csv of a simulation
    truth: PathBuf,
    /// How far apart two centroids may be to be of the same piece, mm
    #[arg(
        long,
        value_name = "MM",
        default_value_t = 20.0,
        allow_negative_numbers = true
    )]
    #[arg(value_parser = within)]
    within_mm: f64,
    /// Form of the result
    #[arg(long, value_enum, default_value = "text")]
    format: Format,
}

fn within(text: &str) -> std::result::Result<f64, String> {
    output::number_in(text, 0.0..=1e6, "0 to 1000000 mm")
}

/// One line of the result: what, its spread, its unit, and from the stored unit to the shown one.
struct Line<'a> {
    name: &'static str,
    spread: &'a Spread,
    unit: &'static str,
    shown_per_stored: f64,
}

pub(crate) fn run(arguments: &Arguments) -> Result<Exit> {
    let pieces = read_pieces(&arguments.pieces)?;
    let truth = read_truth(&arguments.truth)?;
    let score = score(&pieces, &truth, arguments.within_mm)?;
    let lines = lines(&score);
    output::to_stdout(|to| match arguments.format {
        Format::Text => text(to, &score, &lines),
        Format::Json => json_result(to, &score, &lines),
        Format::Csv => csv_result(to, &lines),
    })?;
    let complete = score.missed.is_empty() && score.extra.is_empty();
    Ok(if complete {
        Exit::Done
    } else {
        Exit::BadVerdict
    })
}

fn read_truth(path: &Path) -> Result<Vec<TruthPiece>> {
    let file = std::fs::File::open(path).map_err(|source| Error::io(path, &source))?;
    let mut reader = csv::Reader::from_reader(file);
    let wrong = |found: String| {
        Error::new(ErrorKind::Document, found)
            .at(path)
            .expected("expected a truth.csv that weighlight simulate has written")
    };
    let empty = reader
        .headers()
        .map_or_else(|error| Err(wrong(error.to_string())), |h| Ok(h.is_empty()))?;
    if empty {
        return Err(wrong("the file is empty".to_owned()));
    }
    reader
        .deserialize()
        .map(|row| {
            row.map_err(|error: csv::Error| {
                let line = error.position().map(csv::Position::line);
                let error = wrong(match error.kind() {
                    csv::ErrorKind::Deserialize { err, .. } => err.to_string(),
                    _ => error.to_string(),
                });
                match line.and_then(|line| usize::try_from(line).ok()) {
                    Some(line) => error.line(line),
                    None => error,
                }
            })
        })
        .collect()
}

fn lines(score: &Score) -> [Line<'_>; 8] {
    let line = |name, spread, unit, shown_per_stored| Line {
        name,
        spread,
        unit,
        shown_per_stored,
    };
    [
        line("volume", &score.volume, "%", 100.0),
        line("area", &score.area, "%", 100.0),
        line("mass", &score.mass, "%", 100.0),
        line("length", &score.length, "%", 100.0),
        line("fat", &score.fat, "% points", 100.0),
        line("volume over its u", &score.volume_normalised, "1", 1.0),
        line("mass over its u", &score.mass_normalised, "1", 1.0),
        line("fat over its u", &score.fat_normalised, "1", 1.0),
    ]
}

fn text(to: &mut dyn Write, score: &Score, lines: &[Line<'_>]) -> std::io::Result<()> {
    writeln!(
        to,
        "{} pieces paired, {} missed, {} that are not in the truth",
        score.matches.len(),
        score.missed.len(),
        score.extra.len()
    )?;
    writeln!(
        to,
        "{:<18} {:>7} {:>9} {:>9} {:>9} {:>9}  unit",
        "error", "pieces", "mean", "spread", "worst", "mean abs"
    )?;
    for line in lines {
        if line.spread.count == 0 {
            let nothing = "–";
            writeln!(
                to,
                "{:<18} {:>7} {nothing:>9} {nothing:>9} {nothing:>9} {nothing:>9}  {}",
                line.name, 0, line.unit
            )?;
            continue;
        }
        let [mean, sd, worst, mean_abs] = shown(line);
        writeln!(
            to,
            "{:<18} {:>7} {mean:>9.2} {sd:>9.2} {worst:>9.2} {mean_abs:>9.2}  {}",
            line.name, line.spread.count, line.unit
        )?;
    }
    Ok(())
}

fn shown(line: &Line<'_>) -> [f64; 4] {
    let spread = line.spread;
    [spread.mean, spread.sd, spread.worst, spread.mean_abs]
        .map(|value| value * line.shown_per_stored)
}

fn json_result(to: &mut dyn Write, score: &Score, lines: &[Line<'_>]) -> std::io::Result<()> {
    let errors: serde_json::Map<String, serde_json::Value> = lines
        .iter()
        .map(|line| {
            let spread = line.spread;
            let known = |value: f64| (spread.count > 0).then_some(value);
            let value = json!({
                "count": spread.count, "mean": known(spread.mean), "sd": known(spread.sd),
                "worst": known(spread.worst), "mean_abs": known(spread.mean_abs),
            });
            (line.name.replace(' ', "_"), value)
        })
        .collect();
    let document = json!({
        "format": "weighlight-score/1",
        "paired": score.matches.len(),
        "missed": score.missed.len(),
        "extra": score.extra.len(),
        "errors": errors,
    });
    serde_json::to_writer_pretty(&mut *to, &document)?;
    to.write_all(b"\n")
}

fn csv_result(to: &mut dyn Write, lines: &[Line<'_>]) -> std::io::Result<()> {
    writeln!(to, "error,count,mean,sd,worst,mean_abs")?;
    for line in lines {
        let s = line.spread;
        let name = line.name.replace(' ', "_");
        if s.count == 0 {
            writeln!(to, "{name},0,,,,")?;
            continue;
        }
        writeln!(
            to,
            "{name},{},{:.6},{:.6},{:.6},{:.6}",
            s.count, s.mean, s.sd, s.worst, s.mean_abs
        )?;
    }
    Ok(())
}
