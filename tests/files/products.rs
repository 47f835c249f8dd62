//! Product profiles, right and wrong.

use std::fs;

use tempfile::TempDir;
use weighlight::product::{
    DensityRule, DepthRule, LabAxis, LearnMethod, Product, find_product, read_product,
    write_product,
};

use crate::says;

const GOOD: &str = "\
format = \"weighlight-product/1\"
name = \"belly-strips\"
base = \"lean\"

[piece]
min_height_mm = 1.0
min_area_cm2 = 4.0
split_touching = true

[[class]]
name = \"fat\"
lab = { l = [62, 100], a = [-20, 16], b = [-10, 40] }
density_kg_m3 = 921.0
depth_mm = 6.0

[[class]]
name = \"lean\"
lab = { l = [10, 62], a = [8, 60], b = [-10, 50] }
composition = { water = 0.72, protein = 0.21, fat = 0.06, ash = 0.01 }
temperature_c = 4.0
void_fraction = 0.0

[weight]
scale = 1.0
offset_g = 0.0
density_u_rel = 0.005

[spec]
mass_g = [160, 260]
length_mm = [110, 180]
max_height_mm = [0, 45]
fat_fraction = [0.0, 0.35]
";

fn read(text: &str) -> weighlight::Result<Product> {
    let folder = TempDir::new().expect("a folder");
    let path = folder.path().join("p.toml");
    fs::write(&path, text).expect("written");
    read_product(&path)
}

#[track_caller]
fn check(from: &str, to: &str, parts: &[&str]) {
    assert_eq!(
        GOOD.matches(from).count(),
        1,
        "{from:?} stands once in the example"
    );
    says(&read(&GOOD.replace(from, to)).expect_err(to), parts);
}

#[test]
fn the_example_of_the_format_reads_and_writes() {
    let product = read(GOOD).expect("a profile");
    assert_eq!(product.name, "belly-strips");
    assert_eq!(product.classes.len(), 2);
    assert_eq!(product.classes[0].depth, DepthRule::Layer { depth_mm: 6.0 });
    assert_eq!(
        product.classes[0].density,
        DensityRule::Given { kg_m3: 921.0 }
    );
    assert_eq!(product.classes[1].depth, DepthRule::Through);
    let DensityRule::Composition {
        composition,
        temperature_c,
        void_fraction,
    } = &product.classes[1].density
    else {
        panic!("a composition");
    };
    assert_eq!((composition.water, composition.ice), (0.72, 0.0));
    assert_eq!((*temperature_c, *void_fraction), (Some(4.0), 0.0));
    assert_eq!(product.piece.min_speck_mm2, 0.0);
    assert_eq!(
        product.spec.mass_g.map(|r| (r.low, r.high)),
        Some((160.0, 260.0))
    );
    assert_eq!(product.spec.width_mm, None);

    let folder = TempDir::new().expect("a folder");
    let path = folder.path().join("belly-strips.toml");
    write_product(&path, &product).expect("written");
    let once = fs::read(&path).expect("read");
    let back = read_product(&path).expect("read");
    assert_eq!(back, product);
    write_product(&path, &back).expect("written");
    assert_eq!(fs::read(&path).expect("read"), once);
}

