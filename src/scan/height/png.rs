//! 16-bit grey PNG.

use std::path::Path;

use crate::error::Result;
use crate::scan::format::{Depth, FrameSize};
use crate::scan::png_rows::PngRows;

pub(super) struct PngHeights {
    rows: PngRows,
}

impl PngHeights {
    pub(super) fn open(path: &Path, until: Depth) -> Result<Self> {
        let rows = PngRows::open(
            path,
            until,
            png::ColorType::Grayscale,
            png::BitDepth::Sixteen,
            "16-bit grey pixels, one a height count",
        )?;
        Ok(Self { rows })
    }

    pub(super) fn size(&self) -> FrameSize {
        self.rows.size()
    }

    pub(super) fn read(&mut self, path: &Path, first: usize, rows: usize) -> Result<Vec<u16>> {
        let mut counts = Vec::with_capacity(rows * self.size().columns);
        self.rows.each(path, first, rows, |row| {
            // PNG samples are big-endian.
            counts.extend(
                row.chunks_exact(2)
                    .map(|b| u16::from_be_bytes([b[0], b[1]])),
            );
        })?;
        Ok(counts)
    }
}
