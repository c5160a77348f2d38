//! The search for the least deviance over covariance matrices without negative directions.
//!
//! Each block's matrix is `F = T T'` with `T` a lower triangle (Pinheiro and Bates 1996, Statistics
//! and Computing 6:289-296), whose entries are free numbers: a variance of zero or a correlation of
//! one is a column of zeros and lies inside. What such a parametrisation brings is a slope of zero
//! at every such edge, whether the deviance falls from there on or not; the curvature tells the two
//! apart, so the search goes on along any direction in which it is negative.

use super::deviance::{Covariances, Deviance, Slopes};
use super::layout::{Layout, both};
use crate::mixed::MixedError;
use crate::mixed::optimise::Ending;
use faer::linalg::solvers::Solve;
use faer::{Col, Mat, Side};

const STEPS_MAX: usize = 200;
/// A ratio above this means that the residual variance vanishes beside another.
const RATIO_MAX: f64 = 1e9;

/// Where a search ended.
pub(in crate::mixed) struct End {
    pub covariances: Covariances,
    pub deviance: f64,
    pub evaluations: usize,
}

/// The triangles of all blocks; none for one that is left out.
type Triangles = Vec<Option<Mat<f64>>>;

/// Finds the minimum with the blocks in `out` held at zero, from variances that equate square sums
/// with their expectations; then looks inside wherever a variance came out as zero, and lets go of
/// what is zero but for rounding.
pub(in crate::mixed) fn minimise(
    target: &Deviance<'_, '_>,
    gram: &Mat<f64>,
    crude: &[f64],
    out: &[bool],
) -> Result<End, MixedError> {
    let mut search = Search { target, evaluations: 0 };
    let mut best = search.descend(first_guess(target, gram, crude, out))?;
    if best.2 != Ending::Settled {
        for ratio in [0.5, 0.05, 5.0] {
            let start = triangles(target.layout, out, |_| ratio);
            let other = search.descend(start)?;
            if other.1 < best.1 - 1e-9 || (other.2 == Ending::Settled && other.1 < best.1 + 1e-6) {
                best = other;
            }
        }
    }
    // A variance at zero is a minimum there; is it the only one?
    for i in 0..best.0.len() {
        let width = best.0[i].as_ref().map_or(0, Mat::nrows);
        for a in 0..width {
            let Some(t) = &best.0[i] else { continue };
            if best.2 != Ending::Settled || (0..=a).any(|b| t[(a, b)].abs() > 1e-3) {
                continue;
            }
            for inside in [0.05f64, 0.3, 1.5] {
                let mut start = best.0.clone();
                if let Some(t) = &mut start[i] {
                    t[(a, a)] = inside.sqrt();
                }
                let Some(there) = search.value(&start) else { continue };
                if there < best.1 + 0.2 {
                    let other = search.descend(start)?;
                    if other.2 == Ending::Settled && other.1 < best.1 - 1e-9 {
                        best = other;
                    }
                }
            }
        }
    }
    let (t, deviance, ending) = best;
    match ending {
        Ending::Settled => Ok(search.landed(t, deviance)),
        Ending::NoResidual => Err(MixedError::NoResidual),
        Ending::Unsettled => Err(MixedError::NotSettled { evaluations: search.evaluations }),
    }
}

fn triangles(layout: &Layout, out: &[bool], ratio: impl Fn(usize) -> f64) -> Triangles {
    let of = |(i, &out): (usize, &bool)| {
        let k = layout.blocks[i].width();
        let root = ratio(i).sqrt();
        (!out).then(|| Mat::from_fn(k, k, |a, b| if a == b { root } else { 0.0 }))
    };
    out.iter().enumerate().map(of).collect()
}

/// Variances by MINQUE(0), as for the other search; what is not positive becomes small.
fn first_guess(
    target: &Deviance<'_, '_>,
    gram: &Mat<f64>,
    crude: &[f64],
    out: &[bool],
) -> Triangles {
    let layout = target.layout;
    let kept: Vec<usize> = std::iter::once(0)
        .chain((0..layout.entries.len()).filter(|&i| !out[layout.entries[i].block]).map(|i| i + 1))
        .collect();
    let part = Mat::from_fn(kept.len(), kept.len(), |i, j| gram[(kept[i], kept[j])]);
    let right = Col::from_fn(kept.len(), |i| crude[kept[i]]);
    let Ok(factor) = part.llt(Side::Lower) else {
        return triangles(layout, out, |_| 0.5);
    };
    let found = factor.solve(&right);
    let residual = found[0].max(0.05 * crude[0] / target.df());
    let mut guess = triangles(layout, out, |_| 0.0);
    for (i, f) in guess.iter_mut().enumerate() {
        let Some(f) = f else { continue };
        let own = kept.iter().zip(found.iter()).skip(1);
        for (&at, &value) in own {
            let e = layout.entries[at - 1];
            if e.block == i {
                for (a, b) in both(e.a, e.b) {
                    f[(a, b)] = value / residual;
                }
            }
        }
        *f = triangle(&clipped(f, 1e-3, 20.0));
    }
    guess
}

