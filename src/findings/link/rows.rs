//! Which rows speak for which lot: those of its first tasting, and the reference's of the same
//! sessions.

use std::collections::{BTreeMap, BTreeSet};

use schemars::JsonSchema;
use serde::Serialize;

use super::{LeftOut, Wish};
use crate::book::time::DAYS_A_MONTH;
use crate::findings::{Answer, count, listed};
use crate::scores::{Makings, Scores, TermScores, by_nature};

/// A lot at its first tasting.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct LinkedLot {
    /// The lot.
    pub lot: String,
    /// The session of its first tasting.
    pub session: Answer<String>,
    /// Its age then, in months.
    pub months: Answer<f64>,
    /// Its scores there, over all terms.
    pub n_scores: usize,
}

/// One term's rows.
pub struct TermRows {
    /// The rows, lots called by their own names without the arm.
    pub scores: TermScores,
}

/// The rows that are used.
pub struct Picked {
    /// The lots that are linked, in the order of their names.
    pub lots: Vec<LinkedLot>,
    /// For each of them the number of its session.
    pub sessions: Vec<u32>,
    /// References served in all sessions that are used.
    pub references: Vec<String>,
    /// Term by term.
    pub terms: Vec<TermRows>,
    /// What to know, in sentences.
    pub notes: Vec<String>,
}

/// Of lots that were one tea before a split the one that was tasted first, and the others.
fn one_a_tea(
    mut lots: Vec<String>,
    makings: &Makings,
    tasted: &dyn Fn(&String) -> Option<usize>,
) -> (Vec<String>, Vec<String>) {
    let whole = |lot: &String| makings.parts_of.get(lot).unwrap_or(lot).clone();
    // Of those tasted first at once the whole goes before its parts.
    lots.sort_by_key(|lot| (tasted(lot), makings.parts_of.contains_key(lot), lot.clone()));
    let mut teas: BTreeSet<String> = BTreeSet::new();
    lots.into_iter().partition(|lot| teas.insert(whole(lot)))
}

/// What is known of a lot in a session before anything is left out.
#[derive(Default)]
struct Served {
    recipes: BTreeSet<String>,
    month: Option<f64>,
    n_scores: usize,
}

