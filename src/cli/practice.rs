//! `agree … --practice DIR`: a page for each taster.

use std::collections::BTreeMap;
use std::io::Write as _;
use std::path::Path;

use super::asked::Asked;
use super::{Context, Failure, charts};
use crate::book::store;
use crate::book::time::Moment;
use crate::findings::agree::Agree;
use crate::findings::practice::practice;
use crate::plots::Lang;
use crate::scores::Scores;
use crate::sheets::practice::{Frame, practice_pdf};
use crate::views;

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
    let words = charts::words(scores, asked.language);
    let (title, references) = match finding.source.kind.as_str() {
        "sessions" => {
            let book = context.book()?;
            let vocabulary = book.vocabulary()?.value;
            let on = vocabulary.terms.into_iter();
            let references =
                on.filter_map(|t| Some((t.id, t.reference?))).collect::<BTreeMap<_, _>>();
            (book.book_file()?.value.title, references)
        }
        _ => (finding.source.names.join(", "), BTreeMap::new()),
    };
    let frame = Frame {
        title,
        sessions: finding.source.names.join(if words.lang == Lang::Zh { "、" } else { ", " }),
        terms: words.terms.into_iter().map(|(id, (name, _))| (id, name)).collect(),
        references,
        individual_opinions: found.individual_opinions,
        level: found.level,
    };
    let day = Moment::now().day();
    // All are set before one is written.
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
        pages.push((name, practice_pdf(page, &frame, words.lang, day.0)?));
    }
    store::make_folder(folder)?;
    for (name, pdf) in &pages {
        let file = folder.join(name);
        if file.exists() {
            std::fs::remove_file(&file).map_err(store::io("replace", &file))?;
        }
        store::create_new_bytes(&file, pdf)?;
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
