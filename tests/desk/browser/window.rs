//! Chromium, driven through chromedriver: windows of phone and laptop size, each with cookies of its own.
//!
//! The protocol is WebDriver (W3C Recommendation), a handful of its commands. A library for it was tried: it asks
//! serde and syn for features of their own, so that every library would be built twice.

use std::io::{BufRead as _, BufReader};
use std::process::{Child, Command, Stdio};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use base64::Engine as _;
use reqwest::Method;
use reqwest::blocking::Client;
use serde_json::{Value, json};

/// How long a condition may take at most, on a machine that is busy.
const PATIENCE: Duration = Duration::from_secs(40);

static ONE_AT_A_TIME: Mutex<()> = Mutex::new(());

/// A chromedriver that is ended with the test.
pub struct Browser {
    _alone: MutexGuard<'static, ()>,
    driver: Child,
    address: String,
}

impl Browser {
    pub fn start() -> Self {
        let alone = ONE_AT_A_TIME.lock().unwrap_or_else(PoisonError::into_inner);
        let mut driver = Command::new("chromedriver")
            .arg("--port=0")
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap_or_else(|e| panic!("chromedriver: {e}; install chromium and chromium-driver"));
        let mut lines = BufReader::new(driver.stdout.take().unwrap()).lines();
        let port = loop {
            let line = lines.next().expect("chromedriver says its port").unwrap();
            if let Some((_, port)) = line.split_once("successfully on port ") {
                break port.trim_end_matches('.').to_owned();
            }
        };
        // What it says later is read away, so that it never waits for us.
        std::thread::spawn(move || lines.for_each(drop));
        Self { _alone: alone, driver, address: format!("http://127.0.0.1:{port}") }
    }

    /// A window of a phone's size that is touched.
    pub fn phone(&self, width: u32, height: u32, flags: &[&str]) -> Window {
        let metrics = json!({"width": width, "height": height, "pixelRatio": 1, "touch": true, "mobile": true});
        self.window(json!({"mobileEmulation": {"deviceMetrics": metrics}}), flags)
    }

    /// A window of a laptop's size.
    pub fn laptop(&self) -> Window {
        self.window(json!({}), &["--window-size=1280,800"])
    }

    fn window(&self, mut options: Value, flags: &[&str]) -> Window {
        let own = [
            "--headless=new",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-dev-shm-usage",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--no-first-run",
        ];
        options["args"] = own.iter().chain(flags).map(|f| json!(f)).collect();
        let wish = json!({
            "browserName": "chrome",
            "goog:chromeOptions": options,
            "goog:loggingPrefs": {"browser": "ALL", "performance": "ALL"},
        });
        let client = Client::builder().timeout(PATIENCE * 3).build().unwrap();
        let session = ask(
            &client,
            Method::POST,
            &format!("{}/session", self.address),
            Some(json!({"capabilities": {"alwaysMatch": wish}})),
        )
        .unwrap_or_else(|e| panic!("no window opens: {e}"));
        let id = session["sessionId"].as_str().unwrap();
        let address = format!("{}/session/{id}", self.address);
        let window = Window { client, address };
        window.command(Method::POST, "timeouts", Some(json!({"script": 60_000})));
        window
    }
}

/// Sends a command; gives its value, or what went wrong.
fn ask(client: &Client, method: Method, url: &str, body: Option<Value>) -> Result<Value, String> {
    let mut request = client.request(method, url);
    if let Some(body) = body {
        request = request.json(&body);
    }
    let answer = request.send().map_err(|e| e.to_string())?;
    let good = answer.status().is_success();
    let mut answer: Value = answer.json().map_err(|e| e.to_string())?;
    let value = answer["value"].take();
    if good { Ok(value) } else { Err(format!("{}: {}", value["error"], value["message"])) }
}

impl Drop for Browser {
    fn drop(&mut self) {
        let _ = self.driver.kill();
        let _ = self.driver.wait();
    }
}

/// A window.
pub struct Window {
    client: Client,
    address: String,
}

/// Something that a window received: from where, and all of it, headers and body.
pub struct Received {
    pub url: String,
    pub text: String,
}

impl Window {
    fn try_command(
        &self,
        method: Method,
        path: &str,
        body: Option<Value>,
    ) -> Result<Value, String> {
        ask(&self.client, method, &format!("{}/{path}", self.address), body)
    }

    fn command(&self, method: Method, path: &str, body: Option<Value>) -> Value {
        self.try_command(method, path, body).unwrap_or_else(|e| panic!("{path}: {e}"))
    }

