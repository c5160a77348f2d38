//! The answer in words.

use super::columns::{Line, others};
use super::effects::Effect;
use super::{Adjusted, Link, LinkedTerm};
use crate::findings::{ALPHA, Answer, count, listed, say, say_p};
use crate::scores::Makings;

/// From this share of its variance between sessions on a line is said to vary partly between them.
const PARTLY: f64 = 0.3;

/// The answer, the strongest lines first.
pub fn of(f: &Link) -> Vec<String> {
    let mut all = Vec::new();
    all.extend(joined(f));
    if let Some(why) = f.adjusted.reason() {
        all.push(format!("Nothing can be linked: {why}."));
        return all;
    }
    let mut found: Vec<(&LinkedTerm, &Effect, &Line, f64, f64)> = f
        .terms
        .iter()
        .flat_map(|t| t.effects.iter().zip(&f.lines).map(move |(e, l)| (t, e, l)))
        .filter_map(|(t, e, l)| Some((t, e, l, *e.q_value.known()?, e.test.known()?.p_value)))
        .collect();
    found.sort_by(|a, b| a.4.total_cmp(&b.4));
    let n_shown = found.iter().filter(|x| x.3 < ALPHA).count();
    if f.n_asked == 0 {
        all.push("No effect can be worked out with these lots.".to_owned());
    } else if n_shown == 0 {
        all.push(format!(
            "Not shown: none of {} asked stands out by more than luck among so many.",
            count(f.n_asked, "effect", "effects")
        ));
    }
    for (term, effect, line, q, p) in found.iter().take(n_shown) {
        if let (Some(over), Some(test)) = (effect.over_range.known(), effect.test.known()) {
            let by_exchange = effect.permutation.known().map_or_else(String::new, |x| {
                let alone = if x.p_value < ALPHA { "" } else { ", so not shown by exchange alone" };
                let best = say_small(x.smallest_p);
                format!("; by exchange {}, at best {best}{alone}", say_p(x.p_value))
            });
            all.push(format!(
                "{}: {} {}{} ({} to {}) {} ({}, {}; {} df{}){}.",
                term.term,
                line.words(),
                if over.value > 0.0 { "+" } else { "" },
                say(over.value),
                say(over.lower),
                say(over.upper),
                if line.against.known().is_some() {
                    range(line)
                } else {
                    format!("over the range made, {}", range(line))
                },
                say_p(*p),
                say_p(*q).replacen('p', "q", 1),
                say(test.df),
                by_exchange,
                unadjusted(f)
            ));
        }
    }
    let rest = f.n_asked - n_shown;
    if n_shown > 0 && rest > 0 {
        all.push(format!(
            "The other {} of {} asked are not shown: that does not say that nothing is there, see \
             their intervals.",
            rest, f.n_asked
        ));
    }
    all
}

fn unadjusted(f: &Link) -> &'static str {
    if f.adjusted.known() == Some(&Adjusted::OneAtATime) {
        ", not adjusted for the others"
    } else {
        ""
    }
}

/// A small p such as the smallest possible.
fn say_small(p: f64) -> String {
    plain(p)
}

/// The range over which a line was made, in words.
pub fn range(line: &Line) -> String {
    if let Some(other) = line.against.known() {
        return format!("against {other}");
    }
    let unit = line.unit.known().map_or_else(String::new, |u| format!(" {u}"));
    format!("{} to {}{unit}", plain(line.min), plain(line.max))
}

/// A number with three digits that count, without trailing zeros.
#[must_use]
pub fn plain(x: f64) -> String {
    if x == 0.0 || !x.is_finite() {
        return "0".to_owned();
    }
    let decimals = (2 - x.abs().log10().floor() as i32).clamp(0, 9) as usize;
    let text = format!("{x:.decimals$}");
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    }
}

/// What these lots cannot tell apart.
fn joined(f: &Link) -> Vec<String> {
    let mut all = Vec::new();
    for line in f.lines.iter().filter(|l| l.members.len() > 1) {
        let names: Vec<String> = line.members.iter().map(|m| m.column.clone()).collect();
        let how = if line.exact.known() == Some(&true) {
            "moved exactly together".to_owned()
        } else {
            let least = line.members.iter().map(|m| m.r.abs()).fold(1.0, f64::min);
            format!("moved together (|r| with {} at least {})", names[0], say(least))
        };
        all.push(format!("{}: these lots cannot tell which, they {how}.", or_list(&names)));
    }
    for line in f.lines.iter().filter(|l| !l.has_effect) {
        if let Some(with) = others(line) {
            all.push(format!(
                "{}: these lots cannot tell it apart from {with} together, so it has no effect of \
                 its own, and theirs may be its.",
                line.line
            ));
        }
    }
    all
}

