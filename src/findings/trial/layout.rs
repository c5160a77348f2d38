//! The table of scores that a panel would fill in: the rows of the lots made so far and, beside
//! them, those of lots to come.

use blindsteep_stats::links;
use blindsteep_stats::mixed::Factor;

use super::factors::Asked;
use crate::findings::link::rows::Picked;
use crate::findings::link::{NEAR, drop_inflated};
use crate::findings::panel_model::{Linked, pots};
use crate::scores::{ScaleKind, ScoredTerm, TermScores, Words, by_nature};

/// Sessions hold so many new lots if the record does not say how many they held.
const LOTS_A_SESSION: usize = 6;
/// What is served in every session of a panel without a record.
const REFERENCE: &str = "the reference";

/// What a layout tells of the columns.
pub struct Tellable {
    /// The columns that have effects of their own.
    pub kept: Vec<usize>,
    /// For each column why it has none; empty if it has.
    pub why_not: Vec<String>,
    /// For each column others that its effect may be.
    pub may_be: Vec<Vec<String>>,
}

/// Which columns these rows tell apart, by the rules by which effects are linked: |r| from .9 on is
/// one line, and a line whose variance inflation reaches 10 has no effect of its own. `rows`: one a
/// lot, the mean first.
pub fn tellable(rows: &[Vec<f64>], ids: &[String]) -> Tellable {
    let p = ids.len();
    let column = |j: usize| -> Vec<f64> { rows.iter().map(|r| r[j + 1]).collect() };
    let values: Vec<Vec<f64>> = (0..p).map(column).collect();
    let mut found =
        Tellable { kept: Vec::new(), why_not: vec![String::new(); p], may_be: vec![Vec::new(); p] };
    let varied: Vec<usize> =
        (0..p).filter(|j| values[*j].iter().any(|v| (v - values[*j][0]).abs() > 1e-12)).collect();
    for j in (0..p).filter(|j| !varied.contains(j)) {
        found.why_not[j] = "it does not vary".to_owned();
    }
    let own: Vec<&[f64]> = varied.iter().map(|j| values[*j].as_slice()).collect();
    for g in links::groups(&own, NEAR).unwrap_or_default() {
        // Of those that move together the first recorded stands for all.
        let first = varied[g.members[0]];
        found.kept.push(first);
        for m in g.members.iter().skip(1).map(|m| varied[*m]) {
            found.why_not[m] = format!("it moves with {}", ids[first]);
            found.may_be[first].push(ids[m].clone());
            found.may_be[m].push(ids[first].clone());
        }
    }
    let slices: Vec<&[f64]> = values.iter().map(Vec::as_slice).collect();
    for (gone, with) in drop_inflated(&slices, &mut found.kept) {
        let names: Vec<String> = with.iter().map(|w| ids[*w].clone()).collect();
        found.why_not[gone] = format!("it moves with {} together", crate::findings::listed(&names));
        for w in with {
            found.may_be[w].push(ids[gone].clone());
        }
        found.may_be[gone] = names;
    }
    found
}

/// How a panel goes about its work.
#[derive(Debug, Clone)]
pub struct Habits {
    /// Tasters, those of the record first.
    pub tasters: Vec<String>,
    /// Pots of each new lot.
    pub pots: usize,
    /// Samples served in every session.
    pub references: Vec<String>,
    /// The most lots first tasted in one session.
    pub lots_a_session: usize,
    /// Whether scores say from which pot they are.
    pub pots_recorded: bool,
}

impl Habits {
    /// Those of a record, with what is asked put in their place.
    pub fn of(
        picked: Option<(&Picked, &TermScores)>,
        tasters: Option<usize>,
        own_pots: Option<usize>,
    ) -> Self {
        let Some((picked, t)) = picked else {
            return Self {
                tasters: (1..=tasters.unwrap_or(6)).map(|i| format!("taster {i}")).collect(),
                pots: own_pots.unwrap_or(2),
                references: vec![REFERENCE.to_owned()],
                lots_a_session: LOTS_A_SESSION,
                pots_recorded: true,
            };
        };
        let mut names = t.taster.as_ref().map_or_else(Vec::new, |w| w.names.clone());
        let n = tasters.unwrap_or(names.len().max(1));
        names.truncate(n);
        while names.len() < n {
            names.push(format!("further taster {}", names.len() + 1));
        }
        let n_sessions = picked.sessions.iter().max().map_or(0, |m| *m as usize + 1);
        let mut held = vec![0; n_sessions];
        picked.sessions.iter().for_each(|s| held[*s as usize] += 1);
        Self {
            tasters: names,
            pots: own_pots.unwrap_or_else(|| usual_pots(picked, t)),
            references: picked.references.clone(),
            lots_a_session: held.into_iter().max().unwrap_or(LOTS_A_SESSION),
            pots_recorded: pots(t).is_some(),
        }
    }
}

