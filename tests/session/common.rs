//! A small invented book, and the command run on it.

use std::fs;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use blindsteep::book::Book;
use blindsteep::book::lots::{How, LotFile};
use blindsteep::book::session_files::Kind;
use blindsteep::book::starter::{Beginning, begin};
use blindsteep::book::time::{Day, Moment};
use blindsteep::book::writing::{NewLot, add_lot};
use blindsteep::session::{
    self, Answer, DealSecret, Duplicates, Given, HandIn, PlanRequest, Planned, Session, Terms,
};
use rand_chacha::ChaCha12Rng;
use rand_chacha::rand_core::SeedableRng as _;

/// One term of each scale.
const VOCABULARY: &str = r#"format = 1

[[family]]
id = "taste"
labels = { en = "Taste", zh = "滋味" }

[[term]]
id = "bright"
family = "taste"
scale = { kind = "line", low = 0, high = 10, step = 0.5, ends = { en = ["dull", "bright"] } }
labels = { en = "Bright", zh = "明亮" }

[[term]]
id = "balance"
family = "taste"
scale = { kind = "bipolar", low = -5, high = 5, step = 1 }

[[term]]
id = "tips"
family = "taste"
scale = { kind = "ordered", levels = [{ id = "none" }, { id = "few" }, { id = "many" }] }

[[term]]
id = "hue"
family = "taste"
scale = { kind = "nominal", levels = [{ id = "gold", labels = { zh = "金黄" } }, { id = "red" }] }

[[term]]
id = "honey"
family = "taste"
scale = { kind = "tick" }

[[term]]
id = "musty"
family = "taste"
scale = { kind = "fault" }
labels = { en = "Musty, mouldy", zh = "霉味" }

[[term]]
id = "remarks"
family = "taste"
scale = { kind = "note" }
"#;

/// Lots with names that are found again wherever they leak.
pub const LOTS: [&str; 4] = ["Lot-Alpha", "Lot-Beta", "Lot-Gamma", "Frozen-Ref"];

pub struct Panel {
    _dir: tempfile::TempDir,
    pub root: PathBuf,
    pub book: Book,
}

pub fn now() -> Moment {
    "2026-05-14T09:00:00+08:00".parse().unwrap()
}

pub fn day(text: &str) -> Day {
    text.parse().unwrap()
}

impl Panel {
    /// Four lots with 100 g of reserve each, tasters ann, bo and cy.
    pub fn new() -> Self {
        let dir = tempfile::tempdir().unwrap();
        let root = dir.path().join("book");
        let book = begin(&root, &Beginning::default()).unwrap();
        fs::write(root.join("vocabulary.toml"), VOCABULARY).unwrap();
        let book_toml = fs::read_to_string(root.join("book.toml")).unwrap();
        // The starter's default terms are not in this vocabulary.
        let kept: Vec<&str> = book_toml.lines().take_while(|l| !l.contains("[defaults]")).collect();
        let rest = "\n[defaults]\nrecipe = \"small\"\n";
        fs::write(root.join("book.toml"), kept.join("\n") + rest).unwrap();
        fs::write(
            root.join("recipes.toml"),
            "format = 1\n\n[[recipe]]\nid = \"small\"\nleaf_g = 3.0\nwater_ml = 150\nwater_c = 94\nsteeps_s = [300]\n\n[[recipe]]\nid = \"three\"\nleaf_g = 5.0\nwater_ml = 110\nwater_c = 95\nsteeps_s = [30, 45, 60]\n",
        )
        .unwrap();
        fs::write(
            root.join("tasters.toml"),
            "format = 1\n\n[[taster]]\nid = \"ann\"\nname = \"Ann Example\"\n\n[[taster]]\nid = \"bo\"\n\n[[taster]]\nid = \"cy\"\n",
        )
        .unwrap();
        let panel = Self { _dir: dir, root, book };
        let mut rng = ChaCha12Rng::seed_from_u64(1);
        for lot in LOTS {
            let new = NewLot {
                file: LotFile::new(lot, "black", day("2026-05-01")),
                reserve_g: Some(100.0),
                values: Vec::new(),
                how: How::Measured,
                by: None,
            };
            add_lot(&panel.book, &new, now(), &mut rng).unwrap();
        }
        panel
    }

    pub fn plan(&self, request: &PlanRequest) -> Planned {
        session::plan(&self.book, request, now(), secret(1)).unwrap()
    }

