//! `scan.toml` and `profiles.csv`, right and wrong.

use std::fs;

use tempfile::TempDir;
use weighlight::ErrorKind;
use weighlight::scan::{HeightKind, ViewSide, read_profile_file, read_profiles, read_scan};

use crate::{reference_frame, says};

const GOOD: &str = "\
format = \"weighlight-scan/1\"
id = \"2026-03-04T09-12-33_0007\"
captured = 2026-03-04T09:12:33Z
scanner = \"line-2\"
product = \"belly-strips\"
recording = \"2026-03-04-early\"
lanes = 4
belt_speed_mm_s = 450.0
product_temperature_c = 2.5

[height]
kind = \"range\"
file = \"u16.png\"
pitch_across_mm = 0.40
pitch_along_mm = 0.50
scale_mm = 0.01
offset_mm = -5.0
invalid = 0
first_profile = 0

[colour]
file = \"rgb.png\"
pitch_across_mm = 0.40
pitch_along_mm = 0.40
origin_across_mm = 0.0
origin_along_mm = 0.0
";

fn folder_of(text: impl AsRef<[u8]>) -> TempDir {
    let folder = TempDir::new().expect("a temporary folder");
    for frame in ["u16.png", "rgb.png"] {
        fs::copy(reference_frame(frame), folder.path().join(frame)).expect("copied");
    }
    fs::write(folder.path().join("scan.toml"), text).expect("written");
    folder
}

/// Replaces `from` by `to` in the good description and checks what the error says.
#[track_caller]
fn check(from: &str, to: &str, parts: &[&str]) {
    assert_eq!(
        GOOD.matches(from).count(),
        1,
        "{from:?} stands once in the example"
    );
    let folder = folder_of(GOOD.replace(from, to));
    let error = read_scan(folder.path()).expect_err(to);
    says(&error, parts);
}

#[test]
fn the_example_of_the_format_reads() {
    let folder = folder_of(GOOD);
    let scan = read_scan(folder.path()).expect("a scan");
    let d = &scan.description;
    assert_eq!(d.id, "2026-03-04T09-12-33_0007");
    // 2026-03-04T09:12:33Z in seconds since 1970, by GNU date.
    assert_eq!(d.captured.as_second(), 1_772_615_553);
    assert_eq!(d.scanner, "line-2");
    assert_eq!(d.product.as_deref(), Some("belly-strips"));
    assert_eq!(scan.recording(), "2026-03-04-early");
    assert_eq!(d.lanes, Some(4));
    assert_eq!(d.belt_speed_mm_s, Some(450.0));
    assert_eq!(d.product_temperature_c, Some(2.5));
    assert_eq!(d.height.kind, HeightKind::Range);
    assert_eq!((d.height.scale, d.height.offset), (0.01, -5.0));
    assert_eq!(d.height.invalid, Some(0));
    assert_eq!((scan.rows, scan.columns), (13, 17));
    let size = scan.colour_size.expect("colour");
    assert_eq!((size.rows, size.columns), (13, 17));
}

#[test]
fn times_may_be_native_or_quoted_and_carry_any_offset() {
    for written in [
        "2026-03-04T09:12:33Z",
        "2026-03-04 10:12:33+01:00",
        "\"2026-03-04T09:12:33Z\"",
        "\"2026-03-04T04:12:33-05:00\"",
    ] {
        let folder = folder_of(GOOD.replace("2026-03-04T09:12:33Z", written));
        let scan = read_scan(folder.path()).expect(written);
        assert_eq!(
            scan.description.captured.as_second(),
            1_772_615_553,
            "{written}"
        );
    }
    let time = "captured = 2026-03-04T09:12:33Z";
    for local in [
        "2026-03-04T09:12:33",
        "2026-03-04",
        "09:12:33",
        "\"2026-03-04T09:12:33\"",
        "5",
    ] {
        check(
            time,
            &format!("captured = {local}"),
            &["scan.toml:3: captured: found", "with Z or an offset"],
        );
    }
}

