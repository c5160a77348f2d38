//! `age` in the terminal: what can be said, then the courses.

use super::agree::{basis, cautions, left_out, model_words};
use super::text::{Side, Table, cut, dash, heading, level, number, or_dash, p_value, paragraph};
use crate::findings::Answer;
use crate::findings::age::arms::StorePair;
use crate::findings::age::equal_age::{EqualAge, YearTerm};
use crate::findings::age::{Age, ArmPair, Change, Point, SampleAge, TermCourse};

/// The courses of so many samples are shown; of more only their changes.
const MOST_COURSES: usize = 4;

/// The whole text.
#[must_use]
pub fn text(f: &Age) -> String {
    let mut out = String::from("How do stored lots move?\n");
    out.push_str(&basis(&f.source, f.samples.len(), f.tasters.len(), f.n_scores, f.n_gaps));
    out.push('\n');
    for s in &f.sentences {
        out.push_str(&paragraph(s, "", "  "));
    }
    let several: Vec<&SampleAge> = f.samples.iter().filter(|s| s.tastings.len() > 1).collect();
    for sentences in several.iter().map(|s| &s.sentences).chain(f.arms.iter().map(|a| &a.sentences))
    {
        if !sentences.is_empty() {
            out.push('\n');
        }
        for s in sentences {
            out.push_str(&paragraph(s, "", "  "));
        }
    }
    out.push_str(&cautions(&f.cautions, &f.source));
    out.push_str(&left_out(&f.exclusions, ("score", "scores")));
    let few = several.len() <= MOST_COURSES;
    for s in &several {
        if few {
            out.push_str(&tastings(s, f));
        }
        out.push_str(&changes(s, few));
        if few {
            out.push_str(&fits(s));
            out.push_str(&courses(s));
            out.push_str(&shares(s));
        }
    }
    if !few {
        let text = "First real: the first month in which the change from the first tasting is beyond \
                    luck among the tastings of that term alone (of terms that do not move 1 in 20 has \
                    one); †: gone again at the last. Tasting by tasting, with fitted courses, \
                    ticks, categories, and arms by session: --of LOT, or --json; as charts: --page.";
        out.push_str(&paragraph(text, "", ""));
    }
    for a in f.arms.iter().filter(|_| few || f.stores.is_empty()) {
        out.push_str(&arms(a));
    }
    for p in &f.stores {
        out.push_str(&stores(p));
    }
    for y in f.years.known().into_iter().flat_map(|y| &y.ages) {
        out.push_str(&years(y));
    }
    out.push_str(&drift(f));
    out.push_str(&models(f));
    out
}

/// Two ways to store over the lots that were split so.
fn stores(s: &StorePair) -> String {
    let mut table = Table::new(&[
        ("term", Side::Left),
        ("lots", Side::Right),
        ("of these lots", Side::Right),
        ("limits", Side::Right),
        ("of such lots", Side::Right),
        ("limits", Side::Right),
        ("q", Side::Right),
    ]);
    for t in s.terms.iter().filter(|t| t.of_these_lots.known().is_some()) {
        table.row(vec![
            t.term.clone(),
            t.n_lots.to_string(),
            value(&t.of_these_lots),
            limits(&t.of_these_lots),
            value(&t.of_such_lots),
            limits(&t.of_such_lots),
            q(&t.of_such_lots),
        ]);
    }
    if table.is_empty() {
        return String::new();
    }
    format!("{}{}", heading(&format!("{} less {}, over lots", s.a, s.b)), table.show())
}