/// The pots of the lot in the middle; where they are not recorded, its scores a taster.
fn usual_pots(picked: &Picked, t: &TermScores) -> usize {
    let mut counts: Vec<usize> = picked
        .lots
        .iter()
        .filter_map(|l| t.lot.names.iter().position(|n| *n == l.lot))
        .map(|code| {
            let rows = (0..t.values.len()).filter(|r| t.lot.codes[*r] as usize == code);
            if let Some(p) = pots(t) {
                let mut own: Vec<u32> = rows.map(|r| p.codes[r]).collect();
                own.sort_unstable();
                own.dedup();
                own.len()
            } else {
                let n_tasters = t.taster.as_ref().map_or(1, |w| w.names.len()).max(1);
                rows.count().div_ceil(n_tasters)
            }
        })
        .collect();
    counts.sort_unstable();
    counts.get(counts.len() / 2).copied().unwrap_or(1).max(1)
}

/// A table with the columns of the factors in it.
pub struct Layout {
    /// The rows; scores of lots to come are 0.
    pub t: TermScores,
    /// What stands in the place of the lots.
    pub linked: Linked,
    /// The columns that are in it, as places among those of the factors.
    pub kept: Vec<usize>,
    /// What it tells of all columns.
    pub tellable: Tellable,
    /// The session of each lot.
    pub sessions: Vec<u32>,
    /// For each lot what it puts into the model, the mean first.
    pub rows: Vec<Vec<f64>>,
}

/// Rows while they grow.
#[derive(Default)]
struct Growing {
    values: Vec<f64>,
    lot: Vec<String>,
    taster: Vec<String>,
    session: Vec<String>,
    flight: Vec<String>,
    pot: Vec<String>,
    recipe: Vec<String>,
}

/// The table of the lots of a record (`base`, with what each puts into the model) and of new lots
/// (`new`, each with its session), the latter served as the panel's habits say.
pub fn lay_out(
    asked: &Asked,
    base: Option<(&Picked, &TermScores)>,
    new: &[Vec<f64>],
    new_sessions: &[usize],
    habits: &Habits,
) -> Layout {
    let mut g = Growing::default();
    let (mut names, mut rows, mut sessions): (Vec<String>, Vec<Vec<f64>>, Vec<u32>) =
        Default::default();
    let single = "the session".to_owned();
    if let Some((picked, t)) = base {
        let word = |w: &Option<Words>, row: usize, or: &str| {
            w.as_ref().map_or_else(|| or.to_owned(), |w| w.names[w.codes[row] as usize].clone())
        };
        for row in 0..t.values.len() {
            g.values.push(t.values[row]);
            g.lot.push(t.lot.names[t.lot.codes[row] as usize].clone());
            g.taster.push(word(&t.taster, row, "the panel"));
            g.recipe.push(word(&t.recipe, row, ""));
            g.session.push(word(&t.session, row, &single));
            g.flight.push(word(&t.flight, row, &word(&t.session, row, &single)));
            g.pot
                .push(pots(t).map_or_else(String::new, |p| p.names[p.codes[row] as usize].clone()));
        }
        for (i, lot) in picked.lots.iter().enumerate() {
            if t.lot.names.contains(&lot.lot) {
                names.push(lot.lot.clone());
                rows.push(asked.row(&asked.made[i]));
                sessions.push(picked.sessions[i]);
            }
        }
    }
    let usual = most_often(&g.recipe);
    let before = sessions.iter().max().map_or(0, |m| m + 1);
    let n_new = new_sessions.iter().max().map_or(0, |m| m + 1);
    for s in 0..n_new {
        let session = format!("to come {}", s + 1);
        let lots: Vec<usize> = (0..new.len()).filter(|i| new_sessions[*i] == s).collect();
        for pot in 0..habits.pots {
            let flight = format!("{session} flight {}", pot + 1);
            let served = lots.iter().map(|i| format!("batch {}", i + 1));
            for lot in served.chain(habits.references.iter().cloned()) {
                for taster in &habits.tasters {
                    g.values.push(0.0);
                    g.lot.push(lot.clone());
                    g.taster.push(taster.clone());
                    g.recipe.push(usual.clone());
                    g.session.push(session.clone());
                    g.flight.push(flight.clone());
                    g.pot.push(format!("{flight} {lot}"));
                }
            }
        }
        for i in lots {
            names.push(format!("batch {}", i + 1));
            rows.push(new[i].clone());
            sessions.push(before + s as u32);
        }
    }
    let has_flights = base.is_none_or(|(_, t)| t.flight.is_some());
    let t = TermScores {
        term: base.map_or_else(unnamed, |(_, t)| t.term.clone()),
        lot: words(g.lot),
        taster: several(words(g.taster)),
        session: several(words(g.session)),
        flight: has_flights.then(|| words(g.flight)),
        brew: habits.pots_recorded.then(|| words(g.pot)),
        values: g.values,
        replicate: None,
        cup: None,
        recipe: several(words(g.recipe)),
        steep: None,
        previous_lot: None,
        position: None,
        month: None,
        labels: Vec::new(),
        n_excluded: 0,
    };
    let ids: Vec<String> = asked.columns.iter().map(|c| c.id.clone()).collect();
    let tellable = tellable(&rows, &ids);
    let kept = tellable.kept.clone();
    let linked = linked(&t, &names, &rows, &sessions, &kept, &ids, &habits.references);
    Layout { t, linked, kept, tellable, sessions, rows }
}

