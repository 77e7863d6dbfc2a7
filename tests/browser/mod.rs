//! Just enough of a real browser: Chromium, driven over its DevTools pipe
//! (messages in JSON, each ended by a zero byte, on file descriptors 3 and 4).

#![allow(dead_code)] // each test file uses a part of it

use std::fs::File;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::{json, Value};

/// A running browser with one page.
pub struct Browser {
    child: Child,
    to: File,
    from: BufReader<File>,
    session: Option<String>,
    count: u64,
    errors: Vec<String>,
    _home: tempfile::TempDir,
}

impl Browser {
    /// Starts Chromium; `None` if this machine has none.
    pub fn start() -> Option<Browser> {
        let program = ["chromium", "chromium-browser", "google-chrome"]
            .into_iter()
            .find(|p| {
                Command::new(p)
                    .arg("--version")
                    .output()
                    .is_ok_and(|o| o.status.success())
            })?;
        let home = tempfile::tempdir().expect("temp dir");
        let (to, from) = (home.path().join("to"), home.path().join("from"));
        for pipe in [&to, &from] {
            let made = Command::new("mkfifo").arg(pipe).status().expect("mkfifo");
            assert!(made.success());
        }
        let line = format!(
            "exec {program} --headless=new --no-sandbox --disable-gpu --no-first-run \
             --user-data-dir={home}/data --window-size=1200,900 --remote-debugging-pipe \
             about:blank 3<{to} 4>{from}",
            home = home.path().display(),
            to = to.display(),
            from = from.display()
        );
        let child = Command::new("sh")
            .args(["-c", &line])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("sh starts");
        // Opening waits for the other side, in the shell's order.
        let to = File::options().write(true).open(to).expect("pipe");
        let from = BufReader::new(File::open(from).expect("pipe"));
        let mut browser = Browser {
            child,
            to,
            from,
            session: None,
            count: 0,
            errors: Vec::new(),
            _home: home,
        };
        let target = browser.call("Target.createTarget", json!({"url": "about:blank"}));
        let id = target["targetId"].clone();
        let attached = browser.call(
            "Target.attachToTarget",
            json!({"targetId": id, "flatten": true}),
        );
        browser.session = attached["sessionId"].as_str().map(str::to_owned);
        for domain in ["Page.enable", "Runtime.enable", "Log.enable"] {
            browser.call(domain, json!({}));
        }
        Some(browser)
    }

    fn call(&mut self, method: &str, params: Value) -> Value {
        self.count += 1;
        let mut message = json!({"id": self.count, "method": method, "params": params});
        if let Some(session) = &self.session {
            message["sessionId"] = json!(session);
        }
        write!(self.to, "{message}\0").expect("the browser listens");
        loop {
            let mut bytes = Vec::new();
            self.from
                .read_until(0, &mut bytes)
                .expect("the browser answers");
            bytes.pop();
            let answer: Value = serde_json::from_slice(&bytes).expect("JSON");
            match answer["method"].as_str() {
                Some("Runtime.exceptionThrown") => self.errors.push(answer["params"].to_string()),
                Some("Log.entryAdded") if answer["params"]["entry"]["level"] == "error" => {
                    self.errors.push(answer["params"].to_string());
                }
                _ => {}
            }
            if answer["id"] == json!(self.count) {
                assert!(answer["error"].is_null(), "{method}: {answer}");
                return answer["result"].clone();
            }
        }
    }

    /// Goes to an address.
    pub fn open(&mut self, address: &str) {
        self.call("Page.navigate", json!({"url": address}));
        self.wait_for("document.readyState === 'complete'");
    }

    fn value(&mut self, expression: &str) -> Value {
        let params = json!({"expression": expression, "returnByValue": true});
        let result = self.call("Runtime.evaluate", params);
        assert!(
            result["exceptionDetails"].is_null(),
            "{expression}: {result}"
        );
        result["result"]["value"].clone()
    }

    /// Waits until an expression is true.
    pub fn wait_for(&mut self, expression: &str) {
        let end = Instant::now() + Duration::from_secs(60);
        while self.value(expression) != json!(true) {
            assert!(Instant::now() < end, "never came true: {expression}");
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    /// The text that an expression gives.
    pub fn text(&mut self, expression: &str) -> String {
        self.value(expression)
            .as_str()
            .unwrap_or_default()
            .to_owned()
    }

    /// Clicks into the middle of the first element that fits.
    pub fn click(&mut self, selector: &str) {
        let at = self.value(&format!(
            "(() => {{ const e = document.querySelector({}); e.scrollIntoView({{block: 'center'}}); \
             const b = e.getBoundingClientRect(); return [b.left + b.width / 2, b.top + b.height / 2]; }})()",
            json!(selector)
        ));
        for kind in ["mousePressed", "mouseReleased"] {
            self.call(
                "Input.dispatchMouseEvent",
                json!({"type": kind, "x": at[0], "y": at[1], "button": "left", "clickCount": 1}),
            );
        }
    }

    /// Drags inside the first element that fits, between two places given as
    /// shares of its width and height.
    pub fn drag(&mut self, selector: &str, from: (f64, f64), to: (f64, f64)) {
        let area = self.value(&format!(
            "(() => {{ const e = document.querySelector({}); e.scrollIntoView({{block: 'center'}}); \
             const b = e.getBoundingClientRect(); return [b.left, b.top, b.width, b.height]; }})()",
            json!(selector)
        ));
        let number = |i: usize| area[i].as_f64().unwrap_or_default();
        for (kind, place) in [
            ("mousePressed", from),
            ("mouseMoved", to),
            ("mouseReleased", to),
        ] {
            let (x, y) = (
                number(0) + place.0 * number(2),
                number(1) + place.1 * number(3),
            );
            self.call(
                "Input.dispatchMouseEvent",
                json!({"type": kind, "x": x, "y": y, "button": "left", "buttons": 1, "clickCount": 1}),
            );
        }
    }

    /// Sets the window's inner size.
    pub fn resize(&mut self, width: u32, height: u32) {
        let params =
            json!({"width": width, "height": height, "deviceScaleFactor": 1, "mobile": true});
        self.call("Emulation.setDeviceMetricsOverride", params);
    }

    /// Errors that the page has caused so far.
    pub fn errors(&self) -> Vec<String> {
        self.errors.clone()
    }

    /// Keeps a picture of the whole page.
    pub fn screenshot(&mut self, path: &Path) {
        let shot = self.call(
            "Page.captureScreenshot",
            json!({"captureBeyondViewport": true}),
        );
        let text = shot["data"].as_str().unwrap_or_default();
        let bytes: Vec<u8> = text
            .bytes()
            .filter_map(|c| match c {
                b'A'..=b'Z' => Some(c - b'A'),
                b'a'..=b'z' => Some(c - b'a' + 26),
                b'0'..=b'9' => Some(c - b'0' + 52),
                b'+' => Some(62),
                b'/' => Some(63),
                _ => None,
            })
            .collect::<Vec<u8>>()
            .chunks(4)
            .flat_map(|four| {
                let word = four.iter().fold(0_u32, |w, v| w << 6 | u32::from(*v))
                    << (6 * (4 - four.len()));
                word.to_be_bytes()[1..four.len()].to_vec()
            })
            .collect();
        std::fs::write(path, bytes).expect("the folder can be written");
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
