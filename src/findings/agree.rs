//! Do the tasters agree?

use rayon::prelude::*;
use schemars::JsonSchema;
use serde::Serialize;

use super::guesses::{self, Guesses};
use super::habits::{self, Codes, Habits, OrderOverall, PanelOrder, TasterInTerm};
use super::put_right::{self, PutRight};
use super::reasons;
use super::taster_model::{self, TasterModel};
use super::term_agreement::{self, TermAgreement};
use super::{ALPHA, Answer, FEW_TASTERS, Settings, Test, count, listed, panel_model, say, say_p};
use crate::scores::{ScaleKind, Scores, Source, TermScores};

/// The finding.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Agree {
    /// "agree/1".
    pub schema: String,
    /// Where the scores come from.
    pub source: Source,
    /// How the analysis was made.
    pub settings: Settings,
    /// All lots.
    pub lots: Vec<String>,
    /// All tasters.
    pub tasters: Vec<String>,
    /// Scores, excluded ones included.
    pub n_scores: usize,
    /// Scores that were due and are missing.
    pub n_gaps: usize,
    /// Whether there are so few tasters that these are individual opinions.
    pub individual_opinions: bool,
    /// The answer in sentences.
    pub sentences: Vec<String>,
    /// What to keep in mind, in sentences.
    pub cautions: Vec<String>,
    /// Term by term.
    pub terms: Vec<TermOfPanel>,
    /// Each taster over all terms on a line.
    pub habits: Answer<Habits>,
    /// The effects of the order of the cups over all terms on a line.
    pub order: Answer<OrderOverall>,
    /// Named swaps put right, beside the scores as given.
    pub put_right: Vec<PutRight>,
    /// Was the tasting blind?
    pub guesses: Answer<Guesses>,
    /// What was left out and why, with the results if it is left in.
    pub exclusions: Vec<Exclusion>,
}

/// One term: the panel and each taster.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct TermOfPanel {
    /// The panel.
    #[serde(flatten)]
    pub panel: TermAgreement,
    /// Each taster against the others.
    pub tasters: Answer<Vec<TasterInTerm>>,
    /// The effects of the order of the cups.
    pub order: Answer<PanelOrder>,
    /// Offsets, scale use and noise found together, and the lots corrected for them.
    pub taster_model: Answer<TasterModel>,
    /// The test of the lots with excluded scores left in.
    pub lot_test_with_excluded: Answer<Test>,
}

/// Scores that were left out.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Exclusion {
    /// Why.
    pub reason: String,
    /// How many.
    pub n_scores: usize,
}

/// The exclusions of a table.
pub(crate) fn exclusions(scores: &Scores) -> Vec<Exclusion> {
    scores
        .exclusions()
        .into_iter()
        .map(|(reason, n_scores)| Exclusion { reason, n_scores })
        .collect()
}

/// The lots' test of a term with excluded scores left in.
pub(crate) fn test_with_excluded(scores: &Scores, id: &str, n_excluded: usize) -> Answer<Test> {
    if n_excluded == 0 {
        return Answer::unknown("no score is excluded in this term");
    }
    match scores.term(id, true) {
        Some(t) if matches!(t.term.scale, ScaleKind::Line | ScaleKind::Ordered) => {
            panel_model::fit(&t, panel_model::Lots::Fixed).as_ref().and_then(panel_model::lot_test)
        }
        _ => Answer::unknown("lots are tested where scores are numbers on a scale"),
    }
}

/// Holm's p-values of the tests of all terms, a reason where there is no test.
pub(crate) fn holm(p: &[Answer<f64>]) -> Vec<Answer<f64>> {
    adjusted(p, blindsteep_stats::multiple::holm)
}

/// Adjusted p-values of the tests of all terms, a reason where there is no test.
pub(crate) fn adjusted<E>(
    tests: &[Answer<f64>],
    method: impl FnOnce(&[f64]) -> Result<Vec<f64>, E>,
) -> Vec<Answer<f64>> {
    let p: Vec<f64> = tests.iter().filter_map(|p| p.known().copied()).collect();
    let mut adjusted = method(&p).unwrap_or_default().into_iter();
    tests
        .iter()
        .map(|t| match t {
            Answer::Known(_) => adjusted
                .next()
                .map_or_else(|| Answer::unknown("a p-value is not a number"), Answer::Known),
            Answer::Unknown(u) => Answer::Unknown(u.clone()),
        })
        .collect()
}