/// Picks the rows; those that are left out with a reason only if `with_excluded`.
pub fn pick(
    scores: &Scores,
    makings: &Makings,
    wish: &Wish,
    with_excluded: bool,
    left_out: &mut Vec<LeftOut>,
) -> Picked {
    let all: Vec<TermScores> = scores.all_terms(with_excluded);
    let arms = scores.words("arm");
    let own = |name: &str| own_name(name, &arms);
    let references: BTreeSet<String> =
        scores.source.references.iter().chain(&wish.references).map(|r| own(r)).collect();
    let order = sessions_in_order(&all);
    let mut served: BTreeMap<String, BTreeMap<usize, Served>> = BTreeMap::new();
    for t in &all {
        for row in 0..t.values.len() {
            let lot = own(&t.lot.names[t.lot.codes[row] as usize]);
            let at = place_of(t, row, &order);
            let s = served.entry(lot).or_default().entry(at).or_default();
            s.n_scores += 1;
            if let Some(r) = &t.recipe {
                s.recipes.insert(r.names[r.codes[row] as usize].clone());
            }
            if let Some(m) = &t.month {
                s.month = Some(s.month.map_or(m[row], |known: f64| known.min(m[row])));
            }
        }
    }
    let mut notes = Vec::new();
    let mut drop = |names: Vec<String>, reason: String| {
        for name in names {
            let (kind, reason, lots) = ("lot".to_owned(), reason.clone(), Vec::new());
            left_out.push(LeftOut { kind, name, reason, lots });
        }
    };
    let tasted: Vec<String> = served.keys().filter(|l| !references.contains(*l)).cloned().collect();
    let (known, unknown): (Vec<String>, Vec<String>) =
        tasted.into_iter().partition(|l| makings.lots.contains(l));
    drop(unknown, format!("nothing is recorded of its making in {}", makings.source));
    let (known, scant) = well_recorded(known, makings);
    drop(scant, "of its making less than half is recorded of what is of most lots".to_owned());
    let first = |lot: &String| served[lot].iter().next();
    // Half a day, since months are days in another unit.
    let is_early = |lot: &String| {
        let month = first(lot).and_then(|(_, s)| s.month);
        let made = makings.made.get(lot);
        month.zip(made).is_some_and(|(month, made)| month < made - 0.5 / DAYS_A_MONTH)
    };
    let (early, known): (Vec<String>, Vec<String>) = known.into_iter().partition(is_early);
    drop(
        early,
        "it was tasted before the day on which it was made: one of the two days is wrong"
            .to_owned(),
    );
    let untasted = makings.lots.iter().filter(|l| !served.contains_key(*l));
    let untasted = untasted.filter(|l| !references.contains(*l)).cloned().collect();
    drop(untasted, "it was not tasted in these scores".to_owned());
    let (known, parts) = one_a_tea(known, makings, &|lot| first(lot).map(|(at, _)| *at));
    drop(
        parts,
        "it is of one tea with a lot that is linked, split off from it or with it".to_owned(),
    );
    let (known, gaps): (Vec<String>, Vec<String>) = known.into_iter().partition(|lot| {
        let has = |id: &String| {
            let p = makings.parameters.iter().find(|p| p.id == *id);
            p.is_none_or(|p| p.values.contains_key(lot))
        };
        wish.complete.iter().all(has)
    });
    let needed = wish.complete.join(", ");
    drop(gaps, format!("it has no value of all that is to be complete ({needed})"));
    let usual = usual_recipes(&known, &references, &served);
    let (mut kept, mut otherwise) = (Vec::new(), Vec::new());
    for lot in known {
        let same = usual.is_empty()
            || first(&lot).is_some_and(|(_, s)| {
                s.recipes.is_empty() || s.recipes.iter().any(|r| usual.contains(r))
            });
        if same { kept.push(lot) } else { otherwise.push(lot) }
    }
    if let Some(most) = usual.first() {
        drop(
            otherwise,
            format!(
                "its first tasting was not brewed by {most}, as those of most lots, and neither a \
                 sample served by both nor a second lot can tell what the recipe does"
            ),
        );
    }
    if usual.len() > 1 {
        notes.push(format!(
            "First tastings were brewed by {}: a recipe term stands between them.",
            listed(&usual)
        ));
    }
    kept.sort_by(|a, b| by_nature(a, b));
    let at: BTreeMap<&String, usize> =
        kept.iter().filter_map(|l| Some((l, *first(l)?.0))).collect();
    let used: BTreeSet<usize> = at.values().copied().collect();
    let everywhere: Vec<String> = references
        .iter()
        .filter(|r| served.get(*r).is_some_and(|s| used.iter().all(|u| s.contains_key(u))))
        .cloned()
        .collect();
    let missing: Vec<String> =
        references.iter().filter(|r| !everywhere.contains(r)).cloned().collect();
    if used.len() > 1 {
        if everywhere.is_empty() {
            notes.push(format!(
                "The lots come from {} and no reference was served in all of them: the sessions' \
                 levels are taken as drawn by lot.",
                count(used.len(), "session", "sessions")
            ));
        }
        drop(missing, "as a reference it was not served in every session that is used".to_owned());
    }
    let terms = all
        .iter()
        .map(|t| {
            let keep: Vec<bool> = (0..t.values.len())
                .map(|row| {
                    let lot = own(&t.lot.names[t.lot.codes[row] as usize]);
                    let here = place_of(t, row, &order);
                    let right = usual.is_empty()
                        || t.recipe
                            .as_ref()
                            .is_none_or(|r| usual.contains(&r.names[r.codes[row] as usize]));
                    right
                        && (at.get(&lot) == Some(&here)
                            || (everywhere.contains(&lot) && used.contains(&here)))
                })
                .collect();
            TermRows { scores: t.only(&keep, |name| own(name)) }
        })
        .collect();
    if order.len() > 1 && !all.iter().any(|t| t.month.is_some()) {
        notes.push(format!(
            "Sessions are taken in the order of their names, {} first.",
            order.first().map_or("the first", |s| s.as_str())
        ));
    }
    let lots: Vec<LinkedLot> =
        kept.iter().map(|l| linked(l, at[l], &served, &order, makings)).collect();
    notes.extend(ages(&lots));
    let sessions = kept
        .iter()
        .map(|l| used.iter().position(|u| *u == at[l]).unwrap_or_default() as u32)
        .collect();
    Picked { lots, sessions, references: everywhere, terms, notes }
}

