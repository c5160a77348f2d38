//! Many questions at once: adjusted p-values, and letters for lots that cannot be told apart.

use crate::range::studentized_range_sf;
use serde::Serialize;
use thiserror::Error;

/// Why p-values or letters could not be made.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum MultipleError {
    /// A p-value outside 0 to 1, or not a number.
    #[error("p-value {index} is {found}, expected a number from 0 to 1")]
    NotAProbability {
        /// Its place in the input, from 0.
        index: usize,
        /// What stood there.
        found: f64,
    },
    /// The table of pairs does not fit the number of means.
    #[error("the table of p-values has row lengths that do not fit {n_means} means")]
    Shape {
        /// Number of means.
        n_means: usize,
    },
    /// A mean is not a number, so that lots cannot be put in order.
    #[error("mean {index} is not a number")]
    NotANumber {
        /// Its place in the input, from 0.
        index: usize,
    },
}

fn checked_order(p: &[f64]) -> Result<Vec<usize>, MultipleError> {
    if let Some(index) = p.iter().position(|v| !(0.0..=1.0).contains(v)) {
        return Err(MultipleError::NotAProbability {
            index,
            found: p[index],
        });
    }
    let mut order: Vec<usize> = (0..p.len()).collect();
    order.sort_by(|&a, &b| p[a].total_cmp(&p[b]));
    Ok(order)
}

/// Returns Holm's adjusted p-values in the order of the input.
///
/// With the m values sorted upwards, `p~(i) = max over j <= i of min(1, (m - j + 1) p(j))`.
/// Rejecting those at or below a level keeps the chance of any false rejection below that
/// level, whatever the dependence. Ties share one adjusted value. An empty input gives an
/// empty result.
///
/// # Errors
/// [`MultipleError::NotAProbability`] for a value outside 0 to 1 or not a number.
///
/// # Source
/// Holm S (1979), Scandinavian Journal of Statistics 6:65-70.
pub fn holm(p: &[f64]) -> Result<Vec<f64>, MultipleError> {
    let order = checked_order(p)?;
    let m = p.len();
    let mut adjusted = vec![0.0; m];
    let mut so_far = 0.0_f64;
    for (rank, &at) in order.iter().enumerate() {
        so_far = so_far.max(((m - rank) as f64 * p[at]).min(1.0));
        adjusted[at] = so_far;
    }
    Ok(adjusted)
}

/// Returns Benjamini and Hochberg's adjusted p-values in the order of the input.
///
/// With the m values sorted upwards, `p~(i) = min over j >= i of min(1, m p(j) / j)`.
/// Rejecting those at or below q keeps the expected share of false rejections among the
/// rejected at or below q for independent (and some positively dependent) tests.
///
/// # Errors
/// [`MultipleError::NotAProbability`] for a value outside 0 to 1 or not a number.
///
/// # Source
/// Benjamini Y, Hochberg Y (1995), Journal of the Royal Statistical Society B 57:289-300.
pub fn benjamini_hochberg(p: &[f64]) -> Result<Vec<f64>, MultipleError> {
    let order = checked_order(p)?;
    let m = p.len() as f64;
    let mut adjusted = vec![0.0; p.len()];
    let mut so_far = 1.0_f64;
    for (rank, &at) in order.iter().enumerate().rev() {
        // In this order the last factor is exactly 1, so that nothing falls below its raw p.
        so_far = so_far.min(p[at] * (m / (rank + 1) as f64));
        adjusted[at] = so_far;
    }
    Ok(adjusted)
}

/// One pairwise comparison by the Tukey-Kramer method.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TukeyKramer {
    /// The studentized range statistic, `|t| sqrt(2)`.
    pub q: f64,
    /// The chance of a range this large among `n_means` equal means.
    pub p_value: f64,
}

/// Returns the Tukey-Kramer p-value of one difference of two means.
///
/// `q = |difference / standard error| sqrt(2)`, referred to the studentized range of
/// `n_means` means with `df` degrees of freedom (infinity allowed). Exact for independent
/// means of equal n, a little cautious for unequal n (Hayter 1984).
///
/// # Source
/// Tukey J (1953); Kramer CY (1956), Biometrics 12:307-310.
pub fn tukey_kramer(t: f64, n_means: usize, df: f64) -> TukeyKramer {
    let q = t.abs() * std::f64::consts::SQRT_2;
    TukeyKramer {
        q,
        p_value: studentized_range_sf(q, u32::try_from(n_means).unwrap_or(u32::MAX), df),
    }
}

