//! Pages of a book with 3,000 lots and 500 sessions: real HTTP on loopback, against the command itself.
//!
//! `cargo bench --profile release --bench desk_pages -- [LOTS SESSIONS]`. The lots and the sessions are those of the demo
//! book, many times over. Each page is asked for forty times; every answer looks at the files again. Beside them stands
//! how long the first page takes, after which everything was read once, and a page after a file was changed by
//! hand. Ends with 1 if the 95th percentile of any page is not below 100 ms.

mod running;

use std::fs;
use std::path::Path;
use std::process::ExitCode;
use std::time::{Duration, Instant};

use blindsteep::book::store;
use reqwest::blocking::Client;

use running::{Failed, Running};

const GOAL_MS: f64 = 100.0;
const TIMES: usize = 40;

fn main() -> Result<ExitCode, Failed> {
    let asked: Vec<usize> = std::env::args().filter_map(|a| a.parse().ok()).collect();
    let n_lots = asked.first().copied().unwrap_or(3000);
    let n_sessions = asked.get(1).copied().unwrap_or(500);
    let dir = tempfile::tempdir()?;
    let root = dir.path().join("book");
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-sessions/tavrinel");
    copy(&demo, &root)?;
    more_lots(&root, n_lots)?;
    more_sessions(&root, n_sessions)?;
    let mut desk = Desk::start(&root)?;
    let since = Instant::now();
    desk.get("/lots")?;
    println!(
        "{n_lots} lots and {n_sessions} sessions, read for the first time: {:.0} ms",
        since.elapsed().as_secs_f64() * 1000.0
    );
    // Files that were written a moment ago are read again, since their times may hide a change.
    std::thread::sleep(Duration::from_secs(3));
    desk.get("/lots")?;
    let pages = [
        "/",
        "/lots",
        "/lots?page=30",
        "/lots?text=T24-02",
        "/lots/T24-02",
        "/lots/T24-02/log?parameter=wither.hours",
        "/lots/new",
        "/lots/blend",
        "/sessions",
        "/setup",
        "/setup/vocabulary",
        "/setup/retasting",
        "/setup/edit/term?id=malty",
        "/clock",
    ];
    let mut worst: f64 = 0.0;
    println!("{:44} median     p95  longest, ms", "");
    for page in pages {
        let mut times = Vec::new();
        for _ in 0..TIMES {
            // The pace of a person: so many at once would be refused.
            std::thread::sleep(Duration::from_millis(20));
            let since = Instant::now();
            desk.get(page)?;
            times.push(since.elapsed().as_secs_f64() * 1000.0);
        }
        worst = worst.max(told(page, times));
    }
    let log = root.join("lots/T24-02/lot.toml");
    let text = fs::read_to_string(&log)?;
    let mut times = Vec::new();
    for i in 0..10 {
        fs::write(&log, format!("{text}# {i}\n"))?;
        let since = Instant::now();
        desk.get("/lots")?;
        times.push(since.elapsed().as_secs_f64() * 1000.0);
    }
    told("/lots, after a file was changed by hand", times);
    println!("memory of the process: {:.0} MB", desk.running.megabytes());
    let good = worst < GOAL_MS;
    println!("goal (each page below {GOAL_MS} ms): {}", if good { "met" } else { "missed" });
    drop(desk);
    Ok(if good { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}

/// Prints the times of a page and gives the 95th percentile.
fn told(what: &str, mut ms: Vec<f64>) -> f64 {
    ms.sort_by(f64::total_cmp);
    let at = |share: f64| {
        let place = ((ms.len() as f64 * share) as usize).min(ms.len().saturating_sub(1));
        ms.get(place).copied().unwrap_or(f64::NAN)
    };
    println!("{what:44} {:6.1} {:7.1} {:8.1}", at(0.5), at(0.95), at(1.0));
    at(0.95)
}

fn copy(from: &Path, to: &Path) -> std::io::Result<()> {
    fs::create_dir_all(to)?;
    for entry in fs::read_dir(from)? {
        let entry = entry?;
        let (path, to) = (entry.path(), to.join(entry.file_name()));
        if path.is_dir() {
            copy(&path, &to)?;
        } else {
            fs::copy(&path, to)?;
        }
    }
    Ok(())
}

fn names(folder: &Path) -> std::io::Result<Vec<String>> {
    let mut names: Vec<String> = fs::read_dir(folder)?
        .map(|e| Ok(e?.file_name().to_string_lossy().into_owned()))
        .collect::<std::io::Result<_>>()?;
    names.sort();
    Ok(names)
}

/// Lots like those of the demo, under names of their own.
fn more_lots(root: &Path, n: usize) -> std::io::Result<()> {
    let folder = root.join("lots");
    let demo = names(&folder)?;
    for i in 0..n.saturating_sub(demo.len()) {
        let old = &demo[i % demo.len()];
        let new = format!("{old}-{i:04}");
        let to = folder.join(&new);
        fs::create_dir(&to)?;
        let text = fs::read_to_string(folder.join(old).join("lot.toml"))?;
        // A run of a trial was made once.
        let text: String = text
            .replace(&format!("id = \"{old}\""), &format!("id = \"{new}\""))
            .lines()
            .filter(|l| !l.starts_with("trial =") && !l.starts_with("run ="))
            .map(|l| format!("{l}\n"))
            .collect();
        fs::write(to.join("lot.toml"), text)?;
        fs::copy(folder.join(old).join("log.csv"), to.join("log.csv"))?;
    }
    Ok(())
}

fn more_sessions(root: &Path, n: usize) -> std::io::Result<()> {
    let folder = root.join("sessions");
    let demo = names(&folder)?;
    for i in 0..n.saturating_sub(demo.len()) {
        let old = &demo[i % demo.len()];
        let new = format!("{old}-{i:03}");
        let to = folder.join(&new);
        copy(&folder.join(old), &to)?;
        // The key names its session, and its digest stands in the other files.
        let key = fs::read_to_string(to.join("key.toml"))?;
        let named = key.replace(&format!("session = \"{old}\""), &format!("session = \"{new}\""));
        let [was, is] = [&key, &named].map(|text| store::digest(text.as_bytes()));
        fs::write(to.join("key.toml"), named)?;
        for file in ["session.toml", "reveal.toml"] {
            let text = fs::read_to_string(to.join(file))?;
            fs::write(to.join(file), text.replace(&was, &is))?;
        }
    }
    Ok(())
}

struct Desk {
    running: Running,
    client: Client,
    address: String,
    cookie: String,
}

impl Desk {
    fn start(root: &Path) -> Result<Self, Failed> {
        let running = Running::start(root)?;
        let after = running.said.split("The desk is open: ").nth(1).ok_or("no address")?;
        let link = after.split_whitespace().next().unwrap_or_default();
        let client = Client::builder()
            .redirect(reqwest::redirect::Policy::none())
            .timeout(Duration::from_secs(120))
            .build()?;
        let answer = client.get(link).send()?;
        let cookie = answer.headers().get("set-cookie").ok_or("no cookie")?.to_str()?;
        let cookie = cookie.split(';').next().unwrap_or_default().to_owned();
        let address = link.split("/enter/").next().unwrap_or_default().to_owned();
        Ok(Self { running, client, address, cookie })
    }

    fn get(&mut self, page: &str) -> Result<String, Failed> {
        let url = format!("{}{page}", self.address);
        let answer = self.client.get(url).header("cookie", &self.cookie).send()?;
        if answer.status() != 200 {
            return Err(format!("{page}: {}", answer.status()).into());
        }
        Ok(answer.text()?)
    }
}
