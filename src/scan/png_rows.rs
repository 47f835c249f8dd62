//! Opening a PNG and stepping through its rows.

use std::fs::File;
use std::io::BufReader;
use std::path::Path;

use crate::error::{Error, ErrorKind, Result};

use super::format::{Depth, FrameSize, damaged};

/// A PNG whose header has been read and judged.
pub(super) struct PngRows {
    reader: png::Reader<BufReader<File>>,
    size: FrameSize,
    row_bytes: usize,
    /// The whole picture, once an interlaced file has been decoded.
    whole: Option<Vec<u8>>,
}

impl PngRows {
    /// Opens `path` and checks that its pixels are of the wanted type; `wanted` names it for people.
    pub(super) fn open(
        path: &Path,
        until: Depth,
        colour: png::ColorType,
        depth: png::BitDepth,
        wanted: &str,
    ) -> Result<Self> {
        let file = File::open(path).map_err(|e| Error::io(path, &e))?;
        // Checksums stay on: they are what tells a damaged file from a good one.
        let mut decoder = png::Decoder::new(BufReader::with_capacity(until.buffer_bytes(), file));
        decoder.set_ignore_text_chunk(true);
        decoder.set_ignore_iccp_chunk(true);
        let not_png = |e: png::DecodingError| {
            Error::new(ErrorKind::Image, e.to_string())
                .at(path)
                .expected("expected a PNG file; it is cut off, damaged or of another format")
        };
        let info = decoder.read_header_info().map_err(not_png)?;
        let size = FrameSize::checked(u64::from(info.height), u64::from(info.width))
            .map_err(|e| e.at(path))?;
        if (info.color_type, info.bit_depth) != (colour, depth) {
            return Err(Error::new(
                ErrorKind::Image,
                format!("a PNG of {}", describe(info.color_type, info.bit_depth)),
            )
            .at(path)
            .expected(format!("expected {wanted}")));
        }
        decoder.set_transformations(png::Transformations::IDENTITY);
        let reader = decoder.read_info().map_err(not_png)?;
        if reader.info().animation_control.is_some() {
            return Err(Error::new(ErrorKind::Image, "an animated PNG")
                .at(path)
                .expected("expected a PNG with one picture"));
        }
        let row_bytes = size.columns * reader.info().bytes_per_pixel();
        Ok(Self {
            reader,
            size,
            row_bytes,
            whole: None,
        })
    }

    pub(super) fn size(&self) -> FrameSize {
        self.size
    }

    /// Hands rows `first..first + rows` to `take`, one by one; `first` must follow on from the last call.
    pub(super) fn each(
        &mut self,
        path: &Path,
        first: usize,
        rows: usize,
        mut take: impl FnMut(&[u8]),
    ) -> Result<()> {
        if self.reader.info().interlaced {
            return self.each_interlaced(path, first, rows, take);
        }
        for row in first..first + rows {
            match self.reader.next_row() {
                Ok(Some(data)) => take(data.data()),
                Ok(None) => return Err(damaged(path, row, "the picture ends")),
                Err(e) => return Err(damaged(path, row, e)),
            }
        }
        if first + rows == self.size.rows {
            // What follows the last row carries the checksums.
            self.reader
                .finish()
                .map_err(|e| damaged(path, self.size.rows - 1, e))?;
        }
        Ok(())
    }

    /// An interlaced file has its rows scattered over seven passes, so it can only be decoded whole.
    fn each_interlaced(
        &mut self,
        path: &Path,
        first: usize,
        rows: usize,
        mut take: impl FnMut(&[u8]),
    ) -> Result<()> {
        if self.whole.is_none() {
            let mut whole = vec![0; self.row_bytes * self.size.rows];
            self.reader
                .next_frame(&mut whole)
                .and_then(|_| self.reader.finish())
                .map_err(|e| damaged(path, 0, e))?;
            self.whole = Some(whole);
        }
        if let Some(whole) = &self.whole {
            let block = &whole[first * self.row_bytes..(first + rows) * self.row_bytes];
            block.chunks_exact(self.row_bytes).for_each(&mut take);
        }
        Ok(())
    }
}

fn describe(colour: png::ColorType, depth: png::BitDepth) -> String {
    let colour = match colour {
        png::ColorType::Grayscale => "grey",
        png::ColorType::Rgb => "RGB",
        png::ColorType::Indexed => "palette",
        png::ColorType::GrayscaleAlpha => "grey and alpha",
        png::ColorType::Rgba => "RGB and alpha",
    };
    format!("{}-bit {colour} pixels", depth as u8)
}