fn or_list(names: &[String]) -> String {
    match names {
        [all @ .., last] if !all.is_empty() => format!("{} or {last}", all.join(", ")),
        _ => names.concat(),
    }
}

/// What to keep in mind.
pub fn cautions(f: &Link, makings: &Makings, notes: &[String], hidden: &[String]) -> Vec<String> {
    let mut all: Vec<String> = notes.to_vec();
    let joined = n_sessions(f) > 1 && !f.references.is_empty();
    if joined {
        all.push(format!(
            "The sessions' levels are those of {}, which is held not to have changed.",
            listed(&f.references)
        ));
    }
    all.extend(makings.notes.iter().cloned());
    if f.adjusted.known() == Some(&Adjusted::OneAtATime) {
        all.push(format!(
            "{} are too few for {} at once: each effect is looked at alone, not adjusted for the \
             others, so what looks like one parameter may be any other that moved with it (see \
             what moved together).",
            count(f.lots.len(), "lot", "lots"),
            count(f.lines.len(), "parameter", "parameters")
        ));
    }
    if !hidden.is_empty() {
        all.push(format!("Not asked about, and so not adjusted for: {}.", listed(hidden)));
    }
    let sessions: Vec<&str> =
        f.lines.iter().filter(|l| l.between_sessions()).map(|l| l.line.as_str()).collect();
    let n_sessions = n_sessions(f);
    if !sessions.is_empty() && n_sessions < f.lots.len() {
        all.push(format!(
            "{} varied between the {n_sessions} sessions and hardly within them: what else set \
             those weeks apart (weather, flush, water) cannot be told from it, and only {n_sessions} \
             sessions speak about it.",
            sessions.join(", ")
        ));
    }
    let partly: Vec<String> = f
        .lines
        .iter()
        .filter(|l| !l.between_sessions() && l.share_between_sessions >= PARTLY)
        .map(|l| format!("{} ({:.0} %)", l.line, 100.0 * l.share_between_sessions))
        .collect();
    if !partly.is_empty() {
        all.push(format!(
            "Varied partly between sessions: {}. What else set those weeks apart is partly in its \
             effect; its p by exchange stays within the sessions.",
            listed(&partly)
        ));
    }
    // What rests on an assumption says so in the words of how it is worked out.
    for p in &f.parameters {
        if let Some(how) = p.derived_from.known().filter(|d| d.contains("assumption")) {
            all.push(format!("{}: {how}.", p.parameter));
        }
    }
    if f.n_asked > 0 {
        all.push(
            "Effects are those of straight lines over the range made: a best point in between is \
             not seen. Nobody dealt the lots to their making by lot, so whatever else changed with \
             a parameter and was not recorded shows as its effect."
                .to_owned(),
        );
    }
    let estimated: Vec<String> = f
        .parameters
        .iter()
        .filter(|p| p.n_estimated > 0)
        .map(|p| format!("{} ({} of {})", p.parameter, p.n_estimated, p.n))
        .collect();
    if !estimated.is_empty() {
        all.push(format!(
            "Estimated, not measured, which mostly weakens their own effects and can shift those of \
             others: {}.",
            listed(&estimated)
        ));
    }
    let refused: Vec<(&str, &str)> =
        f.terms.iter().filter_map(|t| Some((t.term.as_str(), t.model.reason()?))).collect();
    all.extend(crate::findings::untested(refused.into_iter()));
    all.extend(one_pot(f));
    all
}

fn n_sessions(f: &Link) -> usize {
    let mut names: Vec<&String> = f.lots.iter().filter_map(|l| l.session.known()).collect();
    names.sort();
    names.dedup();
    names.len()
}

/// With one pot a lot a lot's effect holds its pot.
fn one_pot(f: &Link) -> Option<String> {
    let any = f.terms.iter().any(
        |t| matches!(&t.model, Answer::Known(m) if m.components.iter().any(|c| c.name == "brew")),
    );
    (f.n_asked > 0 && !any && !f.tasters.is_empty()).then(|| {
        "No lot was brewed more than once (or the scores do not say so): the differences between \
         lots hold those between pots."
            .to_owned()
    })
}
