//! `agree` in the terminal: the answer in sentences, then the numbers.

use super::taster_model;
use super::text::{Side, Table, dash, estimate, heading, number, or_dash, p_value, paragraph};
use crate::findings::agree::{Agree, TermOfPanel};
use crate::findings::kappas::PairKappa;
use crate::findings::reasons::ReasonKind;
use crate::findings::{Answer, Exclusion, Source};
use crate::scores::ScaleKind;

/// The whole text.
#[must_use]
pub fn text(f: &Agree) -> String {
    let mut out = String::from("Do the tasters agree?\n");
    out.push_str(&basis(&f.source, f.lots.len(), f.tasters.len(), f.n_scores, f.n_gaps));
    out.push('\n');
    for s in &f.sentences {
        out.push_str(&paragraph(s, "", "  "));
    }
    out.push_str(&cautions(&f.cautions, &f.source));
    out.push_str(&left_out(&f.exclusions, ("score", "scores")));
    out.push_str(&lots(f));
    out.push_str(&agreement(f));
    out.push_str(&parts(f));
    out.push_str(&levels(f));
    out.push_str(&ticks(f));
    out.push_str(&over_all(f));
    out.push_str(&taster_model::text(f));
    for t in &f.terms {
        out.push_str(&tasters(t));
    }
    out.push_str(&models(f));
    out
}

/// What the result rests on.
pub(super) fn basis(
    source: &Source,
    n_lots: usize,
    n_tasters: usize,
    n_scores: usize,
    n_gaps: usize,
) -> String {
    let count = crate::findings::count;
    let tasters = if n_tasters == 0 {
        "tasters not named".to_owned()
    } else {
        count(n_tasters, "taster", "tasters")
    };
    let text = format!(
        "{}: {}, {tasters}, {}, {}",
        source.names.join(", "),
        count(n_lots, "lot", "lots"),
        count(n_scores, "score", "scores"),
        if n_gaps == 0 { "no gaps".to_owned() } else { count(n_gaps, "gap", "gaps") }
    );
    paragraph(&text, "", "  ")
}

/// What to keep in mind.
pub(super) fn cautions(cautions: &[String], source: &Source) -> String {
    if cautions.is_empty() && source.notes.is_empty() {
        return String::new();
    }
    let mut out = heading("Keep in mind");
    for c in source.notes.iter().chain(cautions) {
        out.push_str(&paragraph(c, "  - ", "    "));
    }
    out
}

/// What was left out, counted by its word for one and for many.
pub(super) fn left_out(exclusions: &[Exclusion], (one, many): (&str, &str)) -> String {
    if exclusions.is_empty() {
        return String::new();
    }
    let mut out = heading("Left out");
    for e in exclusions {
        let text = format!("{}: {}", crate::findings::count(e.n_scores, one, many), e.reason);
        out.push_str(&paragraph(&text, "  - ", "    "));
    }
    out
}

fn lots(f: &Agree) -> String {
    let mut t = Table::new(&[
        ("term", Side::Left),
        ("scores", Side::Right),
        ("F", Side::Right),
        ("luck", Side::Right),
        ("df", Side::Right),
        ("p", Side::Right),
        ("p of all", Side::Right),
        ("seen: of two", Side::Right),
        ("of all pairs", Side::Right),
    ]);
    let with_excluded = f.terms.iter().any(|t| t.lot_test_with_excluded.known().is_some());
    for TermOfPanel { panel, .. } in &f.terms {
        let test = panel.lot_test.known();
        let of = |show: &dyn Fn(&crate::findings::Test) -> String| test.map_or_else(dash, show);
        t.row(vec![
            panel.term.clone(),
            panel.n_scores.to_string(),
            of(&|x| number(x.f, 2)),
            of(&|x| number(x.f_by_luck, 2)),
            of(&|x| format!("{}, {}", number(x.num_df, 0), number(x.den_df, 1))),
            of(&|x| p_value(x.p_value)),
            or_dash(&panel.p_holm, |p| p_value(*p)),
            or_dash(&panel.smallest_difference, |d| number(d.of_two, 2)),
            or_dash(&panel.smallest_difference, |d| number(d.of_all_pairs, 2)),
        ]);
    }
    let mut out = heading("Are the lots told apart? (luck: the F that chance passes in 5 of 100)");
    out.push_str(&t.show());
    out.push_str(&paragraph(
        "seen: the smallest difference of two lots that reaches p = 0.05, for two chosen beforehand \
         and among all pairs.",
        "  ",
        "  ",
    ));
    if with_excluded {
        for TermOfPanel { panel, lot_test_with_excluded, .. } in &f.terms {
            if let Some(x) = lot_test_with_excluded.known() {
                let text = format!(
                    "{} with excluded scores left in: F {}, p {}",
                    panel.term,
                    number(x.f, 2),
                    p_value(x.p_value)
                );
                out.push_str(&paragraph(&text, "  ", "    "));
            }
        }
    }
    out
}

