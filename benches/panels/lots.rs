//! What `compare` says of lots: intervals of differences, and families of tests.

use blindsteep::findings::Settings;
use blindsteep::findings::against::Wish;
use blindsteep::findings::compare::{Compare, compare};
use blindsteep::findings::term_comparison::TermComparison;
use blindsteep_stats::rng::stream;

use crate::draw::{Drawn, Habit, Plan, SESSION, draw};
use crate::table::{Columns, scores};
use crate::tally::{CONTRASTS, EXACT, Limit, SIZE, Tally};

/// A case: its name, the plan, what the table tells, and whether the model holds it all.
pub struct Case {
    name: &'static str,
    plan: Plan,
    columns: Columns,
    kind: Kind,
}

#[derive(Clone, Copy, PartialEq)]
enum Kind {
    /// Planted variances above 0: the limits hold.
    Interior,
    /// Some planted variance is 0: coverage is printed, families of tests are held to their limit.
    Boundary,
    /// The table or the model has no place for what varies: all is printed.
    Hidden,
}

const PLAIN: Columns = Columns { flight: false, brew: false };
const FULL: Columns = Columns { flight: true, brew: true };
const POTS: Columns = Columns { flight: false, brew: true };

/// All cases.
pub fn cases() -> Vec<Case> {
    let case = |name, plan, columns, kind| Case { name, plan, columns, kind };
    use Kind::{Boundary, Hidden, Interior};
    let first = |offset, slope, noise| Some(Habit { offset, slope, noise });
    vec![
        case("6 lots, 5 tasters, 2 cups", SESSION, PLAIN, Interior),
        case("3 lots, 4 tasters, 2 cups", Plan { shape: (3, 4, 2), ..SESSION }, PLAIN, Interior),
        case("12 lots, 8 tasters, 3 cups", Plan { shape: (12, 8, 3), ..SESSION }, PLAIN, Interior),
        case("one cup a lot", Plan { shape: (6, 5, 1), ..SESSION }, PLAIN, Interior),
        case("two lots", Plan { shape: (2, 5, 2), ..SESSION }, PLAIN, Interior),
        case(
            "flights and pots, each in the table",
            Plan { pot: 0.4, flight: 0.3, ..SESSION },
            FULL,
            Interior,
        ),
        case("pots, several a lot, in the table", Plan { pot: 0.4, ..SESSION }, POTS, Interior),
        case("pots, several a lot, not in the table", Plan { pot: 0.4, ..SESSION }, PLAIN, Hidden),
        case("pots, one a lot", Plan { pot: 0.4, one_pot: true, ..SESSION }, POTS, Hidden),
        case(
            "one taster 1.3 high",
            Plan { first: first(1.3, 1.0, 0.6), ..SESSION },
            PLAIN,
            Interior,
        ),
        case(
            "one taster narrow",
            Plan { first: first(0.0, 0.45, 0.35), ..SESSION },
            PLAIN,
            Interior,
        ),
        case("one taster noisy", Plan { first: first(0.0, 1.0, 1.7), ..SESSION }, PLAIN, Interior),
        // The model has one width for all, so the case is measured and told, not promised.
        case("every taster a width of their own", Plan { slope: 0.3, ..SESSION }, PLAIN, Hidden),
        case("absent in 1 flight of 5", Plan { absent: 0.2, ..SESSION }, PLAIN, Interior),
        case(
            "absent in 1 flight of 5, flights and pots",
            Plan { absent: 0.2, pot: 0.4, flight: 0.3, ..SESSION },
            FULL,
            Interior,
        ),
        case("scores in halves", Plan { halves: true, ..SESSION }, PLAIN, Interior),
        case(
            "near the end of the scale",
            Plan { halves: true, middle: 1.0, ..SESSION },
            PLAIN,
            Interior,
        ),
        case("no view of one's own", Plan { view: 0.0, noise: 1.0, ..SESSION }, PLAIN, Boundary),
        case(
            "no variance but of scores",
            Plan { view: 0.0, offset: 0.0, noise: 1.0, ..SESSION },
            PLAIN,
            Boundary,
        ),
    ]
}

