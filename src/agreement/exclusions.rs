//! Pairs that a person set aside, with the reason: a small document beside the result, so that whoever reads the figures knows what is not in them.

use std::io::Write;
use std::path::Path;

use jiff::Timestamp;
use serde::Deserialize;

use super::PairedPiece;
use crate::document::{Document, TomlText, WireTime, file_hash, replace_file};
use crate::error::{Error, ErrorKind, Result};

/// The format word of the document.
pub const EXCLUSIONS_FORMAT: &str = "weighlight-exclusions/1";

/// Longest reason, in characters.
const LONGEST_REASON: usize = 500;

/// A pair that was set aside.
#[derive(Debug, Clone, PartialEq)]
pub struct Exclusion {
    /// 1-based data row of the piece table.
    pub piece_row: usize,
    /// 1-based data row of the log.
    pub log_row: usize,
    /// Why.
    pub reason: String,
    /// Who set it aside.
    pub by: Option<String>,
    /// When.
    pub at: Timestamp,
    /// When it was taken back, if it was: it then counts again.
    pub taken_back: Option<Timestamp>,
}

/// All pairs that were set aside in one comparison, those taken back as well.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Exclusions {
    /// BLAKE3 of the piece table, hexadecimal.
    pub pieces_blake3: String,
    /// BLAKE3 of the log; of several, of their hashes one after the other.
    pub log_blake3: String,
    /// In the order in which they were made.
    pub entries: Vec<Exclusion>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct ExclusionsRecord {
    #[serde(rename = "format")]
    _format: String,
    pieces_blake3: String,
    log_blake3: String,
    #[serde(default)]
    exclude: Vec<ExclusionRecord>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct ExclusionRecord {
    piece_row: usize,
    log_row: usize,
    reason: String,
    by: Option<String>,
    at: WireTime,
    taken_back: Option<WireTime>,
}

/// The hash of a file; of several files, that of their hashes one after the other.
///
/// # Errors
/// One cannot be read.
pub fn files_hash(paths: &[impl AsRef<Path>]) -> Result<String> {
    let hashes = paths
        .iter()
        .map(|path| file_hash(path.as_ref()))
        .collect::<Result<Vec<_>>>()?;
    Ok(match hashes.as_slice() {
        [one] => one.clone(),
        all => blake3::hash(all.concat().as_bytes()).to_hex().to_string(),
    })
}

impl Exclusions {
    /// Refuses what was made for other files: a row's number means nothing in them.
    ///
    /// # Errors
    /// A hash is another.
    pub fn check_files(&self, pieces_blake3: &str, log_blake3: &str) -> Result<()> {
        let wrong = |what: &str| {
            Err(Error::new(
                ErrorKind::Mismatch,
                format!("pairs set aside of another {what}"),
            )
            .expected("expected those of the same piece table and log"))
        };
        if self.pieces_blake3 != pieces_blake3 {
            return wrong("piece table");
        }
        if self.log_blake3 != log_blake3 {
            return wrong("log");
        }
        Ok(())
    }

    /// Those in force, by piece row.
    #[must_use]
    pub fn in_force(&self) -> Vec<&Exclusion> {
        let mut found: Vec<&Exclusion> = self
            .entries
            .iter()
            .filter(|it| it.taken_back.is_none())
            .collect();
        found.sort_by_key(|it| (it.piece_row, it.log_row));
        found
    }

    /// Whether a pair is set aside.
    #[must_use]
    pub fn hold(&self, piece_row: usize, log_row: usize) -> bool {
        self.entries
            .iter()
            .any(|it| it.taken_back.is_none() && (it.piece_row, it.log_row) == (piece_row, log_row))
    }

    /// Sets a pair aside.
    ///
    /// # Errors
    /// It is set aside already, or the reason is empty or very long.
    pub fn exclude(
        &mut self,
        (piece_row, log_row): (usize, usize),
        reason: &str,
        by: Option<&str>,
        at: Timestamp,
    ) -> Result<()> {
        let reason = reason.trim();
        let wrong = |found: String, expected: &str| {
            Err(Error::new(ErrorKind::Mismatch, found).expected(expected))
        };
        if reason.is_empty() || reason.chars().count() > LONGEST_REASON {
            return wrong(
                "a pair set aside without a reason, or with a very long one".to_owned(),
                "expected a reason of 1 to 500 characters",
            );
        }
        if self.hold(piece_row, log_row) {
            return wrong(
                format!("the pair of piece row {piece_row} is set aside already"),
                "take it back first",
            );
        }
        let by = by.map(str::trim).filter(|it| !it.is_empty());
        self.entries.push(Exclusion {
            piece_row,
            log_row,
            reason: reason.to_owned(),
            by: by.map(str::to_owned),
            at,
            taken_back: None,
        });
        Ok(())
    }

    /// Takes a pair back: it counts again, and the document goes on saying that it once did not.
    ///
    /// # Errors
    /// It is not set aside.
    pub fn take_back(&mut self, piece_row: usize, log_row: usize, at: Timestamp) -> Result<()> {
        let found = self.entries.iter_mut().find(|it| {
            it.taken_back.is_none() && (it.piece_row, it.log_row) == (piece_row, log_row)
        });
        match found {
            Some(entry) => {
                entry.taken_back = Some(at);
                Ok(())
            }
            None => Err(Error::new(
                ErrorKind::Mismatch,
                format!("the pair of piece row {piece_row} is not set aside"),
            )),
        }
    }

    /// Parts pairs into those that count and those set aside.
    #[must_use]
    pub fn part(&self, pairs: Vec<PairedPiece>) -> (Vec<PairedPiece>, Vec<PairedPiece>) {
        pairs
            .into_iter()
            .partition(|it| !self.hold(it.piece_row, it.log_row))
    }

    /// The document's text.
    #[must_use]
    pub fn to_text(&self) -> String {
        let mut text = TomlText::new(EXCLUSIONS_FORMAT);
        text.text("pieces_blake3", &self.pieces_blake3);
        text.text("log_blake3", &self.log_blake3);
        for entry in &self.entries {
            text.item("exclude");
            text.whole("piece_row", entry.piece_row as u64);
            text.whole("log_row", entry.log_row as u64);
            text.text("reason", &entry.reason);
            if let Some(by) = &entry.by {
                text.text("by", by);
            }
            text.time("at", entry.at);
            if let Some(at) = entry.taken_back {
                text.time("taken_back", at);
            }
        }
        text.finish()
    }
}

/// Reads the document.
///
/// # Errors
/// It cannot be read, or a value is wrong; with file, line and key.
pub fn read_exclusions(path: &Path) -> Result<Exclusions> {
    let document = Document::read(path)?;
    document.expect_format(EXCLUSIONS_FORMAT)?;
    let record: ExclusionsRecord = document.decode()?;
    let entries = record.exclude.iter().enumerate().map(|(at, it)| {
        let key = |name: &str| format!("exclude[{at}].{name}");
        let time = |name: &str, time: &WireTime| document.time(&key(name), time);
        if it.piece_row == 0 || it.log_row == 0 {
            return Err(document
                .wrong(&key("piece_row"), "a row 0")
                .expected("expected data rows from 1"));
        }
        Ok(Exclusion {
            piece_row: it.piece_row,
            log_row: it.log_row,
            reason: it.reason.clone(),
            by: it.by.clone(),
            at: time("at", &it.at)?,
            taken_back: it
                .taken_back
                .as_ref()
                .map(|taken| time("taken_back", taken))
                .transpose()?,
        })
    });
    Ok(Exclusions {
        entries: entries.collect::<Result<_>>()?,
        pieces_blake3: record.pieces_blake3,
        log_blake3: record.log_blake3,
    })
}

/// Writes the document, whole or not at all.
///
/// # Errors
/// The file cannot be written.
pub fn write_exclusions(path: &Path, exclusions: &Exclusions) -> Result<()> {
    let text = exclusions.to_text();
    replace_file(path, |to| {
        to.write_all(text.as_bytes())
            .map_err(|source| Error::io(path, &source))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn time(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    #[test]
    fn what_is_written_reads_back() {
        let home = tempfile::tempdir().unwrap();
        let path = home.path().join("set-aside.toml");
        let mut made = Exclusions {
            pieces_blake3: "ab".to_owned(),
            log_blake3: "cd".to_owned(),
            entries: Vec::new(),
        };
        let at = time("2026-03-04T09:00:00Z");
        made.exclude((7, 9), " dropped \"twice\" ", Some("A. Lund"), at)
            .unwrap();
        made.exclude((3, 4), "water on it", Some(" "), at).unwrap();
        assert!(made.exclude((7, 9), "again", None, at).is_err());
        assert!(made.exclude((8, 9), "  ", None, at).is_err());
        made.take_back(7, 9, time("2026-03-04T10:00:00Z")).unwrap();
        assert!(made.take_back(7, 9, at).is_err());
        write_exclusions(&path, &made).unwrap();
        let read = read_exclusions(&path).unwrap();
        assert_eq!(read, made);
        assert_eq!(read.entries[0].reason, "dropped \"twice\"");
        assert_eq!(read.entries[1].by, None);
        assert!(read.hold(3, 4) && !read.hold(7, 9) && !read.hold(3, 5));
        assert_eq!(read.in_force().len(), 1);
    }

    #[test]
    fn wrong_documents_are_refused_with_their_line() {
        let home = tempfile::tempdir().unwrap();
        let path = home.path().join("set-aside.toml");
        for (text, found) in [
            ("format = \"other\"\n", "other"),
            (
                "format = \"weighlight-exclusions/1\"\npieces_blake3 = \"a\"\nlog_blake3 = \"b\"\n[[exclude]]\npiece_row = 0\nlog_row = 1\nreason = \"x\"\nat = 2026-03-04T09:00:00Z\n",
                ":5:",
            ),
            (
                "format = \"weighlight-exclusions/1\"\npieces_blake3 = \"a\"\nlog_blake3 = \"b\"\nother = 1\n",
                "other",
            ),
        ] {
            std::fs::write(&path, text).unwrap();
            let error = read_exclusions(&path).unwrap_err().to_string();
            assert!(error.contains(found), "{error}");
        }
    }
}
