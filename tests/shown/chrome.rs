//! A headless Chromium on two pipes (its own DevTools protocol): opens pages at a size and in a mode, asks them questions,
//! photographs them, and hands over whatever they complained about or asked for.

use std::fs::File;
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

use serde_json::{Value, json};

/// Longest wait for an answer; a page takes well under a second.
const PATIENCE: Duration = Duration::from_secs(30);

/// A running browser with one tab. It ends with this value.
pub struct Chrome {
    process: Child,
    to: File,
    from: Receiver<Value>,
    n: u64,
    session: Option<String>,
    heard: Vec<Value>,
    // Its profile and pipes; removed last.
    _home: tempfile::TempDir,
}

/// How a page is looked at.
#[derive(Clone, Copy)]
pub struct View {
    pub width: u32,
    pub height: u32,
    /// `light` or `dark`.
    pub scheme: &'static str,
    /// `screen` or `print`.
    pub media: &'static str,
}

/// The browser to use: `SLITWATCH_CHROMIUM`, or what Debian and others call it, on the path.
pub fn find() -> Option<PathBuf> {
    if let Some(named) = std::env::var_os("SLITWATCH_CHROMIUM").filter(|p| !p.is_empty()) {
        return Some(named.into());
    }
    let path = std::env::var_os("PATH")?;
    std::env::split_paths(&path)
        .flat_map(|folder| ["chromium", "chromium-browser"].map(|name| folder.join(name)))
        .find(|candidate| candidate.is_file())
}

impl Chrome {
    /// Starts it.
    pub fn start(program: &Path) -> Chrome {
        let home = tempfile::tempdir().unwrap();
        let pipe = |name: &str| {
            let path = home.path().join(name);
            let made = Command::new("mkfifo").arg(&path).status().unwrap();
            assert!(made.success(), "mkfifo {}", path.display());
            path
        };
        let (into, out) = (pipe("in"), pipe("out"));
        // A shell gives it the two descriptors on which it listens and speaks.
        let process = Command::new("sh")
            .args([
                "-c",
                r#"exec "$0" "$@" 3<"$SLITWATCH_IN" 4>"$SLITWATCH_OUT""#,
            ])
            .arg(program)
            .args([
                "--headless",
                "--no-sandbox",
                "--disable-gpu",
                "--disable-quic",
                "--disable-dev-shm-usage",
                "--no-first-run",
                "--disable-background-networking",
                "--disable-component-update",
                "--disable-sync",
                "--hide-scrollbars",
                "--remote-debugging-pipe",
            ])
            .arg(format!("--user-data-dir={}", home.path().display()))
            .arg("about:blank")
            .env("SLITWATCH_IN", &into)
            .env("SLITWATCH_OUT", &out)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let to = File::options().write(true).open(into).unwrap();
        let from = File::open(out).unwrap();
        let (send, receive) = channel();
        std::thread::spawn(move || {
            for message in BufReader::new(from).split(0) {
                let Ok(message) = message else { return };
                let value = serde_json::from_slice(&message).unwrap_or(Value::Null);
                if send.send(value).is_err() {
                    return;
                }
            }
        });
        let mut chrome = Chrome {
            process,
            to,
            from: receive,
            n: 0,
            session: None,
            heard: Vec::new(),
            _home: home,
        };
        let tab = chrome.call("Target.createTarget", json!({"url": "about:blank"}));
        let tab = json!({"targetId": tab["targetId"], "flatten": true});
        let session = chrome.call("Target.attachToTarget", tab);
        chrome.session = session["sessionId"].as_str().map(str::to_owned);
        for domain in ["Page", "Runtime", "Log", "Network"] {
            chrome.call(&format!("{domain}.enable"), json!({}));
        }
        chrome
    }

    /// Calls a method and waits for its answer; what is heard meanwhile is kept.
    pub fn call(&mut self, method: &str, params: Value) -> Value {
        self.n += 1;
        let mut message = json!({"id": self.n, "method": method, "params": params});
        if let Some(session) = &self.session {
            message["sessionId"] = json!(session);
        }
        let mut bytes = message.to_string().into_bytes();
        bytes.push(0);
        self.to.write_all(&bytes).unwrap();
        let until = Instant::now() + PATIENCE;
        loop {
            let answer = self.hear(until, method);
            if answer["id"] == json!(self.n) {
                assert!(answer.get("error").is_none(), "{method}: {answer}");
                return answer["result"].clone();
            }
            self.heard.push(answer);
        }
    }

    /// The next message; a page that keeps talking does not put the end off.
    fn hear(&mut self, until: Instant, waiting_for: &str) -> Value {
        let left = until.saturating_duration_since(Instant::now());
        match self.from.recv_timeout(left) {
            Ok(value) => value,
            Err(trouble) => panic!("the browser does not answer {waiting_for}: {trouble}"),
        }
    }

    /// Shows what is open at another size, in another scheme or medium.
    pub fn show_as(&mut self, view: View) {
        let View { width, height, .. } = view;
        self.call(
            "Emulation.setDeviceMetricsOverride",
            json!({"width": width, "height": height, "deviceScaleFactor": 1, "mobile": false}),
        );
        let scheme = json!([{"name": "prefers-color-scheme", "value": view.scheme}]);
        self.call(
            "Emulation.setEmulatedMedia",
            json!({"media": view.media, "features": scheme}),
        );
    }