/// The recipes of first tastings that are kept, that of most lots first: a further one if a sample
/// was served by it and by one that is kept, or if it and the first have two lots each.
fn usual_recipes(
    lots: &[String],
    references: &BTreeSet<String>,
    served: &BTreeMap<String, BTreeMap<usize, Served>>,
) -> Vec<String> {
    let mut counts: BTreeMap<&String, usize> = BTreeMap::new();
    let firsts: Vec<(usize, &Served)> =
        lots.iter().filter_map(|l| served.get(l)?.iter().next()).map(|(at, s)| (*at, s)).collect();
    firsts.iter().flat_map(|(_, s)| &s.recipes).for_each(|r| *counts.entry(r).or_default() += 1);
    let mut order: Vec<(&String, usize)> = counts.into_iter().collect();
    order.sort_by(|a, b| b.1.cmp(&a.1).then_with(|| a.0.cmp(b.0)));
    let used: BTreeSet<usize> = firsts.iter().map(|(at, _)| *at).collect();
    // What each sample was served by in the sessions that are used.
    let mut samples: Vec<BTreeSet<&String>> =
        firsts.iter().map(|(_, s)| s.recipes.iter().collect()).collect();
    for sessions in references.iter().filter_map(|r| served.get(r)) {
        let own = sessions.iter().filter(|(at, _)| used.contains(at));
        samples.push(own.flat_map(|(_, s)| &s.recipes).collect());
    }
    let Some((most, n_most)) = order.first() else { return Vec::new() };
    let mut kept = vec![(*most).clone()];
    for (recipe, _) in order.iter().skip(1) {
        let joined =
            samples.iter().any(|s| s.contains(recipe) && kept.iter().any(|k| s.contains(k)));
        let alone = firsts
            .iter()
            .filter(|(_, s)| {
                s.recipes.contains(*recipe) && !s.recipes.iter().any(|r| kept.contains(r))
            })
            .count();
        if joined || (alone >= 2 && *n_most >= 2) {
            kept.push((*recipe).clone());
        }
    }
    kept
}

/// A lot of which hardly anything is recorded would take every parameter with it.
fn well_recorded(lots: Vec<String>, makings: &Makings) -> (Vec<String>, Vec<String>) {
    let usual: Vec<_> = makings
        .parameters
        .iter()
        .filter(|p| 2 * lots.iter().filter(|l| p.values.contains_key(*l)).count() > lots.len())
        .collect();
    lots.into_iter().partition(|l| {
        let n = usual.iter().filter(|p| p.values.contains_key(l)).count();
        2 * n >= usual.len()
    })
}

fn linked(
    lot: &String,
    at: usize,
    served: &BTreeMap<String, BTreeMap<usize, Served>>,
    order: &[String],
    makings: &Makings,
) -> LinkedLot {
    let s = &served[lot][&at];
    let session = order
        .get(at)
        .cloned()
        .map_or_else(|| Answer::unknown("the scores do not say in which session"), Answer::Known);
    let months = match (s.month, makings.made.get(lot)) {
        (Some(month), Some(made)) => Answer::Known(month - made),
        _ => Answer::unknown("the day on which it was made, or tasted, is not known here"),
    };
    LinkedLot { lot: lot.clone(), session, months, n_scores: s.n_scores }
}

/// The name of a lot without its arm.
fn own_name(name: &str, arms: &[String]) -> String {
    match name.rsplit_once('@') {
        Some((lot, arm)) if arms.iter().any(|a| a == arm) => lot.to_owned(),
        _ => name.to_owned(),
    }
}

/// The sessions in the order of their first day; without days in the order of their names.
fn sessions_in_order(all: &[TermScores]) -> Vec<String> {
    let mut first: BTreeMap<&str, f64> = BTreeMap::new();
    for t in all {
        let Some(s) = &t.session else { continue };
        for row in 0..t.values.len() {
            let month = t.month.as_ref().map_or(0.0, |m| m[row]);
            let known = first.entry(s.names[s.codes[row] as usize].as_str()).or_insert(month);
            *known = known.min(month);
        }
    }
    let mut names: Vec<(&str, f64)> = first.into_iter().collect();
    names.sort_by(|a, b| a.1.total_cmp(&b.1).then_with(|| by_nature(a.0, b.0)));
    names.into_iter().map(|(name, _)| name.to_owned()).collect()
}

fn place_of(t: &TermScores, row: usize, order: &[String]) -> usize {
    let Some(s) = &t.session else { return 0 };
    let name = &s.names[s.codes[row] as usize];
    order.iter().position(|o| o == name).unwrap_or_default()
}

/// Lots at very different ages are not at one age.
fn ages(lots: &[LinkedLot]) -> Option<String> {
    let known: Vec<f64> = lots.iter().filter_map(|l| l.months.known().copied()).collect();
    let low = known.iter().copied().fold(f64::INFINITY, f64::min);
    let high = known.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if known.is_empty() {
        return None;
    }
    let (first, last) = (format!("{low:.1}"), format!("{high:.1}"));
    let range = if first == last { first } else { format!("{first} to {last}") };
    // More than a month apart, storage may speak through the making: common practice, no source.
    let old: Vec<String> = lots
        .iter()
        .filter(|l| l.months.known().is_some_and(|m| *m > low + 1.0))
        .map(|l| l.lot.clone())
        .collect();
    Some(if old.is_empty() {
        format!("Each lot counts at its first tasting, {range} months after it was made.")
    } else {
        format!(
            "Each lot counts at its first tasting, but these are not of one age: {range} months \
             after making; {} had waited longer than the youngest by more than a month.",
            listed(&old)
        )
    })
}
