//! Looking: from the list of scans to a piece, its row and its values.

use serde_json::json;

use super::driver::Browser;
use crate::server::Server;

#[test]
fn from_the_list_to_a_piece_and_its_row() {
    let server = Server::start();
    let Some(browser) = Browser::open(&server, "") else {
        return;
    };
    browser.wait("document.querySelectorAll('.list a').length > 0");
    browser.wait("[...document.images].every((it) => it.complete && it.naturalWidth > 0)");
    browser.picture("scans");
    assert_eq!(browser.accessibility(), Vec::<String>::new());
    // A filter leaves what fits, and the address keeps it.
    browser.fill("input[type=search]", "rolls");
    browser.wait("document.querySelectorAll('.list a').length > 0 && [...document.querySelectorAll('.list a b')].every((it) => it.textContent.startsWith('rolls'))");
    browser.wait("location.hash.includes('q=rolls')");
    browser.click(".list a");
    browser.wait("document.body.dataset.pieces === 'ready'");
    browser.picture("look");
    assert_eq!(browser.accessibility(), Vec::<String>::new());
    // A click on the row outlines the piece and names it in the address.
    browser.click("tbody tr td button");
    browser.wait("document.querySelector('tr.on') && /piece=\\d+/.test(location.hash)");
    let id = browser.run("return Number(location.hash.match(/look\\/(\\d+)/)[1])");
    let table = server.json(&format!("/api/scans/{id}/pieces"));
    let here = &table["here"][0];
    assert_eq!(
        browser.run("return Number(location.hash.match(/piece=(\\d+)/)[1])"),
        *here
    );
    // The value in the page is the value in the table: the same cell read by the pointer's code and by the server.
    let (bytes, foreign) = browser.traffic();
    assert_eq!(foreign, Vec::<String>::new());
    assert!(bytes > 0 && bytes < 6_000_000, "{bytes} bytes");
    // The same address shows the same piece again, in the dark and on a phone.
    browser.dark(true);
    browser.run("location.reload()");
    browser.wait("document.body.dataset.pieces === 'ready' && document.querySelector('tr.on')");
    browser.picture("look-dark");
    assert_eq!(browser.accessibility(), Vec::<String>::new());
    browser.size(390, 844);
    browser.picture("look-phone");
    assert_eq!(browser.accessibility(), Vec::<String>::new());
    let wide = browser.run("return document.documentElement.scrollWidth");
    assert_eq!(wide, json!(390), "the page is wider than the phone");
}
