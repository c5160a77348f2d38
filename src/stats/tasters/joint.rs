//! The taster model: every taster's offset, use of the scale and noise estimated together.

use super::search::{Cell, Cells, FLOOR, GROUPS, Parameters, Search};
use super::{Estimate, NotEstimated, TasterError, TasterRow};
use crate::anova::{mean, squares_about};
use crate::dist::{chi2_quantile, chi2_quantile_upper};
use crate::rng::quantile_of_sorted;
use serde::Serialize;

/// One taster in the taster model.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct JointTaster {
    /// Code of the taster.
    pub taster: u32,
    /// Level at the panel's middle lot, less the panel's mean of these levels.
    pub offset: Result<Estimate, NotEstimated>,
    /// Points of the taster to one point of the panel; the slopes average 1.
    pub slope: Result<Estimate, NotEstimated>,
    /// Standard deviation of a score about the taster's own view of the lot; with one score
    /// a lot, about the taster's line.
    pub noise: Result<Estimate, NotEstimated>,
    /// Scores used.
    pub n_scores: usize,
    /// Lots of those.
    pub n_lots: usize,
}

/// The taster model of one term.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct JointModel {
    /// One entry a taster, in the order of the codes.
    pub tasters: Vec<JointTaster>,
    /// The panel's level: the mean of the tasters' levels at the middle lot.
    pub level: f64,
    /// Standard deviation of the lots, in points of the panel.
    pub lot_sd: f64,
    /// Standard deviation of lot × taster beside scale use; `None` with one score a lot and
    /// taster, where it is part of the noise.
    pub disagreement_sd: Option<f64>,
    /// Share of the variance of the weighted panel mean of a lot that is the lot's.
    pub reliability: f64,
    /// Lots corrected for offsets, scale use and noise.
    pub lots: Vec<CorrectedLot>,
    /// Median standard error of a difference of two corrected lots.
    pub se_difference: f64,
    /// Degrees of freedom of the corrected lots' intervals.
    pub df: f64,
    /// Minus twice the log-likelihood, constants included.
    pub minus2_log_likelihood: f64,
    /// Steps of the search.
    pub iterations: usize,
    /// Whether the search came to rest.
    pub converged: bool,
    /// Whether session effects are in the corrected means.
    pub sessions_adjusted: bool,
}

/// A lot's mean as scored and corrected.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CorrectedLot {
    /// Code of the lot.
    pub lot: u32,
    /// Mean of all its scores.
    pub raw: f64,
    /// Offsets and sessions taken off, every score weighing alike and every taster taken to use
    /// the scale alike: in a complete table of one session the same as `raw`.
    pub adjusted: f64,
    /// Corrected for offsets, scale use and noise, on the panel's scale.
    pub corrected: f64,
    /// Corrected mean less the mean of all corrected lots; its interval holds the tasters'
    /// disagreement and noise, not what differs between pots of a lot.
    pub effect: Estimate,
    /// Scores.
    pub n_scores: usize,
}

