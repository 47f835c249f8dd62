//! Which container a frame's file is, by its extension, and how large a frame may be.

use std::path::Path;

use crate::error::{Error, ErrorKind, Result};

/// Most samples in one frame. A belt 4096 columns wide at 0.25 mm a row is 24 m long at that size; a header that
/// claims more is damaged, or the recording should be cut into frames.
pub const MAX_FRAME_SAMPLES: u64 = 400_000_000;

/// Rows and columns of a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FrameSize {
    /// Rows, along the belt.
    pub rows: usize,
    /// Columns, across the belt.
    pub columns: usize,
}

impl FrameSize {
    /// Checks a size that a header claims, before any memory is set aside for it.
    pub(super) fn checked(rows: u64, columns: u64) -> Result<Self> {
        let samples = rows.checked_mul(columns);
        let sized = match (usize::try_from(rows), usize::try_from(columns)) {
            (Ok(rows), Ok(columns)) => Some(Self { rows, columns }),
            _ => None,
        };
        match (samples, sized) {
            (Some(0), _) => Err(Error::new(
                ErrorKind::Image,
                format!("a frame of {rows} rows × {columns} columns"),
            )
            .expected("expected at least one row and one column")),
            (Some(samples), Some(size)) if samples <= MAX_FRAME_SAMPLES => Ok(size),
            _ => Err(Error::new(
                ErrorKind::Image,
                format!("the header claims {rows} rows × {columns} columns"),
            )
            .expected(format!(
                "expected at most {} million samples in a frame; if the size is true, cut the recording into frames",
                MAX_FRAME_SAMPLES / 1_000_000
            ))),
        }
    }
}

/// How far a frame's file is opened.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Depth {
    /// For its header only.
    Header,
    /// For its rows.
    Rows,
}

impl Depth {
    /// Bytes read at a time. A header is short; to read more than a page of each file makes half the cost of looking through an archive.
    pub(super) fn buffer_bytes(self) -> usize {
        match self {
            Self::Header => 4 << 10,
            Self::Rows => 256 << 10,
        }
    }
}

/// Containers of height frames.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum HeightFormat {
    Png,
    Tiff,
    Npy,
    X3p,
}

impl HeightFormat {
    pub(super) fn of(path: &Path) -> Option<Self> {
        match extension(path).as_str() {
            "png" => Some(Self::Png),
            "tif" | "tiff" => Some(Self::Tiff),
            "npy" => Some(Self::Npy),
            "x3p" => Some(Self::X3p),
            _ => None,
        }
    }

    pub(super) fn required(path: &Path) -> Result<Self> {
        Self::of(path).ok_or_else(|| {
            unknown(
                path,
                "expected a height frame in .png, .tif, .tiff, .npy or .x3p",
            )
        })
    }
}

/// Containers of colour frames.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum ColourFormat {
    Png,
    Jpeg,
    Tiff,
}

impl ColourFormat {
    pub(super) fn required(path: &Path) -> Result<Self> {
        match extension(path).as_str() {
            "png" => Ok(Self::Png),
            "jpg" | "jpeg" => Ok(Self::Jpeg),
            "tif" | "tiff" => Ok(Self::Tiff),
            _ => Err(unknown(
                path,
                "expected a colour frame in .png, .jpg, .jpeg, .tif or .tiff",
            )),
        }
    }
}

fn extension(path: &Path) -> String {
    path.extension()
        .map(|e| e.to_string_lossy().to_lowercase())
        .unwrap_or_default()
}

fn unknown(path: &Path, expected: &str) -> Error {
    Error::new(
        ErrorKind::Image,
        "the file's extension names no format that is read",
    )
    .at(path)
    .expected(expected)
}

/// What a sample of a height frame is in its file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SampleKind {
    /// 16-bit counts.
    U16,
    /// 32-bit floats, in mm (or px of a stripe frame).
    F32,
}

/// An error for a frame that breaks off or is damaged at `row`.
pub(super) fn damaged(path: &Path, row: usize, source: impl std::fmt::Display) -> Error {
    // Some decoders' messages run over several lines; an error is one.
    let source = source.to_string().trim().replace('\n', ", ");
    Error::new(ErrorKind::Image, format!("row {row}: {source}"))
        .at(path)
        .expected("expected a whole frame; the file is cut off or damaged, export it again")
}