#[test]
fn an_unknown_key_names_its_line_and_the_nearest_known_key() {
    check(
        "pitch_across_mm = 0.40\npitch_along_mm = 0.50",
        "pitch_acros_mm = 0.40\npitch_along_mm = 0.50",
        &[
            "scan.toml:14: height.pitch_acros_mm: unknown key",
            "did you mean 'pitch_across_mm'?",
        ],
    );
    check(
        "lanes = 4",
        "lane = 4",
        &["scan.toml:7: lane", "did you mean 'lanes'?"],
    );
    check(
        "[colour]",
        "[color]",
        &["scan.toml:21: color", "did you mean 'colour'?"],
    );
    check(
        "lanes = 4",
        "sausage = 4",
        &["scan.toml:7: sausage: unknown key", "known here:", "lanes"],
    );
}

#[test]
fn a_missing_key_is_named_with_its_table() {
    check(
        "id = \"2026-03-04T09-12-33_0007\"\n",
        "",
        &["scan.toml: id: missing"],
    );
    check(
        "scale_mm = 0.01\n",
        "",
        &["scan.toml:11: height.scale_mm: missing"],
    );
    check(
        "file = \"u16.png\"\n",
        "",
        &["scan.toml:11: height.file: missing"],
    );
}

#[test]
fn a_wrong_type_names_what_was_found_and_expected() {
    check(
        "lanes = 4",
        "lanes = \"four\"",
        &["scan.toml:7: lanes: found string \"four\"; expected a whole number"],
    );
    check(
        "lanes = 4",
        "lanes = 4.5",
        &["scan.toml:7: lanes", "4.5", "whole number"],
    );
    check("lanes = 4", "lanes = -4", &["scan.toml:7: lanes", "-4"]);
    check("lanes = 4", "lanes = 0", &["scan.toml:7: lanes: found 0"]);
    check(
        "id = \"2026-03-04T09-12-33_0007\"",
        "id = 7",
        &["scan.toml:2: id", "text in quotes"],
    );
    check(
        "kind = \"range\"",
        "kind = \"rage\"",
        &["scan.toml:12: height.kind", "did you mean 'range'?"],
    );
    check("[colour]", "colour = 3\n[profiles]", &["scan.toml"]);
}

#[test]
fn numbers_that_cannot_be_are_refused_with_their_line() {
    for value in ["nan", "inf", "-0.4", "0", "0.0", "-inf"] {
        check(
            "pitch_across_mm = 0.40\npitch_along_mm = 0.50",
            &format!("pitch_across_mm = {value}\npitch_along_mm = 0.50"),
            &[
                "scan.toml:14: height.pitch_across_mm: found ",
                "greater than 0",
            ],
        );
    }
    check(
        "scale_mm = 0.01",
        "scale_mm = 0",
        &["scan.toml:16: height.scale_mm: found 0"],
    );
    check(
        "scale_mm = 0.01",
        "scale_mm = nan",
        &["scan.toml:16: height.scale_mm", "finite"],
    );
    check(
        "offset_mm = -5.0",
        "offset_mm = inf",
        &["scan.toml:17: height.offset_mm", "finite"],
    );
    for value in ["-1", "65536", "0.5", "nan", "inf"] {
        check(
            "invalid = 0",
            &format!("invalid = {value}"),
            &["scan.toml:18: height.invalid: found", "0 to 65535"],
        );
    }
    check(
        "first_profile = 0",
        "first_profile = -1",
        &["scan.toml:19: height.first_profile"],
    );
    check(
        "belt_speed_mm_s = 450.0",
        "belt_speed_mm_s = 0",
        &["scan.toml:8: belt_speed_mm_s"],
    );
    check(
        "product_temperature_c = 2.5",
        "product_temperature_c = 275.65",
        &["scan.toml:9: product_temperature_c", "-60 to 150"],
    );
    check(
        "first_profile = 0",
        "first_profile = 9223372036854775808",
        &["scan.toml:19"],
    );
}

#[test]
fn a_negative_scale_mirrors_and_is_fine() {
    let folder = folder_of(GOOD.replace("scale_mm = 0.01", "scale_mm = -0.12"));
    assert_eq!(
        read_scan(folder.path())
            .expect("a scan")
            .description
            .height
            .scale,
        -0.12
    );
}

