//! The proposal in words.

use super::chosen::Chosen;
use super::factors::{Asked, Why};
use super::told::{ColumnTold, Moved};
use super::{SIMULATIONS, Trial};
use crate::book::trials::MadeBy;
use crate::findings::agree::opinions;
use crate::findings::{ALPHA, Answer, Estimate, count, listed, say};

/// From this correlation on a pair is told as one that moved together.
const TOLD: f64 = 0.7;
/// So many pairs are told in one sentence.
const MOST_PAIRS: usize = 4;

/// The answer.
pub fn of(f: &Trial) -> Vec<String> {
    let mut all = Vec::new();
    let n = f.batches.len();
    let days = f.batches.last().map_or(0, |b| b.day);
    let batches = count(n, "batch", "batches");
    let on = format!("{}{}", count(days as usize, "day", "days"), seasons(f));
    let strong = |m: &Moved, r: &Answer<f64>| m.aside.known().is_none() && big(r);
    let parted: Vec<&Moved> =
        f.together.iter().filter(|m| strong(m, &m.before) && !big(&m.after)).collect();
    let left: Vec<&Moved> = f.together.iter().filter(|m| strong(m, &m.after)).collect();
    all.push(match f.made_by {
        MadeBy::Additions if parted.is_empty() => format!(
            "Make {batches} on {on}: together with the {} made so far they tell the most about {} \
             that can be had.",
            count(f.lots.len(), "lot", "lots"),
            count(f.factors.len(), "factor", "factors")
        ),
        MadeBy::Additions => format!(
            "Make {batches} on {on}: they part what moved together in the {} made so far: {}.",
            count(f.lots.len(), "lot", "lots"),
            pairs(&parted)
        ),
        MadeBy::Fraction => format!(
            "Make {batches} on {on}: {}, in which every factor is balanced against every other.",
            f.fraction.known().map_or_else(String::new, |t| match t.resolution.known() {
                Some(r) => format!("the fraction {} of resolution {r}", t.name),
                None => format!("the whole factorial {}", t.name),
            })
        ),
        MadeBy::Optimal => format!(
            "Make {batches} on {on}: of {} that were looked at they tell the most about {} (D-efficiency {}).",
            count(f.n_combinations, "combination", "combinations"),
            count(f.factors.len(), "factor", "factors"),
            f.d_efficiency.known().map_or_else(|| "not known".to_owned(), |d| format!("{d:.0} %"))
        ),
    });
    if !left.is_empty() {
        all.push(format!("Still moving together afterwards: {}.", pairs(&left)));
    }
    let lost = lost(&f.columns);
    if !lost.is_empty() {
        all.push(format!("Even so these cannot be told apart: {}.", lost.join("; ")));
    }
    all.extend(power(f));
    all.extend(among_many(f));
    all
}

/// What cannot be told apart, each pair once.
fn lost(columns: &[ColumnTold]) -> Vec<String> {
    let mut told: Vec<(&str, &str)> = Vec::new();
    let mut all = Vec::new();
    for c in columns {
        let others: Vec<String> = c
            .may_be_after
            .iter()
            .filter(|o| !told.contains(&(o.as_str(), c.column.as_str())))
            .cloned()
            .collect();
        told.extend(c.may_be_after.iter().map(|o| (c.column.as_str(), o.as_str())));
        if !others.is_empty() {
            all.push(format!("{} from {}", c.column, listed(&others)));
        }
    }
    all
}

/// How many days are of which season, where they are of different ones.
fn seasons(f: &Trial) -> String {
    let Some(season) = f.factors.iter().find(|p| p.kept_together) else { return String::new() };
    let mut days: Vec<(String, Vec<u32>)> = Vec::new();
    for b in &f.batches {
        let Some(own) = b.settings.get(&season.parameter).map(ToString::to_string) else {
            continue;
        };
        match days.last_mut().filter(|(name, _)| *name == own) {
            Some((_, all)) if all.last() == Some(&b.day) => {}
            Some((_, all)) => all.push(b.day),
            None => days.push((own, vec![b.day])),
        }
    }
    if days.len() < 2 {
        return String::new();
    }
    let each = days.iter().map(|(name, all)| match all.len() {
        1 => format!("one in {name}"),
        n => format!("{n} in {name}"),
    });
    format!(", {}", each.collect::<Vec<_>>().join(", "))
}