/// Cautions that hold in every term, once, and those that do not with their term.
pub(crate) fn gathered(by_term: &[(&str, &[String])]) -> Vec<String> {
    let mut order: Vec<&String> = Vec::new();
    for (_, all) in by_term {
        for caution in *all {
            if !order.contains(&caution) {
                order.push(caution);
            }
        }
    }
    order
        .into_iter()
        .map(|c| {
            let terms: Vec<String> = by_term
                .iter()
                .filter(|(_, all)| all.contains(c))
                .map(|(id, _)| (*id).to_owned())
                .collect();
            if terms.len() == by_term.len() {
                c.clone()
            } else {
                format!("{}: {c}", terms.join(", "))
            }
        })
        .collect()
}

/// Two or three tasters are no panel.
pub(crate) fn opinions(n_tasters: usize) -> Option<String> {
    match n_tasters {
        1 => Some("One taster: an individual opinion, not a panel's.".to_owned()),
        2 | FEW_TASTERS => Some(format!(
            "{} tasters: individual opinions, not a panel's.",
            if n_tasters == 2 { "Two" } else { "Three" }
        )),
        _ => None,
    }
}

/// Answers the question.
#[must_use]
pub fn agree(scores: &Scores, settings: &Settings) -> Agree {
    let terms: Vec<TermScores> = scores.all_terms(false);
    let tasters = scores.words("taster");
    let codes = Codes::of(&terms, tasters.clone());
    // Beside one another: neither uses the other, and the last term alone would leave a core idle.
    let of_terms = || -> Vec<TermOfPanel> {
        terms
            .par_iter()
            .with_max_len(1)
            .map(|t| {
                let (tasters, order) = match habits::in_term(t, &codes, settings.level) {
                    Answer::Known((tasters, order)) => (Answer::Known(tasters), order),
                    Answer::Unknown(u) => (Answer::Unknown(u.clone()), Answer::Unknown(u)),
                };
                TermOfPanel {
                    panel: term_agreement::of(t, settings),
                    tasters,
                    order,
                    taster_model: taster_model::of(t, &codes, settings.level),
                    lot_test_with_excluded: test_with_excluded(scores, &t.term.id, t.n_excluded),
                }
            })
            .collect()
    };
    let over_all = || habits::over_all(&terms, &codes, settings.level);
    let (habits, mut found) = rayon::join(over_all, of_terms);
    let tests: Vec<Answer<f64>> =
        found.iter().map(|t| super::deciding_p(&t.panel.lot_test, &t.panel.cochran)).collect();
    let adjusted = holm(&tests);
    for (term, p) in found.iter_mut().zip(adjusted) {
        term.panel.p_holm = p;
        let id = term.panel.term.clone();
        // Habits are found on line terms and say nothing of levels.
        if term.panel.scale == ScaleKind::Line {
            reasons::name_tasters(&mut term.panel.reasons, &id, &term.tasters, &habits);
        }
    }
    let put_right = put_right::of(&habits, &terms, &found, settings);
    let order = habits::order_over_all(&terms, &codes, settings.level);
    let guesses = guesses::of(&scores.guesses, settings);
    let individual_opinions = !tasters.is_empty() && tasters.len() <= FEW_TASTERS;
    let mut cautions: Vec<String> = opinions(tasters.len()).into_iter().collect();
    cautions.extend(super::gaps(scores));
    let by_term: Vec<(&str, &[String])> =
        found.iter().map(|t| (t.panel.term.as_str(), t.panel.cautions.as_slice())).collect();
    cautions.extend(gathered(&by_term));
    if habits.known().is_some() {
        cautions.push(
            "A taster is always compared with the mean of the others; error in that mean pulls \
             slopes down, the corrected slope takes the pull out."
                .to_owned(),
        );
    }
    if habits.known().is_some() && scores.words("session").len() < 2 {
        cautions.push(ONE_SESSION.to_owned());
    }
    let lots = scores.words("lot");
    let mut finding = Agree {
        schema: "agree/1".to_owned(),
        source: scores.source.clone(),
        settings: *settings,
        lots,
        tasters,
        n_scores: scores.n_scores(),
        n_gaps: scores.terms().iter().map(|t| t.gaps).sum(),
        individual_opinions,
        sentences: Vec::new(),
        cautions,
        terms: found,
        habits,
        order,
        put_right,
        guesses,
        exclusions: exclusions(scores),
    };
    finding.sentences = sentences(&finding);
    finding
}

