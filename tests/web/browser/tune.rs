//! Tuning: from the choice of a scan over a moved limit and painted cells to the saved profile.

use serde_json::json;
use weighlight::product::read_product;

use super::driver::Browser;
use crate::server::Server;

/// Paints fat and lean where the opened profile sees them, in short strokes well inside, as a mouse would.
const PAINT: &str = "
(async () => {
  const id = ID, profile = (await (await fetch(`api/tune/${id}/profile`)).json()).profile;
  const answer = await (await fetch(`api/tune/${id}/preview`, { method: 'POST', headers: { 'x-weighlight': '1', 'content-type': 'application/json' }, body: JSON.stringify({ profile }) })).arrayBuffer();
  const length = new DataView(answer).getUint32(0, true), { rows, columns } = JSON.parse(new TextDecoder().decode(new Uint8Array(answer, 4, length)));
  const classes = new Uint8Array(answer, 4 + length, rows * columns);
  const cells = JSON.parse((await fetch(`api/tune/${id}/heights`)).headers.get('x-cells'));
  const [across, along] = [cells.pitch_across_mm, cells.pitch_along_mm];
  const map = document.querySelector('.map canvas'), box = map.getBoundingClientRect();
  map.setPointerCapture = () => {};
  const scale = 0.96 * Math.min(box.width / (columns * across), box.height / (rows * along));
  const fire = (kind, row, column) => map.dispatchEvent(new PointerEvent(kind, { bubbles: true, isPrimary: true, button: 0, pointerId: 1,
    clientX: box.left + box.width / 2 + ((column + .5) * across - columns * across / 2) * scale, clientY: box.top + box.height / 2 - ((row + .5) * along - rows * along / 2) * scale }));
  const size = document.querySelector('.brush input[type=range]');
  size.value = 0.5; size.dispatchEvent(new Event('input'));
  for (const kind of [0, 1]) {
    document.querySelectorAll('.brush input[type=radio]')[kind].click();
    let drawn = 0;
    for (let row = 20; row < rows - 20 && drawn < 30; row += 9) for (let column = 10; column < columns - 40 && drawn < 30; column += 17) {
      let inside = true;
      for (let r = row - 3; r <= row + 3; r++) for (let c = column - 3; c < column + 13; c++) inside &&= classes[r * columns + c] === kind;
      if (!inside) continue;
      fire('pointerdown', row, column);
      for (let c = column; c < column + 10; c += 2) fire('pointermove', row, c);
      fire('pointerup', row, column + 10);
      drawn++;
    }
  }
  document.body.dataset.strokes = 'done';
})()";

/// Puts a number into the first field that fits, as typing it at once would.
fn put(browser: &Browser, css: &str, number: &str) {
    browser.run(&format!(
        "const field = document.querySelector({}); field.focus(); field.value = '{number}'; field.dispatchEvent(new Event('input', {{ bubbles: true }}))",
        json!(css)
    ));
}

