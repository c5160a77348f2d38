//! `agree … --practice DIR`: a page for each taster.

use std::collections::BTreeMap;
use std::io::Write as _;
use std::path::Path;

use super::asked::Asked;
use super::{Context, Failure};

use crate::book::time::{Day, Moment};
use crate::book::{Book, store};
use crate::findings::agree::Agree;
use crate::findings::practice::{Practice, practice};
use crate::plots::Lang;
use crate::scores::Scores;
use crate::sheets::practice::{Frame, practice_pdf};
use crate::views;
use crate::views::charts::Words;

/// The title of a book, and what its vocabulary says to train each term on.
///
/// # Errors
/// If the book cannot be read.
pub fn of_book(book: &Book) -> Result<(String, BTreeMap<String, String>), Failure> {
    let references = book.vocabulary()?.value.terms.into_iter();
    let references = references.filter_map(|t| Some((t.id, t.reference?))).collect();
    Ok((book.book_file()?.value.title, references))
}

/// What all pages have in common, and their language.
pub fn frame(
    found: &Practice,
    finding: &Agree,
    words: Words,
    title: String,
    references: BTreeMap<String, String>,
) -> (Frame, Lang) {
    let lang = words.lang;
    let frame = Frame {
        title,
        sessions: finding.source.names.join(if lang == Lang::Zh { "、" } else { ", " }),
        terms: words.terms.into_iter().map(|(id, (name, _))| (id, name)).collect(),
        references,
        individual_opinions: found.individual_opinions,
        level: found.level,
    };
    (frame, lang)
}

/// The pages, each with the name of its file.
///
/// # Errors
/// If a name cannot be shown.
pub fn pages(
    found: &Practice,
    (frame, lang): &(Frame, Lang),
    day: Day,
) -> Result<Vec<(String, Vec<u8>)>, Failure> {
    let mut pages: Vec<(String, Vec<u8>)> = Vec::new();
    for page in &found.pages {
        let clean: String = page
            .taster
            .chars()
            .map(|c| if c.is_alphanumeric() || c == '-' || c == '_' { c } else { '-' })
            .collect();
        let mut name = format!("practice-{clean}.pdf");
        let mut n = 2;
        while pages.iter().any(|(other, _)| other.to_lowercase() == name.to_lowercase()) {
            name = format!("practice-{clean}-{n}.pdf");
            n += 1;
        }
        pages.push((name, practice_pdf(page, frame, *lang, day.0)?));
    }
    Ok(pages)
}

/// Writes a page for each taster into a folder; a page of an earlier run is replaced. With
/// `--json` the numbers behind the pages are printed.
///
/// # Errors
/// If tasters cannot be compared, a name cannot be shown, or the disk refuses.
pub fn write(
    folder: &Path,
    scores: &Scores,
    finding: &Agree,
    asked: &Asked,
    context: &mut Context,
) -> Result<(), Failure> {
    let found = practice(finding);
    if found.pages.is_empty() {
        let why = finding.habits.reason().unwrap_or("there is no taster");
        return Err(Failure::Command(format!(
            "no page can be written: {why}\n  expected: scores on a line by two tasters or more\n  to \
             mend:  name sessions or a table that have them"
        )));
    }
    let (title, references) = match finding.source.kind.as_str() {
        "sessions" => of_book(&context.book()?)?,
        _ => (finding.source.names.join(", "), BTreeMap::new()),
    };
    let words = asked.words(scores);
    let frame = frame(&found, finding, words, title, references);
    // All are set before one is written.
    let pages = pages(&found, &frame, Moment::now().day())?;
    store::make_folder(folder)?;
    for (name, pdf) in &pages {
        let file = folder.join(name);
        store::replace_bytes(&file, pdf)?;
        if !asked.json {
            writeln!(context.out, "{}", file.display())?;
        }
    }
    if asked.json {
        context.out.write_all(views::json::of(&found).as_bytes())?;
    } else {
        writeln!(context.out, "Each page is for the taster who is named on it.")?;
    }
    Ok(())
}
