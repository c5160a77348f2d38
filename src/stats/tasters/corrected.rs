//! Lots' means with the tasters' offsets, slopes and noises taken as known.

use super::joint::median;
use super::{Estimate, NotEstimated};
use crate::anova::mean;
use std::collections::{BTreeMap, BTreeSet};

/// A taster's mean of a lot in a session, less the taster's level.
#[derive(Debug, Clone, Copy)]
pub(super) struct CellMean {
    pub(super) lot: usize,
    pub(super) session: usize,
    pub(super) taster: usize,
    pub(super) value: f64,
    pub(super) slope: f64,
    pub(super) weight: f64,
}

pub(super) struct Means {
    pub(super) n_sessions: usize,
    pub(super) n_tasters: usize,
    /// Standard error of the factor by which slopes found from other lots would stretch all
    /// distances.
    pub(super) stretch: f64,
    pub(super) cells: Vec<CellMean>,
}

pub(super) struct Corrected {
    /// Place of each lot with its distance from the mean of all.
    pub(super) effects: Vec<(usize, Estimate)>,
    /// The mean of all lots, from the middle of the model.
    pub(super) centre: f64,
    pub(super) se_difference: f64,
    pub(super) df: f64,
    pub(super) sessions_adjusted: bool,
}

/// Weighted least squares of `value` on `slope × (lot + session)`.
pub(super) fn lots(m: &Means, n_lots: usize, level: f64) -> Result<Corrected, NotEstimated> {
    let used: Vec<usize> =
        m.cells.iter().map(|c| c.lot).collect::<BTreeSet<_>>().into_iter().collect();
    let place: BTreeMap<usize, usize> = used.iter().copied().zip(0..).collect();
    let adjust = m.n_sessions > 1 && hang_together(m, n_lots);
    // The first session is the one that the lots' own columns hold.
    let n_columns = used.len() + if adjust { m.n_sessions - 1 } else { 0 };
    let columns = |c: &CellMean| {
        let session = (adjust && c.session > 0).then(|| used.len() + c.session - 1);
        [Some(place[&c.lot]), session].into_iter().flatten()
    };
    let mut cross = vec![vec![0.0; n_columns]; n_columns];
    let mut right = vec![0.0; n_columns];
    for c in &m.cells {
        for i in columns(c) {
            right[i] += c.weight * c.slope * c.value;
            for j in columns(c) {
                cross[i][j] += c.weight * c.slope * c.slope;
            }
        }
    }
    let inverse = inverted(cross).ok_or(NotEstimated::LotsAlike)?;
    let solution: Vec<f64> =
        inverse.iter().map(|row| row.iter().zip(&right).map(|(a, b)| a * b).sum()).collect();
    // Own view of a lot and noise, as they are left in each lot and taster; the part of a lot
    // that a taster decides alone (the leverage) is given back.
    let mut left: BTreeMap<(usize, usize), [f64; 3]> = BTreeMap::new();
    for c in &m.cells {
        let at: Vec<usize> = columns(c).collect();
        let fitted: f64 = at.iter().map(|&i| solution[i]).sum();
        let reach: f64 = at.iter().map(|&i| at.iter().map(|&j| inverse[i][j]).sum::<f64>()).sum();
        let cell = left.entry((c.taster, c.lot)).or_default();
        cell[0] += c.weight * (c.value - c.slope * fitted);
        cell[1] += c.weight;
        cell[2] += c.weight * c.slope * c.slope * reach;
    }
    let df = left.len() as f64 - used.len() as f64 - 2.0 * (m.n_tasters as f64 - 1.0);
    if df < 1.0 {
        return Err(NotEstimated::TooFewLots);
    }
    let mut scale: BTreeMap<usize, (f64, f64)> = BTreeMap::new();
    for ((taster, _), [sum, weight, leverage]) in &left {
        let own = scale.entry(*taster).or_default();
        // A lot that one taster decides alone says nothing of that taster's noise.
        if *leverage < 0.95 {
            own.0 += sum * sum / weight / (1.0 - leverage).powi(2);
            own.1 += 1.0;
        }
    }
    let mut middle = vec![vec![0.0; n_columns]; n_columns];
    for c in &m.cells {
        let (squares, n) = scale[&c.taster];
        let weight = c.weight * c.slope * c.slope * squares / (n - 2.0).max(1.0);
        for i in columns(c) {
            for j in columns(c) {
                middle[i][j] += weight;
            }
        }
    }
    let covariance = product(&product(&inverse, &middle), &inverse);
    let n = used.len();
    // Sessions weigh alike in a lot's level.
    let session_mean =
        if adjust { solution[n..].iter().sum::<f64>() / m.n_sessions as f64 } else { 0.0 };
    let centre = mean(&solution[..n]);
    let row_mean: Vec<f64> = (0..n).map(|i| mean(&covariance[i][..n])).collect();
    let all_mean = mean(&row_mean);
    let effects = used
        .iter()
        .enumerate()
        .map(|(i, lot)| {
            let variance = (covariance[i][i] - 2.0 * row_mean[i] + all_mean).max(0.0);
            let effect = solution[i] - centre;
            let se = (variance + (m.stretch * effect).powi(2)).sqrt();
            (*lot, Estimate::about(effect, se, df, 0.0, level))
        })
        .collect();
    let mut pairs = Vec::new();
    for i in 0..n.min(200) {
        for j in 0..i {
            let variance = covariance[i][i] - 2.0 * covariance[i][j] + covariance[j][j];
            let apart = m.stretch * (solution[i] - solution[j]);
            pairs.push((variance.max(0.0) + apart * apart).sqrt());
        }
    }
    Ok(Corrected {
        effects,
        centre: centre + session_mean,
        se_difference: median(pairs),
        df,
        sessions_adjusted: adjust,
    })
}

