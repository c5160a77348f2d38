//! Reading a book: each file with all its mistakes, in form and in meaning.

use std::fs;
use std::path::Path;

use serde::de::DeserializeOwned;

use super::book_file::BookFile;
use super::logger_rows::LEAST_GAP_MINUTES;
use super::lot_log;
use super::lots::{Followed, Lot, LotFile};
use super::parameters::{self, Parameters};
use super::problem::{Problems, did_you_mean};
use super::readings::{self, ReadingRules};
use super::recipes::{self, Recipes};
use super::store::{self, StoreError};
use super::tasters::{self, Tasters};
use super::time::Moment;
use super::toml_file::{self, Described};
use super::vocabulary::{self, Vocabulary};
use super::{Book, BookError, copies, course, csv_file, ids};

/// The descriptions of a book that are there once.
pub const BOOK: &str = "book.toml";
/// The words.
pub const VOCABULARY: &str = "vocabulary.toml";
/// The parameters.
pub const PARAMETERS: &str = "parameters.toml";
/// The recipes.
pub const RECIPES: &str = "recipes.toml";
/// The tasters.
pub const TASTERS: &str = "tasters.toml";

impl Book {
    fn read<T: DeserializeOwned + schemars::JsonSchema + 'static>(
        &self,
        file: &str,
        check: impl FnOnce(&Described<T>, &mut Problems),
        problems: &mut Problems,
    ) -> Result<Option<Described<T>>, StoreError> {
        let described = toml_file::read::<T>(self.root(), file, problems)?;
        if let Some(d) = &described {
            check(d, problems);
        }
        Ok(described)
    }

    fn one<T>(
        read: impl FnOnce(&mut Problems) -> Result<Option<T>, StoreError>,
    ) -> Result<T, BookError> {
        let mut problems = Problems::new();
        let value = read(&mut problems)?;
        match value {
            Some(value) if problems.is_empty() => Ok(value),
            _ => Err(BookError::Records(problems)),
        }
    }

    /// book.toml.
    ///
    /// # Errors
    /// Every mistake in it, or that the disk refused.
    pub fn book_file(&self) -> Result<Described<BookFile>, BookError> {
        Self::one(|p| self.read(BOOK, |_, _| {}, p))
    }

    /// vocabulary.toml.
    ///
    /// # Errors
    /// As for [`Book::book_file`].
    pub fn vocabulary(&self) -> Result<Described<Vocabulary>, BookError> {
        Self::one(|p| self.read(VOCABULARY, vocabulary::check, p))
    }

    /// parameters.toml.
    ///
    /// # Errors
    /// As for [`Book::book_file`].
    pub fn parameters(&self) -> Result<Described<Parameters>, BookError> {
        Self::one(|p| self.read(PARAMETERS, parameters::check, p))
    }

    /// recipes.toml.
    ///
    /// # Errors
    /// As for [`Book::book_file`].
    pub fn recipes(&self) -> Result<Described<Recipes>, BookError> {
        Self::one(|p| self.read(RECIPES, recipes::check, p))
    }

    /// tasters.toml.
    ///
    /// # Errors
    /// As for [`Book::book_file`].
    pub fn tasters(&self) -> Result<Described<Tasters>, BookError> {
        Self::one(|p| self.read(TASTERS, tasters::check, p))
    }

    /// All lots, by their ids.
    ///
    /// # Errors
    /// Every mistake in any of them, or that the disk refused.
    pub fn lots(&self) -> Result<Vec<Lot>, BookError> {
        let parameters = self.parameters()?;
        let rules = self.book_file()?.value.readings;
        let mut problems = Problems::new();
        let mut lots = Vec::new();
        let ids = self.lot_ids()?;
        for id in &ids {
            lots.extend(self.read_lot(id, &parameters.value, Some(&rules), &mut problems)?);
        }
        super::lot_graph::check(&lots, &ids, &mut problems);
        Ok(problems.or(lots)?)
    }

    /// The lot of an id.
    ///
    /// # Errors
    /// If there is none (with the nearest id that there is), or every mistake in it.
    pub fn lot(&self, id: &str) -> Result<Lot, BookError> {
        let known = self.lot_ids()?;
        let Some(id) = known.iter().find(|k| ids::same(k, id)) else {
            return Err(unknown("lot", id, &known, "`blindsteep lot list` names the lots"));
        };
        let parameters = self.parameters()?;
        let rules = self.book_file()?.value.readings;
        Self::one(|p| self.read_lot(id, &parameters.value, Some(&rules), p))
    }

    /// The ids of all lots: the folders in lots/.
    ///
    /// # Errors
    /// If the disk refuses.
    pub fn lot_ids(&self) -> Result<Vec<String>, BookError> {
        Ok(folders(&self.root().join("lots"))?)
    }

    /// The names of all sessions, by their folders.
    ///
    /// # Errors
    /// If the disk refuses.
    pub fn session_names(&self) -> Result<Vec<String>, BookError> {
        Ok(folders(&self.root().join("sessions"))?)
    }

    /// The session of a name, which may be any part of it that no other session has.
    ///
    /// # Errors
    /// If there is none, or more than one.
    pub fn session_name(&self, part: &str) -> Result<String, BookError> {
        let mut known = self.session_names()?;
        if let Some(at) = known.iter().position(|k| ids::same(k, part)) {
            return Ok(known.swap_remove(at));
        }
        let lower = part.to_lowercase();
        // A whole name behind its day goes before a part of other names.
        let named = |k: &&String| k.get(11..).is_some_and(|name| ids::same(name, part));
        let mut fitting: Vec<&String> = known.iter().filter(named).collect();
        if fitting.is_empty() {
            fitting = known.iter().filter(|k| k.to_lowercase().contains(&lower)).collect();
        }
        match fitting.as_slice() {
            [one] if !part.is_empty() => Ok((*one).clone()),
            [] => Err(unknown("session", part, &known, "name one of the folders in sessions/")),
            several => {
                let names: Vec<&str> = several.iter().map(|s| s.as_str()).collect();
                Err(BookError::Refused(format!(
                    "\"{part}\" is a part of several sessions\n  expected: {}\n  to mend:  name more of it",
                    names.join(", ")
                )))
            }
        }
    }

    pub(crate) fn read_lot(
        &self,
        id: &str,
        parameters: &Parameters,
        rules: Option<&ReadingRules>,
        problems: &mut Problems,
    ) -> Result<Option<Lot>, StoreError> {
        let file = self.read_lot_file(id, problems)?;
        let log = csv_file::read(self.root(), &format!("lots/{id}/log.csv"), problems)?;
        let lot = file.as_ref().map(|f| &f.value);
        let values = lot_log::settle(&log, lot, parameters, problems);
        let Some(file) = file else { return Ok(None) };
        let mut lot =
            Lot { id: file.value.id.clone(), file, log, values, followed: Followed::default() };
        if let Some(rules) = rules {
            lot.followed = self.follow(id, &lot, parameters, rules)?;
        }
        Ok(Some(lot))
    }

    /// What loggers wrote down between the first roll and the drier. The files are read whole even
    /// if neither moment was logged, so that what is wrong in them is told; the lot is known without
    /// those that cannot be read.
    fn follow(
        &self,
        id: &str,
        lot: &Lot,
        parameters: &Parameters,
        rules: &ReadingRules,
    ) -> Result<Followed, StoreError> {
        let folder = format!("lots/{id}/readings");
        let mut followed = Followed::default();
        if !readings::any(&self.root().join(&folder)) {
            return Ok(followed);
        }
        let moment = |id: &str| lot.making(id).and_then(|v| v.value.moment());
        let clock = moment("roll.start").or_else(|| lot.values.first().map(|v| v.at));
        let clock = clock.map_or(jiff::tz::Offset::UTC, Moment::offset);
        let problems = &mut followed.problems;
        let all = readings::read_folder(self.root(), &folder, rules, clock, problems)?;
        followed.notes.extend(left_out(&followed.problems));
        if all.is_empty() {
            return Ok(followed);
        }
        let temperature = parameters.parameter("oxidise.temperature");
        followed.temperature = temperature.and_then(|p| Some((p.unit.clone()?, p.role())));
        let window = moment("roll.start").zip(moment("dry.start")).filter(|(a, b)| a < b);
        // A clock that is off is so by a day at most: what runs on beyond followed the tea in store.
        let in_store = lot.made().later(2).noon(Moment::at(0, clock)).timestamp().as_second();
        let all_in_store = all.iter().all(|r| r.seconds.last().is_some_and(|s| *s > in_store));
        let Some((from, to)) = window else {
            if all_in_store {
                return Ok(followed);
            }
            followed.notes.push(format!(
                "{folder}: not looked into, since roll.start and dry.start are not both logged"
            ));
            return Ok(followed);
        };
        let longest =
            all.iter().map(|r| r.set_gap_minutes.unwrap_or(LEAST_GAP_MINUTES)).fold(0.0, f64::max);
        match course::course(&all, from, to, longest) {
            Some(Ok(course)) => {
                for r in all.iter().filter(|r| course.files.contains(&r.file)) {
                    followed.notes.extend(r.notices.iter().cloned());
                }
                followed.notes.extend(course.notices.iter().cloned());
                let mean = course.mean_c();
                if LEAF_C.contains(&mean) {
                    followed.course = Some(course);
                } else {
                    followed.notes.push(format!(
                        "{}: the readings are not used: their mean from the first roll to the drier is \
                         {mean:.1} °C, and no leaf lies outside {} to {} °C; if the logger wrote another \
                         unit, say it in the header (temperature F, temperature K), or move the file out \
                         of readings/",
                        course.files.join(", "),
                        LEAF_C.start(),
                        LEAF_C.end(),
                    ));
                }
            }
            Some(Err(why)) => {
                followed.notes.push(format!("{folder}: the readings are not used: {why}"));
            }
            None if all_in_store => {}
            None => followed.notes.push(format!(
                "{folder}: no reading lies between the first roll ({from}) and the drier ({to}); if \
                 the logger's clock runs on another offset, say so: [readings] offset in book.toml"
            )),
        }
        Ok(followed)
    }

    fn read_lot_file(
        &self,
        id: &str,
        problems: &mut Problems,
    ) -> Result<Option<Described<LotFile>>, StoreError> {
        let name = format!("lots/{id}/lot.toml");
        self.read(&name, |d, p| super::lot_graph::check_one(id, d, p), problems)
    }

    /// Reads every description of the book that is there once, with all mistakes.
    pub(super) fn read_all(&self, problems: &mut Problems) -> Result<Everything, StoreError> {
        self.read(TASTERS, tasters::check, problems)?;
        Ok(Everything {
            book: self.read(BOOK, |_, _| {}, problems)?,
            vocabulary: self.read(VOCABULARY, vocabulary::check, problems)?,
            parameters: self.read(PARAMETERS, parameters::check, problems)?,
            recipes: self.read(RECIPES, recipes::check, problems)?,
        })
    }
}

