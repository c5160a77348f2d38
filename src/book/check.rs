//! Checking a book: every mistake of the whole record, and what is worth a notice.

use std::fs;
use std::path::Path;

use super::lots::{Followed, Lot, LotFile};
use super::parameters::Parameters;
use super::problem::{Problem, Problems, did_you_mean};
use super::reading::Everything;
use super::readings::ReadingRules;
use super::store::{self, StoreError};
use super::toml_file::Described;
use super::trials::TrialFile;
use super::{
    Book, copies, csv_file, ids, left_over, lot_graph, retasting, stores, toml_file, trial_files,
    trial_rules,
};

/// What a check found.
#[derive(Debug, Clone, Default)]
pub struct Checked {
    /// The mistakes, to be mended.
    pub problems: Problems,
    /// What is no mistake but worth knowing: torn lines, copies of sync programs.
    pub notices: Vec<String>,
    /// The lots, as far as they could be read.
    pub lots: Vec<Lot>,
    /// The trials, as far as they could be read.
    pub trials: Vec<Described<TrialFile>>,
    /// How many lots there are.
    pub n_lots: usize,
    /// How many sessions there are.
    pub n_sessions: usize,
}

/// Checks a whole book, but for the insides of its sessions.
///
/// # Errors
/// Only if the disk refuses.
pub fn check(book: &Book) -> Result<Checked, StoreError> {
    let mut checked = Checked::default();
    let problems = &mut checked.problems;
    let everything = book.read_all(problems)?;
    check_defaults(&everything, problems);
    let lots = folders_of(book, "lots", problems)?;
    let sessions = folders_of(book, "sessions", problems)?;
    let parameters = everything.parameters.as_ref().map(|p| &p.value);
    let rules = everything.book.as_ref().map(|b| &b.value.readings);
    checked.lots = check_lots(book, &lots, parameters, rules, problems)?;
    if let Some(file) = &everything.book {
        let first = checked.lots.iter().find_map(|l| l.values.first());
        let clock = first.map_or(jiff::tz::Offset::UTC, |v| v.at.offset());
        checked.notices = stores::check(book, file, &checked.lots, clock, problems)?;
    }
    let around = trial_rules::Around {
        parameters,
        vocabulary: everything.vocabulary.as_ref().map(|v| &v.value),
        lots: &lots,
    };
    let there = trial_files::names(book)?;
    checked.trials = trial_files::read_all(book, &around, problems)?;
    for lot in &checked.lots {
        trial_rules::check_lot(lot, &checked.trials, &there, problems);
    }
    let recipes = everything.recipes.as_ref().map(|r| &r.value);
    let around = retasting::Around { recipes, lots: &checked.lots, there: &lots };
    retasting::read(book, &around, problems)?;
    checked.n_lots = lots.len();
    checked.n_sessions = sessions.len();
    walk(book.root(), "", &mut checked.notices)?;
    checked.notices.sort();
    Ok(checked)
}

/// The folders for lots or sessions; those whose names are no ids, or the same without regard to
/// case, are mistakes.
fn folders_of(book: &Book, of: &str, problems: &mut Problems) -> Result<Vec<String>, StoreError> {
    let names = super::reading::folders(&book.root().join(of))?;
    for (i, name) in names.iter().enumerate() {
        let what = of.trim_end_matches('s');
        if !ids::is_id(name) {
            problems.push(Problem::new(
                format!("{of}/{name}"),
                None,
                format!("the folder's name cannot be the id of a {what}"),
                ids::RULE,
                "rename the folder, or move it out of the book",
            ));
        } else if let Some(first) = names[..i].iter().find(|n| ids::same(n, name)) {
            problems.push(Problem::new(
                format!("{of}/{name}"),
                None,
                format!("there is a {what} {first} already"),
                "ids that differ in more than upper and lower case",
                "rename one of the two",
            ));
        }
    }
    Ok(names)
}

