//! The garden's scores straight as a table, without a book: for asking over many seeds whether
//! what the analysis says covers what was planted. Bitter and astringent, hue, ticks and faults
//! aside, the same draws as the book's; only the serving orders are plain permutations.

use std::collections::BTreeMap;

use super::book::GIVEN;
use super::garden::{Garden, Line, Pot};
use super::history::{History, REFERENCE, TWO_YEARS, session_day};
use super::truth::{
    BREW_SD, CARRY_OVER, FIRST_CUP, LOT_SD, LOT_TASTER_SD, MONTH_OF_SEEN_LABELS, Making,
    PANEL_DRIFT, SEEN_LABELS_SHIFT, SESSION_SD, SPLIT, SWEET, Served, Store, TASTERS, TERMS,
    TasterTruth,
};
use crate::book::labels::Labels;
use crate::book::parameters::Role;
use crate::book::time::Day;
use crate::book::vocabulary::Ends;
use crate::scores::{
    Before, Builder, LotTimes, Made, MadeParameter, MadeValue, Makings, SampleTime, ScaleKind,
    ScoreRow, ScoredTerm, Scores, Source,
};

const BITTER: usize = 4;
const ASTRINGENT: usize = 3;

/// The name of a session.
#[must_use]
pub fn session_name(month: u32) -> String {
    format!("month-{month:02}")
}

/// All ten sessions of the garden under a seed, on the twelve line terms.
#[must_use]
pub fn scores(seed: u64) -> Scores {
    scores_with(seed, 0.0)
}

/// The same, where lots that were made together share something that no parameter says, with a
/// standard deviation of `shared` points on each term.
#[must_use]
pub fn scores_with(seed: u64, shared: f64) -> Scores {
    table(&Garden::new(seed), shared, &TASTERS, false)
}

/// All sessions of a garden, whatever was made in it.
#[must_use]
pub fn scores_of(garden: &Garden<'_>) -> Scores {
    table(garden, 0.0, &TASTERS, false)
}

/// The same sessions tasted by another panel.
#[must_use]
pub fn scores_by(seed: u64, tasters: &[TasterTruth]) -> Scores {
    table(&Garden::new(seed), 0.0, tasters, false)
}

/// The same table with, in the place of each score, what that taster would write on average of this
/// garden's lots: what intervals are to cover. See [`expected`].
#[must_use]
pub fn expected_scores(seed: u64, tasters: &[TasterTruth]) -> Scores {
    table(&Garden::new(seed), 0.0, tasters, true)
}

