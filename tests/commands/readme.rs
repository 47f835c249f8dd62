//! The README's excerpts are what its commands print.

use std::path::Path;

use crate::weighlight;

/// Lines of the README's `n`th block of output, without what is left out of them.
fn excerpt(n: usize) -> Vec<&'static str> {
    let readme = include_str!("../../README.md");
    let block = readme.split("```text\n").nth(n + 1).unwrap();
    let lines = block.split("```").next().unwrap().lines();
    lines
        .filter(|line| !line.trim().is_empty() && line.trim() != "…")
        .collect()
}

/// Runs a command in a folder and looks for each line of an excerpt in what it prints, in that order.
fn prints(folder: &Path, words: &[&str], code: i32, wanted: &[&str]) {
    let out = weighlight()
        .current_dir(folder)
        .args(words)
        .assert()
        .code(code);
    let text = String::from_utf8(out.get_output().stdout.clone()).unwrap();
    let mut lines = text.lines();
    assert!(wanted.len() > 5);
    for line in wanted {
        assert!(
            lines.any(|printed| printed.trim_end() == line.trim_end()),
            "README.md: not printed, or not here: {line}\n{text}"
        );
    }
}

const ROOT: &str = env!("CARGO_MANIFEST_DIR");

#[test]
fn pieces_of_the_samples() {
    let words = [
        "measure",
        "sample-scans",
        "--products",
        "sample-scans/products",
        "--calibrations",
        "calibration",
    ];
    prints(Path::new(ROOT), &words, 0, &excerpt(0));
}

#[test]
fn a_check_that_is_out_of_tolerance() {
    let words = [
        "drift",
        "calibration/target-checks/2026-03-18",
        "--target",
        "calibration/targets/plate-420x260.toml",
        "--calibrations",
        "calibration",
        "--effect-on",
        "sample-scans/belly-strips",
        "--product",
        "sample-scans/products/belly-strips.toml",
    ];
    prints(Path::new(ROOT), &words, 3, &excerpt(1));
}

#[test]
fn agreement_of_an_invented_day() {
    let folder = tempfile::tempdir().unwrap();
    let made = "simulate day --out day --seed 7 --fault density=0.012";
    weighlight()
        .current_dir(&folder)
        .args(made.split(' '))
        .assert()
        .success();
    let compared = "compare day/pieces.csv day/weighings.csv --time time --mass mass_g";
    let words: Vec<&str> = compared.split(' ').collect();
    prints(folder.path(), &words, 0, &excerpt(2));
}
