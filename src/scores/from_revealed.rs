//! Scores of revealed sessions.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use super::{Builder, LotGuess, ScaleKind, ScoreRow, ScoredTerm, Scores, Source};
use crate::book::labels::Labels;
use crate::book::lots::MAIN;
use crate::book::recipes::Recipe;
use crate::book::session_files::Kind;
use crate::book::time::Day;
use crate::book::vocabulary::{Ends, FAULT_LEVELS, Level, Scale};
use crate::session::{Revealed, RevealedCup, Role, Sample};

/// Sessions that cannot be read as one table.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SessionsError {
    /// A term had different scales.
    #[error(
        "the term \"{term}\" is asked as {first} in {first_session} and as {second} in \
         {second_session}\n  expected: the same kind of scale in all sessions that are read \
         together\n  to mend:  read the sessions one by one"
    )]
    ScaleChanged {
        /// The term.
        term: String,
        /// Its scale at first.
        first: &'static str,
        /// In which session.
        first_session: String,
        /// Its other scale.
        second: &'static str,
        /// In which session.
        second_session: String,
    },
    /// A session that asked something else.
    #[error(
        "session {session} is a {found} session\n  expected: {expected}\n  to mend:  ask `{ask}`"
    )]
    OtherKind {
        /// The session.
        session: String,
        /// What it asked.
        found: &'static str,
        /// What can be read here.
        expected: &'static str,
        /// The command that reads it.
        ask: String,
    },
    /// Nobody scored anything.
    #[error(
        "there is no score in {sessions}\n  expected: at least one answer on a scale\n  to mend:  \
         name a session in which terms were scored"
    )]
    NoScores {
        /// The sessions.
        sessions: String,
    },
}

/// The scale of a term as it is analysed; `None` for free notes.
fn kind(scale: &Scale) -> Option<ScaleKind> {
    match scale {
        Scale::Line { .. } | Scale::Bipolar { .. } => Some(ScaleKind::Line),
        Scale::Ordered { .. } | Scale::Fault => Some(ScaleKind::Ordered),
        Scale::Nominal { .. } => Some(ScaleKind::Nominal),
        Scale::Tick => Some(ScaleKind::Tick),
        Scale::Note => None,
    }
}

/// The name of what was in a cup: the lot, with its arm if it was split.
pub(super) fn sample(cup: &RevealedCup) -> String {
    Sample { lot: cup.lot.clone(), arm: cup.arm.clone() }.to_string()
}

/// Joins revealed sessions into one table. Warm-up cups are left out; duplicates and the
/// reference count as what they are, further cups of their sample.
///
/// # Errors
/// [`SessionsError`] if a term changed its kind of scale between sessions, or nothing was scored.
pub fn from_revealed(sessions: &[Revealed]) -> Result<Scores, SessionsError> {
    if let Some(other) = sessions.iter().find(|s| s.kind != Kind::Profile) {
        return Err(SessionsError::OtherKind {
            session: other.name.clone(),
            found: other.kind.word(),
            expected: "sessions in which terms were scored (profile)",
            ask: match other.kind {
                Kind::Ranking => format!("compare {}", other.name),
                _ => format!("difference {}", other.name),
            },
        });
    }
    let mut terms = terms_of(sessions)?;
    let recipes = recipe_names(sessions.iter().map(|s| &s.recipe));
    let mut builder = Builder::default();
    let mut guesses = Vec::new();
    let mut notes = Vec::new();
    let start: Option<Day> = sessions.iter().map(|s| s.day).min();
    for (session, recipe) in sessions.iter().zip(&recipes) {
        let cups: HashMap<u16, &RevealedCup> = session.cups.iter().map(|c| (c.code, c)).collect();
        let before = previous_cups(session);
        let lots: HashMap<u16, String> = cups.iter().map(|(code, c)| (*code, sample(c))).collect();
        let several_steeps = session.scores.iter().any(|s| s.steep > 1);
        let mut n = 0;
        for score in &session.scores {
            let Some(cup) = cups.get(&score.cup).filter(|c| c.role != Role::WarmUp) else {
                continue;
            };
            let Some(term) = terms.iter().find(|t| t.id == score.term) else { continue };
            let previous = before
                .get(&(score.taster.as_str(), score.flight, score.cup))
                .and_then(|code| lots.get(code));
            let steep = score.steep.to_string();
            builder.push(&ScoreRow {
                lot: &lots[&score.cup],
                arm: Some(cup.arm.as_str()).filter(|a| *a != MAIN),
                taster: Some(&score.taster),
                replicate: Some(&cup.replicate.to_string()),
                session: Some(&session.name),
                flight: Some(&score.flight.to_string()),
                position: Some(f64::from(score.position)),
                previous_lot: previous.map(String::as_str),
                cup: Some(&score.cup.to_string()),
                brew: Some(&cup.brew),
                recipe: Some(recipe),
                steep: several_steeps.then_some(steep.as_str()),
                month: start.map(|first| score.day.months_since(first)),
                term: &score.term,
                value: score.value,
                label: score.label.as_deref().filter(|_| term.scale == ScaleKind::Nominal),
                excluded: score.excluded.as_deref(),
            });
            n += 1;
        }
        count_gaps(session, &cups, &mut terms);
        guesses.extend(guesses_of(session, &cups));
        notes.extend(notes_of(session, n));
    }
    let names: Vec<String> = sessions.iter().map(|s| s.name.clone()).collect();
    let mut notes = together(notes);
    if sessions.len() > 1 {
        notes.extend(ages_note(sessions));
    }
    let references: BTreeSet<String> = sessions
        .iter()
        .flat_map(|s| s.cups.iter().filter(|c| c.role == Role::Reference).map(sample))
        .collect();
    let source = Source {
        names: names.clone(),
        kind: "sessions".to_owned(),
        references: references.into_iter().collect(),
        notes,
    };
    let mut scores = builder.finish(terms, source);
    if scores.n_scores() == 0 {
        return Err(SessionsError::NoScores { sessions: names.join(", ") });
    }
    scores.guesses = guesses;
    Ok(scores)
}