fn table(garden: &Garden<'_>, shared: f64, tasters: &[TasterTruth], on_average: bool) -> Scores {
    let history = garden.history;
    let mut builder = Builder::default();
    let start = history.start();
    for (index, session) in history.sessions.iter().enumerate() {
        let name = session_name(session.month);
        let there: Vec<&TasterTruth> =
            tasters.iter().filter(|t| garden.comes(t, &index.to_string())).collect();
        for (flight, samples) in session.flights.iter().enumerate() {
            let day = session_day(session, flight);
            let pots: Vec<Pot> = cups(samples)
                .iter()
                .enumerate()
                .map(|(cup, served)| {
                    let (age, split) = history.ages(*served, day);
                    let mut pot =
                        garden.pot(&format!("{index}/{flight}/{cup}"), *served, age, split);
                    for (t, level) in pot.line.iter_mut().enumerate() {
                        *level += shared * garden.shared(*served, t);
                    }
                    pot
                })
                .collect();
            for taster in &there {
                let place = |cup: &usize| {
                    garden.uniform(&format!("place/{}/{index}/{flight}/{cup}", taster.id))
                };
                let mut order: Vec<usize> = (0..pots.len()).collect();
                order.sort_by(|a, b| place(a).total_cmp(&place(b)));
                let served: Vec<&Pot> = order.iter().map(|cup| &pots[*cup]).collect();
                let written: Vec<Line> = if on_average {
                    let mean = |pot: &&Pot| -> Line {
                        let lots = Lots::Of(garden);
                        let at = |t| expected_of(taster, pot.served, t, (index, flight), lots);
                        std::array::from_fn(at)
                    };
                    served.iter().map(mean).collect()
                } else {
                    let name = format!("{index}/{flight}");
                    let month = f64::from(session.month);
                    let of = garden.taste(taster, &index.to_string(), &name, month, &served);
                    of.into_iter().map(|w| w.line).collect()
                };
                for (at, (cup, written)) in order.iter().zip(&written).enumerate() {
                    let sample = pots[*cup].served;
                    let saw = session.month == MONTH_OF_SEEN_LABELS && taster.id == "dee";
                    for (t, term) in TERMS.iter().enumerate() {
                        let shift = match sample.1 {
                            _ if on_average => 0.0,
                            Store::Dry if saw && t == SWEET => SEEN_LABELS_SHIFT,
                            Store::Humid if saw && t == SWEET => -SEEN_LABELS_SHIFT,
                            _ => 0.0,
                        };
                        builder.push(&ScoreRow {
                            lot: &history.sample_id(sample),
                            arm: arm(sample.1),
                            taster: Some(taster.id),
                            session: Some(&name),
                            flight: Some(&(flight + 1).to_string()),
                            position: Some((at + 1) as f64),
                            cup: Some(&format!("{flight}-{cup}")),
                            brew: Some(&format!("{flight}-{cup}")),
                            recipe: Some("tavrinel"),
                            month: Some(day.months_since(start)),
                            term: term.id,
                            value: (written[t] + shift).clamp(0.0, 10.0),
                            excluded: saw.then_some("saw the labels on the tins"),
                            ..ScoreRow::default()
                        });
                    }
                }
            }
        }
    }
    let term = |id: &str| ScoredTerm {
        id: id.to_owned(),
        scale: ScaleKind::Line,
        ends: Some([0.0, 10.0]),
        labels: Labels::default(),
        end_words: Ends::new(),
        level_words: Default::default(),
        gaps: 0,
    };
    builder.finish(
        TERMS.iter().map(|t| term(t.id)).collect(),
        Source {
            names: history.sessions.iter().map(|s| session_name(s.month)).collect(),
            kind: "sessions".to_owned(),
            references: vec![REFERENCE.to_owned()],
            notes: Vec::new(),
        },
    )
}

fn arm(store: Store) -> Option<&'static str> {
    match store {
        Store::Main => None,
        Store::Dry => Some("dry"),
        Store::Humid => Some("humid"),
    }
}

/// The cups of a flight: its samples, a duplicate of the first, and the reference.
fn cups(samples: &[Served]) -> Vec<Served> {
    samples.iter().copied().chain([samples[0], (0, Store::Main)]).collect()
}

/// When the samples were made and what they were before, on the months of the scores.
#[must_use]
pub fn times() -> LotTimes {
    let history = &*TWO_YEARS;
    let start = history.start();
    let mut samples = BTreeMap::new();
    for lot in &history.lots {
        let stores: &[Store] =
            if SPLIT.contains(&lot.number) { &[Store::Dry, Store::Humid] } else { &[Store::Main] };
        for store in stores {
            let served = (lot.number, *store);
            let split = history.first_tasted(lot.number).filter(|_| *store != Store::Main);
            let before = split.map(|day| Before {
                sample: history.lot_id(lot.number),
                // The day after the first tasting, which still was of the lot itself.
                until: day.later(1).months_since(start),
            });
            samples.insert(
                history.sample_id(served),
                SampleTime {
                    lot: history.lot_id(lot.number),
                    arm: arm(*store).map(str::to_owned),
                    made: history.made(lot).months_since(start),
                    before: before.into_iter().collect(),
                    ..SampleTime::default()
                },
            );
        }
    }
    let clock = "months since the lot was made".to_owned();
    LotTimes { clock, samples, ..LotTimes::default() }
}

