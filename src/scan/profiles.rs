//! `profiles.csv`: the encoder's record of where and when each row was taken.

use std::path::Path;

use jiff::Timestamp;

use crate::error::{Error, ErrorKind, Result};

use super::folder::Scan;

/// Where each row of a frame truly lies.
#[derive(Debug, Clone, PartialEq)]
pub struct Profiles {
    /// Position along the belt of each row's centre, mm, strictly increasing.
    pub encoder_mm: Vec<f64>,
    /// Time of each row, when the file states it.
    pub time: Option<Vec<Timestamp>>,
}

/// Reads the encoder's record of `scan`; `None` when it has none.
///
/// # Errors
/// The file cannot be read, has other columns, or its rows do not fit the height frame.
pub fn read_profiles(scan: &Scan) -> Result<Option<Profiles>> {
    match &scan.description.profiles {
        None => Ok(None),
        Some(part) => {
            let path = scan.folder.join(&part.file);
            let first = scan.description.height.first_profile;
            if scan.packed.is_none() {
                return read_profile_file(&path, scan.rows, first).map(Some);
            }
            let bytes = scan.profile_bytes()?.unwrap_or_default();
            read_profile_rows(&bytes[..], &path, scan.rows, first).map(Some)
        }
    }
}

/// Reads an encoder record that must hold `rows` rows.
///
/// `profile` counts one by one, from 0 (the frame's rows) or from `first_profile` (the recording's). The optional `time` is RFC 3339 and never runs backwards.
///
/// # Errors
/// As for [`read_profiles`].
pub fn read_profile_file(path: &Path, rows: usize, first_profile: u64) -> Result<Profiles> {
    let file = std::fs::File::open(path).map_err(|e| Error::io(path, &e))?;
    read_profile_rows(file, path, rows, first_profile)
}

fn read_profile_rows(
    file: impl std::io::Read,
    path: &Path,
    rows: usize,
    first_profile: u64,
) -> Result<Profiles> {
    let mut reader = csv::ReaderBuilder::new()
        .trim(csv::Trim::All)
        .comment(Some(b'#'))
        .from_reader(file);
    let wrong = |found: String| Error::new(ErrorKind::Document, found).at(path);
    let broken = |e: csv::Error| {
        let line = e.position().map(csv::Position::line);
        let error =
            wrong(e.to_string()).expected("expected profile,encoder_mm[,time] on each line");
        match line {
            Some(line) => error.line(line as usize),
            None => error,
        }
    };
    let header = reader.headers().map_err(broken)?.clone();
    // Spreadsheets may put a byte-order mark before the first name.
    let names: Vec<&str> = header
        .iter()
        .map(|name| name.trim_start_matches('\u{feff}'))
        .collect();
    let timed = match names[..] {
        ["profile", "encoder_mm"] => false,
        ["profile", "encoder_mm", "time"] => true,
        _ => {
            return Err(wrong(format!("found the columns {}", names.join(",")))
                .line(1)
                .expected("expected the columns profile,encoder_mm[,time]"));
        }
    };
    let mut encoder_mm: Vec<f64> = Vec::new();
    let mut time: Vec<Timestamp> = Vec::new();
    let mut start = 0;
    let mut record = csv::StringRecord::new();
    while reader.read_record(&mut record).map_err(broken)? {
        let line = record.position().map_or(0, |p| p.line() as usize);
        let bad = |key: &str, expected: String| {
            let index = names.iter().position(|name| *name == key).unwrap_or(0);
            wrong(format!("found '{}'", record.get(index).unwrap_or("")))
                .line(line)
                .key(key)
                .expected(expected)
        };
        let row = encoder_mm.len();
        if row == rows {
            return Err(bad(
                "profile",
                format!("expected {rows} rows, as the height frame has"),
            ));
        }
        let profile = record.get(0).and_then(|v| v.parse::<u64>().ok());
        let next = match (row, profile) {
            (0, Some(profile)) if profile == 0 || profile == first_profile => profile,
            (0, _) => {
                return Err(bad(
                    "profile",
                    format!("expected 0, or {first_profile}, the frame's first_profile"),
                ));
            }
            _ => start + row as u64,
        };
        if profile != Some(next) {
            return Err(bad("profile", format!("expected {next}, the next row")));
        }
        if row == 0 {
            start = next;
        }
        let position = record
            .get(1)
            .and_then(|v| v.parse::<f64>().ok())
            .filter(|v| v.is_finite())
            .ok_or_else(|| bad("encoder_mm", "expected a finite number of mm".into()))?;
        if let Some(before) = encoder_mm.last()
            && position <= *before
        {
            return Err(bad(
                "encoder_mm",
                format!("expected more than {before}, the row before: the belt runs forward only"),
            ));
        }
        encoder_mm.push(position);
        if timed {
            let at = record
                .get(2)
                .and_then(|v| v.parse::<Timestamp>().ok())
                .ok_or_else(|| {
                    bad(
                        "time",
                        "expected an RFC 3339 time with Z or an offset".into(),
                    )
                })?;
            if let Some(before) = time.last()
                && at < *before
            {
                return Err(bad("time", format!("expected {before} or later")));
            }
            time.push(at);
        }
    }
    if encoder_mm.len() != rows {
        return Err(wrong(format!("found {} rows", encoder_mm.len()))
            .expected(format!("expected {rows}, as the height frame has")));
    }
    Ok(Profiles {
        encoder_mm,
        time: timed.then_some(time),
    })
}
