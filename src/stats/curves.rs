//! Straight, bent or levelling off: which curve follows the points, by AICc, and where it turns.

use crate::dist::f_sf;
use crate::least_squares::{Basis, regress};
use crate::partial::{Blocks, PartialError, checked, fieller};
use serde::Serialize;

/// A curve must beat the straight line by so much AICc before it is chosen.
///
/// With 2, of straight truths with normal noise 1 to 4 of 100 were called curved (10 to 60 lots, one
/// to six columns beside, one curve tried or two), and p was below .05 in 3 to 6 of 100
/// (tests/stats/associations.rs).
pub const DEMAND: f64 = 2.0;

/// The levelling curve's length is looked for from this share of the range on: shorter ones set the
/// lowest value apart from all others and nothing else.
const SHORTEST: f64 = 1.0 / 6.0;
/// To so many ranges: a longer one is straight to the eye.
const LONGEST: f64 = 4.0;
/// Lengths tried before the best is refined.
const TRIED: usize = 40;

/// A curve.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Curve {
    /// `b x`.
    Straight,
    /// `b x + c x²`.
    Bent,
    /// `b (1 - exp(-x / length))`.
    Levelling,
}

/// A curve that was fitted.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Fitted {
    /// Which.
    pub curve: Curve,
    /// `n ln(RSS / n) + 2 k + 2 k (k + 1) / (n - k - 1)`, k the columns, the length and the variance.
    pub aicc: f64,
    /// Residual sum of squares.
    pub residual_ss: f64,
    /// Residual degrees of freedom.
    pub df: f64,
    /// b, and c of the bent one, of x less its mean.
    pub coefficients: Vec<f64>,
    /// The length of the levelling one, in units of x.
    pub length: Option<f64>,
}

/// Where a bent curve turns.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Turn {
    /// The x.
    pub at: f64,
    /// Lower limit (Fieller).
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
    /// Whether y is highest there, not lowest.
    pub highest: bool,
}

/// What was fitted and chosen.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Curves {
    /// The straight one first.
    pub fitted: Vec<Fitted>,
    /// The one that is chosen.
    pub chosen: Curve,
    /// AICc of the straight one less that of the best curve: above [`DEMAND`] the curve is chosen.
    pub better_by: f64,
    /// The chance of curves that are at least so much better where the truth is straight: of F with
    /// one degree of freedom for what the best curve adds, times the curves that were tried.
    pub p_value: f64,
    /// Where the bent curve turns, if it is chosen and its limits are bounded.
    pub turn: Option<Turn>,
    mean: f64,
    least: f64,
}

