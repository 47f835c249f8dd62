//! The log of checks on the command line: adding to it, looking at all of it, the record to sign.

use std::path::{Path, PathBuf};

use clap::Args;
use jiff::Timestamp;
use weighlight::drift::DriftReport;
use weighlight::history::{
    Appended, Log, NewEntry, Review, ReviewSettings, Standing, append, read_log, review,
};
use weighlight::report::{DriftRecord, LogPlace, history_page, record_page};
use weighlight::{Error, ErrorKind, Result};

use super::exit::Exit;
use super::history_output;
use super::output::{self, Format};

/// What has to do with the log of checks.
#[derive(Debug, Args)]
#[command(next_help_heading = "Log and record")]
pub(crate) struct LogArguments {
    /// Folder of logs, one SCANNER.jsonl each; a check is added to its scanner's
    #[arg(long, value_name = "DIR")]
    pub(crate) log: Option<PathBuf>,
    /// Show all checks of a log together: charts, changes, trends
    #[arg(long, requires = "log")]
    pub(crate) history: bool,
    /// Whose log; not needed with a scan, or where the folder holds one log
    #[arg(long, value_name = "NAME")]
    pub(crate) scanner: Option<String>,
    /// Who checks
    #[arg(long, value_name = "NAME")]
    pub(crate) operator: Option<String>,
    /// What to know of the check; without a scan, an event that is added to the log
    #[arg(
        long,
        value_name = "TEXT",
        requires = "log",
        conflicts_with = "history"
    )]
    pub(crate) note: Option<String>,
    /// When the event happened, if not now
    #[arg(long, value_name = "TIME", requires = "note")]
    pub(crate) at: Option<Timestamp>,
    /// Record of the check, to print and sign
    #[arg(long, value_name = "FILE.html", conflicts_with = "history")]
    pub(crate) record: Option<PathBuf>,
    /// The history as a page with charts
    #[arg(long, value_name = "FILE.html", requires = "history")]
    pub(crate) html: Option<PathBuf>,
    /// An entry's number and hash as a record states them: is the log still the one it was?
    #[arg(long, value_name = "NUMBER:HASH", requires = "history", value_parser = known_entry)]
    pub(crate) known: Option<KnownEntry>,
    /// How many checks in control the charts learn their limits from, at least 8
    #[arg(long, value_name = "N", requires = "history", default_value_t = ReviewSettings::USUAL.limits_from as u32,
        value_parser = clap::value_parser!(u32).range(8..))]
    pub(crate) limits_from: u32,
}

/// An entry that somebody kept the number and hash of.
#[derive(Debug, Clone)]
pub(crate) struct KnownEntry {
    sequence: u64,
    hash: String,
}

fn known_entry(text: &str) -> std::result::Result<KnownEntry, String> {
    let expected = "expected an entry's number, a colon and at least 8 digits of its hash";
    let (sequence, hash) = text.split_once(':').ok_or(expected)?;
    let fits = hash.len() >= 8 && hash.chars().all(|c| c.is_ascii_hexdigit());
    match sequence.parse() {
        Ok(sequence) if fits => Ok(KnownEntry {
            sequence,
            hash: hash.to_ascii_lowercase(),
        }),
        _ => Err(expected.to_owned()),
    }
}

/// Adds a check to its scanner's log and writes its record, as far as asked for.
///
/// The log comes first, so that the record can name the entry.
pub(crate) fn keep_check(arguments: &LogArguments, report: &DriftReport) -> Result<()> {
    if let Some(path) = &arguments.record {
        output::check_target(path)?;
    }
    let now = Timestamp::now();
    let operator = arguments.operator.as_deref();
    let note = arguments.note.as_deref();
    let kept = match &arguments.log {
        Some(folder) => Some(append(
            folder,
            &NewEntry {
                scanner: &report.scanner,
                time: report.captured,
                logged: now,
                operator,
                note,
                report: Some(report),
            },
        )?),
        None => None,
    };
    if let Some(kept) = &kept {
        tell(kept);
    }
    if let Some(path) = &arguments.record {
        let shown = kept.as_ref().map(|it| it.path.display().to_string());
        let page = record_page(&DriftRecord {
            report,
            operator,
            note,
            made: now,
            log: kept
                .as_ref()
                .zip(shown.as_deref())
                .map(|(kept, path)| LogPlace {
                    path,
                    sequence: kept.sequence,
                    hash: &kept.hash,
                }),
        })?;
        output::to_file(path, |to| to.write_all(page.as_bytes()))?;
    }
    Ok(())
}

