//! Store rooms: their loggers, which serve all lots that are kept there.

use std::collections::HashMap;

use jiff::tz::Offset;

use super::book_file::{BookFile, StorePlace};
use super::ids;
use super::lots::Lot;
use super::parameters::PLACE;
use super::problem::{Problem, Problems};
use super::reading::folders;
use super::readings::{self, Readings};
use super::store::StoreError;
use super::toml_file::Described;
use super::{Book, copies};

/// The folder of the store rooms.
pub const STORES: &str = "stores";

/// Whether two texts name one place: without regard to case and to spaces around.
#[must_use]
pub fn same_place(a: &str, b: &str) -> bool {
    a.trim().to_lowercase() == b.trim().to_lowercase()
}

/// What the book says of a place.
#[must_use]
pub fn store_of<'a>(place: &str, stores: &'a [StorePlace]) -> Option<&'a StorePlace> {
    stores.iter().find(|s| same_place(&s.place, place))
}

/// The folder in stores/ that belongs to a place.
fn folder_of(place: &str, stores: &[StorePlace]) -> String {
    let named = store_of(place, stores).and_then(|s| s.folder.clone());
    named.unwrap_or_else(|| place.trim().to_owned())
}

/// Reads logger files, each folder once.
pub struct Loggers<'a> {
    book: &'a Book,
    /// book.toml.
    pub file: &'a BookFile,
    read: HashMap<String, Vec<Readings>>,
    /// Files that are none of a logger, in words.
    other: Vec<String>,
    /// What could not be read, and why.
    pub problems: Problems,
}

impl<'a> Loggers<'a> {
    /// The loggers of a book.
    #[must_use]
    pub fn new(book: &'a Book, file: &'a BookFile) -> Self {
        Self { book, file, read: HashMap::new(), other: Vec::new(), problems: Problems::new() }
    }

    /// Reads the files in a folder of the book, once. Times without an offset are by `clock`, unless
    /// book.toml says another one.
    pub(super) fn read(&mut self, folder: &str, clock: Offset) {
        if self.read.contains_key(folder) {
            return;
        }
        let rules = &self.file.readings;
        let all = readings::read_folder(self.book.root(), folder, rules, clock, &mut self.problems);
        let all = all.unwrap_or_else(|e| {
            self.problems.push(Problem::new(
                folder,
                None,
                format!("the folder cannot be read: {e}"),
                "a folder that may be read",
                "give yourself the right to read it",
            ));
            Vec::new()
        });
        // That a folder cannot be listed is told already.
        self.other.extend(readings::not_read(self.book.root(), folder).unwrap_or_default());
        self.read.insert(folder.to_owned(), all);
    }

    /// The files of a folder that was read.
    pub(super) fn known(&self, folder: &str) -> &[Readings] {
        self.read.get(folder).map_or(&[], Vec::as_slice)
    }

    /// The folder of a place, if there is one.
    pub(super) fn folder_of_place(&self, place: &str) -> Option<String> {
        let wanted = folder_of(place, &self.file.stores);
        let there = folders(&self.book.root().join(STORES)).unwrap_or_default();
        let found = there.into_iter().find(|f| same_place(f, &wanted))?;
        Some(format!("{STORES}/{found}"))
    }

    /// What is odd in the files that were read.
    #[must_use]
    pub fn notices(&self) -> Vec<String> {
        let mut folders: Vec<&Vec<Readings>> = self.read.values().collect();
        folders.sort_by_key(|f| f.first().map(|r| r.file.clone()));
        let odd = |f: &Vec<Readings>| -> Vec<String> {
            f.iter().flat_map(|r| r.notices.clone()).chain(at_once(f)).collect()
        };
        let mut told: Vec<String> = folders.into_iter().flat_map(odd).collect();
        told.extend(self.other.iter().cloned());
        told
    }
}

/// Files of one folder that ran at the same time.
fn at_once(files: &[Readings]) -> Vec<String> {
    let ends = |r: &Readings| Some((*r.seconds.first()?, *r.seconds.last()?));
    let mut sorted: Vec<(&Readings, (i64, i64))> =
        files.iter().filter_map(|r| Some((r, ends(r)?))).collect();
    sorted.sort_by_key(|(_, ends)| *ends);
    let overlap = |w: &[(&Readings, (i64, i64))]| {
        (w[1].1.0 < w[0].1.1).then(|| {
            format!(
                "{} and {} ran at the same time for {:.1} h: both are taken together; if one of them \
                 lay elsewhere, move it out of the folder",
                w[0].0.file,
                w[1].0.file,
                (w[0].1.1.min(w[1].1.1) - w[1].1.0) as f64 / 3600.0
            )
        })
    };
    sorted.windows(2).filter_map(overlap).collect()
}

/// Adds what is wrong in the places of book.toml and in the files of stores/, and in the folders of
/// arms beside a lot's logger files; returns what is worth a notice.
pub(super) fn check(
    book: &Book,
    file: &Described<BookFile>,
    lots: &[Lot],
    clock: Offset,
    problems: &mut Problems,
) -> Result<Vec<String>, StoreError> {
    let stores = &file.value.stores;
    for (i, store) in stores.iter().enumerate() {
        if stores[..i].iter().any(|s| same_place(&s.place, &store.place)) {
            problems.push(file.problem(
                &["store", &i.to_string(), "place"],
                format!("the place \"{}\" stands here a second time", store.place),
                "each place once",
                "unite the two",
            ));
        }
    }
    let mut loggers = Loggers::new(book, &file.value);
    let mut told = Vec::new();
    let places: Vec<String> = lots
        .iter()
        .flat_map(|l| &l.values)
        .filter(|v| ids::same(&v.parameter, PLACE))
        .map(|v| v.value.to_string())
        .collect();
    for folder in folders(&book.root().join(STORES))? {
        let of_place = |place: &String| same_place(&folder_of(place, stores), &folder);
        loggers.read(&format!("{STORES}/{folder}"), clock);
        if !places.iter().any(of_place) {
            told.push(format!(
                "{STORES}/{folder}: no lot is kept at a place of this name, so that its loggers say \
                 nothing of any; log it (`lot move LOT --place \"{folder}\"`), or name the place in \
                 book.toml: [[store]] place = \"…\", folder = \"{folder}\""
            ));
        }
    }
    // What cannot be read in a lot's own folder is told with the lot.
    let mut own = Loggers::new(book, &file.value);
    for lot in lots {
        let folder = format!("lots/{}/readings", lot.id);
        own.read(&folder, clock);
        for arm in folders(&book.root().join(&folder))? {
            if copies::is_conflict_copy(&arm) {
                continue;
            }
            if lot.has_arm(&arm) {
                loggers.read(&format!("{folder}/{arm}"), clock);
                continue;
            }
            problems.push(Problem::new(
                format!("{folder}/{arm}"),
                None,
                format!("{} has no arm \"{arm}\"", lot.id),
                format!("a folder of an arm: one of {}", lot.all_arms().join(", ")),
                "rename the folder, or put its files into the one of their arm",
            ));
        }
    }
    told.extend(loggers.notices());
    told.extend(own.notices());
    problems.append(loggers.problems);
    Ok(told)
}
