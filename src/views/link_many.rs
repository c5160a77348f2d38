//! What all parameters together predict, in the terminal: the headline, one line a term, and the cups
//! of planned batches.

use super::text::{Side, Table, heading, number, or_dash, p_value, paragraph};
use crate::findings::Answer;
use crate::findings::link::{PlannedBatch, PlannedTerm, Prediction, Stated};

/// The section.
#[must_use]
pub fn section(prediction: &Answer<Prediction>) -> String {
    let mut out = heading("What the parameters together predict");
    let f = match prediction {
        Answer::Known(f) => f,
        Answer::Unknown(u) => {
            out.push_str(&paragraph(&format!("– {}.", u.reason), "  ", "    "));
            return out;
        }
    };
    for s in &f.sentences {
        out.push_str(&paragraph(s, "  ", "    "));
    }
    out.push_str(&table(f));
    if !f.terms.is_empty() {
        let text = format!(
            "missed by: root mean square error of lots left out ({}); Q²: 1 less the ratio of their \
             squares to the mean's; luck: what Q² reaches among all these terms in 1 of 20 of {} random \
             orders ({} exchanged); p steps down from the surest term, so that one below that luck may still \
             be better; session: Q² with whole \
             sessions left out. Partial least squares; coefficients, importance, repeated groups and \
             the elastic net: --json.",
            f.left_out, f.n_orders, f.exchanged
        );
        out.push_str(&paragraph(&text, "  ", "  "));
    }
    for b in &f.batches {
        out.push_str(&batch(b));
    }
    if f.batches.iter().any(|b| b.terms.known().is_some()) {
        let text = "level: of one lot made so, as these lots are at their first tasting; Q² and p (the \
                    term alone) with the stated parameters only. From p .05 down they say the level, \
                    else it is the mean of all lots.";
        out.push_str(&paragraph(text, "  ", "  "));
    }
    out
}

fn table(f: &Prediction) -> String {
    let mut t = Table::new(&[
        ("term", Side::Left),
        ("lots", Side::Right),
        ("components", Side::Right),
        ("missed by", Side::Right),
        ("by the mean", Side::Right),
        ("Q²", Side::Right),
        ("luck", Side::Right),
        ("session", Side::Right),
        ("p", Side::Right),
        ("", Side::Left),
    ]);
    for p in &f.terms {
        t.row(vec![
            p.term.clone(),
            p.n_lots.to_string(),
            p.components.to_string(),
            number(p.error, 2),
            number(p.error_of_mean, 2),
            number(p.q2, 2),
            or_dash(&p.luck_among_all, |q| number(*q, 2)),
            or_dash(&p.by_session, |s| number(s.q2, 2)),
            p_value(p.p_among_all),
            (if p.better { "better" } else { "" }).to_owned(),
        ]);
    }
    if t.is_empty() { String::new() } else { t.show() }
}

fn batch(b: &PlannedBatch) -> String {
    let settings: Vec<String> = b
        .batch
        .settings
        .iter()
        .map(|s| match &s.value {
            Stated::Number(x) => format!("{} {x}", s.parameter),
            Stated::Word(w) => format!("{} {w}", s.parameter),
        })
        .collect();
    let mut out = heading(&format!("{}: {}", b.batch.name, settings.join(", ")));
    for n in &b.not_used {
        let text = format!("Not used: {}, {}.", n.parameter, n.reason);
        out.push_str(&paragraph(&text, "  ", "    "));
    }
    for s in &b.beyond {
        out.push_str(&paragraph(&format!("{s}."), "  ! ", "    "));
    }
    if !b.not_stated.is_empty() {
        let text =
            format!("Not stated, so taken as they came in the lots: {}.", b.not_stated.join(", "));
        out.push_str(&paragraph(&text, "  ", "    "));
    }
    let terms = match &b.terms {
        Answer::Known(terms) => terms,
        Answer::Unknown(u) => {
            out.push_str(&paragraph(&format!("Not predicted: {}.", u.reason), "  ", "    "));
            return out;
        }
    };
    let mut t = Table::new(&[
        ("term", Side::Left),
        ("level", Side::Right),
        ("limits", Side::Right),
        ("Q²", Side::Right),
        ("p", Side::Right),
        ("", Side::Left),
    ]);
    let shown = |p: &PlannedTerm| {
        let limits =
            or_dash(&p.level, |e| format!("{} to {}", number(e.lower, 2), number(e.upper, 2)));
        vec![
            p.term.clone(),
            or_dash(&p.level, |e| number(e.value, 2)),
            limits,
            number(p.q2, 2),
            p_value(p.p_value),
            (if p.by_parameters { "" } else { "the mean of all lots" }).to_owned(),
        ]
    };
    terms.iter().for_each(|p| t.row(shown(p)));
    out.push_str(&t.show());
    out
}
