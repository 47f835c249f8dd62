//! Runs through the page's server: made, stopped, killed, gone on with, read and compared, with the values that the commands give.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::thread::sleep;
use std::time::{Duration, Instant};

use serde_json::{Value, json};

use crate::archive::{Archive, assert_same, ended, program, result_of};
use crate::server::{Server, body};

/// Longest wait for a run: what a busy machine may need, not a target.
const PATIENCE: Duration = Duration::from_secs(300);

/// A server over an archive, with its profiles and calibrations.
fn serve(archive: &Archive, more: &[PathBuf]) -> Server {
    let mut folders = vec![archive.path("archive")];
    folders.extend(more.iter().cloned());
    let [products, calibrations] = ["products", "calibration"].map(|name| archive.path(name));
    let options = [
        "--products",
        products.to_str().unwrap(),
        "--calibrations",
        calibrations.to_str().unwrap(),
    ];
    Server::over(&folders, &options)
}

/// The same run by the command, in a folder of that name.
#[track_caller]
fn by_command(archive: &Archive, out: &Path, options: &[&str], code: i32) {
    let output = program()
        .arg("reprocess")
        .arg(archive.path("archive"))
        .arg("--products")
        .arg(archive.path("products"))
        .arg("--calibrations")
        .arg(archive.path("calibration"))
        .arg("--out")
        .arg(out)
        .args(options)
        .output()
        .unwrap();
    ended(&output, code);
}

fn saved(server: &Server, name: &str) -> PathBuf {
    server.saved.path().join("saved/runs").join(name)
}

fn post(server: &Server, target: &str, content: &Value) -> (u16, Value) {
    let text = content.to_string();
    let (status, answer) = server.change("POST", target, "application/json", text.as_bytes());
    let at = answer
        .windows(4)
        .position(|four| four == b"\r\n\r\n")
        .unwrap()
        + 4;
    let told = serde_json::from_slice(&answer[at..]);
    (
        status,
        told.unwrap_or_else(|_| Value::from(String::from_utf8_lossy(&answer[at..]))),
    )
}

#[track_caller]
fn start(server: &Server, name: &str, threads: usize) -> u64 {
    let (status, told) = post(
        server,
        "/api/runs/start",
        &json!({"name": name, "threads": threads}),
    );
    assert_eq!(status, 200, "{told}");
    told["number"].as_u64().unwrap()
}

/// Waits until the run under way is as wanted.
#[track_caller]
fn wait(server: &Server, wanted: impl Fn(&Value) -> bool) -> Value {
    let since = Instant::now();
    loop {
        let job = server.json("/api/runs/job");
        if wanted(&job) {
            return job;
        }
        assert!(since.elapsed() < PATIENCE, "{job}");
        sleep(Duration::from_millis(10));
    }
}

fn run_of(server: &Server, id: &str) -> Value {
    let told = server.json("/api/runs");
    let runs = told["runs"].as_array().unwrap();
    runs.iter().find(|run| run["id"] == id).unwrap().clone()
}

fn command_json(arguments: &[&str]) -> Value {
    let output = program().args(arguments).output().unwrap();
    serde_json::from_slice(&output.stdout).unwrap()
}

