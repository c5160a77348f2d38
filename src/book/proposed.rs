//! A description with a new text: checked by the rules of `check` before it takes the old one's place.

use super::check::check_defaults;
use super::lots::{Lot, LotFile};
use super::parameters::{self, Parameters};
use super::problem::{Problem, Problems};
use super::reading::{BOOK, Everything, PARAMETERS, RECIPES, TASTERS, VOCABULARY};
use super::retasting::{self, RETASTING, RetastingFile};
use super::store::{self, StoreError, WriteLock};
use super::tasters::{self, Tasters};
use super::toml_file::{self, Described};
use super::trial_rules;
use super::vocabulary;
use super::writing::{TEXT_MOST, refused};
use super::{Book, BookError, lot_graph, lot_log, recipes, trial_files};

/// The descriptions that a book has once each, in the order in which a maker meets them.
pub const ONCE: [&str; 6] = [BOOK, TASTERS, VOCABULARY, PARAMETERS, RECIPES, RETASTING];

/// A text as it stands on the disk, or as somebody would have it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Text {
    /// The text; empty for a file that is not there.
    pub text: String,
    /// The digest of the file; none: it is not there.
    pub digest: Option<String>,
}

/// What came of a text that was to be saved.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Saved {
    /// It stands on the disk.
    Done,
    /// The file was changed since it was read: nothing was written. What stands there now.
    Changed(Text),
}

impl Book {
    /// The text of one of the book's descriptions: those of [`ONCE`], or `lots/ID/lot.toml`.
    ///
    /// # Errors
    /// If there can be no such description, or the disk refuses.
    pub fn text_of(&self, file: &str) -> Result<Text, BookError> {
        self.must_be_description(file)?;
        let path = self.root().join(file);
        if !path.exists() {
            return Ok(Text { text: String::new(), digest: None });
        }
        let whole = store::read_whole(&path)?;
        let digest = Some(whole.digest());
        Ok(Text { text: whole.text, digest })
    }

    /// The lot whose description a file is, if it is one.
    fn lot_of_file(&self, file: &str) -> Result<Option<String>, BookError> {
        let id = file.strip_prefix("lots/").and_then(|f| f.strip_suffix("/lot.toml"));
        let Some(id) = id else { return Ok(None) };
        Ok(self.lot_ids()?.into_iter().find(|known| known == id))
    }

    fn must_be_description(&self, file: &str) -> Result<(), BookError> {
        if ONCE.contains(&file) || self.lot_of_file(file)?.is_some() {
            return Ok(());
        }
        Err(refused(
            format!("\"{file}\" is no description of this book"),
            format!("one of {}, or lots/ID/lot.toml", ONCE.join(", ")),
            "name one of these",
        ))
    }

    /// Writes a new text for a description if nothing is wrong in it, and if nothing in the rest of
    /// the book is wrong because of it. `lots` are those that can be read.
    ///
    /// # Errors
    /// Every mistake in the text, or that the disk refuses; the old text stands then.
    pub fn save_text(
        &self,
        file: &str,
        text: &str,
        seen: Option<&str>,
        lots: &[Lot],
    ) -> Result<Saved, BookError> {
        let _lock = WriteLock::take(self.root())?;
        let now = self.text_of(file)?;
        if now.digest.as_deref() != seen {
            return Ok(Saved::Changed(now));
        }
        let problems = self.proposed(file, text, &now.text, lots)?;
        if !problems.is_empty() {
            return Err(BookError::Records(problems));
        }
        let path = self.root().join(file);
        let written = match seen {
            Some(_) => store::replace(&path, text, seen),
            None => store::create_new(&path, text),
        };
        match written {
            Ok(()) => Ok(Saved::Done),
            Err(StoreError::Changed(_) | StoreError::Exists(_)) => {
                Ok(Saved::Changed(self.text_of(file)?))
            }
            Err(other) => Err(other.into()),
        }
    }

    /// What would keep a new text from being saved.
    ///
    /// # Errors
    /// If the book cannot be read.
    pub fn mistakes_of_text(
        &self,
        file: &str,
        text: &str,
        lots: &[Lot],
    ) -> Result<Problems, BookError> {
        self.proposed(file, text, &self.text_of(file)?.text, lots)
    }

    /// What would be wrong with a new text: its own mistakes, and those of other files that are not
    /// there with the old one.
    fn proposed(
        &self,
        file: &str,
        text: &str,
        old: &str,
        lots: &[Lot],
    ) -> Result<Problems, BookError> {
        let mut after = self.with(file, text, lots)?;
        if self.lot_of_file(file)?.is_some() {
            too_long(file, text, old, &mut after);
        }
        let after = after;
        let own = |p: &Problem| p.file == file;
        if after.sorted().into_iter().all(own) {
            return Ok(after);
        }
        let before = self.with(file, old, lots)?;
        let before = before.sorted();
        let mut told = Problems::new();
        for problem in after.sorted() {
            if own(problem) || !before.contains(&problem) {
                told.push(problem.clone());
            }
        }
        Ok(told)
    }

