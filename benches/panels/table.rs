//! Drawn panels as the one long table that the findings read.

use blindsteep::book::labels::Labels;
use blindsteep::book::vocabulary::Ends;
use blindsteep::scores::{Builder, ScaleKind, ScoreRow, ScoredTerm, Scores, Source};

use crate::draw::Drawn;

/// What the table tells besides lot, taster and replicate.
#[derive(Debug, Clone, Copy)]
pub struct Columns {
    /// Each replicate is a flight.
    pub flight: bool,
    /// The pots.
    pub brew: bool,
}

/// A term on a line from 0 to 10.
pub fn line(id: &str) -> ScoredTerm {
    ScoredTerm {
        id: id.to_owned(),
        scale: ScaleKind::Line,
        ends: Some([0.0, 10.0]),
        labels: Labels::default(),
        end_words: Ends::new(),
        level_words: Default::default(),
        gaps: 0,
    }
}

/// The table of some terms.
pub fn scores(terms: &[(&str, &Drawn)], columns: Columns) -> Scores {
    let mut builder = Builder::default();
    for (term, drawn) in terms {
        for r in &drawn.rows {
            let replicate = format!("r{}", r.replicate);
            let cup = format!("l{}r{}", r.lot, r.replicate);
            let pot = format!("l{}p{}", r.lot, r.pot);
            builder.push(&ScoreRow {
                lot: &format!("l{}", r.lot),
                taster: Some(&format!("t{}", r.taster)),
                replicate: Some(&replicate),
                flight: columns.flight.then_some(&replicate),
                cup: columns.brew.then_some(&cup),
                brew: columns.brew.then_some(&pot),
                term,
                value: r.value,
                ..ScoreRow::default()
            });
        }
    }
    builder.finish(terms.iter().map(|(id, _)| line(id)).collect(), Source::default())
}
