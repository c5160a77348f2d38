//! Intraclass correlation: how much of a score is the lot.

use crate::anova::{AnovaError, Line, two_way_replicated};
use crate::dist::{f_quantile_upper, f_sf};
use crate::rng::{Stream, quantile_of_sorted, replicates};
use serde::Serialize;
use thiserror::Error;

/// Why an intraclass correlation has no value.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum IccError {
    /// The table is no complete lots × tasters table.
    #[error("the table cannot be analysed: {0}")]
    Table(#[from] AnovaError),
    /// Nothing varies: 0/0.
    #[error("all scores are alike, so there is no share to speak of")]
    NoVariation,
    /// A component that is negative or not a number.
    #[error("the {which} component is {found}, expected a variance of 0 or more")]
    BadComponent {
        /// Its name.
        which: &'static str,
        /// What stood there.
        found: f64,
    },
    /// A level outside 0 to 1, no tasters, or no resamples.
    #[error("an interval needs a level between 0 and 1, a taster and at least one resample")]
    BadInterval,
    /// Codes that do not fit their number of levels or the number of rows.
    #[error("part {part} has codes that do not fit its {n_levels} levels or the number of rows")]
    BadCodes {
        /// Its place in the input, from 0.
        part: usize,
        /// Levels it says it has.
        n_levels: usize,
    },
}

/// The six forms of Shrout and Fleiss.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub enum IccForm {
    /// ICC(1,1): each lot by other tasters; one score.
    OneWaySingle,
    /// ICC(2,1): tasters a sample, absolute agreement; one score. Also called ICC(A,1).
    AgreementSingle,
    /// ICC(3,1): these tasters only, consistency; one score. Also called ICC(C,1).
    ConsistencySingle,
    /// ICC(1,k): the mean of k scores.
    OneWayMean,
    /// ICC(2,k), ICC(A,k): the mean of the panel.
    AgreementMean,
    /// ICC(3,k), ICC(C,k): the mean of the panel.
    ConsistencyMean,
}

/// One intraclass correlation with limits.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Icc {
    /// Which form.
    pub form: IccForm,
    /// The estimate; may be negative.
    pub value: f64,
    /// F of the test that it is 0.
    pub f: f64,
    /// Numerator degrees of freedom.
    pub df1: f64,
    /// Denominator degrees of freedom.
    pub df2: f64,
    /// Upper tail of that F.
    pub p_value: f64,
    /// Lower limit.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
}

/// All six forms and the mean squares they come from.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SixIccs {
    /// In the order of Shrout and Fleiss: (1,1) (2,1) (3,1) (1,k) (2,k) (3,k).
    pub forms: Vec<Icc>,
    /// Between lots (BMS).
    pub lots: Line,
    /// Between tasters (JMS).
    pub tasters: Line,
    /// What is left (EMS).
    pub residual: Line,
    /// Within lots (WMS).
    pub within: Line,
    /// Coverage of the limits.
    pub level: f64,
}

