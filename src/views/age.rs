//! `age` in the terminal: what can be said, then the courses.

use super::agree::{basis, cautions, left_out, model_words};
use super::text::{Side, Table, dash, heading, number, or_dash, p_value, paragraph};
use crate::findings::Answer;
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
    for s in &several {
        out.push_str(&tastings(s, f));
        out.push_str(&changes(s));
        if several.len() <= MOST_COURSES {
            out.push_str(&courses(s));
            out.push_str(&shares(s));
        }
    }
    if several.len() > MOST_COURSES {
        out.push_str(&heading("Courses"));
        let text = "Tasting by tasting, with ticks and categories: --of LOT, or --json.";
        out.push_str(&paragraph(text, "  ", "  "));
    }
    for a in &f.arms {
        out.push_str(&arms(a));
    }
    out.push_str(&drift(f));
    out.push_str(&models(f));
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

fn changes(s: &SampleAge) -> String {
    let mut table = Table::new(&[
        ("term", Side::Left),
        ("corrected", Side::Right),
        ("limits", Side::Right),
        ("q", Side::Right),
        ("a year", Side::Right),
        ("limits", Side::Right),
        ("as scored", Side::Right),
        ("panel", Side::Right),
    ]);
    let known =
        |t: &&TermCourse| t.last_change.known().is_some() || t.last_change_raw.known().is_some();
    for t in s.terms.iter().filter(known) {
        table.row(vec![
            t.term.clone(),
            value(&t.last_change),
            limits(&t.last_change),
            q(&t.last_change),
            value(&t.per_year),
            limits(&t.per_year),
            value(&t.last_change_raw),
            value(&t.panel_drift),
        ]);
    }
    if table.is_empty() {
        return String::new();
    }
    let mut out = heading(&format!("{}: change from first to last tasting", s.sample));
    out.push_str(&table.show());
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
                or_dash(&p.raw, |l| number(l.value, 2)),
                or_dash(&p.corrected, |l| number(l.value, 2)),
                or_dash(&p.corrected, |l| range(l.lower, l.upper)),
                value(&p.change),
                limits(&p.change),
            ]);
        }
    }
    if table.is_empty() {
        return String::new();
    }
    let mut out = heading(&format!("{}: course", s.sample));
    out.push_str(&table.show());
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
        ("first to last", Side::Right),
        ("limits", Side::Right),
    ]);
    for t in courses.iter().filter(|t| t.last_change_raw.known().is_some()) {
        table.row(vec![
            t.term.clone(),
            t.points.len().to_string(),
            value(&t.per_year_raw),
            limits(&t.per_year_raw),
            q(&t.per_year_raw),
            value(&t.last_change_raw),
            limits(&t.last_change_raw),
        ]);
    }
    if table.is_empty() {
        return String::new();
    }
    let mut out = heading(&format!("Drift of the panel: the reference {name}, as scored"));
    out.push_str(&table.show());
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
