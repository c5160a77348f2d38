//! Classical analysis of variance: one way, lot × taster with replicates, and the split of
//! the interaction into scale use and disagreement.

pub use crate::assessor::{MixedAssessor, mixed_assessor};
use crate::dist::f_sf;
use serde::Serialize;
use thiserror::Error;

/// Why an analysis of variance cannot be made.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum AnovaError {
    /// Fewer than two groups with values, or no degrees of freedom left.
    #[error("{groups} groups with {values} values leave no degrees of freedom")]
    TooSmall {
        /// Groups with at least one value.
        groups: usize,
        /// Values in all.
        values: usize,
    },
    /// A value that is infinite or not a number.
    #[error("value {index} is {found}, expected a finite number")]
    NotFinite {
        /// Its place, from 0, counted through all groups.
        index: usize,
        /// What stood there.
        found: f64,
    },
    /// Cells of different size where all must be equal.
    #[error("lot {lot}, taster {taster} holds {found} values, the first cell {expected}")]
    Unbalanced {
        /// Lot, from 0.
        lot: usize,
        /// Taster, from 0.
        taster: usize,
        /// Values in this cell.
        found: usize,
        /// Values in the first cell.
        expected: usize,
    },
    /// Columns of different length.
    #[error("{lots} lot codes, {tasters} taster codes and {values} values: all must be as many")]
    Lengths {
        /// Lot codes.
        lots: usize,
        /// Taster codes.
        tasters: usize,
        /// Values.
        values: usize,
    },
}

/// One line of an analysis of variance.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Line {
    /// Degrees of freedom.
    pub df: f64,
    /// Sum of squares.
    pub ss: f64,
    /// Mean square; 0 when df is 0.
    pub ms: f64,
}

impl Line {
    pub(crate) fn new(df: f64, ss: f64) -> Self {
        Self { df, ss, ms: if df > 0.0 { ss / df } else { 0.0 } }
    }

    /// The F test of this line over `error`, `F = MS / MS_error` (Fisher 1925); `None` when either has no degrees of freedom
    /// or the error is 0 (then there is no ratio).
    pub fn over(&self, error: &Line) -> Option<FRatio> {
        (self.df > 0.0 && error.df > 0.0 && error.ms > 0.0).then(|| {
            let f = self.ms / error.ms;
            FRatio { f, df1: self.df, df2: error.df, p_value: f_sf(f, self.df, error.df) }
        })
    }
}

/// A variance ratio and its upper tail.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FRatio {
    /// The ratio.
    pub f: f64,
    /// Numerator degrees of freedom.
    pub df1: f64,
    /// Denominator degrees of freedom.
    pub df2: f64,
    /// Upper tail.
    pub p_value: f64,
}

/// One-way analysis of variance.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OneWay {
    /// Between groups.
    pub between: Line,
    /// Within groups.
    pub within: Line,
    /// Between over within; `None` when nothing varies within.
    pub f_test: Option<FRatio>,
    /// Share of the between sum in the total.
    pub r_squared: f64,
    /// Square root of the within mean square.
    pub residual_sd: f64,
    /// Mean of each group, in input order; `None` for an empty one.
    pub means: Vec<Option<f64>>,
}

