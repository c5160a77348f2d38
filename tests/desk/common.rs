//! A desk on a copy of the demo book with a session to taste, and phones.

use std::collections::BTreeMap;
use std::fs;
use std::io::{BufRead as _, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use blindsteep::book::Book;
use blindsteep::book::session_files::{Kind, SessionFile};
use blindsteep::book::time::{Day, Moment};
use blindsteep::desk::doors::Doors;
use blindsteep::session::{
    self, DealSecret, Duplicates, FlightRequest, PlanRequest, Session, Terms,
};
use reqwest::blocking::{Client, Response};
use serde_json::{Value, json};

/// The lots of the session, none of which a taster may ever read.
pub const LOTS: [&str; 3] = ["T25-14", "T25-15", "T25-16"];
pub const TASTERS: [&str; 3] = ["ann", "bo", "cy"];

pub fn now() -> Moment {
    "2026-06-02T09:00:00+08:00".parse().unwrap()
}

pub fn day(text: &str) -> Day {
    text.parse().unwrap()
}

pub fn secret(n: u8) -> DealSecret {
    DealSecret::known([n; 16], [n.wrapping_add(100); 16])
}

/// Three lots, a duplicate, a warm-up cup, two flights; terms of every scale that the book has.
pub fn request() -> PlanRequest {
    PlanRequest {
        name: "spring".to_owned(),
        kind: Kind::Profile,
        per_taster: None,
        test: None,
        expected: None,
        lots: LOTS.map(str::to_owned).to_vec(),
        flights: Vec::<FlightRequest>::new(),
        tasters: TASTERS.map(str::to_owned).to_vec(),
        replicates: 2,
        duplicates: Duplicates::Dealt(1),
        reference: None,
        warm_up: Some(LOTS[0].to_owned()),
        recipe: Some("iso3103-small".to_owned()),
        terms: Terms::Default,
        days: vec![day("2026-06-02")],
        flight_size: None,
        order_seed: 7,
        guess: true,
        alone: false,
    }
}

/// A copy of the demo book in a folder of its own.
pub struct Garden {
    dir: tempfile::TempDir,
    pub book: Book,
}

impl Garden {
    /// With a session as [`request`] says.
    pub fn planned() -> Self {
        let garden = Self::empty();
        garden.plan(&request());
        garden
    }

    pub fn empty() -> Self {
        let dir = tempfile::tempdir().unwrap();
        let root = dir.path().join("tavrinel");
        copy(&Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-sessions/tavrinel"), &root);
        Self { book: Book::open(&root).unwrap(), dir }
    }

    pub fn plan(&self, request: &PlanRequest) -> String {
        session::plan(&self.book, request, now(), secret(1)).unwrap().session
    }

    pub fn root(&self) -> &Path {
        self.book.root()
    }

    pub fn session(&self) -> Session {
        Session::open(&self.book, "spring").unwrap()
    }

    pub fn plan_file(&self) -> SessionFile {
        self.session().plan().clone()
    }

    /// Sets when answers may be changed, and the rest between cups.
    pub fn set_ballot(&self, go_back: &str, rest_s: u32) {
        let file = self.root().join("book.toml");
        let text = fs::read_to_string(&file).unwrap();
        let (before, after) = (
            "go_back = \"flight\"\nrest_s = 0\n",
            format!("go_back = \"{go_back}\"\nrest_s = {rest_s}\n"),
        );
        assert!(text.contains(before));
        fs::write(&file, text.replace(before, &after)).unwrap();
    }

    pub fn read(&self, file: &str) -> String {
        fs::read_to_string(self.root().join(file)).unwrap()
    }

    /// The ballot of a taster as it stands on disk; empty without one.
    pub fn ballot(&self, taster: &str) -> String {
        let file = self.root().join(self.session().ballot_file(taster));
        fs::read_to_string(file).unwrap_or_default()
    }

    /// The entries of a ballot, line by line.
    pub fn entries(&self, taster: &str) -> Vec<String> {
        let text = self.ballot(taster);
        text.lines().skip(1).filter_map(|l| l.split(',').next()).map(str::to_owned).collect()
    }

    /// Runs another command on the book.
    pub fn run(&self, args: &[&str]) -> (i32, String) {
        let out = Command::new(env!("CARGO_BIN_EXE_blindsteep"))
            .args(args)
            .arg("--book")
            .arg(self.root())
            .stdin(Stdio::null())
            .output()
            .unwrap();
        let text = [out.stdout, out.stderr].concat();
        (out.status.code().unwrap(), String::from_utf8(text).unwrap())
    }

    /// The links of the session's tasters. A desk that runs has its own hand on them: ask before.
    pub fn links(&self) -> BTreeMap<String, String> {
        let doors = Doors::open(&self.book).unwrap();
        let session = self.session();
        let tasters = session.plan().tasters.iter();
        tasters.map(|t| (t.clone(), doors.taster_link(&session.name, t).unwrap())).collect()
    }

    /// A folder beside the book.
    pub fn beside(&self) -> PathBuf {
        self.dir.path().to_owned()
    }
}

fn copy(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let to = to.join(entry.file_name());
        if entry.path().is_dir() {
            copy(&entry.path(), &to);
        } else {
            fs::copy(entry.path(), to).unwrap();
        }
    }
}

/// A running `blindsteep desk`.
pub struct Desk {
    child: Child,
    /// The way in of the maker, with the secret link.
    pub way_in: String,
    /// Where the desk is, as http://127.0.0.1:41234.
    pub desk: String,
    /// Where the ballots are.
    pub ballots: String,
}

impl Desk {
    /// Starts one at ports of the system's choice.
    pub fn start(garden: &Garden) -> Self {
        Self::start_with(garden, &["--port", "0", "--ballots-port", "0"])
    }

    /// Starts one with these flags, and reads the addresses that it prints.
    pub fn start_with(garden: &Garden, flags: &[&str]) -> Self {
        let mut child = Command::new(env!("CARGO_BIN_EXE_blindsteep"))
            .arg("desk")
            .arg(garden.root())
            .arg("--no-browser")
            .args(flags)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::inherit())
            .spawn()
            .unwrap();
        let mut text = String::new();
        let mut lines = BufReader::new(child.stdout.take().unwrap());
        while !text.contains("End it with") {
            if lines.read_line(&mut text).unwrap() == 0 {
                let _ = child.wait();
                panic!("the desk ended: {text}");
            }
        }
        let address = |after: &str| {
            let rest = &text[text.find(after).unwrap() + after.len()..];
            rest.split_whitespace().next().unwrap().trim_end_matches(';').to_owned()
        };
        let way_in = address("The desk is open: ");
        let ballots = if text.contains("Phones reach") {
            address("Phones reach the ballots at ")
        } else {
            address("Only this machine reaches the ballots, at ")
        };
        let desk = way_in.split("/enter/").next().unwrap().to_owned();
        Self { child, way_in, desk, ballots }
    }

    /// The port of an address.
    pub fn port(address: &str) -> u16 {
        address.rsplit(':').next().unwrap().parse().unwrap()
    }

    /// Kills it at once, as a power cut of the process (SIGKILL).
    pub fn kill(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }

    pub fn pid(&self) -> u32 {
        self.child.id()
    }
}

