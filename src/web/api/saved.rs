//! The folder that the page saves into: names that stay inside it, files replaced whole, links never followed.

use std::fs;
use std::io::{ErrorKind as IoKind, Write};
use std::path::{Path, PathBuf};

use axum::http::{HeaderName, header};
use axum::response::{IntoResponse, Response};
use weighlight::document::replace_file;
use weighlight::{Error, ErrorKind, Result};

/// Longest name of a file, bytes; file systems allow 255, and a few are needed for what stands before and behind.
const LONGEST_NAME: usize = 120;

/// A saved page brings its own scripts inside it; it may run those and reach nothing: not the network, not this server, not its neighbours.
const ALONE: &str = "sandbox allow-scripts allow-modals; default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; \
                     img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/// A name that can stand in a folder and cannot lead out of it.
pub(super) fn clean_name(name: &str) -> Result<&str> {
    let fits = !name.is_empty()
        && name.len() <= LONGEST_NAME
        && name.trim() == name
        && !name.starts_with('.')
        && !name
            .chars()
            .any(|c| c.is_control() || matches!(c, '/' | '\\' | ':'));
    if fits {
        Ok(name)
    } else {
        Err(
            Error::new(ErrorKind::Mismatch, format!("the name is {name:?}")).expected(
                "expected a file's name without folders: no '/', '\\' or ':', no dot first, no blanks at its ends, at most 120 bytes",
            ),
        )
    }
}

/// Refuses what is a link: what is saved must not land elsewhere.
pub(super) fn no_link(path: &Path) -> Result<()> {
    match fs::symlink_metadata(path) {
        Ok(about) if about.file_type().is_symlink() => {
            Err(Error::new(ErrorKind::Io, "a link to elsewhere")
                .at(path)
                .expected("expected a file or folder of its own: move the link away"))
        }
        Err(source) if source.kind() != IoKind::NotFound => Err(Error::io(path, &source)),
        _ => Ok(()),
    }
}

/// A folder below the one that is saved into, made when it is not there.
pub(super) fn folder(save_to: &Path, name: &str) -> Result<PathBuf> {
    fs::create_dir_all(save_to).map_err(|source| Error::io(save_to, &source))?;
    let path = save_to.join(clean_name(name)?);
    no_link(&path)?;
    fs::create_dir_all(&path).map_err(|source| Error::io(&path, &source))?;
    Ok(path)
}

/// Where a file of that name lies below; it need not be there.
pub(super) fn place(save_to: &Path, folder: &str, name: &str) -> Result<PathBuf> {
    let folder = save_to.join(clean_name(folder)?);
    let path = folder.join(clean_name(name)?);
    no_link(&folder)?;
    no_link(&path)?;
    Ok(path)
}

/// Writes a file below, whole or not at all.
pub(super) fn write(save_to: &Path, within: &str, name: &str, bytes: &[u8]) -> Result<PathBuf> {
    folder(save_to, within)?;
    let path = place(save_to, within, name)?;
    no_link(&path.with_file_name(format!(".{name}.part")))?;
    replace_file(&path, |to| {
        to.write_all(bytes)
            .map_err(|source| Error::io(&path, &source))
    })?;
    Ok(path)
}

/// The names in a folder below, sorted; none where there is no such folder.
pub(super) fn names(save_to: &Path, within: &str) -> Result<Vec<String>> {
    let folder = save_to.join(clean_name(within)?);
    no_link(&folder)?;
    let entries = match fs::read_dir(&folder) {
        Ok(entries) => entries,
        Err(source) if source.kind() == IoKind::NotFound => return Ok(Vec::new()),
        Err(source) => return Err(Error::io(&folder, &source)),
    };
    let mut found: Vec<String> = entries
        .filter_map(|entry| entry.ok()?.file_name().into_string().ok())
        .filter(|name| clean_name(name).is_ok())
        .collect();
    found.sort();
    Ok(found)
}

/// A saved page, ready to be shown by itself; `None` where there is none of that name.
pub(super) fn page(save_to: &Path, within: &str, name: &str) -> Result<Option<Response>> {
    let Ok(path) = place(save_to, within, name) else {
        return Ok(None);
    };
    if !name.ends_with(".html") || !path.is_file() {
        return Ok(None);
    }
    let text = fs::read(&path).map_err(|source| Error::io(&path, &source))?;
    let about = [
        (header::CONTENT_TYPE, "text/html; charset=utf-8"),
        (header::CONTENT_SECURITY_POLICY, ALONE),
        // Browsers open no page that is both shut in and asks for a window of its own.
        (
            HeaderName::from_static("cross-origin-opener-policy"),
            "unsafe-none",
        ),
    ];
    Ok(Some((about, text).into_response()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_stay_inside() {
        for name in ["plate.toml", "Zeile 2.csv", "ä.png", "a..b"] {
            assert!(clean_name(name).is_ok(), "{name}");
        }
        let long = "x".repeat(121);
        for name in [
            "", ".", "..", "../a", "a/b", "a\\b", "C:a", ".hidden", " a", "a ", "a\nb", &long,
        ] {
            assert!(clean_name(name).is_err(), "{name:?}");
        }
    }

    #[cfg(unix)]
    #[test]
    fn links_are_not_followed() {
        let home = tempfile::tempdir().unwrap();
        let (inside, outside) = (home.path().join("saved"), home.path().join("outside"));
        fs::create_dir_all(&outside).unwrap();
        fs::create_dir_all(&inside).unwrap();
        std::os::unix::fs::symlink(&outside, inside.join("checks")).unwrap();
        assert!(write(&inside, "checks", "a.txt", b"x").is_err());
        fs::create_dir_all(inside.join("records")).unwrap();
        std::os::unix::fs::symlink(outside.join("b"), inside.join("records/b.txt")).unwrap();
        assert!(write(&inside, "records", "b.txt", b"x").is_err());
        std::os::unix::fs::symlink(outside.join("c"), inside.join("records/.c.txt.part")).unwrap();
        assert!(write(&inside, "records", "c.txt", b"x").is_err());
        assert_eq!(fs::read_dir(&outside).unwrap().count(), 0);
        let written = write(&inside, "records", "d.txt", b"x").unwrap();
        assert_eq!(fs::read(written).unwrap(), b"x");
        assert_eq!(
            names(&inside, "records").unwrap(),
            ["b.txt", "d.txt"],
            "part files are no names"
        );
    }
}
