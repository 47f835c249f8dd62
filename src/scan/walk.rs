//! Walking through folders in search of scans, one folder at a time.

use std::collections::{BTreeSet, VecDeque};
use std::ffi::OsStr;
use std::path::{Path, PathBuf};

use crate::error::{Error, ErrorKind, Result};

use super::folder::SCAN_FILE;
use super::pack::is_pack;
use super::recording::Rejected;

/// What a walk has come upon.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Found {
    /// A folder with a `scan.toml`.
    Folder(PathBuf),
    /// A pack.
    Pack(PathBuf),
}

/// A search for scans in folders, which goes on only as far as it is asked to.
///
/// Folders come in the order of their names' bytes, each before what is in it. Links are followed; a folder that is reached twice is
/// searched once, under the path by which it is reached first.
#[derive(Debug)]
pub(super) struct Walk {
    /// Given paths that have not been looked at yet, the next one last.
    roots: Vec<Root>,
    /// A list instead of recursion: a deep tree must not exhaust the stack. The next folder is taken from its end.
    waiting: Vec<Waiting>,
    ready: VecDeque<Found>,
    seen: BTreeSet<Seen>,
    /// Folders that could not be searched, in the order in which they were met.
    pub(super) unreadable: Vec<Rejected>,
}

/// A path given by the caller.
#[derive(Debug)]
enum Root {
    Folder(PathBuf),
    /// What it is, and its path without links.
    File(Found, PathBuf),
}

/// A folder still to be searched.
#[derive(Debug)]
struct Waiting {
    folder: PathBuf,
    /// Its path without links, where that is known: asking the system for it costs more than searching the folder.
    real: Option<PathBuf>,
}

/// Half a hash of a path without links: a path itself would take several times the room, and no two of all the paths there are
/// share one by chance.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Seen([u8; 16]);

impl Seen {
    fn of(real: &Path) -> Self {
        let hash = blake3::hash(bytes(real));
        let mut half = [0; 16];
        half.copy_from_slice(&hash.as_bytes()[..16]);
        Self(half)
    }
}

impl Walk {
    /// A walk through `paths`: folders, `scan.toml` files and packs.
    ///
    /// # Errors
    /// A path does not exist, or is another file.
    pub(super) fn new(paths: &[PathBuf]) -> Result<Self> {
        let mut roots = paths.iter().map(root).collect::<Result<Vec<_>>>()?;
        roots.reverse();
        Ok(Self {
            roots,
            waiting: Vec::new(),
            ready: VecDeque::new(),
            seen: BTreeSet::new(),
            unreadable: Vec::new(),
        })
    }

    /// Searches on until something is found, which stays to be taken by `next`; whether there is anything.
    pub(super) fn look_ahead(&mut self) -> bool {
        if self.ready.is_empty()
            && let Some(found) = self.next()
        {
            self.ready.push_front(found);
        }
        !self.ready.is_empty()
    }

    /// The next folder to search: the last that waits, or else the next path given.
    fn next_folder(&mut self) -> Option<Waiting> {
        if let Some(waiting) = self.waiting.pop() {
            return Some(waiting);
        }
        while let Some(root) = self.roots.pop() {
            match root {
                Root::Folder(folder) => return Some(Waiting { folder, real: None }),
                Root::File(found, real) => {
                    if self.seen.insert(Seen::of(&real)) {
                        self.ready.push_back(found);
                    }
                }
            }
        }
        None
    }

    fn search(&mut self, waiting: Waiting) {
        let Waiting { folder, real } = waiting;
        match list(&folder, real, &mut self.seen) {
            Ok(None) => {}
            Ok(Some(contents)) => {
                if contents.is_scan {
                    self.ready.push_back(Found::Folder(folder));
                }
                for file in contents.packs {
                    // Reached twice by links, it is still one.
                    let real = std::fs::canonicalize(&file).unwrap_or_else(|_| file.clone());
                    if self.seen.insert(Seen::of(&real)) {
                        self.ready.push_back(Found::Pack(file));
                    }
                }
                // Siblings go in backwards; with links this makes the path under which a folder is first met the smallest.
                self.waiting.extend(contents.folders.into_iter().rev());
            }
            Err(error) => self.unreadable.push(Rejected { folder, error }),
        }
    }
}

impl Iterator for Walk {
    type Item = Found;

    fn next(&mut self) -> Option<Found> {
        while self.ready.is_empty() {
            match self.next_folder() {
                Some(waiting) => self.search(waiting),
                None => break,
            }
        }
        self.ready.pop_front()
    }
}

fn root(path: &PathBuf) -> Result<Root> {
    let metadata = std::fs::metadata(path).map_err(|e| {
        Error::io(path, &e).expected("expected a scan folder, or a folder of scans")
    })?;
    let real = |path: &Path| std::fs::canonicalize(path).map_err(|e| Error::io(path, &e));
    if metadata.is_dir() {
        Ok(Root::Folder(path.clone()))
    } else if path.file_name().is_some_and(|name| name == SCAN_FILE) {
        let folder = match path.parent() {
            Some(parent) if parent != Path::new("") => parent,
            _ => Path::new("."),
        };
        Ok(Root::File(
            Found::Folder(folder.to_path_buf()),
            real(folder)?,
        ))
    } else if is_pack(path) {
        Ok(Root::File(Found::Pack(path.clone()), real(path)?))
    } else {
        Err(Error::new(ErrorKind::Io, "a file")
            .at(path)
            .expected("expected a scan folder, a folder of scans, or a pack (.zarr.zip)"))
    }
}

struct Contents {
    is_scan: bool,
    packs: Vec<PathBuf>,
    folders: Vec<Waiting>,
}

/// What a folder holds; `None` when it was searched before, under this or another name.
fn list(
    folder: &Path,
    real: Option<PathBuf>,
    seen: &mut BTreeSet<Seen>,
) -> Result<Option<Contents>> {
    let io = |e: std::io::Error| {
        Error::io(folder, &e).expected("expected a folder that can be searched")
    };
    let real = match real {
        Some(real) => real,
        None => std::fs::canonicalize(folder).map_err(io)?,
    };
    if !seen.insert(Seen::of(&real)) {
        return Ok(None);
    }
    let mut contents = Contents {
        is_scan: false,
        folders: Vec::new(),
        packs: Vec::new(),
    };
    for entry in std::fs::read_dir(folder).map_err(io)? {
        let entry = entry.map_err(io)?;
        let name = entry.file_name();
        if name == SCAN_FILE {
            contents.is_scan = true;
            continue;
        }
        let kind = entry.file_type().map_err(io)?;
        if kind.is_dir() {
            contents.folders.push(Waiting {
                folder: entry.path(),
                real: Some(real.join(&name)),
            });
        } else if kind.is_symlink() && entry.path().is_dir() {
            // A link that leads nowhere is no folder; whoever needs its target will miss it by name.
            contents.folders.push(Waiting {
                folder: entry.path(),
                real: None,
            });
        } else if is_pack(Path::new(&name)) && !is_unfinished(&name) {
            contents.packs.push(entry.path());
        }
    }
    contents.packs.sort_by(|a, b| bytes(a).cmp(bytes(b)));
    contents
        .folders
        .sort_by(|a, b| bytes(&a.folder).cmp(bytes(&b.folder)));
    Ok(Some(contents))
}

/// Whether a file is still being written: its name begins with a dot.
fn is_unfinished(name: &OsStr) -> bool {
    name.as_encoded_bytes().starts_with(b".")
}

pub(super) fn bytes(path: &Path) -> &[u8] {
    path.as_os_str().as_encoded_bytes()
}
