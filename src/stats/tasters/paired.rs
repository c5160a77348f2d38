//! Scores of one term arranged cup by cup, and each taster's cups paired with the others'.

use super::{NotEstimated, TasterError, TasterRow};
use crate::anova::{mean, squares_about};
use std::collections::BTreeMap;

/// The lots and tasters of all terms, so that every term uses the same numbers for them.
#[derive(Debug, Clone)]
pub(super) struct Codes {
    pub(super) tasters: Vec<u32>,
    pub(super) lots: Vec<u32>,
}

impl Codes {
    pub(super) fn of(terms: &[&[TasterRow]]) -> Result<Self, TasterError> {
        for (term, rows) in terms.iter().enumerate() {
            for (row, r) in rows.iter().enumerate() {
                for found in [Some(r.value), r.month].into_iter().flatten() {
                    if !found.is_finite() {
                        return Err(TasterError::NotFinite { term, row, found });
                    }
                }
            }
        }
        let levels = |pick: fn(&TasterRow) -> u32| {
            let mut all: Vec<u32> = terms.iter().flat_map(|t| t.iter().map(pick)).collect();
            all.sort_unstable();
            all.dedup();
            all
        };
        let codes = Self { tasters: levels(|r| r.taster), lots: levels(|r| r.lot) };
        if codes.tasters.len() < 2 {
            return Err(TasterError::TooFewTasters { found: codes.tasters.len() });
        }
        Ok(codes)
    }
}

/// A row with lot and taster as places in [`Codes`].
#[derive(Debug, Clone, Copy)]
pub(super) struct Placed {
    pub(super) lot: usize,
    pub(super) taster: usize,
    pub(super) row: TasterRow,
}

/// One cup of a taster beside what the others said of it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Pair {
    pub(super) placed: Placed,
    /// Mean of the others, as they scored.
    pub(super) others: f64,
    /// Mean of the others after each one's offset was taken out, so that it does not jump
    /// when one of them is absent.
    pub(super) level: f64,
}

/// A taster's mean of a lot beside the others' mean over the same cups.
#[derive(Debug, Clone, Copy)]
pub(super) struct LotPoint {
    pub(super) lot: usize,
    pub(super) family: u32,
    pub(super) own: f64,
    pub(super) others: f64,
    pub(super) difference: f64,
}

/// One term.
#[derive(Debug, Clone)]
pub(super) struct Term {
    n_tasters: usize,
    pub(super) rows: Vec<Placed>,
    cups: Vec<Vec<usize>>,
    cup_of: Vec<usize>,
    /// Offsets of the additive model taster + cup, with mean 0.
    pub(super) effects: Vec<f64>,
}

impl Term {
    pub(super) fn new(rows: &[TasterRow], codes: &Codes) -> Self {
        let rows: Vec<Placed> = rows
            .iter()
            .map(|&row| Placed {
                lot: codes.lots.partition_point(|l| *l < row.lot),
                taster: codes.tasters.partition_point(|t| *t < row.taster),
                row,
            })
            .collect();
        let mut by_cup: BTreeMap<u32, Vec<usize>> = BTreeMap::new();
        for (i, r) in rows.iter().enumerate() {
            by_cup.entry(r.row.cup).or_default().push(i);
        }
        let cups: Vec<Vec<usize>> = by_cup.into_values().collect();
        let mut cup_of = vec![0; rows.len()];
        for (c, members) in cups.iter().enumerate() {
            for &i in members {
                cup_of[i] = c;
            }
        }
        let n_tasters = codes.tasters.len();
        let effects = additive(&rows, &cups, n_tasters);
        Self { n_tasters, rows, cups, cup_of, effects }
    }

    pub(super) fn cup_of(&self, row: usize) -> usize {
        self.cup_of[row]
    }

    /// The panel's mean of each cup after the tasters' offsets were taken out.
    pub(super) fn cup_levels(&self) -> Vec<f64> {
        self.cups
            .iter()
            .map(|members| {
                mean(
                    &members
                        .iter()
                        .map(|&i| self.rows[i].row.value - self.effects[self.rows[i].taster])
                        .collect::<Vec<_>>(),
                )
            })
            .collect()
    }

    /// The cups that `taster` shares with at least one other (those in `without` do not
    /// count as others).
    pub(super) fn pairs(&self, taster: usize, without: &[usize]) -> Vec<Pair> {
        let mut pairs = Vec::new();
        for members in &self.cups {
            let others: Vec<usize> = members
                .iter()
                .copied()
                .filter(|&i| {
                    let t = self.rows[i].taster;
                    t != taster && !without.contains(&t)
                })
                .collect();
            if others.is_empty() {
                continue;
            }
            let raw: Vec<f64> = others.iter().map(|&i| self.rows[i].row.value).collect();
            let level: Vec<f64> = others
                .iter()
                .map(|&i| self.rows[i].row.value - self.effects[self.rows[i].taster])
                .collect();
            for &i in members.iter().filter(|&&i| self.rows[i].taster == taster) {
                pairs.push(Pair { placed: self.rows[i], others: mean(&raw), level: mean(&level) });
            }
        }
        pairs
    }

