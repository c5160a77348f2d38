//! What is wrong in a description that a form wrote: beside the fields that it is about, in their words.

use toml_edit::{Item, TableLike, Value};

use super::tables::{Field, Holds};
use crate::book::problem::{Place, Problem, Problems};
use crate::desk::mistakes::Mistakes;
use crate::desk::say::Say;

/// A table that a form shows, and its fields.
pub struct Shown<'a> {
    /// The table as it stands in the text.
    pub table: &'a dyn TableLike,
    /// Where it begins there.
    pub begin: usize,
    /// Its fields.
    pub fields: &'a [Field],
}

/// Notes what is wrong in a text of a file: by its field where that is known, else as the file's check tells it.
pub fn note(
    say: Say,
    problems: &Problems,
    (file, text): (&str, &str),
    shown: &[Shown<'_>],
    amiss: &mut Mistakes,
) {
    for problem in problems.sorted() {
        let of_file = shown.iter().filter(|_| problem.file == file);
        let field = of_file.into_iter().find_map(|shown| field_of(problem, text, shown));
        match field {
            // It is told already, as what was typed.
            Some((key, _)) if amiss.has(&key) => {}
            // A part of a field of which another part does not hold as typed: it was not written at all.
            Some((key, _)) if key.split_once('.').is_none() && amiss.has_part_of(&key) => {}
            None if amiss.has("id") && problem.found.starts_with("id = ") => {}
            Some((key, true)) => amiss.add(
                &key,
                say.of(
                    "nothing is filled in\n  to mend:  fill it in",
                    "此处未填写\n  如何改正：请填写",
                ),
            ),
            Some((key, false)) => amiss.add(
                &key,
                format!(
                    "{}\n  expected: {}\n  to mend:  {}",
                    problem.found, problem.expected, problem.mend
                ),
            ),
            None => amiss.add("", problem.to_string().trim_end()),
        }
    }
}

/// The field that a mistake is about, and whether it is that the field is empty.
fn field_of(problem: &Problem, text: &str, shown: &Shown<'_>) -> Option<(String, bool)> {
    let place = problem.place.as_ref()?;
    let at = offset(text, place);
    for field in shown.fields {
        if let Some((key, item)) = shown.table.get_key_value(field.key) {
            let spans = [key.span(), item.span()];
            let begin = spans.iter().flatten().map(|s| s.start).min()?;
            let end = spans.iter().flatten().map(|s| s.end).max()?;
            if (begin..end.max(begin + 1)).contains(&at) {
                return Some(part_of(field, item, problem, at));
            }
        } else if problem.found == format!("\"{}\" is missing", field.key) && at == shown.begin {
            return Some((field.key.to_owned(), true));
        }
    }
    None
}

/// The part of a field that a mistake is about, where a form has several fields for it.
fn part_of(field: &Field, item: &Item, problem: &Problem, at: usize) -> (String, bool) {
    let of = |part: &str| format!("{}.{part}", field.key);
    let holds = |v: &Value| v.span().is_some_and(|s| s.contains(&at));
    match (&field.holds, item) {
        (Holds::Scale, item) if item.is_table_like() => {
            let missing = problem.found.strip_suffix("\" is missing");
            if let Some(key) = missing.and_then(|found| found.strip_prefix('"')) {
                return (of(key), true);
            }
            let parts = item.as_table_like().into_iter().flat_map(|t| t.iter());
            let here = |(key, item): (&str, &Item)| {
                item.as_value().filter(|v| holds(v)).map(|_| key.to_owned())
            };
            let part = parts.filter_map(here).next();
            (part.map_or_else(|| of("kind"), |key| of(&key)), false)
        }
        (Holds::Range, Item::Value(Value::Array(ends))) => {
            let is_high = ends.get(1).is_some_and(holds);
            (of(if is_high { "high" } else { "low" }), false)
        }
        _ => (field.key.to_owned(), false),
    }
}

/// The byte at which a place is.
fn offset(text: &str, place: &Place) -> usize {
    let line = text.split_inclusive('\n').take(place.line.saturating_sub(1)).map(str::len).sum();
    let rest = text.get(line..).unwrap_or_default();
    let column = rest.char_indices().nth(place.column.saturating_sub(1));
    line + column.map_or(rest.len(), |(at, _)| at)
}
