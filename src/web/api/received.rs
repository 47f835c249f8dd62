//! Files that the page was given: kept below the folder saved into, under a name that says what is in them, so that an address goes on leading to
//! them and a record's inputs can be found again.

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use serde::Deserialize;
use weighlight::scan::{Archive, Scan, read_archive};
use weighlight::{Error, ErrorKind, Result};

use super::saved::{clean_name, folder, names, place};

/// The folder's name.
const RECEIVED: &str = "received";
/// Most bytes of one delivery.
pub(super) const MOST_BYTES: usize = 512 << 20;
/// Digits of the hash in a name.
const HASH_DIGITS: usize = 16;
/// Longest list of files before their bytes.
const LONGEST_LIST: usize = 64 << 10;

/// One delivery at a time: what breaks off is swept away by the next.
static RECEIVING: Mutex<()> = Mutex::new(());

#[derive(Deserialize)]
struct Listed {
    name: String,
    size: usize,
}

/// The files of a delivery: a line of JSON with names and sizes, then all bytes one after the other.
fn unpacked(body: &[u8]) -> Result<Vec<(String, &[u8])>> {
    let wrong = |found: &str| Error::new(ErrorKind::Document, found.to_owned());
    let end = body.iter().take(LONGEST_LIST).position(|&b| b == b'\n');
    let end = end.ok_or_else(|| wrong("no list of files"))?;
    let (list, mut rest) = (&body[..end], &body[end + 1..]);
    let list: Vec<Listed> =
        serde_json::from_slice(list).map_err(|e| wrong(&format!("the list of files: {e}")))?;
    let mut files: Vec<(String, &[u8])> = Vec::new();
    for one in list {
        let name = clean_name(&one.name)?.to_owned();
        if files.iter().any(|(known, _)| *known == name) {
            return Err(wrong(&format!("two files are called {name}"))
                .expected("expected the files of one scan folder"));
        }
        let (bytes, after) = rest
            .split_at_checked(one.size)
            .ok_or_else(|| wrong("fewer bytes than listed"))?;
        files.push((name, bytes));
        rest = after;
    }
    if files.is_empty() || !rest.is_empty() {
        return Err(wrong("other bytes than listed"));
    }
    Ok(files)
}

fn hash(files: &[(String, &[u8])]) -> String {
    let mut sum = blake3::Hasher::new();
    for (name, bytes) in files {
        sum.update(&(name.len() as u64).to_le_bytes());
        sum.update(name.as_bytes());
        sum.update(&(bytes.len() as u64).to_le_bytes());
        sum.update(bytes);
    }
    sum.finalize().to_hex()[..HASH_DIGITS].to_owned()
}

/// Keeps the files of a scan, once they are found to be one; the name under which [`received_scan`] finds it.
pub(super) fn receive_scan(save_to: &Path, body: &[u8]) -> Result<String> {
    let mut files = unpacked(body)?;
    files.sort();
    let name = format!("scan-{}", hash(&files));
    keep(save_to, &name, &files, |folder| {
        one_scan(folder).map(|_| ())
    })?;
    Ok(name)
}

/// Keeps one file, once `check` has found it to be what it should be; the name under which [`received_file`] finds it.
pub(super) fn receive_file(
    save_to: &Path,
    name: &str,
    bytes: &[u8],
    check: impl FnOnce(&Path) -> Result<()>,
) -> Result<String> {
    let files = [(clean_name(name)?.to_owned(), bytes)];
    let kept = format!("file-{}", hash(&files));
    keep(save_to, &kept, &files, |folder| check(&folder.join(name)))?;
    Ok(kept)
}