    /// A taster's lots, each as the mean over its shared cups.
    pub(super) fn lot_points(&self, taster: usize, without: &[usize]) -> Vec<LotPoint> {
        let mut by_lot: BTreeMap<usize, Vec<Pair>> = BTreeMap::new();
        for pair in self.pairs(taster, without) {
            by_lot.entry(pair.placed.lot).or_default().push(pair);
        }
        let over =
            |pairs: &[Pair], f: fn(&Pair) -> f64| mean(&pairs.iter().map(f).collect::<Vec<_>>());
        by_lot
            .into_iter()
            .map(|(lot, pairs)| LotPoint {
                lot,
                family: pairs[0].placed.row.family,
                own: over(&pairs, |p| p.placed.row.value),
                others: over(&pairs, |p| p.level),
                difference: over(&pairs, |p| p.placed.row.value - p.others),
            })
            .collect()
    }

    /// Lot means of each other taster over the cups of `taster`: rows (lot, other, mean).
    pub(super) fn others_by_lot(&self, taster: usize) -> Vec<(usize, usize, f64)> {
        let mut cells: BTreeMap<(usize, usize), Vec<f64>> = BTreeMap::new();
        for members in &self.cups {
            if !members.iter().any(|&i| self.rows[i].taster == taster) {
                continue;
            }
            for &i in members.iter().filter(|&&i| self.rows[i].taster != taster) {
                let r = &self.rows[i];
                cells
                    .entry((r.lot, r.taster))
                    .or_default()
                    .push(r.row.value - self.effects[r.taster]);
            }
        }
        cells.into_iter().map(|((lot, other), values)| (lot, other, mean(&values))).collect()
    }

    /// Sum of squares and degrees of freedom within lot and session for each taster.
    pub(super) fn within(&self) -> Vec<(f64, f64)> {
        let mut cells: BTreeMap<(usize, usize, u32), Vec<f64>> = BTreeMap::new();
        for r in &self.rows {
            cells.entry((r.taster, r.lot, r.row.session)).or_default().push(r.row.value);
        }
        let mut within = vec![(0.0, 0.0); self.n_tasters];
        for ((taster, _, _), values) in cells {
            within[taster].0 += squares_about(&values, mean(&values));
            within[taster].1 += values.len() as f64 - 1.0;
        }
        within
    }
}

/// Taster effects of the additive model taster + cup, fitted in turn until nothing moves.
fn additive(rows: &[Placed], cups: &[Vec<usize>], n_tasters: usize) -> Vec<f64> {
    let mut effects = vec![0.0; n_tasters];
    for _ in 0..1000 {
        let mut sums = vec![(0.0, 0.0); n_tasters];
        for members in cups {
            let level = mean(
                &members
                    .iter()
                    .map(|&i| rows[i].row.value - effects[rows[i].taster])
                    .collect::<Vec<_>>(),
            );
            for &i in members {
                let sum = &mut sums[rows[i].taster];
                sum.0 += rows[i].row.value - level;
                sum.1 += 1.0;
            }
        }
        let mut next: Vec<f64> =
            sums.iter().map(|(s, n)| if *n > 0.0 { s / n } else { 0.0 }).collect();
        let centre = mean(&next);
        next.iter_mut().for_each(|e| *e -= centre);
        let moved = effects.iter().zip(&next).fold(0.0_f64, |m, (a, b)| m.max((a - b).abs()));
        effects = next;
        if moved < 1e-10 {
            break;
        }
    }
    effects
}

/// What a slope over lots is made of, for one term and one taster.
#[derive(Debug, Clone, Default)]
pub(super) struct SlopeParts {
    points: Vec<LotPoint>,
    cells: Vec<(usize, usize, f64)>,
    whole: SlopeSums,
    families: BTreeMap<usize, u32>,
    /// The sums without each family, which every jackknife asks for again.
    left_out: BTreeMap<u32, SlopeSums>,
}

/// Sums of one term with one family of lots left out, or none.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct SlopeSums {
    pub(super) sxy: f64,
    pub(super) sxx: f64,
    pub(super) syy: f64,
    /// The part of `sxx` that the others' disagreement explains; `None` if there are not
    /// two others.
    pub(super) noise: Option<f64>,
    pub(super) n_lots: usize,
}