#[test]
fn from_a_scan_to_a_saved_profile() {
    let server = Server::start();
    let Some(browser) = Browser::open(&server, "#/tune") else {
        return;
    };
    browser.wait("document.querySelectorAll('.cards a').length > 0");
    browser.wait("[...document.images].every((it) => it.complete && it.naturalWidth > 0)");
    browser.picture("tune-choose");
    assert_eq!(browser.accessibility(), Vec::<String>::new());
    browser.fill("input[type=search]", "belly 0001");
    browser.wait("document.querySelectorAll('.cards a').length === 1");
    browser.click(".cards a");
    browser.wait("document.body.dataset.tune === 'ready'");
    browser.picture("tune");
    assert_eq!(browser.accessibility(), Vec::<String>::new());
    // A limit moved by keyboard: the neighbour's moves with it, numbers follow, the address keeps it.
    let fat = || {
        browser.run("return document.querySelector('.sums tbody tr:nth-child(3) td:nth-of-type(2)').textContent")
    };
    let before = fat();
    browser.run("document.querySelector('.limit').focus(); for (let i = 0; i < 12; i++) document.activeElement.dispatchEvent(new KeyboardEvent('keydown', { key: 'ArrowRight', bubbles: true }))");
    browser.wait("Number(document.body.dataset.shown) > 0 && !document.querySelector('.sums tr.moved') === false");
    assert_ne!(fat(), before);
    browser.wait("location.hash.includes('set=')");
    assert_eq!(
        browser
            .run("return JSON.parse(new URLSearchParams(location.hash.split('?')[1]).get('set'))"),
        json!([
            [["class", 0, "lab", "l"], [68, 100]],
            [["class", 1, "lab", "l"], [5, 68]]
        ])
    );
    // Undone and done again.
    browser.click(".acts button:nth-child(1)");
    browser.wait("!document.querySelector('.sums tr.moved')");
    assert_eq!(fat(), before);
    browser.click(".acts button:nth-child(2)");
    browser.wait("document.querySelector('.sums tr.moved')");
    // The address alone brings the state back.
    browser.run("location.reload()");
    browser
        .wait("document.body.dataset.tune === 'ready' && document.querySelector('.sums tr.moved')");
    assert_eq!(
        browser.run("return document.querySelector('.entry.range input').value"),
        "68"
    );
    // What is wrong is said beside its field, and the last sound values stay.
    put(&browser, ".entry.range input", "101");
    browser.wait("[...document.querySelectorAll('.wrong')].some((it) => it.textContent)");
    assert_eq!(browser.accessibility(), Vec::<String>::new());
    put(&browser, ".entry.range input", "68");
    browser.wait("[...document.querySelectorAll('.wrong')].every((it) => !it.textContent)");
    // Piece rules have the scan measured again.
    browser.click("#tune-tab-pieces");
    put(&browser, ".sheet .entry:nth-of-type(2) input", "60");
    browser.wait("Number(document.body.dataset.again) > 0");
    browser.picture("tune-pieces");
    for tab in ["classes", "weight", "table"] {
        browser.click(&format!("#tune-tab-{tab}"));
        browser.picture(&format!("tune-{tab}"));
        assert_eq!(browser.accessibility(), Vec::<String>::new(), "{tab}");
    }
    // Saved, with what it does shown before.
    browser.click(".acts .go");
    browser.wait("document.querySelector('dialog[open]')");
    browser.picture("tune-save");
    assert_eq!(browser.accessibility(), Vec::<String>::new());
    browser.click("dialog button[type=submit]");
    browser.wait("document.body.dataset.saved");
    let name = browser.run("return document.body.dataset.saved");
    let folder = server.saved.path().join("saved/products");
    let product = read_product(&folder.join(name.as_str().unwrap())).unwrap();
    assert_eq!(product.classes[0].lab.unwrap().l.low, 68.0);
    assert_eq!(product.piece.min_area_cm2, 60.0);
    browser.picture("tune-saved");
    browser.click("dialog .go");
    // The same name again is a conflict that the page shows.
    browser.click(".acts .go");
    browser.wait("document.querySelector('dialog[open]')");
    browser.fill("#tune-file", name.as_str().unwrap());
    browser.click("dialog button[type=submit]");
    browser.wait("document.querySelector('dialog [role=alert]')");
    browser.picture("tune-conflict");
    let (_, foreign) = browser.traffic();
    assert_eq!(foreign, Vec::<String>::new());
}

#[test]
fn limits_follow_the_brush_in_the_dark_and_on_a_phone() {
    let server = Server::start();
    let list = server.json("/api/scans");
    let scans = list["scans"].as_array().unwrap();
    let belly = scans.iter().find(|it| it["name"] == "belly-strips-11_0001");
    let id = &belly.unwrap()["id"];
    let spoiled = "set=%5B%5B%5B%22class%22%2C0%2C%22lab%22%2C%22l%22%5D%2C%5B90%2C100%5D%5D%5D";
    let Some(browser) = Browser::open(&server, &format!("#/tune/{id}?{spoiled}")) else {
        return;
    };
    browser.dark(true);
    browser
        .wait("document.body.dataset.tune === 'ready' && Number(document.body.dataset.shown) > 0");
    browser.run("[...document.querySelectorAll('.tune .stage .bar button')].find((it) => it.textContent === 'Brush').click()");
    browser.wait("document.querySelector('.brush input[type=radio]')");
    browser.run(&PAINT.replace("ID", &id.to_string()));
    browser.wait("document.body.dataset.strokes === 'done'");
    browser.wait("document.body.dataset.fitted === 'yes'");
    // Fitted limits are far from the spoiled 90, where fat ends.
    browser.wait("(() => { const low = Number(document.querySelector('.entry.range input').value); return low > 45 && low < 80; })()");
    browser.picture("tune-brush-dark");
    assert_eq!(browser.accessibility(), Vec::<String>::new());
    browser.size(390, 844);
    browser.picture("tune-phone");
    assert_eq!(browser.accessibility(), Vec::<String>::new());
    let wide = browser.run("return document.documentElement.scrollWidth");
    assert!(
        wide.as_u64() <= Some(390),
        "the page is {wide} px wide on a phone"
    );
}
