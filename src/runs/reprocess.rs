//! A run from what the user names to its end: profiles and calibrations read, scans listed and read, measured, journal kept.

use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicBool;

use jiff::Timestamp;

use crate::error::{Error, ErrorKind, Result};
use crate::scan::ArchiveReading;

use super::event::{Effort, Event, RunResult};
use super::execute::execute_until;
use super::folder::RunFolder;
use super::partition::path_text;
use super::settings::{ProductSource, RunSettings};
use super::shard::Shard;

/// What is to be measured, by what, and where it goes.
#[derive(Debug, Clone)]
pub struct Reprocess {
    /// Folders that hold scans at any depth.
    pub archives: Vec<PathBuf>,
    /// Where product profiles come from.
    pub products: ProductSource,
    /// Folder of scanner calibrations; `None`: every scan is taken as already true.
    pub calibrations: Option<PathBuf>,
    /// The folder of the run.
    pub out: PathBuf,
    /// Whether to go on with a run that is in the folder.
    pub resume: bool,
    /// Which part of the run is done.
    pub shard: Shard,
    /// How it is done.
    pub effort: Effort,
}

/// What the library does not know of itself.
pub struct Surroundings<'a> {
    /// Asks the clock; times stand in the journal only.
    pub now: &'a (dyn Fn() -> Timestamp + Sync),
    /// The folder that relative paths start from.
    pub working_folder: String,
    /// Ends the run at the next safe point once it is set.
    pub stop: &'a AtomicBool,
}

/// Measures the archives into the folder of a run, new or resumed. `None`: it was stopped as asked, and the same call with `resume`
/// goes on from there.
///
/// # Errors
/// A profile or calibration is wrong; there is no scan; the folder cannot take the run, or another program writes into it; the disk
/// fails. What is done is kept.
pub fn reprocess(
    job: &Reprocess,
    surroundings: &Surroundings<'_>,
    watch: &(dyn Fn(Event<'_>) + Sync),
) -> Result<Option<RunResult>> {
    refuse_archive_in_run(job)?;
    let settings = RunSettings::read(
        &job.archives,
        &job.products,
        job.calibrations.as_deref(),
        job.shard,
    )?;
    let archive = ArchiveReading::begin(&job.archives)?;
    let folder = RunFolder::open(&job.out, job.resume)?;
    folder.note((surroundings.now)(), "started", &begun(job, surroundings))?;
    let result = execute_until(
        &folder,
        &settings,
        archive,
        job.effort,
        surroundings.stop,
        watch,
    );
    // The result is whole without this line, so that a journal that cannot be written does not undo it.
    let (what, details) = match &result {
        Ok(Some(result)) => ("done", vec![("measured", result.measured_now.to_string())]),
        Ok(None) => ("stopped", Vec::new()),
        Err(error) => ("stopped", vec![("error", error.to_string())]),
    };
    let noted = folder.note((surroundings.now)(), what, &details);
    let result = result?;
    noted?;
    Ok(result)
}

/// What the journal says of a beginning.
fn begun(job: &Reprocess, surroundings: &Surroundings<'_>) -> Vec<(&'static str, String)> {
    let archives: Vec<String> = job.archives.iter().map(|path| path_text(path)).collect();
    let mut details = vec![
        ("version", env!("CARGO_PKG_VERSION").to_owned()),
        ("shard", job.shard.to_string()),
        ("threads", job.effort.threads.to_string()),
        ("in", surroundings.working_folder.clone()),
        ("archives", archives.join("\n")),
        match &job.products {
            ProductSource::One(file) => ("product", path_text(file)),
            ProductSource::Folder(folder) => ("products", path_text(folder)),
        },
    ];
    details.extend(
        job.calibrations
            .as_deref()
            .map(|folder| ("calibrations", path_text(folder))),
    );
    details
}

/// A run inside its own archive would be searched for scans by every later run.
fn refuse_archive_in_run(job: &Reprocess) -> Result<()> {
    let real = |path: &Path| std::fs::canonicalize(path).ok();
    let Some(out) = real(&job.out) else {
        return Ok(());
    };
    let inside = job.archives.iter().filter_map(|path| real(path));
    match inside.into_iter().find(|archive| archive.starts_with(&out)) {
        None => Ok(()),
        Some(archive) => Err(Error::new(ErrorKind::Io, "the archive lies in the run")
            .at(archive)
            .key("--out")
            .expected("expected a folder of the run's own")),
    }
}

/// How fast a run goes and when it will have ended, from what was done so far.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Pace {
    /// Frames to measure.
    pub to_do: usize,
    /// Frames measured.
    pub done: usize,
}

impl Pace {
    /// Frames a second; `None` before the first.
    #[must_use]
    pub fn per_second(&self, elapsed_s: f64) -> Option<f64> {
        (self.done > 0 && elapsed_s > 0.0).then(|| self.done as f64 / elapsed_s)
    }

    /// Time that the rest takes at this rate, s; `None` before the first.
    #[must_use]
    pub fn left_s(&self, elapsed_s: f64) -> Option<f64> {
        let rate = self.per_second(elapsed_s)?;
        Some(self.to_do.saturating_sub(self.done) as f64 / rate)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_time_left_is_that_of_the_rest_at_the_rate_so_far() {
        let pace = Pace {
            to_do: 40,
            done: 10,
        };
        assert_eq!(pace.per_second(5.0), Some(2.0));
        assert_eq!(pace.left_s(5.0), Some(15.0));
        assert_eq!(Pace { to_do: 40, done: 0 }.left_s(5.0), None);
        assert_eq!(
            Pace {
                to_do: 40,
                done: 41
            }
            .left_s(5.0),
            Some(0.0)
        );
    }
}