/// What one session can show of habits, as measured in `tests/stats/tasters.rs`.
const ONE_SESSION: &str = "One session shows only large habits. Of 200 invented panels (six tasters, six cups \
     twice, twelve terms) all had an offset of 1.3 points named, and a noise of nearly three times \
     the others'; a slope of 0.45 was named in 99, swapped words in none (that needs six lots or \
     more). Of 200 sound panels none was accused.";

fn sentences(f: &Agree) -> Vec<String> {
    let mut all = Vec::new();
    let asked: Vec<&TermAgreement> = f.terms.iter().map(|t| &t.panel).collect();
    let of = |answer: Option<bool>| -> Vec<&TermAgreement> {
        asked.iter().copied().filter(|t| t.discriminates.known().copied() == answer).collect()
    };
    let (yes, no, untested) = (of(Some(true)), of(Some(false)), of(None));
    let n_tested = yes.len() + no.len();
    let who = if f.tasters.len() > FEW_TASTERS {
        "The panel tells"
    } else if f.tasters.len() > 1 {
        "The tasters, each with an opinion of their own, tell"
    } else {
        "The scores tell"
    };
    if n_tested > 0 {
        let luck = ALPHA * n_tested as f64;
        let names: Vec<String> = yes.iter().map(|t| with_test(t)).collect();
        all.push(if yes.is_empty() {
            format!("{who} the lots apart in none of {}.", count(n_tested, "term", "terms"))
        } else {
            format!(
                "{who} the lots apart in {} of {} (by luck alone in {}): {}.",
                yes.len(),
                count(n_tested, "term", "terms"),
                say(luck),
                listed(&names)
            )
        });
        if !no.is_empty() {
            let names: Vec<String> = no.iter().map(|t| with_test(t)).collect();
            all.push(format!("Not told apart: {}.", listed(&names)));
        }
    }
    all.extend(super::untested(
        untested.iter().map(|t| (t.term.as_str(), t.discriminates.reason().unwrap_or("no test"))),
    ));
    if asked.iter().any(|t| !t.reasons.is_empty()) {
        all.push("Why scores differ that come from one lot:".to_owned());
    }
    for t in &asked {
        // A swap is told once, with its taster.
        if let Some(reason) = t.reasons.iter().find(|r| r.kind != reasons::ReasonKind::Swap) {
            all.push(format!("  {}: {}.", t.term, reason.words));
        }
    }
    if let Some(h) = f.habits.known() {
        for t in &h.tasters {
            for habit in &t.habits {
                let mut words = habit.words.clone();
                if f.individual_opinions {
                    words.push_str(" (with so few tasters nobody can say who is off)");
                }
                all.push(format!("Taster {} {words}.", t.taster));
            }
        }
        if h.tasters.iter().all(|t| t.habits.is_empty()) {
            all.push(
                "No taster stands out by more than luck in offset, width of scale, noise or \
                      swapped terms."
                    .to_owned(),
            );
        }
    }
    all.extend(f.put_right.iter().map(|p| p.words.clone()));
    if let Some(order) = f.order.known() {
        all.push(order.words.clone());
    }
    if let Some(g) = f.guesses.known() {
        all.push(format!("Guessing the lots: {}", g.words));
    }
    all
}

fn with_test(t: &TermAgreement) -> String {
    match (&t.lot_test, &t.cochran) {
        (Answer::Known(test), _) => format!(
            "{} (F {}, luck {}; {})",
            t.term,
            say(test.f),
            say(test.f_by_luck),
            say_p(test.p_value)
        ),
        (_, Answer::Known(q)) => format!("{} (Cochran's Q, {})", t.term, say_p(q.p_value)),
        _ => t.term.clone(),
    }
}
