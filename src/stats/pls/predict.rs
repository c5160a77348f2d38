//! A row that was not there, with its interval.

use serde::Serialize;

use super::PlsError;
use super::cross::{Path, Response, Room, cross_validate};
use super::folds::{Folds, Part, Prepared, Scaling};
use crate::dist::t_quantile_upper;

/// Beyond so many rows choosing anew changes next to nothing and costs much.
const CHOSEN_ANEW: usize = 60;

/// A predicted response.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Predicted {
    /// The value.
    pub value: f64,
    /// Lower limit for one new row.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
    /// Standard deviation of a new row about its prediction.
    pub sd: f64,
    /// Degrees of freedom of t.
    pub df: f64,
    /// 1/n and its place among the scores.
    pub leverage: f64,
}

/// A model that rows can be put to.
pub struct Predictor {
    coefficients: Vec<f64>,
    centre: Vec<f64>,
    mean: f64,
    /// Rotations with their t't, for the leverage.
    path: Path,
    components: usize,
    /// Standard deviation of a row about what it should be, from the rows left out.
    pub sigma: f64,
    /// Its degrees of freedom.
    pub df: f64,
    n: f64,
    column_mean: Vec<f64>,
    column_sd: Vec<f64>,
}

/// Prepares predictions with `components` components; with 0 it is the mean of all rows.
///
/// Each row that is left out is missed by its own deviation and by that of the model without it:
/// with leverage h there, the variance of its error is σ² (1 + h). So σ² is the mean of
/// e² / (1 + h) over the rows left out, and a new row of leverage h has
/// `value ± t sqrt(σ² (1 + h))`, t with n - 1 - A degrees of freedom. Up to 60 rows the number of
/// components is chosen anew without each row (Stone 1974), for errors by which it was chosen are too
/// small. What the tests of this crate find for its coverage stands in `tests/stats/pls.rs`.
///
/// # Errors
/// As for [`super::cross_validate`].
///
/// # Source
/// The interval of a regression with leverage from the scores (Martens H, Næs T 1989, Multivariate
/// Calibration, from memory), σ from rows left out in place of residuals, which components that
/// were chosen would make too small: our own combination, checked by simulation.
pub fn predictor(
    x: &Prepared,
    columns: &[&[f64]],
    y: &[f64],
    components: usize,
) -> Result<Predictor, PlsError> {
    let response = Response::new(x, y)?;
    let most = x.most_components().max(components);
    let mut room = Room::new(x, most.max(1));
    let mut c = vec![0.0; x.columns];
    let mut sum = 0.0;
    for part in &x.parts {
        let components = if components == 0 {
            0
        } else {
            chosen_without(x, part, columns, y).unwrap_or(components)
        };
        let mean = response.of_part(x, part, &mut c);
        room.path.run(&part.cross, &mut c);
        for (i, z) in part.held.iter().zip(part.z.chunks_exact(x.columns)) {
            let b = room.path.coefficients(components);
            let error = response.y[*i] - mean - super::dot(&b, z);
            sum += error * error / (1.0 + 1.0 / part.n + room.path.leverage(components, z));
        }
    }
    let n = x.rows as f64;
    let mut room = Room::new(x, components.max(1));
    response.of_part(x, &x.whole, &mut c);
    room.path.run(&x.whole.cross, &mut c);
    let part: &Part = &x.whole;
    let coefficients =
        room.path.coefficients(components).iter().zip(&part.by).map(|(b, by)| b * by).collect();
    let column_mean =
        columns.iter().map(|c| c[0] + c.iter().map(|v| v - c[0]).sum::<f64>() / n).collect();
    Ok(Predictor {
        coefficients,
        centre: part.mean.clone(),
        mean: response.mean,
        components: components.min(room.path.n),
        path: room.path,
        sigma: (sum / n).sqrt(),
        df: (n - 1.0 - components as f64).max(1.0),
        n,
        column_mean,
        column_sd: x.sd.clone(),
    })
}

/// The number of components that is chosen when the rows of a part are not known; none if there are
/// many rows, or too few stay.
fn chosen_without(x: &Prepared, part: &Part, columns: &[&[f64]], y: &[f64]) -> Option<usize> {
    if x.rows > CHOSEN_ANEW {
        return None;
    }
    let stay = |values: &[f64]| -> Vec<f64> {
        (0..x.rows).filter(|i| !part.held.contains(i)).map(|i| values[i]).collect()
    };
    let own: Vec<Vec<f64>> =
        columns.iter().zip(&part.by).filter(|(_, by)| **by > 0.0).map(|(c, _)| stay(c)).collect();
    let own: Vec<&[f64]> = own.iter().map(Vec::as_slice).collect();
    let y = stay(y);
    let inner = Prepared::new(&own, &Folds::one_out(y.len()), Scaling::Inside).ok()?;
    Some(cross_validate(&inner, &y, inner.most_components()).ok()?.chosen().components)
}

impl Predictor {
    /// Predicts a row, given in the columns' own units, with the interval at confidence `level` of
    /// one new value: `mean + b'z`, `σ sqrt(1 + 1/n + h)` with h the leverage of the row's scores,
    /// t of n - 1 less the components degrees of freedom (see [`predictor`] for the source and for
    /// what is our own in it).
    ///
    /// # Errors
    /// A row of another length or with values that are not finite.
    pub fn row(&self, row: &[f64], level: f64) -> Result<Predicted, PlsError> {
        if row.len() != self.coefficients.len() {
            return Err(PlsError::Length {
                column: 0,
                expected: self.coefficients.len(),
                found: row.len(),
            });
        }
        if let Some(column) = row.iter().position(|v| !v.is_finite()) {
            return Err(PlsError::NotFinite { column, row: 0 });
        }
        let z: Vec<f64> = row
            .iter()
            .zip(&self.column_mean)
            .zip(&self.column_sd)
            .zip(&self.centre)
            .map(|(((v, m), s), c)| (v - m) / s - c)
            .collect();
        let value = self.mean + super::dot(&self.coefficients, &z);
        let leverage = 1.0 / self.n + self.path.leverage(self.components, &z);
        let sd = self.sigma * (1.0 + leverage).sqrt();
        let reach = t_quantile_upper(0.5 * (1.0 - level), self.df) * sd;
        Ok(Predicted {
            value,
            lower: value - reach,
            upper: value + reach,
            sd,
            df: self.df,
            leverage,
        })
    }
}
