//! Descriptions: TOML files, checked by their JSON Schema with every mistake at its place.

use std::any::TypeId;
use std::collections::HashMap;
use std::ops::Range;
use std::path::Path;
use std::sync::{Arc, LazyLock, Mutex, PoisonError};

use jsonschema::error::{TypeKind, ValidationErrorKind};
use schemars::{JsonSchema, Schema, generate::SchemaSettings};
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::Value;
use toml_edit::{Document, Item, TableLike};

use super::ids;
use super::problem::{Place, Problem, Problems, did_you_mean};
use super::store::{self, StoreError};
use super::time::{self, Day, Moment};

/// A TOML file as it was read: the value, and the text that it came from.
#[derive(Debug, Clone)]
pub struct Described<T> {
    /// What the file says.
    pub value: T,
    /// Its text.
    pub text: String,
    /// The file, relative to the book.
    pub file: String,
    /// SHA-256 of the bytes on disk; a change is written only while it still holds.
    pub digest: String,
}

impl<T> Described<T> {
    /// The place of a value, by its keys from the top (array places as numbers): the value
    /// itself if it stands in the file, else the nearest table around it.
    #[must_use]
    pub fn place(&self, keys: &[&str]) -> Place {
        Document::parse(self.text.as_str()).map_or_else(
            |_| Place::of_span(&self.text, 0..0),
            |doc| place_of(&doc, &self.text, keys, Aim::Value),
        )
    }

    /// A problem at the place of a value.
    pub fn problem(
        &self,
        keys: &[&str],
        found: impl Into<String>,
        expected: impl Into<String>,
        mend: impl Into<String>,
    ) -> Problem {
        Problem::new(self.file.clone(), Some(self.place(keys)), found, expected, mend)
    }
}

/// The JSON Schema of a type, as it is kept in `schemas/`.
#[must_use]
pub fn schema_of<T: JsonSchema>() -> Schema {
    SchemaSettings::draft2020_12()
        .with(|s| s.inline_subschemas = true)
        .into_generator()
        .into_root_schema_for::<T>()
}

/// A schema with what checks it.
struct Rules {
    schema: Schema,
    validator: jsonschema::Validator,
}

/// The rules of a type. They are made once: a book has many files of one kind.
fn rules_of<T: JsonSchema + 'static>() -> Arc<Rules> {
    static KNOWN: LazyLock<Mutex<HashMap<TypeId, Arc<Rules>>>> = LazyLock::new(Mutex::default);
    let known = || KNOWN.lock().unwrap_or_else(PoisonError::into_inner);
    let of_type = TypeId::of::<T>();
    if let Some(rules) = known().get(&of_type) {
        return Arc::clone(rules);
    }
    let schema = schema_of::<T>();
    let validator = jsonschema::options()
        .should_validate_formats(true)
        .with_format("date", |text: &str| text.parse::<Day>().is_ok())
        .with_format("date-time", |text: &str| text.parse::<Moment>().is_ok())
        .build(schema.as_value())
        .expect("schemas are made from our own types");
    let rules = Arc::new(Rules { schema, validator });
    known().insert(of_type, Arc::clone(&rules));
    rules
}

/// The newest format of the record that this program reads and writes.
pub const FORMAT: u64 = 1;

/// Reads a description: spanned parse, JSON Schema with all its errors, then the type.
/// Returns `None` after adding to `problems` if anything is wrong.
///
/// # Errors
/// Only if the disk refuses; mistakes in the file go into `problems`.
pub fn read<T: DeserializeOwned + JsonSchema + 'static>(
    root: &Path,
    file: &str,
    problems: &mut Problems,
) -> Result<Option<Described<T>>, StoreError> {
    let Some(whole) = store::read_for_check(root, file, problems)? else { return Ok(None) };
    // Of the very bytes that were read: a change that comes in between must not pass for seen.
    let digest = whole.digest();
    Ok(parse(file, whole.text, digest, problems))
}

