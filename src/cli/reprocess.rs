//! `weighlight reprocess`.

use std::path::PathBuf;
use std::sync::atomic::AtomicBool;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use clap::{ArgGroup, Args, ValueEnum};
use indicatif::ProgressBar;
use jiff::Timestamp;
use serde_json::json;
use weighlight::runs::{
    Effort, Event, Pace, ProductSource, REJECTED_FILE, Reprocess, RunResult, Surroundings,
    reprocess,
};
use weighlight::{Error, ErrorKind, Result};

use super::exit::Exit;
use super::output;
use super::shard_choice::{ShardChoice, shard};

/// Measures whole archives into the folder of a run, which can be interrupted, shared by many machines, merged and compared.
///
/// The run holds Parquet tables cut by scanner and day, a list of the inputs that could not be used, and the hash of everything that
/// went in. The same scans, profiles, calibrations and version give the same bytes, whatever the threads, parts or interruptions.
/// Weights are estimates with standard uncertainties (k = 1), not legal for trade.
#[derive(Debug, Args)]
#[command(group = ArgGroup::new("profile").required(true).args(["product", "products"]))]
#[command(after_help = "\
Examples:
  weighlight reprocess archive --products products --calibrations calibration --out run
  weighlight reprocess archive --products products --calibrations calibration --out run --resume
  weighlight reprocess archive --product rolls.toml --out part-3 --shard 3/8

Exit codes: 0 all was measured; 4 done, but some inputs were rejected: run/rejected.csv says why.
Limits of the spec are no verdict here: ask `weighlight summary`.")]
pub(crate) struct Arguments {
    /// Folders that hold scans at any depth
    #[arg(required = true, value_name = "ARCHIVE")]
    archives: Vec<PathBuf>,
    /// Product profile for every scan, whatever product the scan names
    #[arg(long, value_name = "FILE")]
    product: Option<PathBuf>,
    /// Folder of product profiles; each scan's own product is looked up there
    #[arg(long, value_name = "DIR")]
    products: Option<PathBuf>,
    /// Folder of scanner calibrations; without it every scan is taken as already true
    #[arg(long, value_name = "DIR")]
    calibrations: Option<PathBuf>,
    /// Folder of the run; new or empty, unless --resume
    #[arg(long, value_name = "RUN")]
    out: PathBuf,
    /// Go on with the run in the folder, if there is one: only what is new, changed or missing is measured
    #[arg(long)]
    resume: bool,
    /// Read all inputs of what is done already, instead of looking at their sizes and times
    #[arg(long, requires = "resume")]
    verify: bool,
    /// Do only part I of N, counted from 1; `auto` takes both from a Slurm job array, `auto/N` the part from Slurm or Kubernetes
    #[arg(long, value_name = "I/N", value_parser = ShardChoice::parse)]
    shard: Option<ShardChoice>,
    /// Number of threads; the result does not depend on it [default: all cores]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    threads: Option<u16>,
    /// Form of the account on standard output
    #[arg(long, value_enum, default_value = "text")]
    format: AccountFormat,
}

/// The form of the account.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum AccountFormat {
    /// For people; may change between versions
    Text,
    /// For programs; may only grow
    Json,
}

pub(crate) fn run(arguments: &Arguments) -> Result<Exit> {
    let threads = match arguments.threads {
        Some(threads) => usize::from(threads),
        None => std::thread::available_parallelism().map_or(1, usize::from),
    };
    output::set_threads(Some(threads))?;
    let shard = shard(arguments.shard)?;
    let products = match (&arguments.product, &arguments.products) {
        (Some(file), _) => ProductSource::One(file.clone()),
        (None, Some(folder)) => {
            output::check_folder(folder, "product profiles")?;
            ProductSource::Folder(folder.clone())
        }
        (None, None) => {
            return Err(Error::new(
                ErrorKind::Mismatch,
                "no product profile is given",
            ));
        }
    };
    if let Some(folder) = &arguments.calibrations {
        output::check_folder(folder, "scanner calibrations")?;
    }
    let job = Reprocess {
        archives: arguments.archives.clone(),
        products,
        calibrations: arguments.calibrations.clone(),
        out: arguments.out.clone(),
        resume: arguments.resume,
        shard,
        effort: Effort {
            threads,
            verify: arguments.verify,
        },
    };
    let surroundings = Surroundings {
        now: &Timestamp::now,
        working_folder: output::working_folder(),
        stop: &AtomicBool::new(false),
    };
    let account = Account::new();
    let result = reprocess(&job, &surroundings, &|event| account.tell(&event));
    account.clear();
    let result = result?.ok_or_else(|| {
        Error::new(ErrorKind::Unmeasurable, "the run was stopped").at(&arguments.out)
    })?;
    // Those of recordings were told as they came.
    for row in result
        .rejected
        .iter()
        .filter(|row| row.recording.is_empty())
    {
        output::warn(&format!("not measured: {}: {}", row.input, row.reason));
    }
    show(arguments, &result)?;
    Ok(match result.rejected.is_empty() {
        true => Exit::Done,
        false => Exit::Rejected,
    })
}

