//! A desk that runs as a process of its own, for benches that speak to it over HTTP.

use std::fs;
use std::io::{BufRead as _, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};

pub type Failed = Box<dyn std::error::Error + Send + Sync>;

/// `blindsteep desk` on a book, at ports of the system's choice; it ends with this.
pub struct Running {
    child: Child,
    /// What it printed: its addresses.
    pub said: String,
}

impl Running {
    pub fn start(root: &Path) -> Result<Self, Failed> {
        let mut child = Command::new(env!("CARGO_BIN_EXE_blindsteep"))
            .args(["desk", "--no-browser", "--port", "0", "--ballots-port", "0"])
            .arg(root)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .spawn()?;
        let mut out = BufReader::new(child.stdout.take().ok_or("no output")?);
        let mut said = String::new();
        while !said.contains("End it with") {
            if out.read_line(&mut said)? == 0 {
                return Err(format!("the desk ended: {said}").into());
            }
        }
        Ok(Self { child, said })
    }

    /// Memory that it holds, in megabytes.
    pub fn megabytes(&self) -> f64 {
        let status = fs::read_to_string(format!("/proc/{}/status", self.child.id()));
        let status = status.unwrap_or_default();
        let line = status.lines().find(|l| l.starts_with("VmRSS:")).unwrap_or_default();
        let kb = line.split_whitespace().nth(1).and_then(|n| n.parse::<f64>().ok());
        kb.unwrap_or(f64::NAN) / 1024.0
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
