//! Height frames, row by row, from whichever container holds them.

mod npy;
mod png;
mod x3p;

use std::path::{Path, PathBuf};

use crate::error::{Error, ErrorKind, Result};

use super::description::ViewPart;
use super::folder::Scan;
use super::format::{Depth, FrameSize, HeightFormat, SampleKind};
use super::pack::PackedHeights;
use super::rows::{Counts, HeightRows};
use super::tiff::{TiffFrame, TiffSample};

/// Reads a height frame in blocks of rows; memory holds one block (and one strip of a TIFF), except for interlaced PNG,
/// tiled TIFF and .x3p, which are held whole.
pub struct HeightReader {
    path: PathBuf,
    source: Source,
    size: FrameSize,
    next_row: usize,
}

enum Source {
    Png(Box<png::PngHeights>),
    Tiff(Box<TiffFrame>),
    Npy(npy::NpyHeights),
    X3p(x3p::X3pHeights),
    Packed(PackedHeights),
}

/// What a height frame's header says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct HeightHeader {
    pub(super) size: FrameSize,
    pub(super) samples: SampleKind,
    /// Column and row pitch, mm, where the container states them.
    pub(super) pitch_mm: Option<[f64; 2]>,
}

impl HeightReader {
    /// Opens the height frame of `scan`.
    ///
    /// # Errors
    /// The file cannot be read, or is no longer the frame that `scan` was read from.
    pub fn open(scan: &Scan) -> Result<Self> {
        Self::open_at(scan, scan.height_path(), None)
    }

    /// Opens the frame of one of the views of `scan`.
    ///
    /// # Errors
    /// The file cannot be read, or is no longer the frame that `scan` was read from.
    pub fn open_view(scan: &Scan, view: &ViewPart) -> Result<Self> {
        let index = scan.description.views.iter().position(|it| it == view);
        Self::open_at(scan, scan.view_path(view), Some(index.unwrap_or(0)))
    }

    fn open_at(scan: &Scan, path: PathBuf, view: Option<usize>) -> Result<Self> {
        let (source, header) = match &scan.packed {
            None => open(&path, Depth::Rows)?,
            Some(_) if is_x3p(&path) => {
                let x3p = x3p::X3pHeights::open_bytes(&path, scan.x3p_bytes(&path, view)?)?;
                let header = x3p_header(&x3p);
                (Source::X3p(x3p), header)
            }
            Some(frame) => {
                let packed = PackedHeights::open(frame, view)?;
                let header = HeightHeader {
                    size: packed.size(),
                    samples: packed.samples(),
                    pitch_mm: None,
                };
                (Source::Packed(packed), header)
            }
        };
        let size = FrameSize {
            rows: scan.rows,
            columns: scan.columns,
        };
        if header.size != size || header.samples != scan.samples {
            return Err(Error::new(
                ErrorKind::Image,
                "the frame changed while the scan was being read",
            )
            .at(&path)
            .expected("expected the size and type it had at first; read the scan again"));
        }
        Ok(Self {
            path,
            source,
            size,
            next_row: 0,
        })
    }

    /// The next rows, at most `max_rows` (at least one); `None` after the last.
    ///
    /// # Errors
    /// The file is cut off or damaged, or a float sample is infinite (NaN is "no return", infinity is no height).
    pub fn read(&mut self, max_rows: usize) -> Result<Option<HeightRows>> {
        let rows = max_rows.max(1).min(self.size.rows - self.next_row);
        if rows == 0 {
            return Ok(None);
        }
        let first = self.next_row;
        let counts = match &mut self.source {
            Source::Png(png) => Counts::U16(png.read(&self.path, first, rows)?),
            Source::Tiff(tiff) => match tiff.sample() {
                TiffSample::F32 => Counts::F32(tiff.read_f32(&self.path, first, rows)?),
                _ => Counts::U16(tiff.read_u16(&self.path, first, rows)?),
            },
            Source::Npy(npy) => npy.read(&self.path, first, rows)?,
            Source::X3p(x3p) => Counts::F32(x3p.read(first, rows)),
            Source::Packed(packed) => packed.read(rows)?,
        };
        if let Counts::F32(values) = &counts
            && let Some(at) = values.iter().position(|v| v.is_infinite())
        {
            return Err(Error::new(
                ErrorKind::Image,
                format!(
                    "row {}, column {}: an infinite value",
                    first + at / self.size.columns,
                    at % self.size.columns
                ),
            )
            .at(&self.path)
            .expected("expected finite values, and NaN where there was no return"));
        }
        self.next_row += rows;
        Ok(Some(HeightRows {
            first_row: first,
            columns: self.size.columns,
            counts,
        }))
    }
}

/// Reads a height frame's header only.
pub(super) fn read_header(path: &Path) -> Result<HeightHeader> {
    open(path, Depth::Header).map(|(_, header)| header)
}

fn x3p_header(x3p: &x3p::X3pHeights) -> HeightHeader {
    HeightHeader {
        size: x3p.size(),
        samples: SampleKind::F32,
        pitch_mm: Some(x3p.pitch_mm()),
    }
}

/// The header of an .x3p file in memory; `path` is only named in errors.
pub(super) fn read_x3p_header(path: &Path, bytes: Vec<u8>) -> Result<HeightHeader> {
    x3p::X3pHeights::header_of(path, bytes).map(|x3p| x3p_header(&x3p))
}

/// Whether a frame is in .x3p, which packs keep as the file it was: it is read but not written.
pub(super) fn is_x3p(path: &Path) -> bool {
    HeightFormat::of(path) == Some(HeightFormat::X3p)
}

fn open(path: &Path, depth: Depth) -> Result<(Source, HeightHeader)> {
    match HeightFormat::required(path)? {
        HeightFormat::Png => {
            let png = png::PngHeights::open(path, depth)?;
            let size = png.size();
            Ok((
                Source::Png(Box::new(png)),
                HeightHeader {
                    size,
                    samples: SampleKind::U16,
                    pitch_mm: None,
                },
            ))
        }
        HeightFormat::Tiff => {
            let tiff = TiffFrame::open(path, depth, &[TiffSample::U16, TiffSample::F32])?;
            let header = HeightHeader {
                size: tiff.size(),
                samples: match tiff.sample() {
                    TiffSample::F32 => SampleKind::F32,
                    _ => SampleKind::U16,
                },
                pitch_mm: None,
            };
            Ok((Source::Tiff(Box::new(tiff)), header))
        }
        HeightFormat::Npy => {
            let npy = npy::NpyHeights::open(path, depth)?;
            let header = HeightHeader {
                size: npy.size(),
                samples: npy.samples(),
                pitch_mm: None,
            };
            Ok((Source::Npy(npy), header))
        }
        HeightFormat::X3p => {
            let x3p = match depth {
                Depth::Header => x3p::X3pHeights::open_header(path)?,
                Depth::Rows => x3p::X3pHeights::open(path)?,
            };
            let header = x3p_header(&x3p);
            Ok((Source::X3p(x3p), header))
        }
    }
}
