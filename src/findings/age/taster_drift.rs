//! Each taster's drift, as the own scores of the reference show it.

use std::collections::BTreeMap;

use blindsteep_stats::additive::Additive;
use rayon::prelude::*;
use schemars::JsonSchema;
use serde::Serialize;

use super::super::{ALPHA, Answer, count, listed};
use super::courses::Asking;
use super::network::Node;
use super::sums::{a_year, told};
use super::words::full;
use super::{Change, is_shown};
use crate::scores::{ScaleKind, TermScores, Words};

/// A slope needs so many sessions.
const FEWEST: usize = 3;

/// A taster's drift.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct TasterDrift {
    /// The taster.
    pub taster: String,
    /// Term by term.
    pub terms: Vec<TasterDriftTerm>,
}

/// A taster's drift in one term.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct TasterDriftTerm {
    /// The term.
    pub term: String,
    /// Its scale.
    pub scale: ScaleKind,
    /// Sessions in which the taster scored the reference.
    pub n_sessions: usize,
    /// The slope a year of the taster's own means of the reference.
    pub per_year: Answer<Change>,
    /// The same less what the others' means did, their own levels taken out, so that an absence does
    /// not look like a drift. q among all tasters and terms.
    pub from_others: Answer<Change>,
    /// Tasters who are left out of the others, since they drift away from all: the strongest first,
    /// at .05 over the number of tasters, as long as two others are left.
    pub without: Vec<String>,
}

/// A taster's mean of the reference in a session.
struct Mean {
    taster: u32,
    session: u32,
    month: f64,
    value: f64,
}

impl Asking<'_> {
    /// The drift of all tasters; why it is not known.
    #[must_use]
    pub fn taster_drift(&self, tasters: &[String]) -> Answer<Vec<TasterDrift>> {
        let Some((_, base)) = self.base() else {
            return Answer::unknown("no reference was scored");
        };
        if tasters.is_empty() {
            return Answer::unknown("the table does not say who scored");
        }
        let node = &self.places.nodes[base];
        let mut all: Vec<TasterDrift> =
            tasters.iter().map(|t| TasterDrift { taster: t.clone(), terms: Vec::new() }).collect();
        let of_terms: Vec<Vec<TasterDriftTerm>> = self
            .terms
            .par_iter()
            .with_max_len(1)
            .map(|t| self.drifts(&t.term.scores, tasters, node))
            .collect();
        for found in of_terms {
            all.iter_mut().zip(found).for_each(|(own, term)| own.terms.push(term));
        }
        Answer::Known(all)
    }

    /// The drift of all tasters in a term. Whoever drifts away from all would make the others look
    /// as if they drifted the other way, and is left out of what they are compared with.
    fn drifts(&self, t: &TermScores, tasters: &[String], node: &Node) -> Vec<TasterDriftTerm> {
        let usable = matches!(t.term.scale, ScaleKind::Line | ScaleKind::Ordered);
        let means =
            if usable { means(t, &node.reference, node.recipe.as_deref()) } else { Vec::new() };
        let code = |taster: &String| {
            t.taster.as_ref().and_then(|w| w.names.iter().position(|n| n == taster))
        };
        let mut without: Vec<String> = Vec::new();
        loop {
            let left_out: Vec<usize> = without.iter().filter_map(code).collect();
            let found: Vec<TasterDriftTerm> = tasters
                .iter()
                .map(|taster| {
                    let found = drift(t, &means, (code(taster), &left_out), usable, self.level);
                    let others = without.iter().filter(|w| *w != taster).cloned().collect();
                    TasterDriftTerm { without: others, ..found }
                })
                .collect();
            let p = |i: usize| found[i].from_others.known().map(|c| c.p_value);
            let strongest = (0..tasters.len())
                .filter(|i| !without.contains(&tasters[*i]))
                .filter_map(|i| Some((i, p(i)?)))
                .min_by(|a, b| a.1.total_cmp(&b.1));
            match strongest {
                Some((i, p))
                    if p < ALPHA / tasters.len() as f64 && tasters.len() > without.len() + 3 =>
                {
                    without.push(tasters[i].clone());
                }
                _ => return found,
            }
        }
    }
}