fn big(r: &Answer<f64>) -> bool {
    r.known().is_some_and(|r| r.abs() >= TOLD - 1e-9)
}

fn pairs(all: &[&Moved]) -> String {
    let each: Vec<String> = all
        .iter()
        .take(MOST_PAIRS)
        .map(|m| {
            let before = m.before.known().map(|r| format!("r {}", say(*r)));
            let after = m.after.known().map(|r| format!("r {}", say(*r)));
            let how = match (before, after) {
                (Some(b), Some(a)) => format!("{b}, after these {}", a.trim_start_matches("r ")),
                (None, Some(a)) => a,
                (Some(b), None) => b,
                (None, None) => "not known".to_owned(),
            };
            format!("{} and {} ({how})", m.a, m.b)
        })
        .collect();
    let more = all.len().saturating_sub(MOST_PAIRS);
    if more > 0 { format!("{} and {more} more", each.join("; ")) } else { each.join("; ") }
}

/// How surely a difference would be seen: the least and the most surely seen factor.
fn power(f: &Trial) -> Option<String> {
    let panel = match &f.panel {
        Answer::Known(p) => p,
        Answer::Unknown(u) => {
            return Some(format!("How precise it will be is not known: {}.", u.reason));
        }
    };
    let mut known: Vec<(&str, f64, f64, f64)> = f
        .columns
        .iter()
        .filter_map(|c| {
            let s = c.power.known()?.share;
            Some((c.column.as_str(), s.value, s.lower, s.upper))
        })
        .collect();
    known.sort_by(|a, b| a.1.total_cmp(&b.1));
    let (Some(least), Some(most)) = (known.first(), known.last()) else {
        let why =
            f.columns.iter().find_map(|c| c.power.reason()).unwrap_or("no panel was simulated");
        return Some(format!("How precise it will be is not known: {why}."));
    };
    let of = |x: &(&str, f64, f64, f64)| {
        format!(
            "of {}, in {:.0} of 100 such panels ({:.0} to {:.0})",
            x.0,
            100.0 * x.1,
            100.0 * x.2,
            100.0 * x.3
        )
    };
    let term = panel.term.known().map_or_else(String::new, |t| {
        let why = if f.wish.about.is_none() {
            " (the term in the middle: half of the others vary more by chance, half less)"
        } else {
            ""
        };
        format!(" by the variances of {t}{why}")
    });
    let see = f.wish.see;
    let points = if see == 1.0 { "point" } else { "points" };
    Some(format!(
        "With {} and {} a lot{term}, an effect of {see} {points} over the range would be seen (p < 0.05 in its own test) {}{}.",
        count(panel.tasters, "taster", "tasters"),
        count(panel.pots, "pot", "pots"),
        if known.len() > 1 { format!("most surely {}", of(most)) } else { of(most) },
        if known.len() > 1 { format!(", least surely {}", of(least)) } else { String::new() }
    ))
}

/// How surely it would be shown among all that is planned.
fn among_many(f: &Trial) -> Option<String> {
    let mut known: Vec<(&str, &Estimate)> = Vec::new();
    let mut why = None;
    for c in &f.columns {
        match c.power.known().map(|p| &p.first) {
            Some(Answer::Known(first)) => known.push((c.column.as_str(), first)),
            Some(Answer::Unknown(u)) => why = Some(u.reason.as_str()),
            None => {}
        }
    }
    if let Some(why) = why {
        return Some(format!(
            "With many planned contrasts (factors × terms, Holm) it is seen less often; how much less is \
             not known: {why}."
        ));
    }
    let m = *f.contrasts.known().filter(|m| **m > 1)?;
    known.sort_by(|a, b| a.1.value.total_cmp(&b.1.value));
    let of = |x: &(&str, &Estimate)| {
        format!(
            "by {} in {:.0} of 100 ({:.0} to {:.0})",
            x.0,
            100.0 * x.1.value,
            100.0 * x.1.lower,
            100.0 * x.1.upper
        )
    };
    let (least, most) = (known.first()?, known.last()?);
    let each = if known.len() > 1 { format!("{}, {}", of(most), of(least)) } else { of(most) };
    let fewer = if f.wish.terms.is_empty() {
        "; fewer terms, named now with --terms, ask for less"
    } else {
        ""
    };
    Some(format!(
        "Among {m} planned contrasts (factors × terms) the first step of Holm's rule asks for p < {}, \
         met {each}{fewer}.",
        small(ALPHA / m as f64)
    ))
}

