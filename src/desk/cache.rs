//! What was read of the book, kept while its files stay as they were.
//!
//! Every question looks at the files' sizes and times again, so that a change by hand, by a command
//! or by a sync program shows at once; only what changed is read anew.

use std::collections::{BTreeMap, HashSet};
use std::fs;
use std::hash::{DefaultHasher, Hash as _, Hasher as _};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{SystemTime, UNIX_EPOCH};

use rayon::prelude::*;

use crate::book::book_file::BookFile;
use crate::book::lots::Lot;
use crate::book::parameters::Parameters;
use crate::book::problem::Problems;
use crate::book::reading::{BOOK, PARAMETERS, RECIPES, TASTERS, VOCABULARY, folders};
use crate::book::recipes::Recipes;
use crate::book::tasters::Tasters;
use crate::book::toml_file::Described;
use crate::book::vocabulary::Vocabulary;
use crate::book::{Book, BookError, lot_graph};
use crate::session::reveal::{Revealed, joined};
use crate::session::state::{Session, State};

/// What tells that files are no longer those that were read: their sizes, times and places on the disk.
#[derive(Debug, Clone)]
struct Seen {
    /// The files, and the folders, whose times tell of files that come or go.
    paths: Vec<PathBuf>,
    hash: u64,
    /// The latest change, in nanoseconds since 1970.
    newest: i128,
    /// When they were looked at.
    looked: i128,
}

/// A change within so many nanoseconds of a look may have left size and time as they were: the next question
/// reads such a file again. Some disks keep times to two seconds.
const TOO_YOUNG: i128 = 2_500_000_000;

/// So deep do folders of the record lie at most; a link that leads back up is not followed for ever.
const DEEPEST: u32 = 4;

fn since_1970(time: SystemTime) -> i128 {
    match time.duration_since(UNIX_EPOCH) {
        Ok(after) => i128::try_from(after.as_nanos()).unwrap_or(i128::MAX),
        Err(before) => i128::try_from(before.duration().as_nanos()).map_or(i128::MIN, |n| -n),
    }
}

impl Seen {
    /// A look at some files, or at a folder without what is in it.
    fn of(paths: Vec<PathBuf>) -> Self {
        let (hash, newest) = stamps(&paths);
        Self { paths, hash, newest, looked: since_1970(SystemTime::now()) }
    }

    /// A look at a folder and all that is in it.
    fn all_of(folder: &Path) -> Self {
        let mut paths = vec![folder.to_owned()];
        list(folder, DEEPEST, &mut paths);
        Self::of(paths)
    }

    /// Whether what was read after this look still stands there.
    fn still_holds(&self) -> bool {
        (self.looked - self.newest).abs() > TOO_YOUNG && stamps(&self.paths).0 == self.hash
    }
}

fn list(folder: &Path, deeper: u32, paths: &mut Vec<PathBuf>) {
    let Ok(entries) = fs::read_dir(folder) else { return };
    let mut found: Vec<PathBuf> = entries.filter_map(|e| Some(e.ok()?.path())).collect();
    found.sort();
    for path in found {
        let goes_on = deeper > 0 && path.is_dir();
        paths.push(path.clone());
        if goes_on {
            list(&path, deeper - 1, paths);
        }
    }
}

/// All that tells of a change, and the latest one.
fn stamps(paths: &[PathBuf]) -> (u64, i128) {
    let mut hasher = DefaultHasher::new();
    let mut newest = i128::MIN;
    for path in paths {
        // Its bytes: piece by piece takes as long as the look at the file.
        path.as_os_str().hash(&mut hasher);
        match fs::metadata(path) {
            Ok(metadata) => {
                let changed = metadata.modified().map_or(0, since_1970);
                (metadata.len(), changed).hash(&mut hasher);
                newest = newest.max(changed);
                #[cfg(unix)]
                {
                    use std::os::unix::fs::MetadataExt as _;
                    (metadata.ino(), metadata.ctime(), metadata.ctime_nsec()).hash(&mut hasher);
                }
            }
            Err(_) => hasher.write_u8(0),
        }
    }
    (hasher.finish(), newest)
}

/// The names of the folders in a folder, read again when that one's own time changes.
#[derive(Debug, Default)]
struct Names(Option<(Seen, Vec<String>)>);

impl Names {
    fn of(&mut self, folder: &Path) -> Result<Vec<String>, BookError> {
        if let Some((seen, names)) = &self.0
            && seen.still_holds()
        {
            return Ok(names.clone());
        }
        let seen = Seen::of(vec![folder.to_owned()]);
        let names = folders(folder)?;
        self.0 = Some((seen, names.clone()));
        Ok(names)
    }
}

/// Many things of one kind, each read from files of its own.
#[derive(Debug)]
struct Shelf<T> {
    /// What was seen of each, whether it could be read, and what is wrong in it.
    known: BTreeMap<String, (Seen, bool, Problems)>,
    /// Those that could be read, in the order of their names.
    all: Arc<Vec<T>>,
}

