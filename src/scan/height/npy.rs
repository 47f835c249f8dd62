//! `.npy` arrays: rows × columns of u16 or f32, little-endian, row-major (format described in NumPy's NEP 1).

use std::fs::File;
use std::io::{BufReader, Read};
use std::path::Path;

use crate::error::{Error, ErrorKind, Result};
use crate::scan::format::{Depth, FrameSize, SampleKind, damaged};
use crate::scan::rows::Counts;

/// Longest header read; NumPy pads to 64 bytes and writes little more than the shape.
const MAX_HEADER_BYTES: usize = 64 << 10;

pub(super) struct NpyHeights {
    file: BufReader<File>,
    size: FrameSize,
    samples: SampleKind,
}

impl NpyHeights {
    pub(super) fn open(path: &Path, until: Depth) -> Result<Self> {
        let file = File::open(path).map_err(|e| Error::io(path, &e))?;
        let length = file.metadata().map_err(|e| Error::io(path, &e))?.len();
        let mut file = BufReader::with_capacity(until.buffer_bytes().min(64 << 10), file);
        let (header, header_bytes) = read_header(&mut file)
            .map_err(|found| wrong(path, found, "expected an .npy file, version 1, 2 or 3"))?;
        let samples = match header.descr.as_str() {
            "<u2" => SampleKind::U16,
            "<f4" => SampleKind::F32,
            other => {
                return Err(wrong(
                    path,
                    format!("an array of type '{other}'"),
                    "expected '<u2' (u16) or '<f4' (f32), little-endian",
                ));
            }
        };
        if header.fortran_order {
            return Err(wrong(
                path,
                "an array in column-major (Fortran) order",
                "expected row-major order; save numpy.ascontiguousarray(heights)",
            ));
        }
        let [rows, columns] = header.shape[..] else {
            return Err(wrong(
                path,
                format!("an array of {} dimensions", header.shape.len()),
                "expected two: rows, columns",
            ));
        };
        let size = FrameSize::checked(rows, columns).map_err(|e| e.at(path))?;
        let sample_bytes = match samples {
            SampleKind::U16 => 2,
            SampleKind::F32 => 4,
        };
        let expected = header_bytes + rows * columns * sample_bytes;
        if length != expected {
            let row_bytes = columns * sample_bytes;
            let row = length.saturating_sub(header_bytes) / row_bytes;
            return Err(wrong(
                path,
                if length < expected {
                    format!("row {row}: the file ends after {length} bytes")
                } else {
                    format!("the file holds {length} bytes")
                },
                &format!(
                    "expected {expected} bytes for {rows} rows × {columns} columns; export it again"
                ),
            ));
        }
        Ok(Self {
            file,
            size,
            samples,
        })
    }

    pub(super) fn size(&self) -> FrameSize {
        self.size
    }

    pub(super) fn samples(&self) -> SampleKind {
        self.samples
    }

    pub(super) fn read(&mut self, path: &Path, first: usize, rows: usize) -> Result<Counts> {
        let samples = rows * self.size.columns;
        match self.samples {
            SampleKind::U16 => {
                let mut counts = Vec::with_capacity(samples);
                self.rows(path, first, rows, 2, |row| {
                    counts.extend(
                        row.chunks_exact(2)
                            .map(|b| u16::from_le_bytes([b[0], b[1]])),
                    );
                })?;
                Ok(Counts::U16(counts))
            }
            SampleKind::F32 => {
                let mut values = Vec::with_capacity(samples);
                self.rows(path, first, rows, 4, |row| {
                    values.extend(
                        row.chunks_exact(4)
                            .map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]])),
                    );
                })?;
                Ok(Counts::F32(values))
            }
        }
    }

    fn rows(
        &mut self,
        path: &Path,
        first: usize,
        rows: usize,
        sample_bytes: usize,
        mut take: impl FnMut(&[u8]),
    ) -> Result<()> {
        let mut row_bytes = vec![0; self.size.columns * sample_bytes];
        for row in first..first + rows {
            self.file
                .read_exact(&mut row_bytes)
                .map_err(|e| damaged(path, row, e))?;
            take(&row_bytes);
        }
        Ok(())
    }
}

struct Header {
    descr: String,
    fortran_order: bool,
    shape: Vec<u64>,
}

/// The header and its length in bytes.
fn read_header(file: &mut impl Read) -> std::result::Result<(Header, u64), String> {
    let cut = |e: std::io::Error| format!("the header is cut off ({e})");
    let mut start = [0; 8];
    file.read_exact(&mut start).map_err(cut)?;
    if start[..6] != *b"\x93NUMPY" {
        return Err("the file does not start with the .npy mark".into());
    }
    let (length, before) = match start[6] {
        1 => {
            let mut bytes = [0; 2];
            file.read_exact(&mut bytes).map_err(cut)?;
            (usize::from(u16::from_le_bytes(bytes)), 10)
        }
        2 | 3 => {
            let mut bytes = [0; 4];
            file.read_exact(&mut bytes).map_err(cut)?;
            (u32::from_le_bytes(bytes) as usize, 12)
        }
        version => return Err(format!("an .npy file of version {version}")),
    };
    if MAX_HEADER_BYTES < length {
        return Err(format!("a header of {length} bytes"));
    }
    let mut text = vec![0; length];
    file.read_exact(&mut text).map_err(cut)?;
    let text = String::from_utf8(text).map_err(|_| "a header that is not text".to_string())?;
    let header = parse_header(&text).ok_or_else(|| format!("the header {}", text.trim()))?;
    Ok((header, (before + length) as u64))
}

/// The header is a Python dictionary literal with the keys `descr`, `fortran_order` and `shape`.
fn parse_header(text: &str) -> Option<Header> {
    let after = |key: &str| -> Option<&str> {
        let at = text
            .find(&format!("'{key}'"))
            .or_else(|| text.find(&format!("\"{key}\"")))?;
        Some(
            text[at + key.len() + 2..]
                .trim_start()
                .strip_prefix(':')?
                .trim_start(),
        )
    };
    let descr = after("descr")?;
    let quote = descr.chars().next().filter(|c| *c == '\'' || *c == '"')?;
    let descr = descr[1..].split(quote).next()?.to_string();
    let order = after("fortran_order")?;
    let fortran_order = if order.starts_with("True") {
        true
    } else if order.starts_with("False") {
        false
    } else {
        return None;
    };
    let shape = after("shape")?
        .strip_prefix('(')?
        .split(')')
        .next()?
        .split(',')
        .map(str::trim)
        .filter(|part| !part.is_empty())
        .map(|part| part.parse().ok())
        .collect::<Option<Vec<u64>>>()?;
    Some(Header {
        descr,
        fortran_order,
        shape,
    })
}

fn wrong(path: &Path, found: impl Into<String>, expected: &str) -> Error {
    Error::new(ErrorKind::Image, found)
        .at(path)
        .expected(expected)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn headers_as_numpy_writes_them() {
        // The form NumPy 1 and 2 write for arrays of 3 × 5, taken from NEP 1.
        let header =
            parse_header("{'descr': '<u2', 'fortran_order': False, 'shape': (3, 5), }   \n")
                .expect("a header");
        assert_eq!(header.descr, "<u2");
        assert!(!header.fortran_order);
        assert_eq!(header.shape, [3, 5]);
        for bad in [
            "",
            "{'descr': <u2}",
            "{'descr': '<u2', 'fortran_order': Maybe, 'shape': (3, 5)}",
            "{'descr': '<u2', 'fortran_order': True, 'shape': (3, -5)}",
        ] {
            assert!(parse_header(bad).is_none(), "{bad}");
        }
    }
}
