//! The JSON of findings keeps to its schemas, and the schemas on disk are those of the types.

use std::path::Path;

use crate::run::{data, json};

fn folder() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("schemas")
}

/// After a change of the types: `BLINDSTEEP_WRITE_SCHEMAS=1 cargo test --release --test panel`.
#[test]
fn the_schemas_on_disk_are_those_of_the_types() {
    for (name, schema) in blindsteep::findings::schemas::all() {
        let mut text = serde_json::to_string_pretty(&schema).expect("a schema is JSON");
        text.push('\n');
        let file = folder().join(name);
        if std::env::var_os("BLINDSTEEP_WRITE_SCHEMAS").is_some() {
            std::fs::write(&file, &text).expect("written");
        }
        let stands = std::fs::read_to_string(&file).expect("the schema is on disk");
        assert!(stands == text, "{} is not the schema of the types", file.display());
    }
}

#[test]
fn what_is_printed_keeps_to_its_schema() {
    let path = data("g05_tvbo_unbalanced.csv");
    let path = path.to_str().expect("the path is UTF-8");
    for (command, file) in [("agree", "agree-1.schema.json"), ("compare", "compare-1.schema.json")]
    {
        let schema = std::fs::read_to_string(folder().join(file)).expect("the schema is on disk");
        let schema = serde_json::from_str(&schema).expect("a schema is JSON");
        let validator = jsonschema::validator_for(&schema).expect("it is a JSON Schema");
        let args = [
            command,
            "--table",
            path,
            "--lot",
            "Product",
            "--taster",
            "Assessor",
            "--value",
            "Sharpness,Picture",
            "--scale",
            "Picture=nominal",
        ];
        let found = json(Path::new("."), &args);
        let wrong: Vec<String> =
            validator.iter_errors(&found).map(|e| format!("{}: {e}", e.instance_path())).collect();
        assert!(wrong.is_empty(), "{command}: {wrong:#?}");
        assert!(!validator.is_valid(&serde_json::json!({"schema": "agree/1"})));
    }
}

#[test]
fn what_link_prints_keeps_to_its_schema() {
    let schema = std::fs::read_to_string(folder().join("link-2.schema.json")).expect("on disk");
    let schema = serde_json::from_str(&schema).expect("a schema is JSON");
    let validator = jsonschema::validator_for(&schema).expect("it is a JSON Schema");
    let book = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-sessions/tavrinel");
    for args in [&["link"][..], &["link", "month-01"]] {
        let found = json(&book, args);
        let wrong: Vec<String> =
            validator.iter_errors(&found).map(|e| format!("{}: {e}", e.instance_path())).collect();
        assert!(wrong.is_empty(), "{args:?}: {wrong:#?}");
    }
    assert!(!validator.is_valid(&serde_json::json!({"schema": "link/2"})));
}