pub(super) fn check_defaults(all: &Everything, problems: &mut Problems) {
    let Some(book) = &all.book else { return };
    let defaults = &book.value.defaults;
    if let (Some(recipe), Some(recipes)) = (&defaults.recipe, &all.recipes)
        && recipes.value.recipe(recipe).is_none()
    {
        problems.push(book.problem(
            &["defaults", "recipe"],
            format!("there is no recipe \"{recipe}\""),
            "the id of a recipe of recipes.toml",
            did_you_mean(recipe, recipes.value.recipe_ids(), "add it to recipes.toml"),
        ));
    }
    let Some(vocabulary) = &all.vocabulary else { return };
    for (i, term) in defaults.terms.iter().enumerate() {
        let at = i.to_string();
        match vocabulary.value.term(term) {
            None => problems.push(book.problem(
                &["defaults", "terms", &at],
                format!("there is no term \"{term}\""),
                "the id of a term of vocabulary.toml",
                did_you_mean(term, vocabulary.value.term_ids(), "add it to vocabulary.toml"),
            )),
            Some(found) if found.retired.is_some() || found.merged_into.is_some() => {
                problems.push(book.problem(
                    &["defaults", "terms", &at],
                    format!("the term \"{term}\" is retired or merged into another"),
                    "a term that is still asked",
                    "take it out, or name the term that took its place",
                ));
            }
            Some(_) => {}
        }
    }
}

fn check_lots(
    book: &Book,
    ids: &[String],
    parameters: Option<&Parameters>,
    rules: Option<&ReadingRules>,
    problems: &mut Problems,
) -> Result<Vec<Lot>, StoreError> {
    let mut lots: Vec<Lot> = Vec::new();
    for id in ids.iter().filter(|id| ids::is_id(id)) {
        if let Some(parameters) = parameters {
            if let Some(mut lot) = book.read_lot(id, parameters, rules, problems)? {
                problems.append(std::mem::take(&mut lot.followed.problems));
                lots.push(lot);
            }
            continue;
        }
        // Without parameters the values mean nothing; their form is checked all the same.
        let file =
            toml_file::read::<LotFile>(book.root(), &format!("lots/{id}/lot.toml"), problems)?;
        if let Some(file) = file {
            lot_graph::check_one(id, &file, problems);
            let log = csv_file::read(book.root(), &format!("lots/{id}/log.csv"), problems)?;
            lots.push(Lot {
                id: file.value.id.clone(),
                file,
                log,
                values: Vec::new(),
                followed: Followed::default(),
            });
        }
    }
    lot_graph::check(&lots, ids, problems);
    Ok(lots)
}

/// Notices of torn lines and of copies, in all folders.
fn walk(root: &Path, folder: &str, notices: &mut Vec<String>) -> Result<(), StoreError> {
    let path = root.join(folder);
    let mut names = Vec::new();
    for entry in fs::read_dir(&path).map_err(store::io("read the folder", &path))? {
        let entry = entry.map_err(store::io("read the folder", &path))?;
        names.push(entry.file_name().to_string_lossy().into_owned());
    }
    for name in &names {
        let file = if folder.is_empty() { name.clone() } else { format!("{folder}/{name}") };
        if name.starts_with('.') {
            if left_over::is_left_over(&path.join(name)) {
                notices.push(format!(
                    "{file}: left by a program that was stopped while it wrote; it is not read. The \
                     next start of the desk clears it away, or delete it"
                ));
            }
            continue;
        }
        let original = copies::original_of_copy(name).filter(|o| names.contains(o));
        if copies::is_conflict_copy(name) {
            notices.push(format!(
                "{file}: looks like a copy that a sync program left; it is not read. Unite its \
                 lines or values with the original, then move it out of the book"
            ));
        } else if let Some(original) = original {
            notices.push(format!(
                "{file}: looks like a copy of {original}; it is not read. Compare the two, then \
                 move it out of the book"
            ));
        } else if root.join(&file).is_dir() {
            walk(root, &file, notices)?;
        } else if name.ends_with(".csv.torn") {
            notices.push(format!(
                "{file}: holds lines that were cut off while being written; write again what is \
                 missing, then remove this file"
            ));
        } else if name.ends_with(".csv") && !is_of_loggers(folder) {
            notices.extend(torn(&root.join(&file), &file)?);
        }
    }
    Ok(())
}

/// Whether a folder holds files as loggers wrote them: the last line may have no end.
fn is_of_loggers(folder: &str) -> bool {
    let parts: Vec<&str> = folder.split('/').collect();
    matches!(parts.as_slice(), ["lots", _, "readings", ..] | [stores::STORES, ..])
}

fn torn(path: &Path, file: &str) -> Result<Option<String>, StoreError> {
    // What is wrong with the file as a whole is said elsewhere.
    let Ok(text) = store::read_text(path) else { return Ok(None) };
    Ok((!text.is_empty() && !text.ends_with('\n')).then(|| {
        let line = text.matches('\n').count() + 1;
        format!(
            "{file}:{line}:1: the last line has no line end and does not count; it will be set \
             aside in {name}.torn when the next line is written",
            name = path.file_name().map_or(file.into(), |n| n.to_string_lossy().into_owned())
        )
    }))
}