/// Lots of different years at one age.
fn years(a: &EqualAge) -> String {
    let differs = |t: &&YearTerm| t.differences.iter().any(|d| d.difference.known().is_some());
    let Some(first) = a.terms.iter().find(differs) else { return String::new() };
    let years: Vec<String> = first.levels.iter().map(|l| l.year.to_string()).collect();
    let pairs: Vec<String> =
        first.differences.iter().map(|d| format!("{} less {}", d.year, d.less)).collect();
    let mut heads = vec![("term", Side::Left)];
    heads.extend(years.iter().map(|y| (y.as_str(), Side::Right)));
    for pair in &pairs {
        heads.extend([(pair.as_str(), Side::Right), ("limits", Side::Right), ("q", Side::Right)]);
    }
    let mut table = Table::new(&heads);
    for t in a.terms.iter().filter(differs) {
        let mut row = vec![t.term.clone()];
        row.extend(t.levels.iter().map(|l| or_dash(&l.level, |l| number(l.value, 2))));
        for d in &t.differences {
            row.extend([value(&d.difference), limits(&d.difference), q(&d.difference)]);
        }
        table.row(row);
    }
    let kind: Vec<&str> = [&a.class, &a.arm].into_iter().flatten().map(String::as_str).collect();
    let lots: Vec<String> =
        a.years.iter().map(|y| format!("{}: {}", y.year, y.lots.join(", "))).collect();
    let mut out = heading(&format!(
        "{}{}month {} to {}: years at equal age",
        kind.join(", "),
        if kind.is_empty() { "" } else { ", " },
        number(a.from_month, 1),
        number(a.to_month, 1)
    ));
    out.push_str(&table.show());
    out.push_str(&paragraph(
        &format!("Of these lots, not of such years: {}.", lots.join("; ")),
        "  ",
        "  ",
    ));
    out
}

fn range(lower: f64, upper: f64) -> String {
    format!("{} to {}", number(lower, 2), number(upper, 2))
}

fn value(c: &Answer<Change>) -> String {
    or_dash(c, |c| number(c.value, 2))
}

fn limits(c: &Answer<Change>) -> String {
    or_dash(c, |c| range(c.lower, c.upper))
}

fn q(c: &Answer<Change>) -> String {
    c.known().and_then(|c| c.q_value).map_or_else(dash, p_value)
}

fn tastings(s: &SampleAge, f: &Age) -> String {
    let mut table = Table::new(&[
        ("session", Side::Left),
        ("month", Side::Right),
        ("served as", Side::Left),
        ("scores", Side::Right),
        ("tasters", Side::Right),
        ("", Side::Wrapped),
    ]);
    for t in &s.tastings {
        // That there is no reference at all is said once, not by tasting.
        let reference = t.reference.reason().filter(|_| f.reference.known().is_some());
        let remarks: Vec<&str> = [t.pooled.reason(), reference].into_iter().flatten().collect();
        table.row(vec![
            t.session.clone(),
            number(t.month, 1),
            t.sample.clone(),
            t.n_scores.to_string(),
            t.n_tasters.to_string(),
            remarks.join("; "),
        ]);
    }
    format!("{}{}", heading(&format!("{}: tastings ({})", s.sample, f.clock)), table.show())
}

fn changes(s: &SampleAge, few: bool) -> String {
    let mut table = Table::new(&[
        ("term", Side::Left),
        ("as scored", Side::Right),
        ("drift off", Side::Right),
        ("its limits", Side::Right),
        ("change", Side::Right),
        ("limits", Side::Right),
        ("q", Side::Right),
        ("a year", Side::Right),
        ("first real", Side::Right),
    ]);
    let known =
        |t: &&TermCourse| t.last_change.known().is_some() || t.last_change_raw.known().is_some();
    for t in s.terms.iter().filter(known) {
        table.row(vec![
            t.term.clone(),
            value(&t.last_change_raw),
            value(&t.panel_drift),
            limits(&t.panel_drift),
            value(&t.last_change),
            limits(&t.last_change),
            q(&t.last_change),
            value(&t.per_year),
            or_dash(&t.first_real, |f| {
                format!("{}{}", number(f.month, 1), if f.lasts { "" } else { "†" })
            }),
        ]);
    }
    if table.is_empty() {
        return String::new();
    }
    let mut out = heading(&format!("{}: change from first to last tasting", s.sample));
    out.push_str(&table.show());
    if !few {
        return out;
    }
    if s.terms.iter().any(|t| t.first_real.known().is_some()) {
        let text = "First real: the first month in which the change from the first tasting is beyond \
                    luck among the tastings of that term alone (of terms that do not move 1 in 20 has \
                    one); †: gone again at the last.";
        out.push_str(&paragraph(text, "  ", "  "));
    }
    let left_in: Vec<String> = s
        .terms
        .iter()
        .filter_map(|t| {
            let c = t.last_change_with_excluded.known()?;
            Some(format!("{} {} ({})", t.term, number(c.value, 2), range(c.lower, c.upper)))
        })
        .collect();
    if !left_in.is_empty() {
        let text = format!("With excluded scores left in, corrected: {}.", left_in.join(", "));
        out.push_str(&paragraph(&text, "  ", "    "));
    }
    out
}

