//! Frames in every container, read in blocks of every size, and damaged ones.

use std::fs;
use std::path::Path;

use tempfile::TempDir;
use weighlight::scan::{ColourReader, Counts, HeightReader, SampleKind, Scan, read_scan};

use crate::{reference_frame, says};

const ROWS: usize = 13;
const COLUMNS: usize = 17;

/// A scan whose height frame is `height` and whose colour frame, if any, is `colour`.
fn folder_with(height: &str, height_keys: &str, colour: Option<&str>) -> TempDir {
    let folder = TempDir::new().expect("a temporary folder");
    fs::copy(reference_frame(height), folder.path().join(height)).expect("copied");
    let mut text = format!(
        "format = \"weighlight-scan/1\"\nid = \"a\"\ncaptured = 2026-03-04T09:12:33Z\nscanner = \"s\"\n\n\
         [height]\nfile = \"{height}\"\npitch_across_mm = 0.4\npitch_along_mm = 0.5\n{height_keys}"
    );
    if let Some(colour) = colour {
        fs::copy(reference_frame(colour), folder.path().join(colour)).expect("copied");
        text += &format!(
            "\n[colour]\nfile = \"{colour}\"\npitch_across_mm = 0.4\npitch_along_mm = 0.5\n"
        );
    }
    fs::write(folder.path().join("scan.toml"), text).expect("written");
    folder
}

const COUNT_KEYS: &str = "scale_mm = 0.01\noffset_mm = -5.0\ninvalid = 0\n";

fn count(row: usize, column: usize) -> u16 {
    ((4099 * row + 257 * column) % 65536) as u16
}

/// Reads all rows in blocks of `block` and checks that the blocks follow on from each other.
fn read_in_blocks(scan: &Scan, block: usize) -> weighlight::Result<Vec<Counts>> {
    let mut reader = HeightReader::open(scan)?;
    let mut blocks = Vec::new();
    let mut next = 0;
    while let Some(rows) = reader.read(block)? {
        assert_eq!(rows.first_row, next);
        assert_eq!(rows.columns, scan.columns);
        let samples = match &rows.counts {
            Counts::U16(counts) => counts.len(),
            Counts::F32(values) => values.len(),
        };
        assert_eq!(samples % rows.columns, 0);
        assert!(0 < samples && samples / rows.columns <= block.max(1));
        next += samples / rows.columns;
        blocks.push(rows.counts);
    }
    assert_eq!(next, scan.rows);
    assert!(reader.read(block)?.is_none(), "the end stays the end");
    Ok(blocks)
}

#[track_caller]
fn check_counts(file: &str) {
    let folder = folder_with(file, COUNT_KEYS, None);
    let scan = read_scan(folder.path()).expect(file);
    assert_eq!((scan.rows, scan.columns), (ROWS, COLUMNS), "{file}");
    assert_eq!(scan.samples, SampleKind::U16);
    for block in [0, 1, 2, 3, 4, 5, 7, 12, 13, 1000] {
        let all: Vec<u16> = read_in_blocks(&scan, block)
            .expect(file)
            .into_iter()
            .flat_map(|counts| match counts {
                Counts::U16(counts) => counts,
                Counts::F32(_) => panic!("{file} holds counts"),
            })
            .collect();
        for row in 0..ROWS {
            for column in 0..COLUMNS {
                assert_eq!(
                    all[row * COLUMNS + column],
                    count(row, column),
                    "{file} in blocks of {block}, row {row}, column {column}"
                );
            }
        }
    }
}

/// Floats are count/100 − 5 mm; `step` is the coarseness of the file's own samples in counts.
#[track_caller]
fn check_floats(file: &str, step: u16) {
    let folder = folder_with(file, "", None);
    let scan = read_scan(folder.path()).expect(file);
    assert_eq!((scan.rows, scan.columns), (ROWS, COLUMNS), "{file}");
    assert_eq!(scan.samples, SampleKind::F32);
    for block in [1, 3, 5, 13, 1000] {
        let all: Vec<f32> = read_in_blocks(&scan, block)
            .expect(file)
            .into_iter()
            .flat_map(|counts| match counts {
                Counts::F32(values) => values,
                Counts::U16(_) => panic!("{file} holds floats"),
            })
            .collect();
        for row in 0..ROWS {
            for column in 0..COLUMNS {
                let found = all[row * COLUMNS + column];
                if (row, column) == (2, 3) {
                    assert!(found.is_nan(), "{file}: no return");
                    continue;
                }
                let whole = count(row, column) / step * step;
                let expected = f64::from(whole) / 100.0 - 5.0;
                // Half a step of single precision at 650 mm is 3e-5 mm; metres in single precision double it.
                assert!(
                    (f64::from(found) - expected).abs() < 7e-5,
                    "{file}: row {row}, column {column}: {found} for {expected}"
                );
            }
        }
    }
}

