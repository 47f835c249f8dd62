//! One scan folder: its description and its frames' headers, judged together.

use std::path::{Path, PathBuf};

use crate::document::Document;
use crate::error::{Error, ErrorKind, Result};

use super::colour::ColourHeader;
use super::description::{ColourPart, HeightKind, ScanDescription, ViewPart};
use super::format::{FrameSize, SampleKind};
use super::height::HeightHeader;
use super::pack::PackedFrame;
use super::wire::{Described, SCAN_FORMAT, ScanRecord, Stated};
use super::{colour, height, inputs, pack, wire};

/// The file that makes a folder a scan.
pub const SCAN_FILE: &str = "scan.toml";

/// Largest row number of a recording: beyond it, double precision cannot tell rows apart.
const MAX_PROFILE: u64 = 1 << 53;

/// A scan folder whose description and frame headers have been read and fit together.
#[derive(Debug, Clone, PartialEq)]
pub struct Scan {
    /// The folder.
    pub folder: PathBuf,
    /// What its `scan.toml` says.
    pub description: ScanDescription,
    /// Rows of the height frame.
    pub rows: usize,
    /// Columns of the height frame.
    pub columns: usize,
    /// What a height sample is in its file.
    pub samples: SampleKind,
    /// Size of the colour frame.
    pub colour_size: Option<FrameSize>,
    /// Whether the colour went through a lossy compression, which moves colours near edges; results say so.
    pub colour_lossy: bool,
    /// Where its frames are, if it is packed.
    pub packed: Option<PackedFrame>,
}

impl Scan {
    /// Path of the height frame.
    #[must_use]
    pub fn height_path(&self) -> PathBuf {
        self.folder.join(&self.description.height.file)
    }

    /// Path of a view's frame.
    #[must_use]
    pub fn view_path(&self, view: &ViewPart) -> PathBuf {
        self.folder.join(&view.file)
    }

    /// Path of the colour frame.
    #[must_use]
    pub fn colour_path(&self) -> Option<PathBuf> {
        let colour = self.description.colour.as_ref()?;
        Some(self.folder.join(&colour.file))
    }

    /// The files that hold it: its description and its frames', or the pack.
    #[must_use]
    pub fn files(&self) -> Vec<PathBuf> {
        let names = inputs::names(self).into_iter();
        names.map(|name| inputs::place(self, &name)).collect()
    }

    /// Path of its `scan.toml`.
    #[must_use]
    pub fn document_path(&self) -> PathBuf {
        self.folder.join(SCAN_FILE)
    }

    /// The recording it belongs to: the one it names, or one of its own under its id.
    #[must_use]
    pub fn recording(&self) -> &str {
        let description = &self.description;
        description.recording.as_deref().unwrap_or(&description.id)
    }

    /// Row after its last, counted from the recording's start.
    #[must_use]
    pub fn end_profile(&self) -> u64 {
        self.description
            .height
            .first_profile
            .saturating_add(self.rows as u64)
    }
}

/// Reads the scan in `folder`, which may be a place in a pack: its `scan.toml`, and of its frames only the headers.
///
/// # Errors
/// The description or a header is wrong, or they do not fit together; the error names file, line and key.
pub fn read_scan(folder: &Path) -> Result<Scan> {
    if let Some(packed) = pack::packed_scan(folder) {
        return packed;
    }
    let (document, record) = Document::read_as(&folder.join(SCAN_FILE), SCAN_FORMAT)?;
    judge(folder, &document, record, &mut InFolder { folder })
}

/// Where the headers of a scan's frames are; `file` is what its description calls a frame.
pub(super) trait Frames {
    /// The height frame's, or a view's.
    fn height(&mut self, file: &Path, view: Option<usize>) -> Result<HeightHeader>;
    /// The colour frame's.
    fn colour(&mut self, file: &Path) -> Result<ColourHeader>;
    /// Whether there is an encoder's record.
    fn profiles(&mut self, file: &Path) -> Result<()>;
}

