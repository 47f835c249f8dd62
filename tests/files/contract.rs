//! The examples in `docs/formats.md` are what the readers accept.

use std::fs;
use std::path::Path;

use tempfile::TempDir;
use weighlight::calibration::{read_calibration, read_target};
use weighlight::product::read_product;
use weighlight::scan::{read_profiles, read_scan};

use crate::reference_frame;

/// The TOML example of the document that starts with this format.
fn example(format: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/formats.md");
    let text = fs::read_to_string(path).expect("the contract");
    let start = format!("```toml\nformat = \"{format}\"");
    assert_eq!(text.matches(&start).count(), 1, "one example of {format}");
    let (_, rest) = text.split_once(&start).expect("there");
    let (body, _) = rest.split_once("```").expect("the end of the example");
    format!("format = \"{format}\"{body}")
}

#[test]
fn the_scan_example_reads() {
    let folder = TempDir::new().expect("a folder");
    let f = folder.path();
    fs::write(f.join("scan.toml"), example("weighlight-scan/1")).expect("written");
    fs::copy(reference_frame("u16.png"), f.join("height.png")).expect("copied");
    fs::copy(reference_frame("u16.png"), f.join("height-2.png")).expect("copied");
    fs::copy(reference_frame("rgb.png"), f.join("colour.png")).expect("copied");
    let lines: String = (0..13).map(|row| format!("{row},{row}.25\n")).collect();
    fs::write(
        f.join("profiles.csv"),
        format!("profile,encoder_mm\n{lines}"),
    )
    .expect("written");
    let scan = read_scan(f).expect("the example");
    assert!(read_profiles(&scan).expect("the example").is_some());
}

#[test]
fn the_calibration_example_reads() {
    let folder = TempDir::new().expect("a folder");
    let path = folder.path().join("c.toml");
    fs::write(&path, example("weighlight-calibration/1")).expect("written");
    let calibration = read_calibration(&path).expect("the example");
    assert_eq!(calibration.errors.height_scale, 0.996);
    assert!(calibration.tolerances.is_some() && calibration.triangulation.is_some());
}

#[test]
fn the_product_example_reads() {
    let folder = TempDir::new().expect("a folder");
    let path = folder.path().join("p.toml");
    fs::write(&path, example("weighlight-product/1")).expect("written");
    assert_eq!(read_product(&path).expect("the example").classes.len(), 2);
}

#[test]
fn the_target_example_reads() {
    let folder = TempDir::new().expect("a folder");
    let path = folder.path().join("t.toml");
    fs::write(&path, example("weighlight-target/1")).expect("written");
    let target = read_target(&path).expect("the example");
    assert_eq!((target.steps.len(), target.spheres.len()), (2, 1));
}