#[test]
fn counts_read_back_exactly_from_every_container() {
    for file in [
        "u16.png",
        "u16_interlaced.png",
        "u16.npy",
        "u16_strips.tif",
        "u16_big_endian.tif",
        "u16_tiled.tif",
    ] {
        check_counts(file);
    }
}

#[test]
fn floats_read_back_in_millimetres_from_every_container() {
    for file in [
        "f32.npy",
        "f32.tif",
        "f32_tiled.tif",
        "d.x3p",
        "f.x3p",
        "l.x3p",
    ] {
        check_floats(file, 1);
    }
    check_floats("i.x3p", 4);
}

#[test]
fn colour_reads_back_exactly_from_png_and_tiff() {
    for file in ["rgb.png", "rgb.tif"] {
        let folder = folder_with("u16.png", COUNT_KEYS, Some(file));
        let scan = read_scan(folder.path()).expect(file);
        assert!(!scan.colour_lossy);
        for block in [1, 2, 5, 13, 99] {
            let mut reader = ColourReader::open(&scan).expect(file);
            let mut all = Vec::new();
            while let Some(rows) = reader.read(block).expect(file) {
                assert_eq!(rows.first_row * COLUMNS * 3, all.len());
                all.extend(rows.rgb);
            }
            for row in 0..ROWS {
                for column in 0..COLUMNS {
                    let at = (row * COLUMNS + column) * 3;
                    let expected = [19 * row, 15 * column, row ^ column].map(|v| v as u8);
                    assert_eq!(
                        all[at..at + 3],
                        expected,
                        "{file}, row {row}, column {column}"
                    );
                }
            }
        }
    }
}

#[test]
fn a_jpeg_reads_to_within_its_rounding_and_is_marked_lossy() {
    let folder = folder_with("u16.png", COUNT_KEYS, Some("flat.jpg"));
    let scan = read_scan(folder.path()).expect("a scan");
    assert!(scan.colour_lossy);
    for block in [4, 13] {
        let mut reader = ColourReader::open(&scan).expect("a reader");
        let mut rows_read = 0;
        while let Some(rows) = reader.read(block).expect("rows") {
            rows_read += rows.rgb.len() / 3 / COLUMNS;
            for pixel in rows.rgb.chunks_exact(3) {
                for (found, put_in) in pixel.iter().zip([200_u8, 90, 40]) {
                    assert!(found.abs_diff(put_in) <= 2, "{pixel:?}");
                }
            }
        }
        assert_eq!(rows_read, ROWS);
    }
}

#[track_caller]
fn check_refused(height: &str, keys: &str, colour: Option<&str>, parts: &[&str]) {
    let folder = folder_with(height, keys, colour);
    let error = read_scan(folder.path()).expect_err("refused");
    says(&error, parts);
}

#[test]
fn frames_of_the_wrong_type_are_refused_by_name() {
    check_refused(
        "u8.png",
        COUNT_KEYS,
        None,
        &["u8.png", "8-bit grey", "16-bit grey"],
    );
    check_refused("rgb.png", COUNT_KEYS, None, &["8-bit RGB", "16-bit grey"]);
    check_refused("palette.png", COUNT_KEYS, None, &["palette"]);
    check_refused(
        "u8.tif",
        COUNT_KEYS,
        None,
        &["Gray(8)", "16-bit grey or 32-bit float"],
    );
    check_refused("i16.tif", COUNT_KEYS, None, &["signed"]);
    check_refused("white_is_zero.tif", COUNT_KEYS, None, &["white is zero"]);
    check_refused("pages.tif", COUNT_KEYS, None, &["several pictures"]);
    check_refused("i32.npy", COUNT_KEYS, None, &["<i4", "<u2"]);
    check_refused("big.npy", COUNT_KEYS, None, &[">u2", "little-endian"]);
    check_refused(
        "fortran.npy",
        COUNT_KEYS,
        None,
        &["Fortran", "ascontiguousarray"],
    );
    check_refused("flat.npy", COUNT_KEYS, None, &["1 dimensions", "two"]);
    for (colour, found) in [
        ("rgba.png", "RGB and alpha"),
        ("rgb16.png", "16-bit RGB"),
        ("palette.png", "palette"),
        ("u8.png", "8-bit grey"),
        ("grey.jpg", "JPEG"),
        ("planar.tif", "separate planes"),
        ("u8.tif", "Gray(8)"),
    ] {
        check_refused(
            "u16.png",
            COUNT_KEYS,
            Some(colour),
            &[colour, found, "8-bit RGB"],
        );
    }
    check_refused("flat.jpg", COUNT_KEYS, None, &["flat.jpg", ".npy or .x3p"]);
    check_refused(
        "u16.png",
        COUNT_KEYS,
        Some("u16.npy"),
        &["u16.npy", ".jpeg"],
    );
}