/// The numbers at the ends of a scale.
fn ends(scale: &Scale) -> Option<[f64; 2]> {
    match scale {
        Scale::Fault => Some([0.0, (FAULT_LEVELS.len() - 1) as f64]),
        Scale::Ordered { levels } => Some([0.0, levels.len().saturating_sub(1) as f64]),
        _ => scale.range().map(|(low, high)| [low, high]),
    }
}

/// The words at the ends of a scale, by language.
fn end_words(scale: &Scale) -> Ends {
    match scale {
        Scale::Line { ends, .. } | Scale::Bipolar { ends, .. } => ends.clone(),
        Scale::Ordered { levels } => match (levels.first(), levels.last()) {
            (Some(first), Some(last)) => ["en", "zh"]
                .map(|l| {
                    let word = |level: &Level| level.labels.or(l, &level.id).to_owned();
                    (l.to_owned(), [word(first), word(last)])
                })
                .into(),
            _ => Ends::new(),
        },
        Scale::Fault => [("en", ["absent", "rejects"]), ("zh", ["无", "拒收"])]
            .map(|(l, words)| (l.to_owned(), words.map(str::to_owned)))
            .into(),
        _ => Ends::new(),
    }
}

/// What the levels of a scale are called.
fn level_words(scale: &Scale) -> BTreeMap<String, Labels> {
    scale.levels().iter().map(|l| (l.id.clone(), l.labels.clone())).collect()
}

fn terms_of(sessions: &[Revealed]) -> Result<Vec<ScoredTerm>, SessionsError> {
    let mut terms: Vec<ScoredTerm> = Vec::new();
    let mut seen: HashMap<&str, (&'static str, &str)> = HashMap::new();
    for session in sessions {
        for term in &session.terms {
            let Some(scale) = kind(&term.scale) else { continue };
            match terms.iter_mut().find(|t| t.id == term.id) {
                None => {
                    seen.insert(&term.id, (term.scale.kind().word(), &session.name));
                    terms.push(ScoredTerm {
                        id: term.id.clone(),
                        scale,
                        ends: ends(&term.scale),
                        labels: term.labels.clone(),
                        end_words: end_words(&term.scale),
                        level_words: level_words(&term.scale),
                        gaps: 0,
                    });
                }
                Some(known) if known.scale == scale => {}
                Some(_) => {
                    let (first, first_session) = seen[term.id.as_str()];
                    return Err(SessionsError::ScaleChanged {
                        term: term.id.clone(),
                        first,
                        first_session: first_session.to_owned(),
                        second: term.scale.kind().word(),
                        second_session: session.name.clone(),
                    });
                }
            }
        }
    }
    Ok(terms)
}

/// A name for each session's recipe, so that recipes brewed differently have different names.
/// Another water or another vessel brews differently; where either is not recorded it is taken to
/// be the one that is.
fn recipe_names<'a>(recipes: impl Iterator<Item = &'a Recipe>) -> Vec<String> {
    let brewed = |r: &Recipe| (r.leaf_g, r.water_ml, r.water_c, r.rinse_s, r.steeps_s.clone());
    let agree = |a: &Option<String>, b: &Option<String>| a.is_none() || b.is_none() || a == b;
    let mut known: Vec<(&Recipe, String)> = Vec::new();
    recipes
        .map(|r| {
            let same = known.iter().find(|(k, _)| {
                k.id == r.id
                    && brewed(k) == brewed(r)
                    && agree(&k.water, &r.water)
                    && agree(&k.vessel, &r.vessel)
            });
            if let Some((_, name)) = same {
                return name.clone();
            }
            let twins = known.iter().filter(|(k, _)| k.id == r.id).count();
            let name = if twins == 0 { r.id.clone() } else { format!("{} ({})", r.id, twins + 1) };
            known.push((r, name.clone()));
            name
        })
        .collect()
}

