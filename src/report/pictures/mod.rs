//! Pictures of one frame: its heights, its pieces over its colour, and what their uncertainties are made of.
//!
//! The first two show the belt from above as it lies, for someone at the outfeed looking upstream: x grows to the right and y
//! upwards, so the first row scanned is at the bottom and the belt travels down the picture. A millimetre is as long
//! across as along, whatever the pitches.

mod budget;
mod colour_map;
mod height;
mod layout;
mod legend;
mod lettering;
mod marks;
mod pieces;
mod sampling;

use std::path::{Path, PathBuf};

pub use budget::budget_picture;
pub use colour_map::HeightColours;
pub use height::height_picture;
pub use pieces::piece_picture;

use image::{ImageFormat, RgbImage};

use crate::document::replace_file;
use crate::pipeline::{FrameView, MeasuredPiece};
use crate::{Error, ErrorKind, Result};

/// Where the pictures of a frame were written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PicturePaths {
    /// The height map.
    pub height: PathBuf,
    /// The pieces over the colour frame.
    pub pieces: PathBuf,
    /// What the uncertainties of its pieces are made of; `None` for a frame without pieces.
    pub budget: Option<PathBuf>,
}

/// Draws the pictures of a frame and writes them into `folder` as `SCAN.height.png`, `SCAN.pieces.png` and, where there are pieces,
/// `SCAN.budget.png`.
///
/// # Errors
/// The frame is empty, or a file cannot be written.
pub fn write_pictures(
    folder: &Path,
    view: &FrameView,
    pieces: &[MeasuredPiece],
) -> Result<PicturePaths> {
    let height = write_height_picture(folder, view, pieces)?;
    let name = file_name(&view.scan);
    let paths = PicturePaths {
        height,
        pieces: folder.join(format!("{name}.pieces.png")),
        budget: (!pieces.is_empty()).then(|| folder.join(format!("{name}.budget.png"))),
    };
    if let Some(budget) = &paths.budget {
        save_picture(budget, &budget_picture(&view.scan, pieces)?)?;
    }
    save_picture(&paths.pieces, &piece_picture(view, pieces)?)?;
    Ok(paths)
}

/// Draws the height map of a frame alone and writes it into `folder` as `SCAN.height.png`.
///
/// # Errors
/// As [`write_pictures`].
pub fn write_height_picture(
    folder: &Path,
    view: &FrameView,
    pieces: &[MeasuredPiece],
) -> Result<PathBuf> {
    let path = folder.join(format!("{}.height.png", file_name(&view.scan)));
    save_picture(&path, &height_picture(view, pieces)?)?;
    Ok(path)
}

/// Writes a picture as PNG.
///
/// # Errors
/// The file cannot be written.
pub fn save_picture(path: &Path, picture: &RgbImage) -> Result<()> {
    replace_file(path, |out| {
        picture
            .write_to(out, ImageFormat::Png)
            .map_err(|error| match error {
                image::ImageError::IoError(source) => Error::io(path, &source),
                other => Error::new(ErrorKind::Image, other.to_string()).at(path),
            })
    })
}

/// A scan's id as a file name: what a file system could trip over becomes `_`.
fn file_name(scan: &str) -> String {
    let name: String = scan
        .chars()
        .map(|c| match c {
            c if c.is_alphanumeric() => c,
            '-' | '_' | '.' | '+' | '=' | ' ' => c,
            _ => '_',
        })
        .take(120)
        .collect();
    match name.trim_matches(['.', ' ']) {
        "" => "scan".to_owned(),
        kept => kept.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_scan_id_can_leave_the_folder() {
        assert_eq!(
            file_name("2026-03-04T09-12-33_0007"),
            "2026-03-04T09-12-33_0007"
        );
        assert_eq!(file_name("../../etc/passwd"), "_.._etc_passwd");
        assert_eq!(file_name("a\\b:c*\0"), "a_b_c__");
        assert_eq!(file_name(".."), "scan");
        assert_eq!(file_name(""), "scan");
        assert!(file_name(&"x".repeat(5000)).len() <= 120);
    }
}