/// The matrix with its eigenvalues between two limits.
fn clipped(f: &Mat<f64>, low: f64, high: f64) -> Mat<f64> {
    let k = f.nrows();
    let Ok(eigen) = f.self_adjoint_eigen(Side::Lower) else {
        return Mat::from_fn(k, k, |a, b| if a == b { 0.5 } else { 0.0 });
    };
    let (u, values) = (eigen.U(), eigen.S().column_vector());
    Mat::from_fn(k, k, |a, b| {
        (0..k).map(|j| u[(a, j)] * values[j].clamp(low, high) * u[(b, j)]).sum()
    })
}

/// The lower triangle `T` with `T T'` the matrix; a column without anything left is zero.
fn triangle(f: &Mat<f64>) -> Mat<f64> {
    let k = f.nrows();
    let mut t = Mat::<f64>::zeros(k, k);
    for b in 0..k {
        let left = f[(b, b)] - (0..b).map(|j| t[(b, j)] * t[(b, j)]).sum::<f64>();
        if left <= 1e-14 * f[(b, b)].abs() {
            continue;
        }
        t[(b, b)] = left.sqrt();
        for a in b + 1..k {
            let sum: f64 = (0..b).map(|j| t[(a, j)] * t[(b, j)]).sum();
            t[(a, b)] = (f[(a, b)] - sum) / t[(b, b)];
        }
    }
    t
}

pub(super) fn covariances(t: &Triangles) -> Covariances {
    t.iter().map(|t| t.as_ref().map(|t| t * t.transpose())).collect()
}

struct Search<'a, 'b> {
    target: &'a Deviance<'b, 'b>,
    evaluations: usize,
}

/// Slope and curvature in the entries of the triangles, in the order of [`Layout::entries`] without
/// the blocks left out.
struct InTriangles {
    at: Vec<usize>,
    slope: Vec<f64>,
    curvature: Mat<f64>,
}

/// Turns derivatives in the covariances into those in the entries of triangles.
pub(super) fn in_triangles(
    layout: &Layout,
    t: &Triangles,
    d: &Slopes,
) -> (Vec<usize>, Vec<f64>, Mat<f64>) {
    let at: Vec<usize> =
        (0..layout.entries.len()).filter(|&i| t[layout.entries[i].block].is_some()).collect();
    let k = at.len();
    let all = layout.entries.len();
    // d F / d T, an entry of T a column.
    let mut turn = Mat::<f64>::zeros(all, k);
    let mut slope = vec![0.0; k];
    for (p, &i) in at.iter().enumerate() {
        let e = layout.entries[i];
        let Some(t) = &t[e.block] else { continue };
        // dF = e_a t_b' + t_b e_a', with t_b column b of T.
        for (l, f) in layout.entries.iter().enumerate().filter(|(_, f)| f.block == e.block) {
            let mut change = 0.0;
            if f.a == e.a {
                change += t[(f.b, e.b)];
            }
            if f.b == e.a {
                change += t[(f.a, e.b)];
            }
            turn[(l, p)] = change;
        }
        let s = &d.slopes[e.block];
        slope[p] = 2.0 * (0..t.nrows()).map(|c| s[(e.a, c)] * t[(c, e.b)]).sum::<f64>();
    }
    let mut curvature = turn.transpose() * &d.curvature * &turn;
    for (p, &i) in at.iter().enumerate() {
        for (q, &j) in at.iter().enumerate() {
            let (e, f) = (layout.entries[i], layout.entries[j]);
            if e.block == f.block && e.b == f.b {
                curvature[(p, q)] += 2.0 * d.slopes[e.block][(e.a, f.a)];
            }
        }
    }
    (at, slope, curvature)
}

impl Search<'_, '_> {
    fn value(&mut self, t: &Triangles) -> Option<f64> {
        self.evaluations += 1;
        self.target.solve(&covariances(t)).map(|s| s.deviance)
    }

    fn derivatives(&mut self, t: &Triangles) -> Option<(f64, InTriangles)> {
        self.evaluations += 1;
        let d = self.target.derivatives(&covariances(t))?;
        let (at, slope, curvature) = in_triangles(self.target.layout, t, &d);
        Some((d.deviance, InTriangles { at, slope, curvature }))
    }

