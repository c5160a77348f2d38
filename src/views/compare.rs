//! `compare` in the terminal: the answer in sentences, then differences, then levels.

use super::agree::{basis, cautions, left_out, model_words};
use super::compare_parts;
use super::text::{
    Side, Table, cut, dash, heading, level as level_of, number, or_dash, p_value, paragraph,
};
use crate::findings::compare::{Compare, ComparedTerm};
use crate::findings::term_comparison::{DifferenceNumbers, Level, TermComparison};

/// So many differences are shown of a term; the others are in the JSON.
const MOST_PAIRS: usize = 15;
/// Of more lots than this the highest and the lowest are shown.
const MOST_LOTS: usize = 40;
/// So many lots against a control.
const MOST_AGAINST: usize = 25;
/// So many reasons why a pair is not compared.
const MOST_REASONS: usize = 3;

/// The whole text.
#[must_use]
pub fn text(f: &Compare) -> String {
    let mut out = String::from("Which lots differ?\n");
    out.push_str(&basis(&f.source, f.lots.len(), f.tasters.len(), f.n_scores, f.n_gaps));
    out.push('\n');
    for s in &f.sentences {
        out.push_str(&paragraph(s, "", "  "));
    }
    out.push_str(&cautions(&f.cautions, &f.source));
    out.push_str(&left_out(&f.exclusions, ("score", "scores")));
    for ComparedTerm { lots, lot_test_with_excluded } in &f.terms {
        match lots.against_control.known() {
            Some(c) => out.push_str(&compare_parts::against(lots, c, MOST_AGAINST)),
            None => out.push_str(&differences(lots)),
        }
        out.push_str(&compare_parts::alike(lots, MOST_PAIRS));
        out.push_str(&compare_parts::seen(lots));
        out.push_str(&levels(lots, f.settings.level));
        out.push_str(&compare_parts::steeps(lots));
        out.push_str(&shares(lots));
        if let Some(x) = lot_test_with_excluded.known() {
            let text = format!(
                "With excluded scores left in: F {}, p {}",
                number(x.f, 2),
                p_value(x.p_value)
            );
            out.push_str(&paragraph(&text, "  ", "    "));
        }
    }
    out.push_str(&compare_parts::repeats(f));
    out.push_str(&compare_parts::map(f));
    out.push_str(&models(f));
    out
}

fn differences(t: &TermComparison) -> String {
    let Some(all) = t.differences.known() else {
        return match (t.shares.known(), t.differences.reason()) {
            (None, Some(why)) => {
                format!("{}{}", heading(&t.term), paragraph(&format!("– {why}."), "  ", "    "))
            }
            _ => String::new(),
        };
    };
    let mut known: Vec<(&str, &str, &DifferenceNumbers)> = all
        .iter()
        .filter_map(|d| Some((d.a.as_str(), d.b.as_str(), d.difference.known()?)))
        .collect();
    // Differences of one size have one p but for rounding, which must not choose their order.
    let p = |d: &DifferenceNumbers| (d.p_tukey * 1e9).round();
    known.sort_by(|x, y| {
        p(x.2).total_cmp(&p(y.2)).then_with(|| x.0.cmp(y.0)).then_with(|| x.1.cmp(y.1))
    });
    let mut table = Table::new(&[
        ("difference", Side::Left),
        ("less", Side::Left),
        ("points", Side::Right),
        ("all pairs at once", Side::Right),
        ("this pair alone", Side::Right),
        ("p of all", Side::Right),
        ("", Side::Left),
    ]);
    for (a, b, n) in known.iter().take(MOST_PAIRS) {
        let range =
            |lower: f64, upper: f64| format!("{} to {}", number(lower, 2), number(upper, 2));
        table.row(vec![
            (*a).to_owned(),
            (*b).to_owned(),
            number(n.value, 2),
            range(n.tukey_lower, n.tukey_upper),
            range(n.lower, n.upper),
            p_value(n.p_tukey),
            if n.differs { "differ".to_owned() } else { String::new() },
        ]);
    }
    let mut out = heading(&format!("{}: differences of lots, the surest first", t.term));
    out.push_str(&table.show());
    let rest = known.len().saturating_sub(MOST_PAIRS);
    if rest > 0 {
        let n = known.iter().skip(MOST_PAIRS).filter(|d| d.2.differs).count();
        let text = format!(
            "and {} more, of which {n} differ: --json",
            crate::findings::count(rest, "pair", "pairs")
        );
        out.push_str(&paragraph(&text, "  ", "    "));
    }
    let reasons: Vec<String> = all
        .iter()
        .filter_map(|d| Some(format!("– {} and {}: {}.", d.a, d.b, d.difference.reason()?)))
        .collect();
    for why in reasons.iter().take(MOST_REASONS) {
        out.push_str(&paragraph(why, "  ", "    "));
    }
    if reasons.len() > MOST_REASONS {
        let rest = reasons.len() - MOST_REASONS;
        out.push_str(&format!("  – and {rest} more pairs are not compared: --json\n"));
    }
    out
}

