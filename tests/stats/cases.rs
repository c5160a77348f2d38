//! Reading the cases of tests/data.

use serde_json::Value;
use std::path::PathBuf;

fn path(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../tests/data").join(name)
}

/// The JSON of a case, by its name without ending.
pub fn case(name: &str) -> Value {
    let file = path(&format!("{name}.json"));
    let text = std::fs::read_to_string(&file).unwrap_or_else(|e| panic!("{}: {e}", file.display()));
    serde_json::from_str(&text).unwrap_or_else(|e| panic!("{}: {e}", file.display()))
}

/// A table of a case: named columns of text.
pub struct Table {
    names: Vec<String>,
    rows: Vec<Vec<String>>,
}

/// Reads a CSV file of tests/data.
pub fn table(name: &str) -> Table {
    let mut reader = csv::Reader::from_path(path(name)).expect("the table of the case is there");
    let names = reader.headers().expect("a header").iter().map(String::from).collect();
    let rows = reader
        .records()
        .map(|r| r.expect("a well-formed row").iter().map(String::from).collect())
        .collect();
    Table { names, rows }
}

impl Table {
    /// A column as text.
    pub fn text(&self, name: &str) -> Vec<String> {
        let at = self.names.iter().position(|n| n == name).expect("the column is in the table");
        self.rows.iter().map(|r| r[at].clone()).collect()
    }

    /// A column of numbers.
    pub fn numbers(&self, name: &str) -> Vec<f64> {
        self.text(name).iter().map(|t| number_of(t)).collect()
    }
}

fn number_of(text: &str) -> f64 {
    if text == "Inf" { f64::INFINITY } else { text.parse().expect("a number") }
}

/// One number of a case; infinity is spelled "Inf".
pub fn number(value: &Value) -> f64 {
    match value {
        Value::String(text) => number_of(text),
        other => other.as_f64().unwrap_or_else(|| panic!("not a number: {other}")),
    }
}

/// A list of numbers of a case.
pub fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().expect("a list").iter().map(number).collect()
}

/// A list of words of a case.
pub fn words(value: &Value) -> Vec<String> {
    value
        .as_array()
        .expect("a list")
        .iter()
        .map(|v| v.as_str().expect("a word").to_string())
        .collect()
}

/// Asserts a relative difference; where the expected value is zero, an absolute one.
#[track_caller]
pub fn close(got: f64, expected: f64, relative: f64, what: &str) {
    let scale = if expected == 0.0 { 1.0 } else { expected.abs() };
    assert!(
        (got - expected).abs() <= relative * scale,
        "{what}: got {got}, expected {expected} (relative difference {:e})",
        (got - expected).abs() / scale
    );
}
