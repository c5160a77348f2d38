//! `link` in the terminal: the answer in sentences, what moved together, then effects term by term.

use super::agree::{basis, cautions, left_out, model_words};
use super::text::{Side, Table, dash, heading, number, or_dash, p_value, paragraph};
use crate::findings::Answer;
use crate::findings::link::{
    Adjusted, Effect, Form, LeftOut, Line, Link, LinkedTerm, Mark, Measure, PLAUSIBLE, plain, range,
};

/// So many pairs are shown; the others are in the JSON.
const MOST_PAIRS: usize = 20;
/// Pairs below this are not shown, unless they are the largest there are.
const LEAST_R: f64 = 0.5;

/// The whole text.
#[must_use]
pub fn text(f: &Link) -> String {
    let mut out = String::from("Which step did it?\n");
    out.push_str(&basis(&f.source, f.lots.len(), f.tasters.len(), f.n_scores, 0));
    out.push_str(&paragraph(&format!("Making: {}.", f.making), "", "  "));
    // What cannot be told apart stands before what goes with what.
    out.push_str(&answers("What these lots cannot tell apart", &f.not_told_apart));
    out.push_str(&answers("What goes with what", &f.sentences));
    out.push_str(&answers("What to make next", &f.next));
    out.push_str(&matrix(f));
    out.push_str(&cautions(&f.cautions, &f.source));
    out.push_str(&left_out(&f.exclusions, ("score", "scores")));
    out.push_str(&made(f));
    out.push_str(&together(f));
    out.push_str(&lines(f));
    for t in &f.terms {
        out.push_str(&term(t, f));
    }
    out.push_str(&hang(f));
    out.push_str(&super::link_many::section(&f.prediction));
    out.push_str(&aside(f));
    out.push_str(&models(f));
    out
}

fn answers(title: &str, sentences: &[String]) -> String {
    if sentences.is_empty() {
        return String::new();
    }
    let mut out = heading(title);
    for s in sentences {
        out.push_str(&paragraph(s, "  - ", "    "));
    }
    out
}

/// Terms by lines, a sign each.
fn matrix(f: &Link) -> String {
    let asked: Vec<usize> = (0..f.lines.len()).filter(|i| f.lines[*i].has_effect).collect();
    let letters: Vec<String> = (0..asked.len()).map(letter).collect();
    let mut columns = vec![("term", Side::Left)];
    columns.extend(letters.iter().map(|l| (l.as_str(), Side::Right)));
    let mut t = Table::new(&columns);
    for term in f.terms.iter().filter(|t| t.model.known().is_some()) {
        let mut row = vec![term.term.clone()];
        row.extend(asked.iter().map(|i| sign(term.effects[*i].mark).to_owned()));
        t.row(row);
    }
    if t.is_empty() || asked.is_empty() {
        return String::new();
    }
    let mut out = heading("More or less of what");
    out.push_str(&t.show());
    for (letter, i) in letters.iter().zip(&asked) {
        let line = &f.lines[*i];
        let names: Vec<&str> = line.rivals().map(|m| m.column.as_str()).collect();
        let text = format!("{letter}: {}, {}", names.join(" or "), range(line));
        out.push_str(&paragraph(&text, "  ", "     "));
    }
    out.push_str(&paragraph(
        "+ more, - less, shown among all that were asked; (+) (-) by its own limits only; . its limits \
         hold 0; blank: not asked. Of several names the first is meant.",
        "  ",
        "  ",
    ));
    out
}

fn letter(at: usize) -> String {
    let of = |i: usize| char::from(b'a' + (i % 26) as u8);
    if at < 26 { of(at).to_string() } else { format!("{}{}", of(at / 26 - 1), of(at)) }
}

fn sign(mark: Mark) -> &'static str {
    match mark {
        Mark::Up => "+",
        Mark::Down => "-",
        Mark::PerhapsUp => "(+)",
        Mark::PerhapsDown => "(-)",
        Mark::Open => ".",
        Mark::NotAsked => "",
    }
}

