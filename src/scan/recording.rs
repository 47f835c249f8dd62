//! Recordings: frames that join end to end into one continuous belt.

use std::collections::BTreeMap;
use std::path::PathBuf;

use crate::error::{Error, ErrorKind, Result};

use super::folder::Scan;

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

/// Joins scans into recordings, in the order of the recordings' names' bytes; what does not fit is listed with its reason.
///
/// A scan without a recording is one of its own under its id. Frames of a recording must agree in scanner, product,
/// lanes, belt speed, kind, columns, pitches, what a count means, views, the colour frame's place and in whether they have colour and an encoder record; the first
/// frame leads. Of two scans with the same id, or with rows in common, the later by first row, then path, is rejected.
/// Rows may be missing between frames.
#[must_use]
pub fn group_recordings(scans: Vec<(PathBuf, Result<Scan>)>) -> (Vec<Recording>, Vec<Rejected>) {
    let mut rejected = Vec::new();
    let mut good = Vec::new();
    for (folder, scan) in scans {
        match scan {
            Ok(scan) => good.push(scan),
            Err(error) => rejected.push(Rejected { folder, error }),
        }
    }
    good.sort_by(|a, b| order(a).cmp(&order(b)));
    let mut folder_of_id: BTreeMap<String, PathBuf> = BTreeMap::new();
    let mut groups: BTreeMap<String, Vec<Scan>> = BTreeMap::new();
    for scan in good {
        let same_id = folder_of_id.get(&scan.description.id);
        let frames = groups.entry(scan.recording().to_string()).or_default();
        let error = same_id
            .map(|other| {
                mismatch(
                    &scan,
                    "id",
                    format!(
                        "'{}' is also the id of {}",
                        scan.description.id,
                        other.display()
                    ),
                )
                .expected("expected an id of its own in the archive")
            })
            .or_else(|| {
                frames
                    .last()
                    .and_then(|before| misfit(&scan, &frames[0], before))
            });
        match error {
            Some(error) => rejected.push(Rejected {
                folder: scan.folder,
                error,
            }),
            None => {
                folder_of_id.insert(scan.description.id.clone(), scan.folder.clone());
                frames.push(scan);
            }
        }
    }
    rejected.sort_by(|a, b| {
        let bytes = |r: &Rejected| r.folder.as_os_str().as_encoded_bytes().to_vec();
        bytes(a).cmp(&bytes(b))
    });
    let recordings = groups
        .into_iter()
        .filter(|(_, frames)| !frames.is_empty())
        .map(|(name, frames)| Recording { name, frames })
        .collect();
    (recordings, rejected)
}

fn order(scan: &Scan) -> (u64, &[u8]) {
    (
        scan.description.height.first_profile,
        scan.folder.as_os_str().as_encoded_bytes(),
    )
}

/// A scan's views as far as frames must agree on them.
fn view_text(scan: &Scan) -> String {
    let view = |view: &super::ViewPart| {
        let side = match view.camera_side {
            super::ViewSide::LowY => "low-y",
            super::ViewSide::HighY => "high-y",
        };
        let angle = view
            .camera_angle_deg
            .map_or(String::new(), |angle_deg| format!(" at {angle_deg}°"));
        let coding = match view.invalid {
            Some(invalid) => format!(
                ", scale {}, offset {}, invalid {invalid}",
                view.scale, view.offset
            ),
            None => String::new(),
        };
        format!("a view from {side}{angle}{coding}")
    };
    let views: Vec<String> = scan.description.views.iter().map(view).collect();
    if views.is_empty() {
        "none".to_string()
    } else {
        views.join("; ")
    }
}

fn mismatch(scan: &Scan, key: &str, found: String) -> Error {
    Error::new(ErrorKind::Mismatch, found)
        .at(scan.document_path())
        .key(key)
}

