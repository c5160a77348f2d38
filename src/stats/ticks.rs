//! Ticks and categories: Cochran's Q, McNemar's test and Fleiss' kappa.

use crate::dist::{binomial_at_most, binomial_pmf, chi2_sf};
use serde::Serialize;
use thiserror::Error;

/// Why a statistic of ticks has no value.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum TicksError {
    /// A table without enough rows or columns.
    #[error("{rows} rows by {columns} columns are too few")]
    TooSmall {
        /// Rows found.
        rows: usize,
        /// Columns found.
        columns: usize,
    },
    /// Rows of different length.
    #[error("row {row} has {found} entries, the first one has {expected}")]
    Ragged {
        /// Row, from 0.
        row: usize,
        /// Its length.
        found: usize,
        /// The first row's length.
        expected: usize,
    },
    /// Rows with different numbers of answers.
    #[error(
        "row {row} holds {found} answers, the first one {expected}; each needs the same number, at least 2"
    )]
    UnequalAnswers {
        /// Row, from 0.
        row: usize,
        /// Its answers.
        found: u64,
        /// The first row's answers.
        expected: u64,
    },
    /// Nobody was of two minds: 0/0.
    #[error("all answers are alike, so the statistic has no value")]
    NoVariation,
}

/// Cochran's Q.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CochranQ {
    /// The statistic.
    pub q: f64,
    /// Columns less one.
    pub df: f64,
    /// Upper tail of chi-square.
    pub p_value: f64,
    /// Ticks of each column.
    pub column_totals: Vec<u64>,
    /// Rows that are neither all ticked nor all blank: the only ones that count.
    pub n_informative: usize,
}

/// McNemar's test of two columns.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct McNemar {
    /// Rows with yes, then no.
    pub b: u64,
    /// Rows with no, then yes.
    pub c: u64,
    /// `(b - c)^2 / (b + c)`; 0 when both are 0.
    pub chi2: f64,
    /// Its upper tail on 1 df.
    pub chi2_p: f64,
    /// `(|b - c| - 1)^2 / (b + c)`, the difference at least 0 (continuity correction).
    pub chi2_corrected: f64,
    /// Its upper tail on 1 df.
    pub chi2_corrected_p: f64,
    /// Exact two-sided binomial p, twice the smaller tail, at most 1.
    pub exact_p: f64,
    /// The exact p with the observed outcome counted half.
    pub mid_p: f64,
}

/// Fleiss' kappa.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FleissKappa {
    /// `(observed - expected) / (1 - expected)`.
    pub kappa: f64,
    /// Mean share of agreeing pairs.
    pub observed: f64,
    /// Share expected from the categories' frequencies.
    pub expected: f64,
    /// Share of each category in all answers.
    pub shares: Vec<f64>,
    /// Kappa of each category against all others; `None` when it was always or never chosen.
    pub by_category: Vec<Option<f64>>,
    /// Standard error when there is no agreement (Fleiss, Nee and Landis 1979).
    pub se_no_agreement: f64,
    /// `kappa / se_no_agreement`.
    pub z: f64,
    /// The standard error as printed in 1971, for comparison with older tables only: it was
    /// wrong and has been replaced by the other.
    pub se_1971: f64,
    /// Rows.
    pub n_subjects: usize,
    /// Answers a row.
    pub n_raters: u64,
}

fn checked_width<T>(table: &[Vec<T>]) -> Result<usize, TicksError> {
    let columns = table.first().map_or(0, Vec::len);
    for (row, entries) in table.iter().enumerate() {
        if entries.len() != columns {
            return Err(TicksError::Ragged { row, found: entries.len(), expected: columns });
        }
    }
    if table.len() < 2 || columns < 2 {
        return Err(TicksError::TooSmall { rows: table.len(), columns });
    }
    Ok(columns)
}

/// Returns Cochran's Q: whether columns (lots) are ticked equally often by the same rows
/// (tasters, or taster and flight).
///
/// With column totals G, row totals L and k columns
/// `Q = (k - 1)(k sum G^2 - (sum G)^2) / (k sum L - sum L^2)`, chi-square on k - 1 df. Rows
/// that are all ticked or all blank change nothing. With fewer than about 24 informative
/// cells the chi-square tail is rough.
///
/// # Errors
/// [`TicksError`]: ragged or too small tables, or no informative row.
///
/// # Source
/// Cochran WG (1950), Biometrika 37:256-266.
pub fn cochran_q(rows: &[Vec<bool>]) -> Result<CochranQ, TicksError> {
    let columns = checked_width(rows)?;
    let column_totals: Vec<u64> =
        (0..columns).map(|c| rows.iter().filter(|r| r[c]).count() as u64).collect();
    let row_totals: Vec<u64> =
        rows.iter().map(|r| r.iter().filter(|t| **t).count() as u64).collect();
    let k = columns as u64;
    let total: u64 = column_totals.iter().sum();
    let below = k * total - row_totals.iter().map(|l| l * l).sum::<u64>();
    if below == 0 {
        return Err(TicksError::NoVariation);
    }
    let above = (k - 1) * (k * column_totals.iter().map(|g| g * g).sum::<u64>() - total * total);
    let q = above as f64 / below as f64;
    let df = (k - 1) as f64;
    Ok(CochranQ {
        q,
        df,
        p_value: chi2_sf(q, df),
        column_totals,
        n_informative: row_totals.iter().filter(|&&l| l > 0 && l < k).count(),
    })
}

