//! Issuing a sheet: its files in the book, named by sample, day, version and language.

use std::fs;
use std::path::{Path, PathBuf};

use super::{DPI, Issue, LotSheet, VERSION};
use crate::book::store::{self, StoreError};
use crate::book::time::Day;
use crate::book::{Book, BookError};
use crate::findings::Settings;
use crate::findings::sheet::{ForIssue, NotIssued, Record, Sheet, sheet, subject};
use crate::scores::of_book::named_or_all;
use crate::sheets::{Lang, SheetError};
use crate::views;

/// The forms in which a sheet is issued.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// For paper.
    Pdf,
    /// A picture.
    Png,
    /// For a browser.
    Html,
}

/// The forms with the endings of their files.
pub const FORMS: [(Form, &str); 3] = [(Form::Pdf, "pdf"), (Form::Png, "png"), (Form::Html, "html")];

/// Why a sheet was not issued.
#[derive(Debug, thiserror::Error)]
pub enum IssueError {
    /// It could not be set.
    #[error(transparent)]
    Sheet(#[from] SheetError),
    /// There is nothing that could be issued.
    #[error(transparent)]
    NotIssued(#[from] NotIssued),
    /// The record is wrong, or the disk refuses.
    #[error(transparent)]
    Book(#[from] BookError),
}

impl From<IssueError> for BookError {
    fn from(e: IssueError) -> Self {
        match e {
            IssueError::Book(e) => e,
            other => Self::Refused(other.to_string()),
        }
    }
}

/// What the sheet of a sample (LOT or LOT@ARM) says as the book stands.
///
/// # Errors
/// If there is no such sample, it was not tasted, or a file cannot be read.
pub fn found(book: &Book, sample: &str) -> Result<ForIssue, IssueError> {
    let file = book.book_file()?.value;
    let (lots, parameters) = (book.lots()?, book.parameters()?.value);
    let of = subject(sample, &lots)?;
    let tasters = book.tasters()?.value;
    let sessions = named_or_all(book, &[])?;
    let record = Record {
        book: &file,
        lots: &lots,
        parameters: &parameters,
        tasters: &tasters,
        sessions: &sessions,
    };
    Ok(sheet(&of, &record, &Settings::default())?)
}

impl From<StoreError> for IssueError {
    fn from(e: StoreError) -> Self {
        Self::Book(e.into())
    }
}

/// What was issued.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Issued {
    /// The day that the sheet bears.
    pub day: Day,
    /// Its files, one a form.
    pub files: Vec<PathBuf>,
    /// Whether all of them were there already.
    pub unchanged: bool,
}

/// Writes what is missing of a sheet's files into the book. A sheet that says the same is not
/// issued twice.
///
/// # Errors
/// If a text cannot be printed, or the disk refuses.
pub fn issue(
    book: &Book,
    finding: &Sheet,
    languages: &[Lang],
    today: Day,
) -> Result<Issued, IssueError> {
    let digest = store::digest(views::json::of(finding).as_bytes());
    let folder = book.root().join("sheets");
    store::make_folder(&folder)?;
    let name = Name {
        sample: finding.sample.replace('@', "-"),
        version: digest[..VERSION].to_owned(),
        language: languages.iter().map(|l| code(*l)).collect::<Vec<_>>().join("-"),
    };
    let there = name.issued(&folder)?;
    // What is missing of a set that was issued before bears the day of that set.
    let day = there.first().map_or(today, |(day, _)| *day);
    let wanted: Vec<(Form, &str)> =
        FORMS.into_iter().filter(|(_, end)| !there.iter().any(|(_, e)| e == end)).collect();
    if !wanted.is_empty() {
        let forms: Vec<Form> = wanted.iter().map(|w| w.0).collect();
        let set = LotSheet::of(finding, &Issue { day, issued: true, digest: &digest }, languages)?;
        let made = set.bytes(&forms)?;
        let paths: Vec<PathBuf> =
            wanted.iter().map(|(_, end)| folder.join(name.file(day, end))).collect();
        write_all(&paths, &made)?;
    }
    let files = FORMS.iter().map(|(_, end)| folder.join(name.file(day, end))).collect();
    Ok(Issued { day, files, unchanged: wanted.is_empty() })
}

impl LotSheet {
    /// The sheet in each form; all are made before any is handed out.
    ///
    /// # Errors
    /// If a text cannot be printed.
    pub fn bytes(&self, forms: &[Form]) -> Result<Vec<Vec<u8>>, SheetError> {
        let set = if forms.iter().any(|f| *f != Form::Html) { Some(self.set()?) } else { None };
        let mut all = Vec::new();
        for form in forms {
            all.push(match (form, &set) {
                (Form::Pdf, Some(set)) => set.pdf()?,
                (Form::Png, Some(set)) => set.png(DPI)?,
                _ => self.html()?.into_bytes(),
            });
        }
        Ok(all)
    }
}

fn code(lang: Lang) -> &'static str {
    match lang {
        Lang::En => "en",
        Lang::Zh => "zh",
    }
}

/// Writes new files, all or none.
fn write_all(paths: &[PathBuf], bytes: &[Vec<u8>]) -> Result<(), StoreError> {
    for (i, (path, bytes)) in paths.iter().zip(bytes).enumerate() {
        if let Err(e) = store::create_new_bytes(path, bytes) {
            for written in &paths[..i] {
                // Best effort: the disk refused already.
                let _ = fs::remove_file(written);
            }
            return Err(e);
        }
    }
    Ok(())
}

/// The name of an issued sheet: sample, day, version, language.
struct Name {
    sample: String,
    version: String,
    language: String,
}

impl Name {
    fn file(&self, day: Day, end: &str) -> String {
        format!("{}-{day}-{}.{}.{end}", self.sample, self.version, self.language)
    }

    /// The files of this very sheet that are in the folder: their days and forms.
    fn issued(&self, folder: &Path) -> Result<Vec<(Day, String)>, StoreError> {
        let mut found = Vec::new();
        for entry in fs::read_dir(folder).map_err(store::io("read the folder", folder))? {
            let entry = entry.map_err(store::io("read the folder", folder))?;
            let name = entry.file_name().to_string_lossy().into_owned();
            let rest = name.strip_prefix(&format!("{}-", self.sample)).unwrap_or_default();
            for (_, end) in FORMS {
                let tail = format!("-{}.{}.{end}", self.version, self.language);
                if let Some(day) = rest.strip_suffix(&tail).and_then(|d| d.parse().ok()) {
                    found.push((day, end.to_owned()));
                }
            }
        }
        found.sort();
        Ok(found)
    }
}