/// The means of all tasters and sessions.
fn means(t: &TermScores, reference: &str, recipe: Option<&str>) -> Vec<Mean> {
    let (Some(taster), Some(session), Some(months)) = (&t.taster, &t.session, &t.month) else {
        return Vec::new();
    };
    let word = |w: &Words, row: usize| w.names[w.codes[row] as usize].clone();
    let mut cells: BTreeMap<(u32, u32), (f64, f64, f64)> = BTreeMap::new();
    for (row, (value, own)) in t.values.iter().zip(months).enumerate() {
        let brewed = t.recipe.as_ref().map(|w| word(w, row));
        if word(&t.lot, row) != reference || brewed.as_deref() != recipe {
            continue;
        }
        let at = (taster.codes[row], session.codes[row]);
        let (n, sum, month) = cells.entry(at).or_insert((0.0, 0.0, 0.0));
        *n += 1.0;
        *sum += value;
        *month += own;
    }
    cells
        .into_iter()
        .map(|((taster, session), (n, sum, month))| Mean {
            taster,
            session,
            month: month / n,
            value: sum / n,
        })
        .collect()
}

fn drift(
    t: &TermScores,
    means: &[Mean],
    (code, left_out): (Option<usize>, &[usize]),
    usable: bool,
    level: f64,
) -> TasterDriftTerm {
    let is_own = |m: &&Mean| code == Some(m.taster as usize);
    let own: Vec<&Mean> = means.iter().filter(is_own).collect();
    let others: Vec<&Mean> =
        means.iter().filter(|m| !is_own(m) && !left_out.contains(&(m.taster as usize))).collect();
    let places: Vec<(usize, usize)> =
        others.iter().map(|m| (m.taster as usize, m.session as usize)).collect();
    let table = Additive::of(&places);
    // The part of the others' sessions in which the taster was there most often.
    let part = |m: &Mean| table.component_of_column(m.session as usize);
    let most = own
        .iter()
        .filter_map(|m| part(m))
        .max_by_key(|p| own.iter().filter(|m| part(m) == Some(*p)).count());
    let base = most.and_then(|p| table.base(p));
    let from: Vec<(f64, f64)> = own
        .iter()
        .filter_map(|m| {
            let expected = table.expected(base?, m.session as usize)?;
            let level: f64 = expected.iter().map(|(at, w)| w * others[*at].value).sum();
            Some((m.month, m.value - level))
        })
        .collect();
    let alone: Vec<(f64, f64)> = own.iter().map(|m| (m.month, m.value)).collect();
    let fit = |points: &[(f64, f64)]| {
        if usable { slope(points, level) } else { Answer::unknown("there is no mean") }
    };
    TasterDriftTerm {
        term: t.term.id.clone(),
        scale: t.term.scale,
        n_sessions: own.len(),
        per_year: fit(&alone),
        from_others: fit(&from),
        without: Vec::new(),
    }
}

/// The slope a year of a straight line.
fn slope(points: &[(f64, f64)], level: f64) -> Answer<Change> {
    if points.len() < FEWEST {
        return Answer::unknown(format!(
            "a slope needs {FEWEST} sessions with the reference, and there {}",
            match points.len() {
                1 => "is 1".to_owned(),
                n => format!("are {n}"),
            }
        ));
    }
    match a_year(points) {
        Ok(s) => told(s.estimate, s.se, s.df, level),
        Err(e) => Answer::unknown(e.to_string()),
    }
}

/// The tasters whose drift differs from the others', in one sentence.
#[must_use]
pub fn sentence(all: &[TasterDrift]) -> Option<String> {
    let told: Vec<String> = all
        .iter()
        .filter_map(|t| {
            let shown: Vec<String> = t
                .terms
                .iter()
                .filter_map(|x| Some((x, x.from_others.known()?)))
                .filter(|(_, c)| is_shown(c))
                .map(|(x, c)| format!("{} ({})", x.term, full(c)))
                .collect();
            (!shown.is_empty()).then(|| format!("{} in {}", t.taster, listed(&shown)))
        })
        .collect();
    let n: usize =
        all.iter().flat_map(|t| &t.terms).filter(|t| t.from_others.known().is_some()).count();
    (!told.is_empty()).then(|| {
        format!(
            "Drifting unlike the others, points a year, among {}: {}.",
            count(n, "slope asked", "slopes asked"),
            told.join("; ")
        )
    })
}
