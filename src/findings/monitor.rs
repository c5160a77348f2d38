//! How do the tasters do from session to session? Discrimination, repeatability and agreement of
//! each, only in terms in which the panel tells the lots apart in that session.
//!
//! In the spirit of ISO 11132:2021, whose own limits were not seen: the limits here are our own.

use std::collections::BTreeMap;

use rayon::prelude::*;
use schemars::JsonSchema;
use serde::Serialize;

use super::habits::{self, Codes, TasterInTerm, TasterOverall};
use super::panel_model::{self, Lots};
use super::{
    ALPHA, Answer, Estimate, FEW_TASTERS, Settings, Source, Test, count, listed, say, say_p,
};
use crate::scores::{ScaleKind, Scores, TermScores};

/// The finding.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Monitor {
    /// "monitor/1".
    pub schema: String,
    /// Where the scores come from.
    pub source: Source,
    /// How the analysis was made.
    pub settings: Settings,
    /// The limits from which a remark is made; our own.
    pub limits: Limits,
    /// The sessions, in their order.
    pub sessions: Vec<String>,
    /// All tasters.
    pub tasters: Vec<String>,
    /// Whether there are so few tasters that these are individual opinions.
    pub individual_opinions: bool,
    /// The answer in sentences.
    pub sentences: Vec<String>,
    /// What to keep in mind, in sentences.
    pub cautions: Vec<String>,
    /// Which terms were judged in which session.
    pub rounds: Vec<Round>,
    /// Each taster's course over the sessions, and over all.
    pub courses: Vec<Course>,
}

/// The limits from which a remark is made.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct Limits {
    /// The panel tells the lots apart below this p-value.
    pub panel_p: f64,
    /// A taster does not tell the lots apart above this p-value.
    pub own_p: f64,
    /// Repeats over the panel's median from which a taster is noisy.
    pub noisy: f64,
    /// Points of offset.
    pub offset: f64,
    /// Slope below which a taster is narrow.
    pub narrow: f64,
    /// Slope above which a taster is wide.
    pub wide: f64,
}

const LIMITS: Limits =
    Limits { panel_p: ALPHA, own_p: 0.1, noisy: 1.5, offset: 1.0, narrow: 0.6, wide: 1.6 };

/// One session, or all of them together.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Round {
    /// The session; "all" for all of them together.
    pub session: String,
    /// Terms that were judged.
    pub judged: Vec<JudgedTerm>,
    /// Terms that were not, and why.
    pub not_judged: Vec<NotJudged>,
}

/// A term in which the panel tells the lots apart.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct JudgedTerm {
    /// The term.
    pub term: String,
    /// The panel's test of the lots.
    pub panel_test: Test,
    /// Each taster.
    pub tasters: Vec<Judged>,
}

/// One taster in one term.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Judged {
    /// Discrimination, repeatability, agreement: the same numbers as in `agree`.
    #[serde(flatten)]
    pub figures: TasterInTerm,
    /// What lies beyond the limits: no discrimination, noisy, offset, narrow, wide, crossed.
    pub beyond: Vec<String>,
}

/// A term that is not judged.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct NotJudged {
    /// The term.
    pub term: String,
    /// Why.
    pub reason: String,
}

/// A taster over the sessions.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Course {
    /// The taster.
    pub taster: String,
    /// Session by session, those that the taster missed left out.
    pub sessions: Vec<Step>,
    /// All sessions together.
    pub all: Answer<Step>,
}

/// A taster in one session, over the terms that were judged.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Step {
    /// The session; "all" for all of them together.
    pub session: String,
    /// Terms judged.
    pub n_terms: usize,
    /// Terms with repeats, in which the taster's own scores can be tested.
    pub n_tested: usize,
    /// Of those: terms in which the taster's own scores tell the lots apart.
    pub n_discriminated: usize,
    /// Standard deviation of own repeats, over the terms judged.
    pub repeatability: Answer<Estimate>,
    /// That over the others'.
    pub noise_ratio: Answer<Estimate>,
    /// Slope on the others, corrected for their error, over the terms judged.
    pub slope: Answer<Estimate>,
    /// Own less the others', over the terms judged.
    pub offset: Answer<Estimate>,
    /// What lies beyond the limits: the remark, and in how many terms.
    pub beyond: BTreeMap<String, usize>,
}