/// Tells how far a run is: a bar on a terminal, a line now and then elsewhere.
struct Account(Mutex<Lines>);

struct Lines {
    /// Counts the scans that are read; then, when it is known how many there are, those that are measured.
    bar: ProgressBar,
    /// Scans in the archive.
    scans: usize,
    started: Instant,
    said: Instant,
    pace: Pace,
}

/// Time between two lines where there is no terminal.
const BETWEEN_LINES: Duration = Duration::from_secs(30);

impl Account {
    fn new() -> Self {
        let now = Instant::now();
        Self(Mutex::new(Lines {
            bar: output::counter("scans read:"),
            scans: 0,
            started: now,
            said: now,
            pace: Pace::default(),
        }))
    }

    /// A lock that another thread left behind in a fault is as good as any here.
    fn lines(&self) -> MutexGuard<'_, Lines> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn clear(&self) {
        self.lines().bar.finish_and_clear();
    }

    fn tell(&self, event: &Event<'_>) {
        self.lines().tell(event);
    }
}

impl Lines {
    fn tell(&mut self, event: &Event<'_>) {
        match event {
            Event::Read { scans } => {
                self.scans = *scans;
                self.bar.set_position(*scans as u64);
            }
            Event::Begin {
                to_do,
                done_before,
                changed,
                frames_to_do,
            } => {
                self.pace.to_do = *frames_to_do;
                if *done_before > 0 {
                    // Looking at what was done took its time; work on what is new began when the program did.
                    self.started = Instant::now();
                }
                output::count_to(&self.bar, *frames_to_do, "scan");
                if *done_before > 0 || *changed > 0 {
                    let because = match changed {
                        0 => String::new(),
                        _ => format!(", {changed} of them because of changed inputs or settings"),
                    };
                    self.say(&format!(
                        "{} done before, {to_do} to measure{because}",
                        output::counted(*done_before, "recording")
                    ));
                }
            }
            Event::Measured {
                recording,
                frames,
                rejected,
            } => {
                self.pace.done += frames;
                self.bar.inc(*frames as u64);
                for row in *rejected {
                    self.say(&format!(
                        "warning: recording {recording}: not measured: {}: {}",
                        row.input, row.reason
                    ));
                }
                let elapsed_s = self.started.elapsed().as_secs_f64();
                if self.bar.is_hidden()
                    && self.said.elapsed() >= BETWEEN_LINES
                    && let (Some(rate), Some(left_s)) =
                        (self.pace.per_second(elapsed_s), self.pace.left_s(elapsed_s))
                {
                    self.said = Instant::now();
                    self.say(&format!(
                        "measured {} of {} scans ({} in the archive), {rate:.1} a second, about {} left",
                        self.pace.done,
                        self.pace.to_do,
                        self.scans,
                        span(left_s)
                    ));
                }
            }
        }
    }

    fn say(&self, text: &str) {
        self.bar.suspend(|| output::say(text));
    }
}

/// A time span in the unit that suits it.
fn span(seconds: f64) -> String {
    match seconds {
        s if s < 100.0 => format!("{s:.0} s"),
        s if s < 6000.0 => format!("{:.0} min", s / 60.0),
        s => format!("{:.1} h", s / 3600.0),
    }
}

fn show(arguments: &Arguments, result: &RunResult) -> Result<()> {
    let counts = result.counts;
    let out = arguments.out.display();
    output::to_stdout(|to| match arguments.format {
        AccountFormat::Text => {
            writeln!(
                to,
                "{out}: {} of {} measured ({} now), {}",
                counts.measured,
                output::counted(counts.recordings as usize, "recording"),
                result.measured_now,
                output::counted(counts.pieces as usize, "piece"),
            )?;
            if counts.rejected > 0 {
                writeln!(
                    to,
                    "{} rejected: {}",
                    output::counted(counts.rejected as usize, "input"),
                    arguments.out.join(REJECTED_FILE).display()
                )?;
            }
            writeln!(
                to,
                "weights are estimates with standard uncertainties (k = 1), not legal for trade"
            )
        }
        AccountFormat::Json => {
            let account = json!({
                "format": "weighlight-run-account/1", "run": out.to_string(),
                "recordings": counts.recordings, "measured": counts.measured, "measured_now": result.measured_now,
                "pieces": counts.pieces, "rejected": counts.rejected,
            });
            serde_json::to_writer_pretty(&mut *to, &account)?;
            to.write_all(b"\n")
        }
    })
}