/// Returns the one-way analysis of variance of `groups`; empty groups are passed over.
///
/// Sums are taken about means after the first value has been subtracted from all, so that
/// values with a large common part lose no more digits than their own spelling did.
///
/// # Errors
/// [`AnovaError::TooSmall`] with fewer than two filled groups or one value each;
/// [`AnovaError::NotFinite`].
///
/// # Source
/// Fisher RA (1925), Statistical Methods for Research Workers.
pub fn one_way(groups: &[Vec<f64>]) -> Result<OneWay, AnovaError> {
    let all: Vec<f64> = groups.iter().flatten().copied().collect();
    check_finite(&all)?;
    let filled = groups.iter().filter(|g| !g.is_empty()).count();
    if filled < 2 || all.len() <= filled {
        return Err(AnovaError::TooSmall { groups: filled, values: all.len() });
    }
    let first = all[0];
    let shifted: Vec<Vec<f64>> =
        groups.iter().map(|g| g.iter().map(|v| v - first).collect()).collect();
    let grand = mean(&shifted.concat());
    let mut between = 0.0;
    let mut within = 0.0;
    let mut means = Vec::with_capacity(groups.len());
    for group in &shifted {
        if group.is_empty() {
            means.push(None);
            continue;
        }
        let own = mean(group);
        between += group.len() as f64 * (own - grand).powi(2);
        within += squares_about(group, own);
        means.push(Some(own + first));
    }
    let between = Line::new(filled as f64 - 1.0, between);
    let within = Line::new((all.len() - filled) as f64, within);
    let total = between.ss + within.ss;
    Ok(OneWay {
        f_test: between.over(&within),
        r_squared: if total > 0.0 { between.ss / total } else { 0.0 },
        residual_sd: within.ms.sqrt(),
        between,
        within,
        means,
    })
}

/// Lot × taster with replicates, balanced.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TwoWay {
    /// Lots.
    pub lot: Line,
    /// Tasters.
    pub taster: Line,
    /// Lot × taster.
    pub interaction: Line,
    /// Between replicates within cells.
    pub error: Line,
    /// Lots over the interaction: tasters are a sample.
    pub lot_test: Option<FRatio>,
    /// Tasters over the interaction.
    pub taster_test: Option<FRatio>,
    /// The interaction over the error.
    pub interaction_test: Option<FRatio>,
    /// Mean of all values.
    pub grand_mean: f64,
    /// Values a cell.
    pub n_replicates: usize,
}

/// Variance components of a balanced lot × taster table, all effects random.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TwoWayComponents {
    /// Between lots.
    pub lot: f64,
    /// Between tasters.
    pub taster: f64,
    /// Lot × taster.
    pub lot_taster: f64,
    /// Between replicates.
    pub error: f64,
}

impl TwoWay {
    /// The components from the expected mean squares: a mean square less the one below it, over the
    /// scores that share a level (Searle, Casella and McCulloch 1992, chapter 4; citation from
    /// memory). A negative one stays negative, for the reader to see.
    pub fn components(&self) -> TwoWayComponents {
        let r = self.n_replicates as f64;
        let n_lots = self.lot.df + 1.0;
        let n_tasters = self.taster.df + 1.0;
        let error = if self.error.df > 0.0 { self.error.ms } else { 0.0 };
        TwoWayComponents {
            lot: (self.lot.ms - self.interaction.ms) / (r * n_tasters),
            taster: (self.taster.ms - self.interaction.ms) / (r * n_lots),
            lot_taster: (self.interaction.ms - error) / r,
            error,
        }
    }
}

