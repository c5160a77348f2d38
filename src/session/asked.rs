//! Which terms a session asks, as they stand in the vocabulary when it is planned.

use crate::book::ids;
use crate::book::reading::unknown;
use crate::book::time::Day;
use crate::book::vocabulary::{Family, Term};
use crate::book::{Book, BookError};

use super::ballots::{GUESS, GUESS_SURE};
use super::plan::{Terms, refused};

/// The terms that are asked of lots of these classes on a day, and their families.
pub(super) fn terms(
    book: &Book,
    asked: &Terms,
    classes: &[&str],
    day: Day,
) -> Result<(Vec<Family>, Vec<Term>), BookError> {
    let vocabulary = book.vocabulary()?.value;
    let defaults = book.book_file()?.value.defaults.terms;
    let named = match asked {
        Terms::Of(names) => Some(names.clone()),
        Terms::Default if !defaults.is_empty() => Some(defaults),
        Terms::Default | Terms::All => None,
    };
    let chosen: Vec<Term> = match named {
        None => vocabulary
            .terms
            .iter()
            .filter(|t| t.is_asked_on(day))
            .filter(|t| {
                t.classes.is_empty()
                    || t.classes.iter().any(|c| classes.iter().any(|k| ids::same(c, k)))
            })
            .cloned()
            .collect(),
        Some(names) => {
            let known: Vec<String> = vocabulary.term_ids().map(str::to_owned).collect();
            let mut chosen: Vec<Term> = Vec::new();
            for name in &names {
                let term = vocabulary
                    .term(name)
                    .ok_or_else(|| unknown("term", name, &known, "add it to vocabulary.toml"))?;
                if let Some(other) = &term.merged_into {
                    return Err(refused(format!(
                        "the term {} was merged into {other}\n  to mend:  ask {other}",
                        term.id
                    )));
                }
                if !term.is_asked_on(day) {
                    return Err(refused(format!(
                        "the term {} is retired\n  to mend:  leave it out",
                        term.id
                    )));
                }
                if chosen.iter().any(|t| t.id == term.id) {
                    return Err(refused(format!(
                        "the term {} is named twice\n  to mend:  name each term once",
                        term.id
                    )));
                }
                chosen.push(term.clone());
            }
            chosen
        }
    };
    if chosen.is_empty() {
        return Err(refused(
            "no term is asked\n  to mend:  name terms with --terms, or add some to vocabulary.toml",
        ));
    }
    if let Some(term) =
        chosen.iter().find(|t| ids::same(&t.id, GUESS) || ids::same(&t.id, GUESS_SURE))
    {
        return Err(refused(format!(
            "the id \"{}\" is kept for guesses\n  to mend:  give the term another id in vocabulary.toml",
            term.id
        )));
    }
    let families = vocabulary
        .families
        .iter()
        .filter(|f| chosen.iter().any(|t| ids::same(&t.family, &f.id)))
        .cloned()
        .collect();
    Ok((families, chosen))
}