#[test]
fn a_header_that_claims_a_thousand_million_samples_is_refused_before_memory_is_set_aside() {
    check_refused(
        "huge.png",
        COUNT_KEYS,
        None,
        &[
            "huge.png",
            "25000 rows",
            "40000 columns",
            "at most 400 million",
        ],
    );
    let folder = folder_with("u16.npy", COUNT_KEYS, None);
    let path = folder.path().join("u16.npy");
    for (shape, part) in [
        ("(9999999, 99999)", "at most 400 million"),
        ("(99999999999999999, 99999999999)", "at most 400 million"),
        ("(0, 17)         ", "at least one row"),
    ] {
        let bytes = fs::read(reference_frame("u16.npy")).expect("read");
        let text = String::from_utf8_lossy(&bytes[10..128]).into_owned();
        let (before, _) = text.split_once("(13, 17)").expect("the shape");
        let header = format!("{before}{shape}, }}");
        let mut changed = bytes[..10].to_vec();
        changed.extend(format!("{header:<117}\n").bytes());
        changed.extend(&bytes[128..]);
        fs::write(&path, changed).expect("written");
        says(
            &read_scan(folder.path()).expect_err("refused"),
            &["u16.npy", part],
        );
    }
}

#[test]
fn float_frames_take_no_scale_and_counts_need_theirs() {
    check_refused(
        "u16.png",
        "offset_mm = 0\ninvalid = 0\n",
        None,
        &["scale_mm", "missing"],
    );
    check_refused(
        "u16.png",
        "scale_mm = 1\ninvalid = 0\n",
        None,
        &["offset_mm", "missing"],
    );
    check_refused(
        "u16.npy",
        "scale_mm = 1\noffset_mm = 0\n",
        None,
        &["invalid", "missing"],
    );
    check_refused(
        "f32.tif",
        "scale_mm = 0.01\n",
        None,
        &["scale_mm", "in mm already"],
    );
    check_refused(
        "f32.npy",
        "offset_mm = 1.0\n",
        None,
        &["offset_mm", "in mm already"],
    );
    check_refused(
        "f32.npy",
        "invalid = 0\n",
        None,
        &["invalid", "NaN means no return"],
    );
    check_refused(
        "d.x3p",
        "kind = \"stripe\"\n",
        None,
        &["height.kind", "holds heights"],
    );
    let folder = folder_with(
        "f32.npy",
        "invalid = nan\nscale_mm = 1.0\noffset_mm = 0.0\n",
        None,
    );
    assert_eq!(
        read_scan(folder.path())
            .expect("fine")
            .description
            .height
            .invalid,
        None
    );
}

#[test]
fn an_x3p_whose_own_pitch_differs_is_refused() {
    let folder = folder_with("d.x3p", "", None);
    let path = folder.path().join("scan.toml");
    let text = fs::read_to_string(&path).expect("read");
    fs::write(
        &path,
        text.replace("pitch_along_mm = 0.5", "pitch_along_mm = 0.4"),
    )
    .expect("written");
    says(
        &read_scan(folder.path()).expect_err("refused"),
        &["scan.toml:9", "pitch_along_mm", "found 0.4", "expected 0.5"],
    );
}

/// Cuts `file` to each length and checks that the frame is never taken for a whole one.
#[track_caller]
fn check_cut_off(file: &str, as_colour: bool) {
    let folder = if as_colour {
        folder_with("u16.png", COUNT_KEYS, Some(file))
    } else {
        let counts = file.starts_with("u16");
        folder_with(file, if counts { COUNT_KEYS } else { "" }, None)
    };
    let path = folder.path().join(file);
    let whole = fs::read(&path).expect("read");
    for length in 0..whole.len() {
        // Some file systems wait for the disk when a file is overwritten, not when it is new.
        fs::remove_file(&path).expect("removed");
        fs::write(&path, &whole[..length]).expect("written");
        let outcome = read_all(folder.path(), as_colour);
        let Err(error) = outcome else {
            panic!(
                "{file} cut to {length} of {} bytes was taken for whole",
                whole.len()
            );
        };
        says(&error, &[file]);
    }
}

fn read_all(folder: &Path, colour: bool) -> weighlight::Result<()> {
    let scan = read_scan(folder)?;
    if colour {
        let mut reader = ColourReader::open(&scan)?;
        while reader.read(4)?.is_some() {}
    } else {
        let mut reader = HeightReader::open(&scan)?;
        while reader.read(4)?.is_some() {}
    }
    Ok(())
}