/// For each taster, flight and cup the cup tasted just before, warm-up cups included.
fn previous_cups(session: &Revealed) -> HashMap<(&str, u32, u16), u16> {
    let mut orders: BTreeMap<(&str, u32), BTreeSet<(u32, u16)>> = BTreeMap::new();
    for s in &session.scores {
        orders.entry((&s.taster, s.flight)).or_default().insert((s.position, s.cup));
    }
    let mut before = HashMap::new();
    for ((taster, flight), cups) in orders {
        let cups: Vec<(u32, u16)> = cups.into_iter().collect();
        for pair in cups.windows(2) {
            // Only neighbours: what a taster had before a cup that was not scored is known too,
            // but not from the scores.
            if pair[1].0 == pair[0].0 + 1 {
                before.insert((taster, flight, pair[1].1), pair[0].1);
            }
        }
    }
    before
}

/// A score is due for each term and cup (and steep) of a flight of which the taster scored
/// anything; an absent taster leaves no gaps.
fn count_gaps(session: &Revealed, cups: &HashMap<u16, &RevealedCup>, terms: &mut [ScoredTerm]) {
    let analysed = |code: u16| cups.get(&code).is_some_and(|c| c.role != Role::WarmUp);
    let mut there: BTreeSet<(&str, u32)> = BTreeSet::new();
    let mut steeps: BTreeMap<&str, BTreeSet<u32>> = BTreeMap::new();
    let mut given: BTreeMap<&str, usize> = BTreeMap::new();
    for s in session.scores.iter().filter(|s| analysed(s.cup)) {
        there.insert((&s.taster, s.flight));
        steeps.entry(&s.term).or_default().insert(s.steep);
        *given.entry(&s.term).or_default() += 1;
    }
    let due: usize = session
        .served
        .iter()
        .filter(|s| there.contains(&(s.taster.as_str(), s.flight)))
        .map(|s| s.cups.len())
        .sum();
    for term in &session.terms {
        if let Some(t) = terms.iter_mut().find(|t| t.id == term.id) {
            let n_steeps = steeps.get(term.id.as_str()).map_or(1, BTreeSet::len);
            let n_given = given.get(term.id.as_str()).copied().unwrap_or(0);
            t.gaps += (due * n_steeps).saturating_sub(n_given);
        }
    }
}

fn guesses_of(session: &Revealed, cups: &HashMap<u16, &RevealedCup>) -> Vec<LotGuess> {
    session
        .guesses
        .iter()
        .filter(|g| g.excluded.is_none())
        .filter_map(|g| {
            let cup = cups.get(&g.cup).filter(|c| c.role != Role::WarmUp)?;
            // Who named no arm is right with the lot alone.
            let (lot, guessed) = match &g.arm {
                None => (cup.lot.clone(), g.lot.clone()),
                Some(arm) => {
                    (sample(cup), Sample { lot: g.lot.clone(), arm: arm.clone() }.to_string())
                }
            };
            Some(LotGuess {
                taster: g.taster.clone(),
                lot,
                guessed,
                session: session.name.clone(),
                flight: cup.flight.to_string(),
                sure: g.sure,
            })
        })
        .collect()
}

/// How the note ends that is for questions which pool the tastings of a lot.
pub const WHATEVER_AGE: &str = "each counts as one lot here, whatever its age was.";

