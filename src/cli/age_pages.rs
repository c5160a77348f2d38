//! `age --pdf FILE`: what was found on paper.

use jiff::civil::Date;

use super::Failure;
use crate::findings::age::{Age, SampleAge};
use crate::sheets::age::{AgePages, Figures, LotCourse, age_pdf};
use crate::views::charts::{self, Chart, Words};
use crate::views::pages::age_words as said;

/// Sets the pages: what was found in all, then a page for each lot that was tasted more than once.
///
/// # Errors
/// If a text cannot be printed.
pub fn pdf(
    f: &Age,
    drawn: &[Chart],
    words: &Words,
    (book, date): (&str, Date),
) -> Result<Vec<u8>, Failure> {
    let (told, items) = said::in_short(f, words);
    let chart = |file: &str| {
        drawn.iter().find(|c| c.file == file).map(|c| c.svg.clone()).unwrap_or_default()
    };
    let mut lots: Vec<&str> = Vec::new();
    for s in &f.samples {
        if !lots.contains(&s.lot.as_str()) {
            lots.push(&s.lot);
        }
    }
    let lots = lots.into_iter().filter_map(|lot| {
        let of_lot = |s: &&SampleAge| s.lot == lot;
        let tables: Vec<Figures> = f
            .samples
            .iter()
            .filter(of_lot)
            .filter_map(|s| said::sample(f, s, words))
            .chain(f.arms.iter().filter(|a| a.lot == lot).filter_map(|a| said::arms(a, words)))
            .collect();
        let chart = chart(&charts::age_file("courses", lot));
        (!tables.is_empty()).then(|| LotCourse { name: lot.to_owned(), chart, tables })
    });
    let pages = AgePages {
        title: words.pick("How do stored lots move?", "存放的批次如何变化？").to_owned(),
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
    age_pdf(&pages).map_err(|e| Failure::Records(e.to_string()))
}