#[test]
fn a_frame_cut_off_anywhere_is_an_error_that_names_it() {
    for file in [
        "u16.png",
        "u16_interlaced.png",
        "u16.npy",
        "f32.npy",
        "d.x3p",
        "l.x3p",
        "u16_strips.tif",
    ] {
        check_cut_off(file, false);
    }
    check_cut_off("rgb.png", true);
    check_cut_off("rgb.tif", true);
    check_cut_off("flat.jpg", true);
}

#[test]
fn no_changed_byte_brings_a_reader_down() {
    for (file, as_colour) in [
        ("u16_strips.tif", false),
        ("f32.tif", false),
        ("u16.npy", false),
        ("l.x3p", false),
        ("u16_interlaced.png", false),
        ("rgb.tif", true),
        ("flat.jpg", true),
    ] {
        let folder = if as_colour {
            folder_with("u16.png", COUNT_KEYS, Some(file))
        } else {
            let counts = file.starts_with("u16");
            folder_with(file, if counts { COUNT_KEYS } else { "" }, None)
        };
        let path = folder.path().join(file);
        let whole = fs::read(&path).expect("read");
        for at in 0..whole.len() {
            for mask in [0xff, 0x01] {
                let mut changed = whole.clone();
                changed[at] ^= mask;
                // Some file systems wait for the disk when a file is overwritten, not when it is new.
                fs::remove_file(&path).expect("removed");
                fs::write(&path, changed).expect("written");
                // A changed sample of a container without checksums is another good sample; an error names the file.
                if let Err(error) = read_all(folder.path(), as_colour) {
                    assert!(error.path.is_some(), "{error}");
                }
            }
        }
    }
}

#[test]
fn a_png_that_breaks_off_names_the_row() {
    let folder = folder_with("u16.png", COUNT_KEYS, None);
    let path = folder.path().join("u16.png");
    let whole = fs::read(&path).expect("read");
    fs::write(&path, &whole[..whole.len() * 2 / 3]).expect("written");
    let scan = read_scan(folder.path()).expect("the header is whole");
    let mut reader = HeightReader::open(&scan).expect("the header is whole");
    let error = loop {
        match reader.read(1) {
            Ok(Some(_)) => {}
            Ok(None) => panic!("cut off"),
            Err(error) => break error,
        }
    };
    says(&error, &["u16.png", "row ", "cut off or damaged"]);
}

#[test]
fn a_tiff_that_breaks_off_in_its_strips_names_the_row() {
    let folder = folder_with("u16_strips.tif", COUNT_KEYS, None);
    let path = folder.path().join("u16_strips.tif");
    let whole = fs::read(&path).expect("read");
    // The directory comes first; the last strip holds row 12 alone, 34 bytes.
    fs::write(&path, &whole[..whole.len() - 40]).expect("written");
    says(
        &read_all(folder.path(), false).expect_err("refused"),
        &["u16_strips.tif", "row 8", "cut off or damaged"],
    );
}

#[test]
fn a_flipped_bit_in_a_png_is_found() {
    let folder = folder_with("u16.png", COUNT_KEYS, None);
    let path = folder.path().join("u16.png");
    let whole = fs::read(&path).expect("read");
    let data = whole
        .windows(4)
        .position(|w| w == b"IDAT")
        .expect("pixel data");
    for at in data..whole.len() - 12 {
        let mut changed = whole.clone();
        changed[at] ^= 0x10;
        fs::write(&path, changed).expect("written");
        let error = read_all(folder.path(), false).expect_err("a damaged frame");
        says(&error, &["u16.png"]);
    }
}

#[test]
fn infinity_is_no_height() {
    let folder = folder_with("f32.npy", "", None);
    let path = folder.path().join("f32.npy");
    let mut bytes = fs::read(&path).expect("read");
    let at = 128 + 4 * (5 * COLUMNS + 6);
    bytes[at..at + 4].copy_from_slice(&f32::NEG_INFINITY.to_le_bytes());
    fs::write(&path, bytes).expect("written");
    says(
        &read_all(folder.path(), false).expect_err("refused"),
        &["f32.npy", "row 5, column 6", "infinite"],
    );
}

#[test]
fn a_frame_exchanged_after_its_scan_was_read_is_noticed() {
    let folder = folder_with("u16.npy", COUNT_KEYS, None);
    let scan = read_scan(folder.path()).expect("a scan");
    fs::copy(reference_frame("f32.npy"), folder.path().join("u16.npy")).expect("copied");
    let error = HeightReader::open(&scan).err().expect("another frame");
    says(&error, &["u16.npy", "changed"]);
}
