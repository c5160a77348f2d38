//! The tasters over the sessions, in the terminal.

use super::agree::{cautions, reasons};
use super::text::{Side, Table, estimate, heading, paragraph};
use crate::findings::monitor::{ALL, Monitor, Step};

/// The whole text.
#[must_use]
pub fn text(f: &Monitor) -> String {
    let mut out = String::from("How do the tasters do from session to session?\n");
    let n_scores: usize = f
        .rounds
        .iter()
        .filter(|r| r.session == ALL)
        .flat_map(|r| &r.judged)
        .flat_map(|t| &t.tasters)
        .map(|t| t.figures.n_cups)
        .sum();
    out.push_str(&paragraph(
        &format!(
            "{}: {}, {}, {n_scores} scores judged over all",
            f.source.names.join(", "),
            crate::findings::count(f.tasters.len(), "taster", "tasters"),
            crate::findings::count(f.sessions.len(), "session", "sessions"),
        ),
        "",
        "  ",
    ));
    out.push('\n');
    for s in &f.sentences {
        out.push_str(&paragraph(s, "", "  "));
    }
    out.push_str(&cautions(&f.cautions, &f.source));
    out.push_str(&heading("Each taster, over the terms judged"));
    out.push_str(&table(
        f.courses.iter().filter_map(|c| Some((c.taster.as_str(), c.all.known()?))),
    ));
    for c in f.courses.iter().filter(|c| !c.sessions.is_empty()) {
        out.push_str(&heading(&format!("Taster {}, session by session", c.taster)));
        out.push_str(&table(c.sessions.iter().map(|s| (s.session.as_str(), s))));
    }
    out.push_str(&heading("Not judged"));
    for round in &f.rounds {
        let missing: Vec<(String, &str)> =
            round.not_judged.iter().map(|n| (n.term.clone(), n.reason.as_str())).collect();
        if missing.is_empty() {
            continue;
        }
        out.push_str(&paragraph(&round.session, "  ", "  "));
        out.push_str(&reasons(&missing));
    }
    out
}

fn table<'a>(rows: impl Iterator<Item = (&'a str, &'a Step)>) -> String {
    let mut t = Table::new(&[
        ("", Side::Left),
        ("terms", Side::Right),
        ("told apart", Side::Right),
        ("sd of repeats", Side::Right),
        ("slope", Side::Right),
        ("offset", Side::Right),
        ("beyond a limit, in terms", Side::Wrapped),
    ]);
    for (name, s) in rows {
        let beyond: Vec<String> = s
            .beyond
            .iter()
            .filter(|(what, _)| *what != "no discrimination")
            .map(|(what, n)| format!("{what} {n}"))
            .collect();
        t.row(vec![
            name.to_owned(),
            s.n_terms.to_string(),
            if s.n_tested > 0 {
                format!("{} of {}", s.n_discriminated, s.n_tested)
            } else {
                super::text::dash()
            },
            estimate(&s.repeatability),
            estimate(&s.slope),
            estimate(&s.offset),
            beyond.join(", "),
        ]);
    }
    t.show()
}