fn linked(
    t: &TermScores,
    names: &[String],
    rows: &[Vec<f64>],
    sessions: &[u32],
    kept: &[usize],
    ids: &[String],
    references: &[String],
) -> Linked {
    let by_code: Vec<Option<usize>> =
        t.lot.names.iter().map(|n| names.iter().position(|own| own == n)).collect();
    let of_row: Vec<Option<usize>> = t.lot.codes.iter().map(|c| by_code[*c as usize]).collect();
    let n_lots = rows.len().max(1) as f64;
    let columns = kept
        .iter()
        .map(|j| {
            let mean = rows.iter().map(|r| r[j + 1]).sum::<f64>() / n_lots;
            let values = of_row.iter().map(|i| i.map_or(0.0, |i| rows[i][j + 1] - mean)).collect();
            (ids[*j].clone(), values)
        })
        .collect();
    let of_references = t
        .lot
        .names
        .iter()
        .zip(0_u32..)
        .filter(|(n, _)| references.contains(n))
        .map(|(n, code)| {
            let own = t.lot.codes.iter().map(|c| f64::from(u8::from(*c == code))).collect();
            (format!("reference {n}"), own)
        })
        .collect();
    let n_sessions = sessions.iter().max().map_or(0, |m| m + 1);
    let several = n_sessions > 1 && (n_sessions as usize) < names.len();
    let batch = (several && !references.is_empty()).then(|| {
        Factor::new(of_row.iter().map(|i| i.map_or(n_sessions, |i| sessions[i])).collect())
    });
    Linked { columns, references: of_references, batch }
}

/// The word that stands most often; lots to come are brewed as most were.
fn most_often(words: &[String]) -> String {
    let mut counts: std::collections::BTreeMap<&String, usize> = std::collections::BTreeMap::new();
    words.iter().for_each(|w| *counts.entry(w).or_default() += 1);
    counts.into_iter().max_by_key(|c| c.1).map(|c| c.0.clone()).unwrap_or_default()
}

fn unnamed() -> ScoredTerm {
    ScoredTerm {
        id: "any term".to_owned(),
        scale: ScaleKind::Line,
        ends: None,
        labels: crate::book::labels::Labels::default(),
        end_words: crate::book::vocabulary::Ends::default(),
        level_words: Default::default(),
        gaps: 0,
    }
}

fn words(column: Vec<String>) -> Words {
    let mut names = column.clone();
    names.sort_by(|a, b| by_nature(a, b));
    names.dedup();
    let place: std::collections::HashMap<&String, u32> = names.iter().zip(0..).collect();
    let codes = column.iter().map(|w| place[w]).collect();
    Words { codes, names }
}

fn several(w: Words) -> Option<Words> {
    (w.names.len() > 1).then_some(w)
}