/// Frames in files of the scan's folder.
struct InFolder<'a> {
    folder: &'a Path,
}

impl Frames for InFolder<'_> {
    fn height(&mut self, file: &Path, _: Option<usize>) -> Result<HeightHeader> {
        height::read_header(&self.folder.join(file))
    }

    fn colour(&mut self, file: &Path) -> Result<ColourHeader> {
        colour::read_header(&self.folder.join(file))
    }

    fn profiles(&mut self, file: &Path) -> Result<()> {
        let path = self.folder.join(file);
        std::fs::metadata(&path).map_err(|e| Error::io(&path, &e))?;
        Ok(())
    }
}

/// The scan of a description and its frames' headers, if they fit together.
pub(super) fn judge(
    folder: &Path,
    document: &Document,
    record: ScanRecord,
    frames: &mut impl Frames,
) -> Result<Scan> {
    let Described {
        description,
        stated,
    } = wire::describe(document, record)?;
    let header = frames.height(&description.height.file, None)?;
    check_height(document, &description, stated, &header)?;
    for (index, view) in description.views.iter().enumerate() {
        let found = frames.height(&view.file, Some(index))?;
        check_view(document, &description, view, &header, &found)?;
    }
    let first_profile = description.height.first_profile;
    if MAX_PROFILE < first_profile.saturating_add(header.size.rows as u64) {
        return Err(document
            .wrong("height.first_profile", format!("found {first_profile}"))
            .expected(format!(
                "expected rows counted from the recording's start, below {MAX_PROFILE}"
            )));
    }
    let colour = match &description.colour {
        None => None,
        Some(part) => {
            let found = frames.colour(&part.file)?;
            let along = description.profiles.is_none();
            check_colour(document, &description, part, header.size, found.size, along)?;
            Some(found)
        }
    };
    if let Some(profiles) = &description.profiles {
        frames.profiles(&profiles.file)?;
    }
    Ok(Scan {
        folder: folder.to_path_buf(),
        description,
        rows: header.size.rows,
        columns: header.size.columns,
        samples: header.samples,
        colour_size: colour.map(|c| c.size),
        colour_lossy: colour.is_some_and(|c| c.lossy),
        packed: None,
    })
}

/// Checks what depends on the sample type: counts need their scale, floats are true lengths already.
fn check_height(
    document: &Document,
    description: &ScanDescription,
    stated: Stated,
    header: &HeightHeader,
) -> Result<()> {
    let height = &description.height;
    let unit = match height.kind {
        HeightKind::Range => "mm",
        HeightKind::Stripe => "px",
    };
    match header.samples {
        SampleKind::U16 => {
            for (present, key) in [
                (stated.scale, format!("height.scale_{unit}")),
                (stated.offset, format!("height.offset_{unit}")),
                (stated.invalid, "height.invalid".to_string()),
            ] {
                if !present {
                    return Err(document
                        .wrong(&key, "missing")
                        .expected("add this key: a 16-bit frame means nothing without it"));
                }
            }
        }
        SampleKind::F32 => {
            for (value, plain, key) in [
                (height.scale, 1.0, format!("height.scale_{unit}")),
                (height.offset, 0.0, format!("height.offset_{unit}")),
            ] {
                if value != plain {
                    return Err(document
                        .wrong(&key, format!("found {value} for a float frame"))
                        .expected(format!(
                            "expected {plain} or no such key: float frames are in {unit} already"
                        )));
                }
            }
            if stated.invalid {
                return Err(document
                    .wrong("height.invalid", "found a count for a float frame")
                    .expected(
                        "expected no such key (or nan): in float frames NaN means no return",
                    ));
            }
        }
    }
    check_pitch(document, description, header)
}

