//! Inputs that are wrong or empty: each ends in an error that says what and where, or in a result that says so.

use std::fs;
use std::path::Path;

use tempfile::TempDir;
use weighlight::product::read_product;
use weighlight::scan::{Counts, read_archive, read_scan};
use weighlight::simulate::{Scenario, Scene, SimulatedFrame, simulate_scene};
use weighlight::{Error, ErrorKind};

use super::recordings::{csv, measured, quiet, rows, written};

/// One frame of bare belt.
fn bare() -> (Scenario, SimulatedFrame) {
    let scenario = quiet("lobes", [0.5, 0.5], 100.0, 60.0);
    let scene = Scene { pieces: Vec::new() };
    let mut frames = simulate_scene(&scenario, &scene, 1).unwrap().frames;
    (scenario, frames.remove(0))
}

/// The same, written.
fn bare_folder() -> (TempDir, std::path::PathBuf) {
    let (_, frame) = bare();
    let folder = written(std::slice::from_ref(&frame));
    let place = folder.path().join(&frame.description.id);
    (folder, place)
}

#[track_caller]
fn change(path: &Path, from: &str, to: &str) {
    let text = fs::read_to_string(path).unwrap();
    assert!(text.contains(from), "{from} is not in\n{text}");
    fs::write(path, text.replacen(from, to, 1)).unwrap();
}

/// What reading says when one line of `scan.toml` is changed.
#[track_caller]
fn scan_error(from: &str, to: &str) -> Error {
    let (_folder, place) = bare_folder();
    change(&place.join("scan.toml"), from, to);
    read_scan(&place).unwrap_err()
}

#[track_caller]
fn assert_names(error: &Error, key: &str, file: &str) {
    assert_eq!(error.key.as_deref(), Some(key), "{error}");
    let path = error.path.as_deref().unwrap();
    assert!(path.ends_with(file), "{error}");
    assert!(error.line.is_some(), "{error}");
}

#[test]
fn a_folder_without_scans_is_an_error_that_names_it() {
    let folder = tempfile::tempdir().unwrap();
    let error = read_archive(&[folder.path().to_path_buf()]).unwrap_err();
    let text = error.to_string();
    assert!(
        text.contains(&folder.path().display().to_string()),
        "{text}"
    );
    assert!(text.contains("scan.toml"), "{text}");
}

#[test]
fn a_path_that_does_not_exist_is_an_error_that_names_it() {
    let folder = tempfile::tempdir().unwrap();
    let missing = folder.path().join("missing");
    let error = read_archive(std::slice::from_ref(&missing)).unwrap_err();
    assert_eq!(error.kind, ErrorKind::Io, "{error}");
    assert_eq!(error.path, Some(missing));
}

#[test]
fn a_frame_without_any_return_says_that_no_belt_was_seen() {
    let (scenario, mut frame) = bare();
    let Counts::U16(counts) = &mut frame.height.counts else {
        panic!("simulated frames hold counts");
    };
    counts.fill(0);
    let folder = written(&[frame]);
    let error = measured(folder.path(), &scenario.product(), None).unwrap_err();
    assert_eq!(error.kind, ErrorKind::Unmeasurable, "{error}");
    assert!(error.to_string().contains("no belt was seen"), "{error}");
}

#[test]
fn a_bare_belt_gives_an_empty_table() {
    let (scenario, frame) = bare();
    let folder = written(&[frame]);
    let (found, rejected) = measured(folder.path(), &scenario.product(), None).unwrap();
    assert!(rejected.is_empty(), "{rejected:?}");
    assert!(found.pieces.is_empty());
    assert!(found.belt.belt_fraction > 0.99, "{:?}", found.belt);
    let text = csv(rows(found));
    assert_eq!(text.lines().count(), 1, "{text}");
    assert!(text.starts_with("recording,scan,piece,"), "{text}");
}

#[test]
fn numbers_that_are_no_size_are_named_with_file_line_and_key() {
    for value in ["nan", "-0.5", "0.0", "inf"] {
        let error = scan_error(
            "pitch_across_mm = 0.5",
            &format!("pitch_across_mm = {value}"),
        );
        assert_names(&error, "height.pitch_across_mm", "scan.toml");
    }
}

#[test]
fn a_height_scale_of_nothing_is_named() {
    for value in ["0.0", "nan"] {
        let error = scan_error("scale_mm = 0.001", &format!("scale_mm = {value}"));
        assert_names(&error, "height.scale_mm", "scan.toml");
    }
}