/// As [`read`], from a text in memory.
pub fn parse<T: DeserializeOwned + JsonSchema + 'static>(
    file: &str,
    text: String,
    digest: String,
    problems: &mut Problems,
) -> Option<Described<T>> {
    let mut not_toml = |span: Option<Range<usize>>, message: &str| {
        problems.push(Problem::new(
            file,
            span.map(|s| Place::of_span(&text, s)),
            format!("not TOML: {}", one_line(message)),
            "a TOML file: [tables], and lines like key = value with texts in quotes",
            "correct the marked line; a text needs quotes at both ends, a list square brackets",
        ));
    };
    let doc = match Document::parse(text.as_str()) {
        Ok(doc) => doc,
        Err(e) => {
            not_toml(e.span(), e.message());
            return None;
        }
    };
    let value = match toml::from_str::<toml::Value>(&text) {
        Ok(v) => to_json(v),
        Err(e) => {
            not_toml(e.span(), e.message());
            return None;
        }
    };
    if let Some(newer) = value.get("format").and_then(Value::as_u64).filter(|f| *f > FORMAT) {
        problems.push(Problem::new(
            file,
            Some(place_of(&doc, &text, &["format"], Aim::Value)),
            format!("format {newer} is newer than this program"),
            format!("format = {FORMAT}"),
            "read this book with the newer blindsteep that wrote it",
        ));
        return None;
    }
    let before = problems.len();
    validate(&rules_of::<T>(), &value, &doc, &text, file, problems);
    if problems.len() > before {
        return None;
    }
    match serde_path_to_error::deserialize::<_, T>(value) {
        Ok(value) => Some(Described { value, text, file: file.to_owned(), digest }),
        Err(e) => {
            let path: Vec<String> = e
                .path()
                .iter()
                .filter_map(|s| match s {
                    serde_path_to_error::Segment::Seq { index } => Some(index.to_string()),
                    serde_path_to_error::Segment::Map { key } => Some(key.clone()),
                    _ => None,
                })
                .collect();
            let keys: Vec<&str> = path.iter().map(String::as_str).collect();
            problems.push(Problem::new(
                file,
                Some(place_of(&doc, &text, &keys, Aim::Value)),
                one_line(&e.inner().to_string()),
                "a value that has a meaning here",
                "correct the marked value",
            ));
            None
        }
    }
}

fn one_line(message: &str) -> String {
    message.split('\n').map(str::trim).filter(|s| !s.is_empty()).collect::<Vec<_>>().join("; ")
}

/// TOML's own dates become texts, so that a date may be written with or without quotes.
fn to_json(value: toml::Value) -> Value {
    match value {
        toml::Value::String(s) => Value::String(s),
        toml::Value::Integer(i) => Value::from(i),
        toml::Value::Float(f) => serde_json::Number::from_f64(f)
            .map_or_else(|| Value::String(f.to_string()), Value::Number),
        toml::Value::Boolean(b) => Value::Bool(b),
        toml::Value::Datetime(d) => Value::String(d.to_string()),
        toml::Value::Array(a) => Value::Array(a.into_iter().map(to_json).collect()),
        toml::Value::Table(t) => {
            Value::Object(t.into_iter().map(|(k, v)| (k, to_json(v))).collect())
        }
    }
}

fn validate(
    rules: &Rules,
    value: &Value,
    doc: &Document<&str>,
    text: &str,
    file: &str,
    problems: &mut Problems,
) {
    for error in rules.validator.iter_errors(value) {
        let pointer = error.instance_path().to_string();
        let keys: Vec<String> =
            pointer.split('/').skip(1).map(|k| k.replace("~1", "/").replace("~0", "~")).collect();
        let keys: Vec<&str> = keys.iter().map(String::as_str).collect();
        explain(&error, &rules.schema, &keys, doc, text, file, problems);
    }
}

