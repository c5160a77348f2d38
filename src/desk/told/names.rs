//! Ids in what is told, and the words by which pages call the same things.

use super::is_quoted;
use crate::book::parameters::Parameters;
use crate::desk::say::Say;

/// Ids and what they are called on a page.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Names {
    /// Ids, and what they are called.
    called: Vec<(String, String)>,
    /// What was typed: where it is quoted, no word of it is called otherwise.
    typed: Vec<String>,
}

impl Names {
    /// The parameters of a book by their labels.
    #[must_use]
    pub fn of_parameters(parameters: &Parameters, say: Say) -> Self {
        let all = parameters.parameter_ids().filter_map(|id| parameters.parameter(id));
        let named = all.map(|p| (p.id.clone(), p.label(say.key()).to_owned()));
        Self { called: named.filter(|(id, label)| id != label).collect(), typed: Vec::new() }
    }

    /// The keys of a table by the labels of their fields.
    #[must_use]
    pub fn of_keys<'k>(keys: impl Iterator<Item = (&'k str, &'k str)>) -> Self {
        let named = keys.map(|(key, label)| (key.to_owned(), label.to_owned()));
        Self { called: named.collect(), typed: Vec::new() }
    }

    /// The same beside what was typed, of which nothing is replaced where it is quoted.
    #[must_use]
    pub fn beside(mut self, typed: impl IntoIterator<Item = String>) -> Self {
        self.typed = typed.into_iter().collect();
        self
    }

    /// A line with the names in place of the ids; the line of a file stays as it is.
    pub(super) fn put(&self, line: &str) -> String {
        if is_quoted(line.trim_start()) {
            return line.to_owned();
        }
        self.called.iter().fold(line.to_owned(), |line, (id, label)| {
            let is_typed = self.typed.iter().any(|text| text.contains(id.as_str()));
            replaced(&line, id, &format!("\u{201c}{label}\u{201d}"), is_typed)
        })
    }
}

/// Whether a place of a text is within quotes.
fn is_in_quotes(before: &str) -> bool {
    let last = before.rfind(['"', '\u{201c}', '\u{201d}']).map(|at| &before[at..]);
    last.is_some_and(|last| match last.chars().next() {
        Some('"') => before.matches('"').count() % 2 == 1,
        quote => quote == Some('\u{201c}'),
    })
}

/// Whether a letter may be a part of an id.
fn is_of_id(c: char) -> bool {
    c.is_ascii_alphanumeric() || c == '-' || c == '_'
}

/// Where an id stands in a text, and is not a part of another one.
fn places<'t>(text: &'t str, id: &'t str) -> impl Iterator<Item = usize> + 't {
    let is_a_word = !id.contains(['.', '-', '_']);
    text.match_indices(id).map(|(at, _)| at).filter(move |at| {
        let before = text[..*at].chars().next_back();
        let mut behind = text[at + id.len()..].chars();
        let next = behind.next();
        let goes_on = next.is_some_and(is_of_id)
            || (next == Some('.') && behind.next().is_some_and(is_of_id));
        let alone = !before.is_some_and(|c| is_of_id(c) || c == '.') && !goes_on;
        alone && (!is_a_word || stands_as_id(text, *at, id.len()))
    })
}

/// Whether a word of the language stands for an id: in quotes, before what it is set to, at the end of how to mend it,
/// or in Chinese.
fn stands_as_id(text: &str, at: usize, len: usize) -> bool {
    let (before, behind) = (&text[..at], &text[at + len..]);
    let chinese = |c: Option<char>| c.is_some_and(|c| ('\u{4e00}'..='\u{9fff}').contains(&c));
    (before.ends_with(['"', '\u{201c}']) && behind.starts_with(['"', '\u{201d}']))
        || behind.starts_with(" = ")
        || before.ends_with("correct ") && behind.is_empty()
        || chinese(before.trim_end().chars().next_back())
        || chinese(behind.trim_start().chars().next())
}

/// Whether a text names an id.
#[must_use]
pub fn has(text: &str, id: &str) -> bool {
    places(text, id).next().is_some()
}

/// The text with a name in place of an id, and of the quotes around that; not where it is quoted, if it was typed.
fn replaced(text: &str, id: &str, name: &str, is_typed: bool) -> String {
    let (mut out, mut from) = (String::with_capacity(text.len()), 0);
    for at in places(text, id) {
        if is_typed && is_in_quotes(&text[..at]) {
            continue;
        }
        let (before, behind) = (&text[from..at], &text[at + id.len()..]);
        let quotes = [('"', '"'), ('\u{201c}', '\u{201d}')];
        let quoted = quotes.iter().find(|(a, b)| before.ends_with(*a) && behind.starts_with(*b));
        let (before, skip) = quoted.map_or((before, 0), |(a, b)| {
            (before.strip_suffix(*a).unwrap_or(before), b.len_utf8())
        });
        out.push_str(before);
        out.push_str(name);
        from = at + id.len() + skip;
    }
    out.push_str(&text[from..]);
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_id_is_called_by_its_name_where_it_stands_alone() {
        let names = Names::of_keys([("wither.hours", "time of withering")].into_iter());
        let put = |line: &str| names.put(line);
        assert_eq!(
            put("wither.hours = \"x\" does not hold"),
            "“time of withering” = \"x\" does not hold"
        );
        assert_eq!(
            put("there is no \"wither.hours\" here: wither.hours."),
            "there is no “time of withering” here: “time of withering”."
        );
        // A word of the language is one, unless it stands for the key of a file.
        let keys = Names::of_keys([("water", "Source of the water")].into_iter());
        assert_eq!(keys.put("water = 7 is not known"), "“Source of the water” = 7 is not known");
        assert_eq!(keys.put("“water”不成立"), "“Source of the water”不成立");
        assert_eq!(
            keys.put("the water boils; correct water_c"),
            "the water boils; correct water_c"
        );
        for other in ["wither.hours-2", "my-wither.hours", "wither.hours.x", "  3 | wither.hours,7"]
        {
            assert_eq!(put(other), other);
        }
    }
    #[test]
    fn what_was_typed_is_told_as_it_was_typed() {
        let keys = [("soon", "Called soon before its day by"), ("after", "Tasted at these ages")];
        let names = Names::of_keys(keys.into_iter());
        let typed = names.clone().beside(["soon, until".to_owned()]);
        let line = "after = \"soon\" does not hold";
        assert_eq!(typed.put(line), "“Tasted at these ages” = \"soon\" does not hold");
        assert_eq!(typed.put("“soon”不成立"), "“soon”不成立");
        assert_eq!(typed.put("soon = 3"), "“Called soon before its day by” = 3");
        // A key that nobody typed is called by its label in quotes too.
        let told = "“Called soon before its day by” is missing";
        assert_eq!(names.put("\"soon\" is missing"), told);
    }
}
