//! Checks through the page: the same values as the command's, the same log, and what is refused.

use std::fs;
use std::path::Path;

use serde_json::{Value, json};

use crate::server::{Server, body, program, repository};

fn server() -> Server {
    let folders = [
        repository("calibration/target-checks"),
        repository("sample-scans"),
    ];
    let products = repository("sample-scans/products");
    Server::over(&folders, &["--products", products.to_str().unwrap()])
}

/// The id of the target scan of the 18th, which is out of tolerance, and the key of the only target.
fn chosen(server: &Server) -> (Value, Value) {
    let scans = server.json("/api/scans");
    let scans = scans["scans"].as_array().unwrap();
    let scan = scans.iter().find(|it| it["name"] == "target-22_0000");
    let targets = server.json("/api/check")["targets"].clone();
    assert_eq!(targets.as_array().unwrap().len(), 1);
    (scan.unwrap()["id"].clone(), targets[0]["key"].clone())
}

fn post(server: &Server, target: &str, asked: &Value) -> (u16, Value) {
    let (status, answer) = server.change(
        "POST",
        target,
        "application/json",
        asked.to_string().as_bytes(),
    );
    (status, body(&answer))
}

fn drift(options: &[&str]) -> Vec<u8> {
    let output = program()
        .arg("drift")
        .arg(repository("calibration/target-checks/2026-03-18"))
        .arg("--target")
        .arg(repository("calibration/targets/plate-420x260.toml"))
        .arg("--calibrations")
        .arg(repository("calibration"))
        .args(options)
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(3), "out of tolerance");
    output.stdout
}

/// The files of a scan as the page sends them.
fn delivery(folder: &Path, left_out: &str) -> Vec<u8> {
    let (mut list, mut bytes) = (Vec::new(), Vec::new());
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_str().unwrap();
        if name != left_out {
            let read = fs::read(&path).unwrap();
            list.push(json!({"name": name, "size": read.len()}));
            bytes.extend(read);
        }
    }
    let mut all = format!("{}\n", Value::from(list)).into_bytes();
    all.append(&mut bytes);
    all
}

#[test]
fn a_check_in_the_page_is_the_check_of_the_command() {
    let server = server();
    let (scan, target) = chosen(&server);
    let asked = json!({"scan": scan, "target": target, "product": "belly-strips", "price_per_kg": 4.2, "tonnes_per_day": 12.0});
    let (status, told) = post(&server, "/api/check/run", &asked);
    assert_eq!(status, 200, "{told}");
    let strips = repository("sample-scans/belly-strips");
    let product = repository("sample-scans/products/belly-strips.toml");
    let command = drift(&[
        "--effect-on",
        strips.to_str().unwrap(),
        "--product",
        product.to_str().unwrap(),
        "--price-per-kg",
        "4.20",
        "--tonnes-per-day",
        "12",
        "--format",
        "json",
    ]);
    let command: Value = serde_json::from_slice(&command).unwrap();
    assert_eq!(told["report"], command);
    assert_eq!(told["report"]["verdict"], "out of tolerance");
    // What is shown is the report's values, scales in percent.
    let along = &told["shown"][1];
    let change = command["parameters"][1]["change"].as_f64().unwrap();
    assert_eq!(along["title"], "Scale along");
    assert!((along["change"].as_f64().unwrap() - 100.0 * change).abs() < 1e-12);
    assert_eq!(along["verdict"], "out of tolerance");
}

