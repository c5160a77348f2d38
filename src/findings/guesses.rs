//! Was the tasting blind? Guesses of the lots against what luck gives.

use std::collections::BTreeMap;

use blindsteep_stats::rng;
use schemars::JsonSchema;
use serde::Serialize;

use super::{ALPHA, Answer, Settings, count, say_p};
use crate::scores::LotGuess;

/// Guesses against luck.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Guesses {
    /// Guesses made.
    pub n: usize,
    /// How many were right.
    pub right: usize,
    /// How many are right on average when each taster's guesses are dealt anew over the cups.
    pub by_luck_mean: f64,
    /// 95% of such deals have at least so many right,
    pub by_luck_lower: f64,
    /// and at most so many.
    pub by_luck_upper: f64,
    /// Chance of so many right by luck alone.
    pub p_value: f64,
    /// Deals drawn.
    pub n_permutations: usize,
    /// By taster.
    pub tasters: Vec<TasterGuesses>,
    /// In words.
    pub words: String,
}

/// One taster's guesses.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct TasterGuesses {
    /// The taster.
    pub taster: String,
    /// Guesses made.
    pub n: usize,
    /// How many were right.
    pub right: usize,
}

/// A taster's cups of one session: what they held, and what was guessed.
type Sitting<'a> = (Vec<&'a str>, Vec<&'a str>);

/// Judges the guesses: a taster's guesses of one session are dealt anew over the cups that were
/// guessed, so that somebody who always names the same lot gains nothing by it.
#[must_use]
pub fn of(guesses: &[LotGuess], settings: &Settings) -> Answer<Guesses> {
    if guesses.is_empty() {
        return Answer::unknown("nobody was asked to guess the lots");
    }
    let mut sittings: BTreeMap<(&str, &str), Sitting<'_>> = BTreeMap::new();
    for g in guesses {
        let sitting = sittings.entry((&g.taster, &g.session)).or_default();
        sitting.0.push(&g.lot);
        sitting.1.push(&g.guessed);
    }
    let hits = |lots: &[&str], said: &[&str]| lots.iter().zip(said).filter(|(l, s)| l == s).count();
    let right: usize = sittings.values().map(|(lots, said)| hits(lots, said)).sum();
    let mut drawn = rng::replicates(settings.n_permutations, settings.seed, |stream| {
        let mut sum = 0;
        for (lots, said) in sittings.values() {
            let mut said = said.clone();
            stream.shuffle(&mut said);
            sum += hits(lots, &said);
        }
        sum as f64
    });
    drawn.sort_by(f64::total_cmp);
    let above = drawn.iter().filter(|d| **d >= right as f64).count();
    let quantile = |p: f64| {
        let at = (p * (drawn.len() - 1) as f64).round() as usize;
        drawn[at.min(drawn.len() - 1)]
    };
    if drawn.is_empty() {
        return Answer::unknown("a chance level needs at least one permutation");
    }
    let mut tasters: BTreeMap<&str, (usize, usize)> = BTreeMap::new();
    for ((taster, _), (lots, said)) in &sittings {
        let sum = tasters.entry(taster).or_default();
        sum.0 += lots.len();
        sum.1 += hits(lots, said);
    }
    let n = guesses.len();
    let mean = drawn.iter().sum::<f64>() / drawn.len() as f64;
    let p_value = (1 + above) as f64 / (1 + drawn.len()) as f64;
    let (lower, upper) = (quantile(0.025), quantile(0.975));
    let verdict = if p_value < ALPHA {
        "recognition above chance: the lots were not fully blind"
    } else {
        "no evidence of recognition"
    };
    let words = format!(
        "{right} of {} right, chance {} ({lower:.0} to {upper:.0}), {}: {verdict}.",
        count(n, "guess", "guesses"),
        super::say(mean),
        say_p(p_value)
    );
    Answer::Known(Guesses {
        n,
        right,
        by_luck_mean: mean,
        by_luck_lower: lower,
        by_luck_upper: upper,
        p_value,
        n_permutations: settings.n_permutations,
        tasters: tasters
            .into_iter()
            .map(|(taster, (n, right))| TasterGuesses { taster: taster.to_owned(), n, right })
            .collect(),
        words,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn guess(taster: &str, lot: &str, guessed: &str) -> LotGuess {
        LotGuess {
            taster: taster.into(),
            lot: lot.into(),
            guessed: guessed.into(),
            session: "s".into(),
        }
    }

    #[test]
    fn all_right_over_five_tasters_and_six_lots_is_recognition() {
        let all: Vec<LotGuess> = (0..5)
            .flat_map(|t| {
                (0..6).map(move |l| guess(&t.to_string(), &l.to_string(), &l.to_string()))
            })
            .collect();
        let found = of(&all, &Settings::default());
        let g = found.known().expect("there are guesses");
        assert_eq!((g.n, g.right), (30, 30));
        // A random deal of n different labels has one fixed point on average (Montmort 1708).
        assert!((g.by_luck_mean - 5.0).abs() < 0.2, "{}", g.by_luck_mean);
        assert!(g.words.contains("recognition above chance"));
    }

    #[test]
    fn naming_one_lot_for_every_cup_gains_nothing() {
        let all: Vec<LotGuess> = (0..6).map(|l| guess("a", &l.to_string(), "3")).collect();
        let found = of(&all, &Settings::default());
        let g = found.known().expect("there are guesses");
        assert_eq!((g.right, g.by_luck_lower, g.by_luck_upper), (1, 1.0, 1.0));
        assert!(g.p_value > 0.99);
    }

    #[test]
    fn no_guess_has_its_reason() {
        assert!(of(&[], &Settings::default()).reason().expect("none").contains("asked"));
    }
}
