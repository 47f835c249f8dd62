//! Recordings: frames that join end to end into one continuous belt.

use std::collections::BTreeMap;
use std::path::PathBuf;

use crate::error::{Error, Result};

use super::folder::Scan;
use super::head::{Heads, ScanHead};
use super::pack::pack_scans;

/// Most rows that may be missing between two frames of a recording: some 100 m of belt. Common practice, no source.
const MOST_MISSING_ROWS: u64 = 250_000;

/// Frames of one continuous belt, in order.
#[derive(Debug, Clone, PartialEq)]
pub struct Recording {
    /// Its name: the one its scans give, or the id of a scan that names none.
    pub name: String,
    /// Its frames by `first_profile`; never empty, never overlapping, alike in scanner, pitch, kind and columns.
    pub frames: Vec<Scan>,
}

/// Rows `first..end`, counted from the recording's start.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RowSpan {
    /// First row.
    pub first: u64,
    /// Row after the last.
    pub end: u64,
}

/// A scan that could not be used, and why.
#[derive(Debug, Clone)]
pub struct Rejected {
    /// The scan's folder.
    pub folder: PathBuf,
    /// The reason.
    pub error: Error,
}

impl Recording {
    /// From the first frame's first row to the last frame's last, gaps included.
    #[must_use]
    pub fn span(&self) -> RowSpan {
        RowSpan {
            first: self
                .frames
                .first()
                .map_or(0, |f| f.description.height.first_profile),
            end: self.frames.last().map_or(0, Scan::end_profile),
        }
    }

    /// Number of rows from its first to its last, gaps included.
    #[must_use]
    pub fn rows(&self) -> u64 {
        let span = self.span();
        span.end - span.first
    }

    /// Number of columns.
    #[must_use]
    pub fn columns(&self) -> usize {
        self.frames.first().map_or(0, |f| f.columns)
    }

    /// Rows between frames that no frame holds.
    #[must_use]
    pub fn gaps(&self) -> Vec<RowSpan> {
        self.frames
            .windows(2)
            .map(|pair| RowSpan {
                first: pair[0].end_profile(),
                end: pair[1].description.height.first_profile,
            })
            .filter(|gap| gap.first < gap.end)
            .collect()
    }

    /// Index of the frame that holds a row, counted from the recording's start.
    #[must_use]
    pub fn frame_at(&self, profile: u64) -> Option<usize> {
        let after = self
            .frames
            .partition_point(|f| f.description.height.first_profile <= profile);
        let index = after.checked_sub(1)?;
        (profile < self.frames[index].end_profile()).then_some(index)
    }
}

/// A recording of which only the heads of its frames are at hand.
#[derive(Debug, Clone, PartialEq)]
pub struct RecordingHead {
    frames: Box<[ScanHead]>,
}

impl RecordingHead {
    /// Its name: the one its scans give, or the id of a scan that names none.
    #[must_use]
    pub fn name(&self) -> &str {
        self.frames.first().map_or("", ScanHead::recording)
    }

    /// Its frames in order; never empty.
    #[must_use]
    pub fn frames(&self) -> &[ScanHead] {
        &self.frames
    }

    /// Reads its scans again.
    ///
    /// # Errors
    /// One cannot be read, or is not what it was.
    pub fn read(&self) -> Result<Recording> {
        // A pack is opened once, not for each of its frames.
        let mut packs: BTreeMap<PathBuf, Vec<Scan>> = BTreeMap::new();
        let mut frames = Vec::with_capacity(self.frames.len());
        for head in &self.frames {
            let Some(pack) = head.pack() else {
                frames.push(head.read()?);
                continue;
            };
            if !packs.contains_key(&pack) {
                let scans = pack_scans(&pack)?;
                let scans = scans.into_iter().filter_map(|(_, scan)| scan.ok());
                packs.insert(pack.clone(), scans.collect());
            }
            let scans = packs.get(&pack).map(Vec::as_slice).unwrap_or_default();
            let found = scans.iter().find(|scan| head.is_of(scan));
            frames.push(found.ok_or_else(|| head.changed())?.clone());
        }
        Ok(Recording {
            name: self.name().to_string(),
            frames,
        })
    }
}