/// Asks one case with one draw: once with lots that differ, once with lots alike.
pub fn one(at: usize, case: &Case, draw_number: u64, seed: u64) -> Tally {
    let mut tally = Tally::default();
    for spread in [1.0, 0.0] {
        let mut draws = stream(seed + at as u64, 2 * draw_number + u64::from(spread > 0.0));
        let plan = Plan { spread, ..case.plan };
        let drawn = draw(&plan, &mut draws);
        let table = scores(&[("term", &drawn)], case.columns);
        // The first lot is the control; the last lies just so far from it that it is not the same.
        let wish = Wish {
            control: Some("l0".to_owned()),
            within: (spread > 0.0)
                .then(|| (drawn.lots[drawn.lots.len() - 1] - drawn.lots[0]).abs()),
            ..Wish::default()
        };
        let found = compare(&table, &wish, &Settings::default());
        let Some(term) = found.terms.first() else { continue };
        if spread > 0.0 {
            intervals(case, &term.lots, &drawn, &mut tally);
            against(case, &term.lots, &drawn, &mut tally);
        } else {
            families(case, &term.lots, &mut tally);
        }
    }
    tally
}

/// The share of `true`.
fn share(all: impl Iterator<Item = bool>) -> Option<f64> {
    let (n, hits) = all.fold((0_u64, 0_u64), |(n, h), hit| (n + 1, h + u64::from(hit)));
    (n > 0).then(|| hits as f64 / n as f64)
}

fn at(name: &str) -> usize {
    name[1..].parse().expect("lots are called by their place")
}

fn intervals(case: &Case, term: &TermComparison, drawn: &Drawn, tally: &mut Tally) {
    let (Some(pairs), Some(model)) = (term.differences.known(), term.model.known()) else { return };
    let truth = |a: &str, b: &str| drawn.lots[at(a)] - drawn.lots[at(b)];
    let known: Vec<_> =
        pairs.iter().filter_map(|d| Some((truth(&d.a, &d.b), d.difference.known()?))).collect();
    let covers = |low: f64, high: f64, truth: f64| low <= truth && truth <= high;
    let group = "01 Differences of lots: how often 95 % intervals hold the truth";
    let boundary = model.components.iter().any(|c| c.at_boundary);
    // Panels chosen by what was estimated are selected: the limit is for all of a case.
    let of_all = if case.kind == Kind::Interior { CONTRASTS } else { Limit::Printed };
    let what = if boundary { "one pair, a variance at 0" } else { "one pair, variances above 0" };
    if let Some(s) = share(known.iter().map(|(t, d)| covers(d.lower, d.upper, *t))) {
        tally.add((group, case.name, "one pair"), s, of_all);
        tally.add((group, case.name, what), s, Limit::Printed);
    }
    let all = known.iter().all(|(t, d)| covers(d.tukey_lower, d.tukey_upper, *t));
    let limit = if case.kind == Kind::Hidden { Limit::Printed } else { EXACT };
    tally.add(
        (group, case.name, "all pairs at once (Tukey-Kramer)"),
        f64::from(u8::from(all)),
        limit,
    );
    let Some(levels) = term.levels.known() else { return };
    let group = "02 Levels of lots: how often 95 % intervals hold the truth";
    let adjusted = levels.iter().filter_map(|l| {
        let n = l.adjusted.known()?;
        Some(covers(n.lower, n.upper, drawn.lots[at(&l.lot)]))
    });
    // A habit of one fixed taster is no sample of offsets.
    if let (Some(s), None) = (share(adjusted), case.plan.first) {
        tally.add((group, case.name, "level, tasters a sample"), s, Limit::Printed);
    }
    let mean = drawn.lots.iter().sum::<f64>() / drawn.lots.len() as f64;
    let from_mean = levels.iter().filter_map(|l| {
        let n = l.from_mean.known()?;
        Some(covers(n.lower, n.upper, drawn.lots[at(&l.lot)] - mean))
    });
    if let Some(s) = share(from_mean) {
        tally.add((group, case.name, "from the mean"), s, of_all);
        let what = if boundary {
            "from the mean, a variance at 0"
        } else {
            "from the mean, variances above 0"
        };
        tally.add((group, case.name, what), s, Limit::Printed);
    }
}