#[test]
fn a_run_of_the_page_is_the_one_that_the_command_makes_and_reads_like_it() {
    let archive = Archive::new(7);
    // A scan that cannot be used.
    let broken = archive.scan(2, 0).join("height.png");
    archive.replace(&broken, b"no picture");
    let server = serve(&archive, &[]);
    start(&server, "night", 2);
    let job = wait(&server, |job| job["over"] == true);
    assert_eq!(job["phase"], "done", "{job}");
    let run = saved(&server, "night");
    let whole = archive.path("whole");
    by_command(&archive, &whole, &[], 4);
    assert_same(&result_of(&whole), &result_of(&run));

    let listed = run_of(&server, "saved-night");
    assert_eq!(listed["state"], "finished");
    assert_eq!(listed["rejected"], job["rejected"]);
    let rejected = server.json("/api/runs/one/saved-night/rejected");
    let table = fs::read_to_string(run.join("rejected.csv")).unwrap();
    let rows = rejected["rejected"].as_array().unwrap();
    assert_eq!(rows.len(), table.lines().count() - 1);
    assert!(
        rows.iter()
            .all(|row| table.contains(row["input"].as_str().unwrap()))
    );

    // The summary is the command's, limits and verdicts included.
    let told = server
        .json("/api/runs/one/saved-night/summary?most_out_of_spec_percent=2&least_per_minute=1e6");
    let path = run.to_str().unwrap();
    let by_command = command_json(&[
        "summary",
        path,
        "--format",
        "json",
        "--most-out-of-spec",
        "2",
        "--least-per-minute",
        "1000000",
    ]);
    assert_eq!(told["products"], by_command["products"]);
    assert_eq!(told["limits"], by_command["limits"]);
    assert!(
        told["limits"]
            .as_array()
            .unwrap()
            .iter()
            .any(|it| it["verdict"] == "missed")
    );

    // As a page of its own, for the browser to save.
    let (status, answer) = server.ask(
        "GET",
        "/api/runs/one/saved-night/page",
        &[server.host(), server.cookie()],
    );
    let text = String::from_utf8_lossy(&answer);
    assert_eq!(status, 200);
    assert!(
        text.contains("content-disposition: attachment") && text.contains("What ran over the belt")
    );

    // The pieces are the table's, and the heaviest comes first when they are sorted so.
    let all = server.json("/api/runs/one/saved-night/pieces?count=500");
    assert_eq!(all["all"], listed["pieces"]);
    let rows = all["rows"].as_array().unwrap();
    let pieces: Vec<_> = result_of(&run)
        .keys()
        .filter(|name| name.starts_with("pieces/"))
        .flat_map(|name| weighlight::tables::read_pieces(&run.join(name)).unwrap())
        .collect();
    assert_eq!(rows.len(), pieces.len());
    for (row, piece) in rows.iter().zip(&pieces) {
        assert_eq!(row["recording"], piece.recording);
        assert_eq!(row["piece"], piece.piece);
        assert_eq!(row["mass_g"], piece.mass_g);
        assert_eq!(row["fat_fraction"], json!(piece.fat_fraction));
    }
    let heaviest = server.json("/api/runs/one/saved-night/pieces?sort=mass_g&down=true&count=1");
    let most = pieces.iter().map(|piece| piece.mass_g).fold(0.0, f64::max);
    assert_eq!(heaviest["rows"][0]["mass_g"], most);
    let one = server.json("/api/runs/one/saved-night/pieces?q=R0001&count=500");
    let of_one = pieces
        .iter()
        .filter(|piece| piece.recording == "r0001")
        .count();
    assert_eq!(one["found"], of_one);
    assert!(of_one > 0 && of_one < pieces.len());
}

#[test]
fn two_runs_are_compared_as_the_command_does_with_pictures_of_what_moved() {
    let archive = Archive::new(4);
    by_command(&archive, &archive.path("before"), &[], 0);
    let server = serve(&archive, &[archive.path("before")]);
    let profile = archive.path("products/lobes.toml");
    let text = fs::read_to_string(&profile).unwrap();
    let changed = text.replace("1053.0", "1060.0");
    assert_ne!(text, changed, "{text}");
    fs::write(&profile, changed).unwrap();
    start(&server, "after", 2);
    wait(&server, |job| job["phase"] == "done");
    let told = server.json("/api/runs/compare?before=opened-0&after=saved-after");
    let (before, after) = (archive.path("before"), saved(&server, "after"));
    let by_command = command_json(&[
        "diff",
        before.to_str().unwrap(),
        after.to_str().unwrap(),
        "--format",
        "json",
    ]);
    assert_eq!(told["diff"], by_command);
    assert_eq!(told["diff"]["same"], false);
    assert_eq!(told["diff"]["settings"].as_array().unwrap().len(), 1);
    let counts = told["bars"]["mass_relative"]["counts"].as_array().unwrap();
    let counted: u64 = counts.iter().map(|count| count.as_u64().unwrap()).sum();
    assert_eq!(told["diff"]["all"]["pairs"], counted);
    // The profile of the run before is not what it was any more: no picture of it, and the reason.
    let picture = |side: &str| {
        let target =
            format!("/api/runs/compare/picture?before=opened-0&after=saved-after&at=0&side={side}");
        server.ask("GET", &target, &[server.host(), server.cookie()])
    };
    let (status, answer) = picture("after");
    assert_eq!(status, 200);
    assert!(answer.windows(8).any(|eight| eight == b"\x89PNG\r\n\x1a\n"));
    let (status, answer) = picture("before");
    assert_eq!(status, 422);
    assert!(
        body(&answer)["error"]
            .as_str()
            .unwrap()
            .contains("not the one that was used")
    );
}

