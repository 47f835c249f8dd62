//! A run from its beginning or from where it was interrupted to its end.
//!
//! Workers measure recordings, one each at a time; one writer notes what comes and writes a partition's tables as soon as all its
//! recordings are there. No result depends on who did what when: tables are written in the order of the plan, from noted rows.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::mpsc::sync_channel;

use rayon::prelude::*;

use crate::error::{Error, ErrorKind, Result};
use crate::scan::{Archive, hashed_files};
use crate::tables::StreamAbout;

use super::event::{Effort, Event, RunResult};
use super::folder::{RunFolder, remove_file};
use super::manifest::{RUN_FILE, RunCounts, RunDescription, complete};
use super::measure::measure_unit;
use super::outcome::{Outcome, Rows, pieces_csv};
use super::partition::Partition;
use super::partition_files::{
    PartitionKey, is_intact, read_partition, remove_strangers, write_partition,
};
use super::progress::{PartitionDone, Progress};
use super::settings::RunSettings;
use super::unit::{Plan, Unit, full_key, inputs_hash, plan, quick_key};

/// Outcomes that may wait for the writer, for each worker.
const WAITING: usize = 4;

/// Measures all recordings of `archive` that belong to this part of the run and are not done yet, and writes the run's tables.
///
/// # Errors
/// The disk cannot be read or written. What is done is kept; the same call goes on from there.
pub fn execute(
    folder: &RunFolder,
    settings: &RunSettings,
    archive: Archive,
    effort: Effort,
    watch: &(dyn Fn(Event<'_>) + Sync),
) -> Result<RunResult> {
    let never = AtomicBool::new(false);
    let result = execute_until(folder, settings, archive, effort, &never, watch)?;
    result.ok_or_else(|| Error::new(ErrorKind::Unmeasurable, "the run was stopped"))
}

/// The same, and gives up as soon as `stop` is set and the recordings under way are measured: `None`. What is done is kept; the
/// same call goes on from there.
///
/// # Errors
/// As [`execute`].
pub fn execute_until(
    folder: &RunFolder,
    settings: &RunSettings,
    archive: Archive,
    effort: Effort,
    stop: &AtomicBool,
    watch: &(dyn Fn(Event<'_>) + Sync),
) -> Result<Option<RunResult>> {
    let Plan {
        units,
        rejected: mut rejected_inputs,
    } = plan(archive, settings);
    let progress = Progress::open(folder.progress_path(), settings.shard)?;
    let mut run = Run {
        path: folder.path(),
        about: about(settings),
        parts: parts(&units),
        units: &units,
        progress,
    };
    let standing = run.standing(settings, effort.verify);
    let to_do = run.settle(standing)?;
    watch(Event::Begin {
        to_do: to_do.len(),
        done_before: units.len() - to_do.len(),
        frames_to_do: to_do
            .iter()
            .map(|at| units[*at].recording.frames.len())
            .sum(),
        changed: to_do
            .iter()
            .filter(|at| {
                run.progress
                    .entries
                    .contains_key(&units[**at].recording.name)
            })
            .count(),
    });
    run.write_complete_partitions(&to_do)?;
    if !run.measure(settings, &to_do, effort.threads, stop, watch)? {
        return Ok(None);
    }
    run.drop_strangers()?;
    let mut counts = RunCounts {
        recordings: units.len() as u64,
        ..RunCounts::default()
    };
    for unit in &units {
        let Some(entry) = run.progress.entries.get(&unit.recording.name) else {
            continue;
        };
        rejected_inputs.extend(entry.done.rejected.iter().cloned());
        counts.pieces += entry.done.pieces;
        counts.measured += u64::from(entry.done.measured);
    }
    rejected_inputs.sort();
    rejected_inputs.dedup();
    counts.rejected = rejected_inputs.len() as u64;
    let description = RunDescription::new(settings, counts);
    let partitions = run.progress.partitions.iter();
    complete(
        folder.path(),
        &description,
        &rejected_inputs,
        partitions.map(|(name, done)| (name.as_str(), done.files.as_slice())),
    )?;
    run.progress.compact(settings.shard)?;
    Ok(Some(RunResult {
        counts,
        measured_now: to_do.len(),
        rejected: rejected_inputs,
    }))
}

/// What every table of a run says of itself.
pub(super) fn about(settings: &RunSettings) -> StreamAbout {
    StreamAbout {
        version: settings.version.clone(),
        classes: settings.classes(),
        metadata: Vec::new(),
    }
}

/// Where the units of each partition stand in the plan.
fn parts(units: &[Unit]) -> BTreeMap<Partition, Vec<usize>> {
    let mut parts: BTreeMap<Partition, Vec<usize>> = BTreeMap::new();
    for (at, unit) in units.iter().enumerate() {
        parts.entry(unit.partition.clone()).or_default().push(at);
    }
    parts
}

/// How a unit stands before anything is measured.
#[derive(Debug, Clone, PartialEq)]
enum Standing {
    /// It has to be measured.
    ToDo,
    /// It is as it was when it was done; its files may bear other times by now.
    Done { quick: String },
}

struct Run<'a> {
    path: &'a Path,
    about: StreamAbout,
    units: &'a [Unit],
    parts: BTreeMap<Partition, Vec<usize>>,
    progress: Progress,
}

impl Run<'_> {
    /// Looks at the inputs of every unit that was done before.
    fn standing(&self, settings: &RunSettings, verify: bool) -> Vec<Standing> {
        let one = |unit: &Unit| {
            let entry = self.progress.entries.get(&unit.recording.name)?;
            if entry.done.retry || entry.done.partition != unit.partition {
                return None;
            }
            let quick = quick_key(&unit.recording, settings).ok()?;
            if verify || quick != entry.done.quick {
                let frames = unit.recording.frames.iter();
                let hashed = frames.map(hashed_files).collect::<Result<Vec<_>>>().ok()?;
                let key = full_key(&unit.recording, settings, &inputs_hash(&hashed));
                if key != entry.done.key {
                    return None;
                }
            }
            Some(Standing::Done { quick })
        };
        let units = self.units.par_iter();
        units
            .map(|unit| one(unit).unwrap_or(Standing::ToDo))
            .collect()
    }

    /// Says what is to be measured, and sees to it that the rows of all else can be had: in the notes, where they outlast the
    /// tables being written anew, or in tables that stay as they are.
    fn settle(&mut self, standing: Vec<Standing>) -> Result<Vec<usize>> {
        let mut to_do = BTreeSet::new();
        for (at, standing) in standing.into_iter().enumerate() {
            match standing {
                Standing::ToDo => {
                    to_do.insert(at);
                }
                Standing::Done { quick } => {
                    let name = &self.units[at].recording.name;
                    if let Some(entry) = self.progress.entries.get_mut(name) {
                        entry.done.quick = quick;
                    }
                }
            }
        }
        for (partition, members) in self.parts.clone() {
            if self.stays(&partition, &members, &to_do) {
                continue;
            }
            let in_tables: BTreeSet<String> = members
                .iter()
                .filter(|at| !to_do.contains(at))
                .map(|at| &self.units[*at].recording.name)
                .filter(|name| {
                    let entry = self.progress.entries.get(*name);
                    entry.is_some_and(|entry| entry.place.is_none())
                })
                .cloned()
                .collect();
            if in_tables.is_empty() {
                continue;
            }
            let done = self.progress.partitions.get(&partition.text());
            if done.is_some_and(|done| is_intact(self.path, &partition, done)) {
                self.note_again(&partition, &in_tables)?;
            }
            // What could not be had is measured again.
            for at in members {
                let name = &self.units[at].recording.name;
                let entry = self.progress.entries.get(name);
                if entry.is_none_or(|entry| entry.place.is_none()) {
                    to_do.insert(at);
                }
            }
        }
        Ok(to_do.into_iter().collect())
    }

    /// Whether the tables of a partition are as they will be at the end of the run.
    fn stays(&self, partition: &Partition, members: &[usize], to_do: &BTreeSet<usize>) -> bool {
        let done = self.progress.partitions.get(&partition.text());
        members.iter().all(|at| !to_do.contains(at))
            && done.is_some_and(|done| {
                Some(&done.key) == self.key(members).as_ref()
                    && is_intact(self.path, partition, done)
            })
    }

    /// The key of a partition; `None` while a recording is missing.
    fn key(&self, members: &[usize]) -> Option<String> {
        let mut key = PartitionKey::new(&self.about);
        for at in members {
            let name = &self.units[*at].recording.name;
            key.add(&self.progress.entries.get(name)?.done.key);
        }
        Some(key.finish())
    }

    /// Takes the rows of these recordings out of the tables into the notes.
    fn note_again(&mut self, partition: &Partition, names: &BTreeSet<String>) -> Result<()> {
        let progress = &mut self.progress;
        let read = read_partition(self.path, partition, &mut |row, inputs, pieces| {
            let Some(entry) = progress.entries.get(&row.recording) else {
                return Ok(());
            };
            if !names.contains(&row.recording) {
                return Ok(());
            }
            let outcome = Outcome {
                done: entry.done.clone(),
                rows: Rows {
                    row,
                    inputs,
                    pieces_csv: pieces_csv(pieces)?,
                },
            };
            progress.add(&outcome)
        });
        // A table that cannot be read has lost its rows; they are then measured again.
        match read {
            Err(error) if error.kind == ErrorKind::Document => Ok(()),
            other => other,
        }?;
        self.progress.sync()
    }

    /// Writes the tables of partitions of which nothing is to be measured.
    fn write_complete_partitions(&mut self, to_do: &[usize]) -> Result<()> {
        let to_do: BTreeSet<usize> = to_do.iter().copied().collect();
        for (partition, members) in self.parts.clone() {
            let complete = members.iter().all(|at| !to_do.contains(at));
            if complete && !self.stays(&partition, &members, &to_do) {
                self.write(&partition, &members)?;
            }
        }
        Ok(())
    }

    fn write(&mut self, partition: &Partition, members: &[usize]) -> Result<()> {
        // From here on the folder is not what its description says.
        remove_file(&self.path.join(RUN_FILE))?;
        let Some(key) = self.key(members) else {
            return Ok(());
        };
        let (units, progress) = (self.units, &mut self.progress);
        let rows = members.iter().map(|at| {
            let name = &units[*at].recording.name;
            let place = progress.entries.get(name).and_then(|entry| entry.place);
            match place {
                Some(place) => progress.rows(place),
                None => Err(Error::new(
                    ErrorKind::Mismatch,
                    format!("the rows of recording {name} are lost"),
                )
                .expected("run again with --resume: it is then measured again")),
            }
        });
        let files = write_partition(self.path, partition, &self.about, rows)?;
        self.progress
            .add_partition(partition.text(), PartitionDone { key, files })
    }

    /// Measures these units with so many workers, and notes and writes what comes. Says whether all were: `asked` ends it early.
    fn measure(
        &mut self,
        settings: &RunSettings,
        to_do: &[usize],
        threads: usize,
        asked: &AtomicBool,
        watch: &(dyn Fn(Event<'_>) + Sync),
    ) -> Result<bool> {
        if to_do.is_empty() {
            return Ok(true);
        }
        remove_file(&self.path.join(RUN_FILE))?;
        let mut missing: BTreeMap<&Partition, usize> = BTreeMap::new();
        for at in to_do {
            *missing.entry(&self.units[*at].partition).or_default() += 1;
        }
        let workers = threads.clamp(1, to_do.len());
        let pools = (0..workers)
            .map(|_| pool(threads / workers))
            .collect::<Result<Vec<_>>>()?;
        let (next, stop) = (AtomicUsize::new(0), AtomicBool::new(false));
        let mut measured = 0;
        let units = self.units;
        let (to_writer, outcomes) = sync_channel::<(usize, Outcome)>(WAITING * workers);
        std::thread::scope(|scope| {
            for pool in pools {
                let to_writer = to_writer.clone();
                let (next, stop) = (&next, &stop);
                scope.spawn(move || {
                    while !stop.load(Ordering::Relaxed) && !asked.load(Ordering::Relaxed) {
                        let Some(at) = to_do.get(next.fetch_add(1, Ordering::Relaxed)) else {
                            break;
                        };
                        let outcome = pool.install(|| measure_unit(&units[*at], settings));
                        // The writer has gone away when the disk failed.
                        if to_writer.send((*at, outcome)).is_err() {
                            break;
                        }
                    }
                });
            }
            drop(to_writer);
            let outcomes = outcomes;
            for (at, outcome) in &outcomes {
                let written = self.take(at, &outcome, &mut missing);
                if let Err(error) = written {
                    stop.store(true, Ordering::Relaxed);
                    // Workers that wait for room in the channel wake up when it is gone.
                    drop(outcomes);
                    return Err(error);
                }
                measured += 1;
                watch(Event::Measured {
                    recording: &outcome.done.recording,
                    frames: units[at].recording.frames.len(),
                    rejected: &outcome.done.rejected,
                });
            }
            Ok(())
        })?;
        self.progress.sync()?;
        Ok(measured == to_do.len())
    }

    fn take(
        &mut self,
        at: usize,
        outcome: &Outcome,
        missing: &mut BTreeMap<&Partition, usize>,
    ) -> Result<()> {
        self.progress.add(outcome)?;
        let partition = self.units[at].partition.clone();
        let Some(left) = missing.get_mut(&partition) else {
            return Ok(());
        };
        *left -= 1;
        if *left > 0 {
            return Ok(());
        }
        let members = self.parts.get(&partition).cloned().unwrap_or_default();
        self.write(&partition, &members)
    }

    /// Removes the tables and notes of what is not in the archive any more.
    fn drop_strangers(&mut self) -> Result<()> {
        let names: BTreeSet<&str> = self
            .units
            .iter()
            .map(|unit| unit.recording.name.as_str())
            .collect();
        self.progress
            .entries
            .retain(|name, _| names.contains(name.as_str()));
        let known: BTreeSet<String> = self.parts.keys().map(Partition::text).collect();
        self.progress
            .partitions
            .retain(|text, _| known.contains(text));
        remove_strangers(self.path, &|partition| self.parts.contains_key(partition))?;
        Ok(())
    }
}

fn pool(threads: usize) -> Result<rayon::ThreadPool> {
    rayon::ThreadPoolBuilder::new()
        .num_threads(threads.max(1))
        .build()
        .map_err(|e| Error::new(ErrorKind::Unmeasurable, e.to_string()).key("--threads"))
}