/// Returns the taster model: `y = a_j + b_j v_i + d_ij + e`, with `v_i ~ N(0, t2)` the lot as
/// it was in one session, `d_ij ~ N(0, g2)`, `e ~ N(0, s2_j)` and the `b_j` averaging 1.
///
/// Maximum likelihood by an ECM search (lots and disagreement as missing data; the variance of
/// the disagreement by majorisation), sped up by squared extrapolation; it has come to rest
/// when no parameter moves by more than 1e-6 (variances: by a part in 1e6). Lots are random,
/// since with fixed lots and a noise of each taster's own the likelihood has no maximum
/// (Anderson and Rubin 1956), and slopes would be pulled down. For the same reason each noise
/// is drawn to the tasters' harmonic mean `s2` as if by two scores:
/// `2 sum(ln(s2_j / s2) + s2 / s2_j - 1)` is added to -2 log L. With one score a lot and taster
/// `g2` is part of the noises.
///
/// Offsets and slopes: jackknife over lots (a lot with all its sessions; beyond 40 lots over 40
/// groups of them), t on lots (groups) - 1 degrees of freedom; noise: chi-square on the scores beyond one a cell; with one score a
/// cell jackknife of its logarithm.
///
/// Corrected lots: weighted least squares of the scores less `a_j` on `b_j` times lot (and
/// session, where lots join the sessions), weights from the variances found, each noise drawn
/// to their mean as if by twenty scores. The covariance is a sandwich with the squares each
/// taster leaves in lot × taster, so that one who sees a lot alike in all sessions counts once;
/// the part of a lot that a taster decides alone, `h`, is given back by `1 / (1 - h)^2`; the
/// slopes' own error is added as the jackknife's spread of their weighted sum. t on cells -
/// lots - 2 (tasters - 1) degrees of freedom.
///
/// Measured coverage of 95% intervals (six tasters with slopes .5 to 1.3 and noises .5 to 1.5,
/// lot sd 1; 200 tables a case, so to about 1 in 100): slopes 93 to 95%, offsets 95 to 96%,
/// corrected lots 94 to 96% with 6, 12 or 24 lots twice and with 12 lots once; noises 98 to 99%
/// with repeats, 90% with one score a lot.
///
/// A taster with fewer than three lots, or one score for everything, takes no part.
///
/// # Errors
/// [`TasterError`]: fewer than two tasters, a value that is not a number, a bad level. The
/// inner error says why there is no model: fewer than three tasters or four lots, lots
/// that the panel does not tell apart (reliability below one half), or no noise at all.
///
/// # Source
/// The model: Brockhoff PM, Skovgaard IM (1994), Food Quality and Preference 5:215-224;
/// Brockhoff PB, Schlich P, Skovgaard I (2015), Food Quality and Preference 39:156-166. The
/// search: Meng XL, Rubin DB (1993), Biometrika 80:267-278; Varadhan R, Roland C (2008),
/// Scandinavian Journal of Statistics 35:335-353. Citations from memory.
pub fn joint_model(
    rows: &[TasterRow],
    level: f64,
) -> Result<Result<JointModel, NotEstimated>, TasterError> {
    if !(level > 0.0 && level < 1.0) {
        return Err(TasterError::BadLevel { found: level });
    }
    let codes = super::paired::Codes::of(&[rows])?;
    Ok(Cells::new(rows, &codes.tasters, &codes.lots).and_then(|cells| model(&cells, level)))
}

/// Brings the slopes to a mean of 1.
fn scaled(p: &mut Parameters, taking: &[usize]) -> Result<(), NotEstimated> {
    let n = taking.len() as f64;
    let centre = taking.iter().map(|&t| p.b[t]).sum::<f64>() / n;
    let size = (taking.iter().map(|&t| p.b[t] * p.b[t]).sum::<f64>() / n).sqrt();
    // Tasters who run against each other have no common direction to be measured by.
    if centre.is_nan() || centre <= 0.2 * size {
        return Err(NotEstimated::LotsAlike);
    }
    taking.iter().for_each(|&t| p.b[t] /= centre);
    p.lots *= centre * centre;
    Ok(())
}

fn fitted(
    search: &Search,
    mut p: Parameters,
    tolerance: f64,
    most: usize,
) -> Result<(Parameters, usize, bool), NotEstimated> {
    let (iterations, converged) = search.run(&mut p, tolerance, most);
    scaled(&mut p, &search.cells.taking)?;
    Ok((p, iterations, converged))
}

/// Share of a lot's variance in that of its weighted panel mean, over units.
fn reliability(search: &Search, p: &Parameters) -> f64 {
    let shares: Vec<f64> = search
        .units()
        .map(|u| {
            let own: f64 = u.cells.iter().map(|c| p.b[c.taster].powi(2) / p.variance(c)).sum();
            1.0 - 1.0 / (1.0 + p.lots * own)
        })
        .collect();
    mean(&shares)
}

