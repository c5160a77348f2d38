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
    /// By taster and session.
    pub sittings: Vec<SittingGuesses>,
    /// In words.
    pub words: String,
}

/// One taster's guesses in one session.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SittingGuesses {
    /// The taster.
    pub taster: String,
    /// The session.
    pub session: String,
    /// Guesses made.
    pub n: usize,
    /// How many were right.
    pub right: usize,
    /// Chance of so many right by luck alone, adjusted over all sittings (Holm).
    pub p_adjusted: f64,
}

/// A taster's cups of one session, flight by flight: what they held, and what was guessed.
type Sitting<'a> = BTreeMap<&'a str, (Vec<&'a str>, Vec<&'a str>)>;

/// Judges the guesses: a taster's guesses of one flight are dealt anew over the cups that were
/// guessed in it, so that somebody who always names the same lot gains nothing by it, and neither
/// does somebody who knows which lots are served on which day.
#[must_use]
pub fn of(guesses: &[LotGuess], settings: &Settings) -> Answer<Guesses> {
    if guesses.is_empty() {
        return Answer::unknown("nobody was asked to guess the lots");
    }
    let mut sittings: BTreeMap<(&str, &str), Sitting<'_>> = BTreeMap::new();
    for g in guesses {
        let sitting = sittings.entry((&g.taster, &g.session)).or_default();
        let flight = sitting.entry(&g.flight).or_default();
        flight.0.push(&g.lot);
        flight.1.push(&g.guessed);
    }
    let hits = |lots: &[&str], said: &[&str]| lots.iter().zip(said).filter(|(l, s)| l == s).count();
    let own: Vec<usize> = sittings
        .values()
        .map(|flights| flights.values().map(|(lots, said)| hits(lots, said)).sum())
        .collect();
    let right: usize = own.iter().sum();
    let deals: Vec<Vec<usize>> =
        rng::replicates(settings.n_permutations, settings.seed, |stream| {
            let deal = |flights: &Sitting<'_>| {
                flights
                    .values()
                    .map(|(lots, said)| {
                        let mut said = said.clone();
                        stream.shuffle(&mut said);
                        hits(lots, &said)
                    })
                    .sum()
            };
            sittings.values().map(deal).collect()
        });
    let chance = |above: usize| (1 + above) as f64 / (1 + deals.len()) as f64;
    let mut drawn: Vec<f64> = deals.iter().map(|d| d.iter().sum::<usize>() as f64).collect();
    drawn.sort_by(f64::total_cmp);
    let above = drawn.iter().filter(|d| **d >= right as f64).count();
    let p_own: Vec<f64> = own
        .iter()
        .enumerate()
        .map(|(at, hit)| chance(deals.iter().filter(|d| d[at] >= *hit).count()))
        .collect();
    let p_own = blindsteep_stats::multiple::holm(&p_own).unwrap_or_default();
    let quantile = |p: f64| {
        let at = (p * (drawn.len() - 1) as f64).round() as usize;
        drawn[at.min(drawn.len() - 1)]
    };
    if drawn.is_empty() {
        return Answer::unknown("a chance level needs at least one permutation");
    }
    let by_sitting: Vec<SittingGuesses> = sittings
        .iter()
        .zip(own)
        .zip(p_own)
        .map(|(((key, cups), right), p_adjusted)| SittingGuesses {
            taster: key.0.to_owned(),
            session: key.1.to_owned(),
            n: cups.values().map(|(lots, _)| lots.len()).sum(),
            right,
            p_adjusted,
        })
        .collect();
    let n = guesses.len();
    let mean = drawn.iter().sum::<f64>() / drawn.len() as f64;
    let p_value = chance(above);
    let (lower, upper) = (quantile(0.025), quantile(0.975));
    let verdict = if p_value < ALPHA {
        "recognition above chance: the lots were not fully blind"
    } else {
        "no evidence of recognition"
    };
    let mut words = format!(
        "{right} of {} right, chance {} ({lower:.0} to {upper:.0}), {}: {verdict}.",
        count(n, "guess", "guesses"),
        super::say(mean),
        say_p(p_value)
    );
    for s in by_sitting.iter().filter(|s| s.p_adjusted < ALPHA) {
        words.push_str(&format!(
            " {} in {}: {} of {} right, {}.",
            s.taster,
            s.session,
            s.right,
            s.n,
            say_p(s.p_adjusted)
        ));
    }
    Answer::Known(Guesses {
        n,
        right,
        by_luck_mean: mean,
        by_luck_lower: lower,
        by_luck_upper: upper,
        p_value,
        n_permutations: settings.n_permutations,
        sittings: by_sitting,
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
            flight: "1".into(),
        }
    }

    #[test]
    fn knowing_which_lots_a_flight_holds_gains_nothing() {
        // Two flights of one lot each, every cup named right: no deal within a flight does worse.
        let all: Vec<LotGuess> = (0..8)
            .map(|i| {
                let flight = if i < 4 { "1" } else { "2" };
                LotGuess { flight: flight.into(), ..guess("a", flight, flight) }
            })
            .collect();
        let found = of(&all, &Settings::default());
        let g = found.known().expect("there are guesses");
        assert_eq!((g.right, g.by_luck_lower, g.by_luck_upper), (8, 8.0, 8.0));
        assert!(g.p_value > 0.99);
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
