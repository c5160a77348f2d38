//! Triangles, duo-trios and pairs: the size of the tests and the coverage of their intervals, beside
//! what counting all numbers of right answers gives.

use blindsteep_stats::discrimination::repeated::{Answers, beta_binomial, unlike_tasters};
use blindsteep_stats::discrimination::{Protocol, Sides, d_prime, p_value};
use blindsteep_stats::dist::binomial_pmf;
use blindsteep_stats::rng::{Stream, stream};

use crate::tally::{EXACT, Limit, SIZE, Tally};

const SIZES: &str = "07 Exact tests: how often they pass where there is nothing";
const INTERVALS: &str = "12 Difference questions: how often 95 % intervals hold the truth";
/// The difference that is planted for the intervals, in standard deviations of one impression.
const D: f64 = 1.0;

/// A protocol, how many answers, and its sides.
const CASES: [(&str, Protocol, u64, Sides); 4] = [
    ("triangle, 12 answers", Protocol::Triangle, 12, Sides::One),
    ("triangle, 30 answers", Protocol::Triangle, 30, Sides::One),
    ("duo-trio, 20 answers", Protocol::DuoTrio, 20, Sides::One),
    ("pair, 20 answers, two-sided", Protocol::Paired, 20, Sides::Two),
];

/// Size and coverage of each case, counted over all numbers of right answers.
pub fn counted() -> Vec<[f64; 2]> {
    let count = |n: u64, p: f64, hit: &dyn Fn(u64) -> bool| -> f64 {
        (0..=n).filter(|k| hit(*k)).map(|k| binomial_pmf(k, n, p)).sum()
    };
    CASES
        .iter()
        .map(|(_, protocol, n, sides)| {
            let passes = |k| p_value(k, *n, protocol.chance(), *sides).is_ok_and(|p| p <= 0.05);
            let size = count(*n, protocol.chance(), &passes);
            let right = protocol.probability(D);
            [size, count(*n, right, &|k| holds(*protocol, k, *n))]
        })
        .collect()
}

fn holds(protocol: Protocol, correct: u64, answers: u64) -> bool {
    d_prime(protocol, correct, answers, 0.95).is_ok_and(|d| d.lower <= D && D <= d.upper)
}

fn right(draws: &mut Stream, n: u64, p: f64) -> u64 {
    (0..n).filter(|_| draws.uniform() < p).count() as u64
}

/// Asks all with one draw.
pub fn one(counted: &[[f64; 2]], draw_number: u64, seed: u64) -> Tally {
    let mut tally = Tally::default();
    let mut draws = stream(seed ^ 0xd1ff, draw_number);
    let share = |hit: bool| f64::from(u8::from(hit));
    for ((case, protocol, n, sides), [size, coverage]) in CASES.iter().zip(counted) {
        let correct = right(&mut draws, *n, protocol.chance());
        if let Ok(p) = p_value(correct, *n, protocol.chance(), *sides) {
            let note = format!("by count {size:.4}");
            tally.add_noted((SIZES, case, "p ≤ .05"), share(p <= 0.05), SIZE, &note);
        }
        let correct = right(&mut draws, *n, protocol.probability(D));
        let note = format!("by count {coverage:.4}");
        let key = (INTERVALS, *case, "d-prime of 1");
        tally.add_noted(key, share(holds(*protocol, correct, *n)), EXACT, &note);
    }
    repeating(&mut draws, draw_number, &mut tally);
    tally
}

/// Eight tasters, four triangles each: half of them notice in four of five cups, half never; and all
/// alike.
fn repeating(draws: &mut Stream, draw_number: u64, tally: &mut Tally) {
    for (case, often, seldom) in
        [("8 tasters × 4, unlike", 0.8, 0.0), ("8 tasters × 4, all alike", 0.4, 0.4)]
    {
        let chance = Protocol::Triangle.chance();
        let data: Vec<Answers> = (0..8)
            .map(|_| {
                let notices = if draws.uniform() < 0.5 { often } else { seldom };
                let p = chance + (1.0 - chance) * notices;
                Answers { correct: right(draws, 4, p), answers: 4 }
            })
            .collect();
        if let Ok(found) = beta_binomial(&data, chance, 0.95)
            && let Some((lower, upper)) = found.mu_limits
        {
            let hit = f64::from(u8::from(lower <= 0.4 && 0.4 <= upper));
            tally.add((INTERVALS, case, "mean share who notice"), hit, Limit::Printed);
        }
        if let Ok(Some(p)) = unlike_tasters(&data, 300, draw_number) {
            let hit = f64::from(u8::from(p <= 0.05));
            let alike = often == seldom;
            let key = (INTERVALS, case, "tasters called unlike");
            tally.add(key, hit, if alike { SIZE } else { Limit::Printed });
        }
    }
}