#[test]
fn the_format_is_checked_before_anything_else() {
    check(
        "format = \"weighlight-scan/1\"",
        "format = \"weighlight-scan/2\"\nnovelty = 1",
        &[
            "scan.toml:1: format: found \"weighlight-scan/2\"; expected format = \"weighlight-scan/1\"",
        ],
    );
    check(
        "format = \"weighlight-scan/1\"\n",
        "",
        &["scan.toml: format: missing"],
    );
    check(
        "format = \"weighlight-scan/1\"",
        "format = 1",
        &["scan.toml:1: format"],
    );
}

#[test]
fn stripe_scans_state_pixels() {
    let stripe = GOOD
        .replace("kind = \"range\"", "kind = \"stripe\"")
        .replace("scale_mm = 0.01", "scale_px = 0.0625")
        .replace("offset_mm = -5.0", "offset_px = 12.0");
    let folder = folder_of(&stripe);
    let height = read_scan(folder.path()).expect("a scan").description.height;
    assert_eq!(height.kind, HeightKind::Stripe);
    assert_eq!((height.scale, height.offset), (0.0625, 12.0));
    check(
        "kind = \"range\"",
        "kind = \"stripe\"",
        &["scan.toml:16: height.scale_mm", "scale_px and offset_px"],
    );
}

#[test]
fn files_must_lie_in_the_scans_own_folder() {
    for file in ["", "/etc/hostname", "../u16.png", "./../u16.png"] {
        check(
            "file = \"u16.png\"",
            &format!("file = \"{file}\""),
            &["scan.toml:13: height.file", "the scan's own folder"],
        );
    }
    let error = {
        let folder = folder_of(GOOD.replace("u16.png", "missing.png"));
        read_scan(folder.path()).expect_err("no such file")
    };
    assert_eq!(error.kind, ErrorKind::Io);
    says(&error, &["missing.png"]);
}

#[test]
fn names_that_cannot_stand_in_a_table_or_path_are_refused() {
    for name in ["", " ", "a/b", "a\\\\b", "..", "a\\nb", " a"] {
        check(
            "scanner = \"line-2\"",
            &format!("scanner = \"{name}\""),
            &["scan.toml:4: scanner"],
        );
    }
}

#[test]
fn a_colour_frame_beside_the_height_frame_is_refused() {
    // 17 columns of 0.4 mm are 6.8 mm wide; 13 rows of 0.5 mm are 6.5 mm long.
    for (key, line, value) in [
        ("origin_across_mm", 25, "6.8"),
        ("origin_across_mm", 25, "-6.8"),
        ("origin_along_mm", 26, "6.5"),
        ("origin_along_mm", 26, "-5.2"),
    ] {
        check(
            &format!("{key} = 0.0"),
            &format!("{key} = {value}"),
            &[
                &format!("scan.toml:{line}: colour.{key}"),
                "beside the height frame",
            ],
        );
    }
    let folder = folder_of(GOOD.replace("origin_across_mm = 0.0", "origin_across_mm = 6.5"));
    assert!(read_scan(folder.path()).is_ok(), "a sliver overlaps");
}

#[test]
fn text_that_is_not_toml_or_not_utf_8_names_the_line() {
    check("lanes = 4", "lanes = ", &["scan.toml:7"]);
    check(
        "lanes = 4",
        "lanes = 4\nlanes = 5",
        &["scan.toml:8", "duplicate key"],
    );
    check(
        "scanner = \"line-2\"",
        "scanner = \"line-2",
        &["scan.toml:4"],
    );
    let mut bytes = GOOD.as_bytes().to_vec();
    let at = GOOD.find("belly").expect("there");
    bytes[at] = 0xff;
    let folder = folder_of(bytes);
    says(
        &read_scan(folder.path()).expect_err("refused"),
        &["scan.toml:5", "not UTF-8"],
    );
    let folder = folder_of("");
    says(
        &read_scan(folder.path()).expect_err("refused"),
        &["format: missing"],
    );
    let folder = TempDir::new().expect("a folder");
    says(
        &read_scan(folder.path()).expect_err("refused"),
        &["scan.toml"],
    );
    fs::create_dir(folder.path().join("scan.toml")).expect("made");
    says(
        &read_scan(folder.path()).expect_err("refused"),
        &["scan.toml"],
    );
}