#[test]
fn stopped_and_gone_on_with_a_run_gives_the_same_bytes() {
    let archive = Archive::new(14);
    by_command(&archive, &archive.path("whole"), &[], 0);
    let server = serve(&archive, &[]);
    let number = start(&server, "cut", 1);
    wait(&server, |job| job["recordings_done"].as_u64() >= Some(2));
    // Meanwhile no other can be begun, nor this one again.
    for name in ["other", "cut"] {
        let (status, told) = post(
            &server,
            "/api/runs/start",
            &json!({"name": name, "threads": 1}),
        );
        assert_eq!(status, 409, "{told}");
    }
    assert_eq!(run_of(&server, "saved-cut")["state"], "writing");
    let (status, _) = post(&server, "/api/runs/stop", &json!({"number": number}));
    assert_eq!(status, 200);
    let job = wait(&server, |job| job["over"] == true);
    assert_eq!(job["phase"], "stopped", "{job}");
    assert!(job["recordings_done"].as_u64() < Some(14), "{job}");
    let stopped = run_of(&server, "saved-cut");
    assert_eq!(stopped["state"], "stopped");
    assert_eq!(stopped["measured"], job["recordings_done"]);
    assert_eq!(stopped["resume"], true);
    let (status, _) = post(&server, "/api/runs/stop", &json!({"number": number}));
    assert_eq!(status, 409);
    // A page that saw an older state, or takes it for a new run, is told so.
    for resume in [json!("0000"), Value::Null] {
        let (status, told) = post(
            &server,
            "/api/runs/start",
            &json!({"name": "cut", "threads": 2, "resume": resume}),
        );
        assert_eq!(status, 409, "{told}");
    }
    let again = json!({"name": "cut", "threads": 2, "resume": stopped["version"]});
    assert_eq!(post(&server, "/api/runs/start", &again).0, 200);
    let job = wait(&server, |job| job["over"] == true);
    assert_eq!(job["phase"], "done", "{job}");
    assert!(job["recordings_before"].as_u64() >= Some(2));
    assert_same(
        &result_of(&archive.path("whole")),
        &result_of(&saved(&server, "cut")),
    );
}

#[test]
fn a_program_that_ends_in_the_middle_leaves_a_run_that_can_be_resumed() {
    let archive = Archive::new(14);
    by_command(&archive, &archive.path("whole"), &[], 0);
    for signal in ["-INT", "-KILL"] {
        let mut server = serve(&archive, &[]);
        start(&server, "cut", 2);
        wait(&server, |job| job["recordings_done"].as_u64() >= Some(2));
        let killed = Command::new("kill")
            .args([signal, &server.process.id().to_string()])
            .status();
        assert!(killed.unwrap().success());
        let status = server.process.wait().unwrap();
        assert_eq!(status.success(), signal == "-INT", "{status}");
        let run = saved(&server, "cut");
        assert!(
            !run.join("run.toml").exists(),
            "it had ended before it was cut"
        );
        by_command(&archive, &run, &["--resume"], 0);
        assert_same(&result_of(&archive.path("whole")), &result_of(&run));
    }
}

