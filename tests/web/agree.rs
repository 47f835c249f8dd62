//! Comparisons with a checkweigher through the page: the command's values, and pairs set aside.

use std::fs;
use std::path::Path;

use serde_json::{Value, json};

use crate::server::{Server, body, make_day, program, repository};

const BINARY: &str = "application/octet-stream";

/// An invented day whose densities are 1.2 % too high.
fn day() -> tempfile::TempDir {
    let home = tempfile::tempdir().unwrap();
    make_day(home.path());
    home
}

fn server() -> Server {
    Server::over(&[repository("sample-scans")], &[])
}

fn give(server: &Server, target: &str, file: &Path) -> Value {
    let (status, answer) = server.change("POST", target, BINARY, &fs::read(file).unwrap());
    let answer = body(&answer);
    assert_eq!(status, 200, "{answer}");
    answer["key"].clone()
}

fn post(server: &Server, target: &str, asked: &Value) -> (u16, Value) {
    let content = asked.to_string();
    let (status, answer) = server.change("POST", target, "application/json", content.as_bytes());
    (status, body(&answer))
}

fn command(day: &Path, options: &[&str]) -> Value {
    let output = program()
        .arg("compare")
        .arg(day.join("pieces.csv"))
        .arg(day.join("weighings.csv"))
        .args(["--time", "time", "--mass", "mass_g", "--format", "json"])
        .args(options)
        .output()
        .unwrap();
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    serde_json::from_slice(&output.stdout).unwrap()
}