fn model(cells: &Cells, level: f64) -> Result<JointModel, NotEstimated> {
    let all: Vec<f64> = cells.units.iter().flat_map(|u| u.cells.iter().map(|c| c.mean)).collect();
    let variance = squares_about(&all, mean(&all)) / all.len() as f64;
    if variance.is_nan() || variance <= 0.0 {
        return Err(NotEstimated::NoVariation);
    }
    let whole = Search { cells, without: None, floor: FLOOR * variance };
    let (p, iterations, converged) = fitted(&whole, whole.start(), 1e-6, 5_000)?;
    // Nothing is left but the floor of the search: scores repeat themselves or lie on lines, and
    // what is weighed by such noises would seem to be sure.
    if cells.taking.iter().all(|&t| p.noise[t] <= 10.0 * whole.floor) {
        return Err(NotEstimated::NoVariation);
    }
    let reliability = reliability(&whole, &p);
    if reliability < 0.5 {
        return Err(NotEstimated::LotsAlike);
    }
    let n_groups = cells.lots_used().len().min(GROUPS);
    let left_out: Result<Vec<Parameters>, NotEstimated> = (0..n_groups)
        .map(|group| {
            let search = Search { without: Some(group), ..whole };
            fitted(&search, p.clone(), 1e-4, 500).map(|f| f.0)
        })
        .collect();
    let centre = |p: &Parameters| {
        cells.taking.iter().map(|&t| p.a[t]).sum::<f64>() / cells.taking.len() as f64
    };
    let n = n_groups as f64;
    let jackknife = |of: &dyn Fn(&Parameters) -> f64, null: f64| {
        let left_out = left_out.as_ref().map_err(|e| *e)?;
        let values: Vec<f64> = left_out.iter().map(of).collect();
        let se = ((n - 1.0) / n * squares_about(&values, mean(&values))).sqrt();
        Ok(Estimate::about(of(&p), se, n - 1.0, null, level))
    };
    let within = within(cells);
    let tasters = cells
        .tasters
        .iter()
        .enumerate()
        .map(|(t, &taster)| {
            let out = |why| (Err(why), Err(why), Err(why));
            let (offset, slope, noise) = if cells.taking.contains(&t) {
                (
                    jackknife(&|p| p.a[t] - centre(p), 0.0),
                    jackknife(&|p| p.b[t], 1.0),
                    noise_of(p.noise[t], within[t], level, &|| {
                        jackknife(&|p| 0.5 * p.noise[t].ln(), 0.0)
                    }),
                )
            } else if cells.n_lots[t] < 3 {
                out(NotEstimated::TooFewLots)
            } else {
                out(NotEstimated::NoVariation)
            };
            JointTaster {
                taster,
                offset,
                slope,
                noise,
                n_scores: cells.n_scores[t],
                n_lots: cells.n_lots[t],
            }
        })
        .collect();
    let steady = steadied(&p, cells);
    // How far the lots would stretch if other lots had shown the tasters' slopes.
    let total = weighted_slopes(&whole, &steady, &p);
    let stretch = jackknife(&|q| weighted_slopes(&whole, &steady, q) / total, 1.0)?.se;
    let means = means_of(cells, &steady, stretch);
    let corrected = super::corrected::lots(&means, cells.lots.len(), level)?;
    let plain = super::corrected::Means {
        cells: cells
            .units
            .iter()
            .flat_map(|u| &u.cells)
            .zip(&means.cells)
            .map(|(c, m)| super::corrected::CellMean { slope: 1.0, weight: c.n, ..*m })
            .collect(),
        ..means
    };
    let plain = super::corrected::lots(&plain, cells.lots.len(), level)?;
    let middle = centre(&p);
    Ok(JointModel {
        tasters,
        level: middle,
        lot_sd: p.lots.sqrt(),
        disagreement_sd: cells.repeated().then(|| p.disagreement.sqrt()),
        reliability,
        lots: corrected
            .effects
            .iter()
            .zip(&plain.effects)
            .map(|((lot, effect), (_, plain_effect))| CorrectedLot {
                lot: cells.lots[*lot],
                raw: cells.raw[*lot].0 / cells.raw[*lot].1 as f64,
                adjusted: middle + plain.centre + plain_effect.value,
                corrected: middle + corrected.centre + effect.value,
                effect: effect.clone(),
                n_scores: cells.raw[*lot].1,
            })
            .collect(),
        se_difference: corrected.se_difference,
        df: corrected.df,
        minus2_log_likelihood: whole.minus2(&p) - whole.penalty(&p),
        iterations,
        converged,
        sessions_adjusted: corrected.sessions_adjusted,
    })
}

