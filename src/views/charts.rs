//! Findings as charts: which number goes into which row, and nothing computed.

use crate::findings::agree::Agree;
use crate::findings::compare::Compare;
use crate::findings::habits::{TasterInTerm, TasterOverall};
use crate::findings::term_comparison::{Level, TermComparison};
use crate::findings::{Answer, Estimate};
use crate::plots::dots::{DotRow, DotRows, Panel, dot_rows};
use crate::plots::tasters::{TasterPanel, TasterRow, TasterRows, taster_rows};
use crate::plots::{self, Basis, Lang, PlotError};

/// A chart with the name of its file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Chart {
    /// The file's name.
    pub file: &'static str,
    /// The drawing.
    pub svg: String,
}

/// tasters.svg: each taster against the others, over all terms and term by term.
///
/// # Errors
/// [`PlotError`], if there is no taster to draw or a name has characters that cannot be shown.
pub fn agree(f: &Agree) -> Result<Vec<Chart>, PlotError> {
    let mut panels = Vec::new();
    let mut n_scores = 0;
    if let Some(h) = f.habits.known() {
        panels.push(TasterPanel {
            label: "all terms on a line".to_owned(),
            rows: h.tasters.iter().map(over_all).collect(),
        });
    }
    for t in &f.terms {
        let Some(tasters) = t.tasters.known().filter(|_| t.panel.model.known().is_some()) else {
            continue;
        };
        n_scores += t.panel.n_scores;
        panels.push(TasterPanel {
            label: t.panel.term.clone(),
            rows: tasters.iter().map(in_term).collect(),
        });
    }
    let svg = taster_rows(&TasterRows {
        lang: Lang::En,
        title: "Do the tasters agree?".to_owned(),
        subtitle: f.source.names.join(", "),
        basis: Basis {
            n_tasters: f.tasters.len(),
            n_scores,
            level: f.settings.level,
            of: "each taster against the mean of the others".to_owned(),
        },
        panels,
        footnotes: footnotes(f.individual_opinions, f.tasters.len()),
    })?;
    Ok(vec![Chart { file: "tasters.svg", svg }])
}

/// levels.svg: the lots as dots on their intervals, term by term.
///
/// # Errors
/// [`PlotError`], if no term has levels or a name has characters that cannot be shown.
pub fn compare(f: &Compare) -> Result<Vec<Chart>, PlotError> {
    let mut n_scores = 0;
    let mut panels: Vec<Panel> = Vec::new();
    for t in &f.terms {
        if let Some(panel) = panel(&t.lots, &f.source.references) {
            n_scores += t.lots.n_scores;
            panels.push(panel);
        }
    }
    let of = if f.tasters.is_empty() {
        "each lot's mean"
    } else {
        "each lot's adjusted mean, tasters a sample"
    };
    let mut footnotes = footnotes(f.individual_opinions, f.tasters.len());
    footnotes.push(
        "Overlapping lines do not show that lots are alike: differences have intervals of their \
         own, without the tasters' offsets."
            .to_owned(),
    );
    let svg = dot_rows(&DotRows {
        lang: Lang::En,
        title: "Which lots differ?".to_owned(),
        subtitle: f.source.names.join(", "),
        basis: Basis {
            n_tasters: f.tasters.len(),
            n_scores,
            level: f.settings.level,
            of: of.to_owned(),
        },
        panels,
        footnotes,
    })?;
    Ok(vec![Chart { file: "levels.svg", svg }])
}

fn footnotes(individual_opinions: bool, n_tasters: usize) -> Vec<String> {
    let words = match n_tasters {
        1 => "One taster: an individual opinion.",
        _ => "Two or three tasters: individual opinions.",
    };
    if individual_opinions { vec![words.to_owned()] } else { Vec::new() }
}

fn mark(answer: &Answer<Estimate>) -> Option<plots::Estimate> {
    answer.known().map(|e| plots::Estimate { value: e.value, lower: e.lower, upper: e.upper })
}

/// A ratio is drawn on an axis of ratios, which has no place for 0.
fn mark_ratio(answer: &Answer<Estimate>) -> Option<plots::Estimate> {
    mark(answer).filter(|e| e.lower > 0.0)
}

fn over_all(t: &TasterOverall) -> TasterRow {
    let habits: Vec<String> = t
        .habits
        .iter()
        .map(|h| match h.terms.as_slice() {
            [] => h.kind.clone(),
            terms => format!("{} ({})", h.kind, terms.join(", ")),
        })
        .collect();
    TasterRow {
        taster: t.taster.clone(),
        offset: mark(&t.offset),
        slope: mark(&t.slope),
        noise: mark_ratio(&t.noise_ratio),
        remark: Some(habits.join(", ")).filter(|r| !r.is_empty()),
    }
}

fn in_term(t: &TasterInTerm) -> TasterRow {
    TasterRow {
        taster: t.taster.clone(),
        offset: mark(&t.offset),
        slope: mark(&t.slope),
        noise: mark_ratio(&t.noise_ratio),
        remark: Some(t.remarks.join(", ")).filter(|r| !r.is_empty()),
    }
}

fn panel(t: &TermComparison, references: &[String]) -> Option<Panel> {
    let (levels, ends) = (t.levels.known()?, t.ends.known()?);
    Some(Panel {
        label: t.term.clone(),
        ends: ("less".to_owned(), "more".to_owned()),
        range: (ends[0], ends[1]),
        rows: levels.iter().map(|l| row(l, references)).collect(),
    })
}

fn row(l: &Level, references: &[String]) -> DotRow {
    DotRow {
        label: l.lot.clone(),
        estimate: l.adjusted.known().map(|a| plots::Estimate {
            value: a.value,
            lower: a.lower,
            upper: a.upper,
        }),
        letters: l.letters.known().cloned(),
        note: l.adjusted.reason().map(str::to_owned),
        reference: references.contains(&l.lot),
    }
}
