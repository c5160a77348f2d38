//! How stored lots moved, on paper: what was found, then a page a lot with its courses.

use jiff::civil::Date;
use serde_json::{Value, json};

use super::ballots::date_data;
use super::words::{texts, typst_language};
use super::{Lang, SheetError, world};

const TEMPLATE: &str = include_str!("typ/age.typ");

/// A table with a title, a line of what it is, and its columns.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Figures {
    /// What it is of.
    pub title: String,
    /// From when to when, or within what.
    pub span: String,
    /// The heads of the columns; empty: none.
    pub heads: Vec<String>,
    /// Its rows, a cell a column.
    pub rows: Vec<Vec<String>>,
}

/// A lot with its chart.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LotCourse {
    /// Its id.
    pub name: String,
    /// Its chart as SVG; empty: none.
    pub chart: String,
    /// Its samples and arms.
    pub tables: Vec<Figures>,
}

/// Everything on the pages, in the words of one language.
#[derive(Debug, Clone, PartialEq)]
pub struct AgePages {
    /// The question.
    pub title: String,
    /// The book; empty of a plain table.
    pub book: String,
    /// What it rests on.
    pub basis: String,
    /// The day of printing.
    pub date: Date,
    /// The language.
    pub language: Lang,
    /// What was found in all.
    pub told: String,
    /// What moved, a line a sample.
    pub items: Vec<String>,
    /// How the panel drifted.
    pub drift: Option<(Vec<String>, Figures)>,
    /// The lots.
    pub lots: Vec<LotCourse>,
    /// Lots beside each other.
    pub compared: Vec<Figures>,
    /// Whether packs were told apart.
    pub told_apart: Vec<String>,
    /// What to keep in mind.
    pub cautions: Vec<String>,
}

/// Sets the pages as a PDF on A4.
///
/// # Errors
/// [`SheetError::MissingGlyphs`] for characters that cannot be shown; [`SheetError::Incomplete`]
/// without anything that was found.
pub fn age_pdf(pages: &AgePages) -> Result<Vec<u8>, SheetError> {
    let name = "pages of age";
    if pages.told.is_empty() {
        return Err(SheetError::Incomplete {
            sheet: name.to_owned(),
            found: "nothing found".to_owned(),
            expected: "what was found",
        });
    }
    let languages = [pages.language];
    let word = |en: &str, zh: &str| texts(&languages, en, zh);
    let plain = |en: &str, zh: &str| match pages.language {
        Lang::Zh => zh.to_owned(),
        Lang::En => en.to_owned(),
    };
    let table = |t: &Figures| -> Value {
        json!({ "title": t.title, "span": t.span, "heads": t.heads, "rows": t.rows })
    };
    let mut files = Vec::new();
    let lots: Vec<Value> = pages
        .lots
        .iter()
        .enumerate()
        .map(|(i, lot)| {
            let chart = if lot.chart.is_empty() { String::new() } else { format!("lot-{i}.svg") };
            if !chart.is_empty() {
                files.push((chart.clone(), lot.chart.clone().into_bytes()));
            }
            let tables: Vec<Value> = lot.tables.iter().map(table).collect();
            json!({ "name": lot.name, "chart": chart, "tables": tables })
        })
        .collect();
    let drift = pages.drift.as_ref().map(|(told, t)| json!({ "told": told, "table": table(t) }));
    let data = json!({
        "title": pages.title,
        "book": pages.book,
        "basis": pages.basis,
        "date": date_data(pages.date),
        "language": typst_language(pages.language),
        "words": {
            "page": word("page", "第"),
            "of": word("of", "页，共"),
            "short": plain("In short", "概要"),
            "drift": plain("The panel's drift", "评茶组的漂移"),
            "compared": plain("Lots beside each other", "批次之间的比较"),
            "apart": plain("Told apart?", "能否区分？"),
            "mind": plain("Keep in mind", "请注意"),
        },
        "told": pages.told,
        "items": pages.items,
        "drift": drift,
        "lots": lots,
        "compared": pages.compared.iter().map(table).collect::<Vec<Value>>(),
        "apart": pages.told_apart,
        "cautions": pages.cautions,
    });
    world::pdf(world::Sheet { name, template: TEMPLATE, data, files, date: pages.date })
}
