//! Tests that are exact, with the size they have by count; and some that are not.

use blindsteep::findings::against::Wish;
use blindsteep::findings::compare::compare;
use blindsteep::findings::{Settings, guesses};
use blindsteep::scores::{Builder, LotGuess, ScoreRow, Source};
use blindsteep_stats::kendall::{friedman, permutation_p};
use blindsteep_stats::permute::freedman_lane;
use blindsteep_stats::rng::{Stream, stream};
use blindsteep_stats::ticks::cochran_q;

use crate::table::line;
use crate::tally::{EXACT, Limit, SIZE, Tally};

const GROUP: &str = "07 Exact tests: how often they pass where there is nothing";

/// The sizes that are known by counting all arrangements.
pub struct Counted {
    w_3_by_4: f64,
    w_4_by_3: f64,
}

/// Counts them.
pub fn counted() -> Counted {
    Counted { w_3_by_4: size_of_w(3, 4), w_4_by_3: size_of_w(4, 3) }
}

fn arrangements(n: usize) -> Vec<Vec<f64>> {
    if n == 0 {
        return vec![Vec::new()];
    }
    let mut all = Vec::new();
    for shorter in arrangements(n - 1) {
        for place in 0..n {
            let mut one = shorter.clone();
            one.insert(place, n as f64);
            all.push(one);
        }
    }
    all
}

/// The share of all arrangements whose W has p ≤ .05.
fn size_of_w(n_lots: usize, n_tasters: usize) -> f64 {
    let all = arrangements(n_lots);
    let total = all.len().pow(n_tasters as u32 - 1);
    let hits = (0..total)
        .filter(|at| {
            let mut rest = *at;
            let mut columns = vec![&all[0]];
            for _ in 1..n_tasters {
                columns.push(&all[rest % all.len()]);
                rest /= all.len();
            }
            let rows: Vec<Vec<f64>> =
                (0..n_lots).map(|i| columns.iter().map(|c| c[i]).collect()).collect();
            permutation_p(&rows, 1, 1).is_ok_and(|p| p.p_value <= 0.05)
        })
        .count();
    hits as f64 / total as f64
}

/// Lots in rows, tasters in columns; nothing in them.
fn noise(draws: &mut Stream, n_lots: usize, n_tasters: usize, halves: bool) -> Vec<Vec<f64>> {
    let mut value = || {
        let x = draws.normal();
        if halves { (2.0 * x).round() / 2.0 } else { x }
    };
    (0..n_lots).map(|_| (0..n_tasters).map(|_| value()).collect()).collect()
}

/// Asks all with one draw.
pub fn one(counted: &Counted, draw_number: u64, seed: u64) -> Tally {
    let mut tally = Tally::default();
    let mut draws = stream(seed ^ 0xe8ac7, draw_number);
    let hit = |p: f64| f64::from(u8::from(p <= 0.05));
    for (case, lots, tasters, halves, exact) in [
        ("W, 3 lots, 4 tasters", 3, 4, false, Some(counted.w_3_by_4)),
        ("W, 4 lots, 3 tasters", 4, 3, false, Some(counted.w_4_by_3)),
        ("W, 6 lots, 5 tasters, scores in halves", 6, 5, true, None),
        ("W, 12 lots, 8 tasters, scores in halves", 12, 8, true, None),
    ] {
        let rows = noise(&mut draws, lots, tasters, halves);
        let note = exact.map_or(String::new(), |e| format!("by count {e:.4}"));
        if let Ok(p) = permutation_p(&rows, 500, draw_number) {
            tally.add_noted((GROUP, case, "p ≤ .05"), hit(p.p_value), SIZE, &note);
        }
        if let (Ok(f), false) = (friedman(&rows, 0.05), exact.is_some()) {
            let key = (GROUP, case, "Friedman's chi-square p ≤ .05 (not exact)");
            tally.add(key, hit(f.p_value), Limit::Printed);
        }
    }
    let ticks: Vec<Vec<bool>> =
        (0..10).map(|_| (0..6).map(|_| draws.uniform() < 0.4).collect()).collect();
    if let Ok(q) = cochran_q(&ticks) {
        let key = (GROUP, "Cochran's Q, 6 lots, 10 rows", "chi-square p ≤ .05 (not exact)");
        tally.add(key, hit(q.p_value), Limit::Printed);
    }
    exchange(&mut draws, &mut tally);
    guessing(&mut draws, draw_number, &mut tally);
    one_way(&mut draws, &mut tally);
    tally
}

