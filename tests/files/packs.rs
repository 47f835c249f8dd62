//! Packs hold what scan folders hold, to the bit, and tell damage.

use std::fs;
use std::path::{Path, PathBuf};

use tempfile::TempDir;
use weighlight::scan::{
    ColourPart, ColourReader, ColourRows, Counts, HeightKind, HeightPart, HeightReader, HeightRows,
    Profiles, ProfilesPart, Recording, Scan, ScanDescription, ViewPart, ViewSide, pack_recording,
    read_archive, read_profiles, unpack_recording, write_scan_views,
};

use crate::{reference_frame, reference_pack, says};

const COLUMNS: usize = 37;

fn noise(count: usize, mut state: u64) -> impl Iterator<Item = u64> {
    (0..count).map(move |_| {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        state >> 33
    })
}

/// A frame of `rows` rows from `first_profile` on, with a second view, colour and an encoder record.
fn write(folder: &Path, id: &str, first_profile: u64, rows: usize, floats: bool, colour: &str) {
    let height_file = if floats { "heights.tif" } else { "heights.png" };
    let view_file = if floats { "view.npy" } else { "view.png" };
    let invalid = (!floats).then_some(0);
    let scale = if floats { 1.0 } else { 0.01 };
    let description = ScanDescription {
        id: id.into(),
        captured: "2026-03-04T09:12:33Z".parse().unwrap(),
        scanner: "line-2".into(),
        product: None,
        recording: Some("early: shift/1".replace('/', " ")),
        lanes: None,
        belt_speed_mm_s: None,
        product_temperature_c: None,
        height: HeightPart {
            kind: HeightKind::Range,
            file: height_file.into(),
            pitch_across_mm: 0.4,
            pitch_along_mm: 0.5,
            scale,
            offset: 0.0,
            invalid,
            first_profile,
        },
        views: vec![ViewPart {
            file: view_file.into(),
            camera_side: ViewSide::HighY,
            camera_angle_deg: Some(25.0),
            scale,
            offset: 0.0,
            invalid,
        }],
        colour: Some(ColourPart {
            file: colour.into(),
            pitch_across_mm: 0.4,
            pitch_along_mm: 0.4,
            origin_across_mm: 0.0,
            origin_along_mm: 0.0,
        }),
        profiles: Some(ProfilesPart {
            file: "profiles.csv".into(),
        }),
    };
    let samples = rows * COLUMNS;
    let counts = |seed: u64| {
        let values = noise(samples, seed);
        HeightRows {
            first_row: 0,
            columns: COLUMNS,
            counts: if floats {
                Counts::F32(
                    values
                        .map(|v| if v % 7 == 0 { f32::NAN } else { v as f32 / 1e7 })
                        .collect(),
                )
            } else {
                Counts::U16(values.map(|v| 400 + (v % 90) as u16).collect())
            },
        }
    };
    let colour = ColourRows {
        first_row: 0,
        columns: COLUMNS,
        rgb: noise(3 * COLUMNS * (rows * 5 / 4), first_profile + 9)
            .map(|v| v as u8)
            .collect(),
    };
    let profiles = Profiles {
        encoder_mm: (0..rows).map(|row| 0.1 + row as f64 * 0.501).collect(),
        time: None,
    };
    write_scan_views(
        folder,
        &description,
        &counts(first_profile + 1),
        &[counts(first_profile + 2)],
        Some(&colour),
        Some(&profiles),
    )
    .expect("written");
}

/// Frames of 700 and 300 rows: chunks of 256 rows that are whole, and last ones that are not.
fn recording(folder: &Path, floats: bool, colour: &str) -> Recording {
    write(&folder.join("a"), "a", 0, 700, floats, colour);
    write(&folder.join("b"), "b", 700, 300, floats, colour);
    the_one(folder)
}

fn the_one(path: &Path) -> Recording {
    let archive = read_archive(&[path.to_path_buf()]).expect("an archive");
    assert!(archive.rejected.is_empty(), "{:?}", archive.rejected);
    assert_eq!(archive.recordings.len(), 1);
    archive.recordings.into_iter().next().unwrap()
}

/// All samples of a scan, read `block` rows at a time: heights, view and colour as bits.
fn samples(scan: &Scan, block: usize) -> Vec<Vec<u32>> {
    let mut all = Vec::new();
    let view = HeightReader::open_view(scan, &scan.description.views[0]);
    for reader in [HeightReader::open(scan), view] {
        let mut reader = reader.expect("opened");
        let mut bits = Vec::new();
        while let Some(rows) = reader.read(block).expect("read") {
            match rows.counts {
                Counts::U16(counts) => bits.extend(counts.into_iter().map(u32::from)),
                Counts::F32(values) => bits.extend(values.into_iter().map(f32::to_bits)),
            }
        }
        all.push(bits);
    }
    let mut reader = ColourReader::open(scan).expect("opened");
    let mut bytes = Vec::new();
    while let Some(rows) = reader.read(block).expect("read") {
        bytes.extend(rows.rgb.into_iter().map(u32::from));
    }
    all.push(bytes);
    all
}

