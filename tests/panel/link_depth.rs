//! `link` in depth: what hangs on a lot, a recipe, a session or a partner, curves, planned contrasts,
//! and how often luck is called an effect. All tables are invented, their truth planted.

use std::collections::BTreeMap;

use blindsteep::findings::Settings;
use blindsteep::findings::link::{Effect, Form, Link, Mark, PlannedTrial, Verdict, Wish, link};
use blindsteep::scores::{
    Builder, Made, MadeParameter, MadeValue, Makings, ScoreRow, Scores, Source,
};
use blindsteep_stats::links::ols;
use blindsteep_stats::rng::{Stream, stream};

use crate::link_truth::{makings, term};

fn settings() -> Settings {
    Settings { n_permutations: 39, ..Settings::default() }
}

fn asked(scores: &Scores, makings: &Makings) -> Link {
    link(scores, makings, &Wish::default(), &settings())
}

fn effect<'a>(f: &'a Link, line: &str) -> &'a Effect {
    f.terms[0].effects.iter().find(|e| e.line == line).expect("asked")
}

fn names(n: usize) -> Vec<String> {
    (1..=n).map(|i| format!("L{i}")).collect()
}

/// One row a lot: its mean.
fn plain(lots: &[String], means: &[f64]) -> Scores {
    let mut builder = Builder::default();
    for (lot, value) in lots.iter().zip(means) {
        builder.push(&ScoreRow { lot, term: "sweet", value: *value, ..ScoreRow::default() });
    }
    builder.finish(vec![term()], Source::default())
}

fn normals(n: usize, draws: &mut Stream) -> Vec<f64> {
    (0..n).map(|_| draws.normal()).collect()
}

/// With one row a lot the model is a regression: the points' slope is its coefficient, and the
/// effect without a lot is that of the table without it.
#[test]
fn points_slopes_and_effects_without_a_lot_are_those_of_regressions() {
    let mut draws = stream(1, 0);
    let lots = names(14);
    let a = normals(14, &mut draws);
    let b: Vec<f64> = a.iter().map(|v| 0.7 * v + 0.7 * draws.normal()).collect();
    let y: Vec<f64> = (0..14).map(|i| a[i] + 0.3 * b[i] + 0.5 * draws.normal()).collect();
    let table = [("wither", a.clone()), ("roll", b.clone())];
    let f = asked(&plain(&lots, &y), &makings(&lots, &table));
    let fit = ols(&[&a, &b], &y, 0.95).expect("fourteen lots");
    for (line, at) in [("wither", 1), ("roll", 2)] {
        let e = effect(&f, line);
        let plot = e.added_variable.known().expect("fourteen points");
        assert!((plot.slope - fit.coefficients[at].estimate).abs() < 1e-9);
        let (xx, xy) =
            plot.points.iter().fold((0.0, 0.0), |(s, t), p| (s + p.x * p.x, t + p.x * p.y));
        assert!((xy / xx - plot.slope).abs() < 1e-9, "the points say the slope");
        let found = e.sensitivity.known().expect("a sensitivity");
        let without = found.without_lot.known().expect("each can be left out");
        // Brute force: every lot left out in turn.
        let l = f.lines.iter().find(|l| l.line == line).expect("asked");
        let again = |gone: usize| {
            let cut = |v: &[f64]| -> Vec<f64> {
                v.iter().enumerate().filter(|(i, _)| *i != gone).map(|(_, x)| *x).collect()
            };
            let fit = ols(&[&cut(&a), &cut(&b)], &cut(&y), 0.95).expect("thirteen lots");
            let c = fit.coefficients[at];
            let range = l.max - l.min;
            (range * c.estimate, range * c.lower, range * c.upper)
        };
        let all: Vec<(f64, f64, f64)> = (0..14).map(again).collect();
        let value = e.over_range.known().expect("known").value;
        let worst = (0..14)
            .max_by(|i, j| (all[*i].0 - value).abs().total_cmp(&(all[*j].0 - value).abs()))
            .expect("some");
        assert_eq!(without.lot, lots[worst]);
        let left = without.over_range.known().expect("known");
        for (found, expected) in
            [(left.value, all[worst].0), (left.lower, all[worst].1), (left.upper, all[worst].2)]
        {
            assert!((found - expected).abs() < 1e-8, "{found} {expected}");
        }
        let least = all.iter().map(|x| x.0).fold(f64::INFINITY, f64::min);
        assert!((without.least - least).abs() < 1e-8);
        // The other one moves along and is in the model: it is taken out.
        let partner = found.partners.first().expect("r is above .5");
        let own = if line == "wither" { &a } else { &b };
        let alone = ols(&[own.as_slice()], &y, 0.95).expect("a line").coefficients[1];
        assert!(partner.taken_out);
        let moved = partner.over_range.known().expect("known");
        assert!((moved.value - (l.max - l.min) * alone.estimate).abs() < 1e-8);
        assert!((moved.upper - (l.max - l.min) * alone.upper).abs() < 1e-8);
    }
}

