//! What can be said of a course. Comparing words stand only where the change is shown among all
//! that was asked; everywhere else stands the interval.

use super::super::agree::{gathered, opinions};
use super::super::{ALPHA, Answer, count, gaps, listed, say, untested};
use super::arms::StorePair;
use super::summary::summary;
use super::term::Term;
use super::{Age, ArmPair, Change, SampleAge, TermCourse, TermModel, is_shown};
use crate::scores::{ScaleKind, Scores};

/// The panel's drift is told of so many terms of a sample.
const MOST_DRIFTS: usize = 3;

fn shown(c: &Change) -> bool {
    is_shown(c)
}

/// A change with its sign.
pub(super) fn signed(x: f64) -> String {
    let text = say(x);
    if text.starts_with('-') || text.chars().all(|c| matches!(c, '0' | '.')) {
        text
    } else {
        format!("+{text}")
    }
}

pub(super) fn interval(c: &Change) -> String {
    format!("{} to {}", signed(c.lower), signed(c.upper))
}

pub(super) fn full(c: &Change) -> String {
    format!("{}, {}", signed(c.value), interval(c))
}

/// What changed, the largest first; what did not among all asked though its own interval leaves
/// out 0; and what was not shown to change.
struct Parted {
    sure: Vec<String>,
    alone: Vec<String>,
    unsure: Vec<String>,
}

fn parted(changes: &[(&str, &Change)]) -> Parted {
    let mut sure: Vec<&(&str, &Change)> = changes.iter().filter(|c| shown(c.1)).collect();
    sure.sort_by(|a, b| b.1.value.abs().total_cmp(&a.1.value.abs()));
    let sure = sure.into_iter().map(|(term, c)| {
        let way = if c.value < 0.0 { "less" } else { "more" };
        format!("{way} {term} ({})", full(c))
    });
    let rest = |alone: bool| {
        changes
            .iter()
            .filter(|c| !shown(c.1) && (c.1.p_value < ALPHA) == alone)
            .map(|(term, c)| format!("{term} ({})", interval(c)))
            .collect()
    };
    Parted { sure: sure.collect(), alone: rest(true), unsure: rest(false) }
}

/// What was parted in one line; then, where there is any, what would be shown if it alone had been
/// asked. `what` is a change or a difference.
pub(super) fn in_one(span: &str, changes: &[(&str, &Change)], what: &str) -> Vec<String> {
    let p = parted(changes);
    let rest = p.alone.len() + p.unsure.len();
    let mut line = match (p.sure.is_empty(), rest) {
        (true, 0) => return Vec::new(),
        (true, 1) => format!("{span}: no {what} shown"),
        (true, _) => format!("{span}: no {what} shown in any of {rest} terms"),
        (false, 0) => format!("{span}: {}", listed(&p.sure)),
        (false, _) => format!(
            "{span}: {}; no {what} shown in {} beside",
            listed(&p.sure),
            count(rest, "term", "terms")
        ),
    };
    // What is not shown is not nothing: the one with the widest reach stands for the others.
    if let Some((term, c)) =
        changes.iter().filter(|c| !shown(c.1)).max_by(|a, b| reach(a.1).total_cmp(&reach(b.1)))
    {
        let only = if changes.len() == 1 { "" } else { "at the most " };
        line.push_str(&format!(" ({only}{term}, {})", interval(c)));
    }
    let mut all = vec![format!("{line}.")];
    if !p.alone.is_empty() {
        all.push(format!(
            "Not shown among all that was asked, though it would be alone: {}.",
            listed(&p.alone)
        ));
    }
    all
}

/// How far from 0 an interval reaches.
fn reach(c: &Change) -> f64 {
    c.lower.abs().max(c.upper.abs())
}

