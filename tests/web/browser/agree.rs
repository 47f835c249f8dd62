//! Comparing: from a piece table and a log to a pair set aside with its reason, and what is saved.

use std::fs;

use super::driver::Browser;
use crate::server::{Server, make_day};

#[test]
fn from_a_table_and_a_log_to_a_pair_set_aside() {
    let home = tempfile::tempdir().unwrap();
    let day = make_day(home.path());
    let server = Server::start();
    let Some(browser) = Browser::open(&server, "#/agree") else {
        return;
    };
    browser.wait("document.querySelectorAll('form.desk input[type=file]').length === 2");
    browser.picture("agree-start");
    assert_eq!(browser.accessibility(), Vec::<String>::new());
    browser.choose(
        "form.desk input[accept*=parquet]",
        &[day.join("pieces.csv")],
    );
    browser.wait("document.querySelector('form.desk select').value.startsWith('file-')");
    browser.choose(
        "form.desk input[type=file]:not([accept*=parquet])",
        &[day.join("weighings.csv")],
    );
    browser.wait("!document.querySelector('.preview').hidden");
    browser.fill("details .field input", "time");
    browser.fill("details .field:nth-of-type(2) input", "mass_g");
    browser.click("form.desk button.main");
    browser.wait("document.querySelectorAll('.js-plotly-plot').length === 2");
    browser.picture("agree");
    assert_eq!(browser.accessibility(), Vec::<String>::new());
    let causes = browser.run("return document.querySelector('.causes li').innerText");
    assert!(causes.as_str().unwrap().contains("Density"), "{causes}");
    // A point leads to its piece; the pair is set aside and in no figure any more.
    let pairs = || {
        browser.run("return Number([...document.querySelectorAll('.keys div')].find((it) => it.firstChild.textContent === 'Pairs').children[1].textContent.replace(/\\D/g, ''))").as_u64().unwrap()
    };
    let before = pairs();
    browser.run("const box = document.querySelector('.js-plotly-plot'); box.emit('plotly_click', { points: [{ customdata: box.data[0].customdata[0] }] })");
    browser.fill(".piece form input[required]", "fell off");
    browser.picture("agree-piece");
    browser.click(".piece form button");
    browser.wait("document.querySelector('table.aside') && document.querySelector('p.caution')");
    assert_eq!(pairs(), before - 1);
    assert_eq!(browser.accessibility(), Vec::<String>::new());
    let aside = server.saved.path().join("saved/set-aside");
    let file = fs::read_dir(aside).unwrap().next().unwrap().unwrap().path();
    assert!(
        fs::read_to_string(&file)
            .unwrap()
            .contains("reason = \"fell off\"")
    );
    // The address shows the same again; taken back, the pair counts.
    browser.run("location.reload()");
    browser.wait("document.querySelector('table.aside')");
    browser.click("table.aside td button");
    browser.wait("document.querySelector('table.aside')?.innerText.includes('taken back')");
    assert_eq!(pairs(), before);
    assert!(fs::read_to_string(&file).unwrap().contains("taken_back"));
    let (_, foreign) = browser.traffic();
    assert_eq!(foreign, Vec::<String>::new());
    browser.dark(true);
    browser.run("location.reload()");
    browser.wait("document.querySelectorAll('.js-plotly-plot').length === 2");
    browser.picture("agree-dark");
    assert_eq!(browser.accessibility(), Vec::<String>::new());
    browser.size(390, 844);
    browser.picture("agree-phone");
    let wide = browser.run("return document.documentElement.scrollWidth");
    assert!(wide.as_u64().unwrap() <= 390, "{wide} px on a phone of 390");
}
