//! Runs: from what is open to a run, its summary, its pieces, and what changed against another.

use std::fs;

use serde_json::json;

use super::driver::Browser;
use crate::archive::Archive;
use crate::server::Server;

#[test]
fn from_what_is_open_to_a_run_and_what_changed() {
    let archive = Archive::new(9);
    let profile = archive.path("products/lobes.toml");
    let text = fs::read_to_string(&profile).unwrap();
    fs::write(&profile, format!("{text}\n[spec]\nmass_g = [0.0, 140.0]\n")).unwrap();
    let products = archive.path("products");
    let options = ["--products", products.to_str().unwrap()];
    let server = Server::over(&[archive.path("archive")], &options);
    let Some(browser) = Browser::open(&server, "#/runs") else {
        return;
    };
    // Nothing yet: the page says what a run is, and offers to begin one.
    browser.wait("document.body.dataset.run === 'ready'");
    browser.wait("document.querySelector('.runs-list').textContent.includes('No run yet')");
    assert_eq!(browser.accessibility(), Vec::<String>::new());
    browser.fill("form input[type=text]", "early");
    browser.click("form button[type=submit]");
    browser.wait("document.body.dataset.job === 'done'");
    browser.wait(
        "document.querySelector('.runs-list .line')?.textContent.includes('9 of 9 recordings')",
    );
    assert!(
        server
            .saved
            .path()
            .join("saved/runs/early/run.toml")
            .is_file()
    );
    browser.picture("runs");
    assert_eq!(browser.accessibility(), Vec::<String>::new());
    // Its summary, with the values that the server gives.
    browser.click(".runs-list .name");
    browser.wait("document.body.dataset.summary");
    browser.wait("document.querySelectorAll('.run .chart .main-svg').length > 2");
    let summary = server.json("/api/runs/one/saved-early/summary");
    let total = summary["products"][0]["all"]["pieces"].as_u64().unwrap();
    let shown = browser.run("return document.querySelector('.tiles').textContent");
    assert!(
        shown.as_str().unwrap().contains(&format!("{total} pieces")),
        "{shown}"
    );
    browser.picture("runs-summary");
    assert_eq!(browser.accessibility(), Vec::<String>::new());
    // A limit that is missed, told in words and kept in the address.
    browser.click(".limit-part summary");
    browser.fill(".limits label:nth-child(2) input", "1000000");
    browser.click(".limits button");
    browser.wait("document.querySelector('.verdict.missed') && location.hash.includes('least_per_minute=1000000')");
    // The pieces, heaviest first; the name leads to the piece in its scan.
    browser.click(".parts a:nth-child(2)");
    browser.wait("document.body.dataset.pieces === 'ready'");
    browser.click("thead th:nth-child(3) button");
    browser.wait("document.querySelector('th[aria-sort=descending]') && location.hash.includes('sort=mass_g')");
    let heaviest = server.json("/api/runs/one/saved-early/pieces?sort=mass_g&down=true&count=1");
    let first = &heaviest["rows"][0];
    let name = format!(
        "{}, {}",
        first["recording"].as_str().unwrap(),
        first["piece"]
    );
    assert_eq!(
        browser.run("return document.querySelector('tbody th').textContent"),
        json!(name)
    );
    browser.picture("runs-pieces");
    assert_eq!(browser.accessibility(), Vec::<String>::new());
    browser.click("tbody th a");
    browser.wait("location.hash.startsWith('#/look/') && document.querySelector('tr.on')");
    // Another run with a changed rule, and what changed.
    fs::write(&profile, text.replace("1053.0", "1060.0")).unwrap();
    browser.go("/#/runs");
    browser.wait(
        "document.body.dataset.run === 'ready' && document.querySelector('form input[type=text]')",
    );
    browser.fill("form input[type=text]", "late");
    browser.click("form button[type=submit]");
    browser.wait("document.querySelectorAll('.runs-list .line').length === 2 && document.body.dataset.job === 'done'");
    browser.click(".line:nth-of-type(1) input[type=checkbox]");
    browser.click(".line:nth-of-type(2) input[type=checkbox]");
    browser.click(".runs-list .bar a");
    browser.wait("document.body.dataset.diff === 'ready'");
    assert!(
        browser
            .run("return location.hash")
            .as_str()
            .unwrap()
            .contains("before=saved-early&after=saved-late")
    );
    browser.wait("document.body.dataset.pictures === 'ready'");
    browser.picture("runs-compare");
    assert_eq!(browser.accessibility(), Vec::<String>::new());
    // In the dark and on a phone, from the same addresses.
    browser.dark(true);
    for (place, sign, name) in [
        (
            "/#/runs/saved-early",
            "document.body.dataset.summary",
            "runs-summary-dark",
        ),
        (
            "/#/runs/saved-early/made",
            "document.body.dataset.run === 'ready'",
            "runs-made-dark",
        ),
    ] {
        browser.go(place);
        browser.wait(sign);
        browser.picture(name);
        assert_eq!(browser.accessibility(), Vec::<String>::new());
    }
    browser.size(390, 844);
    for (place, name) in [
        ("/#/runs", "runs-phone"),
        ("/#/runs/saved-early", "runs-summary-phone"),
    ] {
        browser.go(place);
        browser.run("location.reload()");
        browser.wait("document.body.dataset.run === 'ready'");
        browser.picture(name);
        let fits = browser.run("return document.documentElement.scrollWidth <= innerWidth");
        assert_eq!(
            fits,
            json!(true),
            "{place}: the page is wider than the phone"
        );
        assert_eq!(browser.accessibility(), Vec::<String>::new());
    }
}
