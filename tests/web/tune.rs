//! Tuning over HTTP: what a preview shows is what measuring with the saved profile gives, and nothing is overwritten.

use std::path::PathBuf;

use serde_json::{Value, json};

use crate::server::{Server, body, program, repository};

/// A scan of the samples and its profile as the page has it.
struct Tuned {
    server: Server,
    id: u64,
    name: String,
    told: Value,
}

/// What a preview tells, and its plane of classes.
struct Shown {
    about: Value,
    classes: Vec<u8>,
    planes: usize,
}

impl Tuned {
    fn new(prefix: &str) -> Self {
        let server = Server::start();
        let list = server.json("/api/scans");
        let scan = list["scans"].as_array().unwrap().iter().find(|scan| {
            let name = scan["name"].as_str().unwrap();
            name.starts_with(prefix)
        });
        let scan = scan.unwrap();
        let id = scan["id"].as_u64().unwrap();
        Self {
            told: server.json(&format!("/api/tune/{id}/profile")),
            name: scan["name"].as_str().unwrap().to_owned(),
            id,
            server,
        }
    }

    fn post(&self, what: &str, asked: &Value) -> (u16, Vec<u8>) {
        let target = format!("/api/tune/{}/{what}", self.id);
        let content = serde_json::to_vec(asked).unwrap();
        self.server
            .change("POST", &target, "application/json", &content)
    }

    fn profile(&self, edits: &[(&str, Value)]) -> Value {
        let mut profile = self.told["profile"].clone();
        for (pointer, value) in edits {
            *profile.pointer_mut(pointer).expect(pointer) = value.clone();
        }
        profile
    }

    fn preview(&self, profile: &Value, has: u64) -> Shown {
        let (status, answer) = self.post("preview", &json!({ "profile": profile, "has": has }));
        assert_eq!(status, 200, "{}", String::from_utf8_lossy(&answer));
        let at = answer
            .windows(4)
            .position(|four| four == b"\r\n\r\n")
            .unwrap();
        let bytes = &answer[at + 4..];
        let length = u32::from_le_bytes(bytes[..4].try_into().unwrap()) as usize;
        let about: Value = serde_json::from_slice(&bytes[4..4 + length]).unwrap();
        let size = |key: &str| about[key].as_u64().unwrap() as usize;
        let cells = size("rows") * size("columns");
        let planes = &bytes[4 + length..];
        assert_eq!(planes.len() % cells, 0);
        Shown {
            classes: planes[..cells].to_vec(),
            planes: planes.len() / cells,
            about,
        }
    }

    fn save(&self, profile: &Value, file: &str) -> (u16, Value) {
        let asked = json!({ "profile": profile, "based_on": self.told["based_on"], "file": file });
        let (status, answer) = self.post("save", &asked);
        (status, body(&answer))
    }

    fn saved(&self) -> PathBuf {
        self.server.saved.path().join("saved/products")
    }
}

/// The rows that `measure` writes for a scan, by a profile.
fn measured(folder: &str, product: &std::path::Path, scan: &str) -> Vec<Value> {
    let output = program()
        .arg("measure")
        .arg(repository("sample-scans").join(folder))
        .arg("--product")
        .arg(product)
        .arg("--calibrations")
        .arg(repository("calibration"))
        .args(["--format", "json"])
        .output()
        .unwrap();
    let told: Value = serde_json::from_slice(&output.stdout).unwrap();
    let rows = told["pieces"].as_array().unwrap().iter();
    rows.filter(|row| row["scan"] == scan).cloned().collect()
}

