//! `compare` in the terminal: what is shown beside differences and levels.

use super::text::{Side, Table, cut, dash, heading, level, number, or_dash, p_value, paragraph};
use crate::findings::against::{AgainstControl, AgainstNumbers, Alike, AlikeNumbers, Better};
use crate::findings::compare::Compare;
use crate::findings::count;
use crate::findings::term_comparison::TermComparison;

fn range(lower: f64, upper: f64) -> String {
    format!("{} to {}", number(lower, 2), number(upper, 2))
}

/// All lots against the control, the surest first.
pub(super) fn against(t: &TermComparison, c: &AgainstControl, most: usize) -> String {
    let mut known: Vec<(&str, &AgainstNumbers)> =
        c.lots.iter().filter_map(|l| Some((l.lot.as_str(), l.difference.known()?))).collect();
    let p = |n: &AgainstNumbers| (n.p_dunnett * 1e9).round();
    known.sort_by(|a, b| p(a.1).total_cmp(&p(b.1)).then_with(|| a.0.cmp(b.0)));
    let less = format!("less {}", c.control);
    let mut table = Table::new(&[
        ("lot", Side::Left),
        (&less, Side::Right),
        ("all lots at once", Side::Right),
        ("p alone", Side::Right),
        ("p of all", Side::Right),
        ("", Side::Left),
    ]);
    for (lot, n) in known.iter().take(most) {
        let limits = match (n.lower.known(), n.upper.known()) {
            (Some(lower), Some(upper)) => range(*lower, *upper),
            (Some(lower), None) => format!("at least {}", number(*lower, 2)),
            (None, Some(upper)) => format!("at most {}", number(*upper, 2)),
            (None, None) => dash(),
        };
        table.row(vec![
            (*lot).to_owned(),
            number(n.value, 2),
            limits,
            p_value(n.p_value),
            p_value(n.p_dunnett),
            if n.differs { "differs".to_owned() } else { String::new() },
        ]);
    }
    let side = match c.better {
        Better::Either => "",
        Better::Higher => ", higher only",
        Better::Lower => ", lower only",
    };
    let mut out =
        heading(&format!("{}: lots against {}{side}, the surest first", t.term, c.control));
    out.push_str(&table.show());
    let rest = known.len().saturating_sub(most);
    if rest > 0 {
        out.push_str(&format!("  and {}: --json\n", count(rest, "lot more", "lots more")));
    }
    let mut how =
        format!("p of all: Dunnett, {} at once.", count(c.n_compared, "comparison", "comparisons"));
    if let Some(e) = c.relative_error.known() {
        how.push_str(&format!(
            " The table is not balanced: p is good to {} % of itself.",
            number((100.0 * e).max(0.01), 2)
        ));
    }
    out.push_str(&paragraph(&how, "  ", "  "));
    for l in &c.lots {
        if let Some(why) = l.difference.reason() {
            out.push_str(&paragraph(&format!("– {}: {why}.", l.lot), "  ", "    "));
        }
    }
    out
}

/// Lots that are alike within the margin, the surest first.
pub(super) fn alike(t: &TermComparison, most: usize) -> String {
    let Some(a) = t.alike_within.known() else { return String::new() };
    let mut known: Vec<(&Alike, &AlikeNumbers)> =
        a.pairs.iter().filter_map(|p| Some((p, p.numbers.known()?))).collect();
    let p = |n: &AlikeNumbers| (n.p_value * 1e9).round();
    known.sort_by(|x, y| p(x.1).total_cmp(&p(y.1)).then_with(|| x.0.a.cmp(&y.0.a)));
    let margin = number(a.margin, 2);
    let mut table = Table::new(&[
        ("lot", Side::Left),
        ("less", Side::Left),
        ("points", Side::Right),
        ("90% limits", Side::Right),
        ("p alone", Side::Right),
        ("p of all", Side::Right),
        ("", Side::Left),
    ]);
    for (pair, n) in known.iter().take(most) {
        table.row(vec![
            pair.a.clone(),
            pair.b.clone(),
            number(n.value, 2),
            range(n.lower_90, n.upper_90),
            p_value(n.p_value),
            p_value(n.p_holm),
            if n.alike { "the same".to_owned() } else { String::new() },
        ]);
    }
    let mut out = heading(&format!("{}: the same within ±{margin}?", t.term));
    out.push_str(&table.show());
    let rest = known.len().saturating_sub(most);
    if rest > 0 {
        let n = known.iter().skip(most).filter(|k| k.1.alike).count();
        out.push_str(&format!("  and {rest} more, of which {n} are the same: --json\n"));
    }
    out.push_str(&paragraph(
        &format!(
            "The same: both limits inside ±{margin}, after Holm over {}. Not shown does not mean \
             different.",
            count(a.n_compared, "comparison", "comparisons")
        ),
        "  ",
        "  ",
    ));
    out
}

/// What the panel could see at all.
pub(super) fn seen(t: &TermComparison) -> String {
    let mut text = String::new();
    if let Some(s) = t.smallest_difference.known() {
        text.push_str(&format!(
            "The smallest difference that is seen: {} for two lots chosen beforehand, {} among all \
             pairs; a true difference of {} would show in 4 of 5 such tastings.",
            number(s.of_two, 2),
            number(s.of_all_pairs, 2),
            number(s.with_power_80, 2)
        ));
    }
    if let Some(d) = t.duplicates.known() {
        text.push_str(&format!(
            " From {} of blind duplicates alone, without the tasters' own ways: {}.",
            count(d.n_pairs, "pair", "pairs"),
            number(d.smallest, 2)
        ));
    }
    if let Some(s) = t.single_score.known() {
        text.push_str(&format!(" One score varies by {} (sd)", number(s.sd, 2)));
        if let Some(e) = s.lots.known() {
            text.push_str(&format!(
                "; {} % ({} to {}) of the variance of a score is these lots",
                number(100.0 * e.value, 0),
                number(100.0 * e.lower, 0),
                number(100.0 * e.upper, 0)
            ));
        }
        text.push('.');
    }
    if text.is_empty() { text } else { paragraph(text.trim_start(), "  ", "  ") }
}