/// Returns letters for each mean, in the order of the input: two means share a letter
/// exactly when their pair is not significant. The lowest mean has the letter `a`.
///
/// `pairs[i][j]` holds the p-value of the pair i, j; only entries below the diagonal or
/// above it need be filled, the smaller of the two is used, and `NaN` stands for "not
/// filled". A pair differs when its p-value is below `level`. After 26 letters come `aa`,
/// `ab` and so on, each joined by no sign, so that more than 26 groups should be shown
/// with a separator by the caller: every letter is its own string here.
///
/// # Errors
/// [`MultipleError::Shape`] if `pairs` is not square with one row a mean;
/// [`MultipleError::NotANumber`] if a mean is not a number.
///
/// # Source
/// Insert-and-absorb: Piepho HP (2004), Journal of Computational and Graphical Statistics
/// 13:456-466.
pub fn compact_letters(
    means: &[f64],
    pairs: &[Vec<f64>],
    level: f64,
) -> Result<Vec<Vec<String>>, MultipleError> {
    let n = means.len();
    if pairs.len() != n || pairs.iter().any(|row| row.len() != n) {
        return Err(MultipleError::Shape { n_means: n });
    }
    if let Some(index) = means.iter().position(|m| m.is_nan()) {
        return Err(MultipleError::NotANumber { index });
    }
    let mut order: Vec<usize> = (0..n).collect();
    order.sort_by(|&a, &b| means[a].total_cmp(&means[b]));

    // Each set holds ranks (0 = lowest mean) that may share a letter.
    let mut sets: Vec<Vec<bool>> = if n == 0 { vec![] } else { vec![vec![true; n]] };
    for low in 0..n {
        for high in low + 1..n {
            let (i, j) = (order[low], order[high]);
            // f64::min passes over a NaN, which is how a half-filled table is read.
            if !(pairs[i][j].min(pairs[j][i]) < level) {
                continue;
            }
            let mut next: Vec<Vec<bool>> = Vec::with_capacity(sets.len() + 1);
            for set in sets {
                if set[low] && set[high] {
                    let mut without_low = set.clone();
                    without_low[low] = false;
                    let mut without_high = set;
                    without_high[high] = false;
                    next.push(without_low);
                    next.push(without_high);
                } else {
                    next.push(set);
                }
            }
            sets = absorb(next);
        }
    }
    // The letter order follows the lowest member, then the next ones.
    let key = |set: &Vec<bool>| -> Vec<usize> { (0..n).filter(|&r| set[r]).collect() };
    sets.sort_by_key(key);
    let mut letters = vec![Vec::new(); n];
    for (which, set) in sets.iter().enumerate() {
        for rank in (0..n).filter(|&r| set[r]) {
            letters[order[rank]].push(letter(which));
        }
    }
    Ok(letters)
}

fn absorb(sets: Vec<Vec<bool>>) -> Vec<Vec<bool>> {
    let within = |a: &Vec<bool>, b: &Vec<bool>| a.iter().zip(b).all(|(&x, &y)| !x || y);
    let mut kept: Vec<Vec<bool>> = Vec::with_capacity(sets.len());
    for set in sets {
        if kept.iter().any(|other| within(&set, other)) {
            continue;
        }
        kept.retain(|other| !within(other, &set));
        kept.push(set);
    }
    kept
}

fn letter(mut which: usize) -> String {
    let mut text = Vec::new();
    loop {
        text.push(b'a' + (which % 26) as u8);
        which /= 26;
        if which == 0 {
            break;
        }
        which -= 1;
    }
    text.iter().rev().map(|&b| char::from(b)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn joined(letters: &[Vec<String>]) -> Vec<String> {
        letters.iter().map(|l| l.concat()).collect()
    }

    #[test]
    fn the_lowest_mean_has_the_first_letter() {
        let nan = f64::NAN;
        // Means 3, 1, 2: the ends differ, the middle differs from neither.
        let pairs = vec![
            vec![nan, nan, nan],
            vec![0.01, nan, nan],
            vec![0.2, 0.3, nan],
        ];
        let letters = compact_letters(&[3.0, 1.0, 2.0], &pairs, 0.05).unwrap();
        assert_eq!(joined(&letters), ["b", "a", "ab"]);
    }

    #[test]
    fn a_ragged_table_and_a_missing_mean_are_refused() {
        assert_eq!(
            compact_letters(&[1.0, 2.0], &[vec![1.0, 1.0]], 0.05),
            Err(MultipleError::Shape { n_means: 2 })
        );
        assert_eq!(
            compact_letters(&[f64::NAN], &[vec![1.0]], 0.05),
            Err(MultipleError::NotANumber { index: 0 })
        );
        assert!(holm(&[0.5, f64::NAN]).is_err());
        assert!(benjamini_hochberg(&[1.5]).is_err());
    }

    #[test]
    fn letters_go_on_after_z() {
        assert_eq!(letter(0), "a");
        assert_eq!(letter(25), "z");
        assert_eq!(letter(26), "aa");
        assert_eq!(letter(52), "ba");
    }

    proptest! {
        // The definition itself: a shared letter exactly when the pair is not significant.
        #[test]
        fn pairs_share_a_letter_exactly_when_alike(
            n in 1_usize..8,
            draws in proptest::collection::vec(0.0_f64..1.0, 64),
        ) {
            let means: Vec<f64> = draws[..n].to_vec();
            let mut pairs = vec![vec![1.0; n]; n];
            for i in 0..n {
                for j in 0..i {
                    let p = draws[8 + 7 * i + j] * 0.15;
                    pairs[i][j] = p;
                    pairs[j][i] = p;
                }
            }
            let letters = compact_letters(&means, &pairs, 0.05).unwrap();
            for i in 0..n {
                prop_assert!(!letters[i].is_empty());
                for j in 0..i {
                    let share = letters[i].iter().any(|l| letters[j].contains(l));
                    prop_assert_eq!(share, pairs[i][j] >= 0.05);
                }
            }
        }

        #[test]
        fn an_adjusted_p_is_never_below_the_raw_one(p in proptest::collection::vec(0.0_f64..=1.0, 1..30)) {
            let by_holm = holm(&p).unwrap();
            let by_bh = benjamini_hochberg(&p).unwrap();
            for i in 0..p.len() {
                prop_assert!(by_bh[i] >= p[i] && by_holm[i] >= by_bh[i] - 1e-15 && by_holm[i] <= 1.0);
            }
        }
    }
}