/// How the lots were made, as the log of each says it, with hours and dose worked out.
#[must_use]
pub fn makings(seed: u64) -> Makings {
    makings_of(&Garden::new(seed))
}

/// The same of a garden, whatever was made in it.
#[must_use]
pub fn makings_of(garden: &Garden<'_>) -> Makings {
    let history = garden.history;
    let all = |value: &dyn Fn(&Making) -> Made| -> BTreeMap<String, MadeValue> {
        let made = |l: &Making| MadeValue { value: value(l), estimated: false };
        history.lots.iter().map(|l| (history.lot_id(l.number), made(l))).collect()
    };
    let number = |id: &str, unit: &str, of: &dyn Fn(&Making) -> f64| MadeParameter {
        id: id.to_owned(),
        unit: Some(unit.to_owned()).filter(|u| !u.is_empty()),
        role: if id == GIVEN { Role::Given } else { Role::usual(id) },
        values: all(&|lot| Made::Number(of(lot))),
        ..MadeParameter::default()
    };
    let word = |id: &str, of: &dyn Fn(&Making) -> &'static str| MadeParameter {
        id: id.to_owned(),
        role: Role::usual(id),
        values: all(&|lot| Made::Category(of(lot).to_owned())),
        ..MadeParameter::default()
    };
    let either = |up: bool, high: f64, low: f64| if up { high } else { low };
    let doses = |q10: f64| -> BTreeMap<String, f64> {
        let dose =
            |l: &Making| (l.oxidation_h * q10.powf((l.oxidation_c - 25.0) / 10.0) / 3.0).log2();
        history.lots.iter().map(|l| (history.lot_id(l.number), dose(l))).collect()
    };
    Makings {
        source: "the planted making".to_owned(),
        lots: history.lots.iter().map(|l| history.lot_id(l.number)).collect(),
        parameters: vec![
            number("pluck.fine-leaf", "%", &|l| either(l.pluck > 0.0, 80.0, 65.0)),
            number("wither.hours", "h", &|l| either(l.wither > 0.0, 17.0, 12.0)),
            number("wither.moisture", "%", &|l| either(l.wither > 0.0, 62.0, 70.0)),
            number("roll.minutes", "min", &|l| either(l.rolling > 0.0, 75.0, 40.0)),
            number("oxidise.temperature", "°C", &|l| l.oxidation_c),
            word("dry.method", &|l| if l.sun > 0.0 { "sun" } else { "hot-air" }),
            number("dry.moisture", "%", &|l| garden.packed_moisture(l)),
            word("lot.season", &|l| if l.season > 0.0 { "spring" } else { "autumn" }),
            number("derived.oxidation-hours", "h", &|l| l.oxidation_h),
            MadeParameter {
                variants: [1.5, 2.5].map(|q10| (format!("q10 {q10}"), doses(q10))).to_vec(),
                ..number("derived.oxidation-dose", "", &Making::dose)
            },
        ],
        ..Makings::default()
    }
}

/// What the panel writes of a sample in a session on average over everything random but its
/// tasters: lots, pots, sessions, views, noise, and the serving orders (by a random place). Steps
/// of half a point and the ends of the scale are in it: that is the truth that means estimate.
#[must_use]
pub fn expected(sample: Served, term: usize, session: usize, flight: usize) -> f64 {
    expected_in(&TWO_YEARS, sample, term, (session, flight))
}

/// The same in another history.
#[must_use]
pub fn expected_in(
    history: &History,
    sample: Served,
    term: usize,
    (session, flight): (usize, usize),
) -> f64 {
    let lots = Lots::Any(history);
    let of_all = TASTERS.iter().map(|who| expected_of(who, sample, term, (session, flight), lots));
    of_all.sum::<f64>() / TASTERS.len() as f64
}

/// Over which lots of a history an expectation is taken.
#[derive(Clone, Copy)]
enum Lots<'a> {
    /// Lots made so.
    Any(&'a History),
    /// Those of one garden, with what is their own.
    Of(&'a Garden<'a>),
}

