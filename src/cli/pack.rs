//! `weighlight pack` and `weighlight unpack`.

use std::collections::BTreeMap;
use std::path::PathBuf;

use clap::Args;
use rayon::prelude::*;
use weighlight::scan::{
    PACK_ENDING, Packed, Recording, Rejected, pack_recording, read_archive, unpack_recording,
};
use weighlight::{Error, ErrorKind, Result};

use super::exit::Exit;
use super::output;

/// Packs each recording into one compact file, without loss.
///
/// Packs are read wherever scans are. All that a pack holds is read back and compared before the file gets its name; the scans stay where they are.
#[derive(Debug, Args)]
#[command(after_help = "\
Example:
  weighlight pack archive/2026-03 --out packed/2026-03")]
pub(crate) struct PackArguments {
    /// Scan folders, or folders that hold scans at any depth
    #[arg(required = true, value_name = "SCAN|ARCHIVE")]
    scans: Vec<PathBuf>,
    /// Folder for the packs, RECORDING.zarr.zip each
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
    /// Number of threads [default: all cores]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    threads: Option<u16>,
}

/// Unpacks packs into scan folders.
///
/// Descriptions come back byte for byte, frames sample for sample; they are read back and compared.
#[derive(Debug, Args)]
#[command(after_help = "\
Example:
  weighlight unpack packed/2026-03/early.zarr.zip --out again")]
pub(crate) struct UnpackArguments {
    /// Packs, or folders that hold packs at any depth
    #[arg(required = true, value_name = "PACK|ARCHIVE")]
    packs: Vec<PathBuf>,
    /// Folder for the scan folders, each named by its scan's id
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
}

pub(crate) fn pack(arguments: &PackArguments) -> Result<Exit> {
    output::set_threads(arguments.threads.map(usize::from))?;
    let archive = read_archive(&arguments.scans)?;
    output::make_folder(&arguments.out)?;
    let names = names(&archive.recordings)?;
    let bar = output::progress(archive.recordings.len(), "recording");
    let packed: Vec<(&Recording, Result<Packed>)> = archive
        .recordings
        .par_iter()
        .zip(&names)
        .map(|(recording, name)| {
            let path = arguments.out.join(name);
            let packed = if path.exists() {
                Err(Error::new(ErrorKind::Io, "there is something of that name")
                    .at(&path)
                    .expected("expected a folder that does not hold this recording yet"))
            } else {
                pack_recording(recording, &path)
            };
            bar.inc(1);
            (recording, packed)
        })
        .collect();
    bar.finish_and_clear();
    let mut rejected = warn_rejected(&archive.rejected);
    let (mut recordings, mut frames, mut before, mut after) = (0_usize, 0, 0, 0);
    for (recording, packed) in packed {
        match packed {
            Ok(packed) => {
                recordings += 1;
                frames += packed.frames;
                before += packed.bytes_before;
                after += packed.bytes;
            }
            Err(error) => {
                rejected += 1;
                output::warn(&format!(
                    "not packed: recording {}: {error}",
                    recording.name
                ));
            }
        }
    }
    if recordings == 0 {
        return Err(nothing("packed"));
    }
    output::to_stdout(|out| {
        writeln!(
            out,
            "packed {}, {}, into {}: {:.1} MB, {:.0} % of the {:.1} MB they were; all read back and compared",
            output::counted(recordings, "recording"),
            output::counted(frames, "scan"),
            arguments.out.display(),
            after as f64 / 1e6,
            100.0 * after as f64 / before.max(1) as f64,
            before as f64 / 1e6,
        )
    })?;
    Ok(ended(rejected))
}

pub(crate) fn unpack(arguments: &UnpackArguments) -> Result<Exit> {
    let archive = read_archive(&arguments.packs)?;
    output::make_folder(&arguments.out)?;
    let packed: Vec<&Recording> = archive
        .recordings
        .iter()
        .filter(|recording| recording.frames.iter().any(|scan| scan.packed.is_some()))
        .collect();
    let bar = output::progress(packed.len(), "recording");
    let folders: Vec<(&Recording, Result<Vec<PathBuf>>)> = packed
        .par_iter()
        .map(|recording| {
            let folders = unpack_recording(recording, &arguments.out);
            bar.inc(1);
            (*recording, folders)
        })
        .collect();
    bar.finish_and_clear();
    let mut rejected = warn_rejected(&archive.rejected);
    let mut scans = 0;
    for (recording, folders) in folders {
        match folders {
            Ok(folders) => scans += folders.len(),
            Err(error) => {
                rejected += 1;
                output::warn(&format!(
                    "not unpacked: recording {}: {error}",
                    recording.name
                ));
            }
        }
    }
    if scans == 0 {
        return Err(nothing("unpacked"));
    }
    output::to_stdout(|out| {
        writeln!(
            out,
            "unpacked {} into {}; all read back and compared",
            output::counted(scans, "scan"),
            arguments.out.display()
        )
    })?;
    Ok(ended(rejected))
}

/// File names of the packs; a recording's name may hold what a file's should not.
fn names(recordings: &[Recording]) -> Result<Vec<String>> {
    let mut taken: BTreeMap<String, &str> = BTreeMap::new();
    let mut names = Vec::new();
    for recording in recordings {
        let plain = |c: char| c.is_alphanumeric() || matches!(c, '-' | '_' | '.');
        let stem: String = recording
            .name
            .chars()
            .map(|c| if plain(c) { c } else { '_' })
            .collect();
        let name = format!("{}{PACK_ENDING}", stem.trim_start_matches('.'));
        // File systems may not tell large letters from small ones.
        if let Some(other) = taken.insert(name.to_lowercase(), &recording.name) {
            return Err(Error::new(
                ErrorKind::Mismatch,
                format!(
                    "the recordings \"{other}\" and \"{}\" would both go into {name}",
                    recording.name
                ),
            )
            .expected("pack them into folders of their own"));
        }
        names.push(name);
    }
    Ok(names)
}

fn warn_rejected(rejected: &[Rejected]) -> usize {
    for rejected in rejected {
        output::warn(&format!(
            "{}: {}",
            rejected.folder.display(),
            rejected.error
        ));
    }
    rejected.len()
}

fn nothing(done: &str) -> Error {
    Error::new(ErrorKind::Unmeasurable, format!("nothing was {done}"))
        .expected("each input is listed above with its reason; unpack takes packs (.zarr.zip)")
}

fn ended(rejected: usize) -> Exit {
    match rejected {
        0 => Exit::Done,
        _ => Exit::Rejected,
    }
}