impl<T> Default for Shelf<T> {
    fn default() -> Self {
        Self { known: BTreeMap::new(), all: Arc::default() }
    }
}

impl<T: Clone + Send + Sync> Shelf<T> {
    /// Reads again what changed; whether anything did.
    fn refresh(
        &mut self,
        folder: &Path,
        names: &[String],
        read: impl Fn(&str) -> Result<(Option<T>, Problems), BookError> + Sync,
    ) -> Result<bool, BookError> {
        let known = &self.known;
        let stale: Vec<&String> = names
            .par_iter()
            .with_min_len(64)
            .filter(|n| known.get(*n).is_none_or(|(was, ..)| !was.still_holds()))
            .collect();
        if stale.is_empty() && self.known.len() == names.len() {
            return Ok(false);
        }
        let fresh: Vec<_> = stale
            .par_iter()
            .map(|name| {
                // Looked at before it is read: what changes in between is read once more.
                let seen = Seen::all_of(&folder.join(name));
                Ok(((*name).clone(), seen, read(name)?))
            })
            .collect::<Result<_, BookError>>()?;
        let there: Vec<String> =
            self.known.iter().filter(|(_, k)| k.1).map(|(n, _)| n.clone()).collect();
        let old =
            Arc::try_unwrap(std::mem::take(&mut self.all)).unwrap_or_else(|all| (*all).clone());
        let mut things: BTreeMap<String, T> = there.into_iter().zip(old).collect();
        for (name, seen, (thing, problems)) in fresh {
            self.known.insert(name.clone(), (seen, thing.is_some(), problems));
            match thing {
                Some(thing) => things.insert(name, thing),
                None => things.remove(&name),
            };
        }
        let names: HashSet<&String> = names.iter().collect();
        self.known.retain(|name, _| names.contains(name));
        things.retain(|name, _| self.known.contains_key(name));
        self.all = Arc::new(things.into_values().collect());
        Ok(true)
    }

    fn problems(&self) -> Problems {
        let mut all = Problems::new();
        for (_, _, problems) in self.known.values() {
            all.append(problems.clone());
        }
        all
    }
}

/// The lots of a book, as far as they could be read.
#[derive(Debug, Clone)]
pub struct Lots {
    /// Those whose description can be read; lines of their logs that cannot be are left out.
    pub lots: Arc<Vec<Lot>>,
    /// The mistakes, those between lots among them.
    pub problems: Problems,
}

/// The sessions of a book, as far as they could be read.
#[derive(Debug, Clone)]
pub struct Sessions {
    /// Those whose plan could be read, by their names.
    pub sessions: Arc<Vec<Session>>,
    /// Those that are revealed, with their scores.
    pub revealed: Arc<Vec<Revealed>>,
    /// What is wrong in them.
    pub problems: Problems,
}

#[derive(Debug, Default)]
struct LotsKept {
    names: Names,
    shelf: Shelf<Lot>,
    /// What the values of all lots lean on: parameters.toml and book.toml.
    around: Option<Seen>,
    problems: Problems,
}

#[derive(Debug, Default)]
struct SessionsKept {
    names: Names,
    plans: Shelf<Session>,
    revealed: Shelf<Revealed>,
    /// Whether the revealed ones are those of the plans.
    joined: bool,
}

/// A description with what was seen of its file.
type One<T> = Mutex<Option<(Seen, Arc<Described<T>>)>>;

/// What was read of a book.
#[derive(Debug)]
pub struct Cache {
    book: Book,
    lots: Mutex<LotsKept>,
    sessions: Mutex<SessionsKept>,
    book_file: One<BookFile>,
    parameters: One<Parameters>,
    vocabulary: One<Vocabulary>,
    recipes: One<Recipes>,
    tasters: One<Tasters>,
}

