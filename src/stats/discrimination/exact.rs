//! The exact binomial test of a difference, its power, its counterpart for likeness, and d-prime.

use super::{DiscriminationError, Protocol, inside};
use crate::dist::{binomial_at_least, binomial_at_most, proportion_limits};
use serde::Serialize;

/// Numbers of answers are searched up to here.
pub const MOST_ANSWERS: u64 = 100_000;

/// Whether only many right answers speak for a difference, or many on either side.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Sides {
    /// Many right ones.
    One,
    /// Many for one sample or many for the other; only with a chance of one half.
    Two,
}

/// The least number of right answers that shows a difference.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Least {
    /// So many right answers (two-sided: for either sample) or more.
    pub correct: u64,
    /// How often chance alone reaches them: the true level of the test.
    pub size: f64,
}

/// How many answers a test needs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Needed {
    /// The smallest number that has the power.
    pub first: u64,
    /// From this number on every number has it. Power is a saw-tooth: one answer more may need one
    /// right answer more, and then has less power.
    pub stable: u64,
}

/// A value with limits.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Interval {
    /// The value.
    pub value: f64,
    /// Lower limit.
    pub lower: f64,
    /// Upper limit; may be infinite for d-prime.
    pub upper: f64,
    /// Standard error by the slope; none at chance and below, and when all are right.
    pub se: Option<f64>,
}

fn checked(correct: u64, answers: u64) -> Result<(), DiscriminationError> {
    if answers == 0 {
        Err(DiscriminationError::NoAnswers)
    } else if correct > answers {
        Err(DiscriminationError::TooManyCorrect { correct, answers })
    } else {
        Ok(())
    }
}

/// Returns the chance of `correct` or more right answers of `answers` when each is right by luck
/// with probability `chance`; two-sided twice the chance of as many for the same sample as the more
/// frequent one has, at most 1.
///
/// # Errors
/// No answers, more right than answered, or a chance that is none.
///
/// # Source
/// ISO 4120 (triangle), ISO 10399 (duo-trio), ISO 5495 (paired): their tables are this tail.
pub fn p_value(
    correct: u64,
    answers: u64,
    chance: f64,
    sides: Sides,
) -> Result<f64, DiscriminationError> {
    checked(correct, answers)?;
    inside("the chance of a right answer", chance)?;
    Ok(match sides {
        Sides::One => binomial_at_least(correct, answers, chance),
        Sides::Two => {
            (2.0 * binomial_at_least(correct.max(answers - correct), answers, chance)).min(1.0)
        }
    })
}

fn tail(at_least: u64, answers: u64, chance: f64, sides: Sides) -> f64 {
    let one = binomial_at_least(at_least, answers, chance);
    if sides == Sides::Two { (2.0 * one).min(1.0) } else { one }
}

/// Returns the least number of right answers whose tail is at most `alpha`, with its true level;
/// `None` when not even all right would do.
///
/// # Errors
/// No answers, or a probability that is none.
///
/// # Source
/// As for [`p_value`].
pub fn least_correct(
    answers: u64,
    chance: f64,
    alpha: f64,
    sides: Sides,
) -> Result<Option<Least>, DiscriminationError> {
    checked(0, answers)?;
    inside("alpha", alpha)?;
    inside("the chance of a right answer", chance)?;
    // Two-sided counts are those of the more frequent sample.
    let mut low = if sides == Sides::Two { answers / 2 } else { 0 };
    let mut high = answers + 1;
    // The tail falls: halve the span in which it passes alpha.
    while low < high {
        let middle = low + (high - low) / 2;
        if tail(middle, answers, chance, sides) <= alpha {
            high = middle;
        } else {
            low = middle + 1;
        }
    }
    Ok((low <= answers).then(|| Least { correct: low, size: tail(low, answers, chance, sides) }))
}

/// Returns how often an answer is right when a share of people tells the samples apart and the
/// others guess: `share + (1 - share) chance` (Schlich 1993; citation from memory).
#[must_use]
pub fn share_to_proportion(share: f64, chance: f64) -> f64 {
    share + (1.0 - share) * chance
}