#[test]
fn a_misspelt_key_is_named_with_the_nearest_known_one() {
    let error = scan_error("pitch_along_mm = 0.5", "pitch_alnog_mm = 0.5");
    let text = error.to_string();
    assert!(
        text.contains("pitch_alnog_mm") && text.contains("pitch_along_mm"),
        "{text}"
    );
    assert!(error.line.is_some(), "{text}");
}

#[test]
fn a_frame_file_outside_the_folder_is_refused() {
    for file in ["../height.png", "/height.png", "a/../../height.png", ""] {
        let error = scan_error("file = \"height.png\"", &format!("file = \"{file}\""));
        assert_names(&error, "height.file", "scan.toml");
    }
}

#[test]
fn a_missing_frame_file_is_named() {
    let (_folder, place) = bare_folder();
    fs::remove_file(place.join("height.png")).unwrap();
    let error = read_scan(&place).unwrap_err();
    assert_eq!(error.path, Some(place.join("height.png")));
}

#[test]
fn a_description_that_is_no_text_is_an_error() {
    let (_folder, place) = bare_folder();
    fs::write(place.join("scan.toml"), [0xff, 0xfe, 0x00, 0x80]).unwrap();
    let error = read_scan(&place).unwrap_err();
    assert_eq!(error.path, Some(place.join("scan.toml")), "{error}");
}

/// CRC-32 of PNG chunks (ISO/IEC 15948, annex D).
fn crc(bytes: &[u8]) -> u32 {
    let step = |crc: u32, byte: &u8| {
        (0..8).fold(crc ^ u32::from(*byte), |c, _| {
            if c & 1 == 1 {
                0xedb8_8320 ^ (c >> 1)
            } else {
                c >> 1
            }
        })
    };
    !bytes.iter().fold(u32::MAX, step)
}

/// A file whose sound header claims a thousand million samples is turned down by its header: nothing is set aside for it.
#[test]
fn a_header_of_a_thousand_million_samples_is_refused() {
    let (_folder, place) = bare_folder();
    let path = place.join("height.png");
    let mut bytes = fs::read(&path).unwrap();
    // Signature 8, length 4, "IHDR" 4, width 4, height 4, five more bytes, CRC 4.
    bytes[16..20].copy_from_slice(&40_000_u32.to_be_bytes());
    bytes[20..24].copy_from_slice(&40_000_u32.to_be_bytes());
    let sum = crc(&bytes[12..29]);
    bytes[29..33].copy_from_slice(&sum.to_be_bytes());
    fs::write(&path, bytes).unwrap();
    let error = read_scan(&place).unwrap_err();
    assert_eq!(error.kind, ErrorKind::Image, "{error}");
    assert_eq!(error.path, Some(path));
    assert!(error.to_string().contains("40000 rows"), "{error}");
}

#[test]
fn an_array_header_of_a_thousand_million_samples_is_refused() {
    let (_folder, place) = bare_folder();
    change(&place.join("scan.toml"), "height.png", "height.npy");
    let header = "{'descr': '<u2', 'fortran_order': False, 'shape': (40000, 40000), }";
    let mut bytes = b"\x93NUMPY\x01\x00".to_vec();
    bytes.extend((header.len() as u16 + 1).to_le_bytes());
    bytes.extend(header.as_bytes());
    bytes.push(b'\n');
    fs::write(place.join("height.npy"), bytes).unwrap();
    let error = read_scan(&place).unwrap_err();
    assert_eq!(error.kind, ErrorKind::Image, "{error}");
    assert_eq!(error.path, Some(place.join("height.npy")));
}

#[test]
fn a_frame_that_is_another_kind_of_file_is_an_error() {
    let (_folder, place) = bare_folder();
    for bytes in [&b""[..], b"not a picture at all", &[0x89, b'P', b'N', b'G']] {
        fs::write(place.join("height.png"), bytes).unwrap();
        let error = read_scan(&place).unwrap_err();
        assert_eq!(error.path, Some(place.join("height.png")), "{error}");
    }
}

#[test]
fn colour_beside_the_heights_is_refused() {
    let error = scan_error("origin_across_mm = 0.0", "origin_across_mm = 500.0");
    assert_names(&error, "colour.origin_across_mm", "scan.toml");
}

