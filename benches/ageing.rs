//! How long `age` takes as a store grows: an invented record of ten years with a session a month, a
//! reference in each, five tasters of whom one in ten is absent, 15 terms, and lots that are tasted
//! after 0, 3, 6, 12, 18, 24, 36, 48 and 60 months as far as the ten years go.
//!
//! `cargo bench --profile release --bench ageing` asks 100, 250 and 500 lots; `-- 500` only so many.

use std::time::Instant;

use blindsteep::book::labels::Labels;
use blindsteep::book::vocabulary::Ends;
use blindsteep::findings::Settings;
use blindsteep::findings::age::{AgeWish, LotTimes, age_of};
use blindsteep::scores::{Builder, ScaleKind, ScoreRow, ScoredTerm, Scores, Source};
use blindsteep_stats::rng::{Stream, stream};

const TERMS: usize = 15;
const TASTERS: usize = 5;
const MONTHS: usize = 120;
const AGES: [usize; 9] = [0, 3, 6, 12, 18, 24, 36, 48, 60];

/// What one term holds.
struct Planted {
    taster: Vec<f64>,
    drift: Vec<f64>,
    at_session: Vec<f64>,
    of_lot: Vec<f64>,
    level: Vec<f64>,
    slope: Vec<f64>,
}

impl Planted {
    fn drawn(n_lots: usize, draws: &mut Stream) -> Self {
        let mut all = |n: usize, sd: f64| (0..n).map(|_| sd * draws.normal()).collect();
        Planted {
            taster: all(TASTERS, 0.6),
            drift: all(TASTERS, 0.004),
            at_session: all(TASTERS * MONTHS, 0.3),
            of_lot: all(TASTERS * (n_lots + 1), 0.3),
            level: all(n_lots + 1, 0.8),
            slope: all(n_lots + 1, 0.01),
        }
    }
}

fn invent(n_lots: usize) -> Scores {
    let mut draws = stream(6, n_lots as u64);
    // The last place is that of the reference, which stays as it was.
    let mut served: Vec<(usize, usize, usize)> = (0..MONTHS).map(|m| (n_lots, m, 0)).collect();
    for lot in 0..n_lots {
        let made = lot * (MONTHS - 12) / n_lots.max(1);
        let tastings = AGES.iter().map(|age| (lot, made + age, *age));
        served.extend(tastings.filter(|t| t.1 < MONTHS));
    }
    let absent: Vec<bool> = (0..TASTERS * MONTHS).map(|_| draws.below(10) == 0).collect();
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
    for term in &terms {
        let planted = Planted::drawn(n_lots, &mut draws);
        for &(lot, session, age) in &served {
            let name = if lot == n_lots { "REF".to_owned() } else { format!("L{lot:04}") };
            let ages = if lot == n_lots { 0.0 } else { planted.slope[lot] * age as f64 };
            for who in (0..TASTERS).filter(|w| !absent[w * MONTHS + session]) {
                let value = 5.0
                    + planted.level[lot]
                    + ages
                    + planted.taster[who]
                    + planted.drift[who] * session as f64
                    + planted.at_session[who * MONTHS + session]
                    + planted.of_lot[who * (n_lots + 1) + lot]
                    + 0.7 * draws.normal();
                builder.push(&ScoreRow {
                    lot: &name,
                    taster: Some(&format!("t{who}")),
                    session: Some(&format!("s{session:03}")),
                    month: Some(session as f64),
                    term: &term.id,
                    value: (value * 10.0).round() / 10.0,
                    ..ScoreRow::default()
                });
            }
        }
    }
    let source = Source { references: vec!["REF".to_owned()], ..Source::default() };
    builder.finish(terms, source)
}

fn main() {
    let wanted: Vec<usize> = std::env::args().filter_map(|a| a.parse().ok()).collect();
    let wanted = if wanted.is_empty() { vec![100, 250, 500] } else { wanted };
    let (settings, wish) = (Settings::default(), AgeWish::default());
    let times = LotTimes::of_table("the first month");
    println!("lots   scores    courses  seconds   of them written as JSON   MB");
    for n in wanted {
        let scores = invent(n);
        let start = Instant::now();
        let found = age_of(&scores, &times, &wish, &settings);
        let made = start.elapsed().as_secs_f64();
        let json = serde_json::to_vec(&found).expect("a finding is JSON");
        let whole = start.elapsed().as_secs_f64();
        let courses: usize = found.samples.iter().map(|s| s.terms.len()).sum();
        assert_eq!(courses, n * TERMS);
        println!(
            "{n:<6} {:<9} {courses:<8} {whole:<9.2} {:<23.2} {:.1}",
            found.n_scores,
            whole - made,
            json.len() as f64 / 1e6
        );
    }
}