fn made(f: &Link) -> String {
    let mut t = Table::new(&[
        ("parameter", Side::Left),
        ("made", Side::Right),
        ("sd", Side::Right),
        ("apart", Side::Right),
        ("lots", Side::Right),
        ("estimated", Side::Right),
    ]);
    let mut notes = Vec::new();
    let mut uses: Vec<(&str, Vec<&str>)> = Vec::new();
    for p in &f.parameters {
        let made = match (p.min.known(), p.max.known(), p.categories.known()) {
            (Some(low), Some(high), _) => {
                let unit = p.unit.known().map_or_else(String::new, |u| format!(" {u}"));
                format!("{} to {}{unit}", plain(*low), plain(*high))
            }
            (_, _, Some(all)) => {
                let all: Vec<String> =
                    all.iter().map(|c| format!("{} {}", c.category, c.n)).collect();
                all.join(", ")
            }
            _ => dash(),
        };
        if let Some(how) = p.derived_from.known() {
            notes.push(format!("{}: {how}", p.parameter));
        }
        if let Some([low, high]) = p.usual.known()
            && p.n_unusual > 0
        {
            notes.push(format!(
                "{}: {} outside the usual {} to {}",
                p.parameter,
                crate::findings::count(p.n_unusual, "lot", "lots"),
                plain(*low),
                plain(*high)
            ));
        }
        t.row(vec![
            p.parameter.clone(),
            made,
            or_dash(&p.sd, |sd| plain(*sd)),
            p.n_apart.to_string(),
            p.n.to_string(),
            p.n_estimated.to_string(),
        ]);
        // What can be asked is a table of its own.
        if f.lines.iter().any(|l| l.members.iter().any(|m| p.columns.contains(&m.column))) {
            continue;
        }
        match uses.iter_mut().find(|u| u.0 == p.used_for) {
            Some(known) => known.1.push(&p.parameter),
            None => uses.push((&p.used_for, vec![&p.parameter])),
        }
    }
    if t.is_empty() {
        return String::new();
    }
    let mut out = format!("{}{}", heading("How much each parameter varied"), t.show());
    for (use_of, names) in uses {
        let text = format!("{}: {use_of}.", names.join(", "));
        out.push_str(&paragraph(&text, "  ", "    "));
    }
    for n in notes {
        out.push_str(&paragraph(&format!("{n}."), "  ", "    "));
    }
    out
}

fn together(f: &Link) -> String {
    let mut pairs: Vec<_> = f.associations.iter().collect();
    // Equal but for rounding: the order of the parameters.
    let size = |r: f64| (r.abs() * 1e9).round();
    pairs.sort_by(|a, b| size(b.value).total_cmp(&size(a.value)));
    let n_shown = pairs.iter().filter(|p| p.value.abs() >= LEAST_R).count().clamp(3, MOST_PAIRS);
    let mut t = Table::new(&[
        ("parameter", Side::Left),
        ("and", Side::Left),
        ("", Side::Left),
        ("together", Side::Right),
        ("of ranks", Side::Right),
        ("p", Side::Right),
        ("lots", Side::Right),
    ]);
    for p in pairs.iter().take(n_shown) {
        let measure = match p.measure {
            Measure::R => "r",
            Measure::Eta => "eta",
            Measure::V => "V",
        };
        t.row(vec![
            p.a.clone(),
            if p.near { format!("{} *", p.b) } else { p.b.clone() },
            measure.to_owned(),
            number(p.value, 2),
            or_dash(&p.spearman, |s| number(*s, 2)),
            or_dash(&p.p_value, |p| p_value(*p)),
            p.n.to_string(),
        ]);
    }
    if t.is_empty() {
        return String::new();
    }
    let mut out = heading("What moved together");
    out.push_str(&t.show());
    let rest = pairs.len().saturating_sub(n_shown);
    let rest = if rest > 0 {
        format!(" {} with less: --json.", crate::findings::count(rest, "pair", "pairs"))
    } else {
        String::new()
    };
    let text = format!(
        "r of two numbers, p of their ranks; eta of a number in categories, p by F; V of two \
         categories, p by chi-square. * not told apart.{rest}"
    );
    out.push_str(&paragraph(&text, "  ", "  "));
    out
}