/// A damaged scan is listed, and the others are measured.
#[test]
fn a_damaged_scan_stops_no_other() {
    let (scenario, frame) = bare();
    let mut broken = frame.clone();
    broken.description.id = "broken".to_owned();
    broken.description.recording = Some("another".to_owned());
    let folder = written(&[frame, broken]);
    let place = folder.path().join("broken");
    change(&place.join("scan.toml"), "scanner", "scaner");
    let (found, rejected) = measured(folder.path(), &scenario.product(), None).unwrap();
    assert_eq!(found.scans.len(), 1);
    assert_eq!(rejected.len(), 1);
    assert_eq!(rejected[0].folder, place);
}

#[test]
fn frames_that_overlap_are_not_both_used() {
    let (scenario, frame) = bare();
    let mut second = frame.clone();
    second.description.id = "second".to_owned();
    second.description.height.first_profile = 50;
    let folder = written(&[frame, second]);
    let (found, rejected) = measured(folder.path(), &scenario.product(), None).unwrap();
    assert_eq!((found.scans.len(), rejected.len()), (1, 1), "{rejected:?}");
    assert_eq!(rejected[0].error.kind, ErrorKind::Mismatch);
}

#[test]
fn frames_of_one_recording_with_other_pitches_are_not_joined() {
    let (scenario, frame) = bare();
    let mut second = frame.clone();
    second.description.id = "second".to_owned();
    second.description.height.first_profile = 120;
    second.description.height.pitch_along_mm = 0.25;
    let folder = written(&[frame, second]);
    let (found, rejected) = measured(folder.path(), &scenario.product(), None).unwrap();
    assert_eq!((found.scans.len(), rejected.len()), (1, 1), "{rejected:?}");
    assert!(
        rejected[0].error.to_string().contains("pitch_along_mm"),
        "{}",
        rejected[0].error
    );
}

#[test]
fn stripe_rows_without_a_calibration_cannot_be_measured() {
    let (scenario, frame) = bare();
    let folder = written(std::slice::from_ref(&frame));
    let path = folder.path().join(&frame.description.id).join("scan.toml");
    let text = fs::read_to_string(&path).unwrap();
    let text = text
        .replacen("kind = \"range\"\n", "", 1)
        .replacen("[height]\n", "[height]\nkind = \"stripe\"\n", 1)
        .replacen("scale_mm", "scale_px", 1)
        .replacen("offset_mm", "offset_px", 1);
    fs::write(&path, text).unwrap();
    let error = measured(folder.path(), &scenario.product(), None).unwrap_err();
    assert!(error.to_string().contains("calibration"), "{error}");
}

/// What reading says of a profile.
fn product_error(text: &str) -> Error {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("strips.toml");
    fs::write(&path, format!("format = \"weighlight-product/1\"\n{text}")).unwrap();
    let error = read_product(&path).unwrap_err();
    assert_eq!(error.path, Some(path), "{error}");
    error
}

const HEAD: &str = "name = \"strips\"\nbase = \"lean\"\n\
                    [piece]\nmin_height_mm = 1.0\nmin_area_cm2 = 4.0\nsplit_touching = true\n\
                    [weight]\nscale = 1.0\noffset_g = 0.0\ndensity_u_rel = 0.005\n";

#[test]
fn a_profile_without_classes_is_an_error() {
    let error = product_error(HEAD);
    assert!(error.to_string().contains("[[class]]"), "{error}");
    let error = product_error("");
    assert!(error.to_string().contains("name"), "{error}");
}

#[test]
fn a_profile_whose_base_is_no_class_is_an_error() {
    let error = product_error(&format!(
        "{HEAD}[[class]]\nname = \"fat\"\nlab = {{ l = [62, 100], a = [-20, 16], b = [-10, 40] }}\n\
         density_kg_m3 = 921.0\ndepth = \"through\"\n"
    ));
    assert_names(&error, "base", "strips.toml");
}

#[test]
fn a_density_or_composition_that_cannot_be_is_an_error() {
    for (density, key) in [
        ("density_kg_m3 = nan", "class[0].density_kg_m3"),
        ("density_kg_m3 = -5.0", "class[0].density_kg_m3"),
        (
            "composition = { water = 0.5, protein = 0.1 }\ntemperature_c = 4.0",
            "class[0].composition",
        ),
    ] {
        let error = product_error(&format!(
            "{HEAD}[[class]]\nname = \"lean\"\n{density}\ndepth = \"through\"\n"
        ));
        assert_names(&error, key, "strips.toml");
    }
}
