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
