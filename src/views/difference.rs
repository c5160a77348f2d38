//! `difference` in the terminal: the answer in sentences, then tests, tasters and the serving.

use super::agree::{cautions, left_out};
use super::text::{Side, Table, dash, estimate, heading, number, or_dash, p_value, paragraph};
use crate::findings::difference::{DPrime, Difference, DifferenceTest};
use crate::findings::{Answer, count};
use crate::scores::Method;

/// The whole text.
#[must_use]
pub fn text(f: &Difference) -> String {
    let mut out = String::from("Are they told apart?\n");
    if !f.source.names.is_empty() {
        out.push_str(&paragraph(&basis(f), "", "  "));
    }
    out.push('\n');
    for s in &f.sentences {
        out.push_str(&paragraph(s, "", "  "));
    }
    out.push_str(&cautions(&f.cautions, &f.source));
    out.push_str(&left_out(&f.exclusions, ("answer", "answers")));
    // Before anybody has tasted all is said above.
    if f.tests.iter().any(|t| t.n_correct.known().is_some()) {
        out.push_str(&tests(&f.tests));
    }
    for t in &f.tests {
        out.push_str(&tasters(t));
        out.push_str(&serving(t));
    }
    out.push_str(&heading("How it was computed"));
    out.push_str(&paragraph(
        "Exact binomial tests; limits by the exact limits of the share of right answers, where tasters \
         answered more than once by the profile of a beta-binomial. Every number, and the reason for \
         every dash: --json.",
        "  ",
        "  ",
    ));
    out
}

fn basis(f: &Difference) -> String {
    let mut tasters: Vec<&str> =
        f.tests.iter().flat_map(|t| t.tasters.iter().map(|x| x.taster.as_str())).collect();
    tasters.sort_unstable();
    tasters.dedup();
    let n: u64 = f.tests.iter().map(|t| t.n_answers).sum();
    format!(
        "{}: {}, {}, {}",
        f.source.names.join(", "),
        count(f.tests.len(), "test", "tests"),
        count(tasters.len(), "taster", "tasters"),
        count(usize::try_from(n).unwrap_or(usize::MAX), "answer", "answers")
    )
}

fn word(method: Method) -> &'static str {
    match method {
        Method::Triangle => "triangle",
        Method::DuoTrio => "duo-trio",
        Method::Paired => "paired",
    }
}

fn tests(all: &[DifferenceTest]) -> String {
    let with_excluded = all.iter().any(|t| t.p_with_excluded.known().is_some());
    let mut columns = vec![
        ("test", Side::Left),
        ("kind", Side::Left),
        ("right", Side::Right),
        ("needed", Side::Right),
        ("p", Side::Right),
        ("noticed (limits)", Side::Right),
        ("d-prime (limits)", Side::Right),
    ];
    if with_excluded {
        columns.push(("p with excluded", Side::Right));
    }
    let mut table = Table::new(&columns);
    for t in all {
        let mut row = vec![
            t.name.clone(),
            if t.two_sided { "two-sided pair".to_owned() } else { word(t.method).to_owned() },
            or_dash(&t.n_correct, |k| format!("{k} of {}", t.n_answers)),
            or_dash(&t.least, |l| l.correct.to_string()),
            or_dash(&t.p_value, |p| p_value(*p)),
            estimate(&t.distinguishers),
            d_prime(&t.d_prime),
        ];
        if with_excluded {
            row.push(or_dash(&t.p_with_excluded, |p| p_value(*p)));
        }
        table.row(row);
    }
    let mut out = heading("The tests (needed: so many right answers show it; limits: 95%)");
    out.push_str(&table.show());
    out
}

fn d_prime(d: &DPrime) -> String {
    let Some(value) = d.value.known() else { return dash() };
    let end = |x: &Answer<f64>| or_dash(x, |x| number(*x, 2));
    let limits = match (d.lower.known(), d.upper.known()) {
        (None, None) => dash(),
        _ => format!("{} to {}", end(&d.lower), end(&d.upper)),
    };
    format!("{} ({limits})", number(*value, 2))
}

fn tasters(t: &DifferenceTest) -> String {
    if t.tasters.iter().all(|x| x.n_answers < 2) {
        return String::new();
    }
    let right = if t.two_sided { "for the first" } else { "right" };
    let mut table = Table::new(&[
        ("taster", Side::Left),
        ("answers", Side::Right),
        (right, Side::Right),
        ("p", Side::Right),
        ("p of all", Side::Right),
    ]);
    for x in &t.tasters {
        table.row(vec![
            x.taster.clone(),
            x.n_answers.to_string(),
            x.n_correct.to_string(),
            or_dash(&x.p_value, |p| p_value(*p)),
            or_dash(&x.p_holm, |p| p_value(*p)),
        ]);
    }
    let mut out = heading(&format!("{}: tasters", t.name));
    out.push_str(&table.show());
    out
}

fn serving(t: &DifferenceTest) -> String {
    if t.circumstances.is_empty() {
        return String::new();
    }
    let mut table = Table::new(&[
        ("answers by", Side::Left),
        ("p", Side::Right),
        ("right of answers", Side::Wrapped),
    ]);
    for c in &t.circumstances {
        let parts: Vec<String> =
            c.parts.iter().map(|p| format!("{} {}/{}", p.name, p.n_correct, p.n_answers)).collect();
        table.row(vec![c.by.clone(), or_dash(&c.p_value, |p| p_value(*p)), parts.join(", ")]);
    }
    let mut out = heading(&format!("{}: did the serving matter?", t.name));
    out.push_str(&table.show());
    out
}
