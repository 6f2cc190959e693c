//! A real Chromium without a screen, driven over WebDriver (W3C) by its own driver.

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};

use serde_json::{Value, json};
use tempfile::TempDir;

use crate::http;
use crate::needs;

/// The key of an element in WebDriver's JSON.
const ELEMENT: &str = "element-6066-11e4-a52e-4f735466cecf";

/// A browser with one window; closed when dropped.
pub struct Browser {
    driver: Child,
    port: u16,
    session: String,
    _profile: TempDir,
}

impl Browser {
    /// Starts Chromium, if the machine has it.
    ///
    /// # Panics
    ///
    /// When it does not start.
    #[must_use]
    pub fn start() -> Option<Self> {
        let (chromium, chromedriver) = needs::chromium()?;
        let profile = TempDir::new().unwrap();
        let mut driver = Command::new(chromedriver);
        let mut driver = driver.arg("--port=0").stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
        let said = BufReader::new(driver.stdout.take().unwrap());
        let port = said.lines().find_map(|line| port_in(&line.unwrap())).expect("the driver tells its port");
        let mut browser = Self { driver, port, session: String::new(), _profile: profile };
        let folder = browser._profile.path().display().to_string();
        // Without its own sandbox, which root and most containers do not allow.
        let args = [
            "--headless=new",
            "--no-sandbox",
            "--disable-dev-shm-usage",
            "--disable-gpu",
            "--hide-scrollbars",
        ];
        let args: Vec<String> =
            args.into_iter().map(str::to_owned).chain([format!("--user-data-dir={folder}")]).collect();
        let options = json!({ "binary": chromium, "args": args });
        let capabilities = json!({ "browserName": "chrome", "goog:chromeOptions": options });
        let begun = browser.call("POST", "", &json!({ "capabilities": { "alwaysMatch": capabilities } }));
        browser.session = format!("/{}", begun["sessionId"].as_str().unwrap());
        Some(browser)
    }

    /// Opens an address.
    pub fn open(&self, url: &str) {
        self.call("POST", "/url", &json!({ "url": url }));
    }

    /// The window of a phone: its size in CSS pixels, and whether its user likes it dark.
    pub fn be_a_phone(&self, width: u32, height: u32, dark: bool) {
        self.devtools(
            "Emulation.setDeviceMetricsOverride",
            &json!({ "width": width, "height": height, "deviceScaleFactor": 2, "mobile": true }),
        );
        self.devtools("Emulation.setTouchEmulationEnabled", &json!({ "enabled": true }));
        let scheme = json!({ "name": "prefers-color-scheme", "value": if dark { "dark" } else { "light" } });
        self.devtools("Emulation.setEmulatedMedia", &json!({ "features": [scheme] }));
    }

    /// Runs a script in the page; what it returns, also by a promise.
    #[must_use]
    pub fn run(&self, script: &str) -> Value {
        self.call("POST", "/execute/sync", &json!({ "script": script, "args": [] }))
    }

    /// Clicks what a CSS selector finds first, as a finger would: what is covered by
    /// something else cannot be clicked.
    pub fn click(&self, css: &str) {
        self.call("POST", &format!("/element/{}/click", self.element(css)), &json!({}));
    }

    /// Types into what a CSS selector finds first.
    pub fn write(&self, css: &str, text: &str) {
        self.call("POST", &format!("/element/{}/value", self.element(css)), &json!({ "text": text }));
    }

    /// Empties the box that a CSS selector finds first.
    pub fn clear(&self, css: &str) {
        self.call("POST", &format!("/element/{}/clear", self.element(css)), &json!({}));
    }

    /// The text that is seen of what a CSS selector finds first, any space as a plain one; none
    /// while it is not there.
    #[must_use]
    pub fn text(&self, css: &str) -> String {
        let script = format!("return document.querySelector({})?.innerText ?? ''", json!(css));
        self.run(&script).as_str().unwrap().replace('\u{a0}', " ")
    }

    /// Whether what a CSS selector finds is seen.
    #[must_use]
    pub fn sees(&self, css: &str) -> bool {
        self.run(&format!("return document.querySelector({})?.checkVisibility() ?? false", json!(css)))
            == true
    }

    /// Saves what is seen.
    ///
    /// # Panics
    ///
    /// When the file cannot be written.
    pub fn screenshot(&self, file: &Path) {
        let shot = self.devtools("Page.captureScreenshot", &json!({ "format": "png" }));
        std::fs::write(file, from_base64(shot["data"].as_str().unwrap())).unwrap();
    }

    fn element(&self, css: &str) -> String {
        let found = self.call("POST", "/element", &json!({ "using": "css selector", "value": css }));
        found[ELEMENT].as_str().unwrap().to_owned()
    }

    fn devtools(&self, command: &str, params: &Value) -> Value {
        self.call("POST", "/goog/cdp/execute", &json!({ "cmd": command, "params": params }))
    }

    /// One command of WebDriver.
    #[track_caller]
    fn call(&self, method: &str, path: &str, body: &Value) -> Value {
        let head = format!(
            "{method} /session{}{path} HTTP/1.1\nHost: 127.0.0.1:{}\nContent-Type: application/json",
            self.session, self.port
        );
        let response = http::send(self.port, &head, Some(body.to_string().as_bytes()));
        let mut answer = response.json();
        assert_eq!(response.status, 200, "{path} {body}: {answer}");
        answer["value"].take()
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        if !self.session.is_empty() && !std::thread::panicking() {
            self.call("DELETE", "", &json!({}));
        }
        // With the driver goes the browser that it started.
        let _ = self.driver.kill();
        let _ = self.driver.wait();
    }
}

/// "ChromeDriver was started successfully on port 12345."
fn port_in(line: &str) -> Option<u16> {
    line.split_once("successfully on port ")?.1.trim_end_matches('.').parse().ok()
}

/// RFC 4648.
fn from_base64(text: &str) -> Vec<u8> {
    let digit = |byte: u8| match byte {
        b'A'..=b'Z' => byte - b'A',
        b'a'..=b'z' => byte - b'a' + 26,
        b'0'..=b'9' => byte - b'0' + 52,
        b'+' => 62,
        _ => 63,
    };
    let digits: Vec<u8> = text.bytes().filter(|byte| *byte != b'=').map(digit).collect();
    let group = |four: &[u8]| {
        let bits =
            four.iter().enumerate().fold(0_u32, |bits, (at, six)| bits | u32::from(*six) << (18 - 6 * at));
        bits.to_be_bytes()[1..four.len()].to_vec()
    };
    digits.chunks(4).flat_map(group).collect()
}
