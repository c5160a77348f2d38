//! `sheet`: what can a buyer be told?

use std::fs;
use std::io::Write as _;
use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};

use super::{Context, Failure, table_args};
use crate::book::book_file::BookFile;
use crate::book::store::{self, StoreError};
use crate::book::time::{Day, Moment};
use crate::findings::Settings;
use crate::findings::sheet::{ForIssue, NotIssued, Record, sheet, subject};
use crate::sheets::Lang;
use crate::sheets::lot::{DPI, Issue, LotSheet, VERSION};
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
    let (lots, parameters) = (book.lots()?, book.parameters()?.value);
    let of = subject(&args.sample, &lots)?;
    let tasters = book.tasters()?.value;
    let sessions = table_args::named_or_all(&[], &book)?;
    let record = Record {
        book: &file,
        lots: &lots,
        parameters: &parameters,
        tasters: &tasters,
        sessions: &sessions,
    };
    let ForIssue { sheet: finding, withheld } = sheet(&of, &record, &Settings::default())?;
    for note in withheld {
        let _ = writeln!(std::io::stderr(), "note: {note}");
    }
    let json = views::json::of(&finding);
    if args.json {
        context.out.write_all(json.as_bytes())?;
        return Ok(());
    }
    let digest = store::digest(json.as_bytes());
    let languages = languages(args.language, &file);
    let day = Moment::now().day();
    let set = |day| LotSheet::of(&finding, &Issue { day, digest: &digest }, &languages);
    if let (Some(form), Some(path)) = (only, &args.out) {
        store::create_new_bytes(path, &bytes(&set(day)?, &[form])?[0])?;
        writeln!(context.out, "{}", path.display())?;
        return Ok(());
    }
    let folder = book.root().join("sheets");
    store::make_folder(&folder)?;
    let name = Name {
        sample: finding.sample.replace('@', "-"),
        version: digest[..VERSION].to_owned(),
        language: languages.iter().map(|l| code(*l)).collect::<Vec<_>>().join("-"),
    };
    let there = name.issued(&folder)?;
    // What is missing of a set that was issued before bears the day of that set.
    let day = there.first().map_or(day, |(day, _)| *day);
    let wanted: Vec<(Form, &str)> =
        FORMS.into_iter().filter(|(_, end)| !there.iter().any(|(_, e)| e == end)).collect();
    if wanted.is_empty() {
        writeln!(context.out, "nothing has changed since {day}: this sheet is there already")?;
    } else {
        let forms: Vec<Form> = wanted.iter().map(|w| w.0).collect();
        let made = bytes(&set(day)?, &forms)?;
        let paths: Vec<PathBuf> =
            wanted.iter().map(|(_, end)| folder.join(name.file(day, end))).collect();
        write_all(&paths, &made)?;
    }
    for (_, end) in FORMS {
        writeln!(context.out, "{}", folder.join(name.file(day, end)).display())?;
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
    let mut own: Vec<Lang> = Vec::new();
    for language in usual {
        let lang = if language.starts_with("zh") {
            Lang::Zh
        } else if language.starts_with("en") {
            Lang::En
        } else {
            continue;
        };
        if !own.contains(&lang) {
            own.push(lang);
        }
    }
    match asked {
        Some(Languages::En) => vec![Lang::En],
        Some(Languages::Zh) => vec![Lang::Zh],
        Some(Languages::Both) if own.first() == Some(&Lang::Zh) => vec![Lang::Zh, Lang::En],
        Some(Languages::Both) => vec![Lang::En, Lang::Zh],
        None if own.is_empty() => vec![Lang::En],
        None => own,
    }
}

fn code(lang: Lang) -> &'static str {
    match lang {
        Lang::En => "en",
        Lang::Zh => "zh",
    }
}

/// The sheet in each form; all are made before any is written.
///
/// # Errors
/// If a text cannot be printed.
pub fn bytes(sheet: &LotSheet, forms: &[Form]) -> Result<Vec<Vec<u8>>, Failure> {
    let set = if forms.iter().any(|f| *f != Form::Html) { Some(sheet.set()?) } else { None };
    let mut all = Vec::new();
    for form in forms {
        all.push(match (form, &set) {
            (Form::Pdf, Some(set)) => set.pdf()?,
            (Form::Png, Some(set)) => set.png(DPI)?,
            _ => sheet.html()?.into_bytes(),
        });
    }
    Ok(all)
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