/// Eight lots in two seasons, their means exchanged within seasons.
fn exchange(draws: &mut Stream, tally: &mut Tally) {
    let y: Vec<f64> = (0..8).map(|i| f64::from(i / 4) + draws.normal()).collect();
    let x: Vec<f64> = (0..8).map(|_| draws.normal()).collect();
    let season =
        |s: usize| -> Vec<f64> { (0..8).map(|i| f64::from(u8::from(i / 4 == s))).collect() };
    let blocks: Vec<u32> = (0..8).map(|i| i / 4).collect();
    let others = [season(0), season(1)];
    if let Ok(p) = freedman_lane(&y, &x, &others, &blocks, 1000, draws) {
        let hit = f64::from(u8::from(p.p_value <= 0.05));
        let key = (GROUP, "lot means exchanged within seasons, 8 lots", "p ≤ .05");
        tally.add_noted(key, hit, SIZE, "576 arrangements: by count 28/576 = .0486");
    }
}

/// Five tasters guess six cups, each lot once, blindly.
fn guessing(draws: &mut Stream, draw_number: u64, tally: &mut Tally) {
    let mut all = Vec::new();
    for taster in 0..5 {
        let mut guessed: Vec<usize> = (0..6).collect();
        draws.shuffle(&mut guessed);
        for (lot, guess) in guessed.iter().enumerate() {
            all.push(LotGuess {
                taster: format!("t{taster}"),
                lot: format!("l{lot}"),
                guessed: format!("l{guess}"),
                session: "s".to_owned(),
                flight: "1".to_owned(),
                sure: None,
            });
        }
    }
    let settings = Settings { seed: draw_number, n_permutations: 500, ..Settings::default() };
    if let Some(g) = guesses::of(&all, &settings).known() {
        let hit = f64::from(u8::from(g.p_value <= 0.05));
        tally.add((GROUP, "guesses, 5 tasters, 6 cups", "p ≤ .05"), hit, SIZE);
    }
}

/// Six lots, five scores each, nobody named: the intervals of differences are Student's.
fn one_way(draws: &mut Stream, tally: &mut Tally) {
    let mut builder = Builder::default();
    for lot in 0..6 {
        for _ in 0..5 {
            builder.push(&ScoreRow {
                lot: &format!("l{lot}"),
                term: "term",
                value: f64::from(lot) + draws.normal(),
                ..ScoreRow::default()
            });
        }
    }
    let found = compare(
        &builder.finish(vec![line("term")], Source::default()),
        &Wish::default(),
        &Settings::default(),
    );
    let Some(pairs) = found.terms.first().and_then(|t| t.lots.differences.known()) else { return };
    let group = "01 Differences of lots: how often 95 % intervals hold the truth";
    let mut all = true;
    for pair in pairs {
        let Some(d) = pair.difference.known() else { continue };
        let place = |l: &str| l[1..].parse::<f64>().expect("lots are called by their place");
        let truth = place(&pair.a) - place(&pair.b);
        all &= d.tukey_lower <= truth && truth <= d.tukey_upper;
        if pair.a == "l0" && pair.b == "l1" {
            let hit = f64::from(u8::from(d.lower <= truth && truth <= d.upper));
            let key = (group, "nobody named, 6 lots, 5 scores", "one pair (exact: .95)");
            tally.add(key, hit, EXACT);
        }
    }
    let key = (group, "nobody named, 6 lots, 5 scores", "all pairs at once (Tukey; exact: .95)");
    tally.add(key, f64::from(u8::from(all)), EXACT);
}
