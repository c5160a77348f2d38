//! Two terms swapped by a taster: "bitter" written where the others write "astringent".

use super::paired::{Codes, SlopeParts, Term, corrected_slope};
use super::term::jackknifed_slope;
use super::{Estimate, TasterError, TasterRow, fisher_z, pearson};
use crate::anova::{mean, squares_about};
use crate::dist::{normal_quantile_upper, normal_sf, t_sf};
use crate::least_squares::{Basis, regress};
use crate::multiple::holm;
use serde::Serialize;
use std::collections::BTreeMap;

/// One of a taster's two terms on the others' two terms.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SwapPart {
    /// Correlation with the others' same term.
    pub r_straight: f64,
    /// Correlation with the others' other term.
    pub r_crossed: f64,
    /// Partial slope on the others' same term.
    pub slope_straight: f64,
    /// Partial slope on the others' other term.
    pub slope_crossed: f64,
    /// One-sided p-value that the crossed slope is above 0.
    pub p_follows: f64,
}

/// The swap test of one taster and one pair of terms.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SwapTest {
    /// Code of the taster.
    pub taster: u32,
    /// First term, its place in the input.
    pub a: usize,
    /// Second term.
    pub b: usize,
    /// Slope of the taster's `a - b` on the others' `a - b`: about 1 when straight, about
    /// -1 when swapped. Its p-value is two-sided against 0.
    pub slope: Estimate,
    /// The slope to be expected of this taster if nothing is swapped: the taster's slope in
    /// the other terms (0 to 1) times `reliability_of_others`.
    pub slope_if_straight: f64,
    /// The taster's a.
    pub of_a: SwapPart,
    /// The taster's b.
    pub of_b: SwapPart,
    /// `z(r crossed)` less `z(r straight)`, summed over both (Fisher's z).
    pub z_difference: f64,
    /// Share of the variance of the others' `a - b` that is not their disagreement.
    pub reliability_of_others: f64,
    /// Lots.
    pub n_lots: usize,
    /// One-sided p-value that the terms are straight: `slope` as high as `slope_if_straight`.
    pub p_straight: f64,
    /// The same, by Holm over all tasters and pairs tested.
    pub p_adjusted: f64,
    /// One-sided p-value that `slope` is not below 0.
    pub p_below_zero: f64,
    /// One-sided p-value that the terms do not follow the others' other terms.
    pub p_follows: f64,
    /// One-sided p-value that the taster does not follow the others in the other terms; 1
    /// when there are none, or when `p_below_zero` already says that nothing is swapped.
    pub p_elsewhere: f64,
    /// Whether the swap is named; see [`swap_tests`].
    pub named: bool,
}

/// Returns the swap tests of every taster and pair of terms that can be tested.
///
/// Whoever swaps a and b turns the sign of `a - b`: the taster's lot means of `a - b` are
/// regressed on the others', with t tests on lots - 2 degrees of freedom. What a and b have
/// in common, and the taster's offset, fall out, so that terms that run together can be
/// tested as long as their difference shows.
///
/// A swap is named if at `alpha`
/// 1. "straight" is refuted, adjusted by Holm over all tasters and pairs (a taster without
///    a swap is accused with a chance below `alpha` in all);
/// 2. the slope is below 0;
/// 3. both own terms cross over: in partial regressions on the others' two terms the
///    crossed slopes are above 0 (their t tests added as normal deviates), and exceed the
///    straight ones in size (so a term scored upside down is no swap);
/// 4. the taster follows the others elsewhere (the pooled slope of the other terms is above
///    0), since one who scores at random would meet 2 and 3 in some pair now and then;
///    without other terms, 2 must hold after Holm instead.
///
/// Left out are pairs with fewer than six lots in common, with a single other taster
/// (nobody could say who swapped), and pairs whose difference the others do not agree on
/// (reliability below 0.5; that choice does not look at the taster).
///
/// # Errors
/// [`TasterError`]: fewer than two tasters, a value that is not a number, a bad level.
///
/// # Source
/// Regression with t tests; Stouffer SA et al. (1949), The American Soldier, vol. 1, for
/// adding normal deviates; Holm S (1979). The rule for naming is our own.
pub fn swap_tests(
    terms: &[&[TasterRow]],
    alpha: f64,
    level: f64,
) -> Result<Vec<SwapTest>, TasterError> {
    for found in [alpha, level] {
        if !(found > 0.0 && found < 1.0) {
            return Err(TasterError::BadLevel { found });
        }
    }
    let codes = Codes::of(terms)?;
    let data: Vec<Term> = terms.iter().map(|rows| Term::new(rows, &codes)).collect();
    let parts: Vec<Vec<SlopeParts>> = data
        .iter()
        .map(|term| {
            (0..codes.tasters.len())
                .map(|t| SlopeParts::new(term, t))
                .collect()
        })
        .collect();
    Ok(tests_of(&codes, &parts, alpha, level))
}

