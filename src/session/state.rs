//! Sessions of a book: finding one, and the state that its files give it.

use std::fmt;
use std::path::PathBuf;
use std::thread;
use std::time::Duration;

use crate::book::csv_file::{self, Record};
use crate::book::problem::{Problems, did_you_mean};
use crate::book::session_files::{
    ChangeLine, CloseFile, PourLine, RevealFile, SessionFile, VoidFile,
};
use crate::book::store::{self, StoreError, WriteLock};
use crate::book::toml_file::{self, Described};
use crate::book::{Book, BookError};

/// How far a session has come; the files in its folder say it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, serde::Serialize)]
#[serde(rename_all = "lowercase")]
pub enum State {
    /// session.toml is there.
    Planned,
    /// A ballot has a line.
    Open,
    /// close.toml is there: no more scores.
    Closed,
    /// reveal.toml is there: the lots are known.
    Revealed,
    /// void.toml is there: the session does not count.
    Void,
}

impl fmt::Display for State {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Planned => "planned",
            Self::Open => "open",
            Self::Closed => "closed",
            Self::Revealed => "revealed",
            Self::Void => "void",
        })
    }
}

/// A session of a book, as far as anybody may know it.
#[derive(Debug, Clone)]
pub struct Session {
    pub(super) root: PathBuf,
    /// The name of its folder, as 2026-05-14-spring.
    pub name: String,
    /// Its plan.
    pub file: Described<SessionFile>,
    /// How far it has come.
    pub state: State,
}

impl Session {
    /// Opens the session that a unique part of its name means.
    ///
    /// # Errors
    /// If there is none or several, or if its files are wrong.
    pub fn open(book: &Book, part: &str) -> Result<Self, BookError> {
        let name = book.session_name(part)?;
        let mut problems = Problems::new();
        let session = Self::read(book, &name, &mut problems)?;
        match session {
            Some(session) if problems.is_empty() => Ok(session),
            _ => Err(problems.into()),
        }
    }

    /// Reads a session by its full name; mistakes go into `problems`.
    pub(crate) fn read(
        book: &Book,
        name: &str,
        problems: &mut Problems,
    ) -> Result<Option<Self>, BookError> {
        let before = problems.len();
        let file = format!("sessions/{name}/session.toml");
        let Some(file) = toml_file::read::<SessionFile>(book.root(), &file, problems)? else {
            return Ok(None);
        };
        super::check::plan_problems(&file, problems);
        if problems.len() > before {
            return Ok(None);
        }
        let mut session = Self {
            root: book.root().to_owned(),
            name: name.to_owned(),
            file,
            state: State::Planned,
        };
        session.state = session.state_of_files()?;
        Ok(Some(session))
    }

    fn state_of_files(&self) -> Result<State, BookError> {
        Ok(if self.path("void.toml").exists() {
            State::Void
        } else if self.path("reveal.toml").exists() {
            State::Revealed
        } else if self.path("close.toml").exists() {
            State::Closed
        } else if self.has_ballot_lines()? {
            State::Open
        } else {
            State::Planned
        })
    }

    fn has_ballot_lines(&self) -> Result<bool, BookError> {
        for taster in &self.file.value.tasters {
            let path = self.root.join(self.ballot_file(taster));
            if path.exists() && store::read_text(&path)?.matches('\n').count() > 1 {
                return Ok(true);
            }
        }
        Ok(false)
    }

    /// The plan.
    #[must_use]
    pub fn plan(&self) -> &SessionFile {
        &self.file.value
    }

    /// A file of the session's folder, relative to the book.
    #[must_use]
    pub fn relative(&self, file: &str) -> String {
        format!("sessions/{}/{file}", self.name)
    }

    pub(super) fn path(&self, file: &str) -> PathBuf {
        self.root.join(self.relative(file))
    }

    /// The ballot of a taster, relative to the book.
    #[must_use]
    pub fn ballot_file(&self, taster: &str) -> String {
        self.relative(&format!("ballots/{taster}.csv"))
    }

