//! `.x3p` surfaces (ISO 25178-72): a zip of `main.xml` and a binary file of heights in metres.
//!
//! The rows and columns of the file are taken as rows and columns of the frame. Lengths come out in mm. Samples outside
//! the file's validity mask are NaN. Damage is found by the zip's own checksums.

use std::fs::File;
use std::io::{BufReader, Cursor, Read, Seek};
use std::path::Path;

use zip::ZipArchive;

use crate::error::{Error, ErrorKind, Result};
use crate::scan::format::FrameSize;

mod header;

use header::{Header, SampleType};

const MM_PER_M: f64 = 1000.0;
/// Largest `main.xml`; it holds a page of text.
const MAX_XML_BYTES: u64 = 4 << 20;

pub(super) struct X3pHeights {
    size: FrameSize,
    pitch_mm: [f64; 2],
    heights_mm: Vec<f32>,
}

impl X3pHeights {
    /// Reads `main.xml` only; such a value has no rows to give.
    pub(super) fn open_header(path: &Path) -> Result<Self> {
        read_header(path, file(path)?).map(|(_, header)| Self::of(&header, Vec::new()))
    }

    /// The same of a file in memory; `path` is only named in errors.
    pub(super) fn header_of(path: &Path, bytes: Vec<u8>) -> Result<Self> {
        read_header(path, Cursor::new(bytes)).map(|(_, header)| Self::of(&header, Vec::new()))
    }

    /// Reads the whole surface: a zip member cannot be read from its middle.
    pub(super) fn open(path: &Path) -> Result<Self> {
        Self::read_all(path, file(path)?)
    }

    /// The same of a file in memory; `path` is only named in errors.
    pub(super) fn open_bytes(path: &Path, bytes: Vec<u8>) -> Result<Self> {
        Self::read_all(path, Cursor::new(bytes))
    }

    fn read_all(path: &Path, source: impl Read + Seek) -> Result<Self> {
        let (mut archive, header) = read_header(path, source)?;
        let samples = header.size.rows * header.size.columns;
        let bytes = member(
            path,
            &mut archive,
            &header.data_file,
            (samples * header.sample.bytes()) as u64,
        )?;
        let mut heights_mm = header.heights_mm(&bytes);
        if let Some(mask_file) = &header.mask_file {
            let mask = member(path, &mut archive, mask_file, samples.div_ceil(8) as u64)?;
            for (index, height) in heights_mm.iter_mut().enumerate() {
                // One bit a sample, lowest bit first (from memory of the standard's reference implementation).
                if mask[index / 8] >> (index % 8) & 1 == 0 {
                    *height = f32::NAN;
                }
            }
        }
        Ok(Self::of(&header, heights_mm))
    }

    fn of(header: &Header, heights_mm: Vec<f32>) -> Self {
        Self {
            size: header.size,
            pitch_mm: header.pitch_m.map(|m| m * MM_PER_M),
            heights_mm,
        }
    }

    pub(super) fn size(&self) -> FrameSize {
        self.size
    }

    /// Column and row pitch, mm.
    pub(super) fn pitch_mm(&self) -> [f64; 2] {
        self.pitch_mm
    }

    pub(super) fn read(&self, first: usize, rows: usize) -> Vec<f32> {
        let columns = self.size.columns;
        self.heights_mm[first * columns..(first + rows) * columns].to_vec()
    }
}

fn file(path: &Path) -> Result<BufReader<File>> {
    let file = File::open(path).map_err(|e| Error::io(path, &e))?;
    Ok(BufReader::new(file))
}

fn read_header<R: Read + Seek>(path: &Path, source: R) -> Result<(ZipArchive<R>, Header)> {
    let mut archive = ZipArchive::new(source).map_err(|e| {
        wrong(path, e.to_string()).expected("expected an .x3p file, which is a zip archive")
    })?;
    let main = archive.by_name("main.xml").map_err(|e| {
        wrong(path, format!("main.xml: {e}")).expected("expected an .x3p file with a main.xml")
    })?;
    let mut xml = String::new();
    main.take(MAX_XML_BYTES)
        .read_to_string(&mut xml)
        .map_err(|e| wrong(path, format!("main.xml: {e}")))?;
    let header = Header::parse(&xml).map_err(|e| e.at(path))?;
    Ok((archive, header))
}

/// A member that must hold exactly `bytes`; its claimed size is not trusted.
fn member<R: Read + Seek>(
    path: &Path,
    archive: &mut ZipArchive<R>,
    name: &str,
    bytes: u64,
) -> Result<Vec<u8>> {
    let file = archive
        .by_name(name)
        .map_err(|e| wrong(path, format!("{name}: {e}")))?;
    let size = file.size();
    if size != bytes {
        return Err(wrong(path, format!("{name} holds {size} bytes"))
            .expected(format!("expected {bytes} for the size main.xml states")));
    }
    let mut data = Vec::new();
    // One byte more than stated is enough to see that there is more.
    file.take(bytes + 1).read_to_end(&mut data).map_err(|e| {
        wrong(path, format!("{name}: {e}"))
            .expected("the file is cut off or damaged, export it again")
    })?;
    if data.len() as u64 == bytes {
        Ok(data)
    } else {
        Err(wrong(path, format!("{name} holds {} bytes", data.len()))
            .expected(format!("expected {bytes}")))
    }
}

impl Header {
    /// Heights in mm. Formula: z = increment · sample + offset.
    fn heights_mm(&self, bytes: &[u8]) -> Vec<f32> {
        let mm = |z: f64| ((z * self.z_increment + self.z_offset_m) * MM_PER_M) as f32;
        match self.sample {
            SampleType::I16 => bytes
                .chunks_exact(2)
                .map(|b| mm(f64::from(i16::from_le_bytes([b[0], b[1]]))))
                .collect(),
            SampleType::I32 => bytes
                .chunks_exact(4)
                .map(|b| mm(f64::from(i32::from_le_bytes([b[0], b[1], b[2], b[3]]))))
                .collect(),
            SampleType::F32 => bytes
                .chunks_exact(4)
                .map(|b| mm(f64::from(f32::from_le_bytes([b[0], b[1], b[2], b[3]]))))
                .collect(),
            SampleType::F64 => bytes
                .chunks_exact(8)
                .map(|b| {
                    mm(f64::from_le_bytes([
                        b[0], b[1], b[2], b[3], b[4], b[5], b[6], b[7],
                    ]))
                })
                .collect(),
        }
    }
}

fn wrong(path: &Path, found: impl Into<String>) -> Error {
    Error::new(ErrorKind::Image, found).at(path)
}
