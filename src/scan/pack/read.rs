//! What a pack holds.

use std::fs::File;
use std::io::{BufReader, Read};
use std::path::{Path, PathBuf};

use serde_json::Value;
use zip::ZipArchive;

use super::layout::{METADATA, listed, of_array};
use super::{PACK_ENDING, layout::Content};
use crate::document::Document;
use crate::error::{Error, ErrorKind, Result};
use crate::scan::colour::{ColourHeader, jpeg_header};
use crate::scan::folder::{Frames, SCAN_FILE, Scan, judge};
use crate::scan::format::{ColourFormat, FrameSize, SampleKind};
use crate::scan::height::{HeightHeader, is_x3p, read_x3p_header};
use crate::scan::wire::SCAN_FORMAT;

/// Names within a frame's group.
pub(super) const HEIGHT: &str = "height";
pub(super) const COLOUR: &str = "colour";
pub(super) const SCAN: &str = SCAN_FILE;
pub(super) const PROFILES: &str = "profiles.csv";
/// Largest text or description in a pack, bytes.
const MOST_TEXT: u64 = 256 << 20;
/// Largest entry: a chunk of the widest frame, or a JPEG.
const MOST_ENTRY: u64 = 4 << 30;
/// Largest `zarr.json` or `scan.toml`, bytes.
const MOST_METADATA: u64 = 16 << 20;

/// The array of a view.
pub(super) fn view_role(index: usize) -> String {
    format!("view-{}", index + 1)
}

/// The entry of a frame that is kept as the .x3p file it was.
pub(super) fn x3p_name(group: &str, role: &str) -> String {
    format!("{group}/{role}.x3p")
}

/// Where a frame of a pack is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PackedFrame {
    /// The pack.
    pub file: PathBuf,
    /// The frame's group in it.
    pub group: String,
}

/// Whether a file's name is a pack's.
pub fn is_pack(path: &Path) -> bool {
    let name = path.file_name().map(|name| name.as_encoded_bytes());
    name.is_some_and(|name| {
        // While it is being written its name goes on.
        let name = name.strip_suffix(b".part").unwrap_or(name);
        name.len() > PACK_ENDING.len() && name.ends_with(PACK_ENDING.as_bytes())
    })
}

/// The scans of a pack, each under its place in it.
///
/// # Errors
/// It cannot be read, or is no pack; what is wrong with one of its frames comes with that frame.
pub fn pack_scans(file: &Path) -> Result<Vec<(PathBuf, Result<Scan>)>> {
    let mut pack = Pack::open(file)?;
    let root = pack.json(METADATA)?;
    let frames = listed(&root).map_err(|e| e.at(file))?;
    Ok(frames
        .into_iter()
        .map(|frame| {
            let place = file.join(&frame.group);
            let packed = PackedFrame {
                file: file.to_path_buf(),
                group: frame.group,
            };
            let scan = pack.scan(&packed);
            (place, scan)
        })
        .collect())
}

/// The scan at a place such as `early.zarr.zip/0003`; `None` where that is no place in a pack.
pub fn packed_scan(place: &Path) -> Option<Result<Scan>> {
    let file = place
        .parent()
        .filter(|file| is_pack(file) && file.is_file())?;
    let frame = PackedFrame {
        file: file.to_path_buf(),
        group: place.file_name()?.to_str()?.to_string(),
    };
    Some(Pack::open(file).and_then(|mut pack| pack.scan(&frame)))
}

