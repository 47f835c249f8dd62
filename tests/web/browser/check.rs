//! Checking: from a choice of scan and target to the record that is saved.

use std::fs;

use serde_json::json;

use super::driver::Browser;
use crate::server::{Server, repository};

#[test]
fn from_a_target_scan_to_the_record_and_the_history() {
    let folders = [
        repository("calibration/target-checks"),
        repository("sample-scans"),
    ];
    let server = Server::over(&folders, &[]);
    let Some(browser) = Browser::open(&server, "#/check") else {
        return;
    };
    browser.wait("document.querySelector('form.desk select')?.options.length > 2");
    browser.picture("check-start");
    assert_eq!(browser.accessibility(), Vec::<String>::new());
    // The newest scan without a product is the first in the list.
    browser.run("const it = document.querySelector('form.desk select'); it.selectedIndex = 1; return it.value");
    browser.click("form.desk button.main");
    browser.wait("document.querySelector('.verdict.bad') && document.querySelectorAll('.js-plotly-plot').length === 3");
    browser.wait("/scan=\\d+/.test(location.hash)");
    browser.picture("check");
    assert_eq!(browser.accessibility(), Vec::<String>::new());
    let rows = browser.run("return document.querySelectorAll('table.errors tbody tr').length");
    assert_eq!(rows, json!(9));
    // Given files instead: the same scan by its files is the same check.
    let files = ["scan.toml", "height.png", "colour.png"]
        .map(|name| repository("calibration/target-checks/2026-03-18").join(name));
    browser.choose("form.desk input[type=file][multiple]", &files);
    browser.wait("document.querySelector('form.desk select').value.startsWith('received=')");
    browser.click("form.desk button.main");
    browser.wait("location.hash.includes('received=') && document.querySelector('.verdict.bad')");
    browser.fill("form.record input", "A. Lund");
    browser.fill("form.record textarea", "rows too wide");
    browser.click("form.record button.main");
    browser.wait("document.querySelector('form.record a.button[href^=\"api/check/records/\"]')");
    let saved = server.saved.path().join("saved");
    let records: Vec<_> = fs::read_dir(saved.join("records")).unwrap().collect();
    assert_eq!(records.len(), 1);
    let page = fs::read_to_string(records[0].as_ref().unwrap().path()).unwrap();
    assert!(page.contains("A. Lund") && page.contains("rows too wide"));
    assert!(saved.join("checks/harbour-1.jsonl").is_file());
    let (_, foreign) = browser.traffic();
    assert_eq!(foreign, Vec::<String>::new());
    // The history of the scanner, with an event.
    browser.click("form.record a.button[href^=\"#/check/history\"]");
    browser.wait(
        "document.querySelector('.verdict.bad') && document.querySelector('.js-plotly-plot')",
    );
    browser.fill(".outcome form input[required]", "drive roller changed");
    browser.click(".outcome form button");
    browser.wait("document.body.innerText.includes('drive roller changed')");
    browser.picture("check-history");
    assert_eq!(browser.accessibility(), Vec::<String>::new());
    browser.dark(true);
    browser.run("location.hash = '#/check/history'");
    browser.run("history.back()");
    browser.wait(
        "document.querySelector('.verdict.bad') && document.querySelector('.js-plotly-plot')",
    );
    browser.size(390, 844);
    browser.picture("check-history-phone-dark");
    assert_eq!(browser.accessibility(), Vec::<String>::new());
    let wide = browser.run("return document.documentElement.scrollWidth");
    assert!(wide.as_u64().unwrap() <= 390, "{wide} px on a phone of 390");
    // The record opens by itself and draws its charts.
    let name = records[0].as_ref().unwrap().file_name();
    browser.size(1280, 800);
    browser.go(&format!("/api/check/records/{}", name.to_str().unwrap()));
    browser.wait("document.documentElement.dataset.charts === 'drawn'");
    browser.picture("check-record");
}