/// A small share with three digits that count, without noughts at its end.
fn small(p: f64) -> String {
    let places = (2.0 - p.log10().floor()).max(2.0) as usize;
    format!("{p:.places$}").trim_end_matches('0').to_owned()
}

/// What to keep in mind.
pub fn cautions(f: &Trial, asked: &Asked, chosen: &Chosen) -> Vec<String> {
    let mut all: Vec<String> =
        f.panel.known().and_then(|p| opinions(p.tasters)).into_iter().collect();
    let mut told: Vec<&str> = Vec::new();
    let mut outcomes: Vec<String> = Vec::new();
    for m in f.together.iter().filter(|m| m.aside.known().is_some()) {
        let Some(before) = m.before.known().filter(|r| r.abs() >= TOLD) else { continue };
        if told.contains(&m.b.as_str()) {
            continue;
        }
        told.push(&m.b);
        let r = say(*before);
        if m.aside.known() == Some(&Why::Outcome) {
            outcomes.push(format!("{} (with {}, r {r})", m.b, m.a));
            continue;
        }
        all.push(match (m.aside.known(), m.after.known()) {
            (Some(Why::Given), Some(after)) => format!(
                "{} cannot be chosen and moved with {} (r {r}); if it comes as under the same season \
                 before, r stays about {}: what the one seems to do may be the other's work. Measure it.",
                m.b, m.a, say(*after)
            ),
            _ => format!(
                "{} was not asked for and moved with {} (r {r}): what the one seems to do may be the \
                 other's work.",
                m.b, m.a
            ),
        });
    }
    if !outcomes.is_empty() {
        all.push(format!("No factors, since they follow from the others: {}.", listed(&outcomes)));
    }
    let mut beside: Vec<&str> = asked.aside.iter().map(|a| a.parameter.as_str()).collect();
    beside.dedup();
    if !beside.is_empty() && f.panel.known().is_some() {
        all.push(format!(
            "What is no factor here ({}: given, outcomes, or not asked for) is not in the simulated model; \
             `link` will have it, so that its intervals may be wider than these.",
            count(beside.len(), "parameter that varied", "parameters that varied")
        ));
    }
    if let Some(n) = f.panel.known().map(|p| p.simulations)
        && f.wish.simulations.is_none()
        && (1..SIMULATIONS).contains(&n)
    {
        all.push(format!(
            "The table is large: {n} panels were simulated in the stead of {SIMULATIONS}; --simulations \
             asks for more, which takes longer."
        ));
    }
    if chosen.singular {
        all.push(
            "No choice of so many batches tells all factors apart; the batches tell apart what can be."
                .to_owned(),
        );
    }
    if chosen.drawn {
        all.push(format!(
            "There are more combinations of levels than can be tried: {} were drawn by lot.",
            f.n_combinations
        ));
    }
    if asked.season().is_some() {
        all.push(
            "Batches of one season stand together; which season comes first is the calendar's. One \
             season is one season: weather, flush and water of that year come with it."
                .to_owned(),
        );
    }
    if let Answer::Known(panel) = &f.panel {
        let zero: Vec<String> =
            panel.components.iter().filter(|c| c.at_boundary).map(|c| c.name.clone()).collect();
        if !zero.is_empty() {
            all.push(format!(
                "The panel's variance of {} was found to be 0, which is hardly so: the figures for \
                 precision are the better side of what to expect.",
                listed(&zero)
            ));
        }
        if f.source.known().is_none() || f.lots.is_empty() {
            all.push(
                "A reference that stays the same is taken to be served in every session: without it \
                 sessions cannot be compared."
                    .to_owned(),
            );
        }
    }
    all.push(
        "The log counts, not the plan: write down what was really done. Batches are dealt to days and \
         places by lot; keep that order where leaf and weather let you."
            .to_owned(),
    );
    all
}