/// The fitted courses with their rivals.
fn fits(s: &SampleAge) -> String {
    let mut table = Table::new(&[
        ("term", Side::Left),
        ("course", Side::Left),
        ("rivals (weights)", Side::Left),
        ("misses by, p", Side::Right),
        ("a year", Side::Right),
        ("limits", Side::Right),
        ("half in", Side::Right),
        ("limits", Side::Right),
        ("projected", Side::Right),
        ("limits", Side::Right),
    ]);
    for t in &s.terms {
        let Some(fit) = t.fit.known() else { continue };
        let held = t.held.known().copied().unwrap_or(0.0);
        let rivals: Vec<String> = fit
            .forms
            .iter()
            .filter(|_| fit.forms.len() > 1)
            .map(|f| format!("{} {}", f.form.name(), number(f.weight, 2)))
            .collect();
        table.row(vec![
            t.term.clone(),
            fit.chosen.name().to_owned(),
            rivals.join(", "),
            or_dash(&fit.lack_of_fit, |l| p_value(l.p_value)),
            value(&fit.rate),
            limits(&fit.rate),
            or_dash(&fit.half_time, |h| number(h.months, 1)),
            or_dash(&fit.half_time, |h| range(h.lower, h.upper)),
            or_dash(&t.projection, |p| number(p.value + held, 2)),
            or_dash(&t.projection, |p| range(p.lower + held, p.upper + held)),
        ]);
    }
    if table.is_empty() {
        return String::new();
    }
    let mut out =
        heading(&format!("{}: the course through the tastings, less the reference", s.sample));
    out.push_str(&table.show());
    let projected = s.terms.iter().find_map(|t| t.projection.known());
    if let Some(p) = projected {
        let text = format!("Projected to month {}, the level: {}", number(p.month, 1), p.rule);
        out.push_str(&paragraph(&text, "  ", "  "));
    }
    let mut refused: Vec<&str> = s
        .terms
        .iter()
        .filter_map(|t| t.projection.reason())
        .filter(|r| r.starts_with("no projection"))
        .collect();
    refused.sort_unstable();
    refused.dedup();
    for why in refused {
        out.push_str(&paragraph(why, "  ", "  "));
    }
    out
}

fn courses(s: &SampleAge) -> String {
    let mut table = Table::new(&[
        ("term", Side::Left),
        ("month", Side::Right),
        ("scores", Side::Right),
        ("as scored", Side::Right),
        ("corrected", Side::Right),
        ("limits", Side::Right),
        ("since first", Side::Right),
        ("limits", Side::Right),
    ]);
    for t in &s.terms {
        let told = |p: &&Point| p.raw.known().is_some();
        for (i, p) in t.points.iter().filter(told).enumerate() {
            table.row(vec![
                if i == 0 { t.term.clone() } else { String::new() },
                format!("{}{}", number(p.month, 1), if p.pooled { "" } else { "*" }),
                p.n_scores.to_string(),
                or_dash(&p.raw, |l| level(l).0),
                or_dash(&p.corrected, |l| level(l).0),
                or_dash(&p.corrected, |l| level(l).1),
                value(&p.change),
                limits(&p.change),
            ]);
        }
    }
    if table.is_empty() {
        return String::new();
    }
    let mut out = heading(&format!("{}: course", s.sample));
    let table = table.show();
    out.push_str(&table);
    out.push_str(&cut(&table));
    if s.tastings.iter().any(|t| t.pooled.known().is_none()) {
        out.push_str(&paragraph("* brewed by another recipe: not counted", "  ", "  "));
    }
    out
}