    pub fn go(&self, url: &str) {
        self.command(Method::POST, "url", Some(json!({"url": url})));
    }

    pub fn back(&self) {
        self.command(Method::POST, "back", Some(json!({})));
    }

    pub fn reload(&self) {
        self.command(Method::POST, "refresh", Some(json!({})));
    }

    pub fn source(&self) -> String {
        self.command(Method::GET, "source", None).as_str().unwrap_or_default().to_owned()
    }

    /// Runs a script's body in the page, with the helpers at hand.
    pub fn try_eval(&self, script: &str, args: &[Value]) -> Result<Value, String> {
        let script = format!("{}\n{script}", include_str!("helpers.js"));
        let body = json!({"script": script, "args": args});
        self.try_command(Method::POST, "execute/sync", Some(body))
    }

    pub fn eval(&self, script: &str) -> Value {
        self.try_eval(script, &[]).unwrap_or_else(|e| panic!("{script}\n{e}"))
    }

    /// Runs a script that ends by calling its first argument.
    pub fn eval_async(&self, script: &str) -> Value {
        let script = format!("{}\n{script}", include_str!("helpers.js"));
        let body = json!({"script": script, "args": []});
        self.command(Method::POST, "execute/async", Some(body))
    }

    /// Waits until a script gives something that is true, and gives that.
    pub fn until(&self, script: &str) -> Value {
        self.until_with(script, &[])
    }

    pub fn until_with(&self, script: &str, args: &[Value]) -> Value {
        let start = Instant::now();
        loop {
            let got = self.try_eval(script, args);
            if let Ok(value) = &got
                && !matches!(value, Value::Null | Value::Bool(false))
                && value.as_str() != Some("")
                && value.as_i64() != Some(0)
            {
                return value.clone();
            }
            if start.elapsed() > PATIENCE {
                let text = self.try_eval("return document.body.innerText", &[]);
                let console = self.console();
                panic!(
                    "never: {script}\nwith {args:?}\nlast: {got:?}\non the page: {text:?}\nconsole: {console:?}"
                );
            }
            std::thread::sleep(Duration::from_millis(30));
        }
    }

    /// Touches, in its middle, the element that a script's expression gives, once it is there and nothing covers it.
    pub fn tap(&self, element: &str) {
        self.tap_at(element, 0.5);
    }

    /// Touches an element at a share of its width.
    pub fn tap_at(&self, element: &str, share: f64) {
        let script = format!(
            "const e = {element}; if (!e || e.disabled) return null; e.scrollIntoView({{block: 'center'}});
             const r = e.getBoundingClientRect(); const x = r.left + r.width * arguments[0], y = r.top + r.height / 2;
             const at = document.elementFromPoint(x, y);
             return at && (e.contains(at) || at.contains(e)) ? [x, y] : null;"
        );
        let at = self.until_with(&script, &[json!(share)]);
        let point = json!({"x": at[0], "y": at[1]});
        self.devtools(
            "Input.dispatchTouchEvent",
            json!({"type": "touchStart", "touchPoints": [point]}),
        );
        self.devtools("Input.dispatchTouchEvent", json!({"type": "touchEnd", "touchPoints": []}));
    }

    /// Touches the button whose text begins so.
    pub fn press(&self, text: &str) {
        self.tap(&format!("button({})", json!(text)));
    }

    /// Presses a key where the focus is.
    pub fn key(&self, key: &str) {
        let mut down = json!({"type": "keyDown", "key": key, "code": key});
        let code = match key {
            "Tab" => 9,
            "Enter" => 13,
            " " => 32,
            "End" => 35,
            "Home" => 36,
            "ArrowLeft" => 37,
            "ArrowRight" => 39,
            "Delete" => 46,
            other => other.chars().next().map_or(0, |c| c as u32),
        };
        down["windowsVirtualKeyCode"] = json!(code);
        match key {
            "Enter" => down["text"] = json!("\r"),
            k if k.chars().count() == 1 => down["text"] = json!(k),
            _ => {}
        }
        self.devtools("Input.dispatchKeyEvent", down);
        self.devtools(
            "Input.dispatchKeyEvent",
            json!({"type": "keyUp", "key": key, "code": key, "windowsVirtualKeyCode": code}),
        );
    }

    /// Types a text where the focus is.
    pub fn write(&self, text: &str) {
        self.devtools("Input.insertText", json!({"text": text}));
    }

