//! The commands of README.md do what it says.

use std::path::Path;
use std::process::Command;

const README: &str = include_str!("../../README.md");

/// The commands of the first block behind a heading.
fn block(heading: &str) -> &'static str {
    nth_block(heading, 0)
}

fn nth_block(heading: &str, n: usize) -> &'static str {
    let behind = README.split(heading).nth(1).expect("the heading is there");
    behind.split("```").nth(2 * n + 1).expect("a block stands behind it").trim()
}

fn run(script: &str, folder: &Path) -> String {
    let program = Path::new(env!("CARGO_BIN_EXE_blindsteep"));
    let path = format!(
        "{}:{}",
        program.parent().unwrap().display(),
        std::env::var("PATH").unwrap_or_default()
    );
    let output = Command::new("bash")
        .args(["-euo", "pipefail", "-c", script])
        .env("PATH", path)
        .env_remove("BLINDSTEEP_BOOK")
        .current_dir(folder)
        .output()
        .unwrap();
    let error = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{script}\n{error}");
    String::from_utf8(output.stdout).unwrap()
}

#[test]
fn a_first_session_comes_to_its_ballots_and_pouring_plan() {
    // From `enter` on people answer: those commands are tested where sessions are.
    let script = block("## Your own first session");
    let before = script.split("blindsteep session enter").next().unwrap();
    let folder = tempfile::tempdir().unwrap();
    let said = run(before, folder.path());
    // Six lots and a second code, twice, by eight terms.
    assert!(said.contains("112 answers each, about 15 min"), "{said}");
    assert!(!said.contains("more than attention lasts for"), "{said}");
    assert!(README.contains("here 112 answers"));
    assert!(folder.path().join("pouring.pdf").is_file());
    for taster in ["ann", "bo", "cy", "dee", "eve"] {
        let ballots =
            run(&format!("ls garden/sessions/*/papers/ballot-{taster}.pdf"), folder.path());
        assert_eq!(ballots.lines().count(), 1);
    }
    let smaller = "### When the question is smaller, or larger";
    let planned = run(block(smaller), &folder.path().join("garden"));
    for kind in ["triangle", "ranking", "paired"] {
        assert!(planned.contains(kind), "{planned}");
    }
    // All usual terms of six lots and a second code are 126 in a flight.
    let all = "blindsteep session plan all --lots T26-01,T26-02,T26-03,T26-04,T26-05,T26-06 --tasters \
               ann,bo,cy,dee,eve --replicates 2 --duplicates 1";
    let all = run(all, &folder.path().join("garden"));
    assert!(all.contains("252 answers each") && README.contains("it would be 252"), "{all}");
    assert!(all.contains("126 answers in a flight are more than attention lasts for"), "{all}");
    assert!(all.contains("--terms names them"), "{all}");
    let counted = run(nth_block(smaller, 1), folder.path());
    // The published least number of 36 triangles at 5 % is 18 (ISO 4120, exact binomial).
    assert!(counted.contains("18 of 36 triangles right"), "{counted}");
    let said = run(block("### Lots grow up"), &folder.path().join("garden"));
    assert!(said.contains("T26-MIX (this lot)") && said.contains("left   0.5 kg"), "{said}");
    // No mass is told to be more than was made, and what was split goes on where it was.
    let checked = run("blindsteep check", &folder.path().join("garden"));
    assert!(!checked.contains("more than"), "{checked}");
    let due = run("blindsteep due --json", &folder.path().join("garden"));
    let found: serde_json::Value = serde_json::from_str(&due).unwrap();
    for part in ["T26-01@dry", "T26-01@humid", "T26-02A", "T26-02B"] {
        let all = found["samples"].as_array().unwrap();
        let of = all.iter().find(|s| s["sample"] == part).unwrap();
        assert_eq!(of["left_g"], 200.0, "{of}");
        // The first session, on the day of the split, still had the whole lot; it is sealed.
        let sealed = |t: &serde_json::Value| t["state"] == "sealed";
        assert!(of["tastings"].as_array().unwrap().iter().any(sealed), "{of}");
    }
}

#[test]
fn a_spreadsheet_is_answered_without_a_book() {
    let said =
        run(block("## A spreadsheet, without a book"), Path::new(env!("CARGO_MANIFEST_DIR")));
    assert!(said.starts_with("Do the tasters agree?"), "{said}");
    assert!(said.contains("Which step did it?"), "{said}");
}
