//! Packing a recording.

use std::collections::BTreeSet;
use std::io::{BufWriter, Seek, Write};
use std::path::Path;

use serde_json::Value;
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipWriter};

use super::codec::{pack_f32, pack_rgb, pack_u16};
use super::layout::{Content, ListedFrame, METADATA, array, group, root};
use super::read::{COLOUR, HEIGHT, PROFILES, SCAN, pack_scans, view_role, x3p_name};
use super::{CHUNK_ROWS, PACK_ENDING};
use crate::document::replace_checked_file;
use crate::error::{Error, ErrorKind, Result};
use crate::scan::format::{ColourFormat, FrameSize};
use crate::scan::height::is_x3p;
use crate::scan::{ColourReader, Counts, HeightReader, Recording, Scan};

/// What packing came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Packed {
    /// Frames packed.
    pub frames: usize,
    /// Bytes of the frames' files before.
    pub bytes_before: u64,
    /// Bytes of the pack.
    pub bytes: u64,
}

/// Packs `recording` into the file `path`, whose name must end in [`PACK_ENDING`].
///
/// Before the file gets its name all that it holds is read back and compared with what went in.
///
/// # Errors
/// A frame cannot be read, or the file cannot be written or does not read back.
pub fn pack_recording(recording: &Recording, path: &Path) -> Result<Packed> {
    if !super::is_pack(path) {
        return Err(Error::new(ErrorKind::Io, "not the name of a pack")
            .at(path)
            .expected(format!("expected a name that ends in {PACK_ENDING}")));
    }
    replace_checked_file(
        path,
        |out| {
            let mut zip = Writer::new(out, path);
            let frames = listed(recording);
            zip.json(METADATA, &root(&recording.name, &frames))?;
            let mut went_in = Vec::new();
            for (scan, frame) in recording.frames.iter().zip(&frames) {
                went_in.push(write_frame(&mut zip, scan, &frame.group)?);
            }
            zip.finish()?;
            Ok(went_in)
        },
        |part, went_in| {
            let scans = pack_scans(part)?;
            if scans.len() != recording.frames.len() {
                return Err(not_the_same("frames"));
            }
            for ((scan, went_in), (_, packed)) in recording.frames.iter().zip(went_in).zip(scans) {
                let packed = packed?;
                if packed.description != scan.description {
                    return Err(not_the_same("the description").at(scan.document_path()));
                }
                if Contents::of(&packed)? != *went_in {
                    return Err(not_the_same("samples").at(&scan.folder));
                }
            }
            Ok(())
        },
    )?;
    let bytes = std::fs::metadata(path).map_err(|e| Error::io(path, &e))?;
    Ok(Packed {
        frames: recording.frames.len(),
        bytes_before: recording.frames.iter().map(file_bytes).sum(),
        bytes: bytes.len(),
    })
}

fn not_the_same(what: &str) -> Error {
    Error::new(
        ErrorKind::Io,
        format!("{what} read back are not what was written"),
    )
    .expected("nothing was replaced; look at the disk, then pack again")
}

fn listed(recording: &Recording) -> Vec<ListedFrame> {
    let frames = recording.frames.iter().enumerate();
    frames
        .map(|(index, scan)| ListedFrame {
            group: format!("{index:04}"),
            id: scan.description.id.clone(),
        })
        .collect()
}

fn file_bytes(scan: &Scan) -> u64 {
    let sizes = scan.files().into_iter().filter_map(|file| {
        let data = std::fs::metadata(file).ok()?;
        Some(data.len())
    });
    sizes.sum()
}

/// Hashes of all that a frame's files hold, sample by sample.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(super) struct Contents(Vec<(String, blake3::Hash)>);

impl Contents {
    fn put(&mut self, role: &str, hash: blake3::Hash) {
        self.0.push((role.to_string(), hash));
    }

    /// Reads all of a scan.
    pub(super) fn of(scan: &Scan) -> Result<Self> {
        let mut contents = Self::default();
        each_part(scan, &mut contents, |_, _, _, _| Ok(()))?;
        Ok(contents)
    }
}

