//! How stored lots moved, on paper.

use jiff::civil::Date;

use crate::findings::age::Age;
use crate::sheets::SheetError;
use crate::sheets::age::{AgePages, LotCourse, age_pdf};
use crate::views::charts::{self, Chart, Words};
use crate::views::pages::age_words as said;

/// Sets the pages: what was found in all, then a page for each lot that was tasted more than once.
///
/// # Errors
/// If a text cannot be printed.
pub fn age(
    f: &Age,
    drawn: &[Chart],
    words: &Words,
    (book, date): (&str, Date),
) -> Result<Vec<u8>, SheetError> {
    let (told, items) = said::in_short(f, words);
    let chart = |file: &str| {
        drawn.iter().find(|c| c.file == file).map(|c| c.svg.clone()).unwrap_or_default()
    };
    let lots = said::by_lot(f, words).into_iter().map(|(lot, tables)| LotCourse {
        name: lot.to_owned(),
        chart: chart(&charts::age_file("courses", lot)),
        tables,
    });
    let pages = AgePages {
        title: said::title(words).to_owned(),
        book: book.to_owned(),
        basis: said::basis(f, words),
        date,
        language: words.lang,
        told,
        items,
        drift: said::drift(f, words),
        lots: lots.collect(),
        compared: said::comparisons(f, words),
        told_apart: said::told_apart(f, words),
        cautions: said::cautions(f, words),
    };
    age_pdf(&pages)
}