#[test]
fn what_the_contract_rules_out_is_refused_with_its_line() {
    check(
        "base = \"lean\"",
        "base = \"bone\"",
        &["p.toml:3: base: found \"bone\"", "fat, lean"],
    );
    check(
        "name = \"lean\"",
        "name = \"fat\"",
        &["p.toml:17: class[1].name", "a second class"],
    );
    check(
        "name = \"fat\"",
        "name = \"Fat\"",
        &["p.toml:11: class[0].name", "column names"],
    );
    check(
        "name = \"fat\"",
        "name = \"\"",
        &["p.toml:11: class[0].name"],
    );
    check(
        "l = [62, 100]",
        "l = [100, 62]",
        &["p.toml:12: class[0].lab.l", "lower limit first"],
    );
    check(
        "l = [62, 100]",
        "l = [62, nan]",
        &["p.toml:12: class[0].lab.l", "finite"],
    );
    check("l = [62, 100]", "l = [62]", &["p.toml:12: class[0].lab.l"]);
    check(
        "lab = { l = [62, 100], a = [-20, 16], b = [-10, 40] }\n",
        "",
        &["class[0].lab: missing"],
    );
    check(
        "density_kg_m3 = 921.0\n",
        "",
        &["class[0].density_kg_m3: missing", "or composition"],
    );
    check(
        "density_kg_m3 = 921.0",
        "density_kg_m3 = 0.921",
        &["p.toml:13: class[0].density_kg_m3", "50 to 3000"],
    );
    check(
        "density_kg_m3 = 921.0",
        "density_kg_m3 = 921.0\ncomposition = { water = 1.0 }",
        &["p.toml:14: class[0].composition: found beside density_kg_m3"],
    );
    check(
        "density_kg_m3 = 921.0",
        "density_kg_m3 = 921.0\nvoid_fraction = 0.1",
        &["p.toml:14: class[0].void_fraction"],
    );
    check(
        "void_fraction = 0.0",
        "void_fraction = 1.0",
        &["p.toml:21: class[1].void_fraction", "less than 1"],
    );
    check(
        "void_fraction = 0.0",
        "void_fraction = -0.1",
        &["p.toml:21: class[1].void_fraction"],
    );
    check(
        "void_fraction = 0.0",
        "void_fraction = nan",
        &["p.toml:21: class[1].void_fraction"],
    );
    check(
        "void_fraction = 0.0",
        "depth_mm = 3",
        &["p.toml:21: class[1].depth_mm", "base class"],
    );
    check(
        "depth_mm = 6.0",
        "depth_mm = 0",
        &["p.toml:14: class[0].depth_mm"],
    );
    check("depth_mm = 6.0\n", "", &["class[0].depth: missing"]);
    check(
        "depth_mm = 6.0",
        "depth_mm = 6.0\ndepth = \"through\"",
        &["p.toml:14: class[0].depth_mm"],
    );
    check(
        "depth_mm = 6.0",
        "depth = \"thru\"",
        &["p.toml:14: class[0].depth", "'thru'", "through"],
    );
    check(
        "fat = 0.06",
        "fat = -0.06",
        &["p.toml:19: class[1].composition.fat"],
    );
    check(
        "fat = 0.06",
        "fatt = 0.06",
        &[
            "p.toml:19: class[1].composition.fatt",
            "did you mean 'fat'?",
        ],
    );
    check(
        "min_height_mm = 1.0",
        "min_height_mm = 0",
        &["p.toml:6: piece.min_height_mm"],
    );
    check(
        "min_area_cm2 = 4.0",
        "min_area_cm2 = -4.0",
        &["p.toml:7: piece.min_area_cm2"],
    );
    check(
        "split_touching = true",
        "split_touching = 1",
        &["p.toml:8: piece.split_touching", "true or false"],
    );
    check(
        "split_touching = true\n",
        "",
        &["p.toml:5: piece.split_touching: missing"],
    );
    check("scale = 1.0", "scale = -1.0", &["p.toml:24: weight.scale"]);
    check(
        "density_u_rel = 0.005\n",
        "",
        &["p.toml:23: weight.density_u_rel: missing"],
    );
    check(
        "density_u_rel = 0.005",
        "density_u_rel = 1.5",
        &["p.toml:26: weight.density_u_rel"],
    );
    check(
        "mass_g = [160, 260]",
        "mass_g = [260, 160]",
        &["p.toml:29: spec.mass_g"],
    );
    check(
        "mass_g = [160, 260]",
        "mass_g = [-1, 260]",
        &["p.toml:29: spec.mass_g", "0 or more"],
    );
    check(
        "fat_fraction = [0.0, 0.35]",
        "fat_fraction = [0, 35]",
        &["p.toml:32: spec.fat_fraction", "0 to 1"],
    );
    check(
        "format = \"weighlight-product/1\"",
        "format = \"weighlight-scan/1\"",
        &["p.toml:1: format"],
    );
}

