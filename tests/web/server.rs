//! The program serving its page, asked over plain TCP as any program on the machine could.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

/// A folder of the repository.
pub fn repository(folder: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(folder)
}

/// The program, to be run as a command.
pub fn program() -> Command {
    Command::new(env!("CARGO_BIN_EXE_weighlight"))
}

/// An invented day whose densities are 1.2 % too high, made below `home`.
pub fn make_day(home: &Path) -> PathBuf {
    let day = home.join("day");
    let made = program()
        .args(["simulate", "day", "--seed", "7"])
        .args(["--fault", "density=0.012", "--out"])
        .arg(&day)
        .output()
        .unwrap();
    assert!(made.status.success());
    day
}

/// A server; it ends with the test.
pub struct Server {
    pub process: Child,
    pub port: u16,
    pub token: String,
    /// Where the page saves: a folder of its own.
    pub saved: tempfile::TempDir,
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

impl Server {
    /// Serves the sample scans.
    pub fn start() -> Self {
        Self::over(&[repository("sample-scans")], &[])
    }

    /// Serves these folders, with more options.
    pub fn over(folders: &[PathBuf], options: &[&str]) -> Self {
        let saved = tempfile::tempdir().unwrap();
        let mut process = program()
            .arg("open")
            .args(folders)
            .args(options)
            .arg("--no-browser")
            .arg("--save-to")
            .arg(saved.path().join("saved"))
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let lines = BufReader::new(process.stdout.take().unwrap()).lines();
        let address = lines
            .map(Result::unwrap)
            .find_map(|line| {
                line.strip_prefix("Open http://127.0.0.1:")
                    .map(str::to_owned)
            })
            .unwrap();
        let (port, token) = address.split_once("/open/").unwrap();
        Self {
            process,
            port: port.parse().unwrap(),
            token: token.to_owned(),
            saved,
        }
    }

    /// Sends a request with these header lines; status and the whole answer's bytes.
    pub fn ask(&self, method: &str, target: &str, headers: &[String]) -> (u16, Vec<u8>) {
        let mut stream = TcpStream::connect(("127.0.0.1", self.port)).unwrap();
        let lines = headers.join("\r\n");
        write!(
            stream,
            "{method} {target} HTTP/1.1\r\n{lines}\r\nConnection: close\r\n\r\n"
        )
        .unwrap();
        let mut answer = Vec::new();
        stream.read_to_end(&mut answer).unwrap();
        let status = String::from_utf8_lossy(&answer[9..12]).parse().unwrap();
        (status, answer)
    }

    pub fn host(&self) -> String {
        format!("Host: 127.0.0.1:{}", self.port)
    }

    pub fn cookie(&self) -> String {
        format!("Cookie: weighlight_{}={}", self.port, self.token)
    }

    pub fn status(&self, method: &str, target: &str, more: &[&str]) -> u16 {
        let mut headers = vec![self.host(), self.cookie()];
        headers.extend(more.iter().map(|line| (*line).to_owned()));
        self.ask(method, target, &headers).0
    }

    /// The JSON that a question is answered with.
    pub fn json(&self, target: &str) -> serde_json::Value {
        let (status, answer) = self.ask("GET", target, &[self.host(), self.cookie()]);
        assert_eq!(
            status,
            200,
            "{target}: {}",
            String::from_utf8_lossy(&answer)
        );
        body(&answer)
    }

    /// Sends a change as the page does; status and answer.
    pub fn change(&self, method: &str, target: &str, kind: &str, content: &[u8]) -> (u16, Vec<u8>) {
        let mut stream = TcpStream::connect(("127.0.0.1", self.port)).unwrap();
        write!(
            stream,
            "{method} {target} HTTP/1.1\r\n{}\r\n{}\r\nX-Weighlight: 1\r\nContent-Type: {kind}\r\nContent-Length: {}\r\nConnection: close\r\n\r\n",
            self.host(),
            self.cookie(),
            content.len()
        )
        .unwrap();
        // A body that is too long is refused before all of it is taken.
        let _ = stream.write_all(content);
        let mut answer = Vec::new();
        let _ = stream.read_to_end(&mut answer);
        let status = String::from_utf8_lossy(&answer[9..12]).parse().unwrap();
        (status, answer)
    }
}

/// The JSON after the header lines.
pub fn body(answer: &[u8]) -> serde_json::Value {
    let at = answer.windows(4).position(|four| four == b"\r\n\r\n");
    serde_json::from_slice(&answer[at.unwrap() + 4..]).unwrap()
}
