//! The demo's garden (invented) under many seeds, before and after a trial.

use blindsteep::book::trials::Level;
use blindsteep::demo::book::SEED;
use blindsteep::demo::garden::Garden;
use blindsteep::demo::history::{History, TWO_YEARS};
use blindsteep::demo::simulated;
use blindsteep::demo::truth::{Making, Store, TERMS};
use blindsteep::findings::link::{Link, Wish, link};
use blindsteep::findings::trial::{self, Batch};
use blindsteep::findings::{Answer, Settings};
use blindsteep::scores::{Made, Makings, Scores};

use super::tally::{EXACT, Limit, SIZE, Tally};

/// What lots made together share, in points, where that is planted.
const SHARED: f64 = 0.4;
/// An effect that is nearer to 0 than this, over the range made, counts as none.
const NOTHING: f64 = 0.02;

fn settings() -> Settings {
    Settings { n_permutations: 199, ..Settings::default() }
}

fn ask(scores: &Scores, makings: &Makings) -> Link {
    link(scores, makings, &Wish::default(), &settings())
}

/// The sixteen lots of the demo book.
pub fn before(seed: u64) -> Tally {
    let mut tally = Tally::default();
    let makings = simulated::makings(seed);
    let found = ask(&simulated::scores(seed), &makings);
    effects(
        "1 The garden's sixteen lots: effects over the range made",
        &found,
        &makings,
        &TWO_YEARS,
        &mut tally,
    );
    let trap = [("roll.minutes", "pluck.fine-leaf")];
    for (a, b) in trap {
        let alone = found.sentences.iter().any(|s| s.contains(a) != s.contains(b));
        let key = (
            "0 The trap",
            "sixteen lots",
            "no sentence names rolling or leaf grade without the other",
        );
        tally.add(key, f64::from(u8::from(!alone)), Limit::AtLeast(1.0));
    }
    let shared = ask(&simulated::scores_with(seed, SHARED), &makings);
    let group = "2 The same, where lots made together share .4 points that no parameter says";
    effects(group, &shared, &makings, &TWO_YEARS, &mut tally);
    tally
}

/// The sixteen lots and those of a trial.
pub fn after(seed: u64, further: &[Making]) -> Tally {
    let mut tally = Tally::default();
    let history = History::with(further);
    let garden = Garden::of(seed, &history);
    let makings = simulated::makings_of(&garden);
    let found = ask(&simulated::scores_of(&garden), &makings);
    effects(
        "4 After the trial: effects over the range made",
        &found,
        &makings,
        &history,
        &mut tally,
    );
    let body = found.terms.iter().find(|t| t.term == "body").expect("one of the garden's terms");
    let excludes = |line: &str| {
        let effect = body.effects.iter().find(|e| e.line == line);
        effect.and_then(|e| Some(e.over_range.known()?.excludes(0.0)))
    };
    let (rolling, pluck) = (excludes("roll.minutes"), excludes("pluck.fine-leaf"));
    let mut said = |what: &str, is: bool, limit: Limit| {
        tally.add(
            ("3 After the trial: rolling told from leaf grade, on body", "twenty lots", what),
            f64::from(u8::from(is)),
            limit,
        );
    };
    said("both are lines of their own", rolling.is_some() && pluck.is_some(), Limit::AtLeast(1.0));
    said("rolling's interval excludes 0", rolling == Some(true), Limit::Printed);
    said("leaf grade's interval covers 0", pluck == Some(false), Limit::Printed);
    said(
        "rolling's interval excludes 0 and leaf grade's covers it",
        rolling == Some(true) && pluck == Some(false),
        Limit::AtLeast(0.8),
    );
    tally
}

