//! Writing a scan folder that reads back to the same values.

use std::io::Write;
use std::path::Path;

use image::ExtendedColorType;
use image::codecs::jpeg::JpegEncoder;
use tiff::encoder::{TiffEncoder, colortype};

use crate::document::replace_file;
use crate::error::{Error, ErrorKind, Result};

use super::description::ScanDescription;
use super::folder::SCAN_FILE;
use super::format::{ColourFormat, HeightFormat};
use super::profiles::Profiles;
use super::rows::{ColourRows, Counts, HeightRows};
use super::text;

/// Quality of JPEG colour frames: visually lossless, and marked as lossy when read.
const JPEG_QUALITY: u8 = 95;

/// Writes a scan into `folder`, which is made when it does not exist.
///
/// The frames' containers follow from their files' extensions: heights `.png` (u16), `.tif`/`.tiff` or `.npy` (u16, f32);
/// colour `.png`, `.jpg`/`.jpeg` or `.tif`/`.tiff`. `scan.toml` comes last, so that a folder that broke off is no scan.
///
/// # Errors
/// The frames do not fit the description, or a file cannot be written.
pub fn write_scan(
    folder: &Path,
    description: &ScanDescription,
    height: &HeightRows,
    colour: Option<&ColourRows>,
    profiles: Option<&Profiles>,
) -> Result<()> {
    write_scan_views(folder, description, height, &[], colour, profiles)
}

/// As [`write_scan`], with the frames of the description's views in their order.
///
/// # Errors
/// As [`write_scan`]; and views that differ from the height frame in size or sample type.
pub fn write_scan_views(
    folder: &Path,
    description: &ScanDescription,
    height: &HeightRows,
    views: &[HeightRows],
    colour: Option<&ColourRows>,
    profiles: Option<&Profiles>,
) -> Result<()> {
    if description.views.len() != views.len() {
        return Err(Error::new(
            ErrorKind::Mismatch,
            format!(
                "a description with {} [[view]] and {} frames for them",
                description.views.len(),
                views.len()
            ),
        )
        .at(folder)
        .expected("expected a frame for each view"));
    }
    std::fs::create_dir_all(folder).map_err(|e| Error::io(folder, &e))?;
    let rows = write_height(&folder.join(&description.height.file), height)?;
    for (part, view) in description.views.iter().zip(views) {
        let path = folder.join(&part.file);
        let alike = view.columns == height.columns
            && view.counts.len() == height.counts.len()
            && matches!(
                (&view.counts, &height.counts),
                (Counts::U16(_), Counts::U16(_)) | (Counts::F32(_), Counts::F32(_))
            );
        if !alike {
            return Err(Error::new(
                ErrorKind::Mismatch,
                "a view that is not of the height frame's size and type of sample",
            )
            .at(&path)
            .expected("expected the same rows, columns and type as the height frame"));
        }
        write_height(&path, view)?;
    }
    match (&description.colour, colour) {
        (Some(part), Some(colour)) => write_colour(&folder.join(&part.file), colour)?,
        (None, None) => {}
        (part, _) => return Err(unpaired(folder, "colour", part.is_some())),
    }
    match (&description.profiles, profiles) {
        (Some(part), Some(profiles)) => {
            write_profiles(&folder.join(&part.file), profiles, rows)?;
        }
        (None, None) => {}
        (part, _) => return Err(unpaired(folder, "profiles", part.is_some())),
    }
    let floats = matches!(height.counts, Counts::F32(_));
    let text = text::to_text(description, floats);
    let path = folder.join(SCAN_FILE);
    replace_file(&path, |out| {
        out.write_all(text.as_bytes())
            .map_err(|e| Error::io(&path, &e))
    })
}

fn unpaired(folder: &Path, part: &str, described: bool) -> Error {
    let found = if described {
        format!("a description with [{part}] and no such data")
    } else {
        format!("{part} data and no [{part}] in the description")
    };
    Error::new(ErrorKind::Mismatch, found)
        .at(folder)
        .expected("expected both or neither")
}

/// Writes the height frame and returns its number of rows.
pub(super) fn write_height(path: &Path, height: &HeightRows) -> Result<usize> {
    let samples = match &height.counts {
        Counts::U16(counts) => counts.len(),
        Counts::F32(values) => values.len(),
    };
    let size = size(path, samples, height.columns)?;
    let [width, length] = size;
    match (HeightFormat::required(path)?, &height.counts) {
        (HeightFormat::Png, Counts::U16(counts)) => {
            let bytes: Vec<u8> = counts.iter().flat_map(|c| c.to_be_bytes()).collect();
            write_png(
                path,
                size,
                png::ColorType::Grayscale,
                png::BitDepth::Sixteen,
                &bytes,
            )?;
        }
        (HeightFormat::Tiff, Counts::U16(counts)) => replace_file(path, |out| {
            let mut tiff = TiffEncoder::new(out).map_err(|e| not_written(path, e))?;
            tiff.write_image::<colortype::Gray16>(width, length, counts)
                .map_err(|e| not_written(path, e))
        })?,
        (HeightFormat::Tiff, Counts::F32(values)) => replace_file(path, |out| {
            let mut tiff = TiffEncoder::new(out).map_err(|e| not_written(path, e))?;
            tiff.write_image::<colortype::Gray32Float>(width, length, values)
                .map_err(|e| not_written(path, e))
        })?,
        (HeightFormat::Npy, Counts::U16(counts)) => {
            write_npy(path, "<u2", size, counts.iter().map(|c| c.to_le_bytes()))?;
        }
        (HeightFormat::Npy, Counts::F32(values)) => {
            write_npy(path, "<f4", size, values.iter().map(|v| v.to_le_bytes()))?;
        }
        (HeightFormat::Png, Counts::F32(_)) => {
            return Err(Error::new(ErrorKind::Mismatch, "float heights")
                .at(path)
                .expected("expected 16-bit counts for .png, or a .tif, .tiff or .npy file"));
        }
        (HeightFormat::X3p, _) => {
            return Err(
                Error::new(ErrorKind::Mismatch, ".x3p is read but not written")
                    .at(path)
                    .expected("expected a .png, .tif, .tiff or .npy file"),
            );
        }
    }
    Ok(samples / height.columns)
}

