//! A desk that runs for a test, and a plain client of it.

use crate::support::command_in;
use serde_json::Value;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Stdio};
use std::time::Duration;

/// `fanlight desk` on a free port; it ends with the test.
pub struct Desk {
    child: Child,
    /// `127.0.0.1:PORT`.
    pub host: String,
    /// `/TOKEN/`.
    pub root: String,
}

/// What was answered.
pub struct Answer {
    pub status: u16,
    pub headers: Vec<(String, String)>,
    pub body: Vec<u8>,
}

impl Answer {
    #[track_caller]
    pub fn json(&self) -> Value {
        serde_json::from_slice(&self.body).unwrap_or_else(|e| panic!("{e}: {}", String::from_utf8_lossy(&self.body)))
    }

    pub fn header(&self, name: &str) -> Option<&str> {
        self.headers.iter().find(|(n, _)| n.eq_ignore_ascii_case(name)).map(|(_, v)| v.as_str())
    }

    /// The status is this; a refusal is a sentence in JSON.
    #[track_caller]
    pub fn expect(self, status: u16) -> Self {
        assert_eq!(self.status, status, "{}", String::from_utf8_lossy(&self.body));
        if status >= 400 {
            assert!(self.json()["error"].as_str().is_some_and(|e| !e.is_empty()));
        }
        self
    }

    /// The status is this, whatever was said with it.
    #[track_caller]
    pub fn expect_status_only(self, status: u16) {
        assert_eq!(self.status, status, "{}", String::from_utf8_lossy(&self.body));
    }

    /// Head and pixels of a live picture.
    #[track_caller]
    pub fn picture(&self) -> (Value, Vec<f32>) {
        let length = u32::from_le_bytes(self.body[..4].try_into().expect("four bytes")) as usize;
        let head = serde_json::from_slice(&self.body[4..4 + length]).expect("a head");
        (head, floats(&self.body[(4 + length).next_multiple_of(4)..]))
    }
}

pub fn floats(bytes: &[u8]) -> Vec<f32> {
    bytes.as_chunks::<4>().0.iter().map(|b| f32::from_le_bytes(*b)).collect()
}

impl Desk {
    /// Opens a desk in a folder.
    pub fn open(folder: &Path, arguments: &[&str]) -> Self {
        let mut child = command_in(folder)
            .arg("desk")
            .args(arguments)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("fanlight runs");
        let mut address = String::new();
        BufReader::new(child.stdout.take().expect("standard output")).read_line(&mut address).expect("an address");
        let (host, path) =
            address.trim().strip_prefix("http://").expect("an address").split_once('/').expect("a token");
        Self { child, host: host.to_owned(), root: format!("/{path}") }
    }

    pub fn get(&self, path: &str) -> Answer {
        self.ask("GET", path, &[], b"")
    }

    pub fn post(&self, path: &str, body: &Value) -> Answer {
        self.ask("POST", path, &[("content-type", "application/json")], body.to_string().as_bytes())
    }

    /// A request below the token.
    pub fn ask(&self, method: &str, path: &str, headers: &[(&str, &str)], body: &[u8]) -> Answer {
        let own = [("host", self.host.as_str())];
        self.ask_raw(method, &format!("{}{path}", self.root), &[&own[..], headers].concat(), body)
    }

    /// A request to any address with no more headers than these.
    pub fn ask_raw(&self, method: &str, path: &str, headers: &[(&str, &str)], body: &[u8]) -> Answer {
        let mut stream = TcpStream::connect(&self.host).expect("a connection");
        stream.set_read_timeout(Some(Duration::from_secs(120))).expect("a timeout");
        let mut head = format!("{method} {path} HTTP/1.1\r\nconnection: close\r\ncontent-length: {}\r\n", body.len());
        headers.iter().for_each(|(name, value)| head.push_str(&format!("{name}: {value}\r\n")));
        head.push_str("\r\n");
        stream.write_all(head.as_bytes()).expect("written");
        // a server that refuses a large body need not read it
        stream.write_all(body).ok();
        let mut reader = BufReader::new(stream);
        let mut line = String::new();
        reader.read_line(&mut line).expect("a status");
        let status = line.split(' ').nth(1).and_then(|s| s.parse().ok()).expect("a status");
        let mut headers = Vec::new();
        loop {
            let mut line = String::new();
            reader.read_line(&mut line).expect("a header");
            match line.trim_end().split_once(": ") {
                Some((name, value)) => headers.push((name.to_owned(), value.to_owned())),
                None => break,
            }
        }
        let mut body = Vec::new();
        reader.read_to_end(&mut body).ok();
        Answer { status, headers, body }
    }

    /// Waits for a run to end.
    #[track_caller]
    pub fn wait_for(&self, job: u64) -> Value {
        for _ in 0..1200 {
            let state = self.get(&format!("api/jobs/{job}")).expect(200).json();
            if state["state"] != "running" {
                return state;
            }
            std::thread::sleep(Duration::from_millis(100));
        }
        panic!("run {job} does not end");
    }
}

impl Drop for Desk {
    fn drop(&mut self) {
        // it may have ended
        self.child.kill().ok();
        self.child.wait().ok();
    }
}