/// The courses over the steeps.
pub(super) fn steeps(t: &TermComparison) -> String {
    /// Of more lots the JSON and the chart have the courses.
    const MOST: usize = 20;
    let Some(s) = t.steeps.known() else { return String::new() };
    let heads: Vec<String> = s.steeps.iter().map(|s| format!("steep {s}")).collect();
    let mut columns = vec![("lot", Side::Left)];
    columns.extend(heads.iter().map(|h| (h.as_str(), Side::Right)));
    let mut table = Table::new(&columns);
    for lot in s.lots.iter().take(MOST) {
        let mut row = vec![lot.lot.clone()];
        row.extend(s.steeps.iter().map(|steep| {
            lot.steeps.iter().find(|l| l.steep == *steep).map_or_else(dash, |l| {
                or_dash(&l.adjusted, |a| {
                    let (value, limits) = level(a);
                    format!("{value} ({limits})")
                })
            })
        }));
        table.row(row);
    }
    let mut out = heading(&format!("{}: the course over the steeps", t.term));
    let table = table.show();
    out.push_str(&table);
    out.push_str(&cut(&table));
    if s.lots.len() > MOST {
        out.push_str(&format!("  and {} lots more: --json\n", s.lots.len() - MOST));
    }
    let test =
        |what: &str, test: &crate::findings::Answer<crate::findings::Test>| match test.known() {
            Some(x) => format!(
                "{what}: F {}, luck {}, p {}.",
                number(x.f, 2),
                number(x.f_by_luck, 2),
                p_value(x.p_value)
            ),
            None => format!("{what}: –."),
        };
    let text = format!(
        "{} {}",
        test("Lots change in different ways", &s.course_test),
        test("Steeps differ", &s.steep_test)
    );
    out.push_str(&paragraph(&text, "  ", "  "));
    out
}

/// Whether rankings repeat between sessions, one line a term.
pub(super) fn repeats(f: &Compare) -> String {
    let mut table = Table::new(&[
        ("term", Side::Left),
        ("pairs of sessions", Side::Right),
        ("mean rank r", Side::Right),
        ("luck", Side::Right),
        ("p", Side::Right),
        ("lot × session, sd", Side::Right),
        ("p", Side::Right),
    ]);
    let mut why = None;
    for t in &f.terms {
        let Some(r) = t.lots.repeats.known() else { continue };
        why = why.or(r.lot_session.reason());
        table.row(vec![
            t.lots.term.clone(),
            or_dash(&r.mean_rank, |m| m.n_pairs.to_string()),
            or_dash(&r.mean_rank, |m| number(m.rho, 2)),
            or_dash(&r.mean_rank, |m| format!("to {}", number(m.by_luck, 2))),
            or_dash(&r.mean_rank, |m| p_value(m.p_value)),
            or_dash(&r.lot_session, |l| number(l.sd, 2)),
            or_dash(&r.lot_session, |l| p_value(l.p_value)),
        ]);
    }
    if table.is_empty() {
        return String::new();
    }
    let mut out = heading("Does the ranking of the lots repeat from session to session?");
    out.push_str(&table.show());
    if let Some(why) = why {
        out.push_str(&paragraph(&format!("– lot × session: {why}."), "  ", "    "));
    }
    out.push_str(&paragraph(
        "Mean rank r: Spearman over pairs of sessions that share three lots or more. Lot × session: by \
         how much a lot moves against the others between sessions; what changes with age is in it.",
        "  ",
        "  ",
    ));
    out
}

/// The map in a paragraph; its points are in the chart and the JSON.
pub(super) fn map(f: &Compare) -> String {
    let Some(m) = f.map.known() else {
        return match f.map.reason() {
            Some(why) if f.terms.len() > 1 && f.lots.len() > 2 => {
                format!(
                    "{}{}",
                    heading("Map of the lots"),
                    paragraph(&format!("– {why}."), "  ", "    ")
                )
            }
            _ => String::new(),
        };
    };
    let percent = |x: f64| number(100.0 * x, 0);
    let both: f64 = m.shares.iter().take(2).sum();
    let mut text = format!(
        "{} lots by {}; two directions hold {} % of what lies between the lots",
        m.points.len(),
        crate::findings::listed(&m.terms),
        percent(both)
    );
    if let Some(luck) = m.share_by_luck.known().filter(|_| m.terms.len() > 2) {
        text.push_str(&format!(" (luck: up to {} %)", percent(*luck)));
    }
    text.push('.');
    if let Some(held) = m.measured_coverage.known() {
        text.push_str(&format!(
            " Regions made for {} % held a lot's true place in {} % of cases, in {} simulated panels like \
             this one.",
            percent(m.level),
            percent(*held),
            m.n_panels
        ));
    }
    text.push_str(" The map: --charts DIR.");
    format!("{}{}", heading("Map of the lots"), paragraph(&text, "  ", "  "))
}
