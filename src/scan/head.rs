//! The little of a scan that tells to which recording it belongs and whether its files have changed: what is kept of each while whole
//! archives are at work.

use std::collections::BTreeSet;
use std::ffi::OsStr;
use std::path::{MAIN_SEPARATOR, Path, PathBuf};
use std::sync::Arc;

use jiff::Timestamp;

use crate::error::{Error, ErrorKind, Result};

use super::alike::{Alike, Exact};
use super::colour_lattice::ColourLattice;
use super::folder::{SCAN_FILE, Scan};
use super::inputs;
use super::pack::PackedFrame;

/// What is kept of a scan of an archive.
///
/// What many scans share (the folder they lie in, the names of their files, pitches and scanner) is held once.
#[derive(Debug, Clone, PartialEq)]
pub struct ScanHead {
    place: Place,
    id: Box<str>,
    recording: Option<Arc<str>>,
    captured: Timestamp,
    first_profile: u64,
    rows: u64,
    files: Arc<[PathBuf]>,
    packed: bool,
    /// Where its colour rows start after its height rows, mm; 0 without colour.
    colour_origin_along_mm: f64,
    alike: Arc<Alike>,
}

/// A path as the folder it lies in and its name there.
#[derive(Debug, Clone, PartialEq)]
struct Place {
    parent: Arc<Path>,
    /// `None`: the path is the parent.
    name: Option<Box<OsStr>>,
}

impl Place {
    fn path(&self) -> PathBuf {
        match &self.name {
            Some(name) => self.parent.join(&**name),
            None => self.parent.to_path_buf(),
        }
    }

    /// The bytes of the path, without making it.
    fn bytes(&self) -> impl Iterator<Item = u8> + '_ {
        let parent = self.parent.as_os_str().as_encoded_bytes();
        let name = self.name.as_deref().map(OsStr::as_encoded_bytes);
        let between = name.is_some()
            && parent
                .last()
                .is_some_and(|last| !std::path::is_separator(char::from(*last)));
        let between = between.then_some(MAIN_SEPARATOR as u8);
        parent
            .iter()
            .copied()
            .chain(between)
            .chain(name.unwrap_or_default().iter().copied())
    }
}

/// Makes heads, and holds what they share.
#[derive(Debug, Default)]
pub(super) struct Heads {
    parent: Option<Arc<Path>>,
    recording: Option<Arc<str>>,
    files: BTreeSet<Arc<[PathBuf]>>,
    alike: BTreeSet<Arc<Alike>>,
}

impl Heads {
    /// The head of a scan.
    pub(super) fn of(&mut self, scan: &Scan) -> ScanHead {
        let description = &scan.description;
        ScanHead {
            place: self.place(&scan.folder),
            id: description.id.as_str().into(),
            recording: description
                .recording
                .as_deref()
                .map(|name| match &self.recording {
                    Some(last) if **last == *name => last.clone(),
                    _ => self.recording.insert(name.into()).clone(),
                }),
            captured: description.captured,
            first_profile: description.height.first_profile,
            rows: scan.rows as u64,
            files: shared(&mut self.files, inputs::names(scan).into()),
            packed: scan.packed.is_some(),
            colour_origin_along_mm: (description.colour.as_ref())
                .map_or(0.0, |colour| colour.origin_along_mm),
            alike: shared(&mut self.alike, Arc::new(Alike::of(scan))),
        }
    }

    fn place(&mut self, folder: &Path) -> Place {
        let (Some(parent), Some(name)) = (folder.parent(), folder.file_name()) else {
            return whole(folder);
        };
        let parent = match &self.parent {
            Some(last) if **last == *parent => last.clone(),
            _ => Arc::from(parent),
        };
        let place = Place {
            parent: parent.clone(),
            name: Some(name.into()),
        };
        // Paths are kept as they were given: one that is written in another way when put together again is left whole.
        if !place
            .bytes()
            .eq(folder.as_os_str().as_encoded_bytes().iter().copied())
        {
            return whole(folder);
        }
        self.parent = Some(parent);
        place
    }
}

fn whole(folder: &Path) -> Place {
    Place {
        parent: folder.into(),
        name: None,
    }
}

/// `value`, or the one that is like it and there already.
fn shared<T: Ord + ?Sized>(known: &mut BTreeSet<Arc<T>>, value: Arc<T>) -> Arc<T> {
    match known.get(&value) {
        Some(known) => known.clone(),
        None => {
            known.insert(value.clone());
            value
        }
    }
}

impl ScanHead {
    /// The scan's folder, or its place in a pack.
    #[must_use]
    pub fn folder(&self) -> PathBuf {
        self.place.path()
    }

    /// Its id.
    #[must_use]
    pub fn id(&self) -> &str {
        &self.id
    }

    /// The recording it belongs to: the one it names, or one of its own under its id.
    #[must_use]
    pub fn recording(&self) -> &str {
        self.recording.as_deref().unwrap_or(&self.id)
    }

    /// Whether it names a recording.
    #[must_use]
    pub fn names_recording(&self) -> bool {
        self.recording.is_some()
    }