/// What the effects that are shown hang on.
fn hang(f: &Link) -> String {
    let mut t = Table::new(&[
        ("term", Side::Left),
        ("line", Side::Left),
        ("range", Side::Right),
        ("without", Side::Left),
        ("", Side::Right),
        ("all tried", Side::Right),
        ("in sessions", Side::Right),
        ("shape", Side::Left),
    ]);
    let mut fallen = Vec::new();
    for term in &f.terms {
        for e in term.effects.iter().filter(|e| e.mark.is_shown()) {
            let Some(s) = e.sensitivity.known() else { continue };
            let lot = s.without_lot.known();
            let shape = match e.shape.known() {
                Some(s) if s.seen => match s.chosen {
                    Form::Bent => "bent",
                    Form::Levelling => "levelling",
                    Form::Straight => "straight",
                },
                Some(_) => "straight",
                None => "–",
            };
            if !s.hangs_on.is_empty() {
                fallen.push(format!("{}, {}: {}", term.term, e.line, s.hangs_on.join(", ")));
            }
            t.row(vec![
                term.term.clone(),
                e.line.clone(),
                or_dash(&e.over_range, |x| number(x.value, 2)),
                lot.map_or_else(dash, |w| w.lot.clone()),
                lot.map_or_else(dash, |w| or_dash(&w.over_range, |x| number(x.value, 2))),
                format!("{} to {}", number(s.least, 2), number(s.most, 2)),
                or_dash(&e.within_sessions, |x| number(x.value, 2)),
                shape.to_owned(),
            ]);
        }
    }
    if t.is_empty() {
        return String::new();
    }
    let mut out = heading("What the shown effects hang on");
    out.push_str(&t.show());
    let text = format!(
        "Without: the lot whose leaving moves the effect most. All tried: each lot left out, each \
         parameter with |r| from {PLAUSIBLE} on put in or taken out, each other assumption. {} Shapes: the \
         best of {} curves tried, where one stands out.",
        if fallen.is_empty() {
            "The limits of all keep off 0 in all that was tried.".to_owned()
        } else {
            format!("The limits reach 0 where these are changed: {}.", fallen.join("; "))
        },
        f.n_curves
    );
    out.push_str(&paragraph(&text, "  ", "  "));
    out
}

fn lines(f: &Link) -> String {
    let mut t = Table::new(&[
        ("line", Side::Left),
        ("inflation", Side::Right),
        ("varies between", Side::Left),
        ("not told apart from", Side::Wrapped),
    ]);
    for l in &f.lines {
        let mut with: Vec<String> = l.members.iter().skip(1).map(|m| m.column.clone()).collect();
        if !l.not_told_from.is_empty() {
            let verb = if l.has_effect { "may be the work of" } else { "no effect of its own:" };
            with.push(format!("{verb} {}", l.not_told_from.join(" and ")));
        }
        t.row(vec![
            l.line.clone(),
            or_dash(&l.inflation, |v| number(*v, 1)),
            l.varies_between.clone(),
            if with.is_empty() { dash() } else { with.join("; ") },
        ]);
    }
    if t.is_empty() {
        return String::new();
    }
    let mut out = heading("What can be asked");
    out.push_str(&t.show());
    if let Some(Answer::Unknown(u)) =
        f.lines.iter().map(|l| &l.inflation).find(|v| v.known().is_none())
        && f.adjusted.known() == Some(&Adjusted::Together)
    {
        out.push_str(&paragraph(&format!("– inflation: {}.", u.reason), "  ", "    "));
    }
    out
}

fn term(term: &LinkedTerm, f: &Link) -> String {
    let percent = number(100.0 * f.settings.level, 0);
    let limits = format!("{percent}% limits");
    let mut t = Table::new(&[
        ("line", Side::Left),
        ("per unit", Side::Right),
        ("range", Side::Right),
        (&limits, Side::Right),
        ("df", Side::Right),
        ("p", Side::Right),
        ("q", Side::Right),
        ("by exchange", Side::Right),
    ]);
    let mut why: Vec<(String, Vec<String>)> = Vec::new();
    let mut note = |reason: &str, line: &str| match why.iter_mut().find(|w| w.0 == reason) {
        Some(known) => known.1.push(line.to_owned()),
        None => why.push((reason.to_owned(), vec![line.to_owned()])),
    };
    for (e, l) in term.effects.iter().zip(&f.lines) {
        t.row(row(e, l));
        if let Some(reason) = e.test.reason() {
            note(reason, &e.line);
        } else if let Some(reason) = e.permutation.reason() {
            note(&format!("by exchange: {reason}"), &e.line);
        }
    }
    let mut out = heading(&format!(
        "{}: {}, {}",
        term.term,
        crate::findings::count(term.n_lots, "lot", "lots"),
        crate::findings::count(term.n_scores, "score", "scores")
    ));
    if let Some(reason) = term.model.reason() {
        out.push_str(&paragraph(&format!("– {reason}."), "  ", "    "));
        return out;
    }
    out.push_str(&t.show());
    for (reason, lines) in why {
        out.push_str(&paragraph(&format!("– {}: {reason}.", lines.join(", ")), "  ", "    "));
    }
    let otherwise: Vec<String> = term
        .effects
        .iter()
        .filter_map(|e| Some((e, e.over_range_with_excluded.known()?)))
        .map(|(e, x)| {
            let (value, lower, upper) =
                (number(x.value, 2), number(x.lower, 2), number(x.upper, 2));
            format!("{} {value} ({lower} to {upper})", e.line)
        })
        .collect();
    if !otherwise.is_empty() {
        let text = format!("With excluded scores left in: {}.", otherwise.join(", "));
        out.push_str(&paragraph(&text, "  ", "    "));
    }
    out
}