impl Drop for Desk {
    fn drop(&mut self) {
        self.kill();
    }
}

pub fn client() -> Client {
    Client::builder()
        .redirect(reqwest::redirect::Policy::none())
        .timeout(Duration::from_secs(20))
        .build()
        .unwrap()
}

/// An entry as a phone draws it; here one after the other.
pub fn entry() -> String {
    static NEXT: AtomicU64 = AtomicU64::new(1);
    const LETTERS: &[u8; 32] = b"0123456789abcdefghjkmnpqrstvwxyz";
    let n = NEXT.fetch_add(1, Ordering::Relaxed);
    (0..16).map(|i| char::from(LETTERS[(n >> (5 * i).min(60) & 31) as usize])).collect()
}

/// A taster's phone.
#[derive(Clone)]
pub struct Phone {
    pub client: Client,
    pub ballots: String,
    pub cookie: String,
    pub token: String,
}

impl Phone {
    /// Follows a link.
    pub fn join(ballots: &str, link: &str) -> Self {
        let client = client();
        let answer = client.post(format!("{ballots}/join/{link}")).send().unwrap();
        assert_eq!(answer.status(), 303);
        let cookie = answer.headers()["set-cookie"].to_str().unwrap();
        let cookie = cookie.split(';').next().unwrap().to_owned();
        let mut phone = Self { client, ballots: ballots.to_owned(), cookie, token: String::new() };
        phone.token = phone.now()["token"].as_str().unwrap().to_owned();
        phone
    }

    pub fn get(&self, path: &str) -> Response {
        let url = format!("{}{path}", self.ballots);
        self.client.get(url).header("cookie", &self.cookie).send().unwrap()
    }

    pub fn now(&self) -> Value {
        let answer = self.get("/ballot/now");
        assert_eq!(answer.status(), 200);
        answer.json().unwrap()
    }

    /// The same, if the network lets it: a desk that dies while it answers has not answered.
    pub fn try_now(&self) -> reqwest::Result<Value> {
        let url = format!("{}/ballot/now", self.ballots);
        let answer = self.client.get(url).header("cookie", &self.cookie).send()?;
        answer.error_for_status()?.json()
    }

    /// Sends something, if the network lets it.
    pub fn try_post(&self, path: &str, body: &Value) -> reqwest::Result<(u16, Value)> {
        let url = format!("{}{path}", self.ballots);
        let request = self.client.post(url).header("cookie", &self.cookie);
        let answer = request.header("x-form", &self.token).json(body).send()?;
        let status = answer.status().as_u16();
        Ok((status, answer.json()?))
    }

    pub fn post(&self, path: &str, body: &Value) -> (u16, Value) {
        self.try_post(path, body).unwrap()
    }

    /// Sends one answer and gives what became of it.
    pub fn answer(&self, line: Value) -> Value {
        let (status, body) = self.post("/ballot/lines", &json!({"lines": [line]}));
        assert_eq!(status, 200, "{body}");
        body["results"][0].clone()
    }
}

/// An answer to a term of a cup.
pub fn line(cup: u64, term: &str, value: &str) -> Value {
    json!({"entry": entry(), "cup": cup, "steep": 1, "term": term, "state": "scored", "value": value, "note": null})
}

/// The cups of a flight, from 0, in the taster's order.
pub fn cups(now: &Value, flight: usize) -> Vec<u64> {
    now["flights"][flight]["cups"].as_array().unwrap().iter().map(|c| c.as_u64().unwrap()).collect()
}
