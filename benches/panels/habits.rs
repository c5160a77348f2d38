//! Are habits named where they are, and only there? And do their intervals hold what was planted?

use blindsteep::demo::garden::{Garden, Pot};
use blindsteep::demo::simulated;
use blindsteep::demo::truth::{LOTS, Store, TASTERS, TERMS, TasterTruth};
use blindsteep::findings::habits::{Habits, TasterOverall};
use blindsteep::scores::{Builder, ScoreRow, Scores, Source};

use crate::seeds::{LEVEL, counted, habits_of};
use crate::table::line;
use crate::tally::{FALSELY, Limit, NAMED, Tally};

/// The habits the rule is held to, who has each in the garden, and the others that it names.
const HELD: [(&str, &str); 4] =
    [("narrow", "bo"), ("offset", "cy"), ("noisy", "dee"), ("swapped", "eve")];
const OTHERS: [&str; 5] = ["wide", "drift", "crossed", "unrelated", "against"];

fn has(t: &TasterOverall, kind: &str) -> bool {
    t.habits.iter().any(|h| h.kind == kind)
}

fn anybody(h: &Habits, kind: &str) -> f64 {
    f64::from(u8::from(h.tasters.iter().any(|t| has(t, kind))))
}

/// The garden's ten sessions under one seed: its own panel, and the same people without habits.
pub fn record(seed: u64) -> Tally {
    let mut tally = Tally::default();
    let group = "08 Habits over ten sessions of the garden";
    if let Some(found) = habits_of(&simulated::scores(seed)) {
        let own = "six tasters, five with habits";
        for (kind, who) in HELD {
            let named = found.tasters.iter().any(|t| t.taster == who && has(t, kind));
            tally.add(
                (group, own, &format!("{who} named {kind}")),
                f64::from(u8::from(named)),
                NAMED,
            );
        }
        let ann = found.tasters.iter().any(|t| t.taster == "ann" && !t.habits.is_empty());
        tally.add((group, own, "ann, who has none, named"), f64::from(u8::from(ann)), FALSELY);
        let finn = found.tasters.iter().any(|t| t.taster == "finn" && has(t, "drift"));
        tally.add((group, own, "finn named drift"), f64::from(u8::from(finn)), Limit::Printed);
    }
    let clean = TASTERS.map(TasterTruth::without_habits);
    if let Some(found) = habits_of(&simulated::scores_by(seed, &clean)) {
        falsely(&found, (group, "six tasters without habits"), FALSELY, &mut tally);
    }
    tally
}

fn falsely(found: &Habits, (group, case): (&str, &str), limit: Limit, tally: &mut Tally) {
    for kind in HELD.map(|h| h.0).into_iter().chain(OTHERS) {
        tally.add((group, case, &format!("anybody named {kind}")), anybody(found, kind), limit);
    }
    let any = found.tasters.iter().any(|t| !t.habits.is_empty());
    tally.add((group, case, "anybody named anything"), f64::from(u8::from(any)), Limit::Printed);
}

/// One session of the garden: six of its lots, two flights, five tasters.
pub fn session(seed: u64) -> Tally {
    let mut tally = Tally::default();
    let group = "09 Habits in one session of 6 cups × 2, five tasters, twelve terms";
    let sound: [TasterTruth; 5] = std::array::from_fn(|i| TASTERS[i].without_habits());
    if let Some(found) = habits_of(&one_session(seed, &sound)) {
        falsely(&found, (group, "nobody has a habit"), Limit::Printed, &mut tally);
    }
    for (kind, who) in HELD {
        let panel: [TasterTruth; 5] =
            std::array::from_fn(|i| if TASTERS[i].id == who { TASTERS[i] } else { sound[i] });
        let Some(found) = habits_of(&one_session(seed, &panel)) else { continue };
        let case = format!("one taster is {kind}");
        let own = found.tasters.iter().any(|t| t.taster == who && has(t, kind));
        let other = found.tasters.iter().any(|t| t.taster != who && !t.habits.is_empty());
        tally.add((group, &case, "that one named so"), f64::from(u8::from(own)), Limit::Printed);
        tally.add(
            (group, &case, "another named anything"),
            f64::from(u8::from(other)),
            Limit::Printed,
        );
    }
    tally
}

fn one_session(seed: u64, panel: &[TasterTruth]) -> Scores {
    let garden = Garden::new(seed);
    let mut lots: Vec<u32> = LOTS.iter().map(|l| l.number).collect();
    lots.sort_by(|a, b| {
        let place = |n: &u32| garden.uniform(&format!("which/{n}"));
        place(a).total_cmp(&place(b))
    });
    let mut builder = Builder::default();
    for flight in 0..2 {
        let pots: Vec<Pot> = lots[..6]
            .iter()
            .map(|n| garden.pot(&format!("{flight}/{n}"), (*n, Store::Main), 1.0, f64::INFINITY))
            .collect();
        for who in panel {
            let mut order: Vec<&Pot> = pots.iter().collect();
            order.sort_by(|a, b| {
                let place =
                    |p: &&Pot| garden.uniform(&format!("{}/{flight}/{}", who.id, p.served.0));
                place(a).total_cmp(&place(b))
            });
            let written = garden.taste(who, "s", &format!("{flight}"), 0.0, &order);
            for (at, (pot, written)) in order.iter().zip(&written).enumerate() {
                for (t, term) in TERMS.iter().enumerate() {
                    let cup = format!("{flight}-{}", pot.served.0);
                    builder.push(&ScoreRow {
                        lot: &format!("l{}", pot.served.0),
                        taster: Some(who.id),
                        session: Some("s"),
                        flight: Some(&flight.to_string()),
                        position: Some((at + 1) as f64),
                        cup: Some(&cup),
                        brew: Some(&cup),
                        month: Some(0.0),
                        term: term.id,
                        value: written.line[t],
                        ..ScoreRow::default()
                    });
                }
            }
        }
    }
    builder.finish(TERMS.iter().map(|t| line(t.id)).collect(), Source::default())
}

/// The intervals of habits over many seeds of the garden.
pub fn seeds(n: u64) -> Tally {
    let mut tally = Tally::default();
    let group = "10 The garden under many seeds: how often 95 % intervals of habits hold the truth";
    for c in counted(1..=n) {
        let case = if c.planted { format!("{} (planted)", c.who) } else { c.who.clone() };
        let limit = if c.planted { Limit::Coverage(LEVEL) } else { Limit::Printed };
        let key = (group, c.what, case.as_str());
        for hit in &c.hits {
            tally.add(key, f64::from(u8::from(*hit)), limit);
        }
        tally.beside(key, [c.value, c.truth, c.half]);
    }
    tally
}
