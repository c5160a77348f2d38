//! A system that grants few open files.

use std::io::{BufRead as _, BufReader};
use std::process::{Child, Command, Stdio};

use super::common::Garden;

struct Ended(Child);

impl Drop for Ended {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// What a desk says as it opens under a limit, and the limit that it then has.
fn opened(garden: &Garden, limit: &str) -> (String, String) {
    let run = format!("{limit} && exec \"$0\" desk \"$1\" --no-browser --port 0 --ballots-port 0");
    let child = Command::new("sh")
        .args(["-c", &run, env!("CARGO_BIN_EXE_blindsteep")])
        .arg(garden.root())
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut child = Ended(child);
    let mut text = String::new();
    let mut lines = BufReader::new(child.0.stdout.take().unwrap());
    while !text.contains("End it with") {
        assert_ne!(lines.read_line(&mut text).unwrap(), 0, "{text}");
    }
    let limits = std::fs::read_to_string(format!("/proc/{}/limits", child.0.id())).unwrap();
    let files = limits.lines().find(|l| l.starts_with("Max open files")).unwrap().to_owned();
    (text, files)
}

#[test]
#[cfg(target_os = "linux")]
fn the_limit_of_open_files_is_raised_or_told() {
    let garden = Garden::empty();
    // Only a first limit, as shells set it: the desk asks for more.
    let (text, files) = opened(&garden, "ulimit -Sn 256");
    assert!(!text.contains("connections"), "{text}");
    assert_eq!(files.split_whitespace().nth(3), Some("720"), "{files}");
    // A limit for good.
    let (text, files) = opened(&garden, "ulimit -n 256");
    assert!(text.contains("at most 136 connections of phones at once"), "{text}");
    assert_eq!(files.split_whitespace().nth(3), Some("256"), "{files}");
}
