//! A real browser: headless Chromium through its driver.
//!
//! Needs `chromium` and `chromedriver` (Debian: `chromium`, `chromium-driver`) and, for the check of accessibility, the script of axe-core, whose
//! path `WEIGHLIGHT_AXE` tells. Where they are missing the tests of the browser say so and do nothing; `WEIGHLIGHT_BROWSER=required` makes that a failure.

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use fantoccini::wd::{Capabilities, WebDriverCompatibleCommand};
use fantoccini::{Client, ClientBuilder, Locator};
use serde_json::{Value, json};
use tokio::runtime::Runtime;

use crate::server::Server;

/// Longest wait for anything that the page is to show: a debug of a slow machine, not a target.
const PATIENCE: Duration = Duration::from_secs(60);

/// Chromium's own commands, past the standard of WebDriver.
#[derive(Debug)]
struct Devtools(&'static str, Value);

impl WebDriverCompatibleCommand for Devtools {
    fn endpoint(
        &self,
        base: &url::Url,
        session: Option<&str>,
    ) -> Result<url::Url, url::ParseError> {
        base.join(&format!(
            "session/{}/goog/cdp/execute",
            session.unwrap_or_default()
        ))
    }

    fn method_and_body(&self, _: &url::Url) -> (http::Method, Option<String>) {
        let body = json!({"cmd": self.0, "params": self.1});
        (http::Method::POST, Some(body.to_string()))
    }
}

/// One browser with one page open.
pub struct Browser {
    driver: Child,
    runtime: Runtime,
    client: Option<Client>,
    origin: String,
}

impl Drop for Browser {
    fn drop(&mut self) {
        if let Some(client) = self.client.take() {
            let _ = self.runtime.block_on(client.close());
        }
        let _ = self.driver.kill();
        let _ = self.driver.wait();
    }
}

fn required() -> bool {
    std::env::var_os("WEIGHLIGHT_BROWSER").is_some_and(|it| it == "required")
}

/// Says loudly what is missing; a failure where a browser is required.
fn missing(what: &str) {
    assert!(!required(), "{what}");
    eprintln!("NOT TESTED IN A BROWSER: {what}");
}

impl Browser {
    /// Opens a server's page at a place (`#/…`), or nothing where no browser is installed.
    pub fn open(server: &Server, place: &str) -> Option<Self> {
        let started = Command::new("chromedriver")
            .arg("--port=0")
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn();
        let Ok(mut driver) = started else {
            missing("chromedriver is not installed");
            return None;
        };
        let lines = BufReader::new(driver.stdout.take().unwrap()).lines();
        let port: u16 = lines
            .map_while(Result::ok)
            .find_map(|line| {
                let (_, port) = line.split_once("started successfully on port ")?;
                port.trim_end_matches('.').parse().ok()
            })
            .expect("chromedriver tells its port");
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .unwrap();
        // Root has no sandbox; nothing but this machine can be reached.
        let options = json!({"args": ["--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage",
            "--enable-unsafe-swiftshader", "--lang=en-GB", "--force-color-profile=srgb", "--window-size=1280,800",
            "--host-resolver-rules=MAP * ~NOTFOUND , EXCLUDE 127.0.0.1"]});
        let mut wanted = Capabilities::new();
        wanted.insert("goog:chromeOptions".to_owned(), options);
        wanted.insert("goog:loggingPrefs".to_owned(), json!({"browser": "ALL"}));
        let client = runtime.block_on(
            ClientBuilder::new(hyper_util::client::legacy::connect::HttpConnector::new())
                .capabilities(wanted)
                .connect(&format!("http://127.0.0.1:{port}")),
        );
        let client = match client {
            Ok(client) => client,
            Err(error) => {
                let _ = driver.kill();
                missing(&format!("no browser could be started: {error}"));
                return None;
            }
        };
        let origin = format!("http://127.0.0.1:{}", server.port);
        let browser = Self {
            driver,
            runtime,
            client: Some(client),
            origin,
        };
        browser.size(1280, 800);
        browser.go(&format!("/open/{}{place}", server.token));
        Some(browser)
    }

    fn client(&self) -> &Client {
        self.client.as_ref().unwrap()
    }

    /// Goes to an address of the server.
    pub fn go(&self, target: &str) {
        let address = format!("{}{target}", self.origin);
        self.runtime.block_on(self.client().goto(&address)).unwrap();
    }

    /// Sets the window's content to this size, CSS px.
    pub fn size(&self, width: u32, height: u32) {
        self.devtools(
            "Emulation.setDeviceMetricsOverride",
            json!({"width": width, "height": height, "deviceScaleFactor": 1, "mobile": false}),
        );
    }

    /// Makes the page think that the user's system is dark, or light.
    pub fn dark(&self, dark: bool) {
        let value = if dark { "dark" } else { "light" };
        let features = json!([{"name": "prefers-color-scheme", "value": value}]);
        self.devtools("Emulation.setEmulatedMedia", json!({"features": features}));
    }

    fn devtools(&self, command: &'static str, with: Value) -> Value {
        self.runtime
            .block_on(self.client().issue_cmd(Devtools(command, with)))
            .unwrap()
    }

    /// What a piece of script returns.
    pub fn run(&self, script: &str) -> Value {
        self.runtime
            .block_on(self.client().execute(script, Vec::new()))
            .unwrap_or_else(|error| panic!("{script}: {error}"))
    }

    /// Waits until an expression of the page is true.
    pub fn wait(&self, expression: &str) {
        let script = format!("return Boolean({expression})");
        let start = Instant::now();
        while self.run(&script) != Value::Bool(true) {
            let shown = || self.run("return document.body.innerText");
            assert!(
                start.elapsed() < PATIENCE,
                "never came: {expression}\nshown: {}",
                shown()
            );
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    /// Clicks the first element that fits, as a pointer would.
    pub fn click(&self, css: &str) {
        self.wait(&format!(
            "document.querySelector({})",
            Value::String(css.to_owned())
        ));
        self.runtime.block_on(async {
            let element = self.client().find(Locator::Css(css)).await.unwrap();
            element
                .click()
                .await
                .unwrap_or_else(|error| panic!("{css}: {error}"));
        });
    }

    /// Types into the first element that fits; what stood there goes.
    pub fn fill(&self, css: &str, text: &str) {
        self.runtime.block_on(async {
            let element = self.client().find(Locator::Css(css)).await.unwrap();
            let _ = element.clear().await;
            element
                .send_keys(text)
                .await
                .unwrap_or_else(|error| panic!("{css}: {error}"));
        });
    }

    /// Chooses files in an `<input type=file>`.
    pub fn choose(&self, css: &str, files: &[PathBuf]) {
        let paths: Vec<_> = files.iter().map(|it| it.to_str().unwrap()).collect();
        self.runtime.block_on(async {
            let element = self.client().find(Locator::Css(css)).await.unwrap();
            element.send_keys(&paths.join("\n")).await.unwrap();
        });
    }

    /// Keeps a picture of the page under `target/browser-pictures`.
    pub fn picture(&self, name: &str) {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/browser-pictures");
        std::fs::create_dir_all(&folder).unwrap();
        let picture = self.runtime.block_on(self.client().screenshot()).unwrap();
        std::fs::write(folder.join(format!("{name}.png")), picture).unwrap();
    }

    /// What axe-core finds against WCAG 2.2 A and AA on the page as it is; empty is good.
    pub fn accessibility(&self) -> Vec<String> {
        let Some(path) = std::env::var_os("WEIGHLIGHT_AXE") else {
            missing("WEIGHLIGHT_AXE does not tell where axe.min.js is");
            return Vec::new();
        };
        let script = std::fs::read_to_string(&path).expect("the script of axe-core");
        let run = format!(
            "{script};\nconst done = arguments[arguments.length - 1];
            axe.run(document, {{ runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa'] }})
            .then((found) => done(found.violations.map((it) => `${{it.id}}: ${{it.help}}: ${{it.nodes.slice(0, 3).map((node) => node.html + ' ' + node.failureSummary).join(' | ')}}`)), (error) => done([String(error)]));"
        );
        let found = self
            .runtime
            .block_on(self.client().execute_async(&run, Vec::new()))
            .unwrap();
        serde_json::from_value(found).unwrap()
    }

    /// Bytes that came over the wire, and every address asked that is not the server's own.
    pub fn traffic(&self) -> (u64, Vec<String>) {
        let script = "return performance.getEntriesByType('navigation').concat(performance.getEntriesByType('resource')).map((it) => [it.name, it.transferSize])";
        let asked: Vec<(String, u64)> = serde_json::from_value(self.run(script)).unwrap();
        let bytes = asked.iter().map(|(_, bytes)| bytes).sum();
        let own = |address: &str| {
            address.starts_with(&format!("{}/", self.origin))
                || address.starts_with("blob:")
                || address.starts_with("data:")
        };
        let foreign = asked.into_iter().map(|(address, _)| address);
        (bytes, foreign.filter(|address| !own(address)).collect())
    }
}