    /// Opens a file and waits until all of it has loaded.
    pub fn open(&mut self, file: &Path, view: View) {
        self.show_as(view);
        self.heard.clear();
        self.call("Page.navigate", json!({"url": address(file)}));
        let loaded = |m: &Value| m["method"] == "Page.loadEventFired";
        let until = Instant::now() + PATIENCE;
        while !self.heard.iter().any(loaded) {
            let message = self.hear(until, "with a page");
            self.heard.push(message);
        }
    }

    /// The value of an expression, promises awaited.
    pub fn ask(&mut self, expression: &str) -> Value {
        let params = json!({"expression": expression, "awaitPromise": true, "returnByValue": true});
        let answer = self.call("Runtime.evaluate", params);
        let trouble = answer.get("exceptionDetails");
        assert!(trouble.is_none(), "{answer}");
        answer["result"]["value"].clone()
    }

    /// Presses the tabulator key.
    pub fn tab(&mut self) {
        for kind in ["keyDown", "keyUp"] {
            self.call(
                "Input.dispatchKeyEvent",
                json!({"type": kind, "key": "Tab", "code": "Tab", "windowsVirtualKeyCode": 9}),
            );
        }
    }

    /// Errors on the console, and addresses asked for that are neither files below `root` nor in the page itself.
    pub fn complaints(&self, root: &Path) -> Vec<String> {
        let home = address(root);
        let mut complaints = Vec::new();
        for message in &self.heard {
            let params = &message["params"];
            match message["method"].as_str().unwrap_or_default() {
                "Runtime.exceptionThrown" | "Runtime.consoleAPICalled" => {
                    complaints.push(format!("console: {params}"));
                }
                "Log.entryAdded" if params["entry"]["level"] != "verbose" => {
                    let entry = &params["entry"];
                    complaints.push(format!("log: {} {}", entry["text"], entry["url"]));
                }
                "Network.requestWillBeSent" => {
                    let url = params["request"]["url"].as_str().unwrap_or_default();
                    if !url.starts_with(&home) && !url.starts_with("data:") {
                        complaints.push(format!("asks for {url}"));
                    }
                }
                _ => {}
            }
        }
        complaints
    }

    /// The window, or the whole page, as PNG.
    pub fn picture(&mut self, whole: bool) -> Vec<u8> {
        let params = json!({"format": "png", "captureBeyondViewport": whole});
        let params = if whole {
            let size = self.call("Page.getLayoutMetrics", json!({}));
            let size = &size["cssContentSize"];
            let (width, height) = (&size["width"], &size["height"]);
            let clip = json!({"x": 0, "y": 0, "width": width, "height": height, "scale": 1});
            json!({"format": "png", "captureBeyondViewport": true, "clip": clip})
        } else {
            params
        };
        let answer = self.call("Page.captureScreenshot", params);
        base64(answer["data"].as_str().unwrap_or_default())
    }

    /// The page on A4 paper, as PDF.
    pub fn print(&mut self) -> Vec<u8> {
        self.print_on(8.27, 11.69)
    }

    /// The page on paper of this size, inches, as PDF.
    pub fn print_on(&mut self, width: f64, height: f64) -> Vec<u8> {
        let paper = json!({"paperWidth": width, "paperHeight": height, "printBackground": true});
        let answer = self.call("Page.printToPDF", paper);
        base64(answer["data"].as_str().unwrap_or_default())
    }
}

impl Drop for Chrome {
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

/// A file's address: RFC 8089, everything but unreserved characters percent-encoded.
fn address(file: &Path) -> String {
    let mut url = "file://".to_owned();
    for byte in file.to_str().unwrap().bytes() {
        match byte {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'/' | b'-' | b'.' | b'_' | b'~' => {
                url.push(char::from(byte));
            }
            _ => url.push_str(&format!("%{byte:02X}")),
        }
    }
    url
}

/// RFC 4648, 4.
fn base64(text: &str) -> Vec<u8> {
    let value = |c: u8| match c {
        b'A'..=b'Z' => u32::from(c - b'A'),
        b'a'..=b'z' => u32::from(c - b'a') + 26,
        b'0'..=b'9' => u32::from(c - b'0') + 52,
        b'+' => 62,
        _ => 63,
    };
    let mut bytes = Vec::with_capacity(text.len() / 4 * 3);
    for four in text.trim_end_matches('=').as_bytes().chunks(4) {
        let bits =
            four.iter().fold(0u32, |bits, &c| bits << 6 | value(c)) << (6 * (4 - four.len()));
        bytes.extend(&bits.to_be_bytes()[1..four.len()]);
    }
    bytes
}

#[test]
fn base64_is_that_of_the_standard() {
    // RFC 4648, 10.
    for (text, bytes) in [
        ("", ""),
        ("Zg==", "f"),
        ("Zm8=", "fo"),
        ("Zm9v", "foo"),
        ("Zm9vYmFy", "foobar"),
    ] {
        assert_eq!(base64(text), bytes.as_bytes());
    }
}
