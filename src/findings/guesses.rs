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
    /// The seed of the deals.
    pub seed: u64,
    /// Those of which the taster was sure, apart.
    pub sure: Answer<SureGuesses>,
    /// By taster and session.
    pub sittings: Vec<SittingGuesses>,
    /// In words.
    pub words: String,
}

/// Guesses of which the taster was sure.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SureGuesses {
    /// Guesses called sure.
    pub n: usize,
    /// How many of them were right.
    pub right: usize,
    /// How many are right on average in the same deals.
    pub by_luck_mean: f64,
    /// Chance of so many by luck alone.
    pub p_value: f64,
    /// Guesses called unsure.
    pub n_unsure: usize,
    /// How many of those were right.
    pub right_unsure: usize,
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

/// A taster's cups of one session, flight by flight: what they held, and what was guessed, with
/// whether it was sure.
type Sitting<'a> = BTreeMap<&'a str, (Vec<&'a str>, Vec<(&'a str, Option<bool>)>)>;

/// Right guesses: of all, of the sure ones.
fn hits(lots: &[&str], said: &[(&str, Option<bool>)]) -> [usize; 2] {
    let right = || lots.iter().zip(said).filter(|(l, s)| **l == s.0);
    [right().count(), right().filter(|(_, s)| s.1 == Some(true)).count()]
}

fn together(all: impl Iterator<Item = [usize; 2]>) -> [usize; 2] {
    all.fold([0, 0], |[a, b], [c, d]| [a + c, b + d])
}

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
        flight.1.push((&g.guessed, g.sure));
    }
    let own: Vec<[usize; 2]> = sittings
        .values()
        .map(|flights| together(flights.values().map(|(lots, said)| hits(lots, said))))
        .collect();
    let [right, right_sure] = together(own.iter().copied());
    let deals: Vec<Vec<[usize; 2]>> =
        rng::replicates(settings.n_permutations, settings.seed, |stream| {
            let mut deal = |flights: &Sitting<'_>| {
                together(flights.values().map(|(lots, said)| {
                    let mut said = said.clone();
                    stream.shuffle(&mut said);
                    hits(lots, &said)
                }))
            };
            sittings.values().map(&mut deal).collect()
        });
    let chance = |above: usize| (1 + above) as f64 / (1 + deals.len()) as f64;
    let mut drawn: Vec<f64> = deals.iter().map(|d| together(d.iter().copied())[0] as f64).collect();
    drawn.sort_by(f64::total_cmp);
    let above = drawn.iter().filter(|d| **d >= right as f64).count();
    let p_own: Vec<f64> = own
        .iter()
        .enumerate()
        .map(|(at, hit)| chance(deals.iter().filter(|d| d[at][0] >= hit[0]).count()))
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
        .map(|(((key, cups), [right, _]), p_adjusted)| SittingGuesses {
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
    let called = |sure: bool| guesses.iter().filter(|g| g.sure == Some(sure)).count();
    let (n_sure, n_unsure) = (called(true), called(false));
    let sure = if n_sure == 0 {
        Answer::unknown("no guess was called sure")
    } else {
        let drawn: Vec<usize> = deals.iter().map(|d| together(d.iter().copied())[1]).collect();
        Answer::Known(SureGuesses {
            n: n_sure,
            right: right_sure,
            by_luck_mean: drawn.iter().sum::<usize>() as f64 / drawn.len() as f64,
            p_value: chance(drawn.iter().filter(|d| **d >= right_sure).count()),
            n_unsure,
            right_unsure: guesses
                .iter()
                .filter(|g| g.sure == Some(false) && g.lot == g.guessed)
                .count(),
        })
    };
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
    if let Some(s) = sure.known() {
        words.push_str(&format!(
            " Of {} called sure {} right, chance {}, {}.",
            s.n,
            if s.right == 1 { "1 was".to_owned() } else { format!("{} were", s.right) },
            super::say(s.by_luck_mean),
            say_p(s.p_value)
        ));
    }
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
        seed: settings.seed,
        sure,
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
            sure: None,
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
    fn sure_guesses_are_counted_apart() {
        // Six lots: the three called sure are right, the others are turned round.
        let said = ["0", "1", "2", "4", "5", "3"];
        let all: Vec<LotGuess> = (0..6)
            .map(|l| LotGuess { sure: Some(l < 3), ..guess("a", &l.to_string(), said[l]) })
            .collect();
        let found = of(&all, &Settings::default());
        let g = found.known().expect("there are guesses");
        let sure = g.sure.known().expect("some are sure");
        assert_eq!((sure.n, sure.right, sure.n_unsure, sure.right_unsure), (3, 3, 3, 0));
        // Each label falls on its own cup once in six: on average half a hit of three.
        assert!((sure.by_luck_mean - 0.5).abs() < 0.06, "{}", sure.by_luck_mean);
        // All three in their places: 3! of 6! deals, 1 in 120; 2000 deals leave .002.
        assert!((sure.p_value - 1.0 / 120.0).abs() < 0.007, "{}", sure.p_value);
        assert!(g.words.contains("Of 3 called sure 3 were right"), "{}", g.words);
    }

    #[test]
    fn no_guess_has_its_reason() {
        assert!(of(&[], &Settings::default()).reason().expect("none").contains("asked"));
    }
}