/// A chunk of rows.
pub(super) enum Chunk<'a> {
    Heights(&'a Counts),
    Rgb(&'a [u8]),
}

/// Reads all frames of a scan chunk by chunk; each goes to `take` with its role, its size and the chunk's number.
fn each_part(
    scan: &Scan,
    contents: &mut Contents,
    mut take: impl FnMut(&str, FrameSize, usize, Chunk<'_>) -> Result<()>,
) -> Result<()> {
    let size = FrameSize {
        rows: scan.rows,
        columns: scan.columns,
    };
    let views = scan.description.views.iter().enumerate();
    let views = views.map(|(index, view)| (view_role(index), HeightReader::open_view(scan, view)));
    let heights = std::iter::once((HEIGHT.to_string(), HeightReader::open(scan)));
    for (role, reader) in heights.chain(views) {
        let mut reader = reader?;
        let mut hasher = blake3::Hasher::new();
        let mut chunk = 0;
        while let Some(rows) = reader.read(CHUNK_ROWS)? {
            let bytes: Vec<u8> = match &rows.counts {
                Counts::U16(counts) => counts.iter().flat_map(|c| c.to_le_bytes()).collect(),
                Counts::F32(values) => values.iter().flat_map(|v| v.to_le_bytes()).collect(),
            };
            hasher.update(&bytes);
            take(&role, size, chunk, Chunk::Heights(&rows.counts))?;
            chunk += 1;
        }
        contents.put(&role, hasher.finalize());
    }
    if let Some(size) = scan.colour_size {
        let mut reader = ColourReader::open(scan)?;
        let mut hasher = blake3::Hasher::new();
        let mut chunk = 0;
        while let Some(rows) = reader.read(CHUNK_ROWS)? {
            hasher.update(&rows.rgb);
            take(COLOUR, size, chunk, Chunk::Rgb(&rows.rgb))?;
            chunk += 1;
        }
        contents.put(COLOUR, hasher.finalize());
    }
    Ok(())
}

fn write_frame<W: Write + Seek>(
    zip: &mut Writer<'_, W>,
    scan: &Scan,
    frame: &str,
) -> Result<Contents> {
    zip.json(
        &format!("{frame}/{METADATA}"),
        &group(serde_json::json!({"id": scan.description.id, "colour_lossy": scan.colour_lossy})),
    )?;
    zip.file(&format!("{frame}/{SCAN}"), &scan.document_bytes()?)?;
    if let Some(bytes) = scan.profile_bytes()? {
        zip.file(&format!("{frame}/{PROFILES}"), &bytes)?;
    }
    // What could not be written again is kept as the file it was.
    let mut verbatim = BTreeSet::new();
    if let Some(part) = &scan.description.colour
        && ColourFormat::required(&part.file)? == ColourFormat::Jpeg
    {
        zip.file(&format!("{frame}/{COLOUR}.jpg"), &scan.jpeg_bytes()?)?;
        verbatim.insert(COLOUR.to_string());
    }
    let views = scan.description.views.iter().enumerate();
    let views = views.map(|(index, view)| (view_role(index), scan.view_path(view), Some(index)));
    let heights = std::iter::once((HEIGHT.to_string(), scan.height_path(), None));
    for (role, path, view) in heights.chain(views) {
        if is_x3p(&path) {
            let bytes = scan.x3p_bytes(&path, view)?;
            zip.file(&x3p_name(frame, &role), &bytes)?;
            verbatim.insert(role);
        }
    }
    let mut contents = Contents::default();
    each_part(scan, &mut contents, |role, size, chunk, rows| {
        if verbatim.contains(role) {
            return Ok(());
        }
        let (content, bytes, place) = match rows {
            Chunk::Heights(Counts::U16(counts)) => {
                let whole = padded(counts, size.columns);
                (Content::U16, pack_u16(&whole)?, format!("{chunk}/0"))
            }
            Chunk::Heights(Counts::F32(values)) => {
                let whole = padded(values, size.columns);
                (Content::F32, pack_f32(&whole)?, format!("{chunk}/0"))
            }
            Chunk::Rgb(rgb) => {
                let whole = padded(rgb, 3 * size.columns);
                (
                    Content::Rgb,
                    pack_rgb(&whole, size.columns)?,
                    format!("{chunk}/0/0"),
                )
            }
        };
        if chunk == 0 {
            zip.json(&format!("{frame}/{role}/{METADATA}"), &array(content, size))?;
        }
        zip.file(&format!("{frame}/{role}/c/{place}"), &bytes)
    })?;
    Ok(contents)
}

/// A chunk with all its rows: chunks of Zarr are all of one shape, and what lies beyond the array is 0.
fn padded<T: Copy + Default>(samples: &[T], row: usize) -> Vec<T> {
    let mut whole = samples.to_vec();
    whole.resize(CHUNK_ROWS * row, T::default());
    whole
}

/// A ZIP whose entries are stored.
struct Writer<'a, W: Write + Seek> {
    zip: ZipWriter<&'a mut BufWriter<W>>,
    path: &'a Path,
}

impl<'a, W: Write + Seek> Writer<'a, W> {
    fn new(out: &'a mut BufWriter<W>, path: &'a Path) -> Self {
        Self {
            zip: ZipWriter::new(out),
            path,
        }
    }

    fn file(&mut self, name: &str, bytes: &[u8]) -> Result<()> {
        // No time of writing: the same recording gives the same bytes.
        let options = SimpleFileOptions::DEFAULT
            .compression_method(CompressionMethod::Stored)
            .large_file(u32::try_from(bytes.len()).is_err());
        self.zip
            .start_file(name, options)
            .map_err(|e| Error::new(ErrorKind::Io, e.to_string()).at(self.path))?;
        self.zip
            .write_all(bytes)
            .map_err(|e| Error::io(self.path, &e))
    }

    fn json(&mut self, name: &str, value: &Value) -> Result<()> {
        self.file(name, value.to_string().as_bytes())
    }

    fn finish(self) -> Result<()> {
        let done = self.zip.finish();
        done.map(|_| ())
            .map_err(|e| Error::new(ErrorKind::Io, e.to_string()).at(self.path))
    }
}