fn agreement(f: &Agree) -> String {
    let level = number(100.0 * f.settings.level, 0);
    let mut icc = Table::new(&[
        ("term", Side::Left),
        ("ICC(A,1)", Side::Right),
        ("ICC(C,1)", Side::Right),
        ("ICC(A,k)", Side::Right),
        ("ICC(C,k)", Side::Right),
    ]);
    for TermOfPanel { panel, .. } in &f.terms {
        if let Some(i) = panel.icc.known() {
            icc.row(vec![
                panel.term.clone(),
                estimate(&i.agreement_single),
                estimate(&i.consistency_single),
                estimate(&i.agreement_mean),
                estimate(&i.consistency_mean),
            ]);
        }
    }
    let mut out = String::new();
    if !icc.is_empty() {
        out.push_str(&heading(&format!(
            "How much of the spread of scores is lots? (intraclass correlation, {level}% limits)"
        )));
        out.push_str(&icc.show());
        out.push_str(&paragraph(
            "1: of one taster's score; k: of the panel's mean. A: tasters' offsets count; C: they are \
             forgiven. It is low when tasters disagree and also \
             when the lots are alike.",
            "  ",
            "  ",
        ));
    }
    let mut rank = Table::new(&[
        ("term", Side::Left),
        ("W", Side::Right),
        ("luck: mean", Side::Right),
        ("95%", Side::Right),
        ("p", Side::Right),
        ("tasters", Side::Right),
        ("alpha", Side::Right),
        ("metric", Side::Left),
        ("units", Side::Right),
    ]);
    for TermOfPanel { panel, .. } in &f.terms {
        if panel.kendall.known().is_none() && panel.alpha.known().is_none() {
            continue;
        }
        rank.row(vec![
            panel.term.clone(),
            or_dash(&panel.kendall, |k| number(k.w, 2)),
            or_dash(&panel.kendall, |k| number(k.by_luck_mean, 2)),
            or_dash(&panel.kendall, |k| number(k.by_luck_95, 2)),
            or_dash(&panel.kendall, |k| p_value(k.p_value)),
            or_dash(&panel.kendall, |k| k.n_tasters.to_string()),
            panel.alpha.known().map_or_else(dash, |a| match &a.alpha {
                Answer::Known(_) => estimate(&a.alpha),
                Answer::Unknown(_) => number(a.value, 2),
            }),
            or_dash(&panel.alpha, |a| a.metric.clone()),
            or_dash(&panel.alpha, |a| a.n_units.to_string()),
        ]);
    }
    if !rank.is_empty() {
        out.push_str(&heading(
            "Order of the lots (Kendall's W) and whole scores (Krippendorff's alpha)",
        ));
        out.push_str(&rank.show());
    }
    let missing: Vec<(String, &str)> = f
        .terms
        .iter()
        .flat_map(|t| {
            let p = &t.panel;
            let limits = p.alpha.known().and_then(|a| a.alpha.reason());
            [
                ("ICC", p.icc.reason()),
                ("W", p.kendall.reason()),
                ("alpha", p.alpha.reason()),
                ("limits of alpha", limits),
            ]
            .into_iter()
            .filter_map(|(what, why)| Some((format!("{}, {what}", p.term), why?)))
        })
        .collect();
    out.push_str(&reasons(&missing));
    out
}