/// Returns the chance that the test at `alpha` shows the difference when an answer is right with
/// probability `right`: the tail at its least number (two-sided: both tails). 0 when no number of
/// right answers would do.
///
/// # Errors
/// No answers, or a probability that is none.
///
/// # Source
/// Schlich P (1993) Risk tables for discrimination tests, Food Quality and Preference 4:141-151
/// (citation from memory).
pub fn power(
    answers: u64,
    chance: f64,
    right: f64,
    alpha: f64,
    sides: Sides,
) -> Result<f64, DiscriminationError> {
    if right.is_nan() || !(0.0..=1.0).contains(&right) {
        return Err(DiscriminationError::OutOfRange {
            what: "the chance of a right answer",
            found: right,
        });
    }
    let Some(least) = least_correct(answers, chance, alpha, sides)? else { return Ok(0.0) };
    let other = match sides {
        Sides::One => 0.0,
        Sides::Two => binomial_at_most(answers - least.correct, answers, right),
    };
    Ok((binomial_at_least(least.correct, answers, right) + other).min(1.0))
}

/// Returns how many answers the test at `alpha` needs to show, with probability `power_wanted`, that
/// a `share` of people tells two samples apart (the others guess).
///
/// # Errors
/// A probability that is none, or more than 100 000 answers.
///
/// # Source
/// As for [`power`]; printed tables give the first or the stable number.
pub fn answers_needed(
    chance: f64,
    share: f64,
    alpha: f64,
    power_wanted: f64,
    sides: Sides,
) -> Result<Needed, DiscriminationError> {
    inside("the chance of a right answer", chance)?;
    inside("the share of distinguishers", share)?;
    inside("power", power_wanted)?;
    inside("alpha", alpha)?;
    let right = share_to_proportion(share, chance);
    needed(right - chance, |n| Ok(power(n, chance, right, alpha, sides)? >= power_wanted))
}

/// Looks for the first number that holds and the one from which all do.
///
/// A step of the saw-tooth takes about `1 / sqrt(n)` off the distance in standard errors, which
/// `2 / effect` more answers give back; so a run of four times that ends the search.
fn needed(
    effect: f64,
    mut holds: impl FnMut(u64) -> Result<bool, DiscriminationError>,
) -> Result<Needed, DiscriminationError> {
    let run = (8.0 / effect).ceil() as u64 + 50;
    let (mut first, mut stable) = (None, 1);
    for n in 1..=MOST_ANSWERS + run {
        if holds(n)? {
            let first = *first.get_or_insert(n);
            if n - stable >= run {
                return Ok(Needed { first, stable });
            }
        } else {
            stable = n + 1;
        }
        if stable > MOST_ANSWERS {
            break;
        }
    }
    Err(DiscriminationError::TooMany)
}

/// Returns the most right answers that still show that less than a `share` of people tells two
/// samples apart: the largest number that so large a share falls to with probability `beta` or
/// less. `None` when not even 0 right answers would show it.
///
/// # Errors
/// No answers, or a probability that is none.
///
/// # Source
/// ISO 4120 and ISO 10399 (similarity); exact binomial form.
pub fn most_correct(
    answers: u64,
    chance: f64,
    share: f64,
    beta: f64,
) -> Result<Option<u64>, DiscriminationError> {
    checked(0, answers)?;
    inside("beta", beta)?;
    inside("the share of distinguishers", share)?;
    inside("the chance of a right answer", chance)?;
    let right = share_to_proportion(share, chance);
    let (mut low, mut high) = (0, answers + 1);
    while low < high {
        let middle = low + (high - low) / 2;
        if binomial_at_most(middle, answers, right) <= beta {
            low = middle + 1;
        } else {
            high = middle;
        }
    }
    Ok(low.checked_sub(1))
}