impl Lots<'_> {
    fn history(&self) -> &History {
        match self {
            Self::Any(history) => history,
            Self::Of(garden) => garden.history,
        }
    }

    fn level(&self, sample: Served, term: usize, day: Day) -> f64 {
        let history = self.history();
        let (age, split) = history.ages(sample, day);
        if let Self::Of(garden) = self {
            return garden.level(sample, term, age, split);
        }
        let Some(lot) = history.lot(sample.0) else { return TERMS[term].base };
        let stored = Garden::of(0, history).stored(lot, sample.1, age, split);
        TERMS[term].made(lot) + TERMS[term].moved(stored)
    }
}

/// What one taster writes on average; of the lots of one garden if it is given, else of such lots.
fn expected_of(
    who: &TasterTruth,
    sample: Served,
    term: usize,
    (session, flight): (usize, usize),
    lots: Lots<'_>,
) -> f64 {
    let held = &lots.history().sessions[session];
    let day = session_day(held, flight);
    let felt = match term {
        BITTER if who.swaps => ASTRINGENT,
        ASTRINGENT if who.swaps => BITTER,
        other => other,
    };
    let base = TERMS[term].base;
    let mut value = lots.level(sample, felt, day);
    if term == ASTRINGENT {
        // In a random place of n a cup comes first once in n times; else any other comes before.
        let all = cups(&held.flights[flight]);
        let n = all.len() as f64;
        let strong: Vec<f64> = all.iter().map(|s| lots.level(*s, ASTRINGENT, day)).collect();
        let mean = strong.iter().sum::<f64>() / n;
        let own = lots.level(sample, ASTRINGENT, day);
        let before = (n * mean - own) / (n - 1.0) - mean;
        value += FIRST_CUP / n + (1.0 - 1.0 / n) * CARRY_OVER * before;
    }
    let month = f64::from(held.month);
    let mean = base + who.offset + who.slope * (value - base) + (PANEL_DRIFT + who.drift) * month;
    let lot = if sample.0 == 0 || matches!(lots, Lots::Of(_)) { 0.0 } else { LOT_SD };
    let within = who.slope * who.slope * (lot * lot + BREW_SD.powi(2) + SESSION_SD.powi(2));
    let sd = (within + LOT_TASTER_SD.powi(2) + who.noise.powi(2)).sqrt();
    written(mean, sd)
}

/// The mean of a normal score after rounding to halves and clipping to 0 and 10.
fn written(mean: f64, sd: f64) -> f64 {
    let up_to = |x: f64| blindsteep_stats::dist::normal_cdf((x - mean) / sd);
    // E = sum over the steps of the chance to lie above each.
    (0..20).map(|i| 0.5 * (1.0 - up_to(0.5 * f64::from(i) + 0.25))).sum()
}

/// The making of a lot by its id.
#[must_use]
pub fn making(id: &str) -> Option<&'static Making> {
    TWO_YEARS.lots.iter().find(|l| TWO_YEARS.lot_id(l.number) == id)
}

/// What stands behind a sample's name.
#[must_use]
pub fn served(name: &str) -> Served {
    TWO_YEARS.served(name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rounding_and_clipping_are_in_the_expected_score() {
        // Far from the ends and wide, rounding leaves the mean; at the end it is pulled in.
        assert!((written(5.1, 1.0) - 5.1).abs() < 1e-6);
        // By hand: of a normal about 0 with sd 1 only the upper half stays: 0.3989, less what
        // rounding to halves takes (Sheppard: nothing in the mean but at the edge).
        assert!((written(0.0, 1.0) - 0.3989).abs() < 0.02);
    }

    #[test]
    fn the_table_has_the_books_layout() {
        let scores = scores(3);
        assert_eq!(scores.terms().len(), 12);
        let sweet = scores.term("sweet", false).expect("a term");
        // 16 lots, two arms of four of them, and the reference.
        assert_eq!(sweet.lot.names.len(), 16 + 8 + 1);
        assert!(sweet.n_excluded > 0);
    }
}