/// Scores of several tasters: the lots' slopes stand in for models fitted anew.
fn panel(
    lots: &[String],
    level: &[f64],
    of_lot: impl Fn(usize) -> (usize, &'static str),
    reference: &[(usize, &'static str)],
    draws: &mut Stream,
) -> Scores {
    let mut builder = Builder::default();
    let sessions: Vec<usize> = (0..lots.len()).map(|i| of_lot(i).0).collect();
    let n_sessions = sessions.iter().max().map_or(1, |m| m + 1);
    let shift = normals(n_sessions, draws);
    let offset = normals(5, draws);
    let served = (0..lots.len())
        .map(|i| (lots[i].as_str(), level[i], of_lot(i)))
        .chain(reference.iter().map(|at| ("REF", 5.0, *at)));
    for (lot, level, (session, recipe)) in served.collect::<Vec<_>>() {
        let of_recipe = if recipe == "short" { -1.0 } else { 0.0 };
        for brew in 0..2 {
            let pot = 0.15 * draws.normal();
            for (who, own) in offset.iter().enumerate() {
                let value = level + shift[session] + of_recipe + pot + own + 0.6 * draws.normal();
                builder.push(&ScoreRow {
                    lot,
                    taster: Some(&format!("t{who}")),
                    session: Some(&format!("s{session}")),
                    brew: Some(&format!("{session}-{lot}-{recipe}-{brew}")),
                    recipe: Some(recipe),
                    term: "sweet",
                    value,
                    ..ScoreRow::default()
                });
            }
        }
    }
    let references = if reference.is_empty() { Vec::new() } else { vec!["REF".to_owned()] };
    builder.finish(vec![term()], Source { references, ..Source::default() })
}

/// The effect without a lot comes near that of the whole question asked without it.
#[test]
fn without_a_lot_a_panel_says_nearly_what_it_would_say_without_it() {
    let (mut worst, mut n) = (0.0_f64, 0);
    for seed in 0..6 {
        let mut draws = stream(2, seed);
        let lots = names(12);
        let a = normals(12, &mut draws);
        let level: Vec<f64> = a.iter().map(|v| 5.0 + 0.5 * v + 0.4 * draws.normal()).collect();
        let at = |i: usize| (i / 6, "long");
        let scores = panel(&lots, &level, at, &[(0, "long"), (1, "long")], &mut draws);
        let made = makings(&lots, &[("wither", a)]);
        let f = asked(&scores, &made);
        let e = effect(&f, "wither");
        let s = e.sensitivity.known().expect("known");
        let w = s.without_lot.known().expect("known");
        let mut less = made.clone();
        less.lots.retain(|l| *l != w.lot);
        let g = asked(&scores, &less);
        let range = |f: &Link| f.lines[0].max - f.lines[0].min;
        let again = effect(&g, "wither").per_unit.known().expect("known");
        let (found, expected) = (w.over_range.known().expect("known"), range(&f) * again.value);
        let width = range(&f) * (again.upper - again.lower);
        worst = worst.max((found.value - expected).abs() / width);
        n += usize::from(((found.upper - found.lower) / width - 1.0).abs() < 0.25);
    }
    println!(
        "moved by at most {worst:.3} of the interval's width; {n} of 6 as wide within a quarter"
    );
    // Fitted anew, the variances are others.
    assert!(worst < 0.2, "{worst}");
    assert!(n >= 5, "{n}");
}

/// An effect that one odd lot makes is told to hang on it, and is not told as one that holds.
#[test]
fn an_effect_of_one_odd_lot_hangs_on_it() {
    let lots = names(10);
    let mut draws = stream(3, 0);
    let mut x: Vec<f64> = (0..10).map(|_| 0.2 * draws.normal()).collect();
    let mut y = x.iter().map(|_| 5.0 + 0.3 * draws.normal()).collect::<Vec<f64>>();
    (x[4], y[4]) = (6.0, 9.0);
    let f = asked(&plain(&lots, &y), &makings(&lots, &[("wither", x)]));
    let e = effect(&f, "wither");
    assert_eq!(e.mark, Mark::Up);
    let s = e.sensitivity.known().expect("known");
    assert_eq!((s.verdict, &s.hangs_on[..]), (Verdict::HangsOn, &["L5".to_owned()][..]));
    assert!(f.sentences.iter().any(|s| s.contains("hangs on L5")), "{:#?}", f.sentences);
    assert!(f.next.iter().any(|s| s.contains("L5")), "{:#?}", f.next);
}

/// Under the dose's other assumption the lots lie otherwise, and the effect is gone.
#[test]
fn an_effect_that_an_assumption_makes_is_said_to() {
    let lots = names(10);
    let x: Vec<f64> = (0..10).map(f64::from).collect();
    let mut draws = stream(4, 0);
    let y: Vec<f64> = x.iter().map(|v| 5.0 + 0.4 * v + 0.3 * draws.normal()).collect();
    let mut made = makings(&lots, &[("derived.dose", x.clone())]);
    let variant = |of: &dyn Fn(usize) -> f64| -> BTreeMap<String, f64> {
        lots.iter().enumerate().map(|(i, l)| (l.clone(), of(i))).collect()
    };
    made.parameters[0].variants = vec![
        ("q10 1.5".to_owned(), variant(&|i| 2.0 * x[i] + 1.0)),
        ("q10 2.5".to_owned(), variant(&|i| (i * 7 % 10) as f64)),
    ];
    let f = asked(&plain(&lots, &y), &made);
    let s = effect(&f, "derived.dose").sensitivity.known().expect("known");
    let over = effect(&f, "derived.dose").over_range.known().expect("known");
    // The same in another unit is the same effect.
    let same = s.assumptions[0].over_range.known().expect("known");
    assert!((same.value - over.value).abs() < 1e-9 && (same.upper - over.upper).abs() < 1e-9);
    assert_eq!(s.hangs_on, ["q10 2.5"]);
}

/// Lots brewed by another recipe stay, with a recipe term: joined by a reference served both ways,
/// or by two lots each; the effect still holds what was planted.
#[test]
fn lots_of_another_recipe_are_kept_where_the_recipe_can_be_told_apart() {
    let mut held = 0;
    for (seed, reference) in [(0, true), (1, true), (2, false), (3, false)] {
        let mut draws = stream(5, seed);
        let lots = names(12);
        let a = normals(12, &mut draws);
        let level: Vec<f64> = a.iter().map(|v| 5.0 + 0.8 * v + 0.2 * draws.normal()).collect();
        let at = |i: usize| (0, if i < 4 { "short" } else { "long" });
        let served: &[(usize, &'static str)] =
            if reference { &[(0, "long"), (0, "short")] } else { &[] };
        let scores = panel(&lots, &level, at, served, &mut draws);
        let f = asked(&scores, &makings(&lots, &[("wither", a)]));
        assert_eq!(f.lots.len(), 12, "{:#?}", f.left_out);
        assert!(f.cautions.iter().any(|c| c.contains("a recipe term")), "{:#?}", f.cautions);
        let e = effect(&f, "wither");
        // One session, one line, and, where nothing joins them, one recipe more.
        let test = e.test.known().expect("known");
        assert_eq!(test.df_stratum, if reference { 10.0 } else { 9.0 });
        held += usize::from(!e.per_unit.known().expect("known").excludes(0.8));
        assert!(e.added_variable.known().is_some() && e.permutation.known().is_some());
    }
    assert!(held >= 3, "{held} of 4");
}

/// Something of each session leans on the parameter: within sessions nothing of it is left.
#[test]
fn within_sessions_an_effect_is_free_of_what_sets_sessions_apart() {
    let (mut whole, mut within, mut apart) = (0.0, 0.0, (0.0, 0));
    let mut held = 0;
    for seed in 0..40 {
        let mut draws = stream(6, seed);
        let lots = names(16);
        let of_session = [-1.0, 1.0];
        let a: Vec<f64> = (0..16).map(|i| of_session[i / 8] + 0.9 * draws.normal()).collect();
        let level: Vec<f64> = (0..16)
            .map(|i| 5.0 + 0.5 * a[i] + 0.6 * of_session[i / 8] + 0.2 * draws.normal())
            .collect();
        let at = |i: usize| (i / 8, "long");
        let served = [(0, "long"), (1, "long")];
        let scores = panel(&lots, &level, at, &served, &mut draws);
        let f = asked(&scores, &makings(&lots, &[("wither", a)]));
        let e = effect(&f, "wither");
        let range = f.lines[0].max - f.lines[0].min;
        whole += e.over_range.known().expect("known").value / range - 0.5;
        // Drawn so that it hardly varies between sessions, or hardly within them: not asked.
        let Some(w) = e.within_sessions.known() else { continue };
        within += w.value / range - 0.5;
        apart = (apart.0 + (w.value / range - 0.5).powi(2), apart.1 + 1);
        held += usize::from(!w.excludes(0.5 * range));
    }
    let n = apart.1 as f64;
    let (whole, within, sd) = (whole / 40.0, within / n, (apart.0 / n).sqrt());
    println!("too much: {whole:.3} whole, {within:.3} within ({n} tables); held {held}");
    // Four binomial standard deviations of 40 at .95 are 5.5.
    assert!(n > 20.0 && held as f64 >= 0.95 * n - 5.5, "{held} of {n}");
    assert!(within.abs() < 4.0 * sd / n.sqrt(), "{within}");
}

/// A best point in between is seen with its interval, a straight truth has none.
#[test]
fn a_best_point_in_between_is_seen() {
    let lots = names(20);
    let x: Vec<f64> = (0..20).map(|i| f64::from(i) / 4.0).collect();
    let mut draws = stream(7, 0);
    let y: Vec<f64> =
        x.iter().map(|v| 8.0 - 0.6 * (v - 3.0).powi(2) + 0.3 * draws.normal()).collect();
    let f = asked(&plain(&lots, &y), &makings(&lots, &[("oxidise.hours", x.clone())]));
    let shape = effect(&f, "oxidise.hours").shape.known().expect("twenty values");
    assert!(shape.seen && shape.chosen == Form::Bent, "{shape:?}");
    let turn = shape.turn.known().expect("it turns within");
    assert!(turn.highest && turn.lower < 3.0 && 3.0 < turn.upper, "{turn:?}");
    assert!(f.sentences.iter().any(|s| s.contains("is highest near")), "{:#?}", f.sentences);
    let top = shape.drawn.iter().max_by(|a, b| a.y.total_cmp(&b.y)).expect("drawn");
    assert!((top.x - turn.at).abs() < 0.2);
    let y: Vec<f64> = x.iter().map(|v| 0.5 * v + 0.3 * draws.normal()).collect();
    let f = asked(&plain(&lots, &y), &makings(&lots, &[("oxidise.hours", x)]));
    let shape = effect(&f, "oxidise.hours").shape.known().expect("twenty values");
    assert!(!shape.seen && shape.turn.reason().is_some_and(|r| r.contains("not seen")));
}

/// Eight parameters that do nothing, many tables: any effect is called shown in hardly more than
/// one of twenty.
#[test]
fn luck_is_seldom_called_an_effect() {
    let n_tables = 150;
    let mut wrong = 0;
    for seed in 0..n_tables {
        let mut draws = stream(8, seed);
        let lots = names(24);
        let ids: Vec<String> = (0..8).map(|i| format!("step.p{i}")).collect();
        let columns: Vec<(&str, Vec<f64>)> =
            ids.iter().map(|id| (id.as_str(), normals(24, &mut draws))).collect();
        let level: Vec<f64> = (0..24).map(|_| 5.0 + 0.3 * draws.normal()).collect();
        let scores =
            panel(&lots, &level, |i| (i / 12, "long"), &[(0, "long"), (1, "long")], &mut draws);
        let f = asked(&scores, &makings(&lots, &columns));
        let shown = f.terms[0].effects.iter().any(|e| e.mark.is_shown());
        let seen = f.terms[0].effects.iter().filter_map(|e| e.shape.known()).any(|s| s.seen);
        wrong += usize::from(shown || seen);
    }
    println!("{wrong} of {n_tables} tables");
    // Two families of 5%: a tenth at most, and four binomial standard deviations of 150.
    assert!(wrong as f64 <= 0.1 * 150.0 + 4.0 * (150.0_f64 * 0.1 * 0.9).sqrt() - 3.0, "{wrong}");
}

/// What a trial was planned for stands first, judged among the planned ones; the rest is judged
/// without it.
#[test]
fn planned_contrasts_are_a_family_of_their_own() {
    let lots = names(16);
    let mut draws = stream(9, 0);
    let columns: Vec<(&str, Vec<f64>)> = ["roll.minutes", "oxidise.hours", "wither.hours"]
        .map(|id| (id, normals(16, &mut draws)))
        .into();
    let y: Vec<f64> = columns[0].1.iter().map(|v| 5.0 + v + 0.4 * draws.normal()).collect();
    let mut made = makings(&lots, &columns);
    for (run, lot) in (1..).zip(&lots[12..15]) {
        made.trial_runs.insert(lot.clone(), ("roll-and-sun".to_owned(), run));
    }
    let trial = PlannedTrial {
        name: "roll-and-sun".to_owned(),
        factors: ["roll.minutes", "oxidise.hours", "dry.method"].map(str::to_owned).into(),
        terms: Vec::new(),
        runs: (1..=4).collect(),
    };
    let wish = Wish { trial: Some(trial), ..Wish::default() };
    let f = link(&plain(&lots, &y), &made, &wish, &settings());
    let planned = f.planned.known().expect("a trial is named");
    assert_eq!((planned.n_linked, planned.runs.len()), (3, 4));
    assert!(planned.runs[3].lot.reason().is_some_and(|r| r.contains("no lot says")));
    assert_eq!(planned.not_asked[0].factor, "dry.method");
    // Holm of two: the smaller p twice, the larger as it stands or as the first.
    let p: Vec<f64> =
        planned.contrasts.iter().map(|c| *c.p_value.known().expect("known")).collect();
    let holm: Vec<f64> =
        planned.contrasts.iter().map(|c| *c.p_holm.known().expect("known")).collect();
    assert_eq!(p.len(), 2);
    assert!((holm[0] - 2.0 * p[0]).abs() < 1e-12 && (holm[1] - p[1].max(2.0 * p[0])).abs() < 1e-12);
    assert!(planned.contrasts[0].shown);
    assert_eq!(f.n_asked, 1);
    let wither = effect(&f, "wither.hours");
    assert_eq!(wither.q_value.known(), wither.test.known().map(|t| t.p_value).as_ref());
    assert!(effect(&f, "roll.minutes").q_value.reason().is_some());
    assert_eq!(effect(&f, "roll.minutes").mark, Mark::Up);
    assert!(f.sentences[0].starts_with("Trial roll-and-sun: 3 of 4 runs"), "{:#?}", f.sentences);
    assert!(f.sentences[1].starts_with("13 lots made before speak here too"), "{:#?}", f.sentences);
    assert!(f.sentences[2].starts_with("roll.minutes"), "{:#?}", f.sentences);
    // Two factors that moved as one are one question.
    let mut alike = made.clone();
    let wither = alike.parameters.iter().position(|p| p.id == "wither.hours").expect("there");
    alike.parameters[wither].values = alike.parameters[1].values.clone();
    let factors = ["oxidise.hours", "wither.hours"].map(str::to_owned).into();
    let trial = wish.trial.clone().map(|t| PlannedTrial { factors, ..t });
    let of = |made: &Makings, trial| {
        link(&plain(&lots, &y), made, &Wish { trial, ..Wish::default() }, &settings())
    };
    let one = of(&alike, trial.clone());
    let planned = one.planned.known().expect("begun");
    assert_eq!(planned.contrasts.len(), 1);
    assert_eq!(planned.contrasts[0].factor, "oxidise.hours or wither.hours");
    // Before any batch of it is tasted nothing planned is asked.
    alike.trial_runs.clear();
    let none = of(&alike, trial);
    assert!(none.planned.reason().is_some_and(|r| r.contains("no batch of the trial")));
    assert_eq!(none.n_asked, 2);
    assert!(none.sentences[0].contains("nothing planned is asked"), "{:#?}", none.sentences);
}

/// A category of three: an effect is against the commonest only where the others stand beside it.
#[test]
fn a_category_is_compared_with_what_it_is_said_to_be_compared_with() {
    let method = |n: [usize; 3]| -> Vec<&str> {
        [vec!["air"; n[0]], vec!["belt"; n[1]], vec!["sun"; n[2]]].concat()
    };
    let asked_of = |words: &[&str], extra: usize| {
        let lots = names(words.len());
        let mut draws = stream(12, extra as u64);
        let level = |w: &str| match w {
            "air" => 4.0,
            "belt" => 5.0,
            _ => 8.0,
        };
        let y: Vec<f64> = words.iter().map(|w| level(w) + 0.1 * draws.normal()).collect();
        let own: Vec<String> = (0..extra).map(|i| format!("x{i}")).collect();
        let columns: Vec<(&str, Vec<f64>)> =
            own.iter().map(|id| (id.as_str(), normals(lots.len(), &mut draws))).collect();
        let mut made = makings(&lots, &columns);
        let value =
            |w: &&str| MadeValue { value: Made::Category((*w).to_owned()), estimated: false };
        made.parameters.push(MadeParameter {
            id: "dry.method".to_owned(),
            values: lots.iter().cloned().zip(words.iter().map(value)).collect(),
            ..MadeParameter::default()
        });
        let f = asked(&plain(&lots, &y), &made);
        let of = |id: &str| {
            let line = f.lines.iter().position(|l| l.line == id).expect("a line");
            let e = f.terms[0].effects[line].over_range.known().expect("an effect").value;
            (f.lines[line].against.known().expect("a category").clone(), e)
        };
        (of("dry.method=belt"), of("dry.method=sun"))
    };
    // All in one model: against the commonest.
    let (belt, sun) = asked_of(&method([8, 6, 6]), 0);
    assert_eq!((belt.0.as_str(), sun.0.as_str()), ("air", "air"));
    assert!((belt.1 - 1.0).abs() < 0.3 && (sun.1 - 4.0).abs() < 0.3, "{belt:?} {sun:?}");
    // Too few lots for so much at once: each against all others, whose mean is another.
    let (belt, sun) = asked_of(&method([3, 3, 3]), 6);
    assert_eq!((belt.0.as_str(), sun.0.as_str()), ("all others", "all others"));
    assert!((belt.1 + 1.0).abs() < 0.4 && (sun.1 - 3.5).abs() < 0.4, "{belt:?} {sun:?}");
}

/// An outcome of the same step came along with it; an outcome of another step may be what did it.
#[test]
fn an_outcome_of_another_step_stays_a_rival() {
    use blindsteep::book::parameters::Role;
    let lots = names(12);
    let mut draws = stream(13, 0);
    let a = normals(12, &mut draws);
    let near: Vec<f64> = a.iter().map(|v| 70.0 - v + 0.02 * draws.normal()).collect();
    let y: Vec<f64> = a.iter().map(|v| 5.0 + v + 0.2 * draws.normal()).collect();
    let mut made = makings(
        &lots,
        &[("wither.hours", a.clone()), ("wither.moisture", near.clone()), ("dry.moisture", near)],
    );
    made.parameters[1].role = Role::Outcome;
    made.parameters[2].role = Role::Outcome;
    let f = asked(&plain(&lots, &y), &made);
    let line = &f.lines[0];
    let named = |m: Vec<&blindsteep::findings::link::Member>| -> Vec<String> {
        m.iter().map(|m| m.column.clone()).collect()
    };
    assert_eq!(named(line.rivals().collect()), ["wither.hours", "dry.moisture"]);
    assert_eq!(named(line.came_along().collect()), ["wither.moisture"]);
    assert!(
        f.not_told_apart[0].starts_with("wither.hours or dry.moisture"),
        "{:#?}",
        f.not_told_apart
    );
    assert!(!f.next.iter().any(|s| s.contains("is told apart by these lots")), "{:#?}", f.next);
}

/// A parameter with gaps is named with its lots; `complete` leaves these lots out and asks it.
#[test]
fn a_parameter_with_gaps_is_asked_of_the_lots_that_have_it_if_that_is_wanted() {
    let lots = names(14);
    let mut draws = stream(10, 0);
    let a = normals(14, &mut draws);
    let y: Vec<f64> = a.iter().map(|v| v + 0.3 * draws.normal()).collect();
    let mut made = makings(&lots, &[("wither", a), ("roll", normals(14, &mut draws))]);
    made.parameters[1].values.remove("L3");
    let scores = plain(&lots, &y);
    let f = asked(&scores, &made);
    assert_eq!((f.lots.len(), f.lines.len()), (14, 1));
    let roll = f.parameters.iter().find(|p| p.parameter == "roll").expect("it varied");
    assert_eq!((&roll.missing[..], roll.n), (&["L3".to_owned()][..], 13));
    let both = f.associations.iter().find(|x| x.b == "roll").expect("of thirteen lots");
    assert_eq!(both.n, 13);
    assert!(f.left_out.iter().any(|l| l.name == "roll" && l.lots == ["L3"]));
    // Where it moved with what is asked, that is said before anything else.
    let mut near = made.clone();
    near.parameters[1].values = near.parameters[0].values.clone();
    near.parameters[1].values.remove("L3");
    let warned = asked(&scores, &near);
    assert!(
        warned.not_told_apart.iter().any(|s| s.contains("`--complete roll`")),
        "{:#?}",
        warned.not_told_apart
    );
    let wish = Wish { complete: vec!["roll".to_owned()], ..Wish::default() };
    let f = link(&scores, &made, &wish, &settings());
    assert_eq!((f.lots.len(), f.lines.len()), (13, 2));
    let gone = f.left_out.iter().find(|l| l.name == "L3").expect("said");
    assert!(gone.reason.contains("roll"), "{}", gone.reason);
}

/// Categories of several levels, yes and no, numbers: one row a pair of parameters.
#[test]
fn parameters_of_all_kinds_are_paired_once() {
    let lots = names(12);
    let mut made = makings(&lots, &[("hours", (0..12).map(f64::from).collect())]);
    let values = |of: &dyn Fn(usize) -> Made| -> BTreeMap<String, MadeValue> {
        let value = |i: usize| MadeValue { value: of(i), estimated: false };
        lots.iter().enumerate().map(|(i, l)| (l.clone(), value(i))).collect()
    };
    let third = |i: usize| Made::Category(["p", "q", "r"][i / 4].to_owned());
    for (id, of) in
        [("method", &third as &dyn Fn(usize) -> Made), ("cloth", &|i| Made::YesNo(i % 2 == 0))]
    {
        let (id, values) = (id.to_owned(), values(of));
        made.parameters.push(MadeParameter { id, values, ..MadeParameter::default() });
    }
    let y: Vec<f64> = (0..12).map(|i| f64::from(i % 5)).collect();
    let f = asked(&plain(&lots, &y), &made);
    assert_eq!(f.associations.len(), 3);
    let of = |b: &str| f.associations.iter().find(|x| x.a == "hours" && x.b == b).expect("paired");
    // Means 1.5, 5.5, 9.5 of twelve values: SS between 128, whole 143.
    assert!((of("method").value.powi(2) - 128.0 / 143.0).abs() < 1e-12);
    assert!(of("cloth").value < 0.2);
    let both = f.associations.iter().find(|x| x.a == "method").expect("paired");
    assert_eq!((both.value, both.adjusted.known()), (0.0, Some(&0.0)));
}

/// Next to nothing to go by: an answer, never a panic.
#[test]
fn next_to_nothing_gives_an_answer() {
    for n in 0..=4 {
        for constant in [true, false] {
            let lots = names(n);
            let y: Vec<f64> = (0..n).map(|i| if constant { 5.0 } else { i as f64 }).collect();
            let x: Vec<f64> = (0..n).map(|i| (i * i) as f64).collect();
            let made = makings(&lots, &[("wither", x.clone()), ("roll", x)]);
            for scores in [
                plain(&lots, &y),
                panel(&lots, &y, |_| (0, "long"), &[], &mut stream(11, n as u64)),
            ] {
                let f = asked(&scores, &made);
                assert!(!f.sentences.is_empty(), "{n} lots");
                serde_json::to_value(&f).expect("plain");
            }
        }
    }
}