    /// The taster of an id as the session writes it.
    ///
    /// # Errors
    /// [`BookError::Refused`] if nobody of that id tastes here.
    pub fn taster(&self, id: &str) -> Result<String, BookError> {
        let tasters = &self.plan().tasters;
        tasters.iter().find(|t| crate::book::ids::same(t, id)).cloned().ok_or_else(|| {
            BookError::Refused(format!(
                "{id} is not a taster of session {}\n  expected: one of {}\n  to mend:  {}",
                self.name,
                tasters.join(", "),
                did_you_mean(id, tasters.iter().map(String::as_str), "name one of them")
            ))
        })
    }

    /// A refusal because of the state.
    pub(super) fn refused(&self, what: &str, mend: &str) -> BookError {
        BookError::Refused(format!(
            "session {} is {}: {what}\n  to mend:  {mend}",
            self.name, self.state
        ))
    }

    /// close.toml, if it is there.
    ///
    /// # Errors
    /// If it is wrong.
    pub fn close_file(&self) -> Result<Option<CloseFile>, BookError> {
        self.description("close.toml")
    }

    /// reveal.toml, if it is there.
    ///
    /// # Errors
    /// If it is wrong.
    pub fn reveal_file(&self) -> Result<Option<RevealFile>, BookError> {
        self.description("reveal.toml")
    }

    /// void.toml, if it is there.
    ///
    /// # Errors
    /// If it is wrong.
    pub fn void_file(&self) -> Result<Option<VoidFile>, BookError> {
        self.description("void.toml")
    }

    fn description<T>(&self, file: &str) -> Result<Option<T>, BookError>
    where
        T: serde::de::DeserializeOwned + schemars::JsonSchema + 'static,
    {
        if !self.path(file).exists() {
            return Ok(None);
        }
        let mut problems = Problems::new();
        let read = toml_file::read::<T>(&self.root, &self.relative(file), &mut problems)?;
        Ok(problems.or(read.map(|d| d.value))?)
    }

    /// The lines of changes.csv.
    ///
    /// # Errors
    /// If a line is wrong.
    pub fn changes(&self) -> Result<Vec<ChangeLine>, BookError> {
        self.log("changes.csv")
    }

    /// The lines of pours.csv.
    ///
    /// # Errors
    /// If a line is wrong.
    pub fn pours(&self) -> Result<Vec<PourLine>, BookError> {
        self.log("pours.csv")
    }

    fn log<T: Record>(&self, file: &str) -> Result<Vec<T>, BookError> {
        let mut problems = Problems::new();
        let log: csv_file::Log<T> =
            csv_file::read(&self.root, &self.relative(file), &mut problems)?;
        let lines = log.lines.into_iter().map(|l| l.value).collect();
        Ok(problems.or(lines)?)
    }

    /// Whether its key is there: sealed, or written down after closing.
    #[must_use]
    pub fn has_key(&self) -> bool {
        self.path(super::key::FILE).exists()
    }

    pub(super) fn append<T: Record>(&self, file: &str, lines: &[T]) -> Result<(), BookError> {
        Ok(csv_file::append(&self.root, file, lines)?)
    }
}

/// Takes the lock of a book, waiting a moment for another writer: two tasters may type at once.
pub(super) fn lock(root: &std::path::Path) -> Result<WriteLock, StoreError> {
    const TRIES: u32 = 100;
    for _ in 1..TRIES {
        match WriteLock::take(root) {
            Err(StoreError::Locked(_)) => thread::sleep(Duration::from_millis(30)),
            other => return other,
        }
    }
    WriteLock::take(root)
}

/// The id of a line from what it says: the same line has the same id in every copy of a book.
pub(super) fn entry_of(parts: &[&str]) -> String {
    const LETTERS: &[u8; 32] = b"0123456789abcdefghjkmnpqrstvwxyz";
    let digest = store::digest(parts.join("\n").as_bytes());
    let bits = u64::from_str_radix(&digest[..16], 16).expect("a digest is in hex");
    (0..12).map(|i| char::from(LETTERS[(bits >> (5 * i) & 31) as usize])).collect()
}