/// Returns how many answers a test of likeness needs: with `beta` against calling samples alike that
/// a `share` of people tells apart, it shall call them alike with probability `if_alike` when nobody
/// can tell them apart.
///
/// # Errors
/// A probability that is none, or more than 100 000 answers.
///
/// # Source
/// The test of [`most_correct`]; the search is that of [`answers_needed`].
pub fn likeness_needed(
    chance: f64,
    share: f64,
    beta: f64,
    if_alike: f64,
) -> Result<Needed, DiscriminationError> {
    inside("the chance of a right answer", chance)?;
    inside("the share of distinguishers", share)?;
    inside("the power", if_alike)?;
    inside("beta", beta)?;
    needed(share_to_proportion(share, chance) - chance, |n| {
        let most = most_correct(n, chance, share, beta)?;
        Ok(most.is_some_and(|x| binomial_at_most(x, n, chance) >= if_alike))
    })
}

/// Exact limits of a proportion.
fn limits(correct: u64, answers: u64, level: f64) -> (f64, f64) {
    proportion_limits(correct, answers, 0.5 * (1.0 - level))
}

/// Returns d-prime of `correct` right answers of `answers`: the distance at which the protocol's
/// probability is the proportion of right answers. The limits are those of the proportion (exact) put
/// through the same function, so they cover at least at `level`; the standard error is
/// `sqrt(p (1 - p) / n)` over the slope. 0 at chance and below, infinite when all are right.
///
/// # Errors
/// No answers, more right than answered, or a level that is none.
///
/// # Source
/// Bi J, Ennis DM, O'Mahony M (1997), Journal of Sensory Studies 12:87-104 (citation from memory).
pub fn d_prime(
    protocol: Protocol,
    correct: u64,
    answers: u64,
    level: f64,
) -> Result<Interval, DiscriminationError> {
    checked(correct, answers)?;
    inside("the level", level)?;
    let p = correct as f64 / answers as f64;
    let (lower, upper) = limits(correct, answers, level);
    let value = protocol.d_prime(p);
    let se = (p > protocol.chance() && p < 1.0)
        .then(|| (p * (1.0 - p) / answers as f64).sqrt() / protocol.slope(value));
    Ok(Interval { value, lower: protocol.d_prime(lower), upper: protocol.d_prime(upper), se })
}

/// Returns the signed d-prime of a paired comparison in which `first` of `answers` said that the first
/// sample has more: `√2` times the normal quantile of their share, above 0 when the first has more, with
/// the exact limits of the share put through the same function. Infinite when all say the same.
///
/// # Errors
/// No answers, more for the first than answered, or a level that is none.
///
/// # Source
/// As for [`d_prime`]; here the direction was not stated beforehand, so that 0 is no end of the range.
pub fn signed_d_prime(
    first: u64,
    answers: u64,
    level: f64,
) -> Result<Interval, DiscriminationError> {
    checked(first, answers)?;
    inside("the level", level)?;
    let p = first as f64 / answers as f64;
    let (lower, upper) = limits(first, answers, level);
    let value = signed(p);
    let se = (first > 0 && first < answers)
        .then(|| (p * (1.0 - p) / answers as f64).sqrt() / Protocol::Paired.slope(value));
    Ok(Interval { value, lower: signed(lower), upper: signed(upper), se })
}

/// The signed d-prime of a paired comparison at which the first sample is said to have more with
/// probability `p`: `√2 Phi^-1(p)` (Thurstone 1927; Ennis 1993; citations from memory).
#[must_use]
pub fn signed(p: f64) -> f64 {
    std::f64::consts::SQRT_2 * crate::dist::normal_quantile(p)
}

