//! Archives: every folder below the given ones that holds a `scan.toml`, and every pack.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

use rayon::prelude::*;

use crate::error::{Error, ErrorKind, Result};

use super::folder::{SCAN_FILE, Scan, read_scan};
use super::head::{Heads, ScanHead};
use super::pack::pack_scans;
use super::recording::{
    Recording, RecordingHead, Rejected, group_heads, group_recordings, sort_by_folder,
};
use super::walk::{Found, Walk, bytes};

/// Scans that are read at a time while an archive is read bit by bit: few at first, so that what they make is soon there.
const FIRST_AT_A_TIME: usize = 8;
/// And then more and more, up to this many.
const MOST_AT_A_TIME: usize = 512;

/// All the scans of an archive, joined into recordings.
#[derive(Debug, Clone)]
pub struct Archive {
    /// Recordings in the order of their names' bytes.
    pub recordings: Vec<Recording>,
    /// Scans that could not be used, and folders that could not be searched, in the order of their paths.
    pub rejected: Vec<Rejected>,
}

/// An archive of which only the heads of the scans are kept.
#[derive(Debug, Clone)]
pub struct ArchiveHeads {
    /// Recordings in the order of their names' bytes.
    pub recordings: Vec<RecordingHead>,
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
    let found = list_scans(paths)?;
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
    Ok(list_scans(paths)?.read())
}

/// Where the scans of an archive are; nothing of them has been read yet.
#[derive(Debug, Clone)]
pub struct Listing {
    /// Scan folders in the order of their paths' bytes, each once.
    folders: Vec<PathBuf>,
    /// Packs likewise.
    packs: Vec<PathBuf>,
    /// Folders that could not be searched.
    unreadable: Vec<Rejected>,
}

impl Listing {
    /// Number of scan folders and packs found.
    #[must_use]
    pub fn len(&self) -> usize {
        self.folders.len() + self.packs.len()
    }

    /// Whether there is none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.folders.is_empty() && self.packs.is_empty()
    }

    /// Reads the scans, several at a time, and joins them into recordings. A damaged scan is listed and stops no other.
    #[must_use]
    pub fn read(self) -> Archive {
        let folders = self.folders.into_iter().map(Found::Folder);
        let found = folders.chain(self.packs.into_iter().map(Found::Pack));
        let (recordings, mut rejected) = group_recordings(read(found.collect()));
        rejected.extend(self.unreadable);
        sort_by_folder(&mut rejected);
        Archive {
            recordings,
            rejected,
        }
    }
}

/// Reads what was found, several at a time; in the same order.
fn read(found: Vec<Found>) -> Vec<(PathBuf, Result<Scan>)> {
    let scans: Vec<Vec<(PathBuf, Result<Scan>)>> = found
        .into_par_iter()
        .map(|found| match found {
            Found::Folder(folder) => {
                let scan = read_scan(&folder);
                vec![(folder, scan)]
            }
            Found::Pack(file) => pack_scans(&file).unwrap_or_else(|error| vec![(file, Err(error))]),
        })
        .collect();
    scans.into_iter().flatten().collect()
}

/// Finds every scan at or below `paths` without reading any. Folders that cannot be searched are kept for the archive's list of
/// rejected inputs.
///
/// # Errors
/// A path does not exist, or there is no scan at all.
pub fn list_scans(paths: &[PathBuf]) -> Result<Listing> {
    let mut walk = Walk::new(paths)?;
    let (mut folders, mut packs) = (Vec::new(), Vec::new());
    for found in walk.by_ref() {
        match found {
            Found::Folder(folder) => folders.push(folder),
            Found::Pack(file) => packs.push(file),
        }
    }
    folders.sort_by(|a, b| bytes(a).cmp(bytes(b)));
    packs.sort_by(|a, b| bytes(a).cmp(bytes(b)));
    let listing = Listing {
        folders,
        packs,
        unreadable: walk.unreadable,
    };
    match listing.is_empty() {
        true => Err(nothing(paths, listing.unreadable)),
        false => Ok(listing),
    }
}

/// That there is no scan, or why none could be found.
fn nothing(paths: &[PathBuf], unreadable: Vec<Rejected>) -> Error {
    if let Some(rejected) = unreadable.into_iter().next() {
        return rejected.error;
    }
    let names: Vec<String> = paths.iter().map(|p| p.display().to_string()).collect();
    let error = Error::new(
        ErrorKind::Io,
        format!(
            "no {SCAN_FILE} and no pack in or below {}",
            names.join(", ")
        ),
    );
    error.expected("expected a scan folder, or a folder of scans")
}

/// An archive that is found and read bit by bit. Of what was read only heads are kept.
///
/// Which scans make a recording, and which of two with the same id counts, is known for certain only at the end, since a frame may lie
/// anywhere. But frames of a recording mostly lie together, and so [`more`](Self::more) tells on the way which recordings look whole.
#[derive(Debug)]
pub struct ArchiveReading {
    walk: Walk,
    made: Heads,
    heads: Vec<ScanHead>,
    rejected: Vec<Rejected>,
    at_a_time: usize,
    /// Recordings of which frames were among the scans read last, by name.
    open: BTreeMap<String, Vec<ScanHead>>,
}

impl ArchiveReading {
    /// Begins with the scans at or below `paths`.
    ///
    /// # Errors
    /// A path does not exist, or there is no scan at all.
    pub fn begin(paths: &[PathBuf]) -> Result<Self> {
        let mut walk = Walk::new(paths)?;
        if !walk.look_ahead() {
            return Err(nothing(paths, walk.unreadable));
        }
        Ok(Self {
            walk,
            made: Heads::default(),
            heads: Vec::new(),
            rejected: Vec::new(),
            at_a_time: FIRST_AT_A_TIME,
            open: BTreeMap::new(),
        })
    }

    /// Scans read so far, good ones and others.
    #[must_use]
    pub fn scans(&self) -> usize {
        self.heads.len() + self.rejected.len()
    }

    /// Finds and reads some more scans, several at the same time. Returns recordings that look whole by now: no frame of theirs was
    /// among these scans, or they are scans that name no recording. `None`: there are no more scans.
    #[must_use]
    pub fn more(&mut self) -> Option<Vec<RecordingHead>> {
        let found: Vec<Found> = self.walk.by_ref().take(self.at_a_time).collect();
        if found.is_empty() {
            return None;
        }
        self.at_a_time = (2 * self.at_a_time).min(MOST_AT_A_TIME);
        let mut met = BTreeSet::new();
        for (folder, scan) in read(found) {
            match scan {
                Ok(scan) => {
                    let head = self.made.of(&scan);
                    let name = head.recording().to_string();
                    if head.names_recording() {
                        met.insert(name.clone());
                    }
                    self.open.entry(name).or_default().push(head.clone());
                    self.heads.push(head);
                }
                Err(error) => self.rejected.push(Rejected { folder, error }),
            }
        }
        let mut whole = Vec::new();
        for (name, frames) in std::mem::take(&mut self.open) {
            if met.contains(&name) {
                self.open.insert(name, frames);
            } else {
                whole.extend(group_heads(frames).0);
            }
        }
        Some(whole)
    }

    /// Reads what is left, and joins all scans into recordings.
    #[must_use]
    pub fn finish(mut self) -> ArchiveHeads {
        while self.more().is_some() {}
        let (recordings, misfits) = group_heads(self.heads);
        let mut rejected = self.rejected;
        rejected.extend(misfits);
        rejected.extend(self.walk.unreadable);
        sort_by_folder(&mut rejected);
        ArchiveHeads {
            recordings,
            rejected,
        }
    }
}