/// The lots that `trial --add 4` proposes, as the garden makes them: what a batch says, and the
/// weather of its season.
pub fn proposed() -> Vec<Making> {
    let (scores, makings) = (simulated::scores(SEED), simulated::makings(SEED));
    let wish = trial::Wish { simulations: Some(0), ..trial::Wish::default() };
    let plan = trial::trial(Some(&scores), Some(&makings), None, &wish, &Settings::default())
        .expect("a proposal");
    let garden = Garden::new(SEED);
    let first = TWO_YEARS.lots.len() as u32;
    plan.batches
        .iter()
        .map(|batch| {
            eprintln!("batch {}: {:?}", batch.run, batch.settings);
            let spring = is(batch, "lot.season", "spring");
            let either = |id: &str, high: f64| if number(batch, id) == high { 1.0 } else { -1.0 };
            // As warm as it was in that season.
            let (low, high) = if spring { (21.1, 22.5) } else { (25.6, 27.0) };
            let warm = garden.uniform(&format!("further/{}", batch.run));
            Making {
                number: first + batch.run,
                month: if spring { 24 } else { 29 },
                season: if spring { 1.0 } else { -1.0 },
                wither: either("wither.hours", 17.0),
                oxidation_h: number(batch, "derived.oxidation-hours"),
                oxidation_c: low + warm * (high - low),
                rolling: either("roll.minutes", 75.0),
                pluck: either("pluck.fine-leaf", 80.0),
                sun: f64::from(u8::from(is(batch, "dry.method", "sun"))),
                packed_moisture: None,
            }
        })
        .collect()
}

fn number(batch: &Batch, id: &str) -> f64 {
    match &batch.settings[id] {
        Level::Number(x) => *x,
        other => panic!("{id}: {other:?} is no number"),
    }
}

fn is(batch: &Batch, id: &str, word: &str) -> bool {
    matches!(&batch.settings[id], Level::Word(w) if w == word)
}

/// The expected score of a lot at its first tasting, less the reference's of the same flights.
fn beside_reference(lot: &str, history: &History, term: usize) -> f64 {
    let served = history.served(lot);
    let (session, _) = history.first_served(served.0).expect("every lot was tasted");
    let flights = &history.sessions[session].flights;
    let with: Vec<usize> = (0..flights.len()).filter(|f| flights[*f].contains(&served)).collect();
    let of = |sample, flights: &[usize]| -> f64 {
        let all =
            flights.iter().map(|f| simulated::expected_in(history, sample, term, (session, *f)));
        all.sum::<f64>() / flights.len() as f64
    };
    let every: Vec<usize> = (0..flights.len()).collect();
    of(served, &with) - of((0, Store::Main), &every)
}

/// Ordinary least squares of the expected lot levels on the lines of the joint model.
fn projected(
    found: &Link,
    makings: &Makings,
    history: &History,
    term: usize,
) -> Vec<(String, f64)> {
    let lines: Vec<_> = found.lines.iter().filter(|l| l.has_effect).collect();
    let columns: Vec<Vec<f64>> = lines
        .iter()
        .map(|line| {
            let (id, level) = line.line.split_once('=').unwrap_or((&line.line, ""));
            let p = makings.parameters.iter().find(|p| p.id == id).expect("a parameter");
            let value = |lot: &String| match &p.values[lot].value {
                Made::Number(x) => *x,
                Made::Category(c) => f64::from(u8::from(c == level)),
                Made::YesNo(b) => f64::from(u8::from(*b)),
            };
            found.lots.iter().map(|l| value(&l.lot)).collect()
        })
        .collect();
    let y: Vec<f64> = found.lots.iter().map(|l| beside_reference(&l.lot, history, term)).collect();
    let slices: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
    let fit = blindsteep_stats::links::ols(&slices, &y, 0.95).expect("a fit");
    let slopes = fit.coefficients.iter().skip(1);
    lines.iter().zip(slopes).map(|(l, c)| (l.line.clone(), c.estimate * (l.max - l.min))).collect()
}

fn effects(group: &str, found: &Link, makings: &Makings, history: &History, tally: &mut Tally) {
    let mut false_alarms: Vec<f64> = Vec::new();
    for t in &found.terms {
        let at = TERMS.iter().position(|x| x.id == t.term).expect("one of the garden's terms");
        let truths = projected(found, makings, history, at);
        for e in &t.effects {
            let Some((_, truth)) = truths.iter().find(|(line, _)| *line == e.line) else {
                continue;
            };
            let Answer::Known(range) = &e.over_range else { continue };
            let key = (group, t.term.as_str(), e.line.as_str());
            tally.add(key, f64::from(u8::from(!range.excludes(*truth))), EXACT);
            tally.beside(key, [range.value, *truth, 0.5 * (range.upper - range.lower)]);
            if truth.abs() < NOTHING
                && let Answer::Known(p) = &e.permutation
            {
                false_alarms.push(f64::from(u8::from(p.p_value < 0.05)));
            }
        }
    }
    if !false_alarms.is_empty() {
        let share = false_alarms.iter().sum::<f64>() / false_alarms.len() as f64;
        tally.add((group, "no effect planted", "by exchange p < .05"), share, SIZE);
    }
}