/// Returns the six intraclass correlations of a complete table with one row a lot and one
/// column a taster, one score a cell.
///
/// With n lots, k tasters and the mean squares B (lots), J (tasters), E (rest), W (within
/// lots): ICC(1,1) `(B-W)/(B+(k-1)W)`, ICC(2,1) `(B-E)/(B+(k-1)E+k(J-E)/n)`, ICC(3,1)
/// `(B-E)/(B+(k-1)E)`, and for means `(B-W)/B`, `(B-E)/(B+(J-E)/n)`, `(B-E)/B`. The limits
/// of forms 1 and 3 are exact for normal data, those of form 2 approximate, with degrees of
/// freedom v that are not rounded. All forms depend on how different the lots are: the same
/// tasters score lower on lots that are alike. If nothing is left over (E = 0) the F is
/// infinite and the limits are 1.
///
/// # Errors
/// [`IccError::Table`] for gaps, ragged rows, fewer than two lots or tasters;
/// [`IccError::NoVariation`]; [`IccError::BadInterval`].
///
/// # Source
/// Shrout PE, Fleiss JL (1979), Psychological Bulletin 86:420-428.
pub fn shrout_fleiss(lots: &[Vec<f64>], level: f64) -> Result<SixIccs, IccError> {
    if !(level > 0.0 && level < 1.0) {
        return Err(IccError::BadInterval);
    }
    let cells: Vec<Vec<Vec<f64>>> =
        lots.iter().map(|row| row.iter().map(|&v| vec![v]).collect()).collect();
    let table = two_way_replicated(&cells)?;
    let n = table.lot.df + 1.0;
    let k = table.taster.df + 1.0;
    let within_ss = table.taster.ss + table.interaction.ss;
    let within = Line { df: n * (k - 1.0), ss: within_ss, ms: within_ss / (n * (k - 1.0)) };
    let (b, j, e, w) = (table.lot.ms, table.taster.ms, table.interaction.ms, within.ms);
    if b + j + e <= 0.0 {
        return Err(IccError::NoVariation);
    }
    let tail = (1.0 - level) / 2.0;
    let ratio = |over: f64| if over > 0.0 { b / over } else { f64::INFINITY };
    let share = |up: f64, down: f64| if down == 0.0 { 0.0 } else { up / down };

    // Forms 1 and 3: limits from the F ratio itself.
    let exact = |error: f64, df2: f64| {
        let f = ratio(error);
        let low = f / f_quantile_upper(tail, n - 1.0, df2);
        let high = f * f_quantile_upper(tail, df2, n - 1.0);
        (f, low, high)
    };
    let single = |f: f64| {
        if f.is_finite() { (f - 1.0) / (f + k - 1.0) } else { 1.0 }
    };
    let mean = |f: f64| 1.0 - 1.0 / f;
    let (f1, low1, high1) = exact(w, within.df);
    let (f3, low3, high3) = exact(e, table.interaction.df);

    let single2 = share(b - e, b + (k - 1.0) * e + k * (j - e) / n);
    let mean2 = share(b - e, b + (j - e) / n);
    let (low2, high2) = agreement_limits(n, k, (b, j, e), single2, tail);
    let to_mean = |r: f64| k * r / (1.0 + (k - 1.0) * r);

    let make = |form, value, f: f64, df2: f64, lower, upper| Icc {
        form,
        value,
        f,
        df1: n - 1.0,
        df2,
        p_value: if f.is_finite() { f_sf(f, n - 1.0, df2) } else { 0.0 },
        lower,
        upper,
    };
    let (d1, d3) = (within.df, table.interaction.df);
    let value1 = share(b - w, b + (k - 1.0) * w);
    let value3 = share(b - e, b + (k - 1.0) * e);
    let forms = vec![
        make(IccForm::OneWaySingle, value1, f1, d1, single(low1), single(high1)),
        make(IccForm::AgreementSingle, single2, f3, d3, low2, high2),
        make(IccForm::ConsistencySingle, value3, f3, d3, single(low3), single(high3)),
        make(IccForm::OneWayMean, share(b - w, b), f1, d1, mean(low1), mean(high1)),
        make(IccForm::AgreementMean, mean2, f3, d3, to_mean(low2), to_mean(high2)),
        make(IccForm::ConsistencyMean, share(b - e, b), f3, d3, mean(low3), mean(high3)),
    ];
    Ok(SixIccs {
        forms,
        lots: table.lot,
        tasters: table.taster,
        residual: table.interaction,
        within,
        level,
    })
}

/// Limits of ICC(2,1), with degrees of freedom v after Satterthwaite.
fn agreement_limits(n: f64, k: f64, (b, j, e): (f64, f64, f64), rho: f64, tail: f64) -> (f64, f64) {
    if e <= 0.0 && j <= 0.0 {
        return (1.0, 1.0);
    }
    let fj = if e > 0.0 { j / e } else { f64::INFINITY };
    let v = if fj.is_finite() {
        let spread = n * (1.0 + (k - 1.0) * rho) - k * rho;
        let whole = k * rho * fj + spread;
        (k - 1.0) * (n - 1.0) * whole * whole
            / ((n - 1.0) * (k * rho * fj).powi(2) + spread * spread)
    } else {
        k - 1.0
    };
    let f_low = f_quantile_upper(tail, n - 1.0, v);
    let f_high = f_quantile_upper(tail, v, n - 1.0);
    let rest = k * j + (k * n - k - n) * e;
    let low = n * (b - f_low * e) / (f_low * rest + n * b);
    let high = n * (f_high * b - e) / (rest + n * f_high * b);
    (low, high)
}

/// Variance components of one term's scores.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct IccComponents {
    /// Between lots.
    pub lot: f64,
    /// Between tasters (offsets).
    pub taster: f64,
    /// Lot × taster.
    pub lot_taster: f64,
    /// All that changes from one score to the next of the same lot and taster.
    pub residual: f64,
}

/// Agreement and consistency from variance components.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ComponentIccs {
    /// ICC(A,1): one score of one taster, offsets count against it.
    pub agreement_single: f64,
    /// ICC(C,1): one score of one taster, offsets forgiven.
    pub consistency_single: f64,
    /// ICC(A,k): the mean over the panel.
    pub agreement_mean: f64,
    /// ICC(C,k): the mean over the panel.
    pub consistency_mean: f64,
}