/// Answers the question.
#[must_use]
pub fn monitor(scores: &Scores, settings: &Settings) -> Monitor {
    let tasters = scores.words("taster");
    let terms: Vec<TermScores> =
        scores.all_terms(false).into_iter().filter(|t| t.term.scale == ScaleKind::Line).collect();
    let codes = Codes::of(&terms, tasters.clone());
    let sessions = scores.words("session");
    let mut parts: Vec<(String, Vec<TermScores>)> = sessions
        .iter()
        .map(|s| (s.clone(), terms.iter().map(|t| of_session(t, s)).collect()))
        .collect();
    parts.push((ALL.to_owned(), terms));
    let rounds: Vec<(Round, Vec<TasterOverall>)> = parts
        .par_iter()
        .with_max_len(1)
        .map(|(session, terms)| round(session, terms, &codes, settings))
        .collect();
    let courses = tasters.iter().map(|who| course(who, &rounds)).collect();
    let individual_opinions = !tasters.is_empty() && tasters.len() <= FEW_TASTERS;
    let mut cautions: Vec<String> = super::agree::opinions(tasters.len()).into_iter().collect();
    cautions.push(format!(
        "Limits of our own (those of ISO 11132 were not seen): own p above {}; repeats beyond {} times the \
         panel's median, {} point of offset, slopes (corrected) outside {} to {}, correlation below 0, \
         each only where its interval says so too. By luck alone, simulated: an offset or noise in about 1 \
         of 20 cases, a slope in 1 of 40, any of them in 1 of 8. What returns counts.",
        LIMITS.own_p, LIMITS.noisy, LIMITS.offset, LIMITS.narrow, LIMITS.wide
    ));
    cautions.extend(super::gaps(scores));
    let mut finding = Monitor {
        schema: "monitor/1".to_owned(),
        source: scores.source.clone(),
        settings: *settings,
        limits: LIMITS,
        sessions,
        tasters,
        individual_opinions,
        sentences: Vec::new(),
        cautions,
        rounds: rounds.into_iter().map(|r| r.0).collect(),
        courses,
    };
    finding.sentences = sentences(&finding);
    finding
}

/// The name of all sessions together.
pub const ALL: &str = "all";

fn of_session(t: &TermScores, session: &str) -> TermScores {
    let keep: Vec<bool> = match &t.session {
        Some(w) => w.codes.iter().map(|c| w.names[*c as usize] == session).collect(),
        None => vec![false; t.values.len()],
    };
    t.only(&keep, str::to_owned)
}

fn round(
    session: &str,
    terms: &[TermScores],
    codes: &Codes,
    settings: &Settings,
) -> (Round, Vec<TasterOverall>) {
    let mut found =
        Round { session: session.to_owned(), judged: Vec::new(), not_judged: Vec::new() };
    let mut judged_terms = Vec::new();
    for t in terms {
        let not = |reason: &str| NotJudged { term: t.term.id.clone(), reason: reason.to_owned() };
        let test = panel_model::fit(t, Lots::Fixed).as_ref().and_then(panel_model::lot_test);
        let test = match test {
            Answer::Known(test) if test.p_value < LIMITS.panel_p => test,
            Answer::Known(test) => {
                let why = format!(
                    "the panel does not tell the lots apart (F {}, luck {}; {})",
                    say(test.f),
                    say(test.f_by_luck),
                    say_p(test.p_value)
                );
                found.not_judged.push(not(&why));
                continue;
            }
            Answer::Unknown(u) => {
                found.not_judged.push(not(&u.reason));
                continue;
            }
        };
        match habits::in_term(t, codes, settings.level) {
            Answer::Known((tasters, _)) => {
                let tasters = tasters.into_iter().filter(|x| x.n_cups > 0).map(judged).collect();
                let term = t.term.id.clone();
                found.judged.push(JudgedTerm { term, panel_test: test, tasters });
                judged_terms.push(t.clone());
            }
            Answer::Unknown(u) => found.not_judged.push(not(&u.reason)),
        }
    }
    let overall = habits::over_all(&judged_terms, codes, settings.level);
    (found, overall.known().map_or_else(Vec::new, |h| h.tasters.clone()))
}