fn row(e: &Effect, l: &Line) -> Vec<String> {
    let mut name = l.line.clone();
    if l.members.len() > 1 || !l.not_told_from.is_empty() {
        name.push_str(" *");
    }
    vec![
        name,
        or_dash(&e.per_unit, |x| number(x.value, 3)),
        or_dash(&e.over_range, |x| number(x.value, 2)),
        or_dash(&e.over_range, |x| format!("{} to {}", number(x.lower, 2), number(x.upper, 2))),
        or_dash(&e.test, |t| number(t.df, 1)),
        or_dash(&e.test, |t| p_value(t.p_value)),
        or_dash(&e.q_value, |q| p_value(*q)),
        or_dash(&e.permutation, |p| p_value(p.p_value)),
    ]
}

/// What was left out of the question itself.
fn aside(f: &Link) -> String {
    set_aside(&f.left_out, "Not linked")
}

/// What was left out, one line a reason.
pub(super) fn set_aside(left_out: &[LeftOut], title: &str) -> String {
    let mut out = String::new();
    let mut seen: Vec<(String, Vec<String>)> = Vec::new();
    for l in left_out {
        let of = if l.lots.is_empty() {
            l.reason.clone()
        } else {
            format!("{} ({})", l.reason, l.lots.join(", "))
        };
        let key = format!("{}\u{0}{of}", l.kind);
        match seen.iter_mut().find(|s| s.0 == key) {
            Some(known) => known.1.push(l.name.clone()),
            None => seen.push((key, vec![l.name.clone()])),
        }
    }
    if !seen.is_empty() {
        out.push_str(&heading(title));
    }
    for (key, names) in seen {
        if let Some((kind, reason)) = key.split_once('\u{0}') {
            let kind = if names.len() > 1 { format!("{kind}s") } else { kind.to_owned() };
            let text = format!("{kind} {}: {reason}.", names.join(", "));
            out.push_str(&paragraph(&text, "  - ", "    "));
        }
    }
    out
}

fn models(f: &Link) -> String {
    let mut out = heading("How it was computed");
    let mut formulas: Vec<(&str, Vec<&str>)> = Vec::new();
    let mut t = Table::new(&[("term", Side::Left), ("variances", Side::Wrapped)]);
    for term in &f.terms {
        let Answer::Known(m) = &term.model else { continue };
        match formulas.iter_mut().find(|known| known.0 == m.formula) {
            Some(known) => known.1.push(&term.term),
            None => formulas.push((&m.formula, vec![&term.term])),
        }
        let words = model_words(&term.model);
        let own = words.strip_prefix(&format!("{}. Variances: ", m.formula)).unwrap_or(&words);
        t.row(vec![term.term.clone(), own.to_owned()]);
    }
    for (formula, terms) in formulas {
        out.push_str(&paragraph(&format!("{}: {formula}.", terms.join(", ")), "  ", "    "));
    }
    if !t.is_empty() {
        out.push_str(&t.show());
    }
    let mut how =
        "REML; degrees of freedom by Satterthwaite, but never more than lots within their sessions (or sessions, \
                   for what varies between them) leave beside the parameters. q: false discovery \
                   rate over all "
            .to_owned();
    how.push_str(&format!("{} asked (Benjamini and Hochberg). ", f.n_asked));
    how.push_str("Range: from the least to the largest value made. By exchange: ");
    let mut exchanged: Vec<String> = Vec::new();
    for p in f.terms.iter().flat_map(|t| &t.effects).filter_map(|e| e.permutation.known()) {
        let text = format!(
            "{}, {} {}, smallest possible p {}",
            p.exchanged,
            if p.all { "all" } else { "with the observed" },
            p.n_arrangements,
            p_value(p.smallest_p)
        );
        if !exchanged.contains(&text) {
            exchanged.push(text);
        }
    }
    if exchanged.is_empty() {
        how.push_str("nothing could be exchanged");
    } else {
        how.push_str(&exchanged.join("; "));
        how.push_str(" (Freedman and Lane)");
    }
    how.push_str(
        ". * not told apart from others, see above. Every number, and the reason for every \
                  dash: --json.",
    );
    out.push_str(&paragraph(&how, "  ", "  "));
    out
}