pub(super) fn write_colour(path: &Path, colour: &ColourRows) -> Result<()> {
    if !colour.rgb.len().is_multiple_of(3) {
        return Err(uneven(path));
    }
    let size = size(path, colour.rgb.len() / 3, colour.columns)?;
    let [width, length] = size;
    match ColourFormat::required(path)? {
        ColourFormat::Png => write_png(
            path,
            size,
            png::ColorType::Rgb,
            png::BitDepth::Eight,
            &colour.rgb,
        ),
        ColourFormat::Jpeg => replace_file(path, |out| {
            JpegEncoder::new_with_quality(out, JPEG_QUALITY)
                .encode(&colour.rgb, width, length, ExtendedColorType::Rgb8)
                .map_err(|e| not_written(path, e))
        }),
        ColourFormat::Tiff => replace_file(path, |out| {
            let mut tiff = TiffEncoder::new(out).map_err(|e| not_written(path, e))?;
            tiff.write_image::<colortype::RGB8>(width, length, &colour.rgb)
                .map_err(|e| not_written(path, e))
        }),
    }
}

fn write_profiles(path: &Path, profiles: &Profiles, rows: usize) -> Result<()> {
    let times = profiles.time.as_ref().map_or(rows, Vec::len);
    if profiles.encoder_mm.len() != rows || times != rows {
        return Err(Error::new(
            ErrorKind::Mismatch,
            format!(
                "{} encoder positions and {times} times",
                profiles.encoder_mm.len()
            ),
        )
        .at(path)
        .expected(format!("expected {rows}, as the height frame has")));
    }
    replace_file(path, |out| {
        let io = |e: std::io::Error| Error::io(path, &e);
        match &profiles.time {
            None => {
                writeln!(out, "profile,encoder_mm").map_err(io)?;
                for (row, encoder_mm) in profiles.encoder_mm.iter().enumerate() {
                    writeln!(out, "{row},{encoder_mm}").map_err(io)?;
                }
            }
            Some(times) => {
                writeln!(out, "profile,encoder_mm,time").map_err(io)?;
                let lines = profiles.encoder_mm.iter().zip(times).enumerate();
                for (row, (encoder_mm, time)) in lines {
                    writeln!(out, "{row},{encoder_mm},{time}").map_err(io)?;
                }
            }
        }
        Ok(())
    })
}

/// Width and length of a frame.
fn size(path: &Path, samples: usize, columns: usize) -> Result<[u32; 2]> {
    if columns == 0 || samples == 0 || !samples.is_multiple_of(columns) {
        return Err(uneven(path));
    }
    match (u32::try_from(columns), u32::try_from(samples / columns)) {
        (Ok(width), Ok(length)) => Ok([width, length]),
        _ => Err(uneven(path)),
    }
}

fn uneven(path: &Path) -> Error {
    Error::new(ErrorKind::Mismatch, "rows that are empty or not whole")
        .at(path)
        .expected("expected rows × columns samples")
}

fn write_png(
    path: &Path,
    [width, length]: [u32; 2],
    colour: png::ColorType,
    depth: png::BitDepth,
    bytes: &[u8],
) -> Result<()> {
    replace_file(path, |out| {
        let mut encoder = png::Encoder::new(out, width, length);
        encoder.set_color(colour);
        encoder.set_depth(depth);
        encoder.set_compression(png::Compression::Fast);
        let mut writer = encoder.write_header().map_err(|e| not_written(path, e))?;
        writer
            .write_image_data(bytes)
            .and_then(|()| writer.finish())
            .map_err(|e| not_written(path, e))
    })
}

fn write_npy<const N: usize>(
    path: &Path,
    descr: &str,
    [width, length]: [u32; 2],
    samples: impl Iterator<Item = [u8; N]>,
) -> Result<()> {
    let dictionary =
        format!("{{'descr': '{descr}', 'fortran_order': False, 'shape': ({length}, {width}), }}");
    // NEP 1: mark, version, length and dictionary together fill whole blocks of 64 bytes and end in a newline.
    let padded = (10 + dictionary.len() + 1).next_multiple_of(64) - 10;
    let header = format!("{dictionary:<width$}\n", width = padded - 1);
    replace_file(path, |out| {
        let io = |e: std::io::Error| Error::io(path, &e);
        out.write_all(b"\x93NUMPY\x01\x00").map_err(io)?;
        // The dictionary is far shorter than 65 536 bytes.
        out.write_all(&(header.len() as u16).to_le_bytes())
            .map_err(io)?;
        out.write_all(header.as_bytes()).map_err(io)?;
        for sample in samples {
            out.write_all(&sample).map_err(io)?;
        }
        Ok(())
    })
}

fn not_written(path: &Path, source: impl std::fmt::Display) -> Error {
    Error::new(ErrorKind::Io, source.to_string()).at(path)
}
