//! How long `link` takes as a garden's lots grow in number: an invented table of six tasters, two
//! pots a lot, twelve lots a session with a reference, 20 parameters and 20 terms, lots exchanged
//! 10,000 times.
//!
//! `cargo bench --bench link_growth` asks up to 3,000 lots; `-- 60` only so many.

use std::time::Instant;

use blindsteep::book::labels::Labels;
use blindsteep::book::vocabulary::Ends;
use blindsteep::findings::Settings;
use blindsteep::findings::link::{N_ARRANGEMENTS, Wish, link};
use blindsteep::scores::{
    Builder, Made, MadeParameter, MadeValue, Makings, ScaleKind, ScoreRow, ScoredTerm, Scores,
    Source,
};
use blindsteep_stats::rng::stream;

const TERMS: usize = 20;
const PARAMETERS: usize = 20;
const TASTERS: usize = 6;
const POTS: usize = 2;
const LOTS_A_SESSION: usize = 12;

fn invent(n_lots: usize) -> (Scores, Makings) {
    let mut draws = stream(3, n_lots as u64);
    let lots: Vec<String> = (1..=n_lots).map(|i| format!("L{i}")).collect();
    // Each parameter leans on the one before.
    let mut values: Vec<Vec<f64>> = Vec::new();
    for p in 0..PARAMETERS {
        let own = |i: usize, z: f64| values.get(p.wrapping_sub(1)).map_or(z, |v| 0.5 * v[i] + z);
        let column: Vec<f64> = (0..n_lots).map(|i| own(i, draws.normal())).collect();
        values.push(column);
    }
    let parameters = values
        .iter()
        .enumerate()
        .map(|(p, column)| MadeParameter {
            id: format!("step.p{p}"),
            values: lots
                .iter()
                .zip(column)
                .map(|(l, v)| (l.clone(), MadeValue { value: Made::Number(*v), estimated: false }))
                .collect(),
            ..MadeParameter::default()
        })
        .collect();
    let makings = Makings {
        source: "invented".to_owned(),
        lots: lots.clone(),
        parameters,
        ..Makings::default()
    };
    let terms: Vec<ScoredTerm> = (0..TERMS)
        .map(|t| ScoredTerm {
            id: format!("term{t}"),
            scale: ScaleKind::Line,
            ends: None,
            labels: Labels::default(),
            end_words: Ends::new(),
            level_words: Default::default(),
            gaps: 0,
        })
        .collect();
    let mut builder = Builder::default();
    for term in 0..TERMS {
        let level: Vec<f64> =
            (0..n_lots).map(|i| 5.0 + 0.5 * values[term][i] + 0.3 * draws.normal()).collect();
        for first in (0..n_lots).step_by(LOTS_A_SESSION) {
            let session = format!("s{:04}", first / LOTS_A_SESSION);
            let of_all = 0.2 * draws.normal();
            let own = first..(first + LOTS_A_SESSION).min(n_lots);
            for lot in own.map(Some).chain([None]) {
                let name = lot.map_or("REF", |l| lots[l].as_str());
                for brew in 0..POTS {
                    let pot = 0.2 * draws.normal();
                    for who in 0..TASTERS {
                        let value = lot.map_or(5.0, |l| level[l])
                            + of_all
                            + pot
                            + 0.5 * (who as f64 - 2.5)
                            + 0.7 * draws.normal();
                        builder.push(&ScoreRow {
                            lot: name,
                            taster: Some(&format!("t{who}")),
                            brew: Some(&format!("{session}-{name}-{brew}")),
                            session: Some(&session),
                            term: &terms[term].id,
                            value,
                            ..ScoreRow::default()
                        });
                    }
                }
            }
        }
    }
    let source = Source { references: vec!["REF".to_owned()], ..Source::default() };
    (builder.finish(terms, source), makings)
}

fn main() {
    let wanted: Vec<usize> = std::env::args().filter_map(|a| a.parse().ok()).collect();
    let wanted = if wanted.is_empty() { vec![60, 200, 600, 1000, 3000] } else { wanted };
    let settings = Settings { n_permutations: N_ARRANGEMENTS, ..Settings::default() };
    println!("lots   scores    seconds   ms a lot");
    for n in wanted {
        let (scores, makings) = invent(n);
        let start = Instant::now();
        let found = link(&scores, &makings, &Wish::default(), &settings);
        let seconds = start.elapsed().as_secs_f64();
        assert_eq!(found.n_asked, TERMS * PARAMETERS);
        println!("{n:<6} {:<9} {seconds:<9.2} {:.1}", found.n_scores, 1000.0 * seconds / n as f64);
    }
}