#[test]
fn nothing_is_written_outside_the_folder_to_save_into() {
    let archive = Archive::new(2);
    let server = serve(&archive, &[]);
    let elsewhere = archive.path("elsewhere");
    fs::create_dir_all(&elsewhere).unwrap();
    for name in [
        "",
        " ",
        "..",
        "../out",
        "a/b",
        "a\\b",
        ".hidden",
        "x\u{0}y",
        "con:",
        &"x".repeat(61),
    ] {
        let (status, told) = post(
            &server,
            "/api/runs/start",
            &json!({"name": name, "threads": 1}),
        );
        assert_eq!(status, 422, "{name:?}: {told}");
    }
    for (content, expected) in [
        (json!({"name": "a", "threads": 0}), 422),
        (json!({"name": "a", "threads": 100_000}), 422),
        (json!({"name": "a", "threads": -1}), 422),
        (json!({"name": "a"}), 422),
        (json!({"name": "a", "threads": 1, "out": "/tmp"}), 422),
        (json!({"name": "a", "threads": 1, "resume": "00"}), 404),
        (json!([]), 422),
    ] {
        let (status, told) = post(&server, "/api/runs/start", &content);
        assert_eq!(status, expected, "{content}: {told}");
    }
    assert!(!server.saved.path().join("saved").exists());
    // A link in the folder leads nowhere for the page.
    #[cfg(unix)]
    {
        let runs = server.saved.path().join("saved/runs");
        fs::create_dir_all(&runs).unwrap();
        std::os::unix::fs::symlink(&elsewhere, runs.join("linked")).unwrap();
        std::os::unix::fs::symlink(elsewhere.join("none"), runs.join("dangling")).unwrap();
        for name in ["linked", "dangling"] {
            let (status, told) = post(
                &server,
                "/api/runs/start",
                &json!({"name": name, "threads": 1}),
            );
            assert!(matches!(status, 409 | 422), "{name}: {status} {told}");
        }
        assert_eq!(fs::read_dir(&elsewhere).unwrap().count(), 0);
    }
    for target in [
        "/api/runs/one/saved-..%2f..%2farchive/summary",
        "/api/runs/one/saved-linked/summary",
        "/api/runs/one/opened-0/summary",
        "/api/runs/one/opened--1/rejected",
        "/api/runs/one/%2fetc/pieces",
        "/api/runs/compare?before=opened-0&after=saved-x",
    ] {
        let status = server.status("GET", target, &[]);
        assert_eq!(status, 404, "{target}");
    }
    // A change without the page's own header is refused before it is looked at.
    assert_eq!(server.status("POST", "/api/runs/start", &[]), 403);
    assert_eq!(server.status("POST", "/api/runs/stop", &[]), 403);
}

#[test]
fn runs_alone_can_be_opened_and_are_not_written_to() {
    let archive = Archive::new(3);
    let run = archive.path("run");
    by_command(&archive, &run, &[], 0);
    let before = result_of(&run);
    let server = Server::over(std::slice::from_ref(&run), &[]);
    assert_eq!(server.json("/api/scans")["scans"], json!([]));
    let told = server.json("/api/runs");
    assert_eq!(told["start"]["can"], false);
    assert_eq!(told["runs"].as_array().unwrap().len(), 1);
    // Where its scans are, so that they can be opened with it.
    let open_with = told["runs"][0]["open_with"].as_str().unwrap();
    for part in ["archive", "run", "--products", "--calibrations"] {
        assert!(open_with.contains(part), "{open_with}");
    }
    assert_eq!(
        server.json("/api/runs/one/opened-0/pieces")["all"],
        told["runs"][0]["pieces"]
    );
    for target in [
        "summary?least_per_minute=-1",
        "summary?most_out_of_spec_percent=NaN",
        "pieces?sort=colour",
        "pieces?flag=none",
    ] {
        let target = format!("/api/runs/one/opened-0/{target}");
        assert_eq!(server.status("GET", &target, &[]), 422, "{target}");
    }
    let resume = json!({"name": "run", "threads": 1, "resume": told["runs"][0]["version"]});
    assert_eq!(post(&server, "/api/runs/start", &resume).0, 422);
    assert_same(&before, &result_of(&run));
    // Damaged since it was opened: told, not shown.
    fs::write(run.join("manifest.b3"), b"").unwrap();
    let told = server.json("/api/runs");
    assert_eq!(told["runs"][0]["state"], "damaged");
    assert_eq!(
        server.status("GET", "/api/runs/one/opened-0/summary", &[]),
        422
    );
}

#[test]
fn a_run_is_gone_on_with_only_over_what_it_was_begun_with() {
    let archive = Archive::new(3);
    let server = serve(&archive, &[]);
    // Begun over another archive by the command, into the folder that the page saves into.
    let output = program()
        .arg("reprocess")
        .arg(archive.path("archive/00"))
        .arg("--products")
        .arg(archive.path("products"))
        .arg("--out")
        .arg(saved(&server, "part"))
        .output()
        .unwrap();
    ended(&output, 0);
    let part = run_of(&server, "saved-part");
    assert_eq!(part["state"], "finished");
    assert!(part["resume"].as_str().unwrap().contains("other folders"));
    let before = result_of(&saved(&server, "part"));
    let resume = json!({"name": "part", "threads": 1, "resume": part["version"]});
    assert_eq!(post(&server, "/api/runs/start", &resume).0, 409);
    assert_same(&before, &result_of(&saved(&server, "part")));
}
