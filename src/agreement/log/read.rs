//! Reads logs row by row, keeping only what lies within the span asked for.

use std::fs::File;
use std::io::{BufRead, Cursor, Read};
use std::path::Path;

use csv::ByteRecord;
use jiff::Timestamp;

use super::encoding::{Encoding, cell_text, decoded};
use super::form::{Form, written_time};
use super::head::{Head, LINES, find};
use super::layout::{LogLayout, layout_beside, read_layout};
use super::number;
use super::reading::{LogFile, LogReading};
use super::repeated::Seen;
use super::time::{Clock, Kind};
use crate::agreement::Weighing;
use crate::error::{Error, ErrorKind, Result};

/// Rows that decide how times and masses are written.
const SAMPLE: usize = 2000;
/// More unreadable rows than this share and number mean a wrong column.
const UNREADABLE_SHARE: f64 = 0.2;
const UNREADABLE: usize = 5;
/// Longest first line that is looked at, bytes.
const LONGEST_LINE: u64 = 1 << 20;

/// Reads logs one after the other; row numbers are counted on. What `layout` does not say is taken from the file `LOG.toml` beside each log, where
/// there is one. Only weighings within `span` are kept, so that a log of any length takes no more memory than they do.
///
/// # Errors
/// A file cannot be read, a column is not there, or something that the log does not say was not given: file and what to give are named.
pub fn read_log_files(
    paths: &[impl AsRef<Path>],
    layout: &LogLayout,
    span: Option<(Timestamp, Timestamp)>,
) -> Result<LogReading> {
    let mut reading = LogReading {
        files: Vec::new(),
        weighings: Vec::new(),
        test_weights_g: layout.test_weights_g.clone(),
    };
    let mut seen = Seen::default();
    let mut rows_before = 0;
    for path in paths {
        let path = path.as_ref();
        let beside = layout_beside(path);
        let layout = if beside.is_file() {
            layout.clone().or(&read_layout(&beside)?)
        } else {
            layout.clone()
        };
        for mass in &layout.test_weights_g {
            if !reading.test_weights_g.contains(mass) {
                reading.test_weights_g.push(*mass);
            }
        }
        let file = File::open(path).map_err(|e| Error::io(path, &e))?;
        let mut one = OneLog {
            layout: &layout,
            span,
            rows_before,
            seen: &mut seen,
            weighings: &mut reading.weighings,
        };
        let read = one.read(file, path).map_err(|error| error.at(path))?;
        rows_before += read.rows;
        reading.files.push(read);
    }
    Ok(reading)
}

struct OneLog<'a> {
    layout: &'a LogLayout,
    span: Option<(Timestamp, Timestamp)>,
    rows_before: usize,
    seen: &'a mut Seen,
    weighings: &'a mut Vec<Weighing>,
}

