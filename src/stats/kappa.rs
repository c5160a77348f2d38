//! Cohen's kappa of two tasters, unweighted and weighted.

use crate::dist::{normal_quantile_upper, proportion_limits};
use serde::Serialize;
use thiserror::Error;

/// How much a disagreement of two categories counts.
#[derive(Debug, Clone, PartialEq)]
pub enum Weighting {
    /// Any two categories that differ count alike.
    Equal,
    /// By the number of steps between them.
    Linear,
    /// By the square of that number.
    Quadratic,
    /// As given: `disagreement[i][j]`, 0 or more; their common scale does not matter.
    Given(Vec<Vec<f64>>),
}

/// Why kappa has no value.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum KappaError {
    /// No square table of at least two categories.
    #[error("row {row} has {found} categories, expected {expected} (a square table of 2 or more)")]
    NotSquare {
        /// Row, from 0.
        row: usize,
        /// Its entries.
        found: usize,
        /// Rows of the table.
        expected: usize,
    },
    /// Nothing was judged by both.
    #[error("the two judged nothing in common")]
    Empty,
    /// Both used one and the same category throughout: 0/0.
    #[error("both gave one and the same answer throughout, so kappa has no value")]
    NoVariation,
    /// Weights that are no table of the same size, negative or not numbers.
    #[error("weight {row}, {column} is missing, negative or not a number")]
    BadWeight {
        /// Row, from 0.
        row: usize,
        /// Column, from 0.
        column: usize,
    },
    /// A level outside 0 to 1.
    #[error("an interval needs a level between 0 and 1, found {found}")]
    BadLevel {
        /// What stood there.
        found: f64,
    },
}

/// Why a kappa has no limits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Error)]
#[serde(rename_all = "snake_case")]
pub enum NoLimits {
    /// Kappa is 0 then, whatever the other said.
    #[error(
        "one of the two gave one and the same answer throughout, so that kappa would be 0 whatever the \
         other answered"
    )]
    OneAnswer,
    /// The standard error is 0 where agreement is neither full nor none.
    #[error("the answers leave its standard error at 0, which is no sign of sureness")]
    NoError,
}

/// Cohen's kappa of two tasters.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CohenKappa {
    /// `(observed - expected) / (1 - expected)`: 0 by luck, 1 perfect.
    pub kappa: f64,
    /// Weighted share of agreement.
    pub observed: f64,
    /// The share that the two margins give by luck.
    pub expected: f64,
    /// Standard error, for an interval; 0 when the agreement is perfect.
    pub se: f64,
    /// Lower and upper limit, or why there are none.
    pub limits: Result<(f64, f64), NoLimits>,
    /// Standard error when there is no agreement, for a test.
    pub se_no_agreement: f64,
    /// `kappa / se_no_agreement`.
    pub z: f64,
    /// Units judged by both.
    pub n: u64,
}

/// The share of agreement of each two categories, 1 on the diagonal.
fn agreement(weighting: &Weighting, k: usize) -> Result<Vec<Vec<f64>>, KappaError> {
    let steps = (k - 1) as f64;
    let apart = |i: usize, j: usize| i.abs_diff(j) as f64 / steps;
    let table = |f: &dyn Fn(usize, usize) -> f64| -> Vec<Vec<f64>> {
        (0..k).map(|i| (0..k).map(|j| 1.0 - f(i, j)).collect()).collect()
    };
    match weighting {
        Weighting::Equal => Ok(table(&|i, j| f64::from(u8::from(i != j)))),
        Weighting::Linear => Ok(table(&apart)),
        Weighting::Quadratic => Ok(table(&|i, j| apart(i, j).powi(2))),
        Weighting::Given(d) => {
            let mut largest = 0.0_f64;
            for row in 0..k {
                for column in 0..k {
                    match d.get(row).and_then(|r| r.get(column)) {
                        Some(&w) if w >= 0.0 && w.is_finite() => largest = largest.max(w),
                        _ => return Err(KappaError::BadWeight { row, column }),
                    }
                }
            }
            if largest == 0.0 {
                return Err(KappaError::NoVariation);
            }
            Ok(table(&|i, j| d[i][j] / largest))
        }
    }
}