/// Joins scans into recordings, in the order of the recordings' names' bytes; what does not fit is listed with its reason.
///
/// A scan without a recording is one of its own under its id. Frames of a recording must agree in scanner, product,
/// lanes, belt speed, kind, columns, pitches, what a count means, views, the colour frame's place across and in whether they have colour and an encoder record,
/// and lie with their colour rows on one lattice or each at the same place; the first frame leads. Of two scans with the same id, or with rows in common, the later by first row, then path, is rejected.
/// Rows may be missing between frames.
#[must_use]
pub fn group_recordings(scans: Vec<(PathBuf, Result<Scan>)>) -> (Vec<Recording>, Vec<Rejected>) {
    let mut rejected = Vec::new();
    let (mut good, mut heads) = (Vec::new(), Vec::new());
    let mut made = Heads::default();
    for (folder, scan) in scans {
        match scan {
            Ok(scan) => {
                heads.push(made.of(&scan));
                good.push(Some(scan));
            }
            Err(error) => rejected.push(Rejected { folder, error }),
        }
    }
    let (groups, misfits) = group(&heads);
    rejected.extend(misfits);
    sort_by_folder(&mut rejected);
    let recordings = groups
        .into_iter()
        .map(|frames| Recording {
            name: heads[frames[0]].recording().to_string(),
            frames: frames
                .into_iter()
                .filter_map(|at| good[at].take())
                .collect(),
        })
        .collect();
    (recordings, rejected)
}

/// As [`group_recordings`], by heads.
pub(super) fn group_heads(mut heads: Vec<ScanHead>) -> (Vec<RecordingHead>, Vec<Rejected>) {
    heads.sort_by(ScanHead::order);
    let (groups, mut rejected) = group(&heads);
    sort_by_folder(&mut rejected);
    let mut heads: Vec<Option<ScanHead>> = heads.into_iter().map(Some).collect();
    let recordings = groups
        .into_iter()
        .map(|frames| RecordingHead {
            frames: frames
                .into_iter()
                .filter_map(|at| heads[at].take())
                .collect(),
        })
        .collect();
    (recordings, rejected)
}

pub(super) fn sort_by_folder(rejected: &mut [Rejected]) {
    let bytes = |it: &Rejected| it.folder.as_os_str().as_encoded_bytes().to_vec();
    rejected.sort_by_cached_key(bytes);
}

/// Which scans make which recording, by their places in `heads`, never none; and those that fit in none.
fn group(heads: &[ScanHead]) -> (Vec<Vec<usize>>, Vec<Rejected>) {
    let mut order: Vec<usize> = (0..heads.len()).collect();
    order.sort_by(|a, b| heads[*a].order(&heads[*b]));
    let mut of_id: BTreeMap<&str, usize> = BTreeMap::new();
    let mut groups: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
    let mut rejected = Vec::new();
    for at in order {
        let scan = &heads[at];
        let frames = groups.entry(scan.recording()).or_default();
        let same_id = of_id.get(scan.id()).map(|other| {
            let other = heads[*other].folder();
            scan.wrong(
                "id",
                format!("'{}' is also the id of {}", scan.id(), other.display()),
            )
            .expected("expected an id of its own in the archive")
        });
        let error = same_id.or_else(|| {
            let (first, last) = (frames.first()?, frames.last()?);
            misfit(scan, &heads[*first], &heads[*last])
        });
        match error {
            Some(error) => rejected.push(Rejected {
                folder: scan.folder(),
                error,
            }),
            None => {
                of_id.insert(scan.id(), at);
                frames.push(at);
            }
        }
    }
    let groups = groups.into_values().filter(|frames| !frames.is_empty());
    (groups.collect(), rejected)
}

/// Why `scan` cannot follow `before` in the recording that `first` leads.
fn misfit(scan: &ScanHead, first: &ScanHead, before: &ScanHead) -> Option<Error> {
    if let Some(error) = scan.unlike(first) {
        return Some(error);
    }
    if let Some(error) = scan.colour_rows_apart(first) {
        return Some(error);
    }
    let (begin, end) = (scan.first_profile(), before.end_profile());
    if begin < end {
        return Some(
            scan.wrong("height.first_profile", format!("found {begin}"))
                .expected(format!(
                    "expected {end} or more, where {} of the same recording ends",
                    before.folder().display()
                )),
        );
    }
    if begin - end > MOST_MISSING_ROWS {
        return Some(
            scan.wrong(
                "height.first_profile",
                format!(
                    "found {begin}: {} rows are missing after {}",
                    begin - end,
                    before.folder().display()
                ),
            )
            .expected(format!(
                "expected no more than {MOST_MISSING_ROWS} missing rows; what comes later is a recording of its own"
            )),
        );
    }
    None
}
