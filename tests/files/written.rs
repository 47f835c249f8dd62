//! What is written reads back as it was.

use std::fs;

use proptest::prelude::*;
use tempfile::TempDir;
use weighlight::scan::{
    ColourPart, ColourReader, ColourRows, Counts, HeightKind, HeightPart, HeightReader, HeightRows,
    Profiles, ProfilesPart, ScanDescription, read_profiles, read_scan, write_scan,
};

use crate::says;

fn description(height_file: &str, colour_file: Option<&str>, floats: bool) -> ScanDescription {
    ScanDescription {
        id: "a \"quoted\" id, ü".into(),
        captured: "2026-03-04T09:12:33.000000001Z".parse().expect("a time"),
        scanner: "line-2".into(),
        product: Some("belly-strips".into()),
        recording: None,
        lanes: Some(3),
        belt_speed_mm_s: Some(450.0),
        product_temperature_c: None,
        height: HeightPart {
            kind: HeightKind::Range,
            file: height_file.into(),
            pitch_across_mm: 0.4,
            pitch_along_mm: 1.0 / 3.0,
            scale: if floats { 1.0 } else { 0.01 },
            offset: if floats { 0.0 } else { -5.0 },
            invalid: (!floats).then_some(0),
            first_profile: 123_456,
        },
        views: Vec::new(),
        colour: colour_file.map(|file| ColourPart {
            file: file.into(),
            pitch_across_mm: 0.4,
            pitch_along_mm: 0.4,
            origin_across_mm: -0.125,
            origin_along_mm: 0.0,
        }),
        profiles: Some(ProfilesPart {
            file: "profiles.csv".into(),
        }),
    }
}

fn profiles(rows: usize) -> Profiles {
    Profiles {
        encoder_mm: (0..rows).map(|row| 0.1 + row as f64 / 3.0).collect(),
        time: None,
    }
}

/// Writes, reads in blocks of `block`, and compares to the bit.
fn check_heights(file: &str, height: &HeightRows, block: usize) {
    let folder = TempDir::new().expect("a folder");
    let floats = matches!(height.counts, Counts::F32(_));
    let description = description(file, None, floats);
    let samples = match &height.counts {
        Counts::U16(counts) => counts.len(),
        Counts::F32(values) => values.len(),
    };
    let rows = samples / height.columns;
    write_scan(
        folder.path(),
        &description,
        height,
        None,
        Some(&profiles(rows)),
    )
    .expect("written");
    let scan = read_scan(folder.path()).expect("read");
    assert_eq!(scan.description, description);
    assert_eq!((scan.rows, scan.columns), (rows, height.columns));
    assert_eq!(read_profiles(&scan).expect("read"), Some(profiles(rows)));
    let mut reader = HeightReader::open(&scan).expect("opened");
    let mut bits: Vec<u32> = Vec::new();
    while let Some(rows) = reader.read(block).expect("read") {
        bits.extend(to_bits(&rows.counts));
    }
    assert_eq!(bits, to_bits(&height.counts));
}

