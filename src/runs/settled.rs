//! How the recordings of a plan stand, and the tables that are written from what has been noted of them.

use std::collections::BTreeSet;
use std::sync::Arc;

use rayon::prelude::*;

use crate::error::{Error, ErrorKind, Result};
use crate::scan::hashed_files_of;

use super::execute::{Early, Run};
use super::folder::remove_file;
use super::manifest::RUN_FILE;
use super::outcome::{Outcome, Rows, pieces_csv};
use super::partition::Partition;
use super::partition_files::{PartitionKey, is_intact, read_partition, write_partition};
use super::progress::PartitionDone;
use super::unit::{Unit, full_key, inputs_hash, quick_key};

/// How a unit stands when the plan is made.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Standing {
    /// It has to be measured, or is being measured.
    ToDo,
    /// It has been measured just now, before the plan was known.
    Now,
    /// It is as it was when it was done; its files may bear other times by now.
    Done { quick: blake3::Hash },
}

/// What a plan leaves to do.
pub(super) struct Settled {
    /// Units to measure.
    pub(super) to_do: BTreeSet<usize>,
    /// Partitions whose tables are not yet as they will be at the end, with their units.
    stale: Vec<(Arc<Partition>, Vec<usize>)>,
}

impl Run<'_> {
    /// Looks at the inputs of every unit that was done before.
    pub(super) fn standing(&self, early: &Early, verify: bool) -> Vec<Standing> {
        let settings = self.settings;
        let one = |at: usize, unit: &Unit| {
            if early.done.contains_key(&at) {
                return Some(Standing::Now);
            }
            if early.under_way.contains(&at) {
                return None;
            }
            let entry = self.progress.entries.get(unit.recording.name())?;
            if entry.done.retry || entry.done.partition != unit.partition {
                return None;
            }
            let quick = quick_key(&unit.recording, settings).ok()?;
            if verify || Some(quick) != entry.done.quick {
                let frames = unit.recording.frames().iter();
                let hashed = frames
                    .map(hashed_files_of)
                    .collect::<Result<Vec<_>>>()
                    .ok()?;
                let key = full_key(&unit.recording, settings, &inputs_hash(&hashed));
                if Some(key) != entry.done.key {
                    return None;
                }
            }
            Some(Standing::Done { quick })
        };
        let units = self.units.par_iter().enumerate();
        units
            .map(|(at, unit)| one(at, unit).unwrap_or(Standing::ToDo))
            .collect()
    }

    /// Says what is to be measured, and sees to it that the rows of all else can be had: in the notes, where they outlast the
    /// tables being written anew, or in tables that stay as they are.
    pub(super) fn settle(&mut self, standing: Vec<Standing>) -> Result<Settled> {
        let (mut to_do, mut stale) = (BTreeSet::new(), Vec::new());
        for (at, standing) in standing.into_iter().enumerate() {
            match standing {
                Standing::ToDo => {
                    to_do.insert(at);
                }
                Standing::Now => {}
                Standing::Done { quick } => {
                    let name = self.units[at].recording.name();
                    if let Some(entry) = self.progress.entries.get_mut(name) {
                        entry.done.quick = Some(quick);
                    }
                }
            }
        }
        for (partition, members) in self.parts.clone() {
            if self.stays(&partition, &members, &to_do) {
                continue;
            }
            stale.push((partition.clone(), members.clone()));
            let in_tables: BTreeSet<String> = members
                .iter()
                .filter(|at| !to_do.contains(at))
                .map(|at| self.units[*at].recording.name())
                .filter(|name| {
                    let entry = self.progress.entries.get(*name);
                    entry.is_some_and(|entry| entry.place.is_none())
                })
                .map(str::to_owned)
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
                let name = self.units[at].recording.name();
                let entry = self.progress.entries.get(name);
                if entry.is_none_or(|entry| entry.place.is_none()) {
                    to_do.insert(at);
                }
            }
        }
        Ok(Settled { to_do, stale })
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
            let name = self.units[*at].recording.name();
            key.add(&self.progress.entries.get(name)?.done.key_text());
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
    pub(super) fn write_complete_partitions(&mut self, settled: &Settled) -> Result<()> {
        for (partition, members) in &settled.stale {
            if members.iter().all(|at| !settled.to_do.contains(at)) {
                self.write(partition, members)?;
            }
        }
        Ok(())
    }

    pub(super) fn write(&mut self, partition: &Partition, members: &[usize]) -> Result<()> {
        // From here on the folder is not what its description says.
        remove_file(&self.path.join(RUN_FILE))?;
        let Some(key) = self.key(members) else {
            return Ok(());
        };
        let (units, progress) = (&self.units, &mut self.progress);
        let rows = members.iter().map(|at| {
            let name = units[*at].recording.name();
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
}
