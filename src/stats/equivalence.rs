//! Alike within a margin: two one-sided tests.

use crate::dist::{t_quantile_upper, t_sf};
use serde::Serialize;

/// Whether a difference lies within a margin, and how surely.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Equivalence {
    /// The larger of the two one-sided p-values: the chance of a difference this well inside the
    /// margin if it truly lay on the margin or beyond.
    pub p_value: f64,
    /// Lower end of the interval at `1 - 2 alpha`.
    pub lower: f64,
    /// Upper end. The p-value is below alpha exactly when both ends lie inside the margin.
    pub upper: f64,
}

/// Returns the two one-sided tests of a difference with its standard error and degrees of freedom
/// against a margin of plus or minus `margin`, all but `df` in the units of the difference.
///
/// `p = max(P(T > (d + margin) / se), P(T < (d - margin) / se))`; the interval is
/// `d -+ t(1 - alpha, df) se`. NaN where a number is missing or `margin` or `se` is not above 0.
///
/// # Source
/// Schuirmann DJ (1987), Journal of Pharmacokinetics and Biopharmaceutics 15:657-680 (citation from
/// memory).
pub fn two_one_sided(difference: f64, se: f64, df: f64, margin: f64, alpha: f64) -> Equivalence {
    if !(se > 0.0 && margin > 0.0) {
        return Equivalence { p_value: f64::NAN, lower: f64::NAN, upper: f64::NAN };
    }
    let above_low = t_sf((difference + margin) / se, df);
    let below_high = t_sf((margin - difference) / se, df);
    let half = t_quantile_upper(alpha, df) * se;
    Equivalence {
        p_value: above_low.max(below_high),
        lower: difference - half,
        upper: difference + half,
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::rng::replicates;
    use proptest::prelude::*;

    proptest! {
        // The two ways of saying it are one: p below alpha and the interval inside the margin.
        #[test]
        fn p_and_interval_say_the_same(
            d in -2.0..2.0f64, se in 0.05..1.0f64, df in 2.0..100.0f64, margin in 0.1..2.0f64,
        ) {
            let e = two_one_sided(d, se, df, margin, 0.05);
            let inside = e.lower > -margin && e.upper < margin;
            prop_assert_eq!(e.p_value < 0.05, inside);
        }
    }

    // With a true difference on the margin itself "alike" is said in at most 5 of 100: 20,000
    // draws of a mean of 6 with its sd; four binomial standard errors are 0.0062.
    #[test]
    fn a_difference_on_the_margin_is_called_alike_in_five_of_a_hundred() {
        let said = replicates(20_000, 9, |dice| {
            let x: Vec<f64> = (0..6).map(|_| 2.0 + dice.normal()).collect();
            let mean = x.iter().sum::<f64>() / 6.0;
            let ss: f64 = x.iter().map(|v| (v - mean).powi(2)).sum();
            two_one_sided(mean, (ss / 30.0).sqrt(), 5.0, 2.0, 0.05).p_value < 0.05
        });
        let share = said.iter().filter(|s| **s).count() as f64 / 20_000.0;
        assert!((0.05 - 0.0062..=0.05 + 0.0062).contains(&share), "{share}");
    }

    #[test]
    fn without_a_margin_there_is_no_answer() {
        assert!(two_one_sided(0.0, 1.0, 5.0, 0.0, 0.05).p_value.is_nan());
        assert!(two_one_sided(0.0, 0.0, 5.0, 1.0, 0.05).p_value.is_nan());
    }
}
