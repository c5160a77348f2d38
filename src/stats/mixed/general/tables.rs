//! Simulated tables in a sparse layout, their variances estimated in one step.

use super::General;
use super::deviance::{Covariances, Deviance};
use super::exact::{WHOLE_MAX, traces};
use super::layout::Right;
use crate::mixed::matrices::Model;
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
        let layout = &self.layout;
        if layout.blocks.iter().any(|b| b.width() > 1) {
            return Err(MixedError::NotOffered {
                what: "a bootstrap in one step",
                layout: "with correlated effects".into(),
            });
        }
        let ratios: Vec<f64> = fit.components.iter().map(|c| c.variance / fit.sigma2).collect();
        // A variance at zero stays in the equations: it may be above zero in a table.
        let f: Covariances = ratios.iter().map(|&g| Some(Mat::from_fn(1, 1, |_, _| g))).collect();
        let no_scores = Right { products: vec![0.0; layout.n_random + layout.n_fixed], total: 1.0 };
        let target = Deviance::new(layout, &no_scores, Method::Reml);
        let failed = || MixedError::NotSettled { evaluations: 1 };
        let s = target.solve(&f).ok_or_else(failed)?;
        let k = ratios.len();
        let solved = |y: &[f64]| -> (Vec<f64>, Vec<f64>) {
            let products = layout.across(y);
            let mut turned = products;
            layout.turn(&s.roots, &mut turned, true);
            let mut effects = turned.clone();
            s.factored.solve(&mut effects);
            let modes = target.turned_up(&s, &effects);
            let total: f64 = y.iter().map(|v| v * v).sum();
            let fitted: f64 = turned.iter().zip(&effects).map(|(a, b)| a * b).sum();
            let mut squares = vec![total - fitted];
            for (&e, ratio) in layout.entries.iter().zip(&ratios) {
                let square = layout.square(e, &modes, &modes);
                squares[0] -= ratio * square;
                squares.push(square);
            }
            (squares, modes)
        };
        let own = if layout.n_random <= WHOLE_MAX {
            traces(layout, &target.whole(&s))
        } else {
            let tables = replicates(AVERAGED, seed ^ 0x5eed, |stream| {
                let (_, modes) = solved(&table(model, &ratios, stream));
                target.average(&s, &modes, &f).0
            });
            let mut sum = Mat::<f64>::zeros(k, k);
            for table in &tables {
                sum += table;
            }
            sum * faer::Scale(1.0 / AVERAGED as f64)
        };
        // tr(P V_i) = slope of the deviance without scores.
        let none = vec![0.0; layout.n_random];
        let slopes = target.slopes(&s, &none);
        let single: Vec<f64> = slopes.iter().map(|m| m[(0, 0)]).collect();
        let with_residual: Vec<f64> = (0..k)
            .map(|i| single[i] - (0..k).map(|j| ratios[j] * own[(i, j)]).sum::<f64>())
            .collect();
        let sum = |v: &[f64]| -> f64 { ratios.iter().zip(v).map(|(g, v)| g * v).sum() };
        let residual = target.df() - sum(&single) - sum(&with_residual);
        let information = Mat::from_fn(k + 1, k + 1, |i, j| match (i, j) {
            (0, 0) => residual,
            (0, t) | (t, 0) => with_residual[t - 1],
            (i, j) => own[(i - 1, j - 1)],
        });
        if !information.norm_max().is_finite() {
            return Err(failed());
        }
        Ok(replicates(n_tables, seed, |stream| {
            let t = at_least_zero(&information, &solved(&table(model, &ratios, stream)).0);
            Variances {
                terms: t[1..].iter().map(|v| v * fit.sigma2).collect(),
                residual: t[0] * fit.sigma2,
            }
        }))
    }
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