/// Returns McNemar's test from the two counts of rows that changed.
///
/// # Source
/// McNemar Q (1947), Psychometrika 12:153-157; the exact p is the binomial with 1/2, the correction
/// Yates's. The chi-square tails are rough where fewer than about 10 rows changed.
pub fn mcnemar(b: u64, c: u64) -> McNemar {
    let n = b + c;
    let over = |d: f64| if n == 0 { 0.0 } else { d * d / n as f64 };
    let apart = b.abs_diff(c) as f64;
    let (chi2, chi2_corrected) = (over(apart), over((apart - 1.0).max(0.0)));
    let twice = 2.0 * binomial_at_most(b.min(c), n, 0.5);
    McNemar {
        b,
        c,
        chi2,
        chi2_p: chi2_sf(chi2, 1.0),
        chi2_corrected,
        chi2_corrected_p: chi2_sf(chi2_corrected, 1.0),
        exact_p: twice.min(1.0),
        mid_p: (twice - binomial_pmf(b.min(c), n, 0.5)).min(1.0),
    }
}

/// Returns Fleiss' kappa from counts: one row a subject (lot or cup), one column a category,
/// each row with the same number m of answers.
///
/// `P_i = sum n_ij (n_ij - 1) / (m (m - 1))`, `kappa = (mean P - sum p_j^2) / (1 - sum p_j^2)`.
/// The standard error holds when there is no agreement and serves a test only. That printed in
/// 1971 was wrong: it is given, but z does not use it.
///
/// # Errors
/// [`TicksError`]: ragged or too small tables, unequal numbers of answers, or one category
/// only.
///
/// # Source
/// Fleiss JL (1971), Psychological Bulletin 76:378-382; Fleiss JL, Nee JCM, Landis JR
/// (1979), Psychological Bulletin 86:974-977.
pub fn fleiss_kappa(counts: &[Vec<u64>]) -> Result<FleissKappa, TicksError> {
    let columns = checked_width(counts)?;
    let m: u64 = counts[0].iter().sum();
    for (row, entries) in counts.iter().enumerate() {
        let found: u64 = entries.iter().sum();
        if found != m || m < 2 {
            return Err(TicksError::UnequalAnswers { row, found, expected: m });
        }
    }
    let n = counts.len() as f64;
    let answers = m as f64;
    let pairs = answers * (answers - 1.0);
    let observed = counts
        .iter()
        .map(|row| row.iter().map(|&c| (c * c) as f64 - c as f64).sum::<f64>() / pairs)
        .sum::<f64>()
        / n;
    let shares: Vec<f64> = (0..columns)
        .map(|c| counts.iter().map(|row| row[c]).sum::<u64>() as f64 / (n * answers))
        .collect();
    let expected: f64 = shares.iter().map(|p| p * p).sum();
    let pq: f64 = shares.iter().map(|p| p * (1.0 - p)).sum();
    if pq <= 0.0 {
        return Err(TicksError::NoVariation);
    }
    let skew: f64 = shares.iter().map(|p| p * (1.0 - p) * (1.0 - 2.0 * p)).sum();
    let kappa = (observed - expected) / (1.0 - expected);
    let se = 2.0_f64.sqrt() * (pq * pq - skew).max(0.0).sqrt() / (pq * (n * pairs).sqrt());
    let cubes: f64 = shares.iter().map(|p| p * p * p).sum();
    let old =
        expected - (2.0 * answers - 3.0) * expected * expected + 2.0 * (answers - 2.0) * cubes;
    let se_1971 = (2.0 * old.max(0.0) / (n * pairs)).sqrt() / (1.0 - expected);
    let by_category = shares
        .iter()
        .enumerate()
        .map(|(c, &p)| {
            let apart: f64 = counts.iter().map(|r| (r[c] * (m - r[c])) as f64).sum();
            (p > 0.0 && p < 1.0).then(|| 1.0 - apart / (n * pairs * p * (1.0 - p)))
        })
        .collect();
    Ok(FleissKappa {
        kappa,
        observed,
        expected,
        shares,
        by_category,
        se_no_agreement: se,
        z: kappa / se,
        se_1971,
        n_subjects: counts.len(),
        n_raters: m,
    })
}
