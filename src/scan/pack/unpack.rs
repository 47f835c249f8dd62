//! Unpacking: scan folders again.

use std::path::{Path, PathBuf};

use super::write::Contents;
use crate::document::replace_file;
use crate::error::{Error, ErrorKind, Result};
use crate::scan::folder::{SCAN_FILE, read_scan};
use crate::scan::format::ColourFormat;
use crate::scan::height::is_x3p;
use crate::scan::rows::{ColourRows, Counts, HeightRows};
use crate::scan::write::{write_colour, write_height};
use crate::scan::{ColourReader, HeightReader, Recording, Scan};

/// Writes a recording's packed frames as scan folders below `into`, each named by its scan's id; returns them.
///
/// Descriptions, encoder records, .x3p files and lossy pictures come back byte for byte; heights and other pictures sample for sample, and are read back and
/// compared. `scan.toml` comes last, so that a folder that broke off is no scan.
///
/// # Errors
/// A folder is there already, a frame is damaged, or a file cannot be written.
pub fn unpack_recording(recording: &Recording, into: &Path) -> Result<Vec<PathBuf>> {
    let packed = recording.frames.iter().filter(|scan| scan.packed.is_some());
    packed.map(|scan| unpack_frame(scan, into)).collect()
}

fn unpack_frame(scan: &Scan, into: &Path) -> Result<PathBuf> {
    let folder = into.join(&scan.description.id);
    if folder.exists() {
        return Err(Error::new(ErrorKind::Io, "there is something of that name")
            .at(&folder)
            .expected("expected a folder to unpack into that does not hold this scan yet"));
    }
    std::fs::create_dir_all(&folder).map_err(|e| Error::io(&folder, &e))?;
    let in_folder = |file: &Path| -> Result<PathBuf> {
        // A pack may come from anywhere: what it says must not lead out of the folder.
        let plain = file
            .components()
            .all(|part| matches!(part, std::path::Component::Normal(_)));
        if !plain {
            return Err(
                Error::new(ErrorKind::Document, format!("file {}", file.display()))
                    .at(scan.document_path())
                    .expected("expected a file below the scan's folder"),
            );
        }
        let path = folder.join(file);
        if let Some(parent) = path.parent() {
            std::fs::create_dir_all(parent).map_err(|e| Error::io(parent, &e))?;
        }
        Ok(path)
    };
    let description = &scan.description;
    let views = description.views.iter().enumerate();
    let views = views.map(|(index, view)| (&view.file, Some((index, view))));
    for (file, view) in std::iter::once((&description.height.file, None)).chain(views) {
        let path = in_folder(file)?;
        if is_x3p(&path) {
            put(&path, &scan.x3p_bytes(&path, view.map(|(index, _)| index))?)?;
            continue;
        }
        let reader = match view {
            None => HeightReader::open(scan)?,
            Some((_, view)) => HeightReader::open_view(scan, view)?,
        };
        write_height(&path, &heights(scan, reader)?)?;
    }
    if let Some(part) = &description.colour {
        let path = in_folder(&part.file)?;
        if ColourFormat::required(&path)? == ColourFormat::Jpeg {
            put(&path, &scan.jpeg_bytes()?)?;
        } else {
            write_colour(&path, &colours(scan)?)?;
        }
    }
    if let (Some(part), Some(bytes)) = (&description.profiles, scan.profile_bytes()?) {
        put(&in_folder(&part.file)?, &bytes)?;
    }
    put(&folder.join(SCAN_FILE), &scan.document_bytes()?)?;
    let written = read_scan(&folder)?;
    if Contents::of(&written)? != Contents::of(scan)? {
        return Err(
            Error::new(ErrorKind::Io, "samples read back are not what was written")
                .at(&folder)
                .expected("look at the disk, then unpack again into another folder"),
        );
    }
    Ok(folder)
}

fn put(path: &Path, bytes: &[u8]) -> Result<()> {
    replace_file(path, |out| {
        std::io::Write::write_all(out, bytes).map_err(|e| Error::io(path, &e))
    })
}

fn heights(scan: &Scan, mut reader: HeightReader) -> Result<HeightRows> {
    let whole = reader.read(scan.rows)?.unwrap_or(HeightRows {
        first_row: 0,
        columns: scan.columns,
        counts: Counts::U16(Vec::new()),
    });
    Ok(whole)
}

fn colours(scan: &Scan) -> Result<ColourRows> {
    let rows = scan.colour_size.map_or(0, |size| size.rows);
    let whole = ColourReader::open(scan)?.read(rows)?;
    whole.ok_or_else(|| Error::new(ErrorKind::Image, "no rows of colour").at(&scan.folder))
}
