//! The taster model: every taster's offset, use of the scale and noise estimated together.

use super::{Estimate, NotEstimated, TasterError, TasterRow};
use crate::anova::{mean, squares_about};
use crate::dist::{chi2_quantile, chi2_quantile_upper};
use crate::rng::quantile_of_sorted;
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};

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
/// Offsets and slopes: jackknife over lots (a lot with all its sessions), t on lots - 1
/// degrees of freedom; noise: chi-square on the scores beyond one a cell; with one score a
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
/// inner error says why there is no model: fewer than three tasters or four lots, or lots
/// that the panel does not tell apart (reliability below one half).
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

/// A taster's scores of a lot in a session.
#[derive(Debug, Clone, Copy)]
struct Cell {
    taster: usize,
    n: f64,
    mean: f64,
    within: f64,
}

/// A lot in a session.
#[derive(Debug, Clone)]
struct Unit {
    lot: usize,
    session: usize,
    cells: Vec<Cell>,
}

struct Cells {
    tasters: Vec<u32>,
    lots: Vec<u32>,
    /// Places of the tasters that take part.
    taking: Vec<usize>,
    n_sessions: usize,
    units: Vec<Unit>,
    /// Of all scores: sum and number by lot.
    raw: Vec<(f64, usize)>,
    n_scores: Vec<usize>,
    n_lots: Vec<usize>,
}

impl Cells {
    fn new(rows: &[TasterRow], tasters: &[u32], lots: &[u32]) -> Result<Self, NotEstimated> {
        let place = |all: &[u32], x: u32| all.partition_point(|y| *y < x);
        let mut sessions: Vec<u32> = rows.iter().map(|r| r.session).collect();
        sessions.sort_unstable();
        sessions.dedup();
        let mut own: Vec<Vec<f64>> = vec![Vec::new(); tasters.len()];
        let mut own_lots: Vec<BTreeSet<usize>> = vec![BTreeSet::new(); tasters.len()];
        let mut cells: BTreeMap<(usize, usize, usize), Vec<f64>> = BTreeMap::new();
        let mut raw = vec![(0.0, 0); lots.len()];
        for r in rows {
            let (lot, taster) = (place(lots, r.lot), place(tasters, r.taster));
            own[taster].push(r.value);
            own_lots[taster].insert(lot);
            raw[lot].0 += r.value;
            raw[lot].1 += 1;
            cells.entry((lot, place(&sessions, r.session), taster)).or_default().push(r.value);
        }
        let takes: Vec<bool> = (0..tasters.len())
            .map(|t| own_lots[t].len() >= 3 && squares_about(&own[t], mean(&own[t])) > 0.0)
            .collect();
        let mut units: Vec<Unit> = Vec::new();
        for ((lot, session, taster), values) in cells {
            if !takes[taster] {
                continue;
            }
            let centre = mean(&values);
            let cell = Cell {
                taster,
                n: values.len() as f64,
                mean: centre,
                within: squares_about(&values, centre),
            };
            match units.last_mut().filter(|u| u.lot == lot && u.session == session) {
                Some(unit) => unit.cells.push(cell),
                None => units.push(Unit { lot, session, cells: vec![cell] }),
            }
        }
        let found = Self {
            tasters: tasters.to_vec(),
            lots: lots.to_vec(),
            taking: (0..tasters.len()).filter(|t| takes[*t]).collect(),
            n_sessions: sessions.len(),
            units,
            raw,
            n_scores: own.iter().map(Vec::len).collect(),
            n_lots: own_lots.iter().map(BTreeSet::len).collect(),
        };
        if found.taking.len() < 3 {
            return Err(NotEstimated::TooFewOthers);
        }
        if found.lots_used().len() < 4 {
            return Err(NotEstimated::TooFewLots);
        }
        Ok(found)
    }

    fn lots_used(&self) -> BTreeSet<usize> {
        self.units.iter().map(|u| u.lot).collect()
    }

    fn repeated(&self) -> bool {
        self.units.iter().flat_map(|u| &u.cells).any(|c| c.n > 1.0)
    }
}

/// The parameters; entries of tasters who take no part are not used.
#[derive(Debug, Clone)]
struct Parameters {
    a: Vec<f64>,
    b: Vec<f64>,
    noise: Vec<f64>,
    lots: f64,
    disagreement: f64,
}

impl Parameters {
    fn variance(&self, c: &Cell) -> f64 {
        self.disagreement + self.noise[c.taster] / c.n
    }

    /// In a form in which steps can be stretched.
    fn flat(&self, taking: &[usize]) -> Vec<f64> {
        let mut all = Vec::with_capacity(3 * taking.len() + 2);
        for &t in taking {
            all.extend([self.a[t], self.b[t], self.noise[t].ln()]);
        }
        all.push(self.lots.ln());
        all.push(if self.disagreement > 0.0 { self.disagreement.ln() } else { 0.0 });
        all
    }