/// Returns the smallest share of distinguishers that the test of `answers` at `alpha` shows with
/// probability `power_wanted`, by halving (the power rises with the share); `None` when not even a share
/// of 1 is shown so surely.
///
/// # Errors
/// No answers, or a probability that is none.
///
/// # Source
/// As for [`power`].
pub fn detectable_share(
    answers: u64,
    chance: f64,
    alpha: f64,
    power_wanted: f64,
    sides: Sides,
) -> Result<Option<f64>, DiscriminationError> {
    inside("power", power_wanted)?;
    let enough = |share: f64| -> Result<bool, DiscriminationError> {
        let right = share_to_proportion(share, chance);
        Ok(power(answers, chance, right, alpha, sides)? >= power_wanted)
    };
    if !enough(1.0)? {
        return Ok(None);
    }
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..50 {
        let middle = 0.5 * (low + high);
        if enough(middle)? {
            high = middle;
        } else {
            low = middle;
        }
    }
    Ok(Some(high))
}

/// Returns the share of people who tell the samples apart, if the others guess:
/// `(p - chance) / (1 - chance)`, with the exact limits of the proportion put through the same
/// formula; all of them 0 where they would be below.
///
/// # Errors
/// No answers, more right than answered, or a level or chance that is none.
///
/// # Source
/// Abbott WS (1925), Journal of Economic Entomology 18:265-267 (the correction for chance; citation
/// from memory).
pub fn share(
    correct: u64,
    answers: u64,
    chance: f64,
    level: f64,
) -> Result<Interval, DiscriminationError> {
    checked(correct, answers)?;
    inside("the level", level)?;
    inside("the chance of a right answer", chance)?;
    let p = correct as f64 / answers as f64;
    let (lower, upper) = limits(correct, answers, level);
    let above = |p: f64| ((p - chance) / (1.0 - chance)).max(0.0);
    let se =
        (p > chance && p < 1.0).then(|| (p * (1.0 - p) / answers as f64).sqrt() / (1.0 - chance));
    Ok(Interval { value: above(p), lower: above(lower), upper: above(upper), se })
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::dist::binomial_pmf;
    use proptest::prelude::*;

    #[test]
    fn what_cannot_be_asked_says_why() {
        assert_eq!(p_value(0, 0, 0.5, Sides::One), Err(DiscriminationError::NoAnswers));
        assert!(matches!(
            p_value(4, 3, 0.5, Sides::One),
            Err(DiscriminationError::TooManyCorrect { correct: 4, answers: 3 })
        ));
        for alpha in [0.0, 1.0, -0.1, f64::NAN] {
            assert!(matches!(
                least_correct(9, 0.5, alpha, Sides::One),
                Err(DiscriminationError::OutOfRange { what: "alpha", .. })
            ));
        }
        assert_eq!(least_correct(3, 0.5, 0.01, Sides::Two), Ok(None));
        assert_eq!(power(3, 0.5, 0.9, 0.01, Sides::Two), Ok(0.0));
        assert_eq!(
            answers_needed(0.5, 0.001, 0.05, 0.9, Sides::One),
            Err(DiscriminationError::TooMany)
        );
    }

    // The stable number against every number up to far beyond it.
    #[test]
    fn beyond_the_stable_number_power_never_falls_short() {
        for (chance, sides) in [(1.0 / 3.0, Sides::One), (0.5, Sides::One), (0.5, Sides::Two)] {
            for share in [0.2, 0.35, 0.6, 0.9] {
                let needed = answers_needed(chance, share, 0.05, 0.8, sides).unwrap();
                let right = share_to_proportion(share, chance);
                let enough = |n| power(n, chance, right, 0.05, sides).unwrap() >= 0.8;
                assert!((1..needed.first).all(|n| !enough(n)));
                assert!(enough(needed.first));
                assert!(needed.stable == 1 || !enough(needed.stable - 1));
                assert!((needed.stable..needed.stable + 1000).all(enough));
            }
        }
    }

    // Two ways to the same number: what a test of difference needs to notice a share, and what a test of
    // likeness needs to rule it out.
    #[test]
    fn likeness_needs_what_difference_needs_with_the_errors_exchanged() {
        for (share, alpha, beta) in [(0.3, 0.1, 0.05), (0.25, 0.2, 0.1), (0.5, 0.05, 0.05)] {
            for chance in [1.0 / 3.0, 0.5] {
                assert_eq!(
                    likeness_needed(chance, share, beta, 1.0 - alpha),
                    answers_needed(chance, share, alpha, 1.0 - beta, Sides::One)
                );
            }
        }
    }

    #[test]
    fn the_detectable_share_has_the_power_and_a_little_less_has_not() {
        for (n, chance, sides) in
            [(12, 1.0 / 3.0, Sides::One), (24, 0.5, Sides::Two), (40, 0.5, Sides::One)]
        {
            let share = detectable_share(n, chance, 0.05, 0.8, sides).unwrap().unwrap();
            let at =
                |s: f64| power(n, chance, share_to_proportion(s, chance), 0.05, sides).unwrap();
            assert!(at(share) >= 0.8 && at(share - 1e-6) < 0.8);
        }
        assert_eq!(detectable_share(2, 1.0 / 3.0, 0.05, 0.8, Sides::One), Ok(None));
    }

    #[test]
    fn the_signed_d_prime_is_the_plain_one_with_its_sign() {
        let plain = d_prime(Protocol::Paired, 30, 40, 0.95).unwrap();
        let signed = signed_d_prime(30, 40, 0.95).unwrap();
        let turned = signed_d_prime(10, 40, 0.95).unwrap();
        for (a, b) in [(plain.value, signed.value), (plain.lower, signed.lower)] {
            assert!((a - b).abs() < 1e-9, "{a} {b}");
        }
        assert!((signed.value + turned.value).abs() < 1e-9);
        assert!((signed.lower + turned.upper).abs() < 1e-9);
        assert_eq!(signed_d_prime(5, 5, 0.95).unwrap().value, f64::INFINITY);
    }

    // The intervals' coverage, computed over all outcomes: never below the level.
    #[test]
    fn d_prime_limits_cover_at_least_at_their_level() {
        for protocol in [Protocol::Triangle, Protocol::DuoTrio, Protocol::Paired] {
            for (n, d) in [(8, 0.0), (8, 1.0), (20, 1.5), (36, 0.6), (36, 3.0)] {
                let p = protocol.probability(d);
                let covered: f64 = (0..=n)
                    .filter(|k| {
                        let i = d_prime(protocol, *k, n, 0.95).unwrap();
                        i.lower <= d + 1e-9 && d <= i.upper + 1e-9
                    })
                    .map(|k| binomial_pmf(k, n, p))
                    .sum();
                assert!(covered >= 0.95, "{protocol:?} {n} {d}: {covered}");
            }
        }
    }

    proptest! {
        #[test]
        fn the_least_number_is_the_least(n in 1u64..200, third in any::<bool>(), two in any::<bool>(), alpha in 0.001..0.4f64) {
            let chance = if third { 1.0 / 3.0 } else { 0.5 };
            let sides = if two && !third { Sides::Two } else { Sides::One };
            let p = |k| p_value(k, n, chance, sides).unwrap();
            match least_correct(n, chance, alpha, sides).unwrap() {
                Some(least) => {
                    prop_assert!(p(least.correct) <= alpha);
                    prop_assert!((p(least.correct) - least.size).abs() < 1e-15);
                    prop_assert!(least.correct == 0 || sides == Sides::Two && least.correct <= n.div_ceil(2) || p(least.correct - 1) > alpha);
                }
                None => prop_assert!(p(n) > alpha),
            }
        }

        #[test]
        fn a_number_that_shows_likeness_leaves_no_larger_share(n in 5u64..150, share in 0.05..0.9f64) {
            if let Some(most) = most_correct(n, 1.0 / 3.0, share, 0.05).unwrap() {
                // The one-sided 95% limit of the share lies below it.
                let upper = super::share(most, n, 1.0 / 3.0, 0.90).unwrap().upper;
                prop_assert!(upper <= share + 1e-9);
                let above = super::share(most + 1, n, 1.0 / 3.0, 0.90).unwrap().upper;
                prop_assert!(above > share - 1e-9);
            }
        }
    }
}