    /// Time of its first row.
    #[must_use]
    pub fn captured(&self) -> Timestamp {
        self.captured
    }

    /// The scanner it came from.
    #[must_use]
    pub fn scanner(&self) -> &str {
        &self.alike.scanner
    }

    /// The product it names.
    #[must_use]
    pub fn product(&self) -> Option<&str> {
        self.alike.product.as_deref()
    }

    /// Number of lanes.
    #[must_use]
    pub fn lanes(&self) -> Option<u32> {
        self.alike.lanes
    }

    /// Belt speed, mm/s.
    #[must_use]
    pub fn belt_speed_mm_s(&self) -> Option<f64> {
        self.alike.belt_speed_mm_s.map(Exact::value)
    }

    /// Columns of its height frame.
    #[must_use]
    pub fn columns(&self) -> usize {
        self.alike.columns
    }

    /// First row, counted from the recording's start.
    #[must_use]
    pub fn first_profile(&self) -> u64 {
        self.first_profile
    }

    /// Row after its last, counted from the recording's start.
    #[must_use]
    pub fn end_profile(&self) -> u64 {
        self.first_profile.saturating_add(self.rows)
    }

    /// Path of its `scan.toml`.
    #[must_use]
    pub fn document_path(&self) -> PathBuf {
        self.folder().join(SCAN_FILE)
    }

    /// The pack it is in.
    pub(super) fn pack(&self) -> Option<PathBuf> {
        self.packed().map(|frame| frame.file)
    }

    /// Where in which pack it is.
    pub(super) fn packed(&self) -> Option<PackedFrame> {
        let place = self.packed.then(|| self.folder())?;
        Some(PackedFrame {
            file: place.parent()?.to_path_buf(),
            group: place.file_name()?.to_str()?.to_string(),
        })
    }

    /// The names of its files, as [`stated_files`](super::stated_files) has them.
    pub(super) fn files(&self) -> &[PathBuf] {
        &self.files
    }

    /// The order in which scans are joined: by first row, then path.
    pub(super) fn order(&self, other: &Self) -> std::cmp::Ordering {
        self.first_profile.cmp(&other.first_profile).then_with(|| {
            match Arc::ptr_eq(&self.place.parent, &other.place.parent) {
                true => self.place.name.cmp(&other.place.name),
                false => self.place.bytes().cmp(other.place.bytes()),
            }
        })
    }

    /// Why this scan cannot be in a recording with `first`, if it is not like it.
    pub(super) fn unlike(&self, first: &Self) -> Option<Error> {
        if self.names_recording() != first.names_recording() {
            let lone = if self.names_recording() { first } else { self };
            return Some(
                self.wrong(
                    "recording",
                    format!(
                        "'{}' is the recording of one scan and the id of another without a recording ({})",
                        lone.id,
                        first.folder().display()
                    ),
                )
                .expected("expected different names"),
            );
        }
        if self.alike == first.alike {
            return None;
        }
        let pairs = self
            .alike
            .in_words()
            .into_iter()
            .zip(first.alike.in_words());
        for ((key, found), (_, wanted)) in pairs {
            if found != wanted {
                return Some(self.wrong(key, format!("found {found}")).expected(format!(
                    "expected {wanted}, as in {} of the same recording",
                    first.folder().display()
                )));
            }
        }
        None
    }

    /// Why its colour rows do not go on where those of `first` would come to lie.
    pub(super) fn colour_rows_apart(&self, first: &Self) -> Option<Error> {
        let [_, pitch_mm, _] = self.alike.colour?.map(Exact::value);
        let start_mm = |head: &Self| head.first_profile as f64 * head.alike.pitch_along_mm.value();
        let (found, leading) = (self.colour_origin_along_mm, first.colour_origin_along_mm);
        let lattice = ColourLattice::new(leading, pitch_mm, start_mm(first));
        (found != leading && !lattice.holds(start_mm(self), found)).then(|| {
            self.wrong("colour.origin_along_mm", format!("found {found}"))
                .expected(format!(
                    "expected {leading}, as in {} of the same recording, or a place some whole colour rows after that one's first",
                    first.folder().display()
                ))
        })
    }

    /// An error about a key of its description that does not go with others.
    pub(super) fn wrong(&self, key: &str, found: String) -> Error {
        Error::new(ErrorKind::Mismatch, found)
            .at(self.document_path())
            .key(key)
    }

    /// Whether a scan that was read just now is the one this head was made of, as far as it goes.
    pub(super) fn is_of(&self, scan: &Scan) -> bool {
        *self == Heads::default().of(scan)
    }

    /// An error for a scan that is not what it was.
    pub(super) fn changed(&self) -> Error {
        Error::new(
            ErrorKind::Io,
            "the scan changed while the archive was being read",
        )
        .at(self.folder())
        .expected("read the archive again when nothing writes into it any more")
    }

    /// Reads the scan again.
    ///
    /// # Errors
    /// It cannot be read, or is not what it was.
    pub fn read(&self) -> Result<Scan> {
        let scan = super::read_scan(&self.folder())?;
        match self.is_of(&scan) {
            true => Ok(scan),
            false => Err(self.changed()),
        }
    }
}