impl OneLog<'_> {
    fn read(&mut self, file: impl Read, path: &Path) -> Result<LogFile> {
        let (mut text, encoding) = decoded(file)?;
        let mut lines = Vec::new();
        while lines.len() < LINES {
            let mut line = Vec::new();
            let count = (&mut text)
                .take(LONGEST_LINE)
                .read_until(b'\n', &mut line)
                .map_err(|e| Error::new(ErrorKind::Io, e.to_string()))?;
            if count == 0 {
                break;
            }
            lines.push(line);
        }
        if lines.iter().all(|line| line.trim_ascii().is_empty()) {
            return Err(Error::new(ErrorKind::Document, "the log is empty")
                .expected("expected a table with a line of column names"));
        }
        let head = find(&lines, self.layout)?;
        let start: Vec<u8> = lines[head.lines..].concat();
        let mut rows = csv::ReaderBuilder::new()
            .delimiter(head.delimiter as u8)
            .flexible(true)
            .has_headers(false)
            .trim(csv::Trim::None)
            .from_reader(Cursor::new(start).chain(text));
        let mut sample = Vec::new();
        let mut row = ByteRecord::new();
        while sample.len() < SAMPLE && next(&mut rows, &mut row)? {
            sample.push(row.clone());
        }
        let form = Form::of(self.layout, &head, &sample)?;
        let mut file = LogFile {
            path: path.to_path_buf(),
            encoding: match encoding {
                Encoding::Bytes => "UTF-8",
                Encoding::Utf16Little | Encoding::Utf16Big => "UTF-16",
            },
            delimiter: head.delimiter,
            head_line: head.lines,
            time_column: head.names[head.time].clone(),
            date_column: head.date.map(|at| head.names[at].clone()),
            mass_column: head.names[head.mass].clone(),
            lane_column: head.lane.map(|at| head.names[at].clone()),
            time_form: form.time_words.clone(),
            decimal_mark: form.decimal.sign(),
            unit: form.unit.sign(),
            unit_from: form.unit_from,
            rows: 0,
            used: 0,
            outside: 0,
            repeated: 0,
            empty_scale: 0,
            no_mass: 0,
            no_mass_example: None,
            no_time: 0,
            no_time_example: None,
            cut_off: 0,
            out_of_order: 0,
            hour_twice: 0,
            span: None,
        };
        if head.names.iter().any(|name| !name.is_ascii()) && cell_text(&lines[head.lines - 1]).1 {
            file.encoding = "Latin-1";
        }
        let mut clock = form.clock.clone();
        let mut last = None;
        for row in &sample {
            self.row(row, &head, &form, &mut clock, &mut last, &mut file);
        }
        while next(&mut rows, &mut row)? {
            self.row(&row, &head, &form, &mut clock, &mut last, &mut file);
        }
        file.hour_twice = clock.twice;
        check(&file, &form)?;
        Ok(file)
    }

    fn row(
        &mut self,
        row: &ByteRecord,
        head: &Head,
        form: &Form,
        clock: &mut Clock,
        last: &mut Option<Timestamp>,
        file: &mut LogFile,
    ) {
        file.rows += 1;
        let needed = [Some(head.time), head.date, Some(head.mass)];
        if needed.iter().flatten().any(|at| row.get(*at).is_none()) {
            file.cut_off += 1;
            return;
        }
        let number = file.rows;
        let text = |at: usize| row.get(at).map(|cell| cell_text(cell).0.trim().to_owned());
        let time = written_time(row, head).and_then(|written| clock.instant(written));
        let Some(time) = time else {
            file.no_time += 1;
            let cell = text(head.time).unwrap_or_default();
            file.no_time_example.get_or_insert((number, cell));
            return;
        };
        file.span = Some(match file.span {
            None => (time, time),
            Some((first, end)) => (first.min(time), end.max(time)),
        });
        file.out_of_order += usize::from(last.is_some_and(|last| time < last));
        *last = Some(time);
        if self.span.is_some_and(|(from, to)| time < from || to < time) {
            file.outside += 1;
            return;
        }
        let cell = text(head.mass).unwrap_or_default();
        let mass = number::written(&cell).and_then(|written| {
            let value = number::value(written.digits, form.decimal)?;
            Some(value * written.unit.unwrap_or(form.unit).grams())
        });
        let Some(mass_g) = mass else {
            file.no_mass += 1;
            file.no_mass_example.get_or_insert((number, cell));
            return;
        };
        if mass_g <= 0.0 {
            file.empty_scale += 1;
            return;
        }
        if self.seen.repeats(row, time) {
            file.repeated += 1;
            return;
        }
        file.used += 1;
        let lane = head.lane.and_then(text).and_then(|cell| lane_number(&cell));
        self.weighings.push(Weighing {
            log_row: self.rows_before + number,
            time,
            mass_g,
            lane,
        });
    }
}

/// The lane's number in `3`, `Lane 3` or `L3`.
fn lane_number(cell: &str) -> Option<u32> {
    let digits: String = cell
        .chars()
        .skip_while(|c| !c.is_ascii_digit())
        .take_while(char::is_ascii_digit)
        .collect();
    digits.parse().ok()
}

fn next(rows: &mut csv::Reader<impl Read>, row: &mut ByteRecord) -> Result<bool> {
    rows.read_byte_record(row).map_err(|error| {
        let line = error.position().map(csv::Position::line);
        let found = Error::new(ErrorKind::Document, error.to_string());
        match line.and_then(|line| usize::try_from(line).ok()) {
            Some(line) => found.line(line),
            None => found,
        }
    })
}

/// A column of which much cannot be read is the wrong one.
fn check(file: &LogFile, form: &Form) -> Result<()> {
    let many =
        |count: usize| count > UNREADABLE && count as f64 > UNREADABLE_SHARE * file.rows as f64;
    let wrong = |count: usize,
                 what: &str,
                 example: &Option<(usize, String)>,
                 column: &str,
                 expected: &str| {
        let (row, cell) = example.clone().unwrap_or_default();
        Err(Error::new(
            ErrorKind::Document,
            format!(
                "{count} of {} rows hold no {what} (row {row}: “{cell}”)",
                file.rows
            ),
        )
        .key(column)
        .expected(expected))
    };
    if many(file.no_time) {
        let expected = match form.kind {
            Kind::Absolute => "is it the right column? Give it with --time",
            _ => "is it the right column, and are --zone and --date-order right?",
        };
        return wrong(
            file.no_time,
            "time",
            &file.no_time_example,
            &file.time_column,
            expected,
        );
    }
    if many(file.no_mass) {
        return wrong(
            file.no_mass,
            "number",
            &file.no_mass_example,
            &file.mass_column,
            "is it the right column, and is --decimal right?",
        );
    }
    if many(file.cut_off) {
        return Err(Error::new(
            ErrorKind::Document,
            format!("{} of {} rows have too few cells", file.cut_off, file.rows),
        )
        .expected("is the file whole, and a table throughout?"));
    }
    Ok(())
}