/// Length and BLAKE3 of all that a pack holds of a frame, names and bytes.
///
/// # Errors
/// The pack cannot be read or is damaged.
pub fn hash_of_frame(frame: &PackedFrame) -> Result<(u64, blake3::Hash)> {
    let mut pack = Pack::open(&frame.file)?;
    let within = format!("{}/", frame.group);
    let names = pack.zip.file_names().filter_map(std::result::Result::ok);
    let names = names.filter(|name| name.starts_with(&within));
    let mut names: Vec<String> = names.map(std::borrow::Cow::into_owned).collect();
    names.sort();
    let mut hasher = blake3::Hasher::new();
    let mut length = 0;
    for name in names {
        let bytes = pack.bytes(&name, MOST_ENTRY)?;
        length += bytes.len() as u64;
        hasher.update(&(name.len() as u64).to_le_bytes());
        hasher.update(name.as_bytes());
        hasher.update(&(bytes.len() as u64).to_le_bytes());
        hasher.update(&bytes);
    }
    Ok((length, hasher.finalize()))
}

/// An open pack.
pub(super) struct Pack {
    path: PathBuf,
    zip: ZipArchive<BufReader<File>>,
}

impl Pack {
    pub(super) fn open(path: &Path) -> Result<Self> {
        let file = File::open(path).map_err(|e| Error::io(path, &e))?;
        let zip = ZipArchive::new(BufReader::new(file)).map_err(|e| {
            Error::new(ErrorKind::Document, e.to_string())
                .at(path)
                .expected("expected a whole pack; it is cut off or damaged")
        })?;
        Ok(Self {
            path: path.to_path_buf(),
            zip,
        })
    }

    pub(super) fn path(&self) -> &Path {
        &self.path
    }

    pub(super) fn has(&self, name: &str) -> bool {
        self.zip.index_for_name(name).is_some()
    }

    /// An entry of at most `most` bytes; the ZIP's checksum is compared.
    pub(super) fn bytes(&mut self, name: &str, most: u64) -> Result<Vec<u8>> {
        let path = &self.path;
        let damaged = |found: String| {
            Error::new(ErrorKind::Image, format!("{name}: {found}"))
                .at(path)
                .expected("expected a whole pack; it is cut off or damaged")
        };
        let mut entry = self.zip.by_name(name).map_err(|e| damaged(e.to_string()))?;
        let size = entry.size();
        if size > most {
            return Err(damaged(format!("{size} bytes, more than {most}")));
        }
        let mut bytes = Vec::with_capacity(size as usize);
        let read = (&mut entry).take(most + 1).read_to_end(&mut bytes);
        read.map_err(|e| damaged(e.to_string()))?;
        match bytes.len() as u64 == size {
            true => Ok(bytes),
            false => Err(damaged(format!(
                "{} bytes where {size} belong",
                bytes.len()
            ))),
        }
    }

    /// A file that is kept as it was.
    pub(super) fn file(&mut self, name: &str) -> Result<Vec<u8>> {
        self.bytes(name, MOST_TEXT)
    }

    pub(super) fn json(&mut self, name: &str) -> Result<Value> {
        let bytes = self.bytes(name, MOST_METADATA)?;
        serde_json::from_slice(&bytes).map_err(|e| {
            Error::new(ErrorKind::Document, format!("{name}: {e}"))
                .at(&self.path)
                .expected("expected a pack's metadata")
        })
    }

    pub(super) fn array(&mut self, group: &str, role: &str) -> Result<(Content, FrameSize)> {
        let name = format!("{group}/{role}/{METADATA}");
        let metadata = self.json(&name)?;
        of_array(&metadata).map_err(|mut error| {
            error.found = format!("{name}: {}", error.found);
            error.at(&self.path)
        })
    }

    fn scan(&mut self, frame: &PackedFrame) -> Result<Scan> {
        let place = frame.file.join(&frame.group);
        let text = self.bytes(&format!("{}/{SCAN}", frame.group), MOST_METADATA)?;
        let text = String::from_utf8(text)
            .map_err(|_| Error::new(ErrorKind::Document, "not UTF-8").at(place.join(SCAN)))?;
        let (document, record) = Document::parse_as(&place.join(SCAN), text, SCAN_FORMAT)?;
        let mut frames = InPack {
            pack: self,
            group: frame.group.clone(),
        };
        let scan = judge(&place, &document, record, &mut frames)?;
        Ok(Scan {
            packed: Some(frame.clone()),
            ..scan
        })
    }
}