fn explain(
    error: &jsonschema::ValidationError<'_>,
    schema: &Schema,
    keys: &[&str],
    doc: &Document<&str>,
    text: &str,
    file: &str,
    problems: &mut Problems,
) {
    let name =
        keys.iter().rev().find(|k| k.parse::<usize>().is_err()).copied().unwrap_or("the file");
    let here = || Some(place_of(doc, text, keys, Aim::Value));
    let found = shown(error.instance());
    match error.kind() {
        ValidationErrorKind::AdditionalProperties { unexpected } => {
            let known = properties_at(schema.as_value(), error.schema_path().as_str());
            for key in unexpected {
                let mut at = keys.to_vec();
                at.push(key);
                problems.push(Problem::new(
                    file,
                    Some(place_of(doc, text, &at, Aim::Key)),
                    format!("\"{key}\" is not a key of this table"),
                    format!("one of {}", known.join(", ")),
                    did_you_mean(key, known.iter().map(String::as_str), "take the line out"),
                ));
            }
        }
        ValidationErrorKind::Required { property } => {
            let key = property.as_str().unwrap_or_default();
            problems.push(Problem::new(
                file,
                Some(place_of(doc, text, keys, Aim::Table)),
                format!("\"{key}\" is missing"),
                format!("a line {key} = …"),
                format!("add {key} to this table"),
            ));
        }
        ValidationErrorKind::Enum { options } => {
            let known: Vec<&str> =
                options.as_array().into_iter().flatten().filter_map(Value::as_str).collect();
            let word = error.instance().as_str().unwrap_or_default();
            problems.push(Problem::new(
                file,
                here(),
                format!("{name} = {found} is not known"),
                format!("one of {}", known.join(", ")),
                did_you_mean(word, known.iter().copied(), "choose one of these"),
            ));
        }
        ValidationErrorKind::FalseSchema => problems.push(Problem::new(
            file,
            Some(place_of(doc, text, keys, Aim::Key)),
            format!("\"{name}\" does not go with the other keys of this table"),
            "only the keys that this kind needs",
            format!("take {name} out, or change the kind"),
        )),
        ValidationErrorKind::Type { kind } => problems.push(Problem::new(
            file,
            here(),
            format!("{name} = {found} is of the wrong kind"),
            kind_in_words(kind),
            format!("write {name} as {}", kind_in_words(kind)),
        )),
        _ => {
            let rule = rule_in_words(error.kind(), schema, error.schema_path().as_str());
            problems.push(Problem::new(
                file,
                here(),
                format!("{name} = {found} does not hold"),
                rule,
                format!("correct {name}"),
            ));
        }
    }
}

fn rule_in_words(kind: &ValidationErrorKind, schema: &Schema, path: &str) -> String {
    match kind {
        ValidationErrorKind::Minimum { limit } => format!("at least {}", plain(limit)),
        ValidationErrorKind::Maximum { limit } => format!("at most {}", plain(limit)),
        ValidationErrorKind::ExclusiveMinimum { limit } => format!("more than {}", plain(limit)),
        ValidationErrorKind::ExclusiveMaximum { limit } => format!("less than {}", plain(limit)),
        ValidationErrorKind::MinItems { limit } => format!("at least {limit} entries"),
        ValidationErrorKind::MaxItems { limit } => format!("at most {limit} entries"),
        ValidationErrorKind::MinLength { limit } => format!("at least {limit} characters"),
        ValidationErrorKind::MaxLength { limit } => format!("at most {limit} characters"),
        ValidationErrorKind::UniqueItems => "entries that differ from each other".to_owned(),
        ValidationErrorKind::Pattern { pattern } if pattern == ids::PATTERN => ids::RULE.to_owned(),
        ValidationErrorKind::Format { format } if format == "date" => time::A_DAY.to_owned(),
        ValidationErrorKind::Format { format } if format == "date-time" => {
            time::A_MOMENT.to_owned()
        }
        ValidationErrorKind::Pattern { pattern } => {
            // A pattern is explained by the description beside it in the schema.
            beside(schema.as_value(), path, "description")
                .unwrap_or_else(|| format!("a text of the form {pattern}"))
        }
        _ => beside(schema.as_value(), path, "description")
            .unwrap_or_else(|| "a value that the schema of this file allows".to_owned()),
    }
}

/// A limit as a person writes it: 100, not 100.0.
fn plain(limit: &Value) -> String {
    limit.as_f64().map_or_else(|| limit.to_string(), |x| x.to_string())
}

/// The text `key` in the schema that holds the keyword at `path`.
fn beside(schema: &Value, path: &str, key: &str) -> Option<String> {
    let holder = path.rsplit_once('/').map_or("", |(h, _)| h);
    schema.pointer(holder)?.get(key)?.as_str().map(str::to_owned)
}

fn properties_at(schema: &Value, path: &str) -> Vec<String> {
    let holder = path.rsplit_once('/').map_or("", |(h, _)| h);
    schema
        .pointer(holder)
        .and_then(|s| s.get("properties"))
        .and_then(Value::as_object)
        .map(|o| o.keys().cloned().collect())
        .unwrap_or_default()
}

