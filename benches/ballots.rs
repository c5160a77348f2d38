//! Sixty tasters who save at once: real HTTP on loopback, against the command itself.
//!
//! `cargo bench --profile release --bench ballots -- [SECONDS]`. Each taster has a connection that is kept open, and
//! sends the next answer up to 100 ms after the last one was acknowledged. Beside it stands what the disk itself
//! takes for a line that is appended and synced, one after the other and sixty at once: faster than that nobody
//! can acknowledge. Ends with 1 if the 99th percentile is not below 50 ms or the memory not below 150 MB.

mod running;

use std::fs;
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::TcpStream;
use std::path::Path;
use std::process::ExitCode;
use std::sync::Barrier;
use std::time::{Duration, Instant};

use blindsteep::book::Book;
use blindsteep::book::session_files::Kind;
use blindsteep::desk::doors::{Doors, form_token};
use blindsteep::session::{self, DealSecret, Duplicates, PlanRequest, Session, Terms};
use rand_chacha::ChaCha12Rng;
use rand_chacha::rand_core::{Rng as _, SeedableRng as _};
use serde_json::{Value, json};

use running::{Failed, Running};

const TASTERS: usize = 60;
const GOAL_MS: f64 = 50.0;
const GOAL_MB: f64 = 150.0;

fn main() -> Result<ExitCode, Failed> {
    let seconds = std::env::args().filter_map(|a| a.parse::<u64>().ok()).next().unwrap_or(10);
    let dir = tempfile::tempdir()?;
    let root = dir.path().join("book");
    copy(&Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-sessions/tavrinel"), &root)?;
    let tasters: Vec<String> = (1..=TASTERS).map(|i| format!("taster-{i:02}")).collect();
    let mut list = fs::OpenOptions::new().append(true).open(root.join("tasters.toml"))?;
    for taster in &tasters {
        write!(list, "\n[[taster]]\nid = \"{taster}\"\n")?;
    }
    let book = Book::open(&root)?;
    let name = plan(&book, &tasters)?;
    let doors = Doors::open(&book)?;
    let links: Vec<String> =
        tasters.iter().map(|t| doors.taster_link(&name, t)).collect::<Result<_, _>>()?;
    drop(doors);

    println!("the disk: a line of 120 bytes, appended and synced");
    told("one after the other", &mut disk(dir.path(), 1)?);
    told("sixty at once", &mut disk(dir.path(), TASTERS)?);

    let desk = Desk::start(&root)?;
    let memory_before = desk.running.megabytes();
    let order_of = Session::open(&book, &name)?.plan().clone();
    let joined = Barrier::new(TASTERS);
    let all: Vec<Result<Vec<f64>, Failed>> = std::thread::scope(|scope| {
        let threads: Vec<_> = links
            .iter()
            .zip(&tasters)
            .enumerate()
            .map(|(i, (link, taster))| {
                let cups: Vec<u16> =
                    order_of.flights.iter().flat_map(|f| f.order_of(taster).to_vec()).collect();
                let (ballots, joined) = (desk.ballots.clone(), &joined);
                scope.spawn(move || taste(&ballots, link, &cups, i as u64, joined, seconds))
            })
            .collect();
        threads
            .into_iter()
            .map(|t| t.join().unwrap_or_else(|_| Err("a taster broke off".into())))
            .collect()
    });
    let mut times: Vec<f64> =
        all.into_iter().collect::<Result<Vec<_>, _>>()?.into_iter().flatten().collect();
    let memory = desk.running.megabytes();
    drop(desk);
    let n = times.len();
    println!(
        "\n{TASTERS} tasters, {seconds} s, {n} answers, {:.0} a second",
        n as f64 / seconds as f64
    );
    let p99 = told("sent to acknowledged", &mut times);
    println!("memory of the process: {memory_before:.0} MB before, {memory:.0} MB after");
    let lines: usize = tasters
        .iter()
        .map(|t| {
            let file = root.join("sessions").join(&name).join(format!("ballots/{t}.csv"));
            fs::read_to_string(file).map_or(0, |text| text.lines().count().saturating_sub(1))
        })
        .sum();
    println!("on disk: {lines} lines");
    let good = p99 < GOAL_MS && memory < GOAL_MB && lines == n;
    println!(
        "goal (p99 below {GOAL_MS} ms, memory below {GOAL_MB} MB): {}",
        if good { "met" } else { "missed" }
    );
    Ok(if good { ExitCode::SUCCESS } else { ExitCode::FAILURE })
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

fn plan(book: &Book, tasters: &[String]) -> Result<String, Failed> {
    let request = PlanRequest {
        name: "many".to_owned(),
        kind: Kind::Profile,
        lots: ["T25-14", "T25-15", "T25-16"].map(str::to_owned).to_vec(),
        flights: Vec::new(),
        tasters: tasters.to_vec(),
        replicates: 2,
        duplicates: Duplicates::Dealt(1),
        reference: None,
        warm_up: None,
        recipe: Some("iso3103-small".to_owned()),
        terms: Terms::Default,
        days: vec!["2026-06-02".parse()?],
        flight_size: None,
        per_taster: None,
        order_seed: 7,
        guess: false,
        test: None,
        expected: None,
        alone: false,
    };
    let now = "2026-06-02T09:00:00+08:00".parse()?;
    Ok(session::plan(book, &request, now, DealSecret::from_system()?)?.session)
}

/// Prints percentiles and gives the 99th.
fn told(what: &str, ms: &mut [f64]) -> f64 {
    ms.sort_by(f64::total_cmp);
    let at =
        |share: f64| ms.get(((ms.len() as f64 * share) as usize).min(ms.len().saturating_sub(1)));
    let at = |share: f64| at(share).copied().unwrap_or(f64::NAN);
    println!(
        "{what}: median {:.1} ms, 99th percentile {:.1} ms, longest {:.1} ms",
        at(0.5),
        at(0.99),
        at(1.0)
    );
    at(0.99)
}

fn disk(folder: &Path, n: usize) -> Result<Vec<f64>, Failed> {
    let line = [b'x'; 119];
    let one = |i: usize| -> std::io::Result<Vec<f64>> {
        let path = folder.join(format!("probe-{n}-{i}"));
        let mut file = fs::OpenOptions::new().create(true).append(true).open(path)?;
        let mut times = Vec::new();
        for _ in 0..(if n == 1 { 200 } else { 30 }) {
            let since = Instant::now();
            file.write_all(&line).and_then(|()| file.write_all(b"\n"))?;
            file.sync_data()?;
            times.push(since.elapsed().as_secs_f64() * 1000.0);
        }
        Ok(times)
    };
    let all: Vec<std::io::Result<Vec<f64>>> = std::thread::scope(|scope| {
        let threads: Vec<_> = (0..n).map(|i| scope.spawn(move || one(i))).collect();
        threads.into_iter().map(|t| t.join().unwrap_or_else(|_| Ok(Vec::new()))).collect()
    });
    Ok(all.into_iter().collect::<Result<Vec<_>, _>>()?.into_iter().flatten().collect())
}

struct Desk {
    running: Running,
    ballots: String,
}

impl Desk {
    fn start(root: &Path) -> Result<Self, Failed> {
        let running = Running::start(root)?;
        let after =
            running.said.split("reaches the ballots, at http://").nth(1).ok_or("no address")?;
        let ballots = after.split(';').next().unwrap_or_default().to_owned();
        Ok(Self { running, ballots })
    }
}

/// One taster, answer after answer.
fn taste(
    ballots: &str,
    link: &str,
    cups: &[u16],
    seed: u64,
    joined: &Barrier,
    seconds: u64,
) -> Result<Vec<f64>, Failed> {
    let mut rng = ChaCha12Rng::seed_from_u64(seed);
    let mut stream = BufReader::new(TcpStream::connect(ballots)?);
    stream.get_ref().set_nodelay(true)?;
    let door = ask(
        &mut stream,
        &format!("POST /join/{link} HTTP/1.1\r\nHost: {ballots}\r\nContent-Length: 0\r\n\r\n"),
    );
    // Everybody sits before anybody tastes; one who did not get in holds up nobody.
    joined.wait();
    let until = Instant::now() + Duration::from_secs(seconds);
    let door = door?.0;
    let cookie = door.lines().find_map(|l| l.strip_prefix("set-cookie: ")).ok_or("no cookie")?;
    let cookie = cookie.split(';').next().unwrap_or_default().to_owned();
    let token = form_token(cookie.split('=').nth(1).unwrap_or_default());
    let terms = ["malty", "sweet", "bitter", "green", "woody", "bright", "flat", "body"];
    let mut times = Vec::new();
    for i in 0_usize.. {
        std::thread::sleep(Duration::from_millis(rng.next_u64() % 101));
        if Instant::now() > until {
            break;
        }
        let bits = rng.next_u64();
        const LETTERS: &[u8; 32] = b"0123456789abcdefghjkmnpqrstvwxyz";
        let entry: String =
            (0..12).map(|k| char::from(LETTERS[(bits >> (5 * k) & 31) as usize])).collect();
        let body = json!({"lines": [{
            "entry": format!("{entry}{:04}", i % 10_000),
            "cup": cups[i / terms.len() % cups.len()], "steep": 1,
            "term": terms[i % terms.len()], "state": "scored",
            "value": (bits % 10).to_string(), "note": null,
        }]})
        .to_string();
        let request = format!(
            "POST /ballot/lines HTTP/1.1\r\nHost: {ballots}\r\nCookie: {cookie}\r\nX-Form: {token}\r\n\
             Content-Type: application/json\r\nContent-Length: {}\r\n\r\n{body}",
            body.len()
        );
        let since = Instant::now();
        let (head, body) = ask(&mut stream, &request)?;
        times.push(since.elapsed().as_secs_f64() * 1000.0);
        let answer: Value = serde_json::from_str(&body)?;
        if answer["results"][0]["outcome"] != "saved" {
            return Err(format!("{head}{body}").into());
        }
    }
    Ok(times)
}

/// Sends a request over a connection that is kept, and reads the head and the body of its answer.
fn ask(stream: &mut BufReader<TcpStream>, request: &str) -> Result<(String, String), Failed> {
    stream.get_mut().write_all(request.as_bytes())?;
    let mut head = String::new();
    while !head.ends_with("\r\n\r\n") {
        if stream.read_line(&mut head)? == 0 {
            return Err("the connection ended".into());
        }
    }
    let length = head.lines().find_map(|l| l.strip_prefix("content-length: "));
    let mut body = vec![0; length.and_then(|n| n.parse().ok()).unwrap_or(0)];
    stream.read_exact(&mut body)?;
    Ok((head, String::from_utf8(body)?))
}