/// The sentences of a sample.
pub fn of_sample(s: &SampleAge, models: &[TermModel]) -> Vec<String> {
    let pooled: Vec<_> = s.tastings.iter().filter(|t| t.pooled.known().is_some()).collect();
    let mut all = Vec::new();
    let (Some(first), Some(last)) = (pooled.first(), pooled.last()) else { return all };
    let others: Vec<String> = s
        .tastings
        .iter()
        .filter_map(|t| Some(format!("{} ({})", t.session, t.pooled.reason()?)))
        .collect();
    if !others.is_empty() {
        all.push(format!("Not counted with the others: {}.", listed(&others)));
    }
    all.extend(bridged(s));
    let alone: Vec<String> = s
        .tastings
        .iter()
        .filter(|t| t.reference.known().is_none())
        .map(|t| t.session.clone())
        .collect();
    let corrects = s.tastings.iter().any(|t| t.reference.known().is_some());
    if corrects && !alone.is_empty() {
        all.push(format!("Without the reference, so as scored only: {}.", listed(&alone)));
    }
    if pooled.len() < 2 {
        all.insert(0, format!("{}: one tasting only (month {}).", s.sample, say_month(last.month)));
        return all;
    }
    let of = |pick: fn(&TermCourse) -> &Answer<Change>| -> Vec<(&str, &Change)> {
        s.terms.iter().filter_map(|t| Some((t.term.as_str(), pick(t).known()?))).collect()
    };
    let span =
        format!("{}, month {} to {}", s.sample, say_month(first.month), say_month(last.month));
    let corrected = of(|t| &t.last_change);
    if corrected.is_empty() {
        let raw: Vec<String> = of(|t| &t.last_change_raw)
            .iter()
            .map(|(term, c)| format!("{term} ({})", full(c)))
            .collect();
        if !raw.is_empty() {
            all.insert(0, format!("{span}, as scored: {}.", listed(&raw)));
        }
    } else {
        let mut told: Vec<String> =
            summary(s).into_iter().map(|line| format!("{}: {line}", s.sample)).collect();
        let alone = parted(&corrected).alone;
        if !alone.is_empty() {
            told.push(format!(
                "Not shown among all that was asked, though it would be alone: {}.",
                listed(&alone)
            ));
        }
        all.splice(0..0, told);
        all.extend(drifts(s));
    }
    let fitted = |term: &str| models.iter().any(|m| m.term == term && m.model.known().is_some());
    let why = s
        .terms
        .iter()
        .filter(|t| fitted(&t.term) && !t.points.is_empty())
        .filter_map(|t| Some((t.term.as_str(), t.last_change.reason()?)));
    all.extend(reasons(why));
    all
}

/// Tastings by another recipe that count all the same.
fn bridged(s: &SampleAge) -> Vec<String> {
    let mut by: Vec<(String, Vec<String>)> = Vec::new();
    for t in &s.tastings {
        let (Some(b), Some(recipe)) = (&t.bridge, &t.recipe) else { continue };
        let from = b.from.as_deref().unwrap_or("an unnamed recipe");
        let times = count(b.n_sessions, "session", "sessions");
        let how = if b.assumed {
            format!(
                "{recipe}, set to {from} by {}, which was brewed both ways in {times}: this takes the \
                 recipe to move the tea as it moves the reference",
                b.by
            )
        } else {
            format!("{recipe}, set to {from} by the tea itself, brewed both ways in {times}")
        };
        match by.iter_mut().find(|x| x.0 == how) {
            Some(known) => known.1.push(t.session.clone()),
            None => by.push((how, vec![t.session.clone()])),
        }
    }
    by.into_iter()
        .map(|(how, sessions)| format!("{}: brewed by {how}.", listed(&sessions)))
        .collect()
}

