//! Looking: from the list of scans to a piece, its row and its values.

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
    // The pointer's cell: what the page reads is what the server knows of it.
    browser.click("[aria-pressed=false]:nth-of-type(5)");
    for _ in 0..4 {
        browser.keys("\u{e015}"); // arrow down: the cross appears and moves
    }
    browser.wait("document.querySelector('.read').dataset.row");
    let cell = browser.run("const it = document.querySelector('.read'); return [it.dataset.row, it.dataset.column, it.textContent]");
    let text = |at: usize| cell[at].as_str().unwrap().to_owned();
    let target = format!("/api/scans/{id}/point?row={}&column={}", text(0), text(1));
    let height = &server.json(&target)["height_mm"];
    match height.as_f64() {
        Some(height) => {
            let words = text(2);
            let (_, after) = words.split_once("height ").expect("a height is read");
            let shown: f64 = after.split_once(" mm").unwrap().0.parse().unwrap();
            // Two decimals are shown of heights coded in steps of 0.01 mm.
            assert!(
                (shown - height).abs() <= 0.01 + 1e-6,
                "{shown} for {height}"
            );
        }
        None => assert!(text(2).contains("not seen")),
    }
    // A piece to be turned, and a corner measured by hand.
    browser.click("tbody tr td button:nth-of-type(2)");
    browser.wait("document.body.dataset.solid === 'ready' && location.hash.includes('turn=1')");
    browser.picture("look-solid");
    assert_eq!(browser.accessibility(), Vec::<String>::new());
    // The same address shows the same piece again, in the dark and on a phone.
    browser.dark(true);
    browser.run("location.reload()");
    browser.wait("document.body.dataset.pieces === 'ready' && document.querySelector('tr.on')");
    browser.picture("look-dark");
    assert_eq!(browser.accessibility(), Vec::<String>::new());
    browser.size(390, 844);
    browser.picture("look-phone");
    assert_eq!(browser.accessibility(), Vec::<String>::new());
    browser.fits();
}