/// Fits curves of `x` to `y` beside `others`, all but `x` turned by `blocks` before: the straight
/// one, the bent one, and, if `levelling`, the levelling one. The bent one needs five values apart,
/// or three with two rows each; the levelling one five.
///
/// # Errors
/// See [`PartialError`]; `TooFewValues` where no curve can be fitted.
///
/// # Source
/// Hurvich CM, Tsai CL (1989), Biometrika 76:297-307 (from memory).
pub fn curves(
    y: &[f64],
    x: &[f64],
    others: &[&[f64]],
    blocks: &Blocks,
    levelling: bool,
    level: f64,
) -> Result<Curves, PartialError> {
    let n = y.len();
    checked(n, others.iter().copied().chain([x, y]))?;
    let apart = apart(x);
    let bent = apart.len() >= 5 || apart.iter().filter(|(_, n)| *n > 1).count() >= 3;
    let levelling = levelling && apart.len() >= 5;
    if !(bent || levelling) {
        return Err(PartialError::TooFewValues { found: apart.len() });
    }
    let mut basis = Basis::new(n);
    for column in others {
        basis.push(column);
    }
    let mean = x.iter().sum::<f64>() / n as f64;
    let (least, most) = (apart[0].0, apart[apart.len() - 1].0);
    let near: Vec<f64> = x.iter().map(|v| v - mean).collect();
    let fit = |columns: &[Vec<f64>], more: usize| {
        let turned: Vec<Vec<f64>> = columns.iter().map(|c| blocks.turn(c)).collect();
        let rank = basis.rank() + columns.len();
        let k = (rank + more + 1) as f64;
        let room = n as f64 - k - 1.0;
        if room < 1.0 {
            return Err(PartialError::TooFew { n, rank });
        }
        let found = regress(&basis, &turned, y).ok_or(PartialError::Dependent)?;
        let ss = found.residual_ss.max(f64::MIN_POSITIVE);
        let n = n as f64;
        let aicc = n * (ss / n).ln() + 2.0 * k + 2.0 * k * (k + 1.0) / room;
        Ok((found, aicc))
    };
    let said = |curve,
                (found, aicc): &(crate::least_squares::Regression, f64),
                length: Option<f64>| Fitted {
        curve,
        aicc: *aicc,
        residual_ss: found.residual_ss,
        df: found.df - if length.is_some() { 1.0 } else { 0.0 },
        coefficients: found.coefficients.clone(),
        length,
    };
    let straight = fit(std::slice::from_ref(&near), 0)?;
    let mut all = vec![said(Curve::Straight, &straight, None)];
    let mut turn = None;
    if bent {
        let square: Vec<f64> = near.iter().map(|v| v * v).collect();
        let found = fit(&[near.clone(), square], 0)?;
        turn = turn_of(&found.0, mean, level).filter(|t| least < t.at && t.at < most);
        all.push(said(Curve::Bent, &found, None));
    }
    if levelling {
        let of =
            |length: f64| -> Vec<f64> { x.iter().map(|v| levels(v - least, length)).collect() };
        let ss = |length: f64| fit(&[of(length)], 1).map_or(f64::INFINITY, |f| f.0.residual_ss);
        let length = best_length(ss, SHORTEST * (most - least), LONGEST * (most - least));
        let found = fit(&[of(length)], 1)?;
        all.push(said(Curve::Levelling, &found, Some(length)));
    }
    let tried = all.len() - 1;
    let best = all[1..].iter().fold(&all[1], |a, b| if b.aicc < a.aicc { b } else { a });
    let better_by = all[0].aicc - best.aicc;
    let f = (all[0].residual_ss - best.residual_ss).max(0.0) * best.df / best.residual_ss;
    let p_value = if best.residual_ss > 0.0 { f_sf(f, 1.0, best.df) } else { 0.0 };
    let chosen = if better_by > DEMAND { best.curve } else { Curve::Straight };
    Ok(Curves {
        chosen,
        better_by,
        p_value: (p_value * tried as f64).min(1.0),
        turn: turn.filter(|_| chosen == Curve::Bent),
        mean,
        least,
        fitted: all,
    })
}

impl Curves {
    /// Returns the height of a fitted curve at `x` (in units of x) less that at the mean of x, in units
    /// of y: `b u`, `b u + c u²` with `u = x - mean`, or `b (e(mean) - e(x))` with
    /// `e(v) = exp(-(v - least) / length)`, for the curves of [`Curve`]; none if that one was not
    /// fitted. By definition of the curves.
    #[must_use]
    pub fn height(&self, curve: Curve, x: f64) -> Option<f64> {
        let fitted = self.fitted.iter().find(|f| f.curve == curve)?;
        let b = fitted.coefficients.first()?;
        Some(match (curve, fitted.length) {
            (Curve::Levelling, Some(length)) => {
                let of = |v: f64| levels(v - self.least, length);
                b * (of(x) - of(self.mean))
            }
            _ => {
                let u = x - self.mean;
                b * u + fitted.coefficients.get(1).map_or(0.0, |c| c * u * u)
            }
        })
    }
}

pub(crate) fn levels(x: f64, length: f64) -> f64 {
    1.0 - (-x / length).exp()
}

/// The values apart with the rows of each, upwards.
fn apart(x: &[f64]) -> Vec<(f64, usize)> {
    let mut sorted = x.to_vec();
    sorted.sort_by(f64::total_cmp);
    let reach = sorted.iter().fold(0.0_f64, |a, v| a.max(v.abs()));
    let mut found: Vec<(f64, usize)> = Vec::new();
    for v in sorted {
        match found.last_mut() {
            Some((known, n)) if v - *known <= 1e-9 * reach => *n += 1,
            _ => found.push((v, 1)),
        }
    }
    found
}