    fn moved(&self, t: &Triangles, at: &[usize], step: &[f64], length: f64) -> Triangles {
        let mut next = t.clone();
        for (&i, s) in at.iter().zip(step) {
            let e = self.target.layout.entries[i];
            if let Some(t) = &mut next[e.block] {
                t[(e.a, e.b)] += length * s;
            }
        }
        next
    }

    fn descend(&mut self, start: Triangles) -> Result<(Triangles, f64, Ending), MixedError> {
        let mut t = start;
        let failed = |n| MixedError::NotSettled { evaluations: n };
        let Some((mut deviance, mut d)) = self.derivatives(&t) else {
            return Err(failed(self.evaluations));
        };
        let mut close = 0;
        for _ in 0..STEPS_MAX {
            if d.at.is_empty() {
                return Ok((t, deviance, Ending::Settled));
            }
            let scale = 1.0 + deviance.abs();
            let Some((step, gain, falling)) = newton_step(&d) else {
                return Ok((t, deviance, Ending::Unsettled));
            };
            let size = t.iter().flatten().map(|t| t.norm_max()).fold(1.0, f64::max);
            // A slope of zero with a curvature that is negative: an edge that has to be left.
            if gain < 1e-7
                && let Some(direction) = falling
                && let Some(next) = self.kicked(&t, deviance, &d, &direction)
            {
                t = next;
                let Some(found) = self.derivatives(&t) else {
                    return Err(failed(self.evaluations));
                };
                (deviance, d) = found;
                continue;
            }
            // The curvature is an average, so that a step leaves a part of the way; twice below
            // rounding is enough.
            if gain < 1e-13 * scale.max(1e3) {
                close += 1;
                if close > 1 {
                    return Ok((t, deviance, Ending::Settled));
                }
            } else {
                close = 0;
            }
            let longest = step.iter().map(|s| s.abs()).fold(0.0, f64::max) / size;
            let mut length = if longest > 1.0 { 1.0 / longest } else { 1.0 };
            let mut moved = None;
            for halving in 0..30 {
                let next = self.moved(&t, &d.at, &step, length);
                let limit = deviance + 1e-12 * scale;
                if halving == 0 {
                    moved = self.derivatives(&next).filter(|f| f.0 <= limit).map(|f| (next, f));
                } else if self.value(&next).is_some_and(|v| v <= limit) {
                    moved = self.derivatives(&next).filter(|f| f.0 <= limit).map(|f| (next, f));
                }
                if moved.is_some() {
                    break;
                }
                length *= 0.4;
            }
            let grown = |t: &Triangles, limit: f64| {
                t.iter().flatten().any(|t| t.norm_max() * t.norm_max() > limit)
            };
            let Some((next, found)) = moved else {
                let ending = if gain < 1e-8 * scale {
                    Ending::Settled
                } else if grown(&t, 1e-4 * RATIO_MAX) {
                    Ending::NoResidual
                } else {
                    Ending::Unsettled
                };
                return Ok((t, deviance, ending));
            };
            t = next;
            (deviance, d) = found;
            if grown(&t, RATIO_MAX) {
                return Ok((t, deviance, Ending::NoResidual));
            }
        }
        Ok((t, deviance, Ending::Unsettled))
    }

    /// A place along a direction, either way, where the deviance is lower.
    fn kicked(
        &mut self,
        t: &Triangles,
        from: f64,
        d: &InTriangles,
        along: &[f64],
    ) -> Option<Triangles> {
        for length in [1.0, 0.3, 0.1, 0.03, 0.01] {
            for sign in [1.0, -1.0] {
                let next = self.moved(t, &d.at, along, sign * length);
                if self.value(&next).is_some_and(|v| v < from - 1e-10 * (1.0 + from.abs())) {
                    return Some(next);
                }
            }
        }
        None
    }