fn packed(folder: &TempDir, floats: bool, colour: &str) -> (Recording, PathBuf) {
    let recording = recording(&folder.path().join("scans"), floats, colour);
    let path = folder.path().join("packed/early.zarr.zip");
    fs::create_dir_all(path.parent().unwrap()).unwrap();
    let told = pack_recording(&recording, &path).expect("packed");
    assert_eq!(told.frames, 2);
    assert_eq!(told.bytes, fs::metadata(&path).unwrap().len());
    (recording, path)
}

#[test]
fn a_pack_reads_as_the_folders_it_was_made_from() {
    for (floats, colour) in [(false, "c.png"), (true, "c.tif"), (false, "c.jpg")] {
        let folder = TempDir::new().unwrap();
        let (before, path) = packed(&folder, floats, colour);
        // Alone, and found in a folder.
        for place in [&path, path.parent().unwrap()] {
            let after = the_one(place);
            assert_eq!(after.name, before.name);
            for (one, two) in before.frames.iter().zip(&after.frames) {
                assert_eq!(one.description, two.description);
                assert_eq!((one.rows, one.columns), (two.rows, two.columns));
                assert_eq!(one.colour_size, two.colour_size);
                assert_eq!(one.colour_lossy, two.colour_lossy);
                assert_eq!(one.colour_lossy, colour == "c.jpg");
                assert_eq!(read_profiles(one).unwrap(), read_profiles(two).unwrap());
                assert_eq!(two.files(), std::slice::from_ref(&path));
                let all = samples(one, 1000);
                for block in [1, 100, 256, 257, 1000] {
                    assert_eq!(all, samples(two, block), "{block} rows at a time");
                }
            }
        }
    }
}

#[test]
fn unpacked_folders_hold_what_was_packed() {
    for (floats, colour) in [(false, "c.png"), (true, "c.tif"), (false, "c.jpg")] {
        let folder = TempDir::new().unwrap();
        let (before, path) = packed(&folder, floats, colour);
        let into = folder.path().join("again");
        let folders = unpack_recording(&the_one(&path), &into).expect("unpacked");
        assert_eq!(folders, ["a", "b"].map(|id| into.join(id)));
        let after = the_one(&into);
        for (one, two) in before.frames.iter().zip(&after.frames) {
            assert_eq!(samples(one, 1000), samples(two, 1000));
            let text = ["scan.toml", "profiles.csv"];
            let kept = if colour == "c.jpg" {
                &[text[0], text[1], "c.jpg"][..]
            } else {
                &text
            };
            for file in kept {
                let [one, two] = [one, two].map(|scan| fs::read(scan.folder.join(file)).unwrap());
                assert_eq!(one, two, "{file}");
            }
        }
        let again = unpack_recording(&the_one(&path), &into).expect_err("they are there");
        says(&again, &["something of that name"]);
    }
}

#[test]
fn the_same_recording_gives_the_same_pack() {
    let folder = TempDir::new().unwrap();
    let (recording, path) = packed(&folder, false, "c.png");
    let other = path.with_file_name("other.zarr.zip");
    pack_recording(&recording, &other).unwrap();
    assert!(fs::read(path).unwrap() == fs::read(other).unwrap());
}

#[test]
fn damage_is_told_with_its_place_and_stops_no_other_frame() {
    let folder = TempDir::new().unwrap();
    let (_, path) = packed(&folder, false, "c.png");
    let whole = fs::read(&path).unwrap();
    // In the middle of a chunk of the first frame's heights.
    let name = b"0000/height/c/1/0";
    let at = whole.windows(name.len()).position(|w| w == name).unwrap() + 2000;
    let mut bent = whole.clone();
    bent[at] ^= 1;
    fs::write(&path, &bent).unwrap();
    let recording = the_one(&path);
    let mut reader = HeightReader::open(&recording.frames[0]).unwrap();
    assert!(reader.read(256).is_ok(), "the first chunk is whole");
    let error = reader.read(256).expect_err("the second is not");
    says(&error, &["early.zarr.zip", "0000/height/c/1/0", "damaged"]);
    samples(&recording.frames[1], 256);
    // Cut off: the directory at a ZIP's end is gone.
    fs::write(&path, &whole[..whole.len() / 2]).unwrap();
    let archive = read_archive(std::slice::from_ref(&path)).expect("listed");
    assert!(archive.recordings.is_empty());
    says(
        &archive.rejected[0].error,
        &["early.zarr.zip", "cut off or damaged"],
    );
    // No ZIP at all, and a ZIP that is no pack.
    fs::write(&path, "heights").unwrap();
    let archive = read_archive(std::slice::from_ref(&path)).expect("listed");
    says(&archive.rejected[0].error, &["early.zarr.zip"]);
}