/// Why `scan` cannot follow `before` in the recording that `first` leads.
fn misfit(scan: &Scan, first: &Scan, before: &Scan) -> Option<Error> {
    let (mine, theirs) = (&scan.description, &first.description);
    if mine.recording != theirs.recording {
        let lone = if mine.recording.is_none() {
            mine
        } else {
            theirs
        };
        return Some(
            mismatch(
                scan,
                "recording",
                format!(
                    "'{}' is the recording of one scan and the id of another without a recording ({})",
                    lone.id,
                    first.folder.display()
                ),
            )
            .expected("expected different names"),
        );
    }
    let number = |value: f64| value.to_string();
    let optional = |value: Option<f64>| value.map_or("none".to_string(), number);
    let text = |value: &Option<String>| value.clone().unwrap_or_else(|| "none".to_string());
    let pitch = |scan: &Scan, of: fn(&super::ColourPart) -> f64| {
        optional(scan.description.colour.as_ref().map(of))
    };
    let presence = |present: bool| if present { "present" } else { "none" }.to_string();
    let pairs = [
        ("scanner", mine.scanner.clone(), theirs.scanner.clone()),
        ("product", text(&mine.product), text(&theirs.product)),
        (
            "lanes",
            optional(mine.lanes.map(f64::from)),
            optional(theirs.lanes.map(f64::from)),
        ),
        (
            "belt_speed_mm_s",
            optional(mine.belt_speed_mm_s),
            optional(theirs.belt_speed_mm_s),
        ),
        (
            "height.kind",
            format!("{:?}", mine.height.kind).to_lowercase(),
            format!("{:?}", theirs.height.kind).to_lowercase(),
        ),
        (
            "height.pitch_across_mm",
            number(mine.height.pitch_across_mm),
            number(theirs.height.pitch_across_mm),
        ),
        (
            "height.pitch_along_mm",
            number(mine.height.pitch_along_mm),
            number(theirs.height.pitch_along_mm),
        ),
        (
            "height.scale",
            number(mine.height.scale),
            number(theirs.height.scale),
        ),
        (
            "height.offset",
            number(mine.height.offset),
            number(theirs.height.offset),
        ),
        (
            "height.invalid",
            optional(mine.height.invalid.map(f64::from)),
            optional(theirs.height.invalid.map(f64::from)),
        ),
        (
            "height.file",
            format!("{} columns", scan.columns),
            format!("{} columns", first.columns),
        ),
        ("view", view_text(scan), view_text(first)),
        (
            "colour",
            presence(mine.colour.is_some()),
            presence(theirs.colour.is_some()),
        ),
        (
            "colour.pitch_across_mm",
            pitch(scan, |c| c.pitch_across_mm),
            pitch(first, |c| c.pitch_across_mm),
        ),
        (
            "colour.pitch_along_mm",
            pitch(scan, |c| c.pitch_along_mm),
            pitch(first, |c| c.pitch_along_mm),
        ),
        (
            "colour.origin_across_mm",
            pitch(scan, |c| c.origin_across_mm),
            pitch(first, |c| c.origin_across_mm),
        ),
        (
            "colour.origin_along_mm",
            pitch(scan, |c| c.origin_along_mm),
            pitch(first, |c| c.origin_along_mm),
        ),
        (
            "profiles",
            presence(mine.profiles.is_some()),
            presence(theirs.profiles.is_some()),
        ),
    ];
    for (key, found, wanted) in pairs {
        if found != wanted {
            return Some(
                mismatch(scan, key, format!("found {found}")).expected(format!(
                    "expected {wanted}, as in {} of the same recording",
                    first.folder.display()
                )),
            );
        }
    }
    if mine.height.first_profile < before.end_profile() {
        return Some(
            mismatch(
                scan,
                "height.first_profile",
                format!("found {}", mine.height.first_profile),
            )
            .expected(format!(
                "expected {} or more, where {} of the same recording ends",
                before.end_profile(),
                before.folder.display()
            )),
        );
    }
    if mine.height.first_profile - before.end_profile() > MOST_MISSING_ROWS {
        return Some(
            mismatch(
                scan,
                "height.first_profile",
                format!(
                    "found {}: {} rows are missing after {}",
                    mine.height.first_profile,
                    mine.height.first_profile - before.end_profile(),
                    before.folder.display()
                ),
            )
            .expected(format!(
                "expected no more than {MOST_MISSING_ROWS} missing rows; what comes later is a recording of its own"
            )),
        );
    }
    None
}