/// Reasons, one line for each, with all that it holds for.
pub(super) fn reasons(missing: &[(String, &str)]) -> String {
    let mut out = String::new();
    let mut said: Vec<&str> = Vec::new();
    for (_, why) in missing {
        if said.contains(why) {
            continue;
        }
        said.push(why);
        let of: Vec<&str> =
            missing.iter().filter(|(_, w)| w == why).map(|(what, _)| what.as_str()).collect();
        out.push_str(&paragraph(&format!("– {}: {why}.", of.join("; ")), "  ", "    "));
    }
    out
}

fn parts(f: &Agree) -> String {
    let kinds = [
        ("offset", ReasonKind::Offset),
        ("scale use", ReasonKind::ScaleUse),
        ("disagreement", ReasonKind::Disagreement),
        ("noise", ReasonKind::Noise),
        ("serving", ReasonKind::Serving),
    ];
    let mut columns = vec![("term", Side::Left)];
    columns.extend(kinds.map(|(name, _)| (name, Side::Right)));
    let mut t = Table::new(&columns);
    let mut together = false;
    for TermOfPanel { panel, .. } in &f.terms {
        if panel.reasons.is_empty() {
            continue;
        }
        let mut row = vec![panel.term.clone()];
        for (_, kind) in kinds {
            if kind == ReasonKind::ScaleUse && panel.mixed_assessor.known().is_none() {
                row.push("–".to_owned());
                together = true;
                continue;
            }
            let of_kind = panel.reasons.iter().filter(|r| r.kind == kind);
            let share: f64 = of_kind.filter_map(|r| r.share.known()).sum();
            row.push(format!("{}%", number(100.0 * share, 0)));
        }
        t.row(row);
    }
    if t.is_empty() {
        return String::new();
    }
    let mut out = format!(
        "{}{}",
        heading("Why scores of one lot differ (shares of their variance)"),
        t.show()
    );
    if together {
        out.push_str(&paragraph(
            "– scale use: told apart from disagreement within one session only; here disagreement \
             holds both.",
            "  ",
            "    ",
        ));
    }
    out
}

fn ticks(f: &Agree) -> String {
    let mut t = Table::new(&[
        ("term", Side::Left),
        ("kappa", Side::Right),
        ("equal", Side::Right),
        ("by luck", Side::Right),
        ("least alike", Side::Left),
        ("most alike", Side::Left),
        ("Cochran's Q", Side::Right),
        ("p", Side::Right),
    ]);
    let mut missing = Vec::new();
    for TermOfPanel { panel, .. } in &f.terms {
        if panel.scale == ScaleKind::Line {
            continue;
        }
        let pairs = panel.pairs.known();
        if panel.kappa.known().is_none() && panel.cochran.known().is_none() && pairs.is_none() {
            if let Some(why) = panel.pairs.reason() {
                missing.push((format!("{}, kappa", panel.term), why));
            }
            continue;
        }
        let ordered = panel.scale == ScaleKind::Ordered;
        let of_pair = |p: Option<&PairKappa>| {
            let known = p.and_then(|p| {
                let kappa = if ordered { &p.linear } else { &p.kappa };
                kappa.known().map(|k| format!("{}–{} {}", p.first, p.second, number(k.value, 2)))
            });
            known.unwrap_or_else(dash)
        };
        let with_kappa = |p: &&PairKappa| p.kappa.known().is_some();
        let all = || pairs.iter().flat_map(|p| &p.pairs).filter(with_kappa);
        t.row(vec![
            panel.term.clone(),
            match (&panel.kappa, pairs) {
                (Answer::Known(k), _) => number(k.kappa, 2),
                (_, Some(p)) => number(p.mean, 2),
                _ => dash(),
            },
            or_dash(&panel.kappa, |k| format!("{:.0}%", 100.0 * k.observed)),
            or_dash(&panel.kappa, |k| format!("{:.0}%", 100.0 * k.expected)),
            of_pair(all().next()),
            of_pair(all().next_back()),
            or_dash(&panel.cochran, |q| number(q.q, 2)),
            or_dash(&panel.cochran, |q| p_value(q.p_value)),
        ]);
    }
    let mut out = String::new();
    if !t.is_empty() {
        out.push_str(&heading("Ticks, categories and levels: do tasters give the same answer?"));
        out.push_str(&t.show());
        out.push_str(&paragraph(
            "kappa: 0 is what luck gives, 1 the same answers. Of ticks and categories Fleiss' over all \
             tasters; of levels the pairs' mean, weighted by the steps between two levels.",
            "  ",
            "  ",
        ));
    }
    out.push_str(&reasons(&missing));
    out
}

