//! Running the command as a person would.

use std::path::{Path, PathBuf};
use std::process::Output;

use assert_cmd::Command;
use serde_json::Value;

/// A file of tests/data.
pub fn data(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data").join(name)
}

/// The JSON of a case of tests/data.
pub fn case(name: &str) -> Value {
    let text = std::fs::read_to_string(data(name)).expect("the case is in tests/data");
    serde_json::from_str(&text).expect("cases are JSON")
}

/// Runs the command in a folder.
pub fn run(folder: &Path, args: &[&str]) -> Output {
    Command::cargo_bin("blindsteep")
        .expect("the command is built before its tests")
        .current_dir(folder)
        .env_remove("BLINDSTEEP_BOOK")
        .args(args)
        .output()
        .expect("the command can be started")
}

/// The arguments of a question to one of the television panel's tables (tests/data, g04 and g05).
pub fn television<'a>(
    command: &'a str,
    table: &'a str,
    lot: &'a str,
    value: &'a str,
) -> [&'a str; 11] {
    [
        command,
        "--table",
        table,
        "--lot",
        lot,
        "--taster",
        "Assessor",
        "--replicate",
        "Repeat",
        "--value",
        value,
    ]
}

/// The JSON that a command prints; it must end well and say nothing else.
pub fn json(folder: &Path, args: &[&str]) -> Value {
    let mut all = args.to_vec();
    all.push("--json");
    let out = run(folder, &all);
    let said = String::from_utf8_lossy(&out.stderr);
    assert!(out.status.success() && said.is_empty(), "{args:?}: {said}");
    let value: Value = serde_json::from_slice(&out.stdout).expect("standard output is JSON only");
    no_bare_null(&value, "");
    value
}

/// The text that a command prints; no line may be longer than 100 columns.
pub fn text(folder: &Path, args: &[&str]) -> String {
    let out = run(folder, args);
    assert!(out.status.success(), "{args:?}: {}", String::from_utf8_lossy(&out.stderr));
    let text = String::from_utf8(out.stdout).expect("the terminal text is UTF-8");
    for line in text.lines() {
        assert!(line.chars().count() <= 100, "too long: {line}");
        assert!(!line.to_lowercase().contains("verified"), "{line}");
    }
    text
}

/// What a command says on standard error, with its exit code; nothing may stand on standard
/// output.
pub fn refusal(folder: &Path, args: &[&str]) -> (i32, String) {
    let out = run(folder, args);
    assert_eq!(String::from_utf8_lossy(&out.stdout), "", "{args:?}");
    let said = String::from_utf8(out.stderr).expect("errors are UTF-8");
    (out.status.code().expect("it was not killed"), said)
}

/// Every null has its reason beside it.
fn no_bare_null(value: &Value, at: &str) {
    match value {
        Value::Object(map) => {
            for (key, inner) in map {
                if inner.is_null() {
                    let reason = map.get("reason").and_then(Value::as_str).unwrap_or_default();
                    assert!(!reason.is_empty(), "{at}/{key} is null without a reason");
                }
                no_bare_null(inner, &format!("{at}/{key}"));
            }
        }
        Value::Array(list) => {
            for (i, inner) in list.iter().enumerate() {
                assert!(!inner.is_null(), "{at}/{i} is null without a reason");
                no_bare_null(inner, &format!("{at}/{i}"));
            }
        }
        _ => {}
    }
}

/// The entry of a list whose `key` is `name`.
pub fn named<'a>(list: &'a Value, key: &str, name: &str) -> &'a Value {
    list.as_array()
        .and_then(|l| l.iter().find(|e| e[key] == name))
        .unwrap_or_else(|| panic!("no entry with {key} {name}"))
}

/// A number.
pub fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("{value} is no number"))
}

/// A JSON text keeps to the schema of that file in schemas/, and has no null without its reason.
pub fn fits_schema(file: &str, text: &str) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("schemas").join(file);
    let schema = std::fs::read_to_string(path).expect("the schema is on disk");
    let schema = serde_json::from_str(&schema).expect("a schema is JSON");
    let validator = jsonschema::validator_for(&schema).expect("it is a JSON Schema");
    let value: Value = serde_json::from_str(text).expect("JSON");
    let wrong: Vec<String> =
        validator.iter_errors(&value).map(|e| format!("{}: {e}", e.instance_path())).collect();
    assert!(wrong.is_empty(), "{file}: {wrong:#?}");
    no_bare_null(&value, "");
}