#[test]
fn what_is_shown_is_what_measuring_with_the_saved_profile_gives() {
    // Belly strips: pieces that frames cut belong to one of them.
    let tuned = Tuned::new("belly-strips-11_0001");
    let base = tuned.preview(&tuned.told["profile"], 0);
    let opened = repository("sample-scans/products/belly-strips.toml");
    let rows = base.about["pieces"].as_array().unwrap();
    assert!(!rows.is_empty());
    assert!(*rows == measured("belly-strips", &opened, &tuned.name));
    assert_eq!(base.planes, 4);
    let edits: [(&str, &[(&str, Value)]); 4] = [
        (
            "colour",
            &[
                ("/class/0/lab/l", json!([70.5, 100])),
                ("/class/1/lab/l", json!([5, 70.5])),
            ],
        ),
        (
            "weight",
            &[
                ("/weight/scale", json!(1.02)),
                ("/weight/offset_g", json!(-3)),
                ("/class/0/temperature_c", json!(20)),
                ("/spec/mass_g", json!([1, 2])),
            ],
        ),
        (
            "pieces",
            &[
                ("/piece/min_height_mm", json!(9)),
                ("/piece/min_area_cm2", json!(60.5)),
            ],
        ),
        ("specks", &[("/piece/min_speck_mm2", json!(0))]),
    ];
    for (name, edit) in edits {
        let profile = tuned.profile(edit);
        let has = base.about["number"].as_u64().unwrap();
        let shown = tuned.preview(&profile, has);
        // Only other piece rules need the scan measured again; else the page has all but the classes.
        let again = shown.about["number"] != base.about["number"];
        assert_eq!(
            (again, shown.planes),
            (name == "pieces", if again { 4 } else { 1 })
        );
        assert!(shown.about["pieces"] != base.about["pieces"], "{name}");
        assert_eq!(shown.classes != base.classes, name != "weight", "{name}");
        let (status, told) = tuned.save(&profile, &format!("{name}.toml"));
        assert_eq!(status, 200, "{told}");
        let file = tuned.saved().join(format!("{name}.toml"));
        assert_eq!(told["saved"], file.display().to_string());
        assert!(!told["changes"].as_array().unwrap().is_empty());
        let rows = measured("belly-strips", &file, &tuned.name);
        assert!(*shown.about["pieces"].as_array().unwrap() == rows, "{name}");
        let mass_g: f64 = rows.iter().map(|row| row["mass_g"].as_f64().unwrap()).sum();
        let total_g = shown.about["totals"]["mass_g"].as_f64().unwrap();
        // The rows are rounded to the digits of the table.
        assert!((mass_g - total_g).abs() < 0.01 * (1 + rows.len()) as f64);
    }
}

#[test]
fn changes_are_told_and_names_are_after_product_and_day() {
    let tuned = Tuned::new("rolls");
    let profile = tuned.profile(&[("/class/0/lab/l", json!([20, 60]))]);
    let told = body(&tuned.post("changes", &json!({ "profile": profile })).1);
    assert_eq!(
        told["changes"],
        json!([{ "key": "class.crust.lab.l", "before": "[20.0, 70.0]", "after": "[20.0, 60.0]" }])
    );
    let file = told["file"].as_str().unwrap();
    assert!(
        file.starts_with("rolls-2026-") && file.ends_with(".toml"),
        "{file}"
    );
    assert_eq!(tuned.save(&profile, file).0, 200);
    let next = body(&tuned.post("changes", &json!({ "profile": profile })).1);
    assert_eq!(next["file"], file.replace(".toml", "-2.toml"));
    // It is among those to start from, and holds what was saved.
    let again = tuned
        .server
        .json(&format!("/api/tune/{}/profile?from={file}", tuned.id));
    assert_eq!(again["saved"], json!([file]));
    assert_eq!(
        again["profile"],
        tuned.profile(&[("/class/0/lab/l", json!([20.0, 60.0]))])
    );
}

#[test]
fn what_is_there_or_has_changed_is_never_overwritten() {
    let tuned = Tuned::new("rolls");
    let profile = tuned.profile(&[("/weight/scale", json!(1.5))]);
    assert_eq!(tuned.save(&profile, "mine.toml").0, 200);
    let file = tuned.saved().join("mine.toml");
    let before = std::fs::read(&file).unwrap();
    let (status, told) = tuned.save(&tuned.told["profile"], "mine.toml");
    assert_eq!(status, 409, "{told}");
    assert!(
        told["error"]
            .as_str()
            .unwrap()
            .contains("mine.toml already")
    );
    assert_eq!(std::fs::read(&file).unwrap(), before);
    // Based on something else than what is there now.
    let asked = json!({ "profile": profile, "based_on": "0".repeat(64), "file": "other.toml" });
    assert_eq!(tuned.post("save", &asked).0, 409);
    let start = tuned
        .server
        .json(&format!("/api/tune/{}/profile?from=mine.toml", tuned.id));
    let mut text = String::from_utf8(before).unwrap();
    text.push_str("# somebody else was here\n");
    std::fs::write(&file, text).unwrap();
    let asked = json!({ "profile": profile, "from": "mine.toml", "based_on": start["based_on"], "file": "third.toml" });
    let (status, answer) = tuned.post("save", &asked);
    assert_eq!(status, 409, "{}", String::from_utf8_lossy(&answer));
    let names: Vec<_> = std::fs::read_dir(tuned.saved())
        .unwrap()
        .map(|it| it.unwrap().file_name())
        .collect();
    assert_eq!(names, ["mine.toml"]);
}