/// Ordered levels, with nothing assumed about how far they lie apart.
fn levels(f: &Agree) -> String {
    let mut t = Table::new(&[
        ("term", Side::Left),
        ("chi-square", Side::Right),
        ("luck", Side::Right),
        ("df", Side::Right),
        ("p", Side::Right),
        ("mixed model's p", Side::Right),
    ]);
    let mut missing = Vec::new();
    let mut note = None;
    for TermOfPanel { panel, .. } in f.terms.iter().filter(|t| t.panel.scale == ScaleKind::Ordered)
    {
        match &panel.ordinal {
            Answer::Known(m) => {
                let test = &m.lot_test;
                note = Some(test.note.as_str());
                t.row(vec![
                    panel.term.clone(),
                    number(test.chi2, 2),
                    number(test.by_luck, 2),
                    test.df.to_string(),
                    p_value(test.p_value),
                    or_dash(&panel.lot_test, |x| p_value(x.p_value)),
                ]);
            }
            Answer::Unknown(u) => missing.push((format!("{}, levels", panel.term), &*u.reason)),
        }
    }
    let mut out = String::new();
    if note.is_some() || !missing.is_empty() {
        out.push_str(&heading(
            "Lots by the order of levels alone (how far levels lie apart is not assumed)",
        ));
    }
    if let Some(note) = note {
        out.push_str(&t.show());
        out.push_str(&paragraph(
            &format!("Cumulative-link mixed model; luck is that of large panels: {note}."),
            "  ",
            "  ",
        ));
    }
    out.push_str(&reasons(&missing));
    out
}

fn over_all(f: &Agree) -> String {
    let Some(h) = f.habits.known() else { return String::new() };
    let mut t = Table::new(&[
        ("taster", Side::Left),
        ("scores", Side::Right),
        ("offset", Side::Right),
        ("slope", Side::Right),
        ("sd of repeats", Side::Right),
        ("habits", Side::Wrapped),
    ]);
    for x in &h.tasters {
        let habits: Vec<String> = x
            .habits
            .iter()
            .map(|h| {
                if h.terms.is_empty() {
                    h.kind.clone()
                } else {
                    format!("{} ({})", h.kind, h.terms.join(", "))
                }
            })
            .collect();
        t.row(vec![
            x.taster.clone(),
            x.n_scores.to_string(),
            estimate(&x.offset),
            estimate(&x.slope),
            estimate(&x.noise),
            habits.join("; "),
        ]);
    }
    let mut out = heading("Each taster against the others, all terms on a line");
    out.push_str(&t.show());
    let mut missing = Vec::new();
    for x in &h.tasters {
        for (what, answer) in [("offset", &x.offset), ("slope", &x.slope), ("repeats", &x.noise)] {
            if let Some(why) = answer.reason() {
                missing.push((format!("{}, {what}", x.taster), why));
            }
        }
    }
    out.push_str(&reasons(&missing));
    out
}

