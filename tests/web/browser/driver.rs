//! A real browser: headless Chromium through its driver.
//!
//! Needs `chromium` and `chromedriver` (Debian: `chromium`, `chromium-driver`) and, for the check of accessibility, the script of axe-core, whose
//! path `WEIGHLIGHT_AXE` tells. Where they are missing the tests of the browser say so and do nothing; `WEIGHLIGHT_BROWSER=required` makes that a failure.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use base64::Engine;
use serde_json::{Value, json};

use crate::server::Server;

/// Longest wait for anything that the page is to show: what a busy machine may need, not a target.
const PATIENCE: Duration = Duration::from_secs(60);
/// The key under which WebDriver hands out elements (W3C WebDriver, section 12).
const ELEMENT: &str = "element-6066-11e4-a52e-4f735466cecf";

/// Asks a driver (W3C WebDriver: JSON over HTTP); its answer's value, or what it says went wrong.
fn ask(port: u16, method: &str, target: &str, body: &Value) -> Result<Value, String> {
    let told = |error: std::io::Error| error.to_string();
    let mut stream = TcpStream::connect(("127.0.0.1", port)).map_err(told)?;
    let body = if method == "POST" {
        body.to_string()
    } else {
        String::new()
    };
    write!(
        stream,
        "{method} {target} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nContent-Type: application/json\r\nContent-Length: {}\r\nConnection: close\r\n\r\n{body}",
        body.len()
    )
    .map_err(told)?;
    let mut answer = BufReader::new(stream);
    let mut length = 0;
    loop {
        let mut line = String::new();
        answer.read_line(&mut line).map_err(told)?;
        if line.trim().is_empty() {
            break;
        }
        if let Some((name, value)) = line.split_once(':')
            && name.eq_ignore_ascii_case("content-length")
        {
            length = value.trim().parse().map_err(|_| line.clone())?;
        }
    }
    let mut bytes = vec![0; length];
    answer.read_exact(&mut bytes).map_err(told)?;
    let mut answer: Value = serde_json::from_slice(&bytes).map_err(|error| error.to_string())?;
    let value = answer["value"].take();
    match value["error"].as_str() {
        Some(error) => Err(format!(
            "{error}: {}",
            value["message"].as_str().unwrap_or_default()
        )),
        None => Ok(value),
    }
}

/// One browser with one page open.
pub struct Browser {
    driver: Child,
    port: u16,
    session: String,
    origin: String,
}

impl Drop for Browser {
    fn drop(&mut self) {
        let _ = ask(
            self.port,
            "DELETE",
            &format!("/session/{}", self.session),
            &Value::Null,
        );
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
        // Root has no sandbox; nothing but this machine can be reached.
        let options = json!({"args": ["--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage",
            "--enable-unsafe-swiftshader", "--lang=en-GB", "--force-color-profile=srgb", "--window-size=1280,800",
            "--host-resolver-rules=MAP * ~NOTFOUND , EXCLUDE 127.0.0.1"]});
        let wanted = json!({"capabilities": {"alwaysMatch": {"goog:chromeOptions": options}}});
        let session = match ask(port, "POST", "/session", &wanted) {
            Ok(answer) => answer["sessionId"].as_str().unwrap().to_owned(),
            Err(error) => {
                let _ = driver.kill();
                let _ = driver.wait();
                missing(&format!("no browser could be started: {error}"));
                return None;
            }
        };
        let browser = Self {
            driver,
            port,
            session,
            origin: format!("http://127.0.0.1:{}", server.port),
        };
        browser.size(1280, 800);
        browser.go(&format!("/open/{}{place}", server.token));
        Some(browser)
    }

    /// One command of the session.
    fn command(&self, target: &str, body: Value) -> Value {
        let target = format!("/session/{}{target}", self.session);
        ask(self.port, "POST", &target, &body).unwrap_or_else(|error| panic!("{body}: {error}"))
    }

    /// The first element that fits, as part of a command's address.
    fn element(&self, css: &str) -> String {
        self.wait(&format!("document.querySelector({})", json!(css)));
        let found = self.command("/element", json!({"using": "css selector", "value": css}));
        format!("/element/{}", found[ELEMENT].as_str().unwrap())
    }

    /// Goes to an address of the server.
    pub fn go(&self, target: &str) {
        self.command("/url", json!({"url": format!("{}{target}", self.origin)}));
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

    /// Chromium's own commands, past the standard of WebDriver.
    fn devtools(&self, command: &str, with: Value) -> Value {
        self.command("/goog/cdp/execute", json!({"cmd": command, "params": with}))
    }

    /// What a piece of script returns.
    pub fn run(&self, script: &str) -> Value {
        self.command("/execute/sync", json!({"script": script, "args": []}))
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
        self.command(&format!("{}/click", self.element(css)), json!({}));
    }

    /// Types into the first element that fits; what stood there goes.
    pub fn fill(&self, css: &str, text: &str) {
        let element = self.element(css);
        self.command(&format!("{element}/clear"), json!({}));
        self.command(&format!("{element}/value"), json!({"text": text}));
    }

    /// Presses keys where the focus is.
    pub fn keys(&self, keys: &str) {
        let press = |key: char| {
            [
                json!({"type": "keyDown", "value": key}),
                json!({"type": "keyUp", "value": key}),
            ]
        };
        let actions: Vec<Value> = keys.chars().flat_map(press).collect();
        self.command(
            "/actions",
            json!({"actions": [{"type": "key", "id": "keys", "actions": actions}]}),
        );
    }

    /// Chooses files in an `<input type=file>`.
    pub fn choose(&self, css: &str, files: &[PathBuf]) {
        let paths: Vec<_> = files.iter().map(|it| it.to_str().unwrap()).collect();
        let target = format!("{}/value", self.element(css));
        self.command(&target, json!({"text": paths.join("\n")}));
    }

    /// Keeps a picture of the page under `target/browser-pictures`.
    pub fn picture(&self, name: &str) {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/browser-pictures");
        std::fs::create_dir_all(&folder).unwrap();
        let target = format!("/session/{}/screenshot", self.session);
        let picture = ask(self.port, "GET", &target, &Value::Null).unwrap();
        let picture = base64::engine::general_purpose::STANDARD
            .decode(picture.as_str().unwrap())
            .unwrap();
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
        let found = self.command("/execute/async", json!({"script": run, "args": []}));
        serde_json::from_value(found).unwrap()
    }

    /// Fails if the page is wider than the window.
    pub fn fits(&self) {
        let (wide, window): (u64, u64) =
            serde_json::from_value(self.run(
                "const it = document.documentElement; return [it.scrollWidth, it.clientWidth]",
            ))
            .unwrap();
        assert!(wide <= window, "{wide} px in a window of {window} px");
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
