//! Colour frames, row by row.

use std::fs::File;
use std::io::{BufRead, BufReader, Cursor, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use image::codecs::jpeg::JpegDecoder;
use image::{ExtendedColorType, ImageDecoder};

use crate::error::{Error, ErrorKind, Result};

use super::folder::Scan;
use super::format::{ColourFormat, Depth, FrameSize, damaged};
use super::pack::PackedColour;
use super::png_rows::PngRows;
use super::rows::ColourRows;
use super::tiff::{TiffFrame, TiffSample};

/// Largest JPEG file read: it is held whole, and no frame within the size limit takes more at sensible quality.
const MAX_JPEG_BYTES: u64 = 1 << 30;

/// Reads a colour frame in blocks of rows; memory holds one block, except for JPEG, interlaced PNG and tiled TIFF, which
/// are held whole.
pub struct ColourReader {
    path: PathBuf,
    source: Source,
    size: FrameSize,
    next_row: usize,
}

enum Source {
    Png(Box<PngRows>),
    Tiff(Box<TiffFrame>),
    Jpeg(Vec<u8>),
    Packed(PackedColour),
}

/// What a colour frame's header says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct ColourHeader {
    pub(super) size: FrameSize,
    pub(super) lossy: bool,
}

impl ColourReader {
    /// Opens the colour frame of `scan`.
    ///
    /// # Errors
    /// The scan has no colour frame, the file cannot be read, or it is no longer the frame that `scan` was read from.
    pub fn open(scan: &Scan) -> Result<Self> {
        let (Some(path), Some(size)) = (scan.colour_path(), scan.colour_size) else {
            return Err(
                Error::new(ErrorKind::Mismatch, "the scan has no colour frame")
                    .at(&scan.folder)
                    .expected("expected a [colour] part in its scan.toml"),
            );
        };
        let format = ColourFormat::required(&path)?;
        let (source, found) = match (&scan.packed, format) {
            (Some(_), ColourFormat::Jpeg) => {
                let (decoder, size) = jpeg(&path, Cursor::new(scan.jpeg_bytes()?))?;
                (Source::Jpeg(whole_jpeg(&path, decoder, size)?), size)
            }
            (Some(frame), _) => {
                let packed = PackedColour::open(frame)?;
                let size = packed.size();
                (Source::Packed(packed), size)
            }
            (None, ColourFormat::Png) => {
                let rows = open_png(&path, Depth::Rows)?;
                let size = rows.size();
                (Source::Png(Box::new(rows)), size)
            }
            (None, ColourFormat::Tiff) => {
                let frame = TiffFrame::open(&path, Depth::Rows, &[TiffSample::Rgb8])?;
                let size = frame.size();
                (Source::Tiff(Box::new(frame)), size)
            }
            (None, ColourFormat::Jpeg) => {
                let (decoder, size) = open_jpeg(&path)?;
                (Source::Jpeg(whole_jpeg(&path, decoder, size)?), size)
            }
        };
        if found != size {
            return Err(Error::new(
                ErrorKind::Image,
                "the frame changed while the scan was being read",
            )
            .at(&path)
            .expected("expected the size it had at first; read the scan again"));
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
    /// The file is cut off or damaged.
    pub fn read(&mut self, max_rows: usize) -> Result<Option<ColourRows>> {
        let rows = max_rows.max(1).min(self.size.rows - self.next_row);
        if rows == 0 {
            return Ok(None);
        }
        let first = self.next_row;
        let row_bytes = self.size.columns * 3;
        let rgb = match &mut self.source {
            Source::Png(png) => {
                let mut rgb = Vec::with_capacity(rows * row_bytes);
                png.each(&self.path, first, rows, |row| rgb.extend_from_slice(row))?;
                rgb
            }
            Source::Tiff(tiff) => tiff.read_rgb(&self.path, first, rows)?,
            Source::Packed(packed) => packed.read(rows)?,
            // The whole picture in one call is handed over, not copied.
            Source::Jpeg(whole) if rows == self.size.rows => std::mem::take(whole),
            Source::Jpeg(whole) => whole[first * row_bytes..(first + rows) * row_bytes].to_vec(),
        };
        self.next_row += rows;
        Ok(Some(ColourRows {
            first_row: first,
            columns: self.size.columns,
            rgb,
        }))
    }
}

/// Reads a colour frame's header only.
pub(super) fn read_header(path: &Path) -> Result<ColourHeader> {
    match ColourFormat::required(path)? {
        ColourFormat::Png => open_png(path, Depth::Header).map(|png| ColourHeader {
            size: png.size(),
            lossy: false,
        }),
        ColourFormat::Tiff => {
            TiffFrame::open(path, Depth::Header, &[TiffSample::Rgb8]).map(|tiff| ColourHeader {
                size: tiff.size(),
                lossy: tiff.lossy(),
            })
        }
        ColourFormat::Jpeg => open_jpeg(path).map(|(_, size)| ColourHeader { size, lossy: true }),
    }
}

fn open_png(path: &Path, until: Depth) -> Result<PngRows> {
    PngRows::open(
        path,
        until,
        png::ColorType::Rgb,
        png::BitDepth::Eight,
        "8-bit RGB pixels",
    )
}

fn open_jpeg(path: &Path) -> Result<(JpegDecoder<BufReader<File>>, FrameSize)> {
    let file = File::open(path).map_err(|e| Error::io(path, &e))?;
    let bytes = file.metadata().map_err(|e| Error::io(path, &e))?.len();
    if MAX_JPEG_BYTES < bytes {
        return Err(
            Error::new(ErrorKind::Image, format!("the file holds {bytes} bytes"))
                .at(path)
                .expected(format!("expected a JPEG of at most {MAX_JPEG_BYTES} bytes")),
        );
    }
    jpeg(path, BufReader::new(file))
}

/// The header of a JPEG in memory.
pub(super) fn jpeg_header(path: &Path, bytes: Vec<u8>) -> Result<ColourHeader> {
    jpeg(path, Cursor::new(bytes)).map(|(_, size)| ColourHeader { size, lossy: true })
}

fn whole_jpeg<R: BufRead + Seek>(
    path: &Path,
    decoder: JpegDecoder<R>,
    size: FrameSize,
) -> Result<Vec<u8>> {
    let mut rgb = vec![0; size.rows * size.columns * 3];
    decoder
        .read_image(&mut rgb)
        .map_err(|e| damaged(path, 0, e))?;
    Ok(rgb)
}

fn jpeg<R: BufRead + Seek>(path: &Path, mut source: R) -> Result<(JpegDecoder<R>, FrameSize)> {
    check_jpeg_end(&mut source).map_err(|e| e.at(path))?;
    let decoder = JpegDecoder::new(source).map_err(|e| {
        Error::new(ErrorKind::Image, e.to_string().trim().replace('\n', ", "))
            .at(path)
            .expected("expected a JPEG file; it is cut off, damaged or of another format")
    })?;
    let (width, height) = decoder.dimensions();
    let size = FrameSize::checked(u64::from(height), u64::from(width)).map_err(|e| e.at(path))?;
    if decoder.original_color_type() != ExtendedColorType::Rgb8 {
        return Err(Error::new(
            ErrorKind::Image,
            format!("a JPEG of {:?} pixels", decoder.original_color_type()),
        )
        .at(path)
        .expected("expected 8-bit RGB pixels"));
    }
    Ok((decoder, size))
}

/// Decoders fill what is missing of a JPEG with grey, so a file that is cut off is told by its missing end mark.
fn check_jpeg_end<R: Read + Seek>(file: &mut R) -> Result<()> {
    /// Some writers pad the file with zeros after the mark.
    const MOST_PADDING: u64 = 4096;
    const END_OF_IMAGE: [u8; 2] = [0xff, 0xd9];
    let io = |e: std::io::Error| Error::new(ErrorKind::Io, e.to_string());
    let mut end = Vec::new();
    let bytes = file.seek(SeekFrom::End(0)).map_err(io)?;
    file.seek(SeekFrom::Start(bytes.saturating_sub(MOST_PADDING)))
        .map_err(io)?;
    file.by_ref()
        .take(MOST_PADDING)
        .read_to_end(&mut end)
        .map_err(io)?;
    file.seek(SeekFrom::Start(0)).map_err(io)?;
    while end.last() == Some(&0) {
        end.pop();
    }
    if end.ends_with(&END_OF_IMAGE) {
        Ok(())
    } else {
        Err(
            Error::new(ErrorKind::Image, "the file has no JPEG end mark").expected(
                "expected a whole JPEG file; it is cut off, damaged or of another format",
            ),
        )
    }
}