/// Returns agreement and consistency from variance components, for one score and for the
/// mean over `n_tasters` tasters with `n_replicates` scores each.
///
/// `ICC(A,1) = L / (L + T + LT + R)`, `ICC(C,1)` without T; for the mean T and LT are
/// divided by the tasters and R by tasters × replicates. With one score a cell from a
/// balanced table the first two equal ICC(2,1) and ICC(3,1).
///
/// # Errors
/// [`IccError::BadComponent`] for a negative component, [`IccError::NoVariation`] if all
/// are 0, [`IccError::BadInterval`] without tasters or replicates.
///
/// # Source
/// McGraw KO, Wong SP (1996), Psychological Methods 1:30-46.
pub fn from_components(
    c: &IccComponents,
    n_tasters: usize,
    n_replicates: f64,
) -> Result<ComponentIccs, IccError> {
    for (which, found) in [
        ("lot", c.lot),
        ("taster", c.taster),
        ("lot × taster", c.lot_taster),
        ("residual", c.residual),
    ] {
        if !(found >= 0.0 && found.is_finite()) {
            return Err(IccError::BadComponent { which, found });
        }
    }
    if n_tasters == 0 || n_replicates.is_nan() || n_replicates <= 0.0 {
        return Err(IccError::BadInterval);
    }
    if c.lot + c.taster + c.lot_taster + c.residual <= 0.0 {
        return Err(IccError::NoVariation);
    }
    let k = n_tasters as f64;
    let share = |noise: f64| {
        if c.lot + noise > 0.0 { c.lot / (c.lot + noise) } else { 0.0 }
    };
    let consistency = c.lot_taster + c.residual;
    let in_mean = c.lot_taster / k + c.residual / (k * n_replicates);
    Ok(ComponentIccs {
        agreement_single: share(c.taster + consistency),
        consistency_single: share(consistency),
        agreement_mean: share(c.taster / k + in_mean),
        consistency_mean: share(in_mean),
    })
}

/// One random effect of the design to be simulated: which level each row has, and the
/// variance between levels.
#[derive(Debug, Clone, PartialEq)]
pub struct SimulatedPart {
    /// Level of each row, from 0.
    pub codes: Vec<u32>,
    /// Number of levels.
    pub n_levels: usize,
    /// Variance between levels.
    pub variance: f64,
}

/// What 95% limits of [`generalised_limits`] held in simulations.
pub const COVERAGE: &str = "in simulations 95% limits held the planted truth in 94 to 97 of 100, in 98 to \
                            99 where lots hardly differ";

/// Limits of the four forms from draws: simulated tables or mean squares.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct IccIntervals {
    /// Limits of ICC(A,1).
    pub agreement_single: [f64; 2],
    /// Limits of ICC(C,1).
    pub consistency_single: [f64; 2],
    /// Limits of ICC(A,k).
    pub agreement_mean: [f64; 2],
    /// Limits of ICC(C,k).
    pub consistency_mean: [f64; 2],
    /// Coverage asked for.
    pub level: f64,
    /// Tables simulated.
    pub n_resamples: usize,
    /// Tables whose refit failed; left out.
    pub n_failed: usize,
    /// The seed of the draw.
    pub seed: u64,
}