/// A container's own pitch must be the stated one.
fn check_pitch(
    document: &Document,
    description: &ScanDescription,
    header: &HeightHeader,
) -> Result<()> {
    let height = &description.height;
    if let Some([across, along]) = header.pitch_mm {
        for (key, stated, found) in [
            ("height.pitch_across_mm", height.pitch_across_mm, across),
            ("height.pitch_along_mm", height.pitch_along_mm, along),
        ] {
            // A millionth leaves room for decimal rounding and is far below any pitch error that matters.
            if 1e-6 * found < (stated - found).abs() {
                return Err(document
                    .wrong(key, format!("found {stated}"))
                    .expected(format!("expected {found}, the pitch its .x3p file states")));
            }
        }
    }
    Ok(())
}

/// A view holds the same rows and columns as the height frame, of the same type of sample.
fn check_view(
    document: &Document,
    description: &ScanDescription,
    view: &ViewPart,
    height: &HeightHeader,
    found: &HeightHeader,
) -> Result<()> {
    if found.size != height.size {
        let size = |size: FrameSize| format!("{} rows × {} columns", size.rows, size.columns);
        let mut error = document
            .wrong("view[0].file", format!("found {}", size(found.size)))
            .expected(format!(
                "expected {}, as the height frame has",
                size(height.size)
            ));
        error.kind = ErrorKind::Mismatch;
        return Err(error);
    }
    if found.samples != height.samples {
        let kind = |samples| match samples {
            SampleKind::U16 => "16-bit counts",
            SampleKind::F32 => "floats",
        };
        let mut error = document
            .wrong("view[0].file", format!("found {}", kind(found.samples)))
            .expected(format!(
                "expected {}, as in the height frame",
                kind(height.samples)
            ));
        error.kind = ErrorKind::Mismatch;
        return Err(error);
    }
    if found.samples == SampleKind::F32 {
        for (value, plain, key) in [
            (view.scale, 1.0, "view[0].scale_mm"),
            (view.offset, 0.0, "view[0].offset_mm"),
        ] {
            if value != plain {
                return Err(document
                    .wrong(key, format!("found {value} for a float frame"))
                    .expected(format!(
                        "expected {plain} or no such key: float frames are in mm already"
                    )));
            }
        }
        if view.invalid.is_some() {
            return Err(document
                .wrong("view[0].invalid", "found a count for a float frame")
                .expected("expected no such key (or nan): in float frames NaN means no return"));
        }
    }
    check_pitch(document, description, found)
}

/// A colour frame that shows none of the height frame is a wrong file or a wrong origin.
fn check_colour(
    document: &Document,
    description: &ScanDescription,
    part: &ColourPart,
    height: FrameSize,
    colour: FrameSize,
    check_along: bool,
) -> Result<()> {
    let pitch = &description.height;
    let across = (
        "colour.origin_across_mm",
        part.origin_across_mm,
        part.pitch_across_mm,
        colour.columns as f64 * part.pitch_across_mm,
        height.columns as f64 * pitch.pitch_across_mm,
    );
    let along = (
        "colour.origin_along_mm",
        part.origin_along_mm,
        part.pitch_along_mm,
        colour.rows as f64 * part.pitch_along_mm,
        height.rows as f64 * pitch.pitch_along_mm,
    );
    for (key, origin, colour_pitch, extent, frame) in [Some(across), check_along.then_some(along)]
        .into_iter()
        .flatten()
    {
        // Less than half a pixel in common is rounding of the origin, not a view of the frame.
        let shared = frame.min(origin + extent) - origin.max(0.0);
        if shared < 0.5 * colour_pitch {
            let mut error = document
                .wrong(
                    key,
                    format!(
                        "the colour frame lies at {origin} to {} mm, beside the height frame",
                        origin + extent
                    ),
                )
                .expected(format!("expected a part of 0 to {frame} mm"));
            error.kind = ErrorKind::Mismatch;
            return Err(error);
        }
    }
    Ok(())
}