#[test]
fn no_cut_of_the_description_brings_the_reader_down() {
    for end in 0..GOOD.len() {
        let folder = folder_of(&GOOD[..end]);
        // A description cut after a whole line may be a shorter, good one; what counts is that it returns.
        if let Err(error) = read_scan(folder.path()) {
            says(&error, &["scan.toml"]);
        }
    }
}

#[track_caller]
fn check_profiles(csv: &str, parts: &[&str]) {
    let folder = TempDir::new().expect("a folder");
    let path = folder.path().join("profiles.csv");
    fs::write(&path, csv).expect("written");
    says(&read_profile_file(&path, 3, 40).expect_err(csv), parts);
}

#[test]
fn an_encoder_record_reads_with_and_without_times() {
    let folder = folder_of(format!("{GOOD}\n[profiles]\nfile = \"profiles.csv\"\n"));
    let rows: String = (0..13)
        .map(|row| format!("{row},{}\n", 0.5 * f64::from(row) + 0.25))
        .collect();
    fs::write(
        folder.path().join("profiles.csv"),
        format!("profile,encoder_mm\n{rows}"),
    )
    .expect("written");
    let scan = read_scan(folder.path()).expect("a scan");
    let profiles = read_profiles(&scan).expect("read").expect("there");
    assert_eq!(profiles.encoder_mm.len(), 13);
    assert_eq!(profiles.encoder_mm[12], 6.25);
    assert_eq!(profiles.time, None);

    let path = folder.path().join("timed.csv");
    fs::write(
        &path,
        "profile,encoder_mm,time\r\n40, 1.5 ,2026-03-04T09:12:33Z\r\n41,2,2026-03-04T10:12:33.5+01:00\r\n42,2.5,2026-03-04T09:12:34Z\r\n",
    )
    .expect("written");
    let profiles = read_profile_file(&path, 3, 40).expect("read");
    assert_eq!(profiles.encoder_mm, [1.5, 2.0, 2.5]);
    let time = profiles.time.expect("times");
    assert_eq!(time[1].as_millisecond(), 1_772_615_553_500);
}

#[test]
fn encoder_records_that_do_not_fit_name_their_line() {
    check_profiles("", &["profiles.csv:1", "profile,encoder_mm[,time]"]);
    check_profiles(
        "profile,mm\n",
        &["profiles.csv:1", "found the columns profile,mm"],
    );
    check_profiles(
        "profile,encoder_mm\n0,1\n1,2\n",
        &["found 2 rows", "expected 3"],
    );
    check_profiles(
        "profile,encoder_mm\n0,1\n1,2\n2,3\n3,4\n",
        &["profiles.csv:5: profile", "expected 3 rows"],
    );
    check_profiles(
        "profile,encoder_mm\n0,1\n1,1\n2,3\n",
        &["profiles.csv:3: encoder_mm: found '1'", "more than 1"],
    );
    check_profiles(
        "profile,encoder_mm\n0,1\n1,0.5\n2,3\n",
        &["profiles.csv:3: encoder_mm"],
    );
    check_profiles(
        "profile,encoder_mm\n0,1\n2,2\n",
        &["profiles.csv:3: profile: found '2'", "expected 1"],
    );
    check_profiles(
        "profile,encoder_mm\n7,1\n",
        &["profiles.csv:2: profile", "expected 0, or 40"],
    );
    check_profiles(
        "profile,encoder_mm\n0,nan\n",
        &["profiles.csv:2: encoder_mm: found 'nan'"],
    );
    check_profiles(
        "profile,encoder_mm\n0,inf\n",
        &["profiles.csv:2: encoder_mm"],
    );
    check_profiles(
        "profile,encoder_mm\n0,x\n",
        &["profiles.csv:2: encoder_mm: found 'x'"],
    );
    check_profiles("profile,encoder_mm\n0\n", &["profiles.csv:2"]);
    check_profiles(
        "profile,encoder_mm,time\n0,1,2026-03-04T09:12:33\n",
        &["profiles.csv:2: time", "offset"],
    );
    check_profiles(
        "profile,encoder_mm,time\n0,1,2026-03-04T09:12:33Z\n1,2,2026-03-04T09:12:32Z\n",
        &["profiles.csv:3: time", "or later"],
    );
}