#[test]
fn the_record_and_the_log_are_those_of_the_command() {
    let server = server();
    let (scan, target) = chosen(&server);
    let asked = json!({"scan": scan, "target": target});
    let (_, told) = post(&server, "/api/check/run", &asked);
    let write = json!({"key": told["key"], "operator": "A. Lund", "note": "roller changed", "seen": told["log"]["seen"]});
    let (status, kept) = post(&server, "/api/check/record", &write);
    assert_eq!(status, 200, "{kept}");
    let saved = server.saved.path().join("saved");
    // The command writes the same entry, but for when.
    let home = tempfile::tempdir().unwrap();
    let log = home.path().join("checks");
    let record = home.path().join("check.html");
    drift(&[
        "--log",
        log.to_str().unwrap(),
        "--operator",
        "A. Lund",
        "--note",
        "roller changed",
        "--record",
        record.to_str().unwrap(),
    ]);
    let entry = |folder: &Path| {
        let text = fs::read_to_string(folder.join("harbour-1.jsonl")).unwrap();
        let mut entry: Value = serde_json::from_str(text.lines().next().unwrap()).unwrap();
        entry["logged"] = Value::Null;
        entry["hash"] = Value::Null;
        entry
    };
    assert_eq!(entry(&saved.join("checks")), entry(&log));
    let name = kept["record"].as_str().unwrap();
    let page = fs::read_to_string(saved.join("records").join(name)).unwrap();
    let command = fs::read_to_string(&record).unwrap();
    let report_hash = told["key"].as_str().unwrap();
    for part in ["A. Lund", "roller changed", "entry 1", report_hash] {
        assert!(page.contains(part) && command.contains(part), "{part}");
    }
    assert!(page.contains(kept["hash"].as_str().unwrap()));
    // Shown by itself it may run its own scripts and reach nothing.
    let target = format!("/api/check/records/{name}");
    let (status, answer) = server.ask("GET", &target, &[server.host(), server.cookie()]);
    let answer = String::from_utf8_lossy(&answer).to_lowercase();
    assert_eq!(status, 200);
    assert!(answer.contains("content-security-policy: sandbox allow-scripts allow-modals;"));
    // The history is the log's, with an event that was noted.
    let event = json!({"scanner": "harbour-1", "note": "belt changed", "operator": null, "at": "2026-03-10T08:00:00Z", "seen": kept["hash"]});
    let (status, noted) = post(&server, "/api/check/events", &event);
    assert_eq!((status, &noted["sequence"]), (200, &json!(2)), "{noted}");
    let history = server.json("/api/check/history/harbour-1");
    assert_eq!(history["checks"], 1);
    assert_eq!(history["standing"], "out of tolerance");
    assert_eq!(history["events"][0]["note"], "belt changed");
    assert_eq!(history["seen"], noted["hash"]);
    assert_eq!(history["damage"], json!([]));
    let value = history["series"][1]["value"][0].as_f64().unwrap();
    let now = told["report"]["parameters"][1]["value"].as_f64().unwrap();
    assert!((value - 100.0 * (now - 1.0)).abs() < 1e-9);
    let bytes = fs::read(saved.join("checks/harbour-1.jsonl")).unwrap();
    let (status, given) = server.change(
        "POST",
        "/api/check/history?name=harbour-1.jsonl",
        "application/octet-stream",
        &bytes,
    );
    let given = body(&given);
    assert_eq!(status, 200, "{given}");
    assert_eq!(given["series"], history["series"]);
    assert_eq!(given["seen"], Value::Null, "a given log is not added to");
}

#[test]
fn two_who_write_at_once_do_not_overwrite_each_other() {
    let server = server();
    let (scan, target) = chosen(&server);
    let asked = json!({"scan": scan, "target": target});
    let (_, told) = post(&server, "/api/check/run", &asked);
    let write =
        json!({"key": told["key"], "operator": "one", "note": null, "seen": told["log"]["seen"]});
    assert_eq!(post(&server, "/api/check/record", &write).0, 200);
    let (status, refused) = post(&server, "/api/check/record", &write);
    assert_eq!(status, 409);
    assert!(refused["error"].as_str().unwrap().contains("entry 1"));
    let log = server.saved.path().join("saved/checks/harbour-1.jsonl");
    assert_eq!(fs::read_to_string(&log).unwrap().lines().count(), 1);
    // Looked at again, it goes behind.
    let (_, again) = post(&server, "/api/check/run", &asked);
    assert_eq!(again["log"]["same_scan"], json!([1]));
    let write =
        json!({"key": again["key"], "operator": "two", "note": null, "seen": again["log"]["seen"]});
    assert_eq!(post(&server, "/api/check/record", &write).0, 200);
    assert_eq!(fs::read_to_string(&log).unwrap().lines().count(), 2);
    // A check that is not held is not written down.
    let unknown = json!({"key": "0".repeat(64), "operator": "x", "note": null, "seen": "x"});
    assert_eq!(post(&server, "/api/check/record", &unknown).0, 409);
}

