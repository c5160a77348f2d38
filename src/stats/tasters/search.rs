//! The search behind the taster model: cells of scores, parameters, and steps to the likeliest.

use super::{NotEstimated, TasterRow};
use crate::anova::{mean, squares_about};
use std::collections::{BTreeMap, BTreeSet};

/// A taster's scores of a lot in a session.
#[derive(Debug, Clone, Copy)]
pub(super) struct Cell {
    pub(super) taster: usize,
    pub(super) n: f64,
    pub(super) mean: f64,
    pub(super) within: f64,
}

/// A lot in a session.
#[derive(Debug, Clone)]
pub(super) struct Unit {
    pub(super) lot: usize,
    pub(super) session: usize,
    pub(super) cells: Vec<Cell>,
}

pub(super) struct Cells {
    pub(super) tasters: Vec<u32>,
    pub(super) lots: Vec<u32>,
    /// Places of the tasters that take part.
    pub(super) taking: Vec<usize>,
    pub(super) n_sessions: usize,
    pub(super) units: Vec<Unit>,
    /// The group of each lot in the jackknife.
    pub(super) group: Vec<usize>,
    /// Of all scores: sum and number by lot.
    pub(super) raw: Vec<(f64, usize)>,
    pub(super) n_scores: Vec<usize>,
    pub(super) n_lots: Vec<usize>,
}

impl Cells {
    pub(super) fn new(
        rows: &[TasterRow],
        tasters: &[u32],
        lots: &[u32],
    ) -> Result<Self, NotEstimated> {
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
            group: groups(&units, lots.len()),
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

    pub(super) fn lots_used(&self) -> BTreeSet<usize> {
        self.units.iter().map(|u| u.lot).collect()
    }

    pub(super) fn repeated(&self) -> bool {
        self.units.iter().flat_map(|u| &u.cells).any(|c| c.n > 1.0)
    }
}

/// Most groups of lots that the jackknife leaves out in turn.
pub(super) const GROUPS: usize = 40;

/// Each lot a group of its own, or with many lots every fortieth together.
fn groups(units: &[Unit], n_lots: usize) -> Vec<usize> {
    let used: BTreeSet<usize> = units.iter().map(|u| u.lot).collect();
    let mut group = vec![0; n_lots];
    for (at, lot) in used.into_iter().enumerate() {
        group[lot] = at % GROUPS;
    }
    group
}

/// The parameters; entries of tasters who take no part are not used.
#[derive(Debug, Clone)]
pub(super) struct Parameters {
    pub(super) a: Vec<f64>,
    pub(super) b: Vec<f64>,
    pub(super) noise: Vec<f64>,
    pub(super) lots: f64,
    pub(super) disagreement: f64,
}

impl Parameters {
    pub(super) fn variance(&self, c: &Cell) -> f64 {
        self.disagreement + self.noise[c.taster] / c.n
    }

    /// In a form in which steps can be stretched.
    pub(super) fn flat(&self, taking: &[usize]) -> Vec<f64> {
        let mut all = Vec::with_capacity(3 * taking.len() + 2);
        for &t in taking {
            all.extend([self.a[t], self.b[t], self.noise[t].ln()]);
        }
        all.push(self.lots.ln());
        all.push(if self.disagreement > 0.0 { self.disagreement.ln() } else { 0.0 });
        all
    }

    pub(super) fn set(&mut self, taking: &[usize], flat: &[f64]) {
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
pub(super) const FLOOR: f64 = 1e-6;

/// Each taster's noise is drawn to the common one as if by so many scores, so that nobody's
/// can fall to 0.
const PRIOR_DF: f64 = 2.0;

pub(super) struct Search<'a> {
    pub(super) cells: &'a Cells,
    /// The group of lots that is left out.
    pub(super) without: Option<usize>,
    pub(super) floor: f64,
}

impl Search<'_> {
    pub(super) fn units(&self) -> impl Iterator<Item = &Unit> {
        let out = |lot: usize| self.without.is_some_and(|g| self.cells.group[lot] == g);
        self.cells.units.iter().filter(move |u| !out(u.lot))
    }

    pub(super) fn start(&self) -> Parameters {
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
    pub(super) fn prior_noise(&self, p: &Parameters) -> f64 {
        let taking = &self.cells.taking;
        taking.len() as f64 / taking.iter().map(|&t| 1.0 / p.noise[t]).sum::<f64>()
    }

    pub(super) fn penalty(&self, p: &Parameters) -> f64 {
        let prior = self.prior_noise(p);
        let of = |t: &usize| PRIOR_DF * ((p.noise[*t] / prior).ln() + prior / p.noise[*t] - 1.0);
        self.cells.taking.iter().map(of).sum()
    }

    /// One ECM step; returns -2 log L of the parameters it started from.
    pub(super) fn step(&self, p: &mut Parameters) -> f64 {
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

    pub(super) fn minus2(&self, p: &Parameters) -> f64 {
        self.step(&mut p.clone())
    }

    /// Steps until nothing moves: two plain ones, then one stretched along them, kept only if
    /// the likelihood does not fall.
    pub(super) fn run(&self, p: &mut Parameters, tolerance: f64, most: usize) -> (usize, bool) {
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
