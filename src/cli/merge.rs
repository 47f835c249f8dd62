//! `weighlight merge`.

use std::path::PathBuf;

use clap::Args;
use jiff::Timestamp;
use weighlight::Result;
use weighlight::runs::{Run, RunFolder, merge};

use super::exit::Exit;
use super::output;

/// Makes one run of several: all parts of a shared run, or runs over different archives with the same settings.
///
/// The tables of all parts, merged, are byte for byte those of the run in one go. The hashes of all files are checked on the way.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  weighlight merge parts/1 parts/2 parts/3 --out run
  weighlight merge parts/* --out run")]
pub(crate) struct Arguments {
    /// Folders of complete runs
    #[arg(required = true, value_name = "RUN")]
    runs: Vec<PathBuf>,
    /// Folder of the merged run; new or empty
    #[arg(long, value_name = "RUN")]
    out: PathBuf,
}

pub(crate) fn run(arguments: &Arguments) -> Result<Exit> {
    let runs = arguments
        .runs
        .iter()
        .map(|path| Run::open(path))
        .collect::<Result<Vec<_>>>()?;
    let folder = RunFolder::open(&arguments.out, false)?;
    let names = arguments.runs.iter().map(|path| path.display().to_string());
    let names: Vec<String> = names.collect();
    folder.note(
        Timestamp::now(),
        "merging",
        &[("runs", names.join(" ")), ("in", output::working_folder())],
    )?;
    let counts = merge(&folder, &runs)?;
    folder.note(Timestamp::now(), "done", &[])?;
    output::to_stdout(|to| {
        writeln!(
            to,
            "{}: {} of {} measured, {}, {} rejected",
            arguments.out.display(),
            counts.measured,
            output::counted(counts.recordings as usize, "recording"),
            output::counted(counts.pieces as usize, "piece"),
            output::counted(counts.rejected as usize, "input"),
        )
    })?;
    Ok(match counts.rejected {
        0 => Exit::Done,
        _ => Exit::Rejected,
    })
}