/// Returns parametric-bootstrap limits of the four forms for any design.
///
/// Tables of normal scores with the given parts and residual variance are simulated,
/// `refit` estimates the components of each (by the method that gave the estimates), and
/// percentiles of the four forms are the limits. Fixed effects do not matter and are left
/// out. Every table has its own random stream: the result is the same on any number of
/// cores. Percentile limits lie too low in small tables: see
/// [`one_step_bootstrap`](crate::mixed::Model::one_step_bootstrap), which needs no refits.
///
/// # Errors
/// [`IccError::BadInterval`], [`IccError::BadCodes`], [`IccError::BadComponent`] for a
/// negative variance, [`IccError::NoVariation`] if every refit failed.
///
/// # Source
/// Efron B, Tibshirani RJ (1993), An Introduction to the Bootstrap, chapters 6 and 13.
pub fn parametric_bootstrap<F>(
    parts: &[SimulatedPart],
    residual: f64,
    n_rows: usize,
    panel: (usize, f64),
    interval: (f64, usize, u64),
    refit: F,
) -> Result<IccIntervals, IccError>
where
    F: Fn(&[f64]) -> Option<IccComponents> + Sync,
{
    let n_tasters = panel.0;
    let (level, n_resamples, seed) = interval;
    if !(level > 0.0 && level < 1.0) || n_resamples == 0 || n_tasters == 0 {
        return Err(IccError::BadInterval);
    }
    for (part, p) in parts.iter().enumerate() {
        if p.codes.len() != n_rows || p.codes.iter().any(|&c| c as usize >= p.n_levels) {
            return Err(IccError::BadCodes { part, n_levels: p.n_levels });
        }
    }
    for found in parts.iter().map(|p| p.variance).chain([residual]) {
        if !(found >= 0.0 && found.is_finite()) {
            return Err(IccError::BadComponent { which: "simulated", found });
        }
    }
    let one = |stream: &mut Stream| {
        let mut y = vec![0.0; n_rows];
        for part in parts {
            let sd = part.variance.sqrt();
            let effects: Vec<f64> = (0..part.n_levels).map(|_| sd * stream.normal()).collect();
            for (v, &c) in y.iter_mut().zip(&part.codes) {
                *v += effects[c as usize];
            }
        }
        let sd = residual.sqrt();
        y.iter_mut().for_each(|v| *v += sd * stream.normal());
        refit(&y)
    };
    percentile_limits(&replicates(n_resamples, seed, one), panel, (level, seed))
}

/// Returns percentile limits of the four forms from components estimated in simulated tables,
/// `None` where the estimation failed; `panel` is the number of tasters and of scores a cell,
/// `draw` the coverage and the seed of the tables.
///
/// # Errors
/// [`IccError::BadInterval`], [`IccError::NoVariation`] if no table has components.
///
/// # Source
/// As for [`parametric_bootstrap`].
pub fn percentile_limits(
    tables: &[Option<IccComponents>],
    panel: (usize, f64),
    draw: (f64, u64),
) -> Result<IccIntervals, IccError> {
    let (n_tasters, n_replicates) = panel;
    let (level, seed) = draw;
    if !(level > 0.0 && level < 1.0) || tables.is_empty() || n_tasters == 0 {
        return Err(IccError::BadInterval);
    }
    let drawn: Vec<ComponentIccs> = tables
        .iter()
        .flatten()
        .filter_map(|c| from_components(c, n_tasters, n_replicates).ok())
        .collect();
    let tail = (1.0 - level) / 2.0;
    let limits = |pick: fn(&ComponentIccs) -> f64| -> Result<[f64; 2], IccError> {
        let mut values: Vec<f64> = drawn.iter().map(pick).collect();
        values.sort_by(f64::total_cmp);
        let at = |p| quantile_of_sorted(&values, p).ok_or(IccError::NoVariation);
        Ok([at(tail)?, at(1.0 - tail)?])
    };
    Ok(IccIntervals {
        agreement_single: limits(|c| c.agreement_single)?,
        consistency_single: limits(|c| c.consistency_single)?,
        agreement_mean: limits(|c| c.agreement_mean)?,
        consistency_mean: limits(|c| c.consistency_mean)?,
        level,
        n_resamples: tables.len(),
        n_failed: tables.len() - drawn.len(),
        seed,
    })
}