/// Noises drawn to their mean as if by twenty scores: weights from few scores would follow
/// luck, and the lots' means with them.
fn steadied(p: &Parameters, cells: &Cells) -> Parameters {
    const SCORES: f64 = 20.0;
    let pool = mean(&cells.taking.iter().map(|&t| p.noise[t]).collect::<Vec<_>>());
    let mut steady = p.clone();
    for &t in &cells.taking {
        let n = cells.n_scores[t] as f64;
        steady.noise[t] = (n * p.noise[t] + SCORES * pool) / (n + SCORES);
    }
    steady
}

/// The slopes of `q` as they weigh in lots that are corrected with `p`.
fn weighted_slopes(search: &Search, p: &Parameters, q: &Parameters) -> f64 {
    let of = |c: &Cell| p.b[c.taster] * q.b[c.taster] / p.variance(c);
    search.units().flat_map(|u| &u.cells).map(of).sum()
}

/// Squares and degrees of freedom within the cells of each taster.
fn within(cells: &Cells) -> Vec<(f64, f64)> {
    let mut all = vec![(0.0, 0.0); cells.tasters.len()];
    for c in cells.units.iter().flat_map(|u| &u.cells) {
        all[c.taster].0 += c.within;
        all[c.taster].1 += c.n - 1.0;
    }
    all
}

fn noise_of(
    variance: f64,
    (_, df): (f64, f64),
    level: f64,
    log_jackknife: &dyn Fn() -> Result<Estimate, NotEstimated>,
) -> Result<Estimate, NotEstimated> {
    let value = variance.sqrt();
    let tail = (1.0 - level) / 2.0;
    if df >= 1.0 {
        return Ok(Estimate {
            value,
            se: value / (2.0 * df).sqrt(),
            df,
            lower: (variance * df / chi2_quantile_upper(tail, df)).sqrt(),
            upper: (variance * df / chi2_quantile(tail, df)).sqrt(),
            p_value: f64::NAN,
        });
    }
    log_jackknife().map(|e| Estimate {
        value,
        se: value * e.se,
        df: e.df,
        lower: e.lower.exp(),
        upper: e.upper.exp(),
        p_value: f64::NAN,
    })
}

/// The cells as what the corrected means are estimated from.
fn means_of(cells: &Cells, p: &Parameters, stretch: f64) -> super::corrected::Means {
    super::corrected::Means {
        n_sessions: cells.n_sessions,
        n_tasters: cells.taking.len(),
        stretch,
        cells: cells
            .units
            .iter()
            .flat_map(|u| {
                u.cells.iter().map(|c| super::corrected::CellMean {
                    lot: u.lot,
                    session: u.session,
                    taster: c.taster,
                    value: c.mean - p.a[c.taster],
                    slope: p.b[c.taster],
                    weight: 1.0 / p.variance(c),
                })
            })
            .collect(),
    }
}

/// Median of numbers.
pub(super) fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    quantile_of_sorted(&values, 0.5).unwrap_or(f64::NAN)
}