fn turn_of(found: &crate::least_squares::Regression, mean: f64, level: f64) -> Option<Turn> {
    let [b, c] = found.coefficients[..] else { return None };
    let s2 = found.residual_ss / found.df;
    let v = |i: usize, j: usize| s2 * found.inverse[i][j];
    // The turn is where b + 2 c u = 0.
    let variances = (v(0, 0), 4.0 * v(1, 1), -2.0 * v(0, 1));
    let (lower, upper) = fieller((-b, 2.0 * c), variances, level, found.df)?;
    Some(Turn {
        at: mean - b / (2.0 * c),
        lower: mean + lower,
        upper: mean + upper,
        highest: c < 0.0,
    })
}

/// The length with the least residual: the best of many, then by golden section between its
/// neighbours.
pub(crate) fn best_length(ss: impl Fn(f64) -> f64, from: f64, to: f64) -> f64 {
    let at = |i: usize| from * (to / from).powf(i as f64 / (TRIED - 1) as f64);
    let mut best = (0, f64::INFINITY);
    for i in 0..TRIED {
        let own = ss(at(i));
        if own < best.1 {
            best = (i, own);
        }
    }
    let (mut low, mut high) = (at(best.0.saturating_sub(1)), at((best.0 + 1).min(TRIED - 1)));
    let golden = 0.5 * (5.0_f64.sqrt() - 1.0);
    // Of the two places inside, one is always known from the step before.
    let (mut a, mut b) = (high - golden * (high - low), low + golden * (high - low));
    let (mut at_a, mut at_b) = (ss(a), ss(b));
    for _ in 0..30 {
        if at_a < at_b {
            (high, b, at_b) = (b, a, at_a);
            a = high - golden * (high - low);
            at_a = ss(a);
        } else {
            (low, a, at_a) = (a, b, at_b);
            b = low + golden * (high - low);
            at_b = ss(b);
        }
    }
    0.5 * (low + high)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::partial::dot;

    #[test]
    fn an_exact_parabola_turns_where_it_turns_and_an_exact_levelling_has_its_length() {
        let x: Vec<f64> = (0..10).map(f64::from).collect();
        let ones = [1.0; 10];
        let none = Blocks::new(&[0; 10], 1.0, 0.0);
        let noise = |i: usize| 0.01 * if i.is_multiple_of(2) { 1.0 } else { -1.0 };
        let y: Vec<f64> =
            x.iter().enumerate().map(|(i, v)| 3.0 - (v - 4.0).powi(2) + noise(i)).collect();
        let found = curves(&y, &x, &[&ones], &none, false, 0.95).unwrap();
        let turn = found.turn.unwrap();
        assert_eq!(found.chosen, Curve::Bent);
        assert!((turn.at - 4.0).abs() < 0.01 && turn.highest, "{turn:?}");
        assert!(turn.lower < 4.0 && 4.0 < turn.upper && turn.upper - turn.lower < 0.1);
        let height =
            found.height(Curve::Bent, 4.0).unwrap() - found.height(Curve::Bent, 6.0).unwrap();
        assert!((height - 4.0).abs() < 0.05);
        let y: Vec<f64> =
            x.iter().enumerate().map(|(i, v)| 2.0 * levels(*v, 3.0) + noise(i)).collect();
        let found = curves(&y, &x, &[&ones], &none, true, 0.95).unwrap();
        assert_eq!(found.chosen, Curve::Levelling);
        let fitted = &found.fitted[2];
        assert!((fitted.length.unwrap() - 3.0).abs() < 0.2, "{fitted:?}");
        assert!(dot(&fitted.coefficients, &[1.0]) > 1.8);
    }

    #[test]
    fn too_few_values_apart_give_no_curve() {
        let x = [0.0, 0.0, 1.0, 1.0, 0.0, 1.0, 2.0];
        let y = [1.0, 2.0, 1.0, 3.0, 2.0, 1.0, 4.0];
        let none = Blocks::new(&[0; 7], 1.0, 0.0);
        let found = curves(&y, &x, &[&[1.0; 7]], &none, true, 0.95).unwrap_err();
        assert_eq!(found, PartialError::TooFewValues { found: 3 });
        let x = [0.0, 0.0, 1.0, 1.0, 2.0, 1.0, 2.0];
        assert!(curves(&y, &x, &[&[1.0; 7]], &none, true, 0.95).is_ok());
    }
}