fn kind_in_words(kind: &TypeKind) -> String {
    let one = |t: &jsonschema::JsonType| {
        match t.to_string().as_str() {
            "string" => "a text in quotes",
            "integer" => "a whole number",
            "number" => "a number",
            "boolean" => "true or false",
            "array" => "a list in square brackets",
            "object" => "a table",
            _ => "nothing",
        }
        .to_owned()
    };
    match kind {
        TypeKind::Single(t) => one(t),
        TypeKind::Multiple(set) => set
            .iter()
            .filter(|t| t.to_string() != "null")
            .map(|t| one(&t))
            .collect::<Vec<_>>()
            .join(" or "),
    }
}

fn shown(value: &Value) -> String {
    let text = value.to_string();
    if text.chars().count() > 60 {
        let cut: String = text.chars().take(57).collect();
        format!("{cut}…")
    } else {
        text
    }
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Aim {
    Value,
    Key,
    Table,
}

fn place_of(doc: &Document<&str>, text: &str, keys: &[&str], aim: Aim) -> Place {
    let mut span: Range<usize> = 0..0;
    let mut node = Node::Item(doc.as_item());
    for (depth, key) in keys.iter().enumerate() {
        let last = depth + 1 == keys.len();
        let Some((key_span, next)) = node.child(key) else { break };
        if last && aim == Aim::Key {
            if let Some(s) = key_span {
                span = s;
            }
            break;
        }
        // A table's own span may be its header or nothing at all (dotted keys): its key is near.
        if let Some(s) = next.span().or(key_span) {
            span = s;
        }
        node = next;
    }
    let mut place = Place::of_span(text, span);
    if aim == Aim::Table {
        place.width = place.text.trim_end().chars().count().saturating_sub(place.column - 1).max(1);
    }
    place
}

enum Node<'a> {
    Item(&'a Item),
    Table(&'a dyn TableLike, Option<Range<usize>>),
    Value(&'a toml_edit::Value),
}

impl<'a> Node<'a> {
    fn child(&self, key: &str) -> Option<(Option<Range<usize>>, Node<'a>)> {
        let index = key.parse::<usize>().ok();
        match self {
            Node::Item(item) => {
                if let Some(table) = item.as_table_like() {
                    return table.get_key_value(key).map(|(k, v)| (k.span(), Node::Item(v)));
                }
                if let Some(tables) = item.as_array_of_tables() {
                    let table = tables.get(index?)?;
                    return Some((table.span(), Node::Table(table, table.span())));
                }
                let value = item.as_array()?.get(index?)?;
                Some((value.span(), Node::Value(value)))
            }
            Node::Table(table, _) => {
                table.get_key_value(key).map(|(k, v)| (k.span(), Node::Item(v)))
            }
            Node::Value(value) => {
                if let Some(table) = value.as_inline_table() {
                    let table: &dyn TableLike = table;
                    return table.get_key_value(key).map(|(k, v)| (k.span(), Node::Item(v)));
                }
                let value = value.as_array()?.get(index?)?;
                Some((value.span(), Node::Value(value)))
            }
        }
    }

    fn span(&self) -> Option<Range<usize>> {
        match self {
            Node::Item(item) => item.span(),
            Node::Table(_, span) => span.clone(),
            Node::Value(value) => value.span(),
        }
    }
}

/// The text of a new description: the value as TOML.
#[must_use]
pub fn to_text<T: Serialize>(value: &T) -> String {
    toml::to_string(value).expect("the record's own types are TOML tables")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::book::recipes::Recipes;

    #[test]
    fn the_digest_is_that_of_the_bytes_on_disk_with_or_without_a_byte_order_mark() {
        let dir = tempfile::tempdir().unwrap();
        let recipe = "format = 1\n";
        for bytes in [recipe.as_bytes().to_vec(), [b"\xef\xbb\xbf", recipe.as_bytes()].concat()] {
            std::fs::write(dir.path().join("recipes.toml"), &bytes).unwrap();
            let mut problems = Problems::new();
            let read = read::<Recipes>(dir.path(), "recipes.toml", &mut problems).unwrap();
            assert_eq!(read.expect("a book may have no recipe").digest, store::digest(&bytes));
        }
    }
}
