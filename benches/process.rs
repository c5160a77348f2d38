//! Whole processes, as somebody at a terminal waits for them.

use std::process::{Command, Stdio};

fn main() {
    divan::main();
}

fn run(args: &[&str]) {
    let status = Command::new(env!("CARGO_BIN_EXE_blindsteep"))
        .args(args)
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .stdout(Stdio::null())
        .status()
        .expect("the program runs");
    assert!(status.success(), "{args:?}");
}

const TV: [&str; 7] = [
    "--table",
    "tests/data/g04_tvbo_balanced.csv",
    "--lot",
    "TVset,Picture",
    "--taster=Assessor",
    "--replicate=Repeat",
    "--value=Sharpness,Coloursaturation,Noise,Flickeringstationary",
];

fn with<'a>(command: &'a str, rest: &[&'a str]) -> Vec<&'a str> {
    [command].into_iter().chain(rest.iter().copied()).collect()
}

/// The open television data: 192 rows, 4 terms.
#[divan::bench(sample_count = 20)]
fn agree_tv_table() {
    run(&with("agree", &TV));
}

#[divan::bench(sample_count = 20)]
fn compare_tv_table() {
    run(&with("compare", &TV));
}

#[divan::bench(sample_count = 50)]
fn help() {
    run(&["--help"]);
}

/// One session of the demo book: 6 tasters, 12 cups, 19 terms.
#[divan::bench(sample_count = 10)]
fn agree_demo_session() {
    run(&["--book", "demo-sessions/tavrinel", "agree", "month-01"]);
}

/// Sixteen lots at their first tastings in four of ten sessions, five lines, 13 terms.
#[divan::bench(sample_count = 10)]
fn link_demo_book() {
    run(&["--book", "demo-sessions/tavrinel", "link"]);
}

#[divan::bench(sample_count = 10)]
fn check_demo_book() {
    run(&["--book", "demo-sessions/tavrinel", "check"]);
}

/// All samples of ten sessions: 774 scores a term, 13 terms.
#[divan::bench(sample_count = 10)]
fn age_demo_book() {
    run(&["--book", "demo-sessions/tavrinel", "age"]);
}

/// The same for one sample, with its last session compared, set as a PDF page.
#[divan::bench(sample_count = 10)]
fn sheet_demo_book() {
    let dir = std::env::temp_dir().join(format!("blindsteep-bench-{}", std::process::id()));
    std::fs::create_dir_all(&dir).expect("a folder for the sheet");
    let file = dir.join("sheet.pdf");
    let _ = std::fs::remove_file(&file);
    let out = file.to_str().expect("a plain path");
    let book = ["--book", "demo-sessions/tavrinel"];
    run(&[&book[..], &["sheet", "T24-02@dry", "--language", "en", "--out", out]].concat());
}

/// A book with a lot in a store room whose logger wrote a reading a minute for almost two years: a
/// million lines.
fn book_with_a_million_readings() -> std::path::PathBuf {
    let dir = std::env::temp_dir().join(format!("blindsteep-million-{}", std::process::id()));
    if dir.exists() {
        return dir;
    }
    let book = dir.to_str().expect("a plain path");
    run(&["begin", book]);
    run(&["--book", book, "lot", "add", "A", "--class", "dark", "--made", "2024-01-01"]);
    let day = "2024-01-02";
    run(&["--book", book, "lot", "move", "A", "--place", "cellar", "--on", day]);
    let folder = dir.join("stores/cellar");
    std::fs::create_dir_all(&folder).expect("a folder");
    let mut text = String::from("time,temperature °C,humidity %\n");
    let start = jiff::civil::date(2024, 1, 3).at(0, 0, 0, 0);
    for minute in 0..1_000_000_i64 {
        let at = start.checked_add(jiff::ToSpan::minutes(minute)).expect("a time");
        let celsius = 20.0 + (minute % 1440) as f64 / 288.0;
        let percent = 50.0 + (minute % 10_000) as f64 / 500.0;
        text.push_str(&format!("{} {},{celsius:.1},{percent:.1}\n", at.date(), at.time()));
    }
    std::fs::write(folder.join("cellar.csv"), text).expect("a file");
    dir
}

/// One file of a million readings, read and summed up.
#[divan::bench(sample_count = 10)]
fn lot_show_with_a_million_readings(bencher: divan::Bencher<'_, '_>) {
    let dir = book_with_a_million_readings();
    let book = dir.to_str().expect("a plain path").to_owned();
    bencher.bench(|| run(&["--book", &book, "lot", "show", "A"]));
    let _ = std::fs::remove_dir_all(dir);
}