#[test]
fn a_scan_that_is_given_is_checked_like_one_that_was_opened() {
    let server = server();
    let (scan, target) = chosen(&server);
    let folder = repository("calibration/target-checks/2026-03-18");
    let send = |content: &[u8]| {
        let kind = "application/octet-stream";
        let (status, answer) = server.change("POST", "/api/check/scans", kind, content);
        (status, body(&answer))
    };
    let (status, kept) = send(&delivery(&folder, ""));
    assert_eq!(status, 200, "{kept}");
    let given = json!({"received": kept["received"], "target": target});
    let (status, given) = post(&server, "/api/check/run", &given);
    assert_eq!(status, 200, "{given}");
    let (_, opened) = post(
        &server,
        "/api/check/run",
        &json!({"scan": scan, "target": target}),
    );
    assert_eq!(
        given["report"]["parameters"],
        opened["report"]["parameters"]
    );
    assert_eq!(given["report"]["colour"], opened["report"]["colour"]);
    // Given again it is the same; a part of one is refused and leaves nothing.
    assert_eq!(send(&delivery(&folder, "")).1, kept);
    let (status, refused) = send(&delivery(&folder, "height.png"));
    assert_eq!(status, 422);
    assert!(refused["error"].as_str().unwrap().starts_with("height.png"));
    let received = server.saved.path().join("saved/received");
    assert_eq!(fs::read_dir(received).unwrap().count(), 1);
    // A target's description is given in the same way.
    let plate = fs::read(repository("calibration/targets/plate-420x260.toml")).unwrap();
    let kind = "application/octet-stream";
    let (status, told) = server.change("POST", "/api/check/targets?name=plate.toml", kind, &plate);
    assert_eq!(status, 200);
    let asked = json!({"scan": scan, "target": body(&told)["key"]});
    let (status, same) = post(&server, "/api/check/run", &asked);
    assert_eq!(status, 200, "{same}");
    assert_eq!(same["report"]["parameters"], opened["report"]["parameters"]);
}

#[test]
fn what_makes_no_sense_or_leads_elsewhere_is_refused() {
    let server = server();
    let (scan, target) = chosen(&server);
    for (asked, status) in [
        (json!({"scan": 999, "target": target}), 404),
        (json!({"scan": scan, "target": "0000000000000000"}), 422),
        (json!({"scan": scan, "target": "../../Cargo.toml"}), 422),
        (
            json!({"scan": scan, "received": "scan-0", "target": target}),
            422,
        ),
        (json!({"target": target}), 422),
        (json!({"received": "../..", "target": target}), 422),
        (json!({"received": "scan-0", "target": target}), 422),
        (
            json!({"scan": scan, "target": target, "target_temperature_c": 900.0}),
            422,
        ),
        (
            json!({"scan": scan, "target": target, "product": "../products/rolls"}),
            422,
        ),
        (
            json!({"scan": scan, "target": target, "product": "rolls"}),
            422,
        ),
        (json!({"scan": scan, "target": target, "other": 1}), 422),
    ] {
        let content = asked.to_string();
        let kind = "application/json";
        let found = server.change("POST", "/api/check/run", kind, content.as_bytes());
        assert_eq!(
            found.0,
            status,
            "{asked}: {}",
            String::from_utf8_lossy(&found.1)
        );
    }
    for target in [
        "/api/check/records/..%2f..%2fCargo.toml",
        "/api/check/records/none.html",
        "/api/check/history/..%2fx",
        "/api/check/history/nobody",
    ] {
        let status = server.status("GET", target, &[]);
        assert!(matches!(status, 404 | 422), "{target}: {status}");
    }
    for name in ["..%2fx.toml", "x.txt", ".x.toml"] {
        let target = format!("/api/check/targets?name={name}");
        let found = server.change("POST", &target, "application/octet-stream", b"format = 1");
        assert_eq!(found.0, 422, "{name}");
    }
    let event = json!({"scanner": "../x", "note": "n", "operator": null, "at": null, "seen": "0".repeat(64)});
    assert_eq!(post(&server, "/api/check/events", &event).0, 422);
    let event = json!({"scanner": "harbour-1", "note": " ", "operator": null, "at": null, "seen": "0".repeat(64)});
    assert_eq!(post(&server, "/api/check/events", &event).0, 422);
    let saved = server.saved.path().join("saved");
    let kept = |folder: &str| fs::read_dir(saved.join(folder)).map_or(0, Iterator::count);
    assert_eq!(
        (kept("checks"), kept("records"), kept("received")),
        (0, 0, 0)
    );
    assert_eq!(fs::read_dir(server.saved.path()).unwrap().count(), 1);
}

#[cfg(unix)]
#[test]
fn links_out_of_the_folder_are_not_followed() {
    let server = server();
    let (scan, target) = chosen(&server);
    let saved = server.saved.path().join("saved");
    let outside = server.saved.path().join("outside");
    fs::create_dir_all(&saved).unwrap();
    fs::create_dir_all(&outside).unwrap();
    std::os::unix::fs::symlink(&outside, saved.join("checks")).unwrap();
    let asked = json!({"scan": scan, "target": target});
    let (status, refused) = post(&server, "/api/check/run", &asked);
    assert_eq!(status, 422, "{refused}");
    assert!(refused["error"].as_str().unwrap().contains("link"));
    let event = json!({"scanner": "harbour-1", "note": "n", "operator": null, "at": null, "seen": "0".repeat(64)});
    assert_eq!(post(&server, "/api/check/events", &event).0, 422);
    assert_eq!(fs::read_dir(&outside).unwrap().count(), 0);
}