    /// Sets to zero what is zero but for rounding: directions of a block's covariances without
    /// which the deviance is no higher.
    fn landed(&mut self, t: Triangles, deviance: f64) -> End {
        let mut f = covariances(&t);
        let allowed = |d: f64| d + 1e-10 * (1.0 + d.abs()).max(10.0);
        let mut best = self.target.value(&f).map_or(deviance, |s| s.deviance);
        for i in 0..f.len() {
            let Some(own) = f[i].clone() else { continue };
            let k = own.nrows();
            let Ok(eigen) = own.self_adjoint_eigen(Side::Lower) else { continue };
            let (u, values) = (eigen.U(), eigen.S().column_vector());
            // Ascending; each direction that can go takes those before it along.
            for gone in 0..k {
                if values[gone] > 1e-2 * (1.0 + values[k - 1]) {
                    break;
                }
                let mut other = f.clone();
                let mut clear = Mat::from_fn(k, k, |a, b| {
                    (gone + 1..k).map(|j| u[(a, j)] * values[j] * u[(b, j)]).sum::<f64>()
                });
                let largest = clear.norm_max();
                for a in 0..k {
                    if clear[(a, a)] <= 1e-12 * largest {
                        for b in 0..k {
                            clear[(a, b)] = 0.0;
                            clear[(b, a)] = 0.0;
                        }
                    }
                }
                other[i] = (gone + 1 < k).then_some(clear);
                self.evaluations += 1;
                match self.target.value(&other).map(|s| s.deviance) {
                    Some(d) if d <= allowed(best) => {
                        best = d;
                        f = other;
                    }
                    _ => break,
                }
            }
        }
        End { covariances: f, deviance: best, evaluations: self.evaluations }
    }
}

/// A step of Newton's with the curvature made positive, twice the gain it promises, and the
/// direction of the most negative curvature if there is one.
#[allow(clippy::type_complexity)]
fn newton_step(d: &InTriangles) -> Option<(Vec<f64>, f64, Option<Vec<f64>>)> {
    let n = d.slope.len();
    let eigen = d.curvature.self_adjoint_eigen(Side::Lower).ok()?;
    let (u, values) = (eigen.U(), eigen.S().column_vector());
    let largest = values.iter().fold(0.0f64, |m, v| m.max(v.abs()));
    let floor = 1e-10 * largest + f64::MIN_POSITIVE;
    let (mut step, mut gain) = (vec![0.0; n], 0.0);
    let mut falling = None;
    let mut lowest = -1e-5 * largest.min(1.0);
    for k in 0..n {
        let along: f64 = (0..n).map(|a| u[(a, k)] * d.slope[a]).sum();
        let size = values[k].abs().max(floor);
        gain += along * along / size;
        for (a, s) in step.iter_mut().enumerate() {
            *s -= u[(a, k)] * along / size;
        }
        if values[k] < lowest {
            lowest = values[k];
            falling = Some((0..n).map(|a| u[(a, k)]).collect());
        }
    }
    gain.is_finite().then_some((step, gain, falling))
}

#[cfg(test)]
mod tests {
    use super::super::General;
    use super::*;
    use crate::mixed::{Factor, FixedPart, Method, Model, RandomTerm};
    use crate::rng::stream;

    /// With the average in the place of the exact curvature, as in large layouts, the search ends
    /// at the same place, at edges too.
    #[test]
    fn both_curvatures_lead_to_the_same_minimum() {
        let days: Vec<f64> = (0..60).map(|r| f64::from(r % 5) - 2.0).collect();
        let subject = Factor::new((0..60).map(|r| r / 5).collect());
        let flight = Factor::new((0..60).map(|r| r * 7 % 9).collect());
        let fixed = FixedPart::intercept(60).with_column("day", days.clone());
        let random = [
            RandomTerm::correlated("subject", subject, vec![("day".into(), days)]),
            RandomTerm::new("flight", flight),
        ];
        let model = Model::new(&fixed, &random).expect("sound");
        let general = General::new(&random, &model.basis, 60).expect("sound");
        let mut most = 0;
        for table in 0..90 {
            let mut draws = stream(78, table);
            let size = [0.0, 0.3, 1.5][table as usize % 3];
            let effects: Vec<f64> = (0..12).map(|_| size * draws.normal()).collect();
            let y: Vec<f64> = (0..60)
                .map(|r| effects[r / 5] * (0.5 + 0.3 * (r % 5) as f64) + draws.normal())
                .collect();
            let (left, _) = model.left(&y).expect("sound");
            let right = general.layout.right(&left);
            let ends: Vec<End> = [0, 1000]
                .iter()
                .map(|&exact| {
                    let target = Deviance {
                        layout: &general.layout,
                        right: &right,
                        method: Method::Reml,
                        exact,
                    };
                    minimise(&target, &general.gram, &general.crude(&right), &[false; 2])
                        .expect("a minimum")
                })
                .collect();
            let gap = (ends[0].deviance - ends[1].deviance).abs();
            assert!(gap < 1e-7, "{table}: {} {}", ends[0].deviance, ends[1].deviance);
            most = most.max(ends[0].evaluations);
        }
        assert!(most < 400, "{most}");
    }
}
