//! Where a search for the variances starts: one step from fixed ratios.
//!
//! With `P` at some ratios `g`, variances solve `sum over j of tr(P V_i P V_j) s_j = y'P V_i P y`, the
//! residual among them: MINQUE with these ratios as prior (Rao 1971, Journal of Multivariate Analysis
//! 1:445-456), one step of Fisher's scoring. Of a balanced layout it ends at the REML estimate whatever
//! the ratios, if none is negative; else it ends near. The left side is the same for all scores of a layout.

use super::layout::Layout;
use super::solve::{Objective, Scores, Solved};
use super::{forms_of, traces};
use crate::mixed::optimise::Target;
use faer::linalg::solvers::Solve;
use faer::{Col, Mat, Side};
use std::sync::Arc;

/// The ratio of each term, in units of what its effects are multiplied by.
const PRIOR: f64 = 0.2;
/// Where no ratio comes out above this, a step from ratios of zero leads nearer.
const SMALL: f64 = 0.05;
/// No ratio starts above this.
const LARGEST: f64 = 20.0;

/// The equations of a layout at the prior ratios.
#[derive(Debug, Clone)]
pub(in crate::mixed) struct Start {
    solved: Solved,
    /// `tr(P V_i P V_j)`, the residual first.
    information: Mat<f64>,
}

impl Start {
    fn of(layout: &Layout) -> Option<Self> {
        let (k, df) = (layout.parts.len(), (layout.n - layout.n_fixed) as f64);
        // Any scores will do: what is asked here does not hang on them.
        let n = layout.n_random + layout.n_further;
        let none =
            Scores { means: Vec::new(), products: vec![0.0; n], total: 1.0, crude: Vec::new() };
        let objective = Objective { layout, scores: &none };
        let solved = objective.inverted(&vec![PRIOR; k])?;
        let single = objective.traces(&solved);
        let both = traces(layout, &solved, &forms_of(layout, &solved));
        let mut information = Mat::<f64>::zeros(k + 1, k + 1);
        for i in 0..k {
            for j in 0..k {
                // Of the term's own: n - 2 tr E K^-1, of which the traces hold n - tr E K^-1.
                let n_used = layout.parts[i].n_used as f64;
                let own = if i == j { 2.0 * PRIOR * single[i] - n_used } else { 0.0 };
                information[(i + 1, j + 1)] = (own + both[(i, j)]) / (PRIOR * PRIOR);
            }
        }
        // From P V P = P, V being the residual and the terms by their ratios.
        let rest = |information: &Mat<f64>, i: usize| -> f64 {
            (1..=k).map(|j| PRIOR * information[(i, j)]).sum()
        };
        for i in 1..=k {
            let value = single[i - 1] - rest(&information, i);
            information[(0, i)] = value;
            information[(i, 0)] = value;
        }
        let all: f64 = single.iter().map(|trace| PRIOR * trace).sum();
        information[(0, 0)] = df - all - rest(&information, 0);
        Some(Self { solved, information })
    }
}

impl Objective<'_> {
    /// The ratios of variances one step from the prior; none where that step leads nowhere, or far.
    pub fn start(&self) -> Option<Vec<f64>> {
        let made = self.layout.start.get_or_init(|| Start::of(self.layout).map(Arc::new));
        let Start { solved, information } = &**made.as_ref()?;
        let (effects, square) = self.effects_by(solved);
        let modes = self.modes_of(effects, &solved.roots);
        let squares = self.layout.parts.iter().map(|part| {
            modes[part.first..part.first + part.n_levels].iter().map(|v| v * v).sum::<f64>()
        });
        let squares: Vec<f64> = squares.collect();
        let own = square - squares.iter().map(|q| PRIOR * q).sum::<f64>();
        let right = Col::from_fn(squares.len() + 1, |i| if i == 0 { own } else { squares[i - 1] });
        // Without the terms whose variance would be negative, until none is.
        let mut kept: Vec<usize> = (0..=squares.len()).collect();
        let variances = loop {
            let part = Mat::from_fn(kept.len(), kept.len(), |i, j| information[(kept[i], kept[j])]);
            let own = Col::from_fn(kept.len(), |i| right[kept[i]]);
            let variances = part.llt(Side::Lower).ok()?.solve(&own);
            let positive: Vec<usize> = (0..kept.len())
                .filter(|&i| i == 0 || variances[i] > 0.0)
                .map(|i| kept[i])
                .collect();
            if positive.len() == kept.len() {
                break variances;
            }
            kept = positive;
        };
        let residual = variances[0].max(0.05 * self.scores.total / self.df());
        let mut ratios = vec![0.0; squares.len()];
        for (i, &at) in kept.iter().enumerate().skip(1) {
            ratios[at - 1] = (variances[i] / residual).min(LARGEST);
        }
        let told = ratios.iter().all(|g| g.is_finite()) && ratios.iter().any(|g| *g > SMALL);
        told.then_some(ratios)
    }
}
