//! What is wrong in a description that a form wrote: beside the fields that it is about, in their words.

use toml_edit::TableLike;

use super::tables::Field;
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
            Some((key, _)) if amiss.has(key) => {}
            None if amiss.has("id") && problem.found.starts_with("id = ") => {}
            Some((key, true)) => amiss.add(
                key,
                say.of(
                    "nothing is filled in\n  to mend:  fill it in",
                    "此处未填写\n  如何改正：请填写",
                ),
            ),
            Some((key, false)) => amiss.add(
                key,
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
fn field_of<'f>(problem: &Problem, text: &str, shown: &Shown<'f>) -> Option<(&'f str, bool)> {
    let place = problem.place.as_ref()?;
    let at = offset(text, place);
    for field in shown.fields {
        if let Some((key, item)) = shown.table.get_key_value(field.key) {
            let spans = [key.span(), item.span()];
            let begin = spans.iter().flatten().map(|s| s.start).min()?;
            let end = spans.iter().flatten().map(|s| s.end).max()?;
            if (begin..end.max(begin + 1)).contains(&at) {
                return Some((field.key, false));
            }
        } else if problem.found == format!("\"{}\" is missing", field.key) && at == shown.begin {
            return Some((field.key, true));
        }
    }
    None
}

/// The byte at which a place is.
fn offset(text: &str, place: &Place) -> usize {
    let line = text.split_inclusive('\n').take(place.line.saturating_sub(1)).map(str::len).sum();
    let rest = text.get(line..).unwrap_or_default();
    let column = rest.char_indices().nth(place.column.saturating_sub(1));
    line + column.map_or(rest.len(), |(at, _)| at)
}