#[test]
fn bad_names_values_and_scans_are_refused_in_words() {
    let tuned = Tuned::new("rolls");
    let sound = &tuned.told["profile"];
    for name in [
        "../out.toml",
        "a/b.toml",
        "..\\out.toml",
        "/tmp/out.toml",
        ".toml",
        ".hidden.toml",
        "out.txt",
        "",
    ] {
        let (status, told) = tuned.save(sound, name);
        assert_eq!(
            (status, &told["key"]),
            (422, &json!("file")),
            "{name}: {told}"
        );
    }
    assert!(!tuned.saved().exists(), "nothing was saved");
    for from in ["../../Cargo.toml", "none.toml", "%2e%2e%2fa.toml"] {
        let target = format!("/api/tune/{}/profile?from={from}", tuned.id);
        assert_eq!(tuned.server.status("GET", &target, &[]), 422, "{from}");
    }
    for (pointer, value, key) in [
        ("/class/0/lab/l", json!([70, 20]), "class[0].lab.l"),
        ("/class/0/density_kg_m3", json!(5), "class[0].density_kg_m3"),
        ("/piece/min_height_mm", json!(0), "piece.min_height_mm"),
        ("/weight/scale", json!(-1), "weight.scale"),
        ("/base", json!("none"), "base"),
    ] {
        let asked = json!({ "profile": tuned.profile(&[(pointer, value)]) });
        for what in ["preview", "changes"] {
            let (status, answer) = tuned.post(what, &asked);
            let told = body(&answer);
            assert_eq!((status, &told["key"]), (422, &json!(key)), "{told}");
        }
    }
    for wrong in [
        json!([]),
        json!({ "profile": 3 }),
        json!({ "profile": { "class": "x" } }),
        json!({ "profile": {} }),
    ] {
        let (status, _) = tuned.post("preview", &wrong);
        assert_eq!(status, 422, "{wrong}");
    }
    let target = "/api/tune/99999/preview";
    let content = serde_json::to_vec(&json!({ "profile": sound })).unwrap();
    assert_eq!(
        tuned
            .server
            .change("POST", target, "application/json", &content)
            .0,
        404
    );
    let target = format!("/api/tune/{}/save", tuned.id);
    assert_eq!(tuned.server.status("POST", &target, &[]), 403);
    let long = vec![b' '; 9 << 20];
    assert_eq!(
        tuned
            .server
            .change("POST", &target, "application/json", &long)
            .0,
        413
    );
    // Painted cells that lie nowhere.
    for runs in [
        json!([[9_999_999, 0, 1, 0]]),
        json!([[0, 5, 5, 0]]),
        json!([[0, 0, 1, 9]]),
    ] {
        let (status, answer) = tuned.post("fit", &json!({ "profile": sound, "runs": runs }));
        assert_eq!(status, 422, "{}", String::from_utf8_lossy(&answer));
    }
}

#[test]
fn spoiled_limits_are_mended_by_painting() {
    let tuned = Tuned::new("belly-strips-11_0001");
    let base = tuned.preview(&tuned.told["profile"], 0);
    let columns = base.about["columns"].as_u64().unwrap() as usize;
    let spoiled = tuned.profile(&[("/class/0/lab/l", json!([90, 100]))]);
    let fat = |shown: &Shown| shown.about["totals"]["fat_fraction"].as_f64().unwrap();
    let wrong = tuned.preview(&spoiled, 0);
    assert!(fat(&wrong) < 0.3 * fat(&base));
    // Painted as the sound profile has it, every sixth row.
    let runs: Vec<[usize; 4]> = base
        .classes
        .chunks(columns)
        .enumerate()
        .filter(|(row, _)| row % 6 == 0)
        .flat_map(|(row, line)| {
            let named = line.iter().enumerate().filter(|(_, class)| **class < 2);
            named.map(move |(column, class)| [row, column, column + 1, usize::from(*class)])
        })
        .collect();
    let asked = json!({ "profile": spoiled, "runs": runs });
    let (status, answer) = tuned.post("fit", &asked);
    let told = body(&answer);
    assert_eq!(status, 200, "{told}");
    assert!(told["unseen_fraction"].as_f64().unwrap() > 0.9, "{told}");
    assert!(told["before_fraction"].as_f64() < told["unseen_fraction"].as_f64());
    let mended = tuned.preview(&told["profile"], 0);
    assert!(
        (fat(&mended) / fat(&base) - 1.0).abs() < 0.1,
        "{} {}",
        fat(&mended),
        fat(&base)
    );
    // Too little paint is said, and in what respect.
    let few = json!({ "profile": spoiled, "runs": &runs[..20] });
    let (status, answer) = tuned.post("fit", &few);
    assert_eq!(status, 422);
    let words = body(&answer)["error"].to_string();
    assert!(
        words.contains("class") && words.contains("painted"),
        "{words}"
    );
}
