//! Rows of packed frames.

use std::path::PathBuf;

use super::CHUNK_ROWS;
use super::codec::{unpack_f32, unpack_rgb, unpack_u16};
use super::layout::Content;
use super::read::{COLOUR, HEIGHT, Pack, PackedFrame, view_role};
use crate::error::{Error, ErrorKind, Result};
use crate::scan::format::{FrameSize, SampleKind};
use crate::scan::rows::Counts;

/// Reads an array's chunks in order.
struct Chunks {
    pack: Pack,
    group: String,
    role: String,
    content: Content,
    size: FrameSize,
    next: usize,
}

impl Chunks {
    fn open(frame: &PackedFrame, role: String) -> Result<Self> {
        let mut pack = Pack::open(&frame.file)?;
        let (content, size) = pack.array(&frame.group, &role)?;
        Ok(Self {
            pack,
            group: frame.group.clone(),
            role,
            content,
            size,
            next: 0,
        })
    }

    /// The next chunk's bytes, and how many of its rows are the frame's.
    fn next(&mut self) -> Result<(Vec<u8>, usize)> {
        let dimensions = if self.content == Content::Rgb {
            "/0/0"
        } else {
            "/0"
        };
        let name = format!("{}/{}/c/{}{dimensions}", self.group, self.role, self.next);
        let whole = CHUNK_ROWS * self.size.columns * self.content.sample_bytes();
        // What does not get smaller grows by little.
        let most = whole as u64 + whole as u64 / 128 + 1024;
        let bytes = self.pack.bytes(&name, most)?;
        let rows = CHUNK_ROWS.min(self.size.rows.saturating_sub(self.next * CHUNK_ROWS));
        self.next += 1;
        Ok((bytes, rows))
    }

    fn named(&self, mut error: Error) -> Error {
        error.found = format!(
            "{}/{}, rows from {}: {}",
            self.group,
            self.role,
            self.next.saturating_sub(1) * CHUNK_ROWS,
            error.found
        );
        error.at(self.path())
    }

    fn path(&self) -> PathBuf {
        self.pack.path().to_path_buf()
    }
}

/// Takes `count` samples from what is left of a chunk, fetching chunks as they are needed.
fn take<T: Copy>(
    left: &mut Vec<T>,
    count: usize,
    mut fetch: impl FnMut() -> Result<Vec<T>>,
) -> Result<Vec<T>> {
    if left.is_empty() {
        *left = fetch()?;
    }
    if left.len() == count {
        return Ok(std::mem::take(left));
    }
    let mut taken = Vec::with_capacity(count);
    loop {
        let now = left.len().min(count - taken.len());
        taken.extend(left.drain(..now));
        if taken.len() == count {
            return Ok(taken);
        }
        *left = fetch()?;
    }
}

/// The heights of a packed frame.
pub(in crate::scan) struct PackedHeights {
    chunks: Chunks,
    left: Counts,
}

impl PackedHeights {
    /// Of the height frame, or of a view.
    pub(in crate::scan) fn open(frame: &PackedFrame, view: Option<usize>) -> Result<Self> {
        let chunks = Chunks::open(frame, view.map_or(HEIGHT.to_string(), view_role))?;
        let left = match chunks.content {
            Content::U16 => Counts::U16(Vec::new()),
            Content::F32 => Counts::F32(Vec::new()),
            Content::Rgb => {
                return Err(
                    Error::new(ErrorKind::Image, "colours where heights belong").at(chunks.path())
                );
            }
        };
        Ok(Self { chunks, left })
    }

    pub(in crate::scan) fn size(&self) -> FrameSize {
        self.chunks.size
    }

    pub(in crate::scan) fn samples(&self) -> SampleKind {
        match self.left {
            Counts::U16(_) => SampleKind::U16,
            Counts::F32(_) => SampleKind::F32,
        }
    }

    /// The next `rows` rows.
    pub(in crate::scan) fn read(&mut self, rows: usize) -> Result<Counts> {
        let columns = self.chunks.size.columns;
        let chunks = &mut self.chunks;
        match &mut self.left {
            Counts::U16(left) => take(left, rows * columns, || {
                let (bytes, rows) = chunks.next()?;
                let mut all =
                    unpack_u16(&bytes, CHUNK_ROWS * columns).map_err(|e| chunks.named(e))?;
                all.truncate(rows * columns);
                Ok(all)
            })
            .map(Counts::U16),
            Counts::F32(left) => take(left, rows * columns, || {
                let (bytes, rows) = chunks.next()?;
                let mut all =
                    unpack_f32(&bytes, CHUNK_ROWS * columns).map_err(|e| chunks.named(e))?;
                all.truncate(rows * columns);
                Ok(all)
            })
            .map(Counts::F32),
        }
    }
}

/// The colours of a packed frame.
pub(in crate::scan) struct PackedColour {
    chunks: Chunks,
    left: Vec<u8>,
}

impl PackedColour {
    pub(in crate::scan) fn open(frame: &PackedFrame) -> Result<Self> {
        let chunks = Chunks::open(frame, COLOUR.to_string())?;
        if chunks.content != Content::Rgb {
            return Err(
                Error::new(ErrorKind::Image, "heights where colours belong").at(chunks.path())
            );
        }
        Ok(Self {
            chunks,
            left: Vec::new(),
        })
    }

    pub(in crate::scan) fn size(&self) -> FrameSize {
        self.chunks.size
    }

    /// The next `rows` rows.
    pub(in crate::scan) fn read(&mut self, rows: usize) -> Result<Vec<u8>> {
        let columns = self.chunks.size.columns;
        let chunks = &mut self.chunks;
        take(&mut self.left, rows * columns * 3, || {
            let (bytes, rows) = chunks.next()?;
            let mut all =
                unpack_rgb(&bytes, CHUNK_ROWS * columns, columns).map_err(|e| chunks.named(e))?;
            all.truncate(rows * columns * 3);
            Ok(all)
        })
    }
}