fn keep(
    save_to: &Path,
    name: &str,
    files: &[(String, &[u8])],
    check: impl FnOnce(&Path) -> Result<()>,
) -> Result<()> {
    let home = folder(save_to, RECEIVED)?;
    let kept = place(save_to, RECEIVED, name)?;
    let _alone = RECEIVING.lock().unwrap_or_else(PoisonError::into_inner);
    if kept.is_dir() {
        return Ok(());
    }
    let part = home.join(".part");
    if fs::symlink_metadata(&part).is_ok() {
        fs::remove_dir_all(&part).map_err(|source| Error::io(&part, &source))?;
    }
    let write = || -> Result<()> {
        fs::create_dir(&part).map_err(|source| Error::io(&part, &source))?;
        for (name, bytes) in files {
            let path = part.join(name);
            fs::write(&path, bytes).map_err(|source| Error::io(&path, &source))?;
        }
        check(&part)?;
        fs::rename(&part, &kept).map_err(|source| Error::io(&kept, &source))
    };
    let written = write();
    if written.is_err() {
        // The first failure is the one to report.
        let _ = fs::remove_dir_all(&part);
    }
    // What was found in the passing folder is told of the files, not of that folder.
    written.map_err(|mut error| {
        error.path = error
            .path
            .map(|path| path.strip_prefix(&part).map_or(path.clone(), PathBuf::from));
        error
    })
}

/// The scan in a folder, which must hold exactly one.
fn one_scan(folder: &Path) -> Result<Scan> {
    let Archive {
        recordings,
        rejected,
    } = read_archive(&[folder.to_path_buf()]).map_err(|error| {
        error.expected(
            "expected the files of one scan: scan.toml and the frames that it names, or a pack",
        )
    })?;
    if let Some(rejected) = rejected.into_iter().next() {
        return Err(rejected.error);
    }
    let mut scans = recordings.into_iter().flat_map(|it| it.frames);
    match (scans.next(), scans.next()) {
        (Some(scan), None) => Ok(scan),
        _ => Err(Error::new(ErrorKind::Mismatch, "not one scan").expected("expected one scan")),
    }
}

/// A scan that was received.
pub(super) fn received_scan(save_to: &Path, name: &str) -> Result<Scan> {
    one_scan(&place(save_to, RECEIVED, name)?)
}

/// A file that was received.
pub(super) fn received_file(save_to: &Path, name: &str) -> Result<PathBuf> {
    let folder = place(save_to, RECEIVED, name)?;
    let gone = || {
        Error::new(ErrorKind::Io, "this file is not among those received")
            .at(&folder)
            .expected("choose it again")
    };
    let within = format!("{RECEIVED}/{name}");
    let held = names(&save_to.join(RECEIVED), name).map_err(|_| gone())?;
    match held.as_slice() {
        [file] => {
            let path = save_to.join(within).join(file);
            super::saved::no_link(&path)?;
            Ok(path)
        }
        _ => Err(gone()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_delivery_must_be_what_it_lists() {
        let good = b"[{\"name\":\"a\",\"size\":2},{\"name\":\"b\",\"size\":1}]\nxyz";
        let files = unpacked(good).unwrap();
        assert_eq!(
            files,
            [("a".to_owned(), &b"xy"[..]), ("b".to_owned(), &b"z"[..])]
        );
        for bad in [
            &b"no line"[..],
            b"[]\n",
            b"[{\"name\":\"a\",\"size\":3}]\nxy",
            b"[{\"name\":\"a\",\"size\":1}]\nxy",
            b"[{\"name\":\"../a\",\"size\":2}]\nxy",
            b"[{\"name\":\"a\",\"size\":1},{\"name\":\"a\",\"size\":1}]\nxy",
            b"{\"name\":\"a\"}\nxy",
        ] {
            assert!(unpacked(bad).is_err(), "{}", String::from_utf8_lossy(bad));
        }
    }

    #[test]
    fn what_is_not_as_it_should_be_is_not_kept() {
        let home = tempfile::tempdir().unwrap();
        let refused = receive_file(home.path(), "a.csv", b"x", |_| {
            Err(Error::new(ErrorKind::Document, "no"))
        });
        assert!(refused.is_err());
        assert!(names(home.path(), RECEIVED).unwrap().is_empty());
        let kept = receive_file(home.path(), "a.csv", b"x", |_| Ok(())).unwrap();
        let path = received_file(home.path(), &kept).unwrap();
        assert_eq!(fs::read(path).unwrap(), b"x");
        assert!(received_file(home.path(), "..").is_err());
        assert!(received_file(home.path(), "file-0").is_err());
        let scan = receive_scan(home.path(), b"[{\"name\":\"a\",\"size\":1}]\nx");
        assert!(scan.unwrap_err().to_string().contains("scan"));
    }
}
