//! A run made in the background: one at a time, told how far it is, stopped at the next safe point.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Instant;

use axum::Json;
use axum::extract::State;
use jiff::Timestamp;
use serde::Deserialize;
use serde_json::{Value, json};
use weighlight::runs::{
    Effort, Event, Pace, RejectedRow, Reprocess, RunResult, RunState, Shard, Surroundings,
    reprocess, standing,
};
use weighlight::{Error, ErrorKind};

use super::super::{Refused, work};
use super::list::{profiles, resumable, source};
use super::place::saved;
use super::{Desk, place::Place};

/// Rejected inputs that are told while a run goes on; the run's own list has them all.
const MOST_TOLD: usize = 50;
/// Most threads that may be asked for.
const MOST_THREADS: usize = 1024;

/// How far the run is, or how the last one ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Phase {
    Starting,
    Reading,
    Measuring,
    Done,
    Stopped,
    Failed,
}

impl Phase {
    fn word(self) -> &'static str {
        match self {
            Self::Starting => "starting",
            Self::Reading => "reading",
            Self::Measuring => "measuring",
            Self::Done => "done",
            Self::Stopped => "stopped",
            Self::Failed => "failed",
        }
    }

    fn is_over(self) -> bool {
        matches!(self, Self::Done | Self::Stopped | Self::Failed)
    }
}

/// The run under way, or the last one.
struct Job {
    number: u64,
    place: Place,
    phase: Phase,
    stop: Arc<AtomicBool>,
    read: usize,
    /// Recordings to measure, measured, and measured before.
    recordings: [usize; 3],
    pace: Pace,
    measuring_since: Option<Instant>,
    took_s: f64,
    rejected: usize,
    told: Vec<RejectedRow>,
    error: Option<String>,
}

/// Where the run under way is told of.
#[derive(Default)]
pub(super) struct Board(Mutex<Option<Job>>);

impl Board {
    /// A thread that broke off leaves numbers that are whole, each for itself.
    fn lock(&self) -> MutexGuard<'_, Option<Job>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// What the page is told.
    pub(super) fn json(&self) -> Value {
        self.lock().as_ref().map_or(Value::Null, Job::json)
    }

    /// Puts a new job up unless one is under way.
    fn begin(&self, place: Place) -> Result<(u64, Arc<AtomicBool>), Refused> {
        let mut current = self.lock();
        if let Some(job) = &*current
            && !job.phase.is_over()
        {
            return Err(Refused::Conflict(format!(
                "run \"{}\" is being made; stop it or wait until it has ended",
                job.place.name
            )));
        }
        let number = current.as_ref().map_or(1, |job| job.number + 1);
        let stop = Arc::new(AtomicBool::new(false));
        *current = Some(Job {
            number,
            place,
            phase: Phase::Starting,
            stop: stop.clone(),
            read: 0,
            recordings: [0; 3],
            pace: Pace::default(),
            measuring_since: None,
            took_s: 0.0,
            rejected: 0,
            told: Vec::new(),
            error: None,
        });
        Ok((number, stop))
    }

    fn change(&self, change: impl FnOnce(&mut Job)) {
        if let Some(job) = &mut *self.lock() {
            change(job);
        }
    }

    fn end(&self, result: Result<Option<RunResult>, Error>) {
        self.change(|job| {
            job.took_s = job.elapsed_s();
            job.measuring_since = None;
            match result {
                Ok(Some(result)) => {
                    job.phase = Phase::Done;
                    job.rejected = result.rejected.len();
                    job.told = result.rejected.into_iter().take(MOST_TOLD).collect();
                }
                Ok(None) => job.phase = Phase::Stopped,
                Err(error) => {
                    job.phase = Phase::Failed;
                    job.error = Some(error.to_string());
                }
            }
        });
    }
}

impl Job {
    fn elapsed_s(&self) -> f64 {
        self.measuring_since
            .map_or(self.took_s, |since| since.elapsed().as_secs_f64())
    }

    fn tell(&mut self, event: Event<'_>) {
        match event {
            Event::Read { scans } => {
                self.phase = Phase::Reading;
                self.read = scans;
            }
            Event::Begin {
                to_do,
                done_before,
                frames_to_do,
                ..
            } => {
                self.phase = Phase::Measuring;
                self.measuring_since = Some(Instant::now());
                self.recordings = [to_do, 0, done_before];
                self.pace.to_do = frames_to_do;
            }
            Event::Measured {
                frames, rejected, ..
            } => {
                self.recordings[1] += 1;
                self.pace.done += frames;
                self.rejected += rejected.len();
                let room = MOST_TOLD.saturating_sub(self.told.len());
                self.told.extend(rejected.iter().take(room).cloned());
            }
        }
    }