    pub fn refusal(&self, request: &PlanRequest) -> String {
        session::plan(&self.book, request, now(), secret(1)).unwrap_err().to_string()
    }

    pub fn session(&self) -> Session {
        Session::open(&self.book, "spring").unwrap()
    }

    pub fn read(&self, file: &str) -> String {
        fs::read_to_string(self.root.join(file)).unwrap()
    }

    pub fn write(&self, file: &str, text: &str) {
        fs::write(self.root.join(file), text).unwrap();
    }

    /// Everything is answered and handed in by everybody.
    pub fn taste(&self) {
        let session = self.session();
        for taster in session.plan().tasters.clone() {
            let answers = full_answers(&session);
            session::enter_lines(
                &self.book,
                "spring",
                &taster,
                &answers,
                None,
                HandIn::Complete,
                now(),
            )
            .unwrap();
        }
    }

    /// Runs the command on this book.
    pub fn run(&self, args: &[&str]) -> Output {
        self.run_with(args, "")
    }

    pub fn run_with(&self, args: &[&str], input: &str) -> Output {
        let mut child = self.command(args).spawn().unwrap();
        child.stdin.take().unwrap().write_all(input.as_bytes()).unwrap();
        let out = child.wait_with_output().unwrap();
        Output {
            code: out.status.code().unwrap(),
            out: String::from_utf8(out.stdout).unwrap(),
            err: String::from_utf8(out.stderr).unwrap(),
        }
    }

    pub fn command(&self, args: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_blindsteep"));
        command
            .args(args)
            .arg("--book")
            .arg(&self.root)
            .env_remove("BLINDSTEEP_BOOK")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped());
        command
    }
}

#[derive(Debug)]
pub struct Output {
    pub code: i32,
    pub out: String,
    pub err: String,
}

pub fn secret(n: u8) -> DealSecret {
    DealSecret::known([n; 16], [n.wrapping_add(100); 16])
}

/// Three lots, a duplicate, a reference and a warm-up cup, two flights on two days.
pub fn request() -> PlanRequest {
    PlanRequest {
        name: "spring".to_owned(),
        kind: Kind::Profile,
        per_taster: None,
        test: None,
        expected: None,
        lots: LOTS[..3].iter().map(|l| (*l).to_owned()).collect(),
        flights: Vec::new(),
        tasters: ["ann", "bo", "cy"].map(str::to_owned).to_vec(),
        replicates: 2,
        duplicates: Duplicates::Dealt(1),
        reference: Some(LOTS[3].to_owned()),
        warm_up: Some(LOTS[3].to_owned()),
        recipe: None,
        terms: Terms::Default,
        days: vec![day("2026-05-14"), day("2026-05-15")],
        flight_size: None,
        order_seed: 7,
        guess: true,
        alone: false,
    }
}

pub fn answer(cup: u16, term: &str, value: &str) -> Answer {
    Answer {
        cup,
        steep: None,
        term: term.to_owned(),
        given: Given::of_text(value).unwrap(),
        note: None,
    }
}

/// An answer to every scale of every cup.
pub fn full_answers(session: &Session) -> Vec<Answer> {
    let mut answers = Vec::new();
    for flight in &session.plan().flights {
        for (i, cup) in flight.cups.iter().enumerate() {
            answers.push(answer(*cup, "bright", &(i as f64 / 2.0 + 3.0).to_string()));
            answers.push(answer(*cup, "balance", "-2"));
            answers.push(answer(*cup, "tips", "few"));
            answers.push(answer(*cup, "hue", if i % 2 == 0 { "gold" } else { "red" }));
        }
    }
    answers
}

/// All files below a folder, by their names relative to it.
pub fn files(root: &Path) -> Vec<(String, Vec<u8>)> {
    let mut found = Vec::new();
    let mut open = vec![root.to_owned()];
    while let Some(folder) = open.pop() {
        for entry in fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                open.push(path);
            } else {
                let name = path.strip_prefix(root).unwrap().to_string_lossy().replace('\\', "/");
                found.push((name, fs::read(&path).unwrap()));
            }
        }
    }
    found.sort();
    found
}

/// The lots that a text names.
pub fn lots_named(text: &str) -> Vec<&'static str> {
    let lower = text.to_lowercase();
    LOTS.into_iter().filter(|l| lower.contains(&l.to_lowercase())).collect()
}
