//! A run from its beginning or from where it was interrupted to its end.
//!
//! One thread reads the archive, workers measure recordings, one each at a time, and one writer notes what comes and writes a partition's
//! tables as soon as all its recordings are there. Work begins before all is read, with recordings that look whole. Which frames make a
//! recording, and which of two equal ids counts, is known only at the end of the archive; what was measured early stays if the plan that is
//! made then has the very same recording, and is measured again if not. No result depends on who did what when: tables are written in the
//! order of the plan, from noted rows.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, sync_channel};

use crate::error::{Error, ErrorKind, Result};
use crate::scan::{ArchiveHeads, ArchiveReading};
use crate::tables::StreamAbout;

use super::event::{Effort, Event, RunResult};
use super::folder::{RunFolder, remove_file};
use super::manifest::{RUN_FILE, RunCounts, RunDescription, complete};
use super::outcome::{Outcome, RejectedRow};
use super::partition::Partition;
use super::partition_files::remove_strangers;
use super::progress::Progress;
use super::settings::RunSettings;
use super::unit::{Plan, Unit, order, plan};
use super::workers::{Message, Queue, read, work};

/// Outcomes that may wait for the writer, for each worker.
const WAITING: usize = 4;

/// Measures all recordings of an archive that belong to this part of the run and are not done yet, and writes the run's tables.
///
/// # Errors
/// The disk cannot be read or written. What is done is kept; the same call goes on from there.
pub fn execute(
    folder: &RunFolder,
    settings: &RunSettings,
    archive: ArchiveReading,
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
    archive: ArchiveReading,
    effort: Effort,
    stop: &AtomicBool,
    watch: &(dyn Fn(Event<'_>) + Sync),
) -> Result<Option<RunResult>> {
    if stop.load(Ordering::Relaxed) {
        return Ok(None);
    }
    let progress = Progress::open(folder.progress_path(), settings.shard)?;
    // What was noted of a recording is not measured again before it is certain that it has changed.
    let known: BTreeSet<u64> = progress
        .entries
        .keys()
        .map(|name| number_of(name))
        .collect();
    let mut run = Run {
        path: folder.path(),
        about: about(settings),
        settings,
        units: Vec::new(),
        parts: BTreeMap::new(),
        rejected: Vec::new(),
        progress,
    };
    let workers = effort.threads.max(1);
    let queue = Queue::new(workers);
    let (to_writer, messages) = sync_channel(WAITING * workers);
    let measured_now = std::thread::scope(|scope| {
        for _ in 0..workers {
            let to_writer = to_writer.clone();
            let queue = &queue;
            scope.spawn(move || work(queue, settings, &to_writer));
        }
        let is_known = |name: &str| known.contains(&number_of(name));
        let queue = &queue;
        scope.spawn(move || read(archive, settings, queue, &is_known, stop, &to_writer, watch));
        // Whoever waits for room in the channel wakes up when it is gone, which it is when this returns.
        let measured = run.follow(messages, queue, effort, stop, watch);
        queue.stop();
        measured
    })?;
    measured_now.map(|count| run.finish(count)).transpose()
}

/// A number that stands for a recording's name. Two of the same number would only be measured later than they could be.
fn number_of(name: &str) -> u64 {
    let [a, b, c, d, e, f, g, h, ..] = *blake3::hash(name.as_bytes()).as_bytes();
    u64::from_le_bytes([a, b, c, d, e, f, g, h])
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
fn parts(units: &[Arc<Unit>]) -> BTreeMap<Arc<Partition>, Vec<usize>> {
    let mut parts: BTreeMap<Arc<Partition>, Vec<usize>> = BTreeMap::new();
    for (at, unit) in units.iter().enumerate() {
        parts.entry(unit.partition.clone()).or_default().push(at);
    }
    parts
}

/// A run while it is written.
pub(super) struct Run<'a> {
    pub(super) path: &'a Path,
    pub(super) about: StreamAbout,
    pub(super) settings: &'a RunSettings,
    /// In the order of the tables; none before the plan is made.
    pub(super) units: Vec<Arc<Unit>>,
    pub(super) parts: BTreeMap<Arc<Partition>, Vec<usize>>,
    /// Inputs that are no part of any unit.
    rejected: Vec<RejectedRow>,
    pub(super) progress: Progress,
}

/// Units of the plan that were begun before it was known.
#[derive(Debug, Default)]
pub(super) struct Early {
    /// Measured and noted, with what could not be used of them.
    pub(super) done: BTreeMap<usize, Vec<RejectedRow>>,
    /// With a worker.
    pub(super) under_way: BTreeSet<usize>,
}

/// What is still to come once the plan is known.
struct Ahead {
    /// Units that have not come back from a worker.
    to_do: BTreeSet<usize>,
    /// How many of those each partition has.
    missing: BTreeMap<Arc<Partition>, usize>,
    measured_now: usize,
}

impl Run<'_> {
    /// Notes and writes what comes until all is done; how many recordings were measured. `None`: it was stopped before that.
    fn follow(
        &mut self,
        messages: Receiver<Message>,
        queue: &Queue,
        effort: Effort,
        stop: &AtomicBool,
        watch: &(dyn Fn(Event<'_>) + Sync),
    ) -> Result<Option<usize>> {
        let mut early: Vec<(Arc<Unit>, Vec<RejectedRow>)> = Vec::new();
        let mut ahead: Option<Ahead> = None;
        for message in &messages {
            match (message, &mut ahead) {
                (Message::Failed(error), _) => return Err(error),
                // A plan would give the workers more to do.
                (Message::Read(_), _) if stop.load(Ordering::Relaxed) => {}
                (Message::Read(archive), _) => {
                    let early = std::mem::take(&mut early);
                    ahead = Some(self.plan(archive, early, queue, effort, watch)?);
                }
                (Message::Measured(unit, outcome), None) => {
                    self.progress.add(&outcome)?;
                    early.push((unit, outcome.done.rejected));
                }
                (Message::Measured(unit, outcome), Some(ahead)) => {
                    // What was begun early and is not so in the plan comes to nothing.
                    let at = self.place_of(&unit);
                    let Some(at) = at.filter(|at| ahead.to_do.remove(at)) else {
                        continue;
                    };
                    self.take(at, &outcome, &mut ahead.missing)?;
                    watch(Event::Measured {
                        recording: &outcome.done.recording,
                        frames: unit.recording.frames().len(),
                        rejected: &outcome.done.rejected,
                    });
                }
            }
            if stop.load(Ordering::Relaxed) {
                // What is under way still comes back and is noted.
                queue.stop();
            }
        }
        self.progress.sync()?;
        let whole = ahead.filter(|ahead| ahead.to_do.is_empty());
        Ok(whole.map(|ahead| ahead.measured_now))
    }

    /// Makes the plan and gives the workers what it leaves to do.
    fn plan(
        &mut self,
        archive: ArchiveHeads,
        begun: Vec<(Arc<Unit>, Vec<RejectedRow>)>,
        queue: &Queue,
        effort: Effort,
        watch: &(dyn Fn(Event<'_>) + Sync),
    ) -> Result<Ahead> {
        let under_way = queue.end_early();
        let Plan { units, rejected } = plan(archive, self.settings);
        self.parts = parts(&units);
        self.units = units;
        self.rejected = rejected;
        let mut early = Early::default();
        let under_way = under_way.into_iter().filter(|unit| {
            let come_back = |(other, _): &(Arc<Unit>, _)| Arc::ptr_eq(other, unit);
            !begun.iter().any(come_back)
        });
        early.under_way = under_way.filter_map(|unit| self.place_of(&unit)).collect();
        for (unit, rejected) in begun {
            match self.place_of(&unit) {
                Some(at) => {
                    early.done.insert(at, rejected);
                }
                None => {
                    self.progress.entries.remove(unit.recording.name());
                }
            }
        }
        let standing = self.standing(&early, effort.verify);
        let settled = self.settle(standing)?;
        let to_do = &settled.to_do;
        let frames = |at: &usize| self.units[*at].recording.frames().len();
        let measured_now = early.done.len() + to_do.len();
        watch(Event::Begin {
            to_do: measured_now,
            done_before: self.units.len() - measured_now,
            frames_to_do: early.done.keys().chain(to_do).map(frames).sum(),
            changed: to_do
                .iter()
                .filter(|at| {
                    let name = self.units[**at].recording.name();
                    self.progress.entries.contains_key(name)
                })
                .count(),
        });
        for (at, rejected) in &early.done {
            watch(Event::Measured {
                recording: self.units[*at].recording.name(),
                frames: frames(at),
                rejected,
            });
        }
        self.write_complete_partitions(&settled)?;
        let mut missing: BTreeMap<Arc<Partition>, usize> = BTreeMap::new();
        if !to_do.is_empty() {
            remove_file(&self.path.join(RUN_FILE))?;
        }
        for at in to_do {
            *missing
                .entry(self.units[*at].partition.clone())
                .or_default() += 1;
        }
        let workers = effort.threads.clamp(1, to_do.len().max(1));
        let left = to_do.difference(&early.under_way);
        queue.go_on(
            left.map(|at| self.units[*at].clone()),
            (effort.threads / workers).max(1),
        );
        Ok(Ahead {
            to_do: settled.to_do,
            missing,
            measured_now,
        })
    }

    /// Where the very same unit stands in the plan.
    fn place_of(&self, unit: &Unit) -> Option<usize> {
        let found = self
            .units
            .binary_search_by(|it| order(it).cmp(&order(unit)));
        found.ok().filter(|at| *self.units[*at] == *unit)
    }

    fn take(
        &mut self,
        at: usize,
        outcome: &Outcome,
        missing: &mut BTreeMap<Arc<Partition>, usize>,
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

    /// Writes what the run came to, and that it is complete.
    fn finish(mut self, measured_now: usize) -> Result<RunResult> {
        self.drop_strangers()?;
        let mut rejected = std::mem::take(&mut self.rejected);
        let mut counts = RunCounts {
            recordings: self.units.len() as u64,
            ..RunCounts::default()
        };
        for unit in &self.units {
            let Some(entry) = self.progress.entries.get(unit.recording.name()) else {
                continue;
            };
            rejected.extend(entry.done.rejected.iter().cloned());
            counts.pieces += entry.done.pieces;
            counts.measured += u64::from(entry.done.measured);
        }
        rejected.sort();
        rejected.dedup();
        counts.rejected = rejected.len() as u64;
        let description = RunDescription::new(self.settings, counts);
        let partitions = self.progress.partitions.iter();
        complete(
            self.path,
            &description,
            &rejected,
            partitions.map(|(name, done)| (name.as_str(), done.files.as_slice())),
        )?;
        self.progress.compact(self.settings.shard)?;
        Ok(RunResult {
            counts,
            measured_now,
            rejected,
        })
    }

    /// Removes the tables and notes of what is not in the archive any more.
    fn drop_strangers(&mut self) -> Result<()> {
        let names: BTreeSet<&str> = self
            .units
            .iter()
            .map(|unit| unit.recording.name())
            .collect();
        self.progress
            .entries
            .retain(|name, _| names.contains(name.as_str()));
        let known: BTreeSet<String> = self.parts.keys().map(|it| it.text()).collect();
        self.progress
            .partitions
            .retain(|text, _| known.contains(text));
        remove_strangers(self.path, &|partition| self.parts.contains_key(partition))?;
        Ok(())
    }
}