fn held<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Cache {
    /// Nothing read yet.
    #[must_use]
    pub fn new(book: Book) -> Self {
        Self {
            book,
            lots: Mutex::default(),
            sessions: Mutex::default(),
            book_file: Mutex::default(),
            parameters: Mutex::default(),
            vocabulary: Mutex::default(),
            recipes: Mutex::default(),
            tasters: Mutex::default(),
        }
    }

    fn one<T>(
        &self,
        kept: &One<T>,
        file: &str,
        read: impl FnOnce(&Book) -> Result<Described<T>, BookError>,
    ) -> Result<Arc<Described<T>>, BookError> {
        let mut kept = held(kept);
        if let Some((_, there)) = kept.as_ref().filter(|(seen, _)| seen.still_holds()) {
            return Ok(Arc::clone(there));
        }
        let now = Seen::of(vec![self.book.root().join(file)]);
        let there = Arc::new(read(&self.book)?);
        *kept = Some((now, Arc::clone(&there)));
        Ok(there)
    }

    /// book.toml, as [`Book::book_file`].
    ///
    /// # Errors
    /// As there.
    pub fn book_file(&self) -> Result<Arc<Described<BookFile>>, BookError> {
        self.one(&self.book_file, BOOK, Book::book_file)
    }

    /// parameters.toml, as [`Book::parameters`].
    ///
    /// # Errors
    /// As there.
    pub fn parameters(&self) -> Result<Arc<Described<Parameters>>, BookError> {
        self.one(&self.parameters, PARAMETERS, Book::parameters)
    }

    /// vocabulary.toml, as [`Book::vocabulary`].
    ///
    /// # Errors
    /// As there.
    pub fn vocabulary(&self) -> Result<Arc<Described<Vocabulary>>, BookError> {
        self.one(&self.vocabulary, VOCABULARY, Book::vocabulary)
    }

    /// recipes.toml, as [`Book::recipes`].
    ///
    /// # Errors
    /// As there.
    pub fn recipes(&self) -> Result<Arc<Described<Recipes>>, BookError> {
        self.one(&self.recipes, RECIPES, Book::recipes)
    }

    /// tasters.toml, as [`Book::tasters`].
    ///
    /// # Errors
    /// As there.
    pub fn tasters(&self) -> Result<Arc<Described<Tasters>>, BookError> {
        self.one(&self.tasters, TASTERS, Book::tasters)
    }

    /// All lots, as [`Book::lots`].
    ///
    /// # Errors
    /// Every mistake in any of them, or that the disk refused.
    pub fn lots(&self) -> Result<Arc<Vec<Lot>>, BookError> {
        let read = self.lots_and_mistakes()?;
        Ok(read.problems.or(read.lots)?)
    }

    /// The lots that can be read, and the mistakes in the others.
    ///
    /// # Errors
    /// The mistakes in parameters.toml or book.toml, or that the disk refused.
    pub fn lots_and_mistakes(&self) -> Result<Lots, BookError> {
        let mut kept = held(&self.lots);
        let root = self.book.root();
        if !kept.around.as_ref().is_some_and(Seen::still_holds) {
            // Their values are worked out anew; the lots stand for nothing until then.
            kept.shelf = Shelf::default();
            kept.around = Some(Seen::of(vec![root.join(PARAMETERS), root.join(BOOK)]));
        }
        let parameters = self.parameters()?;
        let rules = self.book_file()?;
        let folder = root.join("lots");
        let names = kept.names.of(&folder)?;
        let changed = kept.shelf.refresh(&folder, &names, |name| {
            let mut problems = Problems::new();
            let (parameters, rules) = (&parameters.value, Some(&rules.value.readings));
            let lot = self.book.read_lot(name, parameters, rules, &mut problems)?;
            Ok((lot, problems))
        })?;
        if changed {
            let mut problems = kept.shelf.problems();
            lot_graph::check(&kept.shelf.all, &names, &mut problems);
            kept.problems = problems;
        }
        Ok(Lots { lots: Arc::clone(&kept.shelf.all), problems: kept.problems.clone() })
    }

    /// All revealed sessions, as [`crate::session::reveal::all_revealed`].
    ///
    /// # Errors
    /// What is wrong in the files of sessions.
    pub fn revealed(&self) -> Result<Arc<Vec<Revealed>>, BookError> {
        let read = self.sessions()?;
        Ok(read.problems.or(read.revealed)?)
    }

    /// All sessions that can be read, and the mistakes in the others.
    ///
    /// # Errors
    /// That the disk refused.
    pub fn sessions(&self) -> Result<Sessions, BookError> {
        let mut kept = held(&self.sessions);
        let folder = self.book.root().join("sessions");
        let names = kept.names.of(&folder)?;
        let changed = kept.plans.refresh(&folder, &names, |name| {
            let mut problems = Problems::new();
            match Session::read(&self.book, name, &mut problems) {
                Ok(session) => Ok((session, problems)),
                Err(BookError::Records(more)) => {
                    problems.append(more);
                    Ok((None, problems))
                }
                Err(other) => Err(other),
            }
        })?;
        let mut problems = kept.plans.problems();
        let plans = Arc::clone(&kept.plans.all);
        // A session is read from the same files as its plan: nothing is looked at twice.
        if changed || !kept.joined {
            kept.joined = false;
            let of: BTreeMap<&str, &Session> = plans
                .iter()
                .filter(|s| s.state == State::Revealed)
                .map(|s| (s.name.as_str(), s))
                .collect();
            let names: Vec<String> = of.keys().map(|n| (*n).to_owned()).collect();
            kept.revealed.refresh(&folder, &names, |name| {
                let Some(session) = of.get(name) else { return Ok((None, Problems::new())) };
                match joined(session) {
                    Ok(revealed) => Ok((Some(revealed), Problems::new())),
                    Err(BookError::Records(problems)) => Ok((None, problems)),
                    Err(other) => Err(other),
                }
            })?;
            kept.joined = true;
        }
        problems.append(kept.revealed.problems());
        Ok(Sessions { sessions: plans, revealed: Arc::clone(&kept.revealed.all), problems })
    }
}