/// Lots change in store; here every tasting of a lot counts as the same lot.
fn ages_note(sessions: &[Revealed]) -> Option<String> {
    let mut served: BTreeMap<String, usize> = BTreeMap::new();
    for session in sessions {
        let lots: BTreeSet<String> = session
            .cups
            .iter()
            .filter(|c| matches!(c.role, Role::Lot | Role::Duplicate))
            .map(sample)
            .collect();
        for lot in lots {
            *served.entry(lot).or_default() += 1;
        }
    }
    let n = served.values().filter(|n| **n > 1).count();
    (n > 0).then(|| {
        format!("{n} of {} lots were tasted in several sessions; {WHATEVER_AGE}", served.len())
    })
}

/// Sessions of which the same is to be said are named together.
pub(super) fn together(notes: Vec<(String, String)>) -> Vec<String> {
    let mut gathered: Vec<(String, Vec<String>)> = Vec::new();
    for (session, note) in notes {
        match gathered.iter_mut().find(|g| g.0 == note) {
            Some(known) => known.1.push(session),
            None => gathered.push((note, vec![session])),
        }
    }
    gathered
        .into_iter()
        .map(|(note, sessions)| format!("{}: {note}", sessions.join(", ")))
        .collect()
}

fn notes_of(session: &Revealed, n_scores: usize) -> Vec<(String, String)> {
    let mut notes: Vec<String> = Vec::new();
    let of = |role: Role| -> BTreeSet<String> {
        session.cups.iter().filter(|c| c.role == role).map(sample).collect()
    };
    let listed = |names: BTreeSet<String>| names.into_iter().collect::<Vec<_>>().join(", ");
    if n_scores == 0 {
        notes.push("nobody scored anything.".to_owned());
    }
    let (duplicates, reference) = (of(Role::Duplicate), of(Role::Reference));
    if !duplicates.is_empty() {
        notes.push(format!(
            "served twice in a flight under two codes, pooled as further cups: {}.",
            listed(duplicates)
        ));
    }
    if !reference.is_empty() {
        notes.push(format!("{} is the reference.", listed(reference)));
    }
    notes.extend(afterthoughts(session));
    notes.into_iter().map(|note| (session.name.clone(), note)).collect()
}

/// What was not settled before anybody tasted.
pub(super) fn afterthoughts(session: &Revealed) -> Vec<String> {
    let mut notes = Vec::new();
    let came: BTreeSet<&str> = session
        .scores
        .iter()
        .map(|s| s.taster.as_str())
        .chain(session.choices.iter().map(|c| c.taster.as_str()))
        .chain(session.ranks.iter().map(|r| r.taster.as_str()))
        .collect();
    // Who it was stands in the session; these notes also reach pages without names.
    let missing = session.tasters.iter().filter(|t| !came.contains(t.as_str())).count();
    if missing > 0 && !came.is_empty() {
        notes.push(format!(
            "{missing} of {} planned tasters left no answer.",
            session.tasters.len()
        ));
    }
    if !session.committed_beforehand {
        notes.push("which lot was in which cup was not committed beforehand.".to_owned());
    }
    let late = session.changes.iter().filter(|c| c.after_reveal).count();
    if late > 0 {
        notes.push(format!(
            "{} made after the lots were known.",
            if late == 1 { "1 change was".to_owned() } else { format!("{late} changes were") }
        ));
    }
    notes
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn another_water_or_vessel_is_another_recipe() {
        let bowl = |water: Option<&str>, vessel: Option<&str>| Recipe {
            id: "bowl".to_owned(),
            labels: Default::default(),
            leaf_g: 3.0,
            water_ml: 150.0,
            water_c: 95.0,
            rinse_s: None,
            steeps_s: vec![300],
            vessel: vessel.map(str::to_owned),
            vessel_labels: Default::default(),
            water_labels: Default::default(),
            water: water.map(str::to_owned),
            source: None,
            notes: None,
        };
        let all = [
            bowl(Some("spring"), None),
            bowl(Some("spring"), Some("white cup")),
            bowl(Some("tap"), None),
            bowl(None, None),
            Recipe { leaf_g: 2.0, ..bowl(Some("spring"), None) },
        ];
        let names = recipe_names(all.iter());
        assert_eq!(names, ["bowl", "bowl", "bowl (2)", "bowl", "bowl (3)"]);
    }
}