    fn set(&mut self, taking: &[usize], flat: &[f64]) {
        for (i, &t) in taking.iter().enumerate() {
            self.a[t] = flat[3 * i];
            self.b[t] = flat[3 * i + 1];
            self.noise[t] = flat[3 * i + 2].exp();
        }
        self.lots = flat[3 * taking.len()].exp();
        if self.disagreement > 0.0 {
            self.disagreement = flat[3 * taking.len() + 1].exp();
        }
    }
}

/// The smallest variances that are told from 0, as shares of the scores' variance.
const FLOOR: f64 = 1e-6;

/// Each taster's noise is drawn to the common one as if by so many scores, so that nobody's
/// can fall to 0.
const PRIOR_DF: f64 = 2.0;

struct Search<'a> {
    cells: &'a Cells,
    without: Option<usize>,
    floor: f64,
}

impl Search<'_> {
    fn units(&self) -> impl Iterator<Item = &Unit> {
        self.cells.units.iter().filter(|u| Some(u.lot) != self.without)
    }

    fn start(&self) -> Parameters {
        let n = self.cells.tasters.len();
        let mut sums = vec![(0.0, 0.0, 0.0, 0.0); n];
        for c in self.units().flat_map(|u| &u.cells) {
            let s = &mut sums[c.taster];
            s.0 += c.mean;
            s.1 += 1.0;
            s.2 += c.within;
            s.3 += c.n - 1.0;
        }
        let a: Vec<f64> = sums.iter().map(|s| if s.1 > 0.0 { s.0 / s.1 } else { 0.0 }).collect();
        let mut between = (0.0, 0.0);
        for u in self.units() {
            let level = u.cells.iter().map(|c| c.mean - a[c.taster]).sum::<f64>();
            between.0 += (level / u.cells.len() as f64).powi(2);
            between.1 += 1.0;
        }
        let lots = (between.0 / between.1).max(self.floor);
        let noise =
            sums.iter().map(|s| if s.3 > 0.0 { s.2 / s.3 } else { lots }.max(self.floor)).collect();
        let disagreement = if self.cells.repeated() { 0.25 * lots } else { 0.0 };
        Parameters { a, b: vec![1.0; n], noise, lots, disagreement }
    }

    /// The common noise: the harmonic mean of the tasters', which is the likeliest under the
    /// prior.
    fn prior_noise(&self, p: &Parameters) -> f64 {
        let taking = &self.cells.taking;
        taking.len() as f64 / taking.iter().map(|&t| 1.0 / p.noise[t]).sum::<f64>()
    }

    fn penalty(&self, p: &Parameters) -> f64 {
        let prior = self.prior_noise(p);
        let of = |t: &usize| PRIOR_DF * ((p.noise[*t] / prior).ln() + prior / p.noise[*t] - 1.0);
        self.cells.taking.iter().map(of).sum()
    }

    /// One ECM step; returns -2 log L of the parameters it started from.
    fn step(&self, p: &mut Parameters) -> f64 {
        let n = p.a.len();
        // For each taster: sum of w, w m, w (m2 + V), w y, w y m.
        let mut line = vec![[0.0; 5]; n];
        let (mut lots, mut n_units) = (0.0, 0.0);
        let mut minus2 = self.penalty(p);
        let mut seen: Vec<(f64, f64)> = Vec::with_capacity(self.cells.units.len());
        for u in self.units() {
            let (mut precision, mut pull, mut squares) = (1.0 / p.lots, 0.0, 0.0);
            for c in &u.cells {
                let v = p.variance(c);
                let r = c.mean - p.a[c.taster];
                precision += p.b[c.taster] * p.b[c.taster] / v;
                pull += p.b[c.taster] * r / v;
                squares += r * r / v;
                minus2 +=
                    v.ln() + (c.n - 1.0) * p.noise[c.taster].ln() + c.within / p.noise[c.taster];
                minus2 += c.n.ln() + c.n * (2.0 * std::f64::consts::PI).ln();
            }
            let m = pull / precision;
            minus2 += p.lots.ln() + precision.ln() + squares - pull * m;
            lots += m * m + 1.0 / precision;
            n_units += 1.0;
            seen.push((m, 1.0 / precision));
            for c in &u.cells {
                let w = 1.0 / p.variance(c);
                let s = &mut line[c.taster];
                s[0] += w;
                s[1] += w * m;
                s[2] += w * (m * m + 1.0 / precision);
                s[3] += w * c.mean;
                s[4] += w * c.mean * m;
            }
        }
        for &t in &self.cells.taking {
            let s = line[t];
            let determinant = s[0] * s[2] - s[1] * s[1];
            if determinant > 0.0 {
                p.b[t] = (s[0] * s[4] - s[1] * s[3]) / determinant;
                p.a[t] = (s[3] - p.b[t] * s[1]) / s[0];
            }
        }
        // Squares about the lines, with what the lots' own error adds.
        let left = |(m, v_unit): (f64, f64), c: &Cell, p: &Parameters| {
            let b = p.b[c.taster];
            (c.mean - p.a[c.taster] - b * m).powi(2) + b * b * v_unit
        };
        if p.disagreement > 0.0 {
            let (mut up, mut down) = (0.0, 0.0);
            for (u, seen) in self.units().zip(&seen) {
                for c in &u.cells {
                    let v = p.variance(c);
                    up += left(*seen, c, p) / (v * v);
                    down += 1.0 / v;
                }
            }
            p.disagreement *= (up / down).sqrt();
            if p.disagreement < 1e-4 * self.prior_noise(p) {
                p.disagreement = 0.0;
            }
        }
        let prior = self.prior_noise(p);
        let mut noise = vec![(PRIOR_DF * prior, PRIOR_DF); n];
        for (u, seen) in self.units().zip(&seen) {
            for c in &u.cells {
                let v = p.variance(c);
                let own = p.noise[c.taster] / c.n;
                let share = (own / v).powi(2) * left(*seen, c, p);
                let s = &mut noise[c.taster];
                s.0 += c.within + c.n * (share + p.disagreement * own / v);
                s.1 += c.n;
            }
        }
        for &t in &self.cells.taking {
            p.noise[t] = (noise[t].0 / noise[t].1).max(self.floor);
        }
        p.lots = (lots / n_units).max(self.floor);
        minus2
    }

    fn minus2(&self, p: &Parameters) -> f64 {
        self.step(&mut p.clone())
    }

    /// Steps until nothing moves: two plain ones, then one stretched along them, kept only if
    /// the likelihood does not fall.
    fn run(&self, p: &mut Parameters, tolerance: f64, most: usize) -> (usize, bool) {
        let taking = &self.cells.taking;
        let mut used = 0;
        while used < most {
            let x0 = p.flat(taking);
            let had = p.disagreement > 0.0;
            self.step(p);
            let x1 = p.flat(taking);
            self.step(p);
            let x2 = p.flat(taking);
            used += 2;
            if had != (p.disagreement > 0.0) {
                continue;
            }
            let moved = x1.iter().zip(&x2).fold(0.0_f64, |m, (a, b)| m.max((a - b).abs()));
            let (mut rr, mut vv) = (0.0, 0.0);
            for ((a, b), c) in x0.iter().zip(&x1).zip(&x2) {
                rr += (b - a) * (b - a);
                vv += (c - 2.0 * b + a) * (c - 2.0 * b + a);
            }
            if moved < tolerance {
                return (used, true);
            }
            if vv > 0.0 {
                let stretch = -(rr / vv).sqrt().clamp(1.0, 256.0);
                let tried: Vec<f64> = x0
                    .iter()
                    .zip(&x1)
                    .zip(&x2)
                    .map(|((a, b), c)| {
                        let (r, v) = (b - a, c - 2.0 * b + a);
                        a - 2.0 * stretch * r + stretch * stretch * v
                    })
                    .collect();
                let mut q = p.clone();
                q.set(taking, &tried);
                q.noise.iter_mut().for_each(|s| *s = s.max(self.floor));
                q.lots = q.lots.max(self.floor);
                let now = self.minus2(p);
                // A step from the stretched point both steadies it and gives its likelihood.
                let mut r = q.clone();
                let far = self.step(&mut r);
                used += 2;
                if far.is_finite() && far <= now {
                    *p = r;
                }
            }
        }
        (used, false)
    }
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
    let reliability = reliability(&whole, &p);
    if reliability < 0.5 {
        return Err(NotEstimated::LotsAlike);
    }
    let lots = cells.lots_used();
    let left_out: Result<Vec<Parameters>, NotEstimated> = lots
        .iter()
        .map(|&lot| {
            let search = Search { without: Some(lot), ..whole };
            fitted(&search, p.clone(), 1e-4, 500).map(|f| f.0)
        })
        .collect();
    let centre = |p: &Parameters| {
        cells.taking.iter().map(|&t| p.a[t]).sum::<f64>() / cells.taking.len() as f64
    };
    let n = lots.len() as f64;
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
            .map(|(lot, effect)| CorrectedLot {
                lot: cells.lots[*lot],
                raw: cells.raw[*lot].0 / cells.raw[*lot].1 as f64,
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
