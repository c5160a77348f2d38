//! `trial` in the terminal: the batches, what they part, how well a difference would be seen.

use super::agree::cautions;
use super::link::set_aside;
use super::text::{Side, Table, dash, heading, number, or_dash, paragraph};
use crate::findings::trial::{Moved, Trial, TrialMade};
use crate::findings::{Answer, Source};

/// So many pairs are shown; the others are in the JSON.
const MOST_PAIRS: usize = 8;
/// Pairs that stay below this before and after are not shown.
const LEAST_R: f64 = 0.5;

/// A kept trial: what was planned, what the logs say, what is still to be made.
#[must_use]
pub fn made(f: &TrialMade) -> String {
    let mut out = format!("The trial {}\n", f.name);
    for s in &f.sentences {
        out.push_str(&paragraph(s, "", "  "));
    }
    let mut t = Table::new(&[
        ("batch", Side::Right),
        ("day", Side::Right),
        ("lot", Side::Left),
        ("setting", Side::Left),
        ("planned", Side::Right),
        ("logged", Side::Right),
        ("", Side::Left),
    ]);
    for run in &f.runs {
        let mut last = String::from("\0");
        for s in &run.settings {
            let lot = s.lot.known().cloned().unwrap_or_else(dash);
            let first = lot != last;
            let once = |text: String| if first { text } else { String::new() };
            t.row(vec![
                once(run.run.to_string()),
                once(run.day.to_string()),
                once(lot.clone()),
                s.parameter.clone(),
                s.planned.shown(s.unit.as_deref()),
                or_dash(&s.logged, Clone::clone),
                match s.as_planned.known() {
                    Some(true) => "as planned",
                    Some(false) => "otherwise",
                    None if s.lot.known().is_some() => "not logged",
                    None => "to be made",
                }
                .to_owned(),
            ]);
            last = lot;
        }
    }
    out.push('\n');
    out.push_str(&t.show());
    out.push_str(&cautions(&f.cautions, &Source::default()));
    out
}

/// The whole text.
#[must_use]
pub fn text(f: &Trial) -> String {
    let mut out = String::from("What to make next?\n");
    for s in &f.sentences {
        out.push_str(&paragraph(s, "", "  "));
    }
    out.push_str(&batches(f));
    out.push_str(&together(f));
    out.push_str(&columns(f));
    out.push_str(&aliases(f));
    out.push_str(&cautions(&f.cautions, &Source::default()));
    // What never varied or is no amount could be no factor: it stands in the JSON.
    let told: Vec<_> =
        f.left_out.iter().filter(|l| l.kind == "lot" || !l.lots.is_empty()).cloned().collect();
    out.push_str(&set_aside(&told, "Left out"));
    out
}

fn batches(f: &Trial) -> String {
    let mut columns = vec![("batch", Side::Right), ("day", Side::Right)];
    columns.extend(f.factors.iter().map(|p| (p.parameter.as_str(), Side::Right)));
    let mut t = Table::new(&columns);
    for b in &f.batches {
        let mut row = vec![b.run.to_string(), b.day.to_string()];
        row.extend(f.factors.iter().map(|p| {
            let level = b.settings.get(&p.parameter).map_or_else(dash, ToString::to_string);
            p.unit.known().map_or_else(|| level.clone(), |u| format!("{level} {u}"))
        }));
        t.row(row);
    }
    format!("{}{}", heading("The batches, in the order of making"), t.show())
}

fn together(f: &Trial) -> String {
    let large = |r: &Answer<f64>| r.known().is_some_and(|r| r.abs() >= LEAST_R);
    let shown: Vec<&Moved> = f
        .together
        .iter()
        .filter(|m| m.aside.known().is_none() && (large(&m.before) || large(&m.after)))
        .take(MOST_PAIRS)
        .collect();
    let mut t = Table::new(&[
        ("factor", Side::Left),
        ("and", Side::Left),
        ("r before", Side::Right),
        ("after", Side::Right),
    ]);
    for m in shown {
        t.row(vec![
            m.a.clone(),
            m.b.clone(),
            or_dash(&m.before, |r| number(*r, 2)),
            or_dash(&m.after, |r| number(*r, 2)),
        ]);
    }
    if t.is_empty() {
        return String::new();
    }
    format!("{}{}", heading("What moved together"), t.show())
}

fn columns(f: &Trial) -> String {
    let see = format!("{} seen, of 100", f.wish.see);
    let mut t = Table::new(&[
        ("factor", Side::Left),
        ("inflation before", Side::Right),
        ("after", Side::Right),
        ("half-width before", Side::Right),
        ("after", Side::Right),
        (see.as_str(), Side::Right),
    ]);
    for c in &f.columns {
        let width = |w: &Answer<f64>| or_dash(w, |w| number(*w, 2));
        let inflation = |v: &Answer<f64>| match v {
            Answer::Known(v) => number(*v, 1),
            Answer::Unknown(u) if u.reason.starts_with("infinite") => "infinite".to_owned(),
            Answer::Unknown(_) => dash(),
        };
        t.row(vec![
            c.column.clone(),
            inflation(&c.inflation_before),
            inflation(&c.inflation_after),
            width(&c.half_width_before),
            width(&c.half_width_after),
            or_dash(&c.power, |p| {
                let percent = |x: f64| number(100.0 * x, 0);
                let s = p.share;
                format!("{} ({} to {})", percent(s.value), percent(s.lower), percent(s.upper))
            }),
        ]);
    }
    format!("{}{}", heading("How precise each effect over its range would be, in points"), t.show())
}

fn aliases(f: &Trial) -> String {
    let Some(told) = f.fraction.known() else { return String::new() };
    let mut out = String::new();
    for a in told.aliases.iter().filter(|a| !a.pairs.is_empty()) {
        out.push_str(&paragraph(&format!("{}: {}", a.factor, a.pairs.join(", ")), "  ", "    "));
    }
    if !out.is_empty() {
        out = format!(
            "{}{out}",
            heading("What else the effect of a factor may be: two working together")
        );
    }
    if !told.pairs.is_empty() {
        let each: Vec<String> = told.pairs.iter().map(|p| p.join(" = ")).collect();
        out.push_str(&heading("Pairs working together that are not told apart"));
        out.push_str(&paragraph(&each.join("; "), "  ", "  "));
    }
    out
}
