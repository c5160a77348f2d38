//! Simulated tables in a sparse layout, their variances estimated in one step.

use super::General;
use super::deviance::{Covariances, Deviance, Solved};
use super::exact::{WHOLE_MAX, traces};
use super::layout::{Layout, Right};
use crate::mixed::matrices::{Model, dot};
use crate::mixed::one_step::{Variances, at_least_zero};
use crate::mixed::report::Fit;
use crate::mixed::{Method, MixedError};
use crate::rng::{Stream, replicates};
use faer::Mat;

/// Tables from which the information is averaged where `Z'PZ` is too large to be formed.
const AVERAGED: usize = 60;

impl General {
    /// As [`Model::one_step_bootstrap`]; where there are more than 1500 random effects the
    /// information is the average of `y'P V_i P V_j P y` over 60 simulated tables.
    pub fn one_step(
        &self,
        model: &Model,
        fit: &Fit,
        n_tables: usize,
        seed: u64,
    ) -> Result<Vec<Variances>, MixedError> {
        let world = World::of(self, model, fit)?;
        let information = world.information(seed)?;
        Ok(replicates(n_tables, seed, |stream| {
            let y = table(model, &world.ratios, stream);
            let t = at_least_zero(&information, &world.squares(&y).0);
            Variances {
                terms: t[1..].iter().map(|v| v * fit.sigma2).collect(),
                residual: t[0] * fit.sigma2,
            }
        }))
    }

    /// `tr(P V_i P V_j)` at the variances of a fit, the residual first.
    pub fn information(&self, model: &Model, fit: &Fit) -> Result<Mat<f64>, MixedError> {
        World::of(self, model, fit)?.information(1)
    }
}

/// The equations at the variances of a fit.
struct World<'a> {
    layout: &'a Layout,
    model: &'a Model,
    f: Covariances,
    ratios: Vec<f64>,
    solved: Solved<'a>,
}

impl<'a> World<'a> {
    fn of(general: &'a General, model: &'a Model, fit: &Fit) -> Result<Self, MixedError> {
        let layout = &general.layout;
        if layout.blocks.iter().any(|b| b.width() > 1) {
            return Err(MixedError::NotOffered {
                what: "the information of the variances",
                layout: "with correlated effects".into(),
            });
        }
        // A variance at zero stays in the equations: it may be above zero in a table.
        let f = general.of_fit(fit)?;
        let ratios = fit.components.iter().map(|c| c.variance / fit.sigma2).collect();
        let right = no_scores(layout);
        let solved = Deviance::new(layout, &right, Method::Reml)
            .solve(&f)
            .ok_or(MixedError::NotSettled { evaluations: 1 })?;
        Ok(World { layout, model, f, ratios, solved })
    }

    /// `y' P V_i P y`, the residual first, and `Z'Py`.
    fn squares(&self, y: &[f64]) -> (Vec<f64>, Vec<f64>) {
        let (layout, s) = (self.layout, &self.solved);
        let mut turned = layout.across(y);
        layout.turn(&s.roots, &mut turned, true);
        let mut effects = turned.clone();
        s.factored.solve(&mut effects);
        let right = no_scores(layout);
        let modes = Deviance::new(layout, &right, Method::Reml).turned_up(s, &effects);
        let total: f64 = y.iter().map(|v| v * v).sum();
        let fitted: f64 = turned.iter().zip(&effects).map(|(a, b)| a * b).sum();
        let mut squares = vec![total - fitted];
        for (&e, ratio) in layout.entries.iter().zip(&self.ratios) {
            let square = layout.square(e, &modes, &modes);
            squares[0] -= ratio * square;
            squares.push(square);
        }
        (squares, modes)
    }

    fn information(&self, seed: u64) -> Result<Mat<f64>, MixedError> {
        let (layout, s, ratios) = (self.layout, &self.solved, &self.ratios);
        let right = no_scores(layout);
        let target = Deviance::new(layout, &right, Method::Reml);
        let k = ratios.len();
        let own = if layout.n_random <= WHOLE_MAX {
            traces(layout, &target.whole(s))
        } else {
            let tables = replicates(AVERAGED, seed ^ 0x5eed, |stream| {
                let (_, modes) = self.squares(&table(self.model, ratios, stream));
                target.average(s, &modes, &self.f).0
            });
            let mut sum = Mat::<f64>::zeros(k, k);
            for table in &tables {
                sum += table;
            }
            sum * faer::Scale(1.0 / AVERAGED as f64)
        };
        // tr(P V_i) = slope of the deviance without scores.
        let slopes = target.slopes(s, &vec![0.0; layout.n_random]);
        let single: Vec<f64> = slopes.iter().map(|m| m[(0, 0)]).collect();
        let with_residual: Vec<f64> = (0..k)
            .map(|i| single[i] - (0..k).map(|j| ratios[j] * own[(i, j)]).sum::<f64>())
            .collect();
        let residual = target.df() - dot(ratios, &single) - dot(ratios, &with_residual);
        let information = Mat::from_fn(k + 1, k + 1, |i, j| match (i, j) {
            (0, 0) => residual,
            (0, t) | (t, 0) => with_residual[t - 1],
            (i, j) => own[(i - 1, j - 1)],
        });
        if information.norm_max().is_finite() {
            Ok(information)
        } else {
            Err(MixedError::NotSettled { evaluations: 1 })
        }
    }
}

/// For where only traces are asked for.
fn no_scores(layout: &Layout) -> Right {
    Right { products: vec![0.0; layout.n_random + layout.n_fixed], total: 1.0 }
}

/// A table of normal scores with residual variance 1 and without fixed effects.
pub(in crate::mixed) fn table(model: &Model, ratios: &[f64], stream: &mut Stream) -> Vec<f64> {
    let mut y: Vec<f64> = (0..model.n).map(|_| stream.normal()).collect();
    for (term, ratio) in model.terms.iter().zip(ratios) {
        if *ratio <= 0.0 {
            continue;
        }
        let sd = ratio.sqrt();
        let effects: Vec<f64> = (0..term.n_levels).map(|_| sd * stream.normal()).collect();
        for (row, (y, &code)) in y.iter_mut().zip(&term.codes).enumerate() {
            *y += term.value(row) * effects[code as usize];
        }
    }
    y
}