impl SlopeParts {
    pub(super) fn new(term: &Term, taster: usize) -> Self {
        let mut parts = Self {
            points: term.lot_points(taster, &[]),
            cells: term.others_by_lot(taster),
            ..Self::default()
        };
        parts.whole = parts.summed(None);
        parts.families = parts.points.iter().map(|p| (p.lot, p.family)).collect();
        parts.left_out = parts.families().map(|f| (f, parts.summed(Some(f)))).collect();
        parts
    }

    pub(super) fn lots(&self) -> impl Iterator<Item = usize> + '_ {
        self.points.iter().map(|p| p.lot)
    }

    /// The families of the lots, some more than once.
    pub(super) fn families(&self) -> impl Iterator<Item = u32> + '_ {
        self.points.iter().map(|p| p.family)
    }

    pub(super) fn points(&self) -> &[LotPoint] {
        &self.points
    }

    pub(super) fn sums(&self, without: Option<u32>) -> SlopeSums {
        without.and_then(|family| self.left_out.get(&family)).copied().unwrap_or(self.whole)
    }

    fn summed(&self, without: Option<u32>) -> SlopeSums {
        let kept: Vec<&LotPoint> =
            self.points.iter().filter(|p| Some(p.family) != without).collect();
        let x: Vec<f64> = kept.iter().map(|p| p.others).collect();
        let y: Vec<f64> = kept.iter().map(|p| p.own).collect();
        let (mx, my) = (mean(&x), mean(&y));
        SlopeSums {
            sxy: x.iter().zip(&y).map(|(a, b)| (a - mx) * (b - my)).sum(),
            sxx: squares_about(&x, mx),
            syy: squares_about(&y, my),
            noise: self.error_of_others(without).map(|e| e * (kept.len() as f64 - 1.0)),
            n_lots: kept.len(),
        }
    }

    /// Error variance of the others' mean of a lot: their lot × taster mean square over
    /// their number.
    pub(super) fn error_of_others(&self, without: Option<u32>) -> Option<f64> {
        let cells: Vec<&(usize, usize, f64)> = self
            .cells
            .iter()
            .filter(|c| self.families.get(&c.0).copied() != without || without.is_none())
            .collect();
        let mut lots: BTreeMap<usize, (f64, f64)> = BTreeMap::new();
        let mut others: BTreeMap<usize, (f64, f64)> = BTreeMap::new();
        for c in &cells {
            lots.entry(c.0).or_default().1 += 1.0;
            others.entry(c.1).or_default().1 += 1.0;
        }
        let df = cells.len() as f64 - lots.len() as f64 - others.len() as f64 + 1.0;
        if others.len() < 2 || df < 1.0 {
            return None;
        }
        // Lot and taster means in turn; a complete table is done after the first round.
        let mut rest: Vec<f64> = cells.iter().map(|c| c.2).collect();
        for _ in 0..100 {
            let mut moved = 0.0_f64;
            for (by_lot, groups) in [(true, &mut lots), (false, &mut others)] {
                groups.values_mut().for_each(|g| g.0 = 0.0);
                let key = |c: &(usize, usize, f64)| if by_lot { c.0 } else { c.1 };
                for (c, r) in cells.iter().zip(&rest) {
                    groups.entry(key(c)).or_default().0 += r;
                }
                for (c, r) in cells.iter().zip(&mut rest) {
                    let group = groups[&key(c)];
                    *r -= group.0 / group.1;
                    moved = moved.max((group.0 / group.1).abs());
                }
            }
            if moved < 1e-9 {
                break;
            }
        }
        let per_lot = cells.len() as f64 / lots.len() as f64;
        Some(squares_about(&rest, 0.0) / df / per_lot)
    }
}

/// The slope pooled over terms, corrected for the others' error, with one family left out or
/// none: `sum sxy / sum (sxx - noise)`.
pub(super) fn corrected_slope(
    terms: &[&SlopeParts],
    without: Option<u32>,
) -> Result<f64, NotEstimated> {
    let mut sxy = 0.0;
    let mut sxx = 0.0;
    let mut noise = 0.0;
    for term in terms {
        let sums = term.sums(without);
        if sums.n_lots < 3 {
            continue;
        }
        sxy += sums.sxy;
        sxx += sums.sxx;
        noise += sums.noise.ok_or(NotEstimated::TooFewOthers)?;
    }
    if sxx == 0.0 {
        return Err(NotEstimated::TooFewLots);
    }
    // Below a third the correction would rest on noise alone.
    if sxx - noise < sxx / 3.0 {
        return Err(NotEstimated::LotsAlike);
    }
    Ok(sxy / (sxx - noise))
}