fn to_bits(counts: &Counts) -> Vec<u32> {
    match counts {
        Counts::U16(counts) => counts.iter().map(|c| u32::from(*c)).collect(),
        Counts::F32(values) => values.iter().map(|v| v.to_bits()).collect(),
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn counts_written_read_back_the_same_in_any_blocks(
        columns in 1_usize..40,
        rows in 1_usize..40,
        block in 1_usize..45,
        seed in any::<u64>(),
        file in prop::sample::select(vec!["h.png", "h.tif", "h.npy"]),
    ) {
        let mut state = seed;
        let counts = (0..rows * columns)
            .map(|_| {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                (state >> 48) as u16
            })
            .collect();
        check_heights(file, &HeightRows { first_row: 0, columns, counts: Counts::U16(counts) }, block);
    }

    #[test]
    fn floats_written_read_back_the_same_in_any_blocks(
        columns in 1_usize..20,
        rows in 1_usize..20,
        block in 1_usize..25,
        values in prop::collection::vec(prop::num::f32::NORMAL | prop::num::f32::ZERO | prop::num::f32::SUBNORMAL, 400),
        holes in prop::collection::vec(any::<bool>(), 400),
        file in prop::sample::select(vec!["h.tif", "h.tiff", "h.npy"]),
    ) {
        let values = values
            .into_iter()
            .zip(holes)
            .map(|(value, hole)| if hole { f32::NAN } else { value })
            .take(rows * columns)
            .collect();
        check_heights(file, &HeightRows { first_row: 0, columns, counts: Counts::F32(values) }, block);
    }

    #[test]
    fn colours_written_read_back_the_same_in_any_blocks(
        columns in 1_usize..20,
        rows in 1_usize..20,
        block in 1_usize..25,
        bytes in prop::collection::vec(any::<u8>(), 1200),
        file in prop::sample::select(vec!["c.png", "c.tif"]),
    ) {
        let folder = TempDir::new().expect("a folder");
        let rgb: Vec<u8> = bytes.into_iter().take(rows * columns * 3).collect();
        let height = HeightRows { first_row: 0, columns: 2, counts: Counts::U16(vec![1; 6]) };
        let colour = ColourRows { first_row: 0, columns, rgb: rgb.clone() };
        let description = description("h.png", Some(file), false);
        write_scan(folder.path(), &description, &height, Some(&colour), Some(&profiles(3))).expect("written");
        let scan = read_scan(folder.path()).expect("read");
        let mut reader = ColourReader::open(&scan).expect("opened");
        let mut all = Vec::new();
        while let Some(rows) = reader.read(block).expect("read") {
            all.extend(rows.rgb);
        }
        prop_assert_eq!(all, rgb);
    }
}

#[test]
fn a_description_read_and_written_again_is_the_same_to_the_byte() {
    let folder = TempDir::new().expect("a folder");
    let height = HeightRows {
        first_row: 0,
        columns: 2,
        counts: Counts::U16(vec![1, 2, 3, 4]),
    };
    let colour = ColourRows {
        first_row: 0,
        columns: 2,
        rgb: vec![7; 12],
    };
    for file in ["c.png", "c.jpg"] {
        let first = description("h.png", Some(file), false);
        write_scan(
            folder.path(),
            &first,
            &height,
            Some(&colour),
            Some(&profiles(2)),
        )
        .expect("written");
        let text = fs::read(folder.path().join("scan.toml")).expect("read");
        let scan = read_scan(folder.path()).expect("read");
        assert_eq!(scan.description, first);
        write_scan(
            folder.path(),
            &scan.description,
            &height,
            Some(&colour),
            Some(&profiles(2)),
        )
        .expect("written");
        assert_eq!(
            fs::read(folder.path().join("scan.toml")).expect("read"),
            text
        );
    }
    let mut names: Vec<String> = fs::read_dir(folder.path())
        .expect("read")
        .map(|e| e.expect("read").file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    assert_eq!(
        names,
        ["c.jpg", "c.png", "h.png", "profiles.csv", "scan.toml"],
        "no temporary file is left behind"
    );
}

#[test]
fn a_jpeg_written_at_this_quality_stays_close() {
    let folder = TempDir::new().expect("a folder");
    let columns = 32;
    let rgb: Vec<u8> = (0..32 * columns)
        .flat_map(|at: usize| [(at % 32) * 8, (at / 32) * 8, 128].map(|v| v as u8))
        .collect();
    let colour = ColourRows {
        first_row: 0,
        columns,
        rgb: rgb.clone(),
    };
    let height = HeightRows {
        first_row: 0,
        columns: 2,
        counts: Counts::U16(vec![1, 2, 3, 4]),
    };
    write_scan(
        folder.path(),
        &description("h.png", Some("c.jpg"), false),
        &height,
        Some(&colour),
        Some(&profiles(2)),
    )
    .expect("written");
    let scan = read_scan(folder.path()).expect("read");
    assert!(scan.colour_lossy);
    let mut reader = ColourReader::open(&scan).expect("opened");
    let back = reader.read(100).expect("read").expect("rows").rgb;
    assert_eq!(back.len(), rgb.len());
    let differences: Vec<f64> = back
        .iter()
        .zip(&rgb)
        .map(|(a, b)| f64::from(*a) - f64::from(*b))
        .collect();
    let mean = differences.iter().sum::<f64>() / differences.len() as f64;
    let rms = (differences.iter().map(|d| d * d).sum::<f64>() / differences.len() as f64).sqrt();
    // A smooth ramp at quality 95 loses a few levels at most, and no brightness.
    assert!(rms < 4.0, "rms {rms}");
    assert!(mean.abs() < 0.5, "mean {mean}");
}

#[test]
fn data_that_does_not_fit_its_description_is_not_written() {
    let folder = TempDir::new().expect("a folder");
    let height = |counts| HeightRows {
        first_row: 0,
        columns: 2,
        counts,
    };
    let counts = || height(Counts::U16(vec![1; 4]));
    let fine = profiles(2);
    let write = |file: &str,
                 colour: Option<&ColourRows>,
                 height: &HeightRows,
                 profiles: Option<&Profiles>| {
        write_scan(
            folder.path(),
            &description(file, None, false),
            height,
            colour,
            profiles,
        )
        .expect_err("does not fit")
    };
    let colour = ColourRows {
        first_row: 0,
        columns: 1,
        rgb: vec![0; 3],
    };
    says(
        &write("h.png", Some(&colour), &counts(), Some(&fine)),
        &["colour"],
    );
    says(&write("h.png", None, &counts(), None), &["[profiles]"]);
    says(
        &write("h.png", None, &counts(), Some(&profiles(3))),
        &["3 encoder positions", "expected 2"],
    );
    says(
        &write(
            "h.png",
            None,
            &height(Counts::F32(vec![0.0; 4])),
            Some(&fine),
        ),
        &["h.png", "float heights"],
    );
    says(
        &write("h.png", None, &height(Counts::U16(vec![1; 3])), Some(&fine)),
        &["h.png", "not whole"],
    );
    says(
        &write("h.png", None, &height(Counts::U16(vec![])), Some(&fine)),
        &["h.png", "empty"],
    );
    says(
        &write("h.x3p", None, &counts(), Some(&fine)),
        &["not written"],
    );
    says(
        &write("h.bmp", None, &counts(), Some(&fine)),
        &["h.bmp", "extension"],
    );
    assert!(
        !folder.path().join("scan.toml").exists(),
        "a folder that broke off is no scan"
    );
}
