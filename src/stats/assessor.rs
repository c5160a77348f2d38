//! The mixed assessor model: lot × taster split into scale use and disagreement.

use crate::anova::{AnovaError, FRatio, Line, check_finite, dense, mean, rounding, squares_about};
use crate::least_squares::{Basis, centred};
use serde::Serialize;

/// The mixed assessor model's split of the lot × taster interaction.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MixedAssessor {
    /// Tasters.
    pub taster: Line,
    /// Lots, adjusted for tasters.
    pub lot: Line,
    /// Tasters use the scale more or less widely.
    pub scaling: Line,
    /// What is left of the interaction: tasters order the lots differently.
    pub disagreement: Line,
    /// Within lot and taster.
    pub error: Line,
    /// Lots over disagreement.
    pub lot_test: Option<FRatio>,
    /// Scaling over disagreement.
    pub scaling_test: Option<FRatio>,
    /// Disagreement over error.
    pub disagreement_test: Option<FRatio>,
    /// Each taster's slope on the panel's lot means (the taster included); they average 1
    /// in a complete table. `None` for a taster whose lots are all alike to the panel.
    pub slopes: Vec<Option<f64>>,
}

/// Returns the mixed assessor model's analysis of variance: the lot × taster interaction
/// split into scale use and disagreement.
///
/// `lots[i]`, `tasters[i]` are codes from 0 and belong to `values[i]`. Sums of squares are
/// sequential: tasters, lots, taster × covariate, lot × taster, within. The covariate is
/// the full panel's lot effect (lot means corrected for which tasters were present),
/// centred; its own slope is part of the lots, so that scaling has I - 1 and disagreement
/// about (I - 1)(J - 2) degrees of freedom. Lots are tested on disagreement, since scale
/// use is no disagreement about which lot is higher. Gaps are allowed; with gaps the lots'
/// sum of squares is adjusted for tasters.
///
/// # Errors
/// [`AnovaError::Lengths`], [`AnovaError::NotFinite`], [`AnovaError::TooSmall`] with fewer
/// than two tasters or three lots.
///
/// # Source
/// Brockhoff PB, Schlich P, Skovgaard I (2015), Food Quality and Preference 39:156-166.
pub fn mixed_assessor(
    lots: &[u32],
    tasters: &[u32],
    values: &[f64],
) -> Result<MixedAssessor, AnovaError> {
    let n = values.len();
    if lots.len() != n || tasters.len() != n {
        return Err(AnovaError::Lengths { lots: lots.len(), tasters: tasters.len(), values: n });
    }
    check_finite(values)?;
    let (lot_codes, n_lots) = dense(lots);
    let (taster_codes, n_tasters) = dense(tasters);
    if n_tasters < 2 || n_lots < 3 {
        return Err(AnovaError::TooSmall { groups: n_tasters.min(n_lots), values: n });
    }
    let indicator = |codes: &[usize], level: usize| -> Vec<f64> {
        codes.iter().map(|&c| f64::from(u8::from(c == level))).collect()
    };
    let mut left = centred(values);
    let mut basis = Basis::new(n);
    basis.push(&vec![1.0; n]);
    basis.residual(&mut left);
    let mut rss = squares_about(&left, 0.0);
    let least = rounding(values, rss);
    let real = |ss: f64| if ss > least { ss } else { 0.0 };
    let mut step = |basis: &mut Basis, columns: &mut dyn Iterator<Item = Vec<f64>>| -> Line {
        let before = basis.rank();
        for column in columns {
            basis.push(&column);
        }
        let mut y = left.clone();
        basis.residual(&mut y);
        let now = squares_about(&y, 0.0);
        let line = Line::new((basis.rank() - before) as f64, real(rss - now));
        rss = now;
        line
    };
    let taster = step(&mut basis, &mut (0..n_tasters).map(|t| indicator(&taster_codes, t)));
    let tasters_only = basis.clone();
    let lot = step(&mut basis, &mut (0..n_lots).map(|l| indicator(&lot_codes, l)));
    let effects = lot_effects(&tasters_only, &lot_codes, n_lots, values);
    let covariate: Vec<f64> = lot_codes.iter().map(|&l| effects[l]).collect();
    let scaling = step(
        &mut basis,
        &mut (0..n_tasters).map(|t| {
            taster_codes
                .iter()
                .zip(&covariate)
                .map(|(&c, x)| if c == t { *x } else { 0.0 })
                .collect()
        }),
    );
    // Cells: the within sum is found cell by cell, which is exact and quick.
    let mut cells: std::collections::BTreeMap<(usize, usize), Vec<f64>> = Default::default();
    for i in 0..n {
        cells.entry((lot_codes[i], taster_codes[i])).or_default().push(left[i]);
    }
    let within = real(cells.values().map(|c| squares_about(c, mean(c))).sum());
    let disagreement =
        Line::new(cells.len().saturating_sub(basis.rank()) as f64, real(rss - within));
    let error = Line::new((n - cells.len()) as f64, within);
    let slopes = (0..n_tasters)
        .map(|t| {
            let own: Vec<usize> = (0..n).filter(|&i| taster_codes[i] == t).collect();
            let x: Vec<f64> = own.iter().map(|&i| covariate[i]).collect();
            let y: Vec<f64> = own.iter().map(|&i| left[i]).collect();
            let (mx, my) = (mean(&x), mean(&y));
            let sxx = squares_about(&x, mx);
            let sxy: f64 = x.iter().zip(&y).map(|(a, b)| (a - mx) * (b - my)).sum();
            (sxx > 1e-12 * squares_about(&covariate, 0.0)).then(|| sxy / sxx)
        })
        .collect();
    Ok(MixedAssessor {
        lot_test: lot.over(&disagreement),
        scaling_test: scaling.over(&disagreement),
        disagreement_test: disagreement.over(&error),
        taster,
        lot,
        scaling,
        disagreement,
        error,
        slopes,
    })
}

/// Lot effects of the additive model taster + lot, centred over lots.
fn lot_effects(tasters: &Basis, lots: &[usize], n_lots: usize, values: &[f64]) -> Vec<f64> {
    let mut effects = vec![0.0; n_lots];
    let mut count = vec![0.0; n_lots];
    for &l in lots {
        count[l] += 1.0;
    }
    let mut fitted_part = vec![0.0; values.len()];
    let start = centred(values);
    // Fit lots and tasters in turn until nothing moves: exact in one round when complete.
    for _ in 0..10_000 {
        let mut rest: Vec<f64> = start.iter().zip(&fitted_part).map(|(y, f)| y - f).collect();
        tasters.residual(&mut rest);
        let mut change = vec![0.0; n_lots];
        for (i, &l) in lots.iter().enumerate() {
            change[l] += rest[i] / count[l];
        }
        let largest = change.iter().fold(0.0_f64, |m, c| m.max(c.abs()));
        for (e, c) in effects.iter_mut().zip(&change) {
            *e += c;
        }
        for (i, &l) in lots.iter().enumerate() {
            fitted_part[i] = effects[l];
        }
        if largest < 1e-13 * (1.0 + effects.iter().fold(0.0_f64, |m, e| m.max(e.abs()))) {
            break;
        }
    }
    let centre = mean(&effects);
    effects.iter().map(|e| e - centre).collect()
}
