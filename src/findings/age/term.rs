//! A term with its model, fitted once for all that is asked of it.

use std::collections::BTreeMap;
use std::sync::Arc;

use rayon::prelude::*;

use super::super::Answer;
use super::super::cell_model::{self, Cell, CellModel, Layout};
use super::super::term_comparison::LabelCount;
use super::TermModel;
use crate::scores::{ScaleKind, Scores, TermScores};

/// A term with its model.
#[derive(Debug)]
pub struct Term {
    pub(super) scores: TermScores,
    layout: Option<Arc<Layout>>,
    pub(super) model: Answer<CellModel>,
    pub(super) with_excluded: Answer<CellModel>,
}

/// The layouts of terms: one for all that were scored alike.
fn layouts(terms: &[&TermScores]) -> Vec<Option<Arc<Layout>>> {
    let (firsts, of) = cell_model::kinds(terms);
    let made: Vec<Option<Arc<Layout>>> = firsts
        .par_iter()
        .with_max_len(1)
        .map(|i| cell_model::layout(terms[*i]).map(Arc::new))
        .collect();
    of.into_iter().map(|i| made[i].clone()).collect()
}

/// Ticks and categories have no means that could be followed.
fn modelled(
    t: &TermScores,
    layout: Option<&Arc<Layout>>,
    fit: impl FnOnce(&Layout) -> Answer<CellModel>,
) -> Answer<CellModel> {
    match t.term.scale {
        ScaleKind::Tick => {
            Answer::unknown("ticks are listed by tasting only: their changes have no model here")
        }
        ScaleKind::Nominal => Answer::unknown(
            "categories are listed by tasting only: their changes have no model here",
        ),
        ScaleKind::Line | ScaleKind::Ordered if t.values.is_empty() => {
            Answer::unknown("there is no score")
        }
        ScaleKind::Line | ScaleKind::Ordered => match layout {
            Some(layout) => fit(layout),
            None => Answer::unknown("the scores do not say in which session they were given"),
        },
    }
}

impl Term {
    /// The terms with their models, fitted once more with excluded scores left in where there are
    /// any and `with_excluded` asks for it; then the variances stay those without them.
    #[must_use]
    pub fn all(scores: &Scores, main: Vec<TermScores>, with_excluded: bool) -> Vec<Self> {
        let whole: Vec<Option<TermScores>> = main
            .par_iter()
            .with_max_len(1)
            .map(|t| {
                if with_excluded && t.n_excluded > 0 { scores.term(&t.term.id, true) } else { None }
            })
            .collect();
        let all: Vec<&TermScores> = main.iter().chain(whole.iter().flatten()).collect();
        let mut made = layouts(&all);
        let of_whole = made.split_off(main.len());
        let mut of_whole = of_whole.into_iter();
        let of_whole: Vec<Option<Arc<Layout>>> =
            whole.iter().map(|t| t.as_ref().and_then(|_| of_whole.next().flatten())).collect();
        let asked: Vec<_> =
            main.into_iter().zip(made).zip(whole.into_iter().zip(of_whole)).collect();
        asked
            .into_par_iter()
            .with_max_len(1)
            .map(|((scores, layout), (whole, whole_layout))| {
                let model = modelled(&scores, layout.as_ref(), |l| l.fit(&scores));
                let with_excluded = match &whole {
                    Some(t) => model
                        .as_ref()
                        .and_then(|m| modelled(t, whole_layout.as_ref(), |l| l.fit_as(t, m))),
                    None if scores.n_excluded > 0 => Answer::unknown("it was not asked for"),
                    None => Answer::unknown("no score is excluded in this term"),
                };
                Self { scores, layout, model, with_excluded }
            })
            .collect()
    }

    /// The model as it is reported.
    #[must_use]
    pub fn report(&self) -> TermModel {
        TermModel {
            term: self.scores.term.id.clone(),
            scale: self.scores.term.scale,
            n_scores: self.scores.values.len(),
            n_gaps: self.scores.term.gaps,
            n_excluded: self.scores.n_excluded,
            model: self.model.as_ref().map(|m| m.panel.report()),
        }
    }

    /// How many scores of the term a cell has.
    #[must_use]
    pub fn n_scores(&self, cell: &Cell) -> usize {
        let cells = self.layout.as_ref().map(|l| &l.cells);
        cells.and_then(|c| Some(c.n_scores[*c.at.get(cell)?])).unwrap_or(0)
    }

    /// The ticks or categories of a cell, the most frequent first.
    #[must_use]
    pub fn shares(&self, cell: &Cell) -> Answer<Vec<LabelCount>> {
        let t = &self.scores;
        let label = |v: f64| match t.term.scale {
            ScaleKind::Tick => (if v > 0.5 { "yes" } else { "no" }).to_owned(),
            _ => t.labels.get(v as usize).cloned().unwrap_or_else(|| v.to_string()),
        };
        if !matches!(t.term.scale, ScaleKind::Tick | ScaleKind::Nominal) {
            return Answer::unknown("shares are for ticks and categories");
        }
        let Some((cells, at)) =
            self.layout.as_ref().and_then(|l| Some((&l.cells, *l.cells.at.get(cell)?)))
        else {
            return Answer::unknown("there is no answer");
        };
        let mut counts: BTreeMap<String, usize> = BTreeMap::new();
        for (code, value) in cells.codes.iter().zip(&t.values) {
            if *code as usize == at {
                *counts.entry(label(*value)).or_default() += 1;
            }
        }
        let mut labels: Vec<LabelCount> =
            counts.into_iter().map(|(label, n)| LabelCount { label, n }).collect();
        labels.sort_by(|a, b| b.n.cmp(&a.n).then_with(|| a.label.cmp(&b.label)));
        Answer::Known(labels)
    }
}
