//! Workers that measure recordings, one each at a time, and the queue from which they take them.
//!
//! Which recordings there are is known for certain only when the whole archive has been read. Until then workers are given recordings
//! that look whole; whether one was, the plan tells afterwards.

use std::collections::{BTreeSet, VecDeque};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::SyncSender;
use std::sync::{Arc, Condvar, Mutex, MutexGuard};

use crate::error::{Error, ErrorKind, Result};
use crate::scan::{ArchiveHeads, ArchiveReading};

use super::event::Event;
use super::measure::measure_unit;
use super::outcome::Outcome;
use super::settings::RunSettings;
use super::unit::Unit;

/// What comes back to whoever writes the run.
pub(super) enum Message {
    /// A unit has been measured.
    Measured(Arc<Unit>, Box<Outcome>),
    /// The whole archive has been read.
    Read(ArchiveHeads),
    /// Work cannot go on.
    Failed(Error),
}

/// Units that wait for a worker.
pub(super) struct Queue {
    state: Mutex<State>,
    changed: Condvar,
    /// Most units that wait before the plan is known.
    room: usize,
}

struct State {
    waiting: VecDeque<Arc<Unit>>,
    /// Threads of each worker.
    threads: usize,
    stage: Stage,
    /// The names of all units that were taken in early, and those of them that went to a worker.
    names: BTreeSet<String>,
    early: Vec<Arc<Unit>>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Stage {
    /// Units are taken in as they turn up.
    Early,
    /// The plan is being made.
    Planning,
    /// What waits is the rest of the run.
    Last,
}

impl Queue {
    pub(super) fn new(workers: usize) -> Self {
        Self {
            state: Mutex::new(State {
                waiting: VecDeque::new(),
                threads: 1,
                stage: Stage::Early,
                names: BTreeSet::new(),
                early: Vec::new(),
            }),
            changed: Condvar::new(),
            room: 2 * workers,
        }
    }

    fn state(&self) -> MutexGuard<'_, State> {
        // A lock that another thread left behind in a fault is as good as any here.
        match self.state.lock() {
            Ok(state) => state,
            Err(poisoned) => poisoned.into_inner(),
        }
    }

    /// Whether a unit would be taken in before the plan is known.
    fn has_room(&self) -> bool {
        let state = self.state();
        state.stage == Stage::Early && state.waiting.len() < self.room
    }

    /// Takes in a unit before the plan is known, if there is room and none of its name was taken in before.
    fn offer(&self, unit: Unit) {
        let mut state = self.state();
        let has_room = state.stage == Stage::Early && state.waiting.len() < self.room;
        if has_room && state.names.insert(unit.recording.name().to_owned()) {
            state.waiting.push_back(Arc::new(unit));
            self.changed.notify_one();
        }
    }

    /// Takes in no more early units and forgets those that wait. Returns those that went to workers.
    pub(super) fn end_early(&self) -> Vec<Arc<Unit>> {
        let mut state = self.state();
        state.stage = Stage::Planning;
        state.waiting.clear();
        state.names.clear();
        std::mem::take(&mut state.early)
    }

    /// Takes in the rest of the run; each worker measures a unit with so many threads.
    pub(super) fn go_on(&self, units: impl Iterator<Item = Arc<Unit>>, threads: usize) {
        let mut state = self.state();
        state.waiting = units.collect();
        state.threads = threads;
        state.stage = Stage::Last;
        self.changed.notify_all();
    }

    /// Ends the work as soon as what is under way is done.
    pub(super) fn stop(&self) {
        self.go_on(std::iter::empty(), 1);
    }

    fn is_stopped(&self) -> bool {
        self.state().stage == Stage::Last
    }

    /// The next unit, and with how many threads it is measured; waits for it. `None`: there will be no more.
    fn take(&self) -> Option<(Arc<Unit>, usize)> {
        let mut state = self.state();
        loop {
            if let Some(unit) = state.waiting.pop_front() {
                if state.stage == Stage::Early {
                    state.early.push(unit.clone());
                }
                return Some((unit, state.threads));
            }
            if state.stage == Stage::Last {
                return None;
            }
            state = match self.changed.wait(state) {
                Ok(state) => state,
                Err(poisoned) => poisoned.into_inner(),
            };
        }
    }
}

/// Measures units until there are no more.
pub(super) fn work(queue: &Queue, settings: &RunSettings, to_writer: &SyncSender<Message>) {
    let mut pool: Option<(usize, rayon::ThreadPool)> = None;
    while let Some((unit, threads)) = queue.take() {
        if pool.as_ref().is_none_or(|(its, _)| *its != threads) {
            match new_pool(threads) {
                Ok(new) => pool = Some((threads, new)),
                Err(error) => {
                    // The writer may have gone away already, which ends the work just the same.
                    let _ = to_writer.send(Message::Failed(error));
                    return;
                }
            }
        }
        let measure = || measure_unit(&unit, settings);
        let outcome = match &pool {
            Some((_, pool)) => pool.install(measure),
            None => measure(),
        };
        // The writer has gone away when the disk failed.
        if to_writer
            .send(Message::Measured(unit, Box::new(outcome)))
            .is_err()
        {
            return;
        }
    }
}

fn new_pool(threads: usize) -> Result<rayon::ThreadPool> {
    rayon::ThreadPoolBuilder::new()
        .num_threads(threads.max(1))
        .build()
        .map_err(|e| Error::new(ErrorKind::Unmeasurable, e.to_string()).key("--threads"))
}

/// Ends the work when reading ends in a fault: workers would wait for the plan forever.
struct StopUnlessRead<'a> {
    queue: &'a Queue,
    read: bool,
}

impl Drop for StopUnlessRead<'_> {
    fn drop(&mut self) {
        if !self.read {
            self.queue.stop();
        }
    }
}

/// Reads the archive. Recordings that look whole go to the workers at once, unless they are `known`.
pub(super) fn read(
    mut reading: ArchiveReading,
    settings: &RunSettings,
    queue: &Queue,
    known: &dyn Fn(&str) -> bool,
    stop: &AtomicBool,
    to_writer: &SyncSender<Message>,
    watch: &(dyn Fn(Event<'_>) + Sync),
) {
    let mut guard = StopUnlessRead { queue, read: false };
    while let Some(whole) = reading.more() {
        if queue.is_stopped() || stop.load(Ordering::Relaxed) {
            return;
        }
        watch(Event::Read {
            scans: reading.scans(),
        });
        for recording in whole {
            if !queue.has_room() {
                break;
            }
            if known(recording.name()) {
                continue;
            }
            // What its results cannot be put anywhere for is told when the plan is made.
            if let Some(Ok(unit)) = Unit::of(recording, settings) {
                queue.offer(unit);
            }
        }
    }
    guard.read = to_writer.send(Message::Read(reading.finish())).is_ok();
}