/// What the scores themselves say where the panel drifted meanwhile.
fn drifts(s: &SampleAge) -> Vec<String> {
    let mut all: Vec<(&TermCourse, &Change, &Change)> = s
        .terms
        .iter()
        .filter(|t| t.last_change.known().is_some())
        .filter_map(|t| Some((t, t.last_change_raw.known()?, t.panel_drift.known()?)))
        .filter(|(t, raw, drift)| {
            let alone = |c: &Change| c.p_value < ALPHA;
            let differ = |c: &Change| alone(c) != alone(raw) || shown(c);
            alone(drift) && t.last_change.known().is_some_and(differ)
        })
        .collect();
    all.sort_by(|a, b| a.2.p_value.total_cmp(&b.2.p_value));
    all.iter()
        .take(MOST_DRIFTS)
        .map(|(t, raw, drift)| {
            format!(
                "As scored {} moved by {}; the reference moved by {} ({}) meanwhile, which is \
                 taken off.",
                t.term,
                signed(raw.value),
                signed(drift.value),
                interval(drift)
            )
        })
        .collect()
}

/// Terms of which nothing is told, one sentence a reason.
fn reasons<'a>(terms: impl Iterator<Item = (&'a str, &'a str)>) -> Vec<String> {
    untested(terms)
        .into_iter()
        .map(|s| s.replacen(": not tested, ", ": no change told, ", 1))
        .collect()
}

/// An age in months for a sentence.
pub(super) fn say_month(month: f64) -> String {
    let text = format!("{month:.1}");
    text.strip_suffix(".0").map(str::to_owned).unwrap_or(text)
}

/// The sentences of two arms.
pub fn of_arms(a: &ArmPair) -> Vec<String> {
    let known: Vec<(&str, &Change)> =
        a.terms.iter().filter_map(|t| Some((t.term.as_str(), t.mean.known()?))).collect();
    let most = a.terms.iter().map(|t| t.sessions.len()).max().unwrap_or(0);
    let span = format!("{} beside {}, {}", a.a, a.b, count(most, "session", "sessions"));
    in_one(&span, &known, "difference")
}

/// The sentences of two ways to store.
pub fn of_stores(s: &StorePair) -> Vec<String> {
    let of = |pick: fn(&super::arms::StoreTerm) -> &Answer<Change>| -> Vec<(&str, &Change)> {
        s.terms.iter().filter_map(|t| Some((t.term.as_str(), pick(t).known()?))).collect()
    };
    let such = of(|t| &t.of_such_lots);
    let lots = count(s.lots.len(), "lot", "lots");
    let (span, known) = if such.is_empty() {
        (format!("{} beside {}, {lots}, of these lots", s.a, s.b), of(|t| &t.of_these_lots))
    } else {
        (format!("{} beside {}, {lots}, of such lots", s.a, s.b), such)
    };
    in_one(&span, &known, "difference")
}

/// So many pairs that moved apart are told.
const MOST_PAIRS: usize = 5;

/// What sessions say by themselves where there is no reference.
fn pairs(f: &Age) -> Vec<String> {
    let Some(all) = f.pairs.known() else {
        return match (&f.pairs, &f.reference) {
            (Answer::Unknown(u), Answer::Unknown(_)) if !f.samples.is_empty() => {
                vec![format!("Differences within sessions, where drift cancels: {}.", u.reason)]
            }
            _ => Vec::new(),
        };
    };
    let is_shown =
        |p: &&super::without::PairMoved| p.terms.iter().any(|t| t.apart.known().is_some_and(shown));
    let (sure, unsure): (Vec<_>, Vec<_>) = all.iter().partition(is_shown);
    let mut told: Vec<String> =
        sure.iter().take(MOST_PAIRS).flat_map(|p| p.sentences.clone()).collect();
    if sure.len() > MOST_PAIRS {
        told.push(format!("{} more pairs moved apart: --json.", sure.len() - MOST_PAIRS));
    }
    let n = all.iter().flat_map(|p| &p.terms).filter(|t| t.apart.known().is_some()).count();
    told.push(format!(
        "What was served together in several sessions can be compared there, since the panel's drift is \
         in both: {} and {} asked, {} of them moved apart beyond luck. Which of the two moved is not \
         told.",
        count(all.len(), "pair", "pairs"),
        count(n, "change", "changes"),
        match (sure.len(), unsure.len()) {
            (0, _) => "none".to_owned(),
            (n, _) => n.to_string(),
        }
    ));
    told
}