/// Intervals against the control, and lots taken for the same that lie on the margin or beyond.
fn against(case: &Case, term: &TermComparison, drawn: &Drawn, tally: &mut Tally) {
    let hidden = case.kind == Kind::Hidden;
    if let Some(found) = term.against_control.known() {
        let known = found.lots.iter().filter_map(|l| Some((at(&l.lot), l.difference.known()?)));
        let all = known.into_iter().all(|(lot, d)| {
            let truth = drawn.lots[lot] - drawn.lots[0];
            d.lower.known().is_none_or(|l| *l <= truth)
                && d.upper.known().is_none_or(|u| truth <= *u)
        });
        let group = "01 Differences of lots: how often 95 % intervals hold the truth";
        let limit = if hidden { Limit::Printed } else { EXACT };
        let key = (group, case.name, "all against a control at once (Dunnett)");
        tally.add(key, f64::from(u8::from(all)), limit);
    }
    if let Some(found) = term.alike_within.known() {
        let limit = if hidden { Limit::Printed } else { SIZE };
        let group = "04 A lot that differs from the control by just the margin: how often it is called the same";
        let last = drawn.lots.len() - 1;
        let own = found.pairs.iter().find(|p| at(&p.a) == last).and_then(|p| p.numbers.known());
        if let Some(n) = own {
            let hit = f64::from(u8::from(n.p_value <= 0.05));
            tally.add((group, case.name, "alone"), hit, limit);
            let hit = f64::from(u8::from(n.alike));
            tally.add((group, case.name, "among all (Holm)"), hit, limit);
        }
    }
}

fn families(case: &Case, term: &TermComparison, tally: &mut Tally) {
    let group = "03 Lots that are alike: how often they are told apart";
    let limit = if case.kind == Kind::Hidden { Limit::Printed } else { SIZE };
    if let Some(test) = term.lot_test.known() {
        tally.add((group, case.name, "F test"), f64::from(u8::from(test.p_value <= 0.05)), limit);
    }
    if let Some(pairs) = term.differences.known() {
        let any = pairs.iter().any(|d| d.difference.known().is_some_and(|d| d.p_tukey <= 0.05));
        tally.add((group, case.name, "any pair (Tukey-Kramer)"), f64::from(u8::from(any)), limit);
    }
    if let Some(found) = term.against_control.known() {
        let any = found.lots.iter().any(|l| l.difference.known().is_some_and(|d| d.differs));
        let key = (group, case.name, "any against a control (Dunnett)");
        tally.add(key, f64::from(u8::from(any)), limit);
    }
}

const TERMS: [&str; 8] = ["t0", "t1", "t2", "t3", "t4", "t5", "t6", "t7"];
const ALIKE: usize = 5;

/// Eight terms, five of them with lots that are alike.
pub fn terms(draw_number: u64, seed: u64) -> Tally {
    let mut tally = Tally::default();
    let group = "05 Eight terms, in five of which lots are alike";
    for (case, plan) in [
        ("6 lots, 5 tasters, 2 cups", SESSION),
        ("absent in 1 flight of 5, halves", Plan { absent: 0.2, halves: true, ..SESSION }),
    ] {
        let mut draws = stream(seed ^ 0x7e57, draw_number);
        let drawn: Vec<Drawn> = (0..TERMS.len())
            .map(|t| {
                let spread = if t < ALIKE { 0.0 } else { 0.8 };
                draw(&Plan { spread, ..plan }, &mut draws)
            })
            .collect();
        let named: Vec<(&str, &Drawn)> = TERMS.into_iter().zip(&drawn).collect();
        let found: Compare =
            compare(&scores(&named, PLAIN), &Wish::default(), &Settings::default());
        let holm: Vec<f64> =
            found.terms.iter().filter_map(|t| t.lots.p_holm.known().copied()).collect();
        let q: Vec<f64> = found
            .terms
            .iter()
            .filter_map(|t| t.lots.p_benjamini_hochberg.known().copied())
            .collect();
        if holm.len() != TERMS.len() || q.len() != TERMS.len() {
            continue;
        }
        let any = holm[..ALIKE].iter().any(|p| *p <= 0.05);
        tally.add((group, case, "Holm: any false"), f64::from(u8::from(any)), SIZE);
        let found = q.iter().filter(|q| **q <= 0.05).count();
        let falsely = q[..ALIKE].iter().filter(|q| **q <= 0.05).count();
        let rate = falsely as f64 / found.max(1) as f64;
        tally.add_noted(
            (group, case, "Benjamini and Hochberg: share of false among the found"),
            rate,
            SIZE,
            "expected at most .05 × 5/8",
        );
        let power = holm[ALIKE..].iter().filter(|p| **p <= 0.05).count() as f64 / 3.0;
        tally.add((group, case, "Holm: found of those that differ"), power, Limit::Printed);
    }
    tally
}