/// Whether a chain of shared lots joins all sessions.
fn hang_together(m: &Means, n_lots: usize) -> bool {
    let mut group: Vec<usize> = (0..n_lots + m.n_sessions).collect();
    fn root(group: &mut [usize], mut at: usize) -> usize {
        while group[at] != at {
            group[at] = group[group[at]];
            at = group[at];
        }
        at
    }
    for c in &m.cells {
        let (a, b) = (root(&mut group, c.lot), root(&mut group, n_lots + c.session));
        group[a] = b;
    }
    let roots: BTreeSet<usize> = m.cells.iter().map(|c| root(&mut group, c.lot)).collect();
    roots.len() == 1
}

fn product(a: &[Vec<f64>], b: &[Vec<f64>]) -> Vec<Vec<f64>> {
    let n = b.first().map_or(0, Vec::len);
    a.iter()
        .map(|row| {
            let mut sum = vec![0.0; n];
            for (x, other) in row.iter().zip(b) {
                sum.iter_mut().zip(other).for_each(|(s, y)| *s += x * y);
            }
            sum
        })
        .collect()
}

/// The inverse of a positive definite matrix by Cholesky; `None` if it is not.
fn inverted(mut a: Vec<Vec<f64>>) -> Option<Vec<Vec<f64>>> {
    let n = a.len();
    let size: Vec<f64> = (0..n).map(|i| a[i][i]).collect();
    for j in 0..n {
        for k in 0..j {
            let factor = a[j][k];
            for row in a.iter_mut().skip(j) {
                let along = row[k];
                row[j] -= factor * along;
            }
        }
        if a[j][j].is_nan() || a[j][j] <= 1e-12 * size[j] {
            return None;
        }
        let root = a[j][j].sqrt();
        for row in a.iter_mut().skip(j) {
            row[j] /= root;
        }
    }
    let mut inverse = vec![vec![0.0; n]; n];
    for column in 0..n {
        let mut x = vec![0.0; n];
        for i in column..n {
            let known: f64 = (column..i).map(|k| a[i][k] * x[k]).sum();
            x[i] = (f64::from(u8::from(i == column)) - known) / a[i][i];
        }
        for i in (0..n).rev() {
            let known: f64 = (i + 1..n).map(|k| a[k][i] * x[k]).sum();
            x[i] = (x[i] - known) / a[i][i];
        }
        for (row, value) in inverse.iter_mut().zip(x) {
            row[column] = value;
        }
    }
    Some(inverse)
}
