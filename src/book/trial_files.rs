//! Trials of a book: reading them, and writing a new one.

use toml_edit::{DocumentMut, Item};

use super::problem::Problems;
use super::reading::{self, unknown};
use super::store::{self, StoreError, WriteLock};
use super::toml_file::{self, Described};
use super::trial_rules::{Around, check};
use super::trials::TrialFile;
use super::writing::{must_be_id, refuse_mistakes, refused, toml_moment};
use super::{Book, BookError, copies, ids};

fn file_of(name: &str) -> String {
    format!("trials/{name}.toml")
}

impl Book {
    /// The names of all trials: the files in trials/.
    ///
    /// # Errors
    /// If the disk refuses.
    pub fn trial_names(&self) -> Result<Vec<String>, BookError> {
        Ok(names(self)?)
    }

    /// All trials, by their names.
    ///
    /// # Errors
    /// Every mistake in any of them, or that the disk refused.
    pub fn trials(&self) -> Result<Vec<Described<TrialFile>>, BookError> {
        let (parameters, vocabulary) = (self.parameters()?.value, self.vocabulary()?.value);
        let lots = self.lot_ids()?;
        let around =
            Around { parameters: Some(&parameters), vocabulary: Some(&vocabulary), lots: &lots };
        let mut problems = Problems::new();
        let trials = read_all(self, &around, &mut problems)?;
        Ok(problems.or(trials)?)
    }

    /// The trial of a name.
    ///
    /// # Errors
    /// If there is none (with the nearest name that there is), or every mistake in it.
    pub fn trial(&self, name: &str) -> Result<Described<TrialFile>, BookError> {
        let known = self.trial_names()?;
        let Some(name) = known.iter().find(|k| ids::same(k, name)) else {
            return Err(unknown("trial", name, &known, "plan it with `blindsteep trial`"));
        };
        let (parameters, vocabulary) = (self.parameters()?.value, self.vocabulary()?.value);
        let lots = self.lot_ids()?;
        let around =
            Around { parameters: Some(&parameters), vocabulary: Some(&vocabulary), lots: &lots };
        let mut problems = Problems::new();
        match read(self, name, &around, &mut problems)? {
            Some(trial) if problems.is_empty() => Ok(trial),
            _ => Err(BookError::Records(problems)),
        }
    }

    /// Writes a new trial.
    ///
    /// # Errors
    /// If its name is none or is taken, it does not fit the book, or the disk refuses.
    pub fn write_trial(&self, trial: &TrialFile) -> Result<(), BookError> {
        must_be_id("trial", &trial.name)?;
        let _lock = WriteLock::take(self.root())?;
        if let Some(there) = self.trial_names()?.iter().find(|k| ids::same(k, &trial.name)) {
            return Err(refused(
                format!("there is a trial {there} already"),
                "a name that no trial has, without regard to upper and lower case",
                "choose another name: a trial is written once",
            ));
        }
        let (parameters, vocabulary) = (self.parameters()?.value, self.vocabulary()?.value);
        let lots = self.lot_ids()?;
        let around =
            Around { parameters: Some(&parameters), vocabulary: Some(&vocabulary), lots: &lots };
        // Read back before it counts, by the same rules as every file of the record.
        let text = text_of(trial);
        let digest = store::digest(text.as_bytes());
        let mut problems = Problems::new();
        if let Some(file) = toml_file::parse::<TrialFile>(
            &file_of(&trial.name),
            text.clone(),
            digest,
            &mut problems,
        ) {
            check(&trial.name, &file, &around, &mut problems);
        }
        refuse_mistakes(&problems)?;
        store::make_folder(&self.root().join("trials"))?;
        Ok(store::create_new(&self.root().join(file_of(&trial.name)), &text)?)
    }
}

pub(super) fn names(book: &Book) -> Result<Vec<String>, StoreError> {
    let mut names: Vec<String> = reading::files(&book.root().join("trials"))?
        .into_iter()
        .filter(|f| !copies::is_conflict_copy(f))
        .filter_map(|f| f.strip_suffix(".toml").map(str::to_owned))
        .collect();
    // "roll (1).toml" beside "roll.toml" is a copy of it.
    let all = names.clone();
    names.retain(|n| copies::original_of_copy(n).is_none_or(|o| !all.contains(&o)));
    Ok(names)
}

pub(super) fn read_all(
    book: &Book,
    around: &Around<'_>,
    problems: &mut Problems,
) -> Result<Vec<Described<TrialFile>>, StoreError> {
    let mut trials = Vec::new();
    for name in names(book)? {
        trials.extend(read(book, &name, around, problems)?);
    }
    Ok(trials)
}

fn read(
    book: &Book,
    name: &str,
    around: &Around<'_>,
    problems: &mut Problems,
) -> Result<Option<Described<TrialFile>>, StoreError> {
    let file = toml_file::read::<TrialFile>(book.root(), &file_of(name), problems)?;
    if let Some(file) = &file {
        check(name, file, around, problems);
    }
    Ok(file)
}

/// A trial as it stands in its file: moments as moments, settings in one line.
fn text_of(trial: &TrialFile) -> String {
    let mut doc: DocumentMut =
        toml_file::to_text(trial).parse().expect("the program's own TOML can be read");
    doc["planned"] = toml_moment(trial.planned);
    if let Some(runs) = doc.get_mut("run").and_then(Item::as_array_of_tables_mut) {
        for run in runs.iter_mut() {
            let settings = run.remove("settings").and_then(|item| item.into_value().ok());
            if let Some(settings) = settings {
                run.insert("settings", toml_edit::value(settings));
            }
        }
    }
    doc.to_string()
}