/// What whoever adds to a log must know of it.
fn tell(kept: &Appended) {
    let path = kept.path.display();
    if let Some(aside) = &kept.repaired {
        output::warn(&format!(
            "{path}: the last line was half written; it is now in {}",
            aside.display()
        ));
    }
    for damage in &kept.damage {
        output::warn(&format!("{path}: {damage}"));
    }
}

/// Adds an event to a scanner's log.
pub(crate) fn note_event(arguments: &LogArguments) -> Result<Exit> {
    let (Some(folder), Some(note)) = (&arguments.log, &arguments.note) else {
        return Err(Error::new(ErrorKind::Mismatch, "nothing to add to a log")
            .expected("expected --log DIR and --note TEXT"));
    };
    // An event may start a log, so the scanner is looked for only where it is not named.
    let scanner = match &arguments.scanner {
        Some(name) => name.clone(),
        None => only_scanner(folder)?,
    };
    let now = Timestamp::now();
    let kept = append(
        folder,
        &NewEntry {
            scanner: &scanner,
            time: arguments.at.unwrap_or(now),
            logged: now,
            operator: arguments.operator.as_deref(),
            note: Some(note),
            report: None,
        },
    )?;
    tell(&kept);
    output::to_stdout(|to| {
        writeln!(
            to,
            "{}: entry {}, hash {}",
            kept.path.display(),
            kept.sequence,
            kept.hash
        )
    })?;
    Ok(Exit::Done)
}

/// Looks at all checks of a scanner.
///
/// Exit code 3 when something is out of tolerance or a chart calls at the newest check, 4 when the log is not as it was
/// written.
pub(crate) fn run_history(arguments: &LogArguments, format: Format) -> Result<Exit> {
    let folder = arguments.log.as_deref().ok_or_else(|| {
        Error::new(ErrorKind::Mismatch, "no folder of logs").expected("expected --log DIR")
    })?;
    if let Some(path) = &arguments.html {
        output::check_target(path)?;
    }
    let scanner = match &arguments.scanner {
        Some(name) => name.clone(),
        None => only_scanner(folder)?,
    };
    let log = read_log(folder, &scanner)?;
    let settings = ReviewSettings {
        limits_from: arguments.limits_from as usize,
        ..ReviewSettings::USUAL
    };
    let review = review(&log, &settings);
    let mut whole = true;
    for damage in &log.damage {
        whole = false;
        output::warn(&format!("{}: {damage}", log.path.display()));
    }
    for notice in log.notices() {
        output::warn(&format!("{}: {notice}", log.path.display()));
    }
    if let Some(known) = &arguments.known
        && !log.holds(known.sequence, &known.hash)
    {
        whole = false;
        output::warn(&format!(
            "{}: entry {} with hash {} is not in this log: it was cut off at its end, or is another log",
            log.path.display(),
            known.sequence,
            known.hash
        ));
    }
    if let Some(path) = &arguments.html {
        let page = history_page(&log, &review, Timestamp::now())?;
        output::to_file(path, |to| to.write_all(page.as_bytes()))?;
    }
    show(&log, &review, format)?;
    let verdict = match review.standing().0 {
        Standing::NoChecks | Standing::AsBefore => Exit::Done,
        Standing::NotAsBefore | Standing::OutOfTolerance => Exit::BadVerdict,
    };
    Ok(verdict.and(if whole { Exit::Done } else { Exit::Rejected }))
}

fn show(log: &Log, review: &Review, format: Format) -> Result<()> {
    output::to_stdout(|to| match format {
        Format::Text => history_output::text(to, log, review),
        Format::Json => history_output::json(to, log, review),
        Format::Csv => history_output::csv(to, review),
    })
}

/// The scanner of the one log in a folder.
fn only_scanner(folder: &Path) -> Result<String> {
    output::check_folder(folder, "logs")?;
    let mut names = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(|e| Error::io(folder, &e))? {
        let path = entry.map_err(|e| Error::io(folder, &e))?.path();
        if path.extension().is_some_and(|it| it == "jsonl")
            && let Some(name) = path.file_stem().and_then(|it| it.to_str())
        {
            names.push(name.to_owned());
        }
    }
    names.sort();
    match names.as_slice() {
        [name] => Ok(name.clone()),
        [] => Err(Error::new(ErrorKind::Io, "no log in it")
            .at(folder)
            .expected("expected a SCANNER.jsonl; checks with --log start it")),
        _ => Err(
            Error::new(ErrorKind::Mismatch, format!("logs of {}", names.join(", ")))
                .at(folder)
                .expected("name one with --scanner"),
        ),
    }
}