fn shares(s: &SampleAge) -> String {
    let mut table = Table::new(&[
        ("term", Side::Left),
        ("month", Side::Right),
        ("answers", Side::Right),
        ("given", Side::Wrapped),
    ]);
    for t in &s.terms {
        for p in &t.points {
            let Some(labels) = p.shares.known() else { continue };
            let given: Vec<String> =
                labels.iter().map(|l| format!("{} {}", l.label, l.n)).collect();
            table.row(vec![
                t.term.clone(),
                number(p.month, 1),
                p.n_scores.to_string(),
                given.join(", "),
            ]);
        }
    }
    if table.is_empty() {
        return String::new();
    }
    format!("{}{}", heading(&format!("{}: ticks and categories", s.sample)), table.show())
}

fn arms(a: &ArmPair) -> String {
    let mut table = Table::new(&[
        ("term", Side::Left),
        ("sessions", Side::Right),
        ("mean", Side::Right),
        ("limits", Side::Right),
        ("q", Side::Right),
        ("by month", Side::Wrapped),
    ]);
    for t in a.terms.iter().filter(|t| t.mean.known().is_some()) {
        let by: Vec<String> = t
            .sessions
            .iter()
            .map(|s| format!("{}: {}", number(s.month, 0), value(&s.difference)))
            .collect();
        table.row(vec![
            t.term.clone(),
            t.sessions.len().to_string(),
            value(&t.mean),
            limits(&t.mean),
            q(&t.mean),
            by.join("  "),
        ]);
    }
    if table.is_empty() {
        return String::new();
    }
    let mut out = heading(&format!("{} less {}, within sessions", a.a, a.b));
    out.push_str(&table.show());
    out
}

fn drift(f: &Age) -> String {
    let (Some(name), Some(courses)) = (f.reference.known(), f.drift.known()) else {
        return String::new();
    };
    let mut table = Table::new(&[
        ("term", Side::Left),
        ("sessions", Side::Right),
        ("a year", Side::Right),
        ("limits", Side::Right),
        ("q", Side::Right),
        ("with other terms", Side::Right),
        ("limits", Side::Right),
        ("taken off", Side::Right),
        ("limits", Side::Right),
    ]);
    let shared = f.shared_drift.known();
    for t in courses.iter().filter(|t| t.last_change_raw.known().is_some()) {
        let taken = f.correction.iter().find(|c| c.term == t.term);
        let with = shared.and_then(|s| s.terms.iter().find(|x| x.term == t.term));
        table.row(vec![
            t.term.clone(),
            t.points.len().to_string(),
            value(&t.per_year_raw),
            limits(&t.per_year_raw),
            q(&t.per_year_raw),
            with.map_or_else(dash, |d| number(d.with_others.value, 2)),
            with.map_or_else(dash, |d| range(d.with_others.lower, d.with_others.upper)),
            taken.map_or_else(dash, |c| value(&c.taken_off)),
            taken.map_or_else(dash, |c| limits(&c.taken_off)),
        ]);
    }
    if table.is_empty() {
        return String::new();
    }
    let mut out = heading(&format!("Drift of the panel: the reference {name}, as scored"));
    out.push_str(&table.show());
    if shared.is_some() {
        out.push_str(&paragraph(
            "With other terms: the drift of a term with those of the others taken as evidence. Taken off: what drift added to a change as scored, \
             the mean over the samples that are followed.",
            "  ",
            "  ",
        ));
    }
    out
}

fn models(f: &Age) -> String {
    let mut out = heading("How it was computed");
    let mut table = Table::new(&[("term", Side::Left), ("model and variances", Side::Wrapped)]);
    for m in &f.models {
        table.row(vec![m.term.clone(), model_words(&m.model)]);
    }
    out.push_str(&table.show());
    out.push_str(&paragraph(
        "REML with Satterthwaite's degrees of freedom; all changes are contrasts of the means of \
         one model a term. Every number, and the reason for every dash: --json.",
        "  ",
        "  ",
    ));
    out
}