#[test]
fn a_comparison_in_the_page_is_that_of_the_command_and_pairs_are_set_aside() {
    let home = day();
    let day = home.path().join("day");
    let server = server();
    let pieces = give(
        &server,
        "/api/agree/pieces?name=pieces.csv",
        &day.join("pieces.csv"),
    );
    let log = give(
        &server,
        "/api/agree/logs?name=weighings.csv",
        &day.join("weighings.csv"),
    );
    let asked = json!({"pieces": pieces, "log": log, "time": "time", "mass": "mass_g", "scale_sd_g": 0.3, "within_g": [2.0, 5.0], "nominal_g": 150.0});
    let (status, told) = post(&server, "/api/agree/compare", &asked);
    assert_eq!(status, 200, "{told}");
    let options = [
        "--scale-sd-g",
        "0.3",
        "--within-g",
        "2",
        "--within-g",
        "5",
        "--nominal-g",
        "150",
    ];
    let same = command(&day, &options);
    for part in [
        "matching",
        "agreement",
        "groups",
        "causes",
        "in_words",
        "set_aside",
    ] {
        assert_eq!(told[part], same[part], "{part}");
    }
    let pairs = told["pairs"]["piece_row"].as_array().unwrap().len();
    assert_eq!(told["agreement"]["pairs"], pairs);
    // The row behind a point is the table's.
    let row = told["pairs"]["piece_row"][0].as_u64().unwrap();
    let key = pieces.as_str().unwrap();
    let piece = server.json(&format!("/api/agree/pieces/{key}/{row}"));
    assert_eq!(piece["piece"]["mass_g"], told["pairs"]["mass_g"][0]);
    // Set aside with a reason, it is in no figure, and the command agrees.
    let log_row = told["pairs"]["log_row"][0].as_u64().unwrap();
    let aside = json!({"pieces": pieces, "log": log, "piece_row": row, "log_row": log_row, "reason": "fell off", "by": "A. Lund", "seen": told["seen"]});
    let (status, changed) = post(&server, "/api/agree/aside", &aside);
    assert_eq!(status, 200, "{changed}");
    let (_, without) = post(&server, "/api/agree/compare", &asked);
    assert_eq!(without["agreement"]["pairs"], pairs - 1);
    assert_eq!(without["set_aside"][0]["reason"], "fell off");
    assert_ne!(
        without["agreement"]["limits_g"]["bias"],
        told["agreement"]["limits_g"]["bias"]
    );
    let words = without["in_words"]["set_aside"][0].as_str().unwrap();
    assert_eq!(
        words,
        format!("1 of {pairs} pairs were set aside by hand and are in no figure: fell off (1)")
    );
    let file = changed["file"].as_str().unwrap();
    let mut options = options.to_vec();
    options.extend(["--exclude", file]);
    let same = command(&day, &options);
    assert_eq!(without["agreement"], same["agreement"]);
    assert_eq!(without["set_aside"], same["set_aside"]);
    // Who has not seen that may not change it.
    let (status, refused) = post(&server, "/api/agree/aside", &aside);
    assert_eq!(status, 409, "{refused}");
    // Taken back, it counts again, and the document still says that it once did not.
    let back = json!({"pieces": pieces, "log": log, "piece_row": row, "log_row": log_row, "reason": null, "by": null, "seen": without["seen"]});
    assert_eq!(post(&server, "/api/agree/aside", &back).0, 200);
    let (_, again) = post(&server, "/api/agree/compare", &asked);
    assert_eq!(again["agreement"], told["agreement"]);
    assert_eq!(again["set_aside_all"].as_array().unwrap().len(), 1);
    assert!(again["set_aside_all"][0]["taken_back"].is_string());
    // Another table's rows mean nothing here.
    let other = home.path().join("other.csv");
    let text = fs::read_to_string(day.join("pieces.csv")).unwrap();
    fs::write(&other, text.trim_end().rsplit_once('\n').unwrap().0).unwrap();
    let output = program()
        .arg("compare")
        .arg(&other)
        .arg(day.join("weighings.csv"))
        .args(["--time", "time", "--mass", "mass_g", "--exclude", file])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&output.stderr).contains("another piece table"));
    // Saved: the page and the pairs, without those set aside.
    let aside = json!({"pieces": pieces, "log": log, "piece_row": row, "log_row": log_row, "reason": "again", "by": null, "seen": again["seen"]});
    assert_eq!(post(&server, "/api/agree/aside", &aside).0, 200);
    let (status, saved) = post(&server, "/api/agree/save", &asked);
    assert_eq!(status, 200, "{saved}");
    let csv = fs::read_to_string(saved["pairs"].as_str().unwrap()).unwrap();
    assert!(csv.lines().count() > pairs && !csv.contains(&format!("\n{row},{log_row},")));
    let page = fs::read_to_string(saved["page"].as_str().unwrap()).unwrap();
    assert!(page.contains("set aside by hand"));
    let shown = format!("/api/agree/saved/{}", saved["name"].as_str().unwrap());
    assert_eq!(server.status("GET", &shown, &[]), 200);
}

#[test]
fn runs_and_all_kinds_of_tables_are_taken() {
    let server = server();
    let home = tempfile::tempdir().unwrap();
    let mut counts = Vec::new();
    for ending in ["csv", "parquet", "json"] {
        let file = home.path().join(format!("pieces.{ending}"));
        let made = program()
            .arg("measure")
            .arg(repository("sample-scans/rolls"))
            .arg("--products")
            .arg(repository("sample-scans/products"))
            .arg("--out")
            .arg(&file)
            .output()
            .unwrap();
        assert!(
            made.status
                .code()
                .is_some_and(|code| code == 0 || code == 3)
        );
        let target = format!("/api/agree/pieces?name=pieces.{ending}");
        let key = give(&server, &target, &file);
        let first = server.json(&format!("/api/agree/pieces/{}/1", key.as_str().unwrap()));
        counts.push(first["piece"].clone());
    }
    // JSON alone carries what uncertainties are made of; all else is equal.
    assert_eq!(counts[0], counts[1]);
    for (name, value) in counts[0].as_object().unwrap() {
        assert_eq!(counts[2][name], *value, "{name}");
    }
    // A run among those saved is in the list, and its pieces are read.
    let run = server.saved.path().join("saved/runs/first");
    fs::create_dir_all(run.parent().unwrap()).unwrap();
    let made = program()
        .arg("reprocess")
        .arg(repository("sample-scans/rolls"))
        .arg("--products")
        .arg(repository("sample-scans/products"))
        .arg("--out")
        .arg(&run)
        .output()
        .unwrap();
    assert!(
        made.status.success(),
        "{}",
        String::from_utf8_lossy(&made.stderr)
    );
    let runs = server.json("/api/agree")["runs"].clone();
    assert_eq!(runs[0]["pieces"], 4);
    let key = runs[0]["key"].as_str().unwrap();
    let first = server.json(&format!("/api/agree/pieces/{key}/1"));
    assert_eq!(first["piece"]["mass_g"], counts[0]["mass_g"]);
}

