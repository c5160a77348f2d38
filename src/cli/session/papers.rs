//! `session papers` and `session pour --out`: ballots and the pouring plan as PDF.

use std::io::Write as _;
use std::path::{Path, PathBuf};

use clap::ValueEnum;

use crate::book::time::Moment;
use crate::book::{Book, store};
use crate::cli::{Context, Failure};
use crate::session::pour::pouring_plan;
use crate::session::unfit::not_to_pour;
use crate::session::{Session, State, papers};
use crate::sheets::ballots::ballot_pdf;
use crate::sheets::pouring::pouring_pdf;
use crate::sheets::{Lang, SheetError};

/// The languages of a paper.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Languages {
    /// English
    En,
    /// Simplified Chinese
    Zh,
    /// Both, the book's first language first
    Both,
}

impl From<SheetError> for Failure {
    fn from(e: SheetError) -> Self {
        match e {
            SheetError::Layout { .. } => Self::Ours(e.to_string()),
            SheetError::MissingGlyphs(_) | SheetError::Incomplete { .. } => {
                Self::Records(e.to_string())
            }
        }
    }
}

fn first_language(book: &Book) -> Result<Lang, Failure> {
    Ok(if book.book_file()?.value.language().starts_with("zh") { Lang::Zh } else { Lang::En })
}

fn languages(asked: Option<Languages>, book: &Book) -> Result<Vec<Lang>, Failure> {
    Ok(match asked {
        Some(Languages::En) => vec![Lang::En],
        Some(Languages::Zh) => vec![Lang::Zh],
        Some(Languages::Both) => match first_language(book)? {
            Lang::En => vec![Lang::En, Lang::Zh],
            Lang::Zh => vec![Lang::Zh, Lang::En],
        },
        None => vec![first_language(book)?],
    })
}

pub(super) fn ballots(
    part: &str,
    out: Option<PathBuf>,
    asked: Option<Languages>,
    book: &Book,
    context: &mut Context,
) -> Result<(), Failure> {
    let session = Session::open(book, part)?;
    if session.state >= State::Closed {
        return Err(Failure::Command(format!(
            "session {} is {}: no more scores are taken, so that it needs no ballots\n  to mend:  plan another session",
            session.name, session.state
        )));
    }
    let languages = languages(asked, book)?;
    let folder =
        out.unwrap_or_else(|| book.root().join("sessions").join(&session.name).join("papers"));
    store::make_folder(&folder)?;
    for taster in &session.plan().tasters {
        let paper = papers::ballot(book, &session, taster, &languages)?;
        let pdf = ballot_pdf(&paper)?;
        let file = folder.join(format!("ballot-{taster}.pdf"));
        write_again(&file, &pdf)?;
        writeln!(context.out, "{}", file.display())?;
    }
    Ok(())
}

/// Ballots may be printed again: the same plan gives the same pages.
fn write_again(file: &Path, bytes: &[u8]) -> Result<(), Failure> {
    if file.exists() {
        std::fs::remove_file(file).map_err(store::io("replace", file))?;
    }
    Ok(store::create_new_bytes(file, bytes)?)
}

pub(super) fn pouring(
    part: &str,
    pourer: &str,
    file: &Path,
    asked: Option<Languages>,
    book: &Book,
    now: Moment,
    context: &mut Context,
) -> Result<(), Failure> {
    refuse_inside(book, file)?;
    let languages = languages(asked, book)?;
    let (session, pours) = pouring_plan(book, part, pourer, now)?;
    let unfit = not_to_pour(book, &pours, now)?;
    let paper = papers::pouring(book, &session, &pours, pourer, &languages, &unfit)?;
    let pdf = pouring_pdf(&paper)?;
    store::create_new_bytes(file, &pdf)?;
    writeln!(
        context.out,
        "{}\nThis is the one paper with lots on it. It is for {pourer} alone; that it was written is logged.",
        file.display()
    )?;
    if !unfit.is_empty() {
        // A taster may stand by: which sample it is stands on the paper alone.
        writeln!(
            context.out,
            "CAUTION: something in this session was put into quarantine or found too damp since it \
             was planned. The paper says which cups are not to be poured: have them entered as \
             lost, or give the session up (`session void`) and plan another one."
        )?;
    }
    Ok(())
}

/// The pouring plan is not left where tasters look, and nothing is written over.
fn refuse_inside(book: &Book, file: &Path) -> Result<(), Failure> {
    if file.exists() {
        return Err(store::StoreError::Exists(file.to_owned()).into());
    }
    let folder = file.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let folder = folder.canonicalize().map_err(store::io("write in", folder))?;
    let root = book.root().canonicalize().map_err(store::io("read", book.root()))?;
    if folder.starts_with(&root) {
        return Err(Failure::Command(format!(
            "{} is inside the book, where tasters may look\n  to mend:  write the pouring plan into another folder",
            file.display()
        )));
    }
    Ok(())
}