fn levels(t: &TermComparison, level: f64) -> String {
    let Some(all) = t.levels.known() else { return String::new() };
    let mut rows: Vec<&Level> = all.iter().collect();
    // Equal means keep the order of the lots, whatever their rounding.
    let value = |l: &Level| (l.adjusted.known().map_or(l.raw_mean, |a| a.value) * 1e9).round();
    rows.sort_by(|a, b| (value(b) + 0.0).total_cmp(&(value(a) + 0.0)));
    let percent = number(100.0 * level, 0);
    let limits = format!("{percent}% limits");
    let mut table = Table::new(&[
        ("lot", Side::Left),
        ("scores", Side::Right),
        ("plain mean", Side::Right),
        ("level", Side::Right),
        (&limits, Side::Right),
        ("from the mean", Side::Right),
        (&limits, Side::Right),
        ("letters", Side::Left),
    ]);
    let mut why = None;
    let hidden = rows.len().saturating_sub(MOST_LOTS);
    let shown = if hidden > 0 { MOST_LOTS / 2 } else { rows.len() };
    for (i, l) in rows.iter().enumerate() {
        if let (None, Some(reason)) = (why, l.letters.reason()) {
            why = Some(reason);
        }
        if (shown..shown + hidden).contains(&i) {
            continue;
        }
        let range =
            |lower: f64, upper: f64| format!("{} to {}", number(lower, 2), number(upper, 2));
        table.row(vec![
            l.lot.clone(),
            l.n_scores.to_string(),
            number(l.raw_mean, 2),
            or_dash(&l.adjusted, |a| level_of(a).0),
            or_dash(&l.adjusted, |a| level_of(a).1),
            or_dash(&l.from_mean, |a| number(a.value, 2)),
            or_dash(&l.from_mean, |a| range(a.lower, a.upper)),
            l.letters.known().cloned().unwrap_or_else(dash),
        ]);
    }
    let mut out = heading(&format!("{}: levels of the lots", t.term));
    let table = table.show();
    out.push_str(&table);
    out.push_str(&cut(&table));
    if hidden > 0 {
        out.push_str(&format!(
            "  {shown} highest and {shown} lowest; {hidden} lie between them: --json\n"
        ));
    }
    match why {
        Some(why) => out.push_str(&paragraph(&format!("– letters: {why}."), "  ", "    ")),
        None => out.push_str(&paragraph(
            "Lots that share a letter could not be told apart (Tukey-Kramer, p 0.05). Limits of the \
             level hold the tasters' offsets; limits from the mean do not.",
            "  ",
            "  ",
        )),
    }
    out
}

fn shares(t: &TermComparison) -> String {
    let Some(all) = t.shares.known() else { return String::new() };
    let mut table =
        Table::new(&[("lot", Side::Left), ("answers", Side::Right), ("given", Side::Wrapped)]);
    for s in all {
        let given: Vec<String> = s.labels.iter().map(|l| format!("{} {}", l.label, l.n)).collect();
        table.row(vec![s.lot.clone(), s.n.to_string(), given.join(", ")]);
    }
    let mut out = heading(&format!("{}: answers by lot", t.term));
    out.push_str(&table.show());
    out
}

fn models(f: &Compare) -> String {
    let mut out = heading("How it was computed");
    let mut t = Table::new(&[("term", Side::Left), ("model and variances", Side::Wrapped)]);
    for ComparedTerm { lots, .. } in &f.terms {
        t.row(vec![lots.term.clone(), model_words(&lots.model)]);
    }
    out.push_str(&t.show());
    out.push_str(&paragraph(
        "REML with Satterthwaite's degrees of freedom. Every number, and the reason for every dash: \
         --json.",
        "  ",
        "  ",
    ));
    out
}