/// Whether drift was taken off at all: over all samples together.
fn correction(f: &Age) -> Option<String> {
    let told: Vec<String> = f
        .correction
        .iter()
        .filter_map(|c| Some((c, c.taken_off.known()?)))
        .filter(|(_, c)| shown(c))
        .map(|(t, c)| format!("{} ({})", t.term, full(c)))
        .collect();
    let n = f.correction.iter().map(|c| c.n_samples).max().unwrap_or(0);
    (!told.is_empty()).then(|| {
        format!(
            "What the panel's drift added to the changes as scored, and the correction took off, mean of \
             {}: {}.",
            count(n, "sample", "samples"),
            listed(&told)
        )
    })
}

/// What is said before the samples.
pub fn of_all(f: &Age) -> Vec<String> {
    let mut all = Vec::new();
    if let (Some(name), Some(courses)) = (f.reference.known(), f.drift.known()) {
        let slopes: Vec<(&str, &Change)> = courses
            .iter()
            .filter_map(|t| Some((t.term.as_str(), t.per_year_raw.known()?)))
            .collect();
        let (over, changes) = if slopes.is_empty() {
            let changes = courses
                .iter()
                .filter_map(|t| Some((t.term.as_str(), t.last_change_raw.known()?)))
                .collect();
            ("first to last session", changes)
        } else {
            ("points a year", slopes)
        };
        let named = |pick: &dyn Fn(&Change) -> bool, all: bool| -> Vec<String> {
            changes
                .iter()
                .filter(|c| pick(c.1))
                .map(|(term, c)| format!("{term} ({})", if all { full(c) } else { interval(c) }))
                .collect()
        };
        let alone = |c: &Change| !shown(c) && c.p_value < ALPHA;
        let sure = named(&shown, true);
        if !sure.is_empty() {
            all.push(format!(
                "Drift of the panel, {over}, made visible by the reference {name}: {}.",
                listed(&sure)
            ));
        }
        let unsure = named(&alone, false);
        if !unsure.is_empty() {
            all.push(format!(
                "Drift not shown among all these terms, though it would be alone, {over}: {}.",
                listed(&unsure)
            ));
        }
        let none = named(&|c| !shown(c) && !alone(c), false);
        if !none.is_empty() {
            all.push(format!("No drift of the panel shown, {over}: {}.", listed(&none)));
        }
    }
    all.extend(f.shared_drift.known().map(super::SharedDrift::sentence));
    for bridge in &f.bridges {
        all.extend(bridge.sentences());
    }
    if let Some(sentence) = f.taster_drift.known().and_then(|t| super::taster_drift::sentence(t)) {
        all.push(sentence);
    }
    all.extend(correction(f));
    if f.n_changes_asked > 0 {
        let n = f
            .samples
            .iter()
            .flat_map(|s| &s.terms)
            .filter(|t| t.last_change.known().is_some_and(shown))
            .count();
        let asked = count(f.n_changes_asked, "change", "changes");
        all.push(match n {
            0 => format!("{asked} from first to last tasting asked, none of them shown."),
            _ => format!(
                "{asked} from first to last tasting asked, {n} shown: of those that are shown no \
                 more than 1 in 20 is to be expected false (Benjamini-Hochberg)."
            ),
        });
    }
    let once: Vec<String> =
        f.samples.iter().filter(|s| s.tastings.len() == 1).map(|s| s.sample.clone()).collect();
    if !once.is_empty() {
        all.push(format!("Tasted once so far: {}.", listed(&once)));
    }
    let mut without: Vec<(&str, Vec<String>)> = Vec::new();
    for n in &f.not_followed {
        match without.iter_mut().find(|w| w.0 == n.reason) {
            Some(known) => known.1.push(n.sample.clone()),
            None => without.push((&n.reason, vec![n.sample.clone()])),
        }
    }
    all.extend(
        without.into_iter().map(|(why, names)| format!("Left out, {why}: {}.", listed(&names))),
    );
    all.extend(f.stores.iter().flat_map(|s| s.sentences.clone()));
    all.extend(f.refires.iter().flat_map(|r| r.sentences.clone()));
    all.extend(f.years.known().into_iter().flat_map(super::equal_age::Years::sentences));
    let tests = f.told_apart.known().into_iter().flatten();
    all.extend(tests.filter_map(super::tests_of::ToldApart::sentence));
    all.extend(pairs(f));
    if f.samples.is_empty() {
        all.push(if f.models.iter().any(|m| m.n_scores > 0) {
            "No sample is left to follow.".to_owned()
        } else {
            "There is no score that counts.".to_owned()
        });
    }
    let untold = f.models.iter().filter_map(|m| Some((m.term.as_str(), m.model.reason()?)));
    all.extend(reasons(untold));
    all
}