fn judged(figures: TasterInTerm) -> Judged {
    let mut beyond = Vec::new();
    let mut remark = |is: Option<bool>, what: &str| {
        if is == Some(true) {
            beyond.push(what.to_owned());
        }
    };
    remark(figures.discrimination.known().map(|t| t.p_value > LIMITS.own_p), "no discrimination");
    let noisy = |e: &Estimate| e.value > LIMITS.noisy && e.lower > 1.0;
    remark(figures.noise_ratio.known().map(noisy), "noisy");
    let off = |e: &Estimate| e.value.abs() > LIMITS.offset && e.excludes(0.0);
    remark(figures.offset.known().map(off), "offset");
    let crossed = figures.correlation.known().is_some_and(|r| r.upper < 0.0);
    remark(Some(crossed), "crossed");
    // A slope below 0 is no narrow use of the scale.
    let slope = figures.corrected_slope.known().filter(|e| !crossed && e.excludes(1.0));
    remark(slope.map(|e| e.value < LIMITS.narrow), "narrow");
    remark(slope.map(|e| e.value > LIMITS.wide), "wide");
    Judged { figures, beyond }
}

fn course(who: &str, rounds: &[(Round, Vec<TasterOverall>)]) -> Course {
    let mut steps: Vec<Step> = rounds.iter().filter_map(|(r, all)| step(who, r, all)).collect();
    let all = match steps.pop_if(|s| s.session == ALL) {
        Some(step) => Answer::Known(step),
        None => Answer::unknown(
            "over all sessions there is no term in which the panel tells the lots apart",
        ),
    };
    Course { taster: who.to_owned(), sessions: steps, all }
}

fn step(who: &str, round: &Round, overall: &[TasterOverall]) -> Option<Step> {
    let own: Vec<&Judged> = round
        .judged
        .iter()
        .filter_map(|t| t.tasters.iter().find(|x| x.figures.taster == who))
        .collect();
    if own.is_empty() {
        return None;
    }
    let tests: Vec<f64> =
        own.iter().filter_map(|x| x.figures.discrimination.known().map(|t| t.p_value)).collect();
    let mut beyond = BTreeMap::new();
    for what in own.iter().flat_map(|x| &x.beyond) {
        *beyond.entry(what.clone()).or_insert(0) += 1;
    }
    let pooled = overall.iter().find(|t| t.taster == who);
    let of = |pick: fn(&TasterOverall) -> &Answer<Estimate>| {
        pooled.map_or_else(
            || Answer::unknown("the taster shares no cups with others"),
            |t| pick(t).clone(),
        )
    };
    Some(Step {
        session: round.session.clone(),
        n_terms: own.len(),
        n_tested: tests.len(),
        n_discriminated: tests.iter().filter(|p| **p <= LIMITS.own_p).count(),
        repeatability: of(|t| &t.noise),
        noise_ratio: of(|t| &t.noise_ratio),
        slope: of(|t| &t.slope),
        offset: of(|t| &t.offset),
        beyond,
    })
}

fn sentences(f: &Monitor) -> Vec<String> {
    let mut all = Vec::new();
    let n_judged: usize =
        f.rounds.iter().filter(|r| r.session != ALL).map(|r| r.judged.len()).sum();
    let n_not: usize =
        f.rounds.iter().filter(|r| r.session != ALL).map(|r| r.not_judged.len()).sum();
    if !f.sessions.is_empty() {
        all.push(format!(
            "{} of {} (a term in a session) are judged: there the panel tells the lots apart.",
            n_judged,
            count(n_judged + n_not, "case", "cases")
        ));
    }
    for c in &f.courses {
        let sum = |of: &dyn Fn(&Step) -> usize| c.sessions.iter().map(of).sum::<usize>();
        let (n_terms, tested, told) =
            (sum(&|s| s.n_terms), sum(&|s| s.n_tested), sum(&|s| s.n_discriminated));
        if n_terms == 0 {
            continue;
        }
        let mut beyond: BTreeMap<&str, usize> = BTreeMap::new();
        for (what, n) in c.sessions.iter().flat_map(|s| &s.beyond) {
            *beyond.entry(what).or_insert(0) += n;
        }
        let remarks: Vec<String> = beyond
            .iter()
            .filter(|(what, _)| **what != "no discrimination")
            .map(|(what, n)| format!("{what} in {n}"))
            .collect();
        let tells = if tested > 0 {
            format!("tells the lots apart in {told} of {tested} with repeats")
        } else {
            "has no repeats within a session".to_owned()
        };
        all.push(format!(
            "Taster {}: {}; {tells}; beyond a limit: {}.",
            c.taster,
            count(n_terms, "case", "cases"),
            if remarks.is_empty() { "nothing".to_owned() } else { listed(&remarks) }
        ));
    }
    all
}