/// Returns Cohen's kappa of a square table of counts: `counts[i][j]` units that the first taster
/// put into category i and the second into j.
///
/// With shares p, margins r (rows) and c (columns) and agreement weights w (1 less the
/// disagreement over its largest), `observed = sum w p`, `expected = sum w r c`,
/// `kappa = (observed - expected) / (1 - expected)`. With `m_ij = sum_l c_l w_il + sum_l r_l w_lj`
/// the squared standard error is
/// `(sum p_ij (w_ij - m_ij (1 - kappa))^2 - (kappa - expected (1 - kappa))^2) / (n (1 - expected)^2)`,
/// and that of no agreement `(sum r_i c_j (w_ij - m_ij)^2 - expected^2) / (n (1 - expected)^2)`.
/// The limits are kappa less and plus normal quantiles times the first: rough below about 30 units,
/// and they take the units as independent, which cups of one lot are not. With full agreement, or
/// none, that error is 0, which is no sign of sureness: there the limits are the exact ones of the share of
/// units judged alike (Clopper and Pearson), put through the formula of kappa with `expected` taken
/// as known, as in Cohen's own standard error of 1960. Of n units that all agree the lower one is
/// `((tail)^(1/n) - expected) / (1 - expected)`. Where one of the two gave one answer throughout,
/// kappa is 0 by its definition and has no limits.
///
/// # Errors
/// [`KappaError`]: no square table, nothing in it, one category only, bad weights or level.
///
/// # Source
/// Cohen J (1960), Educational and Psychological Measurement 20:37-46; Cohen J (1968), Psychological
/// Bulletin 70:213-220; standard errors: Fleiss JL, Cohen J, Everitt BS (1969), Psychological
/// Bulletin 72:323-327; limits of a share: Clopper CJ, Pearson ES (1934), Biometrika 26:404-413 (all but
/// Cohen 1968 from memory).
pub fn cohen_kappa(
    counts: &[Vec<u64>],
    weighting: &Weighting,
    level: f64,
) -> Result<CohenKappa, KappaError> {
    if !(level > 0.0 && level < 1.0) {
        return Err(KappaError::BadLevel { found: level });
    }
    let k = counts.len();
    for (row, entries) in counts.iter().enumerate() {
        if entries.len() != k || k < 2 {
            return Err(KappaError::NotSquare { row, found: entries.len(), expected: k.max(2) });
        }
    }
    let n: u64 = counts.iter().flatten().sum();
    if n == 0 {
        return Err(KappaError::Empty);
    }
    let w = agreement(weighting, k)?;
    let total = n as f64;
    let share = |i: usize, j: usize| counts[i][j] as f64 / total;
    let rows: Vec<f64> = (0..k).map(|i| (0..k).map(|j| share(i, j)).sum()).collect();
    let columns: Vec<f64> = (0..k).map(|j| (0..k).map(|i| share(i, j)).sum()).collect();
    let over = |f: &dyn Fn(usize, usize) -> f64| -> f64 {
        (0..k).map(|i| (0..k).map(|j| f(i, j)).sum::<f64>()).sum()
    };
    let observed = over(&|i, j| w[i][j] * share(i, j));
    let expected = over(&|i, j| w[i][j] * rows[i] * columns[j]);
    let room = 1.0 - expected;
    // One category throughout leaves nothing but rounding.
    if room < 1e-12 {
        return Err(KappaError::NoVariation);
    }
    let kappa = (observed - expected) / room;
    let of_row: Vec<f64> = (0..k).map(|i| (0..k).map(|j| columns[j] * w[i][j]).sum()).collect();
    let of_column: Vec<f64> = (0..k).map(|j| (0..k).map(|i| rows[i] * w[i][j]).sum()).collect();
    let spread =
        over(&|i, j| share(i, j) * (w[i][j] - (of_row[i] + of_column[j]) * (1.0 - kappa)).powi(2));
    let by_luck = over(&|i, j| rows[i] * columns[j] * (w[i][j] - of_row[i] - of_column[j]).powi(2));
    let root = |v: f64| v.max(0.0).sqrt() / (room * total.sqrt());
    let se = root(spread - (kappa - expected * (1.0 - kappa)).powi(2));
    let se_no_agreement = root(by_luck - expected * expected);
    let tail = (1.0 - level) / 2.0;
    let one_answer = |shares: &[f64]| shares.iter().filter(|s| **s > 0.0).count() == 1;
    let limits = if one_answer(&rows) || one_answer(&columns) {
        Err(NoLimits::OneAnswer)
    } else if se > 1e-9 {
        let reach = normal_quantile_upper(tail) * se;
        Ok((kappa - reach, (kappa + reach).min(1.0)))
    } else {
        // No weight is above 1, so that a weighted share is no further from its end than the plain one.
        let of = |share: f64| (share - expected) / room;
        if (observed - 1.0).abs() < 1e-12 {
            Ok((of(proportion_limits(n, n, tail).0), 1.0))
        } else if observed.abs() < 1e-12 {
            Ok((kappa, of(proportion_limits(0, n, tail).1)))
        } else {
            Err(NoLimits::NoError)
        }
    };
    Ok(CohenKappa {
        kappa,
        observed,
        expected,
        se,
        limits,
        se_no_agreement,
        z: if se_no_agreement > 0.0 { kappa / se_no_agreement } else { 0.0 },
        n,
    })
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn perfect_agreement_is_one_and_opposite_answers_are_below_zero() {
        let perfect = cohen_kappa(&[vec![4, 0], vec![0, 6]], &Weighting::Equal, 0.95).unwrap();
        assert_eq!((perfect.kappa, perfect.se), (1.0, 0.0));
        let opposite = cohen_kappa(&[vec![0, 5], vec![5, 0]], &Weighting::Equal, 0.95).unwrap();
        assert!((opposite.kappa + 1.0).abs() < 1e-12);
    }

    // "Exact" limits of 10 of 10: .6915 to 1, the closed form .025^(1/10) (Clopper and Pearson 1934).
    #[test]
    fn full_agreement_of_few_units_is_not_sure() {
        let share = 0.025_f64.powf(0.1);
        assert!((share - 0.6915).abs() < 5e-5);
        for w in [Weighting::Equal, Weighting::Linear, Weighting::Quadratic] {
            let table = [vec![4, 0, 0], vec![0, 4, 0], vec![0, 0, 2]];
            let found = cohen_kappa(&table, &w, 0.95).unwrap();
            let (lower, upper) = found.limits.unwrap();
            assert_eq!(upper, 1.0);
            let want = (share - found.expected) / (1.0 - found.expected);
            assert!((lower - want).abs() < 1e-9, "{w:?}: {lower} {want}");
        }
        let opposite = cohen_kappa(&[vec![0, 5], vec![5, 0]], &Weighting::Equal, 0.95).unwrap();
        let (lower, upper) = opposite.limits.unwrap();
        assert!((lower + 1.0).abs() < 1e-12 && (upper - (1.0 - 2.0 * share)).abs() < 1e-9);
    }

    #[test]
    fn one_answer_throughout_has_no_limits() {
        let found = cohen_kappa(&[vec![3, 4], vec![0, 0]], &Weighting::Equal, 0.95).unwrap();
        assert_eq!((found.kappa, found.limits), (0.0, Err(NoLimits::OneAnswer)));
    }

    // Tasters who agree with a planted kappa of .8 in 12 cups: the normal error alone would hold it in
    // far fewer tables, since it is 0 whenever all twelve agree.
    #[test]
    fn limits_hold_a_high_kappa_of_few_units() {
        let (mut held, mut by_error_alone, mut n) = (0, 0, 0);
        for seed in 0..2000 {
            let mut stream = crate::rng::stream(11, seed);
            let mut counts = [[0_u64; 2]; 2];
            for _ in 0..12 {
                let first = stream.below(2);
                // Copied in 8 of 10 cups, else drawn anew: kappa is the share copied.
                let second = if stream.below(10) < 8 { first } else { stream.below(2) };
                counts[first][second] += 1;
            }
            let table: Vec<Vec<u64>> = counts.iter().map(|r| r.to_vec()).collect();
            let Ok(found) = cohen_kappa(&table, &Weighting::Equal, 0.95) else { continue };
            let Ok((lower, upper)) = found.limits else { continue };
            n += 1;
            held += u32::from(lower <= 0.8 && 0.8 <= upper);
            by_error_alone += u32::from((found.kappa - 0.8).abs() <= 1.96 * found.se);
        }
        let share = |k: u32| f64::from(k) / f64::from(n);
        assert!(share(held) > 0.93, "{}", share(held));
        assert!(share(by_error_alone) < 0.80, "{}", share(by_error_alone));
    }

    #[test]
    fn with_two_categories_all_weightings_are_one() {
        let table = [vec![7, 2], vec![3, 9]];
        let plain = cohen_kappa(&table, &Weighting::Equal, 0.95).unwrap();
        for w in [Weighting::Linear, Weighting::Quadratic] {
            assert_eq!(cohen_kappa(&table, &w, 0.95).unwrap(), plain);
        }
    }

    #[test]
    fn what_has_no_kappa_says_why() {
        let of = |t: &[Vec<u64>]| cohen_kappa(t, &Weighting::Equal, 0.95);
        assert_eq!(of(&[vec![0, 0], vec![0, 0]]), Err(KappaError::Empty));
        assert_eq!(of(&[vec![9, 0], vec![0, 0]]), Err(KappaError::NoVariation));
        assert!(matches!(of(&[vec![9, 0]]), Err(KappaError::NotSquare { row: 0, .. })));
        assert!(matches!(of(&[vec![9]]), Err(KappaError::NotSquare { .. })));
        let given = Weighting::Given(vec![vec![0.0, f64::NAN], vec![1.0, 0.0]]);
        assert_eq!(
            cohen_kappa(&[vec![1, 1], vec![1, 1]], &given, 0.95),
            Err(KappaError::BadWeight { row: 0, column: 1 })
        );
    }
}