    /// All that `check` says of a description with this text, and of what leans on it.
    fn with(&self, file: &str, text: &str, lots: &[Lot]) -> Result<Problems, BookError> {
        let mut problems = Problems::new();
        let mut of_others = Problems::new();
        let mut all = self.read_all(&mut of_others)?;
        let digest = store::digest(text.as_bytes());
        let text = text.to_owned();
        match file {
            BOOK => all.book = toml_file::parse(file, text, digest, &mut problems),
            VOCABULARY => {
                all.vocabulary = toml_file::parse(file, text, digest, &mut problems);
                all.vocabulary.iter().for_each(|v| vocabulary::check(v, &mut problems));
            }
            PARAMETERS => {
                all.parameters = toml_file::parse(file, text, digest, &mut problems);
                all.parameters.iter().for_each(|p| parameters::check(p, &mut problems));
            }
            RECIPES => {
                all.recipes = toml_file::parse(file, text, digest, &mut problems);
                all.recipes.iter().for_each(|r| recipes::check(r, &mut problems));
            }
            TASTERS => {
                let file = toml_file::parse::<Tasters>(file, text, digest, &mut problems);
                file.iter().for_each(|t| tasters::check(t, &mut problems));
            }
            RETASTING => {
                let there = self.lot_ids()?;
                let recipes = all.recipes.as_ref().map(|r| &r.value);
                let around = retasting::Around { recipes, lots, there: &there };
                let file = toml_file::parse::<RetastingFile>(file, text, digest, &mut problems);
                file.iter().for_each(|f| retasting::check(f, &around, &mut problems));
            }
            _ => self.with_lot(file, text, digest, lots, &all, &mut problems)?,
        }
        if !problems.is_empty() {
            return Ok(problems);
        }
        self.what_leans(file, lots, &all, &mut problems)?;
        Ok(problems)
    }

    fn with_lot(
        &self,
        file: &str,
        text: String,
        digest: String,
        lots: &[Lot],
        all: &Everything,
        problems: &mut Problems,
    ) -> Result<(), BookError> {
        let Some(id) = self.lot_of_file(file)? else { return Ok(()) };
        let Some(new) = toml_file::parse::<LotFile>(file, text, digest, problems) else {
            return Ok(());
        };
        lot_graph::check_one(&id, &new, problems);
        if !problems.is_empty() {
            return Ok(());
        }
        let mut changed: Vec<Lot> = lots.to_vec();
        let log = match changed.iter().position(|l| l.file.file == file) {
            Some(at) => changed.swap_remove(at).log,
            None => super::csv_file::read(self.root(), &format!("lots/{id}/log.csv"), problems)?,
        };
        let values = all
            .parameters
            .as_ref()
            .map_or_else(Vec::new, |p| lot_log::settle(&log, Some(&new.value), &p.value, problems));
        let lot = Lot { id, file: new, log, values, followed: super::lots::Followed::default() };
        let (trials, there) = (self.trials()?, self.trial_names()?);
        trial_rules::check_lot(&lot, &trials, &there, problems);
        changed.push(lot);
        changed.sort_by(|a, b| a.id.cmp(&b.id));
        lot_graph::check(&changed, &self.lot_ids()?, problems);
        Ok(())
    }

    /// What is wrong in other files because of a description.
    fn what_leans(
        &self,
        file: &str,
        lots: &[Lot],
        all: &Everything,
        problems: &mut Problems,
    ) -> Result<(), BookError> {
        let parameters: Option<&Parameters> = all.parameters.as_ref().map(|p| &p.value);
        if matches!(file, BOOK | VOCABULARY | RECIPES) {
            check_defaults(all, problems);
        }
        if file == RECIPES {
            let there = self.lot_ids()?;
            let recipes = all.recipes.as_ref().map(|r| &r.value);
            retasting::read(self, &retasting::Around { recipes, lots, there: &there }, problems)?;
        }
        if file == PARAMETERS
            && let Some(parameters) = parameters
        {
            for lot in lots {
                lot_log::settle(&lot.log, Some(&lot.file.value), parameters, problems);
            }
        }
        if matches!(file, VOCABULARY | PARAMETERS) {
            let there = self.lot_ids()?;
            let vocabulary = all.vocabulary.as_ref().map(|v| &v.value);
            trial_files::read_all(
                self,
                &trial_rules::Around { parameters, vocabulary, lots: &there },
                problems,
            )?;
        }
        Ok(())
    }
}

/// Texts of a lot's description that are longer than what is written, but for those that were there before.
fn too_long(file: &str, text: &str, old: &str, problems: &mut Problems) {
    let read = |text: &str| -> Option<Described<LotFile>> {
        let digest = store::digest(text.as_bytes());
        toml_file::parse(file, text.to_owned(), digest, &mut Problems::new())
    };
    let Some(new) = read(text) else { return };
    let old = read(old).map(|old| old.value);
    let texts = |lot: &LotFile| {
        [
            ("garden", lot.garden.clone()),
            ("plot", lot.plot.clone()),
            ("cultivar", lot.cultivar.clone()),
            ("season", lot.season.clone()),
            ("notes", lot.notes.clone()),
        ]
    };
    let known = old.as_ref().map(texts);
    for (i, (key, text)) in texts(&new.value).into_iter().enumerate() {
        let n = text.as_ref().map_or(0, |t| t.chars().count());
        if n > TEXT_MOST && known.as_ref().is_none_or(|known| known[i].1 != text) {
            problems.push(new.problem(
                &[key],
                format!("{key} has {n} characters"),
                format!("at most {TEXT_MOST}"),
                "shorten it; what is longer is kept as a file of its own",
            ));
        }
    }
}