#[test]
fn no_class_and_no_weight_are_refused() {
    let start = GOOD.find("[[class]]").expect("there");
    let end = GOOD.find("[weight]").expect("there");
    let without = format!("{}{}", &GOOD[..start], &GOOD[end..]);
    says(
        &read(&without).expect_err("no class"),
        &["class: no class", "[[class]]"],
    );
    let spec = GOOD.find("[spec]").expect("there");
    let without = format!("{}{}", &GOOD[..end], &GOOD[spec..]);
    says(
        &read(&without).expect_err("no weight"),
        &["p.toml: weight: missing"],
    );
    assert!(read(&GOOD[..spec]).is_ok(), "limits are optional");
}

#[test]
fn a_composition_may_be_off_by_the_tolerance_and_no_more() {
    for (water, fine) in [
        ("0.735", true),
        ("0.7351", false),
        ("0.705", true),
        ("0.7049", false),
    ] {
        let outcome = read(&GOOD.replace("water = 0.72", &format!("water = {water}")));
        assert_eq!(outcome.is_ok(), fine, "water = {water}");
        if let Err(error) = outcome {
            says(
                &error,
                &[
                    "p.toml:19: class[1].composition: the fractions sum to",
                    "0.015",
                ],
            );
        }
    }
}

#[test]
fn a_profile_is_found_by_its_name() {
    let folder = TempDir::new().expect("a folder");
    fs::write(folder.path().join("belly-strips.toml"), GOOD).expect("written");
    fs::write(folder.path().join("copy.toml"), GOOD).expect("written");
    let found = find_product(folder.path(), "belly-strips").expect("found");
    assert_eq!(found.name, "belly-strips");
    let missing = |id: &str| find_product(folder.path(), id).expect_err(id);
    says(
        &missing("belly-strip"),
        &[
            "no profile 'belly-strip.toml'",
            "did you mean 'belly-strips'?",
        ],
    );
    says(&missing("ham"), &["it holds belly-strips, copy"]);
    says(
        &missing("copy"),
        &["copy.toml: name: found \"belly-strips\"", "\"copy\""],
    );
    for id in ["", "..", "../belly-strips", "a\\b"] {
        says(&missing(id), &["without a path"]);
    }
    says(
        &find_product(&folder.path().join("absent"), "ham").expect_err("no folder"),
        &["absent"],
    );
}

const LEARN: &str = "\
[learn]
between = [\"fat\", \"lean\"]
method = \"two-gaussian\"
axis = \"l\"
range = [20, 95]
max_move = 12

[spec]
";

#[test]
fn a_limit_to_be_learned_reads_and_writes_and_takes_the_place_of_the_written_one() {
    let product = read(&GOOD.replace("[spec]\n", LEARN)).expect("a profile");
    let rule = product.learn.clone().expect("a rule");
    assert_eq!(
        (rule.method, rule.axis),
        (LearnMethod::TwoGaussian, LabAxis::L)
    );
    assert_eq!(product.limit_between(&rule), Some((1, 0, 62.0)));
    let moved = product.with_limit(&rule, 57.5);
    assert_eq!(moved.limit_between(&rule), Some((1, 0, 57.5)));
    let folder = TempDir::new().expect("a folder");
    let path = folder.path().join("belly-strips.toml");
    write_product(&path, &product).expect("written");
    assert_eq!(read_product(&path).expect("read back"), product);
}

#[test]
fn a_limit_that_cannot_be_learned_is_refused_with_its_key() {
    let learn = |from: &str, to: &str| {
        assert_eq!(LEARN.matches(from).count(), 1, "{from}");
        read(&GOOD.replace("[spec]\n", &LEARN.replace(from, to))).expect_err(to)
    };
    says(
        &learn("\"fat\", \"lean\"", "\"fat\", \"bone\""),
        &["learn.between", "bone", "fat, lean"],
    );
    says(
        &learn("\"fat\", \"lean\"", "\"fat\", \"fat\""),
        &["learn.between"],
    );
    // They meet at L 62 only.
    says(
        &learn("axis = \"l\"", "axis = \"a\""),
        &["learn.between", "on a"],
    );
    says(
        &learn("[20, 95]", "[70, 95]"),
        &["do not meet in one limit"],
    );
    says(&learn("[20, 95]", "[95, 20]"), &["learn.range"]);
    says(&learn("max_move = 12", "max_move = 0"), &["learn.max_move"]);
    says(&learn("max_move = 12\n", ""), &["max_move"]);
    says(&learn("two-gaussian", "kmeans"), &["kmeans"]);
}
