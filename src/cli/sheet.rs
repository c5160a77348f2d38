//! `sheet`: what can a buyer be told?

use std::io::Write as _;
use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};

use super::{Context, Failure};
use crate::book::book_file::BookFile;
use crate::book::store;
use crate::book::time::Moment;
use crate::findings::sheet::{ForIssue, NotIssued};
use crate::sheets::lot::issued::{FORMS, Form, IssueError, found, issue};
use crate::sheets::lot::{Issue, LotSheet};
use crate::sheets::{self, Lang};
use crate::views;

/// What can a buyer be told? One page of a lot
#[derive(Debug, Args)]
pub struct SheetArgs {
    /// The lot; LOT@ARM where it was split into arms
    #[arg(value_name = "LOT[@ARM]")]
    sample: String,
    /// Write one file: .pdf, .png or .html (default: all three, into the book's sheets/)
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// The language (default: the languages of the book)
    #[arg(long, value_enum)]
    language: Option<Languages>,
    /// All numbers as JSON, the name of its schema first; its SHA-256 is the sheet's version
    #[arg(long, conflicts_with_all = ["out", "language"])]
    json: bool,
}

/// The languages of a sheet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Languages {
    /// English
    En,
    /// Simplified Chinese
    Zh,
    /// A page in each, the book's first language first
    Both,
}

impl From<IssueError> for Failure {
    fn from(e: IssueError) -> Self {
        match e {
            IssueError::Sheet(e) => e.into(),
            IssueError::NotIssued(e) => e.into(),
            IssueError::Book(e) => e.into(),
        }
    }
}

impl From<NotIssued> for Failure {
    fn from(e: NotIssued) -> Self {
        Self::Command(e.to_string())
    }
}

/// Runs the command.
///
/// # Errors
/// If there is no such sample, it was not tasted, a text cannot be printed, or the disk refuses.
pub fn run(args: &SheetArgs, context: &mut Context) -> Result<(), Failure> {
    let only = args.out.as_deref().map(form_of).transpose()?;
    let book = context.book()?;
    let file = book.book_file()?.value;
    let ForIssue { sheet: finding, withheld } = found(&book, &args.sample)?;
    for note in withheld {
        let _ = writeln!(std::io::stderr(), "note: {note}");
    }
    let json = views::json::of(&finding);
    if args.json {
        context.out.write_all(json.as_bytes())?;
        return Ok(());
    }
    let languages = languages(args.language, &file);
    let day = Moment::now().day();
    if let (Some(form), Some(path)) = (only, &args.out) {
        let digest = store::digest(json.as_bytes());
        let set =
            LotSheet::of(&finding, &Issue { day, issued: true, digest: &digest }, &languages)?;
        store::create_new_bytes(path, &set.bytes(&[form])?[0])?;
        writeln!(context.out, "{}", path.display())?;
        return Ok(());
    }
    let issued = issue(&book, &finding, &languages, day)?;
    if issued.unchanged {
        writeln!(
            context.out,
            "nothing has changed since {}: this sheet is there already",
            issued.day
        )?;
    }
    for file in &issued.files {
        writeln!(context.out, "{}", file.display())?;
    }
    Ok(())
}

/// The form that a file's name asks for.
fn form_of(path: &Path) -> Result<Form, Failure> {
    let end = path.extension().and_then(|e| e.to_str()).unwrap_or_default();
    FORMS.iter().find(|(_, e)| e.eq_ignore_ascii_case(end)).map(|(form, _)| *form).ok_or_else(|| {
        Failure::Command(format!(
            "{} is no form of a sheet\n  expected: a file whose name ends with .pdf, .png or .html\n  to mend:  name it so, as in --out sheet.pdf",
            path.display()
        ))
    })
}

/// The languages that are asked for, else those of the book.
pub(super) fn languages(asked: Option<Languages>, book: &BookFile) -> Vec<Lang> {
    languages_of(asked, &book.languages)
}

/// The languages that are asked for, else those that are usual.
pub(super) fn languages_of(asked: Option<Languages>, usual: &[String]) -> Vec<Lang> {
    let own = sheets::languages(usual);
    match asked {
        Some(Languages::En) => vec![Lang::En],
        Some(Languages::Zh) => vec![Lang::Zh],
        Some(Languages::Both) if own.first() == Some(&Lang::Zh) => vec![Lang::Zh, Lang::En],
        Some(Languages::Both) => vec![Lang::En, Lang::Zh],
        None => own,
    }
}
