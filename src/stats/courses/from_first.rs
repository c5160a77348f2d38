//! Changes from the first estimate, all at once.

use crate::dist::t_quantile_upper;
use crate::largest_t::LargestT;
use crate::mixed::Family;
use std::collections::HashMap;
use std::sync::{Arc, LazyLock, Mutex};

/// A change from the first estimate with limits that hold for all together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Simultaneous {
    /// The place of the estimate in the family.
    pub place: usize,
    /// The change.
    pub estimate: f64,
    /// Its standard error.
    pub se: f64,
    /// Lower limit.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
    /// Chance of so large a change anywhere among all.
    pub p_value: f64,
}

/// Changes from the first estimate.
#[derive(Debug, Clone, PartialEq)]
pub struct FromFirst {
    /// How many changes were asked together.
    pub n_compared: usize,
    /// Degrees of freedom: the smallest of all changes.
    pub df: f64,
    /// What the largest t exceeds with the chance `1 - level`; none where no change would be beyond
    /// luck even alone, so that nothing was worked out.
    pub critical: Option<f64>,
    /// The largest t of all.
    pub largest_t: f64,
    /// The first estimate whose limits leave out 0.
    pub first: Option<Simultaneous>,
    /// Whether the last change points the same way and is itself, asked alone, beyond luck.
    pub lasts: bool,
}

/// The largest t of some correlations with its critical value.
struct Luck {
    all: LargestT,
    critical: f64,
}

/// So many are kept.
const KEPT: usize = 128;

/// What luck alone reaches. Samples that were tasted alike ask the same again and again.
fn luck(r: &[Vec<f64>], level: f64, df: f64) -> Option<Arc<Luck>> {
    static KNOWN: LazyLock<Mutex<HashMap<Vec<u64>, Arc<Luck>>>> = LazyLock::new(Mutex::default);
    let below = r.iter().enumerate().flat_map(|(i, row)| &row[..i]);
    let key: Vec<u64> = [level, df].iter().chain(below).map(|v| v.to_bits()).collect();
    if let Some(known) = KNOWN.lock().ok().and_then(|all| all.get(&key).cloned()) {
        return Some(known);
    }
    let all = LargestT::new(r).ok()?;
    let critical = all.quantile_upper(1.0 - level, df);
    let made = Arc::new(Luck { all, critical });
    if let Ok(mut known) = KNOWN.lock() {
        if known.len() >= KEPT {
            known.clear();
        }
        known.insert(key, Arc::clone(&made));
    }
    Some(made)
}

/// Returns which estimate of `family`, in its order, is the first whose change from the first one is
/// beyond luck, all changes taken together at confidence `level`: `d_k - d_1` within
/// `c se`, c the two-sided quantile of the largest of t statistics with the correlations of these
/// changes ([`LargestT`]) and the smallest of their degrees of freedom. So the chance that any
/// estimate is named where nothing changes is `1 - level`, at whatever place (Dunnett 1955 with
/// correlations of their own). That holds for the errors of the family: what estimates wobble beyond
/// them is not in it. None with fewer than two estimates, or where a change has no variance
/// or is not estimable.
#[must_use]
pub fn from_first(family: &Family, level: f64) -> Option<FromFirst> {
    let rows: Vec<Vec<f64>> = (1..family.len())
        .map(|k| {
            (0..family.len())
                .map(|i| f64::from(u8::from(i == k)) - f64::from(u8::from(i == 0)))
                .collect()
        })
        .collect();
    let k = rows.len();
    let changes = family.combined(&rows);
    let mut df = f64::INFINITY;
    let mut se = Vec::with_capacity(k);
    let mut unit = vec![0.0; k];
    for i in 0..k {
        unit[i] = 1.0;
        let (variance, own) = changes.variance_and_df(&unit)?;
        unit[i] = 0.0;
        if !(variance > 0.0 && own > 0.0) {
            return None;
        }
        df = df.min(own);
        se.push(variance.sqrt());
    }
    let t: Vec<f64> = changes.estimates().iter().zip(&se).map(|(e, s)| e / s).collect();
    let largest_t = t.iter().fold(0.0, |most: f64, t| most.max(t.abs()));
    let mut found =
        FromFirst { n_compared: k, df, critical: None, largest_t, first: None, lasts: false };
    if k == 0 || largest_t <= t_quantile_upper(0.5 * (1.0 - level), df) {
        return (k > 0).then_some(found);
    }
    let correlation = |i: usize, j: usize| {
        let own = changes.covariance(i, i) * changes.covariance(j, j);
        if i == j { 1.0 } else { (changes.covariance(i, j) / own.sqrt()).clamp(-1.0, 1.0) }
    };
    let r: Vec<Vec<f64>> = (0..k).map(|i| (0..k).map(|j| correlation(i, j)).collect()).collect();
    let luck = luck(&r, level, df)?;
    let (all, critical) = (&luck.all, luck.critical);
    found.critical = Some(critical);
    if let Some(i) = t.iter().position(|t| t.abs() > critical) {
        let alone = t_quantile_upper(0.5 * (1.0 - level), df);
        found.lasts = t[k - 1] * t[i] > 0.0 && t[k - 1].abs() > alone;
        found.first = Some(Simultaneous {
            place: i + 1,
            estimate: changes.estimates()[i],
            se: se[i],
            lower: changes.estimates()[i] - critical * se[i],
            upper: changes.estimates()[i] + critical * se[i],
            p_value: all.sf(t[i], df),
        });
    }
    Some(found)
}
