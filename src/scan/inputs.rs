//! The files that a scan is read from: their sizes and times for a quick look, their hashes for proof.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::time::{Duration, UNIX_EPOCH};

use crate::error::{Error, ErrorKind, Result};

use super::folder::{SCAN_FILE, Scan};
use super::head::ScanHead;
use super::pack::{PackedFrame, hash_of_frame};

/// A file of a scan as the file system states it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StatedFile {
    /// The file's name, relative to the scan's folder.
    pub name: PathBuf,
    /// Its size in bytes.
    pub bytes: u64,
    /// When it was last changed, ns since 1970; 0 where the file system does not say.
    pub modified_ns: i128,
}

/// A file of a scan with the hash of what is in it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HashedFile {
    /// The file's name, relative to the scan's folder.
    pub name: PathBuf,
    /// Its size in bytes.
    pub bytes: u64,
    /// BLAKE3 of its bytes.
    pub blake3: blake3::Hash,
}

/// The names of all files a scan is read from: its description first, then heights, views, colour, encoder record. A packed one has the pack's
/// name alone.
pub(super) fn names(scan: &Scan) -> Vec<PathBuf> {
    if let Some(frame) = &scan.packed {
        return vec![
            frame
                .file
                .file_name()
                .map(PathBuf::from)
                .unwrap_or_default(),
        ];
    }
    let description = &scan.description;
    let mut names = vec![PathBuf::from(SCAN_FILE), description.height.file.clone()];
    names.extend(description.views.iter().map(|view| view.file.clone()));
    names.extend(description.colour.iter().map(|colour| colour.file.clone()));
    names.extend(description.profiles.iter().map(|part| part.file.clone()));
    names
}

/// Where the file of that name is.
pub(super) fn place(scan: &Scan, name: &Path) -> PathBuf {
    match &scan.packed {
        Some(frame) => frame.file.clone(),
        None => scan.folder.join(name),
    }
}

fn nanoseconds(duration: Duration) -> i128 {
    i128::try_from(duration.as_nanos()).unwrap_or(0)
}

/// Size and time of every file of a scan, in a fixed order; nothing is read.
///
/// # Errors
/// A file is not there any more.
pub fn stated_files(scan: &ScanHead) -> Result<Vec<StatedFile>> {
    let (folder, pack) = (scan.folder(), scan.pack());
    let names = scan.files().iter();
    names
        .map(|name| {
            let path = pack.clone().unwrap_or_else(|| folder.join(name));
            let data = std::fs::metadata(&path).map_err(|e| Error::io(&path, &e))?;
            Ok(StatedFile {
                name: name.clone(),
                bytes: data.len(),
                modified_ns: data.modified().map_or(0, |time| {
                    match time.duration_since(UNIX_EPOCH) {
                        Ok(after) => nanoseconds(after),
                        Err(before) => -nanoseconds(before.duration()),
                    }
                }),
            })
        })
        .collect()
}

/// The hash of every file of a scan, in the order of [`stated_files`]; of a pack, of what is in it of this scan.
///
/// # Errors
/// A file cannot be read.
pub fn hashed_files(scan: &Scan) -> Result<Vec<HashedFile>> {
    hashed(&names(scan), &scan.folder, scan.packed.as_ref())
}

/// As [`hashed_files`], by what is kept of a scan.
///
/// # Errors
/// A file cannot be read.
pub fn hashed_files_of(scan: &ScanHead) -> Result<Vec<HashedFile>> {
    hashed(scan.files(), &scan.folder(), scan.packed().as_ref())
}

fn hashed(
    names: &[PathBuf],
    folder: &Path,
    packed: Option<&PackedFrame>,
) -> Result<Vec<HashedFile>> {
    names
        .iter()
        .map(|name| {
            let (bytes, blake3) = match packed {
                Some(frame) => hash_of_frame(frame)?,
                None => hash_file(&folder.join(name))?,
            };
            Ok(HashedFile {
                name: name.clone(),
                bytes,
                blake3,
            })
        })
        .collect()
}

/// Length and BLAKE3 of a regular file.
fn hash_file(path: &Path) -> Result<(u64, blake3::Hash)> {
    let io = |e: std::io::Error| Error::io(path, &e);
    let file = File::open(path).map_err(io)?;
    // A pipe or a device has no content that could be hashed and then read again.
    if !file.metadata().map_err(io)?.is_file() {
        return Err(Error::new(ErrorKind::Image, "not a regular file")
            .at(path)
            .expected("expected a file that holds its data itself"));
    }
    let mut hasher = blake3::Hasher::new();
    hasher.update_reader(file).map_err(io)?;
    Ok((hasher.count(), hasher.finalize()))
}