/// Returns the two-way analysis of variance of `cells[lot][taster]`, each cell holding the
/// same number of values (one is allowed: then there is no error line).
///
/// Tasters count as a sample, so that lots and tasters are tested over their interaction,
/// and the interaction over the error.
///
/// # Errors
/// [`AnovaError::Unbalanced`] for cells of different size (use a mixed model then);
/// [`AnovaError::TooSmall`] with fewer than two lots or tasters or no values;
/// [`AnovaError::NotFinite`].
///
/// # Source
/// Scheffé H (1959), The Analysis of Variance, chapter 8.
pub fn two_way_replicated(cells: &[Vec<Vec<f64>>]) -> Result<TwoWay, AnovaError> {
    let n_tasters = cells.first().map_or(0, Vec::len);
    let r = cells.first().and_then(|l| l.first()).map_or(0, Vec::len);
    for (lot, row) in cells.iter().enumerate() {
        for taster in 0..row.len().max(n_tasters) {
            let found = row.get(taster).map_or(0, Vec::len);
            if found != r || taster >= n_tasters {
                return Err(AnovaError::Unbalanced {
                    lot,
                    taster,
                    found,
                    expected: if taster >= n_tasters { 0 } else { r },
                });
            }
        }
    }
    let n_lots = cells.len();
    let values: Vec<f64> = cells.iter().flatten().flatten().copied().collect();
    if n_lots < 2 || n_tasters < 2 || r == 0 {
        return Err(AnovaError::TooSmall { groups: n_lots.min(n_tasters), values: values.len() });
    }
    check_finite(&values)?;
    let first = values[0];
    let cell_means: Vec<Vec<f64>> =
        cells.iter().map(|row| row.iter().map(|c| mean_shifted(c, first)).collect()).collect();
    let lot_means: Vec<f64> = cell_means.iter().map(|row| mean(row)).collect();
    let taster_means: Vec<f64> = (0..n_tasters)
        .map(|t| mean(&cell_means.iter().map(|row| row[t]).collect::<Vec<_>>()))
        .collect();
    let grand = mean(&lot_means);
    let (i, j, k) = (n_tasters as f64, n_lots as f64, r as f64);
    let lot_ss = i * k * squares_about(&lot_means, grand);
    let taster_ss = j * k * squares_about(&taster_means, grand);
    let mut interaction_ss = 0.0;
    let mut error_ss = 0.0;
    for (l, row) in cell_means.iter().enumerate() {
        for (t, own) in row.iter().enumerate() {
            interaction_ss += k * (own - lot_means[l] - taster_means[t] + grand).powi(2);
            error_ss += cells[l][t].iter().map(|v| (v - first - own).powi(2)).sum::<f64>();
        }
    }
    let least = rounding(&values, lot_ss + taster_ss + interaction_ss + error_ss);
    let line = |df: f64, ss: f64| Line::new(df, if ss > least { ss } else { 0.0 });
    let lot = line(j - 1.0, lot_ss);
    let taster = line(i - 1.0, taster_ss);
    let interaction = line((i - 1.0) * (j - 1.0), interaction_ss);
    let error = line(i * j * (k - 1.0), error_ss);
    Ok(TwoWay {
        lot_test: lot.over(&interaction),
        taster_test: taster.over(&interaction),
        interaction_test: interaction.over(&error),
        lot,
        taster,
        interaction,
        error,
        grand_mean: grand + first,
        n_replicates: r,
    })
}

pub(crate) fn check_finite(values: &[f64]) -> Result<(), AnovaError> {
    match values.iter().position(|v| !v.is_finite()) {
        Some(index) => Err(AnovaError::NotFinite { index, found: values[index] }),
        None => Ok(()),
    }
}

/// Up to what a sum of squares of these values is nothing but the rounding of their digits, and no
/// ratio may rest on it; `total` is their whole sum of squares.
pub(crate) fn rounding(values: &[f64], total: f64) -> f64 {
    let largest = values.iter().fold(0.0_f64, |m, v| m.max(v.abs()));
    let digit = 4.0 * f64::EPSILON * largest;
    (1e-20 * total).max(values.len() as f64 * digit * digit)
}

/// Codes made gapless from 0, in the order of the codes.
pub(crate) fn dense(codes: &[u32]) -> (Vec<usize>, usize) {
    let mut levels = codes.to_vec();
    levels.sort_unstable();
    levels.dedup();
    let at = codes.iter().map(|c| levels.partition_point(|l| l < c)).collect();
    (at, levels.len())
}

/// Mean; 0 for no values.
pub(crate) fn mean(values: &[f64]) -> f64 {
    match values.first() {
        Some(&first) => mean_shifted(values, first) + first,
        None => 0.0,
    }
}

fn mean_shifted(values: &[f64], shift: f64) -> f64 {
    let n = values.len() as f64;
    let rough = values.iter().map(|v| v - shift).sum::<f64>() / n;
    // The second pass takes back what rounding of the sum lost.
    rough + values.iter().map(|v| v - shift - rough).sum::<f64>() / n
}

/// Sum of squared deviations from `centre`.
pub(crate) fn squares_about(values: &[f64], centre: f64) -> f64 {
    values.iter().map(|v| (v - centre).powi(2)).sum()
}
