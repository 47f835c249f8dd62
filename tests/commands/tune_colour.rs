//! Colour rules from painted pixels, as users run it: a simulated scan is painted by the rules it was made with, and a profile with spoiled rules is mended.

use std::path::PathBuf;

use assert_cmd::Command;
use image::{Rgb, RgbImage};
use predicates::str::contains;
use tempfile::TempDir;
use weighlight::colour::lab_from_srgb8;
use weighlight::product::{Product, read_product, write_product};

use crate::weighlight;

struct Painting {
    folder: TempDir,
    scan: PathBuf,
}

const RED: Rgb<u8> = Rgb([255, 0, 0]);
const BLUE: Rgb<u8> = Rgb([0, 0, 255]);

impl Painting {
    /// Fat and lean painted on a frame of belly strips wherever its colour is clearly one or the other, in stripes of every fourth row.
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let demo = folder.path().join("demo");
        weighlight()
            .args([
                "simulate",
                "belly-strips",
                "--seed",
                "5",
                "--length-mm",
                "420",
                "--frames",
                "1",
                "--pieces",
                "6",
                "--out",
            ])
            .arg(&demo)
            .assert()
            .success();
        let scan = std::fs::read_dir(&demo)
            .unwrap()
            .map(|it| it.unwrap().path())
            .find(|it| it.join("scan.toml").exists())
            .expect("a scan");
        let colour = image::open(scan.join("colour.png")).unwrap().to_rgb8();
        let mut painted = RgbImage::from_pixel(colour.width(), colour.height(), Rgb([0, 0, 0]));
        for (x, y, pixel) in colour.enumerate_pixels() {
            let lab = lab_from_srgb8(pixel.0);
            if y % 4 != 0 || lab.a < 2.0 {
                continue;
            }
            if lab.l > 70.0 {
                painted.put_pixel(x, y, RED);
            } else if lab.l < 55.0 && lab.a > 15.0 {
                painted.put_pixel(x, y, BLUE);
            }
        }
        painted.save(folder.path().join("painted.png")).unwrap();
        let painting = Self { folder, scan };
        let mut spoiled = painting.product();
        let fat = spoiled
            .classes
            .iter_mut()
            .find(|it| it.name == "fat")
            .unwrap();
        fat.lab.as_mut().unwrap().l.low = 90.0;
        write_product(&painting.path("spoiled.toml"), &spoiled).unwrap();
        painting
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn product(&self) -> Product {
        read_product(&self.path("demo/products/belly-strips.toml")).unwrap()
    }

    fn tune(&self, out: &str) -> Command {
        let mut command = weighlight();
        command
            .arg("tune-colour")
            .arg(&self.scan)
            .arg("--painted")
            .arg(self.path("painted.png"))
            .arg("--product")
            .arg(self.path("spoiled.toml"))
            .arg("--calibrations")
            .arg(self.path("demo/calibration"))
            .arg("--out")
            .arg(self.path(out));
        command
    }
}

#[test]
fn spoiled_rules_are_mended_by_painting() {
    let painting = Painting::new();
    painting
        .tune("new.toml")
        .args(["--label", "#ff0000=fat", "--label", "#0000ff=lean"])
        .assert()
        .success()
        .stdout(contains("all classes alike"));
    let new = read_product(&painting.path("new.toml")).unwrap();
    let map = |product: &Product| {
        let rule = product.classes.iter().find(|it| it.name == "fat").unwrap();
        let lab = rule.lab.unwrap();
        move |rgb: [u8; 3]| {
            let it = lab_from_srgb8(rgb);
            let holds = |range: weighlight::product::Range, value: f64| {
                range.low <= value && value <= range.high
            };
            holds(lab.l, it.l) && holds(lab.a, it.a) && holds(lab.b, it.b)
        }
    };
    // On all painted pixels' neighbours, rows that were not painted: the new rule calls fat fat and lean lean.
    let colour = image::open(painting.scan.join("colour.png"))
        .unwrap()
        .to_rgb8();
    let is_fat = map(&new);
    let (mut right, mut all) = (0_u32, 0_u32);
    for (_, y, pixel) in colour.enumerate_pixels() {
        let lab = lab_from_srgb8(pixel.0);
        if y % 4 == 2 && lab.a > 2.0 && (lab.l > 70.0 || (lab.l < 55.0 && lab.a > 15.0)) {
            all += 1;
            right += u32::from(is_fat(pixel.0) == (lab.l > 70.0));
        }
    }
    assert!(
        all > 1000 && f64::from(right) > 0.98 * f64::from(all),
        "{right} of {all}"
    );
    let fat = new.classes.iter().find(|it| it.name == "fat").unwrap();
    assert!((50.0..75.0).contains(&fat.lab.unwrap().l.low), "{fat:?}");
    // What stays is what was not painted.
    assert_eq!(new.weight, painting.product().weight);
}

#[test]
fn what_is_wrong_with_a_painting_is_said() {
    let painting = Painting::new();
    for (labels, code, words) in [
        (vec!["--label", "red=fat"], 2, "such as #ff0000=fat"),
        (vec!["--label", "#ff0000=bone"], 1, "no class \"bone\""),
        (
            vec!["--label", "#ff0000=fat", "--label", "#0000ff=fat"],
            1,
            "named twice",
        ),
        (
            vec!["--label", "#ff0000=fat", "--label", "#00ff00=lean"],
            1,
            "no pixel is painted #00ff00",
        ),
        (vec!["--label", "#ff0000=fat"], 1, "1 classes are painted"),
    ] {
        painting
            .tune("new.toml")
            .args(labels)
            .assert()
            .code(code)
            .stderr(contains(words));
    }
    RgbImage::new(10, 10)
        .save(painting.path("painted.png"))
        .unwrap();
    painting
        .tune("new.toml")
        .args(["--label", "#ff0000=fat", "--label", "#0000ff=lean"])
        .assert()
        .code(1)
        .stderr(contains("a picture of 10 × 10 pixels"));
    std::fs::write(painting.path("painted.png"), b"no picture").unwrap();
    painting
        .tune("new.toml")
        .args(["--label", "#ff0000=fat", "--label", "#0000ff=lean"])
        .assert()
        .code(1)
        .stderr(contains("expected a PNG"));
    assert!(!painting.path("new.toml").exists());
}
