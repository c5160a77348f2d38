//! The schemas in `schemas/` are those of the types.

use std::fs;
use std::path::Path;

use blindsteep::book::schemas::{all, text_of};

use super::new_book;

/// `BLINDSTEEP_WRITE_SCHEMAS=1` writes them anew.
#[test]
fn the_schemas_kept_are_those_of_the_types() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("schemas");
    let mut differ = Vec::new();
    for (name, schema) in all() {
        let text = text_of(&schema);
        let file = folder.join(name);
        if std::env::var_os("BLINDSTEEP_WRITE_SCHEMAS").is_some() {
            fs::create_dir_all(&folder).unwrap();
            fs::write(&file, &text).unwrap();
        }
        if fs::read_to_string(&file).unwrap_or_default() != text {
            differ.push(name);
        }
    }
    assert!(differ.is_empty(), "to be written anew: {}", differ.join(", "));
}

#[test]
fn each_json_schema_is_one() {
    for (name, schema) in all() {
        if name.ends_with(".schema.json") {
            assert!(jsonschema::meta::is_valid(&schema), "{name}");
        }
    }
}

/// By the schemas as they stand in their files, without our own reader.
#[test]
fn a_new_book_fits_the_schemas() {
    let (_dir, book) = new_book();
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("schemas");
    for name in ["book", "vocabulary", "parameters", "recipes", "retasting", "tasters"] {
        let schema = fs::read_to_string(folder.join(format!("{name}.schema.json"))).unwrap();
        let schema: serde_json::Value = serde_json::from_str(&schema).unwrap();
        let text = fs::read_to_string(book.root().join(format!("{name}.toml"))).unwrap();
        let value: toml::Value = toml::from_str(&text).unwrap();
        let value = serde_json::to_value(value).unwrap();
        let validator = jsonschema::validator_for(&schema).unwrap();
        let errors: Vec<String> = validator.iter_errors(&value).map(|e| e.to_string()).collect();
        assert!(errors.is_empty(), "{name}: {errors:?}");
        let mut broken = value.clone();
        broken["unknown-key"] = serde_json::json!(1);
        assert!(!validator.is_valid(&broken), "{name} takes an unknown key");
    }
}