#[test]
fn files_that_cannot_be_compared_are_refused_with_words() {
    let home = day();
    let day = home.path().join("day");
    let server = server();
    for (name, content) in [
        ("pieces.csv", "a,b\n1,2\n"),
        ("pieces.json", "{}"),
        ("pieces.xls", "x"),
        ("..%2fpieces.csv", "x"),
    ] {
        let target = format!("/api/agree/pieces?name={name}");
        let found = server.change("POST", &target, BINARY, content.as_bytes());
        assert_eq!(found.0, 422, "{name}");
    }
    assert_eq!(
        server
            .change("POST", "/api/agree/logs?name=a.csv", BINARY, b"")
            .0,
        422
    );
    let received = server.saved.path().join("saved/received");
    assert_eq!(fs::read_dir(received).map_or(0, Iterator::count), 0);
    let pieces = give(
        &server,
        "/api/agree/pieces?name=pieces.csv",
        &day.join("pieces.csv"),
    );
    let log = give(
        &server,
        "/api/agree/logs?name=weighings.csv",
        &day.join("weighings.csv"),
    );
    for (more, found) in [
        (json!({"time": "clock", "mass": "mass_g"}), "clock"),
        (
            json!({"time": "time", "mass": "mass_g", "unit": "stone"}),
            "stone",
        ),
        (
            json!({"time": "time", "mass": "mass_g", "lag_within_s": 0.0}),
            "lag-within",
        ),
        (
            json!({"time": "time", "mass": "mass_g", "nominal_g": 1.0}),
            "nominal",
        ),
        (
            json!({"time": "time", "mass": "mass_g", "checked": "nobody"}),
            "nobody",
        ),
        (
            json!({"time": "time", "mass": "mass_g", "checked": "../x"}),
            "name",
        ),
    ] {
        let mut asked = json!({"pieces": pieces, "log": log});
        asked
            .as_object_mut()
            .unwrap()
            .extend(more.as_object().unwrap().clone());
        let (status, refused) = post(&server, "/api/agree/compare", &asked);
        assert_eq!(status, 422, "{more}");
        assert!(
            refused["error"].as_str().unwrap().contains(found),
            "{more}: {refused}"
        );
    }
    let elsewhere = json!({"pieces": "../../x", "log": log, "time": "time", "mass": "mass_g"});
    assert_eq!(post(&server, "/api/agree/compare", &elsewhere).0, 422);
    let reason = json!({"pieces": pieces, "log": log, "piece_row": 1, "log_row": 1, "reason": " ", "by": null, "seen": "none"});
    assert_eq!(post(&server, "/api/agree/aside", &reason).0, 422);
    let row = json!({"pieces": pieces, "log": log, "piece_row": 999_999, "log_row": 1, "reason": "x", "by": null, "seen": "none"});
    assert_eq!(post(&server, "/api/agree/aside", &row).0, 404);
    for target in [
        "/api/agree/saved/..%2fx.html",
        "/api/agree/saved/none.html",
        "/api/agree/logs/..",
        "/api/agree/logs/..%2f..",
    ] {
        let status = server.status("GET", target, &[]);
        assert!(matches!(status, 404 | 422), "{target}: {status}");
    }
}
