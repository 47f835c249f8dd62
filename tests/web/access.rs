//! Who is answered, and that values are those of `measure`.

use crate::server::{Server, body, program, repository};

#[test]
fn only_the_page_itself_is_answered() {
    let server = Server::start();
    assert_eq!(server.status("GET", "/api/scans", &[]), 200);
    // Without the session, or with a wrong one.
    let (status, answer) = server.ask("GET", "/api/scans", &[server.host()]);
    assert_eq!(status, 403);
    assert!(!String::from_utf8_lossy(&answer).contains("belly"));
    let wrong = format!("Cookie: weighlight_{}={}", server.port, "0".repeat(64));
    assert_eq!(server.ask("GET", "/", &[server.host(), wrong]).0, 403);
    assert_eq!(server.ask("GET", "/open/guess", &[server.host()]).0, 403);
    // Under a foreign name (rebinding), or none, or two.
    for hosts in [
        vec!["Host: evil.example".to_owned()],
        vec![format!("Host: evil.example:{}", server.port)],
        vec![server.host(), "Host: evil.example".to_owned()],
    ] {
        let mut headers = hosts.clone();
        headers.push(server.cookie());
        let status = server.ask("GET", "/api/scans", &headers).0;
        assert!(matches!(status, 400 | 421), "{hosts:?}: {status}");
    }
    // From another page.
    for line in [
        "Origin: http://evil.example",
        "Origin: null",
        "Origin: http://127.0.0.1:1",
        "Sec-Fetch-Site: cross-site",
        "Sec-Fetch-Site: same-site",
    ] {
        assert_eq!(server.status("GET", "/api/scans", &[line]), 403, "{line}");
    }
    // Changes need the page's own header, and there are none to make.
    assert_eq!(server.status("POST", "/api/scans", &[]), 403);
    assert_eq!(
        server.status("POST", "/api/scans", &["X-Weighlight: 1"]),
        405
    );
    let long = format!("/?{}", "x".repeat(5000));
    assert_eq!(server.status("GET", &long, &[]), 414);
}

#[test]
fn the_secret_becomes_a_cookie_that_scripts_cannot_read() {
    let server = Server::start();
    let target = format!("/open/{}", server.token);
    let (status, answer) = server.ask("GET", &target, &[server.host()]);
    let text = String::from_utf8_lossy(&answer).to_lowercase();
    assert_eq!(status, 303);
    for part in ["httponly", "samesite=strict", "location: /\r\n"] {
        assert!(text.contains(part), "{part}: {text}");
    }
    let (_, page) = server.ask("GET", "/", &[server.host(), server.cookie()]);
    let page = String::from_utf8_lossy(&page);
    for part in [
        "default-src 'none'; script-src 'self'; style-src 'self'",
        "x-content-type-options: nosniff",
        "referrer-policy: no-referrer",
    ] {
        assert!(page.contains(part), "{part}");
    }
    assert!(!page.contains("unsafe"));
}

#[test]
fn scans_are_reached_by_their_place_only() {
    let server = Server::start();
    for target in [
        "/api/scans/99999/heights",
        "/api/scans/-1/heights",
        "/api/scans/../../Cargo.toml/picture",
        "/api/scans/..%2f..%2fCargo.toml/picture",
        "/api/scans/%2fetc%2fpasswd/picture",
        "/../Cargo.toml",
        "/%2e%2e/Cargo.toml",
        "/sample-scans/rolls/truth.csv",
        "/api/scans/0/point?row=99999999&column=0",
    ] {
        let status = server.status("GET", target, &[]);
        assert!(matches!(status, 400 | 404), "{target}: {status}");
    }
}

#[test]
fn the_page_shows_the_values_that_measure_writes() {
    let server = Server::start();
    let (status, answer) = server.ask("GET", "/api/scans", &[server.host(), server.cookie()]);
    assert_eq!(status, 200);
    let list = body(&answer);
    let scans = list["scans"].as_array().unwrap();
    let rolls = scans
        .iter()
        .find(|scan| scan["name"].as_str().unwrap().starts_with("rolls"))
        .unwrap();
    let target = format!("/api/scans/{}/pieces", rolls["id"]);
    let (status, answer) = server.ask("GET", &target, &[server.host(), server.cookie()]);
    assert_eq!(status, 200);
    let samples = repository("sample-scans");
    let measured = program()
        .arg("measure")
        .arg(samples.join("rolls"))
        .arg("--products")
        .arg(samples.join("products"))
        .arg("--calibrations")
        .arg(repository("calibration"))
        .args(["--format", "json"])
        .output()
        .unwrap();
    let measured: serde_json::Value = serde_json::from_slice(&measured.stdout).unwrap();
    let shown = body(&answer);
    assert!(!measured["pieces"].as_array().unwrap().is_empty());
    assert_eq!(shown["table"]["pieces"], measured["pieces"]);
}