#[test]
fn a_pack_that_breaks_off_leaves_nothing() {
    let folder = TempDir::new().unwrap();
    let scans = folder.path().join("scans");
    let recording = recording(&scans, false, "c.png");
    let png = scans.join("b/heights.png");
    let bytes = fs::read(&png).unwrap();
    fs::write(&png, &bytes[..bytes.len() / 2]).unwrap();
    let path = folder.path().join("early.zarr.zip");
    assert!(pack_recording(&recording, &path).is_err());
    let left: Vec<_> = fs::read_dir(folder.path()).unwrap().collect();
    assert_eq!(left.len(), 1, "only the scans: {left:?}");
    let error = pack_recording(&recording, &folder.path().join("early.zip")).unwrap_err();
    says(&error, &[".zarr.zip"]);
}

/// Written by zarr-python, see `tests/reference/packs/README.md`.
#[test]
fn a_pack_written_by_another_library_is_read() {
    let recording = the_one(&reference_pack());
    let scan = &recording.frames[0];
    let mut reader = HeightReader::open(scan).unwrap();
    let Some(HeightRows {
        counts: Counts::U16(counts),
        columns,
        ..
    }) = reader.read(300).unwrap()
    else {
        panic!("counts");
    };
    assert_eq!((counts.len(), columns), (300 * 11, 11));
    for (at, &count) in counts.iter().enumerate() {
        let (row, column) = (at / 11, at % 11);
        assert_eq!(
            usize::from(count),
            (row * 131 + column * column * 7) % 65_521,
            "{row} {column}"
        );
    }
    let colours = ColourReader::open(scan)
        .unwrap()
        .read(300)
        .unwrap()
        .unwrap();
    for (at, &byte) in colours.rgb.iter().enumerate() {
        let (row, column, channel) = (at / 33, at / 3 % 11, at % 3);
        assert_eq!(
            usize::from(byte),
            (row * 3 + column * 5 + channel * 77) % 256
        );
    }
}

/// Heights and a second view in .x3p, as another library wrote them (see tests/reference/frames).
#[test]
fn x3p_frames_are_kept_as_the_files_they_were() {
    let folder = TempDir::new().unwrap();
    let scan = folder.path().join("scans/a");
    fs::create_dir_all(&scan).unwrap();
    fs::copy(reference_frame("d.x3p"), scan.join("heights.x3p")).unwrap();
    fs::copy(reference_frame("f.x3p"), scan.join("View.X3P")).unwrap();
    fs::copy(reference_frame("rgb.png"), scan.join("c.png")).unwrap();
    let text = "format = \"weighlight-scan/1\"\nid = \"a\"\ncaptured = 2026-03-04T09:12:33Z\nscanner = \"s\"\n\n\
                [height]\nfile = \"heights.x3p\"\npitch_across_mm = 0.4\npitch_along_mm = 0.5\n\n\
                [[view]]\nfile = \"View.X3P\"\ncamera_side = \"high-y\"\n\n\
                [colour]\nfile = \"c.png\"\npitch_across_mm = 0.4\npitch_along_mm = 0.5\n";
    fs::write(scan.join("scan.toml"), text).unwrap();
    let before = the_one(&folder.path().join("scans"));
    let path = folder.path().join("surface.zarr.zip");
    let told = pack_recording(&before, &path).expect("packed");
    assert_eq!(told.frames, 1);
    let packed = the_one(&path);
    for block in [1, 5, 1000] {
        assert_eq!(
            samples(&before.frames[0], 1000),
            samples(&packed.frames[0], block)
        );
    }
    // Packed once more from the pack, and unpacked.
    let again = folder.path().join("again.zarr.zip");
    pack_recording(&packed, &again).expect("packed again");
    assert!(fs::read(&path).unwrap() == fs::read(&again).unwrap());
    let into = folder.path().join("unpacked");
    unpack_recording(&the_one(&again), &into).expect("unpacked");
    for file in ["heights.x3p", "View.X3P", "scan.toml"] {
        let [one, two] = [&scan, &into.join("a")].map(|at| fs::read(at.join(file)).unwrap());
        assert!(one == two, "{file}");
    }
    assert_eq!(
        samples(&before.frames[0], 1000),
        samples(&the_one(&into).frames[0], 1000)
    );
    // Damage in the middle of the surface is told with its place.
    let mut bent = fs::read(&path).unwrap();
    let name = b"0000/height.x3p";
    let at = bent.windows(name.len()).position(|w| w == name).unwrap() + 300;
    bent[at] ^= 1;
    fs::write(&path, &bent).unwrap();
    let archive = read_archive(std::slice::from_ref(&path)).expect("listed");
    says(
        &archive.rejected[0].error,
        &["surface.zarr.zip", "0000/height.x3p", "damaged"],
    );
}