pub(super) fn tests_of(
    codes: &Codes,
    parts: &[Vec<SlopeParts>],
    alpha: f64,
    level: f64,
) -> Vec<SwapTest> {
    let mut tests = Vec::new();
    for (taster, &code) in codes.tasters.iter().enumerate() {
        for a in 0..parts.len() {
            for b in a + 1..parts.len() {
                let elsewhere: Vec<&SlopeParts> = (0..parts.len())
                    .filter(|t| *t != a && *t != b)
                    .map(|t| &parts[t][taster])
                    .collect();
                let pair = ((a, &parts[a][taster]), (b, &parts[b][taster]));
                tests.extend(one(code, pair, &elsewhere, alpha, level));
            }
        }
    }
    let adjust = |p: fn(&SwapTest) -> f64| {
        let raw: Vec<f64> = tests.iter().map(p).collect();
        holm(&raw).expect("each p-value is a tail between 0 and 1")
    };
    let straight = adjust(|t| t.p_straight);
    let below_zero = adjust(|t| t.p_below_zero);
    for (i, test) in tests.iter_mut().enumerate() {
        test.p_adjusted = straight[i];
        let (a, b) = (&test.of_a, &test.of_b);
        let (crossed_a, crossed_b) = (a.slope_crossed, b.slope_crossed);
        test.named = test.p_adjusted <= alpha
            && test.p_below_zero <= alpha
            && crossed_a > 0.0
            && crossed_b > 0.0
            && crossed_a + crossed_b > a.slope_straight.abs() + b.slope_straight.abs()
            && test.p_follows <= alpha
            && (test.p_elsewhere <= alpha || below_zero[i] <= alpha);
    }
    tests
}

fn one(
    taster: u32,
    ((a, parts_a), (b, parts_b)): ((usize, &SlopeParts), (usize, &SlopeParts)),
    elsewhere: &[&SlopeParts],
    alpha: f64,
    level: f64,
) -> Option<SwapTest> {
    let points_b: BTreeMap<usize, _> = parts_b.points().iter().map(|p| (p.lot, p)).collect();
    let both: Vec<_> = parts_a
        .points()
        .iter()
        .filter_map(|p| points_b.get(&p.lot).map(|q| (p, *q)))
        .collect();
    let n = both.len() as f64;
    if both.len() < 6 {
        return None;
    }
    let column = |f: &dyn Fn(usize) -> f64| -> Vec<f64> { (0..both.len()).map(f).collect() };
    let own_a = column(&|i| both[i].0.own);
    let own_b = column(&|i| both[i].1.own);
    let others_a = column(&|i| both[i].0.others);
    let others_b = column(&|i| both[i].1.others);
    let own = column(&|i| own_a[i] - own_b[i]);
    let others = column(&|i| others_a[i] - others_b[i]);

    let variance = squares_about(&others, mean(&others)) / (n - 1.0);
    let noise = parts_a.error_of_others(None)? + parts_b.error_of_others(None)?;
    let reliability_of_others = 1.0 - noise / variance;
    // Not a number when the difference never varies: left out as well.
    if !(reliability_of_others >= 0.5) {
        return None;
    }
    let mut constant = Basis::new(both.len());
    constant.push(&vec![1.0; both.len()]);
    let fit = regress(&constant, &[others], &own)?;
    let se = (fit.residual_ss / fit.df * fit.inverse[0][0]).sqrt();
    if !(se > 0.0) {
        return None;
    }
    let of_a = part(&constant, &own_a, &others_a, &others_b)?;
    let of_b = part(&constant, &own_b, &others_b, &others_a)?;
    let slope = fit.coefficients[0];
    // Without other terms a full slope is what one expects.
    let usual = corrected_slope(elsewhere, None).map_or(1.0, |s| s.clamp(0.0, 1.0));
    let slope_if_straight = usual * reliability_of_others;
    let p_below_zero = t_sf(-slope / se, fit.df);
    let z = |p: f64| normal_quantile_upper(p.clamp(1e-300, 1.0 - 1e-16));
    Some(SwapTest {
        taster,
        a,
        b,
        z_difference: fisher_z(of_a.r_crossed) - fisher_z(of_a.r_straight)
            + fisher_z(of_b.r_crossed)
            - fisher_z(of_b.r_straight),
        reliability_of_others,
        n_lots: both.len(),
        slope_if_straight,
        p_straight: t_sf((slope_if_straight - slope) / se, fit.df),
        p_below_zero,
        // Only asked where it can matter: the jackknife is the longest step.
        p_elsewhere: if p_below_zero <= alpha {
            jackknifed_slope(elsewhere, level).map_or(1.0, |e| t_sf(e.value / e.se, e.df))
        } else {
            1.0
        },
        p_adjusted: 1.0,
        p_follows: normal_sf((z(of_a.p_follows) + z(of_b.p_follows)) / 2.0_f64.sqrt()),
        named: false,
        slope: Estimate::about(slope, se, fit.df, 0.0, level),
        of_a,
        of_b,
    })
}

/// One own term on the others' same and other term.
fn part(constant: &Basis, own: &[f64], same: &[f64], other: &[f64]) -> Option<SwapPart> {
    let fit = regress(constant, &[same.to_vec(), other.to_vec()], own)?;
    let se = (fit.residual_ss / fit.df * fit.inverse[1][1]).sqrt();
    if !(se > 0.0) {
        return None;
    }
    Some(SwapPart {
        r_straight: pearson(own, same)?,
        r_crossed: pearson(own, other)?,
        slope_straight: fit.coefficients[0],
        slope_crossed: fit.coefficients[1],
        p_follows: t_sf(fit.coefficients[1] / se, fit.df),
    })
}