fn tasters(t: &TermOfPanel) -> String {
    // Where nothing varies there is nothing to show of a taster.
    let Some(all) = t.tasters.known().filter(|_| t.panel.model.known().is_some()) else {
        return String::new();
    };
    let mut table = Table::new(&[
        ("taster", Side::Left),
        ("offset", Side::Right),
        ("slope", Side::Right),
        ("corr.", Side::Right),
        ("sd of repeats", Side::Right),
        ("own F", Side::Right),
        ("p", Side::Right),
        ("remarks", Side::Wrapped),
    ]);
    for x in all {
        table.row(vec![
            x.taster.clone(),
            estimate(&x.offset),
            estimate(&x.slope),
            or_dash(&x.correlation, |c| number(c.value, 2)),
            or_dash(&x.repeatability, |r| number(r.value, 2)),
            or_dash(&x.discrimination, |f| number(f.f, 1)),
            or_dash(&x.discrimination, |f| p_value(f.p_value)),
            x.remarks.join(", "),
        ]);
    }
    let mut out = heading(&format!("{}: each taster against the others", t.panel.term));
    out.push_str(&table.show());
    if let Answer::Known(order) = &t.order {
        for (what, answer) in [
            ("first cup of a flight against the later ones", &order.first_cup),
            ("change for each point of the cup before", &order.carry_over),
        ] {
            let text = match answer {
                Answer::Known(_) => format!("{what}: {}", estimate(answer)),
                Answer::Unknown(u) => format!("{what}: not known, {}", u.reason),
            };
            out.push_str(&paragraph(&text, "  ", "    "));
        }
    }
    out
}

fn models(f: &Agree) -> String {
    let mut out = heading("How it was computed");
    let mut t = Table::new(&[("term", Side::Left), ("model and variances", Side::Wrapped)]);
    for TermOfPanel { panel, .. } in &f.terms {
        let mut words = model_words(&panel.model);
        for sentence in panel.residuals.known().iter().flat_map(|r| &r.stands_out) {
            words.push_str(&format!(" {sentence}"));
        }
        t.row(vec![panel.term.clone(), words]);
    }
    out.push_str(&t.show());
    let text = format!(
        "REML with Satterthwaite's degrees of freedom; intervals cover {}%; seed {}, {} resamples, {} \
         arrangements. p of all: Holm's over the terms. Every number, and the reason for every dash: \
         --json.",
        number(100.0 * f.settings.level, 0),
        f.settings.seed,
        f.settings.n_resamples,
        f.settings.n_permutations
    );
    out.push_str(&paragraph(&text, "  ", "  "));
    for words in limits(f) {
        out.push_str(&paragraph(&words, "  ", "  "));
    }
    out
}

/// How limits were found, each way once.
fn limits(f: &Agree) -> Vec<String> {
    let mut all: Vec<String> = Vec::new();
    let mut add = |words: String| {
        if !all.contains(&words) {
            all.push(words);
        }
    };
    for TermOfPanel { panel, .. } in &f.terms {
        if let Some(i) = panel.icc.known() {
            add(format!("ICC: {}.", i.method));
        }
        if let Some(a) = panel.alpha.known().filter(|a| a.alpha.known().is_some()) {
            add(format!("Limits of alpha draw anew {}; {}.", a.drawn, a.measured_coverage));
        }
    }
    all
}

/// A model in words.
pub(super) fn model_words(model: &Answer<crate::findings::Model>) -> String {
    match model {
        Answer::Unknown(u) => u.reason.clone(),
        Answer::Known(m) => {
            let parts: Vec<String> = m
                .components
                .iter()
                .map(|c| {
                    let edge = if c.at_boundary { " (on its boundary)" } else { "" };
                    format!("{} {}{edge}", c.name, number(c.variance, 3))
                })
                .collect();
            let mut text = format!("{}. Variances: {}.", m.formula, parts.join(", "));
            for note in &m.notes {
                text.push(' ');
                text.push_str(note);
            }
            text
        }
    }
}
