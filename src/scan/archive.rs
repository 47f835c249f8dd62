//! Archives: every folder below the given ones that holds a `scan.toml`, and every pack.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use crate::error::{Error, ErrorKind, Result};

use super::folder::{SCAN_FILE, Scan, read_scan};
use super::pack::{is_pack, pack_scans};
use super::recording::{Recording, Rejected, group_recordings};

/// All the scans of an archive, joined into recordings.
#[derive(Debug, Clone)]
pub struct Archive {
    /// Recordings in the order of their names' bytes.
    pub recordings: Vec<Recording>,
    /// Scans that could not be used, and folders that could not be searched, in the order of their paths.
    pub rejected: Vec<Rejected>,
}

/// Finds every scan folder at or below `paths`, in the order of their paths' bytes, each once.
///
/// A path may be a folder or a `scan.toml` itself. Links are followed, and a folder reached twice is searched once.
///
/// # Errors
/// A path does not exist, a folder cannot be searched, or there is no scan at all.
pub fn find_scans(paths: &[PathBuf]) -> Result<Vec<PathBuf>> {
    let found = search(paths)?;
    match found.unreadable.into_iter().next() {
        Some(rejected) => Err(rejected.error),
        None => Ok(found.folders),
    }
}

/// Reads every scan at or below `paths` and joins them into recordings. A damaged scan is listed and stops no other.
///
/// # Errors
/// A path does not exist, or there is no scan at all.
pub fn read_archive(paths: &[PathBuf]) -> Result<Archive> {
    let found = search(paths)?;
    let mut scans: Vec<(PathBuf, Result<Scan>)> = found
        .folders
        .into_par_iter()
        .map(|folder| {
            let scan = read_scan(&folder);
            (folder, scan)
        })
        .collect();
    let packed: Vec<Vec<(PathBuf, Result<Scan>)>> = found
        .packs
        .into_par_iter()
        .map(|file| pack_scans(&file).unwrap_or_else(|error| vec![(file, Err(error))]))
        .collect();
    scans.extend(packed.into_iter().flatten());
    let (recordings, mut rejected) = group_recordings(scans);
    rejected.extend(found.unreadable);
    rejected.sort_by(|a, b| bytes(&a.folder).cmp(bytes(&b.folder)));
    Ok(Archive {
        recordings,
        rejected,
    })
}

struct Found {
    folders: Vec<PathBuf>,
    packs: Vec<PathBuf>,
    unreadable: Vec<Rejected>,
}

fn search(paths: &[PathBuf]) -> Result<Found> {
    let mut found = Found {
        folders: Vec::new(),
        packs: Vec::new(),
        unreadable: Vec::new(),
    };
    let mut seen = BTreeSet::new();
    for path in paths {
        let metadata = std::fs::metadata(path).map_err(|e| {
            Error::io(path, &e).expected("expected a scan folder, or a folder of scans")
        })?;
        if metadata.is_dir() {
            walk(path.clone(), &mut seen, &mut found);
        } else if path.file_name().is_some_and(|name| name == SCAN_FILE) {
            let folder = match path.parent() {
                Some(parent) if parent != Path::new("") => parent,
                _ => Path::new("."),
            };
            let real = std::fs::canonicalize(folder).map_err(|e| Error::io(folder, &e))?;
            if seen.insert(real) {
                found.folders.push(folder.to_path_buf());
            }
        } else if is_pack(path) {
            let real = std::fs::canonicalize(path).map_err(|e| Error::io(path, &e))?;
            if seen.insert(real) {
                found.packs.push(path.clone());
            }
        } else {
            return Err(Error::new(ErrorKind::Io, "a file")
                .at(path)
                .expected("expected a scan folder, a folder of scans, or a pack (.zarr.zip)"));
        }
    }
    found.folders.sort_by(|a, b| bytes(a).cmp(bytes(b)));
    found.packs.sort_by(|a, b| bytes(a).cmp(bytes(b)));
    if found.folders.is_empty() && found.packs.is_empty() {
        if let Some(rejected) = found.unreadable.into_iter().next() {
            return Err(rejected.error);
        }
        let names: Vec<String> = paths.iter().map(|p| p.display().to_string()).collect();
        let error = Error::new(
            ErrorKind::Io,
            format!(
                "no {SCAN_FILE} and no pack in or below {}",
                names.join(", ")
            ),
        );
        return Err(error.expected("expected a scan folder, or a folder of scans"));
    }
    Ok(found)
}

fn walk(start: PathBuf, seen: &mut BTreeSet<PathBuf>, found: &mut Found) {
    // A list instead of recursion: a deep tree must not exhaust the stack. The next folder is taken from its end, so
    // siblings go in backwards; with links this makes the path under which a folder is first met the smallest.
    let mut waiting = vec![start];
    while let Some(folder) = waiting.pop() {
        match list(&folder, seen) {
            Ok(None) => {}
            Ok(Some(listing)) => {
                if listing.is_scan {
                    found.folders.push(folder);
                }
                for file in listing.packs {
                    // Reached twice by links, it is still one.
                    let real = std::fs::canonicalize(&file).unwrap_or_else(|_| file.clone());
                    if seen.insert(real) {
                        found.packs.push(file);
                    }
                }
                waiting.extend(listing.folders.into_iter().rev());
            }
            Err(error) => found.unreadable.push(Rejected { folder, error }),
        }
    }
}

struct Listing {
    is_scan: bool,
    folders: Vec<PathBuf>,
    packs: Vec<PathBuf>,
}

/// What a folder holds; `None` when it was searched before, under this or another name.
fn list(folder: &Path, seen: &mut BTreeSet<PathBuf>) -> Result<Option<Listing>> {
    let io = |e: std::io::Error| Error::io(folder, &e);
    if !seen.insert(std::fs::canonicalize(folder).map_err(io)?) {
        return Ok(None);
    }
    let mut listing = Listing {
        is_scan: false,
        folders: Vec::new(),
        packs: Vec::new(),
    };
    for entry in std::fs::read_dir(folder).map_err(io)? {
        let entry = entry.map_err(io)?;
        if entry.file_name() == SCAN_FILE {
            listing.is_scan = true;
            continue;
        }
        let kind = entry.file_type().map_err(io)?;
        // A link that leads nowhere is no folder; whoever needs its target will miss it by name.
        let is_folder = kind.is_dir() || (kind.is_symlink() && entry.path().is_dir());
        if is_folder {
            listing.folders.push(entry.path());
        } else if is_pack(&entry.path()) && !is_unfinished(&entry.file_name()) {
            listing.packs.push(entry.path());
        }
    }
    listing.packs.sort_by(|a, b| bytes(a).cmp(bytes(b)));
    listing.folders.sort_by(|a, b| bytes(a).cmp(bytes(b)));
    Ok(Some(listing))
}

/// Whether a file is still being written: its name begins with a dot.
fn is_unfinished(name: &std::ffi::OsStr) -> bool {
    name.as_encoded_bytes().starts_with(b".")
}

fn bytes(path: &Path) -> &[u8] {
    path.as_os_str().as_encoded_bytes()
}