/// Returns generalised confidence limits of the four forms for any layout, from the variances'
/// estimates and their covariance (both with the residual first, then from the finest term to the
/// coarsest, lots last), `pick` naming what each variance counts as.
///
/// With `covariance = L D L'`, L of unit diagonal, `theta = L^-1 estimates` are uncorrelated; in
/// balanced tables they are mean squares over what is common to them, and so each is taken as
/// `theta_i chi2(df_i) / df_i` with `df_i = 2 theta_i^2 / D_ii` (exact in balanced tables). Draws
/// `theta_i df_i / chi2`, brought back by L, negative variances set to 0, give draws of the
/// correlations; the limits are their percentiles. Draw i has stream i of the seed.
///
/// How they cover, 95% limits over 1,000 tables with planted variances each: in 94.1 to 97.1% with 6
/// lots by 5 tasters by 2 scores, 8 by 5 with a fifth of the scores lost, 12 by 8 by 2, and 25 lots in
/// 10 sessions of 6 tasters; in 98 to 99% with 6 lots that hardly differ; see [`COVERAGE`].
///
/// # Errors
/// [`IccError::BadInterval`]; [`IccError::BadCodes`] if the covariance does not fit the estimates;
/// [`IccError::NoVariation`] if nothing varies.
///
/// # Source
/// Weerahandi S (1993), Journal of the American Statistical Association 88:899-905; for two-way
/// layouts: Burdick RK, Borror CM, Montgomery DC (2005), Design and Analysis of Gauge R&R Studies,
/// chapter 3; degrees of freedom: Satterthwaite FE (1946), Biometrics Bulletin 2:110-114 (citations
/// from memory). Uncorrelated combinations in unbalanced tables are our choice.
pub fn generalised_limits(
    estimates: &[f64],
    covariance: &[Vec<f64>],
    pick: impl Fn(&[f64]) -> IccComponents + Sync,
    panel: (usize, f64),
    (level, n_draws, seed): (f64, usize, u64),
) -> Result<IccIntervals, IccError> {
    let k = estimates.len();
    if k == 0 || covariance.len() != k || covariance.iter().any(|row| row.len() != k) {
        return Err(IccError::BadCodes { part: 0, n_levels: k });
    }
    if n_draws == 0 {
        return Err(IccError::BadInterval);
    }
    // L and D, row by row.
    let mut lower = vec![vec![0.0; k]; k];
    let mut spread = vec![0.0; k];
    for i in 0..k {
        for j in 0..i {
            let known: f64 = (0..j).map(|l| lower[i][l] * lower[j][l] * spread[l]).sum();
            let over = spread[j];
            lower[i][j] = if over > 0.0 { (covariance[i][j] - known) / over } else { 0.0 };
        }
        lower[i][i] = 1.0;
        let known: f64 = (0..i).map(|l| lower[i][l] * lower[i][l] * spread[l]).sum();
        spread[i] = covariance[i][i] - known;
    }
    let mut theta = vec![0.0; k];
    for i in 0..k {
        theta[i] = estimates[i] - (0..i).map(|j| lower[i][j] * theta[j]).sum::<f64>();
    }
    let df: Vec<f64> = theta.iter().zip(&spread).map(|(t, d)| 2.0 * t * t / d).collect();
    let one = |stream: &mut Stream| {
        let drawn: Vec<f64> = (0..k)
            .map(|i| {
                // Every stream takes the same draws, whatever the estimates.
                let value = theta[i] * df[i] / stream.chi_square(df[i]);
                if theta[i] > 0.0 && value.is_finite() { value } else { 0.0 }
            })
            .collect();
        let variances: Vec<f64> =
            (0..k).map(|i| (0..=i).map(|j| lower[i][j] * drawn[j]).sum::<f64>().max(0.0)).collect();
        Some(pick(&variances))
    };
    percentile_limits(&replicates(n_draws, seed, one), panel, (level, seed))
}

/// Returns ICC(1,1) and ICC(1,k) of groups of any size, one a lot: as if nobody knew who scored.
///
/// From the one-way mean squares B and W with `k = (N - sum n_i^2 / N) / (lots - 1)` scores a lot;
/// the formulas and limits of [`shrout_fleiss`], exact if every lot has as many scores.
///
/// # Errors
/// [`IccError::Table`] with fewer than two lots or one score each, [`IccError::NoVariation`],
/// [`IccError::BadInterval`].
///
/// # Source
/// Shrout PE, Fleiss JL (1979), as above; k: Donner A (1986), International Statistical Review
/// 54:67-82 (from memory).
pub fn one_way_forms(groups: &[Vec<f64>], level: f64) -> Result<[Icc; 2], IccError> {
    if !(level > 0.0 && level < 1.0) {
        return Err(IccError::BadInterval);
    }
    let a = crate::anova::one_way(groups)?;
    let (b, w) = (a.between.ms, a.within.ms);
    if b + w <= 0.0 {
        return Err(IccError::NoVariation);
    }
    let n: f64 = groups.iter().map(|g| g.len() as f64).sum();
    let squares: f64 = groups.iter().map(|g| (g.len() * g.len()) as f64).sum();
    let k = (n - squares / n) / a.between.df;
    let f = if w > 0.0 { b / w } else { f64::INFINITY };
    let tail = (1.0 - level) / 2.0;
    let (d1, d2) = (a.between.df, a.within.df);
    let low = f / f_quantile_upper(tail, d1, d2);
    let high = f * f_quantile_upper(tail, d2, d1);
    let single = |f: f64| if f.is_finite() { (f - 1.0) / (f + k - 1.0) } else { 1.0 };
    let mean = |f: f64| 1.0 - 1.0 / f;
    let make = |form, of: &dyn Fn(f64) -> f64| Icc {
        form,
        value: of(f),
        f,
        df1: d1,
        df2: d2,
        p_value: if f.is_finite() { f_sf(f, d1, d2) } else { 0.0 },
        lower: of(low),
        upper: of(high),
    };
    Ok([make(IccForm::OneWaySingle, &single), make(IccForm::OneWayMean, &mean)])
}