/// The headers of a packed frame's frames.
struct InPack<'a> {
    pack: &'a mut Pack,
    group: String,
}

impl Frames for InPack<'_> {
    fn height(&mut self, file: &Path, view: Option<usize>) -> Result<HeightHeader> {
        let role = view.map_or(HEIGHT.to_string(), view_role);
        if is_x3p(file) {
            let name = x3p_name(&self.group, &role);
            let bytes = self.pack.bytes(&name, MOST_ENTRY)?;
            return read_x3p_header(&self.pack.path, bytes);
        }
        let (content, size) = self.pack.array(&self.group, &role)?;
        let samples = match content {
            Content::U16 => SampleKind::U16,
            Content::F32 => SampleKind::F32,
            Content::Rgb => {
                return Err(Error::new(ErrorKind::Mismatch, format!("{role}: colours"))
                    .at(&self.pack.path)
                    .expected("expected heights"));
            }
        };
        Ok(HeightHeader {
            size,
            samples,
            pitch_mm: None,
        })
    }

    fn colour(&mut self, file: &Path) -> Result<ColourHeader> {
        if ColourFormat::required(file)? == ColourFormat::Jpeg {
            let bytes = self.pack.file(&format!("{}/{COLOUR}.jpg", self.group))?;
            return jpeg_header(&self.pack.path, bytes);
        }
        let (content, size) = self.pack.array(&self.group, COLOUR)?;
        if content != Content::Rgb {
            return Err(Error::new(ErrorKind::Mismatch, "colour: heights")
                .at(&self.pack.path)
                .expected("expected colours"));
        }
        let group = self.pack.json(&format!("{}/{METADATA}", self.group))?;
        let lossy = group["attributes"]["colour_lossy"].as_bool();
        Ok(ColourHeader {
            size,
            lossy: lossy.unwrap_or(true),
        })
    }

    fn profiles(&mut self, _: &Path) -> Result<()> {
        let name = format!("{}/{PROFILES}", self.group);
        match self.pack.has(&name) {
            true => Ok(()),
            false => {
                Err(Error::new(ErrorKind::Io, format!("{name} is missing")).at(&self.pack.path))
            }
        }
    }
}

impl Scan {
    /// The bytes of its `scan.toml`.
    pub(super) fn document_bytes(&self) -> Result<Vec<u8>> {
        self.own_file(&self.document_path(), SCAN)
    }

    /// The bytes of its encoder record, where it has one.
    pub(in crate::scan) fn profile_bytes(&self) -> Result<Option<Vec<u8>>> {
        let part = self.description.profiles.as_ref();
        part.map(|part| self.own_file(&self.folder.join(&part.file), PROFILES))
            .transpose()
    }

    /// The bytes of its colour frame, if that is a JPEG.
    pub(in crate::scan) fn jpeg_bytes(&self) -> Result<Vec<u8>> {
        let path = self.colour_path().unwrap_or_default();
        self.own_file(&path, &format!("{COLOUR}.jpg"))
    }

    /// The bytes of its height frame, or of a view's, if that is in .x3p; `path` is where it is outside of packs.
    pub(in crate::scan) fn x3p_bytes(&self, path: &Path, view: Option<usize>) -> Result<Vec<u8>> {
        let role = view.map_or(HEIGHT.to_string(), view_role);
        match &self.packed {
            None => std::fs::read(path).map_err(|e| Error::io(path, &e)),
            Some(frame) => {
                Pack::open(&frame.file)?.bytes(&x3p_name(&frame.group, &role), MOST_ENTRY)
            }
        }
    }

    fn own_file(&self, path: &Path, name: &str) -> Result<Vec<u8>> {
        match &self.packed {
            None => std::fs::read(path).map_err(|e| Error::io(path, &e)),
            Some(frame) => Pack::open(&frame.file)?.file(&format!("{}/{name}", frame.group)),
        }
    }
}