/// What to keep in mind.
pub fn cautions(f: &Age, scores: &Scores, terms: &[Term]) -> Vec<String> {
    let mut all: Vec<String> = opinions(f.tasters.len()).into_iter().collect();
    if f.tasters.is_empty() {
        all.push(
            "The table does not say who scored: every score counts as one observation of its own. \
             Name the column of tasters with --taster."
                .to_owned(),
        );
    }
    match &f.reference {
        Answer::Known(name) => {
            let (names, is) = match f.references.as_slice() {
                [] | [_] => (format!("the reference {name}"), "is"),
                several => (format!("the references {}", listed(several)), "are"),
            };
            let question = match f
                .told_apart
                .known()
                .map(|all| all.iter().any(|t| t.bears == super::tests_of::Bears::Reference))
            {
                Some(true) => "the test of two of its packs, above, questions it",
                _ => "a triangle test between two of its packs can question it",
            };
            all.push(format!(
                "Corrected means: {names} {is} held to have stayed the same. That is an assumption; \
                 {question}."
            ));
        }
        Answer::Unknown(u) => {
            let mut why = u.reason.clone();
            if let Some(first) = why.get(..1).map(str::to_uppercase) {
                why.replace_range(..1, &first);
            }
            all.push(format!(
                "{why}: a change as scored may be the tea's or the panel's. If a sample stayed the \
                 same, name it with --reference; for the time to come, freeze one and serve it in every \
                 session."
            ));
        }
    }
    all.extend(gaps(scores));
    let by_term: Vec<(&str, Vec<String>)> =
        terms.iter().map(|t| (t.scores.term.id.as_str(), of_term(t))).collect();
    let by_term: Vec<(&str, &[String])> = by_term.iter().map(|(t, c)| (*t, c.as_slice())).collect();
    all.extend(gathered(&by_term));
    if f.samples.iter().flat_map(|s| &s.terms).any(|t| t.fit.known().is_some()) {
        all.push(
            "A course says nothing beyond the last tasting. Its band holds for each month alone, \
             and where no tasting lies the form of the course speaks, not the panel."
                .to_owned(),
        );
    }
    all.push(
        "Tasting does not establish that stored tea is safe. Never taste visibly mouldy or \
         musty-smelling leaf; follow local food law and have a licensed laboratory test what is in \
         doubt."
            .to_owned(),
    );
    all
}

fn of_term(t: &Term) -> Vec<String> {
    let mut all = Vec::new();
    if t.scores.term.scale == ScaleKind::Ordered {
        all.push("Levels are taken as equally far apart.".to_owned());
    }
    match t.model.known().map(|m| m.several_brews) {
        Some(Some(false)) => all.push(
            "Each sample was brewed once in a session: changes, the month from which one is real and \
             their limits are between pots, not yet between ages. In simulation pots that differed by \
             0.3 beside scores that scatter by 0.7 made one term in five that does not move show a \
             change: brew each sample twice."
                .to_owned(),
        ),
        Some(None) => all.push(
            "Which pot a score belongs to is not recorded. If each sample was brewed once in a \
             session, changes, the month from which one is real and their limits are between pots, \
             not yet between ages: pots that differ then show as change."
                .to_owned(),
        ),
        _ => {}
    }
    all
}