    fn json(&self) -> Value {
        let elapsed_s = self.elapsed_s();
        let rounded = |value: f64| (10.0 * value).round() / 10.0;
        let stopping = !self.phase.is_over() && self.stop.load(Ordering::Relaxed);
        json!({
            "number": self.number,
            "id": self.place.id,
            "name": self.place.name,
            "phase": if stopping { "stopping" } else { self.phase.word() },
            "over": self.phase.is_over(),
            "scans_read": self.read,
            "recordings": self.recordings[0],
            "recordings_done": self.recordings[1],
            "recordings_before": self.recordings[2],
            "scans": self.pace.to_do,
            "scans_done": self.pace.done,
            "scans_per_s": self.pace.per_second(elapsed_s).map(rounded),
            "left_s": self.pace.left_s(elapsed_s).map(f64::ceil),
            "took_s": rounded(elapsed_s),
            "rejected": self.rejected,
            "rejected_first": self.told.iter()
                .map(|it| json!({ "input": it.input, "recording": it.recording, "reason": it.reason }))
                .collect::<Vec<_>>(),
            "error": self.error,
        })
    }
}

/// Every thread of the machine.
pub(super) fn all_threads() -> usize {
    std::thread::available_parallelism().map_or(1, usize::from)
}

pub(super) async fn state(State(desk): State<Arc<Desk>>) -> Json<Value> {
    Json(desk.board.json())
}

/// What is to be begun.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Start {
    name: String,
    threads: usize,
    /// The version of the run to go on with; none for a new one.
    #[serde(default)]
    resume: Option<String>,
}

pub(super) async fn start(
    State(desk): State<Arc<Desk>>,
    Json(wanted): Json<Start>,
) -> Result<Json<Value>, Refused> {
    work(move || {
        let wrong = |words: String| Refused::Failed(Error::new(ErrorKind::Mismatch, words));
        let opened = &desk.store.opened;
        let here = source(opened).map_err(wrong)?;
        let products = profiles(opened).ok_or(Refused::BrokenOff)?;
        if !(1..=MOST_THREADS).contains(&wanted.threads) {
            return Err(wrong(format!(
                "{} threads; expected 1 to {MOST_THREADS}",
                wanted.threads
            )));
        }
        let place = saved(opened, &wanted.name)?;
        match &wanted.resume {
            None if place.path.exists() => {
                return Err(Refused::Conflict(format!(
                    "there is a run \"{}\" already; choose another name or go on with it",
                    place.name
                )));
            }
            None => {}
            Some(version) => {
                let now =
                    standing(&place.path).map_err(|error| Refused::Missing(error.to_string()))?;
                if now.state == RunState::BeingWritten {
                    return Err(Refused::Conflict(format!(
                        "another program is writing run \"{}\"",
                        place.name
                    )));
                }
                if now.version != *version {
                    return Err(Refused::Conflict(format!(
                        "run \"{}\" has changed since this page saw it; look at it again",
                        place.name
                    )));
                }
                resumable(&place, &now, Some(&here)).map_err(Refused::Conflict)?;
            }
        }
        let job = Reprocess {
            archives: opened.folders.clone(),
            products,
            calibrations: opened.calibrations_folder.clone(),
            out: place.path.clone(),
            resume: wanted.resume.is_some(),
            shard: Shard::WHOLE,
            effort: Effort {
                threads: wanted.threads,
                verify: false,
            },
        };
        let (number, stop) = desk.board.begin(place)?;
        let working_folder = opened.working_folder.clone();
        let board = desk.board.clone();
        tokio::task::spawn_blocking(move || make(&board, &job, working_folder, &stop));
        Ok(Json(json!({ "number": number })))
    })
    .await
}

/// Makes the run. When the program ends in the middle, the run stands as after any interruption and can be resumed.
fn make(board: &Board, job: &Reprocess, working_folder: String, stop: &AtomicBool) {
    /// Says so when the work broke off in a fault.
    struct Watch<'a>(&'a Board, bool);
    impl Drop for Watch<'_> {
        fn drop(&mut self) {
            if !self.1 {
                let fault = Error::new(
                    ErrorKind::Unmeasurable,
                    "the work broke off in a fault of the program",
                );
                self.0.end(Err(
                    fault.expected("go on with the run: what is done stays done")
                ));
            }
        }
    }
    let mut watch = Watch(board, false);
    let surroundings = Surroundings {
        now: &Timestamp::now,
        working_folder,
        stop,
    };
    let result = reprocess(job, &surroundings, &|stage| {
        board.change(|job| job.tell(stage))
    });
    watch.1 = true;
    board.end(result);
}

/// Which run is to be stopped.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Stop {
    number: u64,
}

pub(super) async fn stop(
    State(desk): State<Arc<Desk>>,
    Json(wanted): Json<Stop>,
) -> Result<Json<Value>, Refused> {
    let current = desk.board.lock();
    match &*current {
        Some(job) if job.number == wanted.number && !job.phase.is_over() => {
            job.stop.store(true, Ordering::Relaxed);
            Ok(Json(job.json()))
        }
        _ => Err(Refused::Conflict("this run has ended already".to_owned())),
    }
}