#[test]
fn a_described_encoder_record_must_be_there() {
    let folder = folder_of(format!("{GOOD}\n[profiles]\nfile = \"profiles.csv\"\n"));
    let error = read_scan(folder.path()).expect_err("no such file");
    assert_eq!(error.kind, ErrorKind::Io);
    says(&error, &["profiles.csv"]);
}

const VIEW: &str = "

[[view]]
file = \"u16-2.png\"
camera_side = \"high-y\"
";

fn folder_with_view(view: &str) -> TempDir {
    let folder = folder_of(GOOD.to_string() + view);
    fs::copy(reference_frame("u16.png"), folder.path().join("u16-2.png")).expect("copied");
    folder
}

#[test]
fn a_view_takes_the_height_frames_coding_unless_it_has_its_own() {
    let folder = folder_with_view(VIEW);
    let scan = read_scan(folder.path()).expect("a scan");
    let view = &scan.description.views[0];
    assert_eq!(
        (view.scale, view.offset, view.invalid),
        (0.01, -5.0, Some(0))
    );
    assert_eq!(view.camera_side, ViewSide::HighY);
    assert_eq!(view.camera_angle_deg, None);
    let own = "camera_angle_deg = 30.0\nscale_mm = 0.02\noffset_mm = 1.5\ninvalid = 65535\n";
    let folder = folder_with_view(&(VIEW.to_string() + own));
    let scan = read_scan(folder.path()).expect("a scan");
    let view = &scan.description.views[0];
    assert_eq!(
        (view.scale, view.offset, view.invalid),
        (0.02, 1.5, Some(65535))
    );
    assert_eq!(view.camera_angle_deg, Some(30.0));
}

#[test]
fn a_view_that_does_not_fit_is_refused() {
    for (from, to, parts) in [
        (
            "u16-2.png",
            "u16.png",
            &["view[0].file", "another file"][..],
        ),
        ("u16-2.png", "absent.png", &["absent.png"][..]),
        (
            "u16-2.png",
            "../u16.png",
            &["view[0].file", "own folder"][..],
        ),
        ("high-y", "left", &["camera_side"][..]),
        (
            "camera_side",
            "camera_sid",
            &["camera_sid", "did you mean 'camera_side'?"][..],
        ),
        (
            "\"high-y\"",
            "\"high-y\"\ncamera_angle_deg = 90.0",
            &["view[0].camera_angle_deg", "less than 90"][..],
        ),
        (
            "\"high-y\"",
            "\"high-y\"\nscale_mm = 0.0",
            &["view[0].scale_mm", "other than 0"][..],
        ),
        (
            "\"high-y\"",
            "\"high-y\"\n\n[[view]]\nfile = \"b.png\"\ncamera_side = \"low-y\"",
            &["2 views", "one at most"][..],
        ),
    ] {
        let folder = folder_with_view(&VIEW.replace(from, to));
        says(&read_scan(folder.path()).expect_err(to), parts);
    }
    let folder = folder_of(GOOD.to_string() + &VIEW.replace("u16-2.png", "small.npy"));
    let mut npy = b"\x93NUMPY\x01\x00\x76\x00".to_vec();
    let dictionary = "{'descr': '<u2', 'fortran_order': False, 'shape': (1, 2), }";
    npy.extend_from_slice(format!("{dictionary:<117}\n").as_bytes());
    npy.extend_from_slice(&[1, 0, 2, 0]);
    fs::write(folder.path().join("small.npy"), npy).expect("written");
    let error = read_scan(folder.path()).expect_err("too small");
    says(
        &error,
        &["view[0].file", "1 rows × 2 columns", "13 rows × 17 columns"],
    );
}
