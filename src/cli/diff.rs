//! `weighlight diff`.

use std::path::PathBuf;

use clap::Args;
use jiff::Timestamp;
use weighlight::Result;
use weighlight::report::{DiffPictures, run_diff_page, small_piece_picture};
use weighlight::runs::Run;
use weighlight::runs::diff::{PairTable, PiecePair, RunDiff, compare, frame_seen};

use super::diff_output;
use super::exit::Exit;
use super::output;
use super::reprocess::AccountFormat;

/// Says what changed between two runs over the same scans: pieces found again by their place, changes of mass, volume, fat, flags.
///
/// By product, scanner and week, with the pieces that moved most and what differs in the settings. Weights are estimates, not legal
/// for trade.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  weighlight diff run-before run-after
  weighlight diff run-before run-after --out pairs.parquet --html changes.html

Exit codes: 0 done, whether or not anything changed.")]
pub(crate) struct Arguments {
    /// The run before
    #[arg(value_name = "RUN_A")]
    before: PathBuf,
    /// The run after
    #[arg(value_name = "RUN_B")]
    after: PathBuf,
    /// Table of all pairs of pieces to write, .csv or .parquet
    #[arg(long, value_name = "FILE", value_parser = table_file)]
    out: Option<PathBuf>,
    /// Page to write, with charts
    #[arg(long, value_name = "FILE")]
    html: Option<PathBuf>,
    /// Show so many of the pieces that moved most before and after, in the page; they are measured again for it
    #[arg(long, value_name = "N", default_value = "3", requires = "html", value_parser = clap::value_parser!(u8).range(0..=20))]
    pictures: u8,
    /// Form of the result on standard output
    #[arg(long, value_enum, default_value = "text")]
    format: AccountFormat,
}

fn table_file(text: &str) -> std::result::Result<PathBuf, String> {
    let path = PathBuf::from(text);
    let ending = path.extension().and_then(|ending| ending.to_str());
    match ending.map(str::to_ascii_lowercase).as_deref() {
        Some("csv" | "parquet") => Ok(path),
        _ => Err("the name must end in .csv or .parquet".to_owned()),
    }
}

pub(crate) fn run(arguments: &Arguments) -> Result<Exit> {
    for path in [&arguments.out, &arguments.html].into_iter().flatten() {
        output::check_target(path)?;
    }
    let before = Run::open(&arguments.before)?;
    let after = Run::open(&arguments.after)?;
    let mut table = arguments
        .out
        .as_deref()
        .map(PairTable::create)
        .transpose()?;
    let diff = compare(&before, &after, &mut |pair| match &mut table {
        Some(table) => table.push(pair),
        None => Ok(()),
    })?;
    if let Some(table) = table {
        table.finish()?;
    }
    if let Some(path) = &arguments.html {
        let pictures = pictures(&before, &after, &diff, usize::from(arguments.pictures));
        let page = run_diff_page(&diff, &pictures, Timestamp::now())?;
        output::to_file(path, |to| to.write_all(page.as_bytes()))?;
    }
    output::to_stdout(|to| match arguments.format {
        AccountFormat::Text => diff_output::text(to, &diff),
        AccountFormat::Json => diff_output::json(to, &diff),
    })?;
    Ok(Exit::Done)
}

/// Pictures of the frames of the pieces that moved most. Where a frame cannot be measured again the reason takes its place.
fn pictures(before: &Run, after: &Run, diff: &RunDiff, count: usize) -> Vec<DiffPictures> {
    let one = |run: &Run, pair: &PiecePair, scan: &str, piece: u32| {
        let seen = frame_seen(run, &pair.partition, &pair.after.recording, scan)?;
        small_piece_picture(&seen.view, &seen.pieces, piece)
    };
    let pairs = diff.most_moved.iter().take(count);
    pairs
        .map(|pair| DiffPictures {
            before: one(before, pair, &pair.before.scan, pair.before.piece)
                .map_err(|error| error.to_string()),
            after: one(after, pair, &pair.after.scan, pair.after.piece)
                .map_err(|error| error.to_string()),
        })
        .collect()
}
