//! Tables invented anew in each run: lots' means, with and without effects.

use std::collections::BTreeMap;

use blindsteep::book::labels::Labels;
use blindsteep::book::vocabulary::Ends;
use blindsteep::findings::Settings;
use blindsteep::findings::link::{Link, Wish, link};
use blindsteep::scores::{
    Builder, Made, MadeParameter, MadeValue, Makings, ScaleKind, ScoreRow, ScoredTerm, Source,
};
use blindsteep_stats::links::pearson;
use blindsteep_stats::rng::{Stream, stream};

use super::tally::{Limit, SIZE, Tally};

/// From here on two parameters are named together.
const NEAR: f64 = 0.9;

/// Lots made in one session, parameters and terms of a table.
struct Shape {
    lots: usize,
    parameters: usize,
    terms: usize,
    /// Correlation that is planted between the first two parameters.
    r: f64,
    /// Standardised slope of the last parameter on the first half of the terms.
    slope: f64,
}

/// One run of every case.
pub fn one(index: u64, seed: u64) -> Tally {
    let mut tally = Tally::default();
    let mut draws = stream(seed, index);
    for (case, lots) in [("12 lots", 12), ("16 lots", 16), ("40 lots", 40)] {
        let null = Shape { lots, parameters: 5, terms: 12, r: 0.3, slope: 0.0 };
        let (_, found) = null.asked(&mut draws);
        let any = found.terms.iter().flat_map(|t| &t.effects);
        let any = any.filter_map(|e| e.q_value.known()).any(|q| *q < 0.05);
        let group = "5 Five parameters and twelve terms: what is said to stand out";
        let key = (group, case, "nothing planted: anything stands out");
        tally.add(key, f64::from(u8::from(any)), SIZE);
        let bent = found.terms.iter().flat_map(|t| &t.effects);
        let bent = bent.filter_map(|e| e.shape.known()).any(|s| s.seen);
        let key = (group, case, "nothing planted: a curve stands out");
        tally.add(key, f64::from(u8::from(bent)), SIZE);
        let told = found.prediction.known().expect("lots enough");
        let key = (
            "7 Prediction from all parameters: pure noise",
            case,
            "says of every term that it is predicted no better than by its mean",
        );
        tally.add(key, f64::from(u8::from(told.n_better == 0)), Limit::AtLeast(0.95));
        let some = Shape { slope: 1.5, ..null };
        let (_, found) = some.asked(&mut draws);
        let (mut out, mut wrong) = (0.0_f64, 0.0);
        for (t, term) in found.terms.iter().enumerate() {
            for e in term.effects.iter().filter(|e| e.q_value.known().is_some_and(|q| *q < 0.05)) {
                out += 1.0;
                let planted = e.line == "p5" && t < 6;
                wrong += if planted { 0.0 } else { 1.0 };
            }
        }
        let key = (group, case, "one parameter planted on six terms: false among what stands out");
        tally.add(key, wrong / out.max(1.0), SIZE);
        let key = (group, case, "the same: found among the six");
        tally.add(key, (out - wrong) / 6.0, Limit::Printed);
    }
    let group = "6 Two parameters that move together: named jointly if and only if |r| reaches .9";
    for (case, r) in [
        ("r .5", 0.5),
        ("r .7", 0.7),
        ("r .85", 0.85),
        ("r .9", 0.9),
        ("r .95", 0.95),
        ("r 1", 1.0),
    ] {
        let shape = Shape { lots: 16, parameters: 3, terms: 1, r, slope: 0.0 };
        let (columns, found) = shape.asked(&mut draws);
        let r = pearson(&columns[0], &columns[1]).expect("two columns that vary");
        let line = found.lines.iter().find(|l| l.members.iter().any(|m| m.column == "p1"));
        let joint = line.is_some_and(|l| l.members.iter().any(|m| m.column == "p2"));
        let right = joint == (r.abs() >= NEAR);
        tally.add(
            (group, case, "named as the threshold says"),
            f64::from(u8::from(right)),
            Limit::AtLeast(1.0),
        );
        tally.add((group, case, "named jointly"), f64::from(u8::from(joint)), Limit::Printed);
    }
    tally
}

impl Shape {
    /// Draws a table of lots' means and asks it; returns its parameters too.
    fn asked(&self, draws: &mut Stream) -> (Vec<Vec<f64>>, Link) {
        let lots: Vec<String> = (1..=self.lots).map(|i| format!("L{i}")).collect();
        let mut columns: Vec<Vec<f64>> = (0..self.parameters)
            .map(|_| (0..self.lots).map(|_| draws.normal()).collect())
            .collect();
        let own = (1.0 - self.r * self.r).sqrt();
        columns[1] = (0..self.lots).map(|i| self.r * columns[0][i] + own * columns[1][i]).collect();
        let mut builder = Builder::default();
        for t in 0..self.terms {
            let slope = if t < self.terms / 2 { self.slope } else { 0.0 };
            for (i, lot) in lots.iter().enumerate() {
                builder.push(&ScoreRow {
                    lot,
                    term: &format!("t{t}"),
                    value: 5.0 + slope * columns[self.parameters - 1][i] + draws.normal(),
                    ..ScoreRow::default()
                });
            }
        }
        let terms = (0..self.terms).map(|t| ScoredTerm {
            id: format!("t{t}"),
            scale: ScaleKind::Line,
            ends: None,
            labels: Labels::default(),
            end_words: Ends::new(),
            level_words: Default::default(),
            gaps: 0,
        });
        let parameters = columns.iter().enumerate().map(|(p, column)| {
            let value = |(lot, x): (&String, &f64)| {
                (lot.clone(), MadeValue { value: Made::Number(*x), estimated: false })
            };
            MadeParameter {
                id: format!("p{}", p + 1),
                values: lots.iter().zip(column).map(value).collect::<BTreeMap<_, _>>(),
                ..MadeParameter::default()
            }
        });
        let makings = Makings {
            source: "invented".to_owned(),
            lots: lots.clone(),
            parameters: parameters.collect(),
            ..Makings::default()
        };
        let scores = builder.finish(terms.collect(), Source::default());
        let settings = Settings { n_permutations: 199, ..Settings::default() };
        (columns, link(&scores, &makings, &Wish::default(), &settings))
    }
}