    pub fn devtools(&self, command: &'static str, params: Value) -> Value {
        self.try_devtools(command, params).unwrap_or_else(|e| panic!("{command}: {e}"))
    }

    pub fn try_devtools(&self, command: &'static str, params: Value) -> Result<Value, String> {
        let body = json!({"cmd": command, "params": params});
        self.try_command(Method::POST, "goog/cdp/execute", Some(body))
    }

    pub fn size(&self, width: u32, height: u32) {
        let metrics =
            json!({"width": width, "height": height, "deviceScaleFactor": 1, "mobile": true});
        self.devtools("Emulation.setDeviceMetricsOverride", metrics);
    }

    /// Takes the network away from the window, or gives it back.
    pub fn offline(&self, yes: bool) {
        self.devtools("Network.enable", json!({}));
        let conditions =
            json!({"offline": yes, "latency": 0, "downloadThroughput": -1, "uploadThroughput": -1});
        self.devtools("Network.emulateNetworkConditions", conditions);
    }

    /// What the console said since the last time, but for information.
    pub fn console(&self) -> Vec<String> {
        let bad = self
            .log("browser")
            .into_iter()
            .filter(|e| matches!(e["level"].as_str(), Some("SEVERE" | "WARNING")));
        bad.map(|e| e["message"].as_str().unwrap_or_default().to_owned()).collect()
    }

    fn log(&self, kind: &str) -> Vec<Value> {
        let log = self.try_command(Method::POST, "se/log", Some(json!({"type": kind})));
        log.ok().and_then(|l| l.as_array().cloned()).unwrap_or_default()
    }

    /// All that the window asked for since the last time: the addresses.
    pub fn requests(&self) -> Vec<String> {
        self.events("Network.requestWillBeSent")
            .iter()
            .filter_map(|e| e["request"]["url"].as_str().map(str::to_owned))
            .collect()
    }

    fn events(&self, method: &str) -> Vec<Value> {
        self.network().into_iter().filter(|(m, _)| m == method).map(|(_, e)| e).collect()
    }

    fn network(&self) -> Vec<(String, Value)> {
        self.log("performance")
            .iter()
            .filter_map(|entry| {
                let mut event: Value = serde_json::from_str(entry["message"].as_str()?).ok()?;
                let method = event["message"]["method"].as_str()?.to_owned();
                Some((method, event["message"]["params"].take()))
            })
            .collect()
    }

    /// All that the window received since the last time, bodies with their headers. The bodies of pages that were
    /// left are gone from the browser: ask before.
    pub fn received(&self) -> Vec<Received> {
        self.events("Network.responseReceived")
            .iter()
            .map(|event| {
                let url = event["response"]["url"].as_str().unwrap_or_default().to_owned();
                let id = event["requestId"].clone();
                let body = self.try_devtools("Network.getResponseBody", json!({"requestId": id}));
                let body = body.map_or_else(
                    |_| String::new(),
                    |b| {
                        let text = b["body"].as_str().unwrap_or_default();
                        if b["base64Encoded"] == json!(true) {
                            let bytes = base64::engine::general_purpose::STANDARD.decode(text);
                            String::from_utf8_lossy(&bytes.unwrap_or_default()).into_owned()
                        } else {
                            text.to_owned()
                        }
                    },
                );
                Received { url, text: format!("{}\n{body}", event["response"]["headers"]) }
            })
            .collect()
    }

    /// Nothing stands in the console.
    pub fn assert_quiet(&self) {
        let console = self.console();
        assert!(console.is_empty(), "{console:#?}");
    }

    /// Writes a picture of the whole page, for eyes, if BLINDSTEEP_PICTURES names a folder.
    pub fn picture(&self, name: &str) {
        let Some(folder) = std::env::var_os("BLINDSTEEP_PICTURES") else { return };
        let size = self.eval("return [innerWidth, document.documentElement.scrollHeight]");
        let clip = json!({"x": 0, "y": 0, "width": size[0], "height": size[1], "scale": 1});
        let shot = self.devtools(
            "Page.captureScreenshot",
            json!({"captureBeyondViewport": true, "clip": clip}),
        );
        let bytes =
            base64::engine::general_purpose::STANDARD.decode(shot["data"].as_str().unwrap());
        std::fs::create_dir_all(&folder).unwrap();
        std::fs::write(std::path::Path::new(&folder).join(format!("{name}.png")), bytes.unwrap())
            .unwrap();
    }
}

impl Drop for Window {
    fn drop(&mut self) {
        let _ = ask(&self.client, Method::DELETE, &self.address, None);
    }
}