/// The descriptions of a book that others lean on, as far as they could be read.
pub(super) struct Everything {
    pub(super) book: Option<Described<BookFile>>,
    pub(super) vocabulary: Option<Described<Vocabulary>>,
    pub(super) parameters: Option<Described<Parameters>>,
    pub(super) recipes: Option<Described<Recipes>>,
}

/// The logger files that could not be read: of each the first mistake, and how to mend it.
fn left_out(problems: &Problems) -> Vec<String> {
    let sorted = problems.sorted();
    sorted
        .chunk_by(|a, b| a.file == b.file)
        .map(|of_file| {
            let p = of_file[0];
            let line =
                p.place.as_ref().map_or_else(String::new, |p| format!(":{}:{}", p.line, p.column));
            let more = match of_file.len() - 1 {
                0 => String::new(),
                n => format!(" ({n} more: `blindsteep check` lists them)"),
            };
            format!(
                "{}{line}: the file is left out: {}{more}; expected: {}; to mend: {}",
                p.file, p.found, p.expected, p.mend
            )
        })
        .collect()
}

/// What leaf that oxidises can have as its mean temperature, in °C: common practice, no source.
const LEAF_C: std::ops::RangeInclusive<f64> = 5.0..=60.0;

/// "There is no lot …", with the nearest that there is.
#[must_use]
pub fn unknown(what: &str, id: &str, known: &[String], otherwise: &str) -> BookError {
    let shown = if known.is_empty() {
        format!("the book has no {what} yet")
    } else if known.len() > 12 {
        format!("one of {}, … ({} in all)", known[..12].join(", "), known.len())
    } else {
        format!("one of {}", known.join(", "))
    };
    BookError::Refused(format!(
        "there is no {what} \"{id}\"\n  expected: {shown}\n  to mend:  {}",
        did_you_mean(id, known.iter().map(String::as_str), otherwise)
    ))
}

/// The files in a folder, sorted; none if the folder is not there.
pub(super) fn files(folder: &Path) -> Result<Vec<String>, StoreError> {
    entries(folder, false)
}

/// The folders in a folder, sorted; none if the folder is not there. Conflict copies are left to
/// `check`.
pub(crate) fn folders(folder: &Path) -> Result<Vec<String>, StoreError> {
    let mut names = entries(folder, true)?;
    names.retain(|name| !copies::is_conflict_copy(name));
    Ok(names)
}

/// What is in a folder, its folders or all else, sorted; none if it is not there. Names with a dot
/// before them belong to programs, not to the record.
fn entries(folder: &Path, folders: bool) -> Result<Vec<String>, StoreError> {
    if !folder.exists() {
        return Ok(Vec::new());
    }
    let mut names = Vec::new();
    for entry in fs::read_dir(folder).map_err(store::io("read the folder", folder))? {
        let entry = entry.map_err(store::io("read the folder", folder))?;
        let name = entry.file_name().to_string_lossy().into_owned();
        if !name.starts_with('.') && entry.path().is_dir() == folders {
            names.push(name);
        }
    }
    names.sort();
    Ok(names)
}
