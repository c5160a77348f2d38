//! Which lots differ?

use rayon::prelude::*;
use schemars::JsonSchema;
use serde::Serialize;

use super::agree::{Exclusion, exclusions, gathered, holm, opinions, test_with_excluded};
use super::term_comparison::{self, Difference, TermComparison};
use super::{ALPHA, Answer, FEW_TASTERS, Settings, Test, count, say, say_p};
use crate::scores::{Scores, Source, TermScores};

/// The finding.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Compare {
    /// "compare/1".
    pub schema: String,
    /// Where the scores come from.
    pub source: Source,
    /// How the analysis was made.
    pub settings: Settings,
    /// All lots.
    pub lots: Vec<String>,
    /// All tasters; none in a plain one-way layout.
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
    pub terms: Vec<ComparedTerm>,
    /// What was left out and why.
    pub exclusions: Vec<Exclusion>,
}

/// One term.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ComparedTerm {
    /// The comparison.
    #[serde(flatten)]
    pub lots: TermComparison,
    /// The test of the lots with excluded scores left in.
    pub lot_test_with_excluded: Answer<Test>,
}

/// Answers the question.
#[must_use]
pub fn compare(scores: &Scores, settings: &Settings) -> Compare {
    let terms: Vec<TermScores> = scores.all_terms(false);
    let tasters = scores.words("taster");
    let mut found: Vec<ComparedTerm> = terms
        .par_iter()
        .with_max_len(1)
        .map(|t| ComparedTerm {
            lots: term_comparison::of(t, &scores.source.references, settings),
            lot_test_with_excluded: test_with_excluded(scores, &t.term.id, t.n_excluded),
        })
        .collect();
    let tests: Vec<&Answer<Test>> = found.iter().map(|t| &t.lots.lot_test).collect();
    let adjusted = holm(&tests);
    for (term, p) in found.iter_mut().zip(adjusted) {
        term.lots.p_holm = p;
    }
    let mut cautions: Vec<String> = opinions(tasters.len()).into_iter().collect();
    cautions.extend(super::gaps(scores));
    if tasters.is_empty() {
        cautions.push(
            "The table does not say who scored: every score counts as one observation of its own. \
             If tasters scored several lots, name their column with --taster."
                .to_owned(),
        );
    }
    let by_term: Vec<(&str, &[String])> =
        found.iter().map(|t| (t.lots.term.as_str(), t.lots.cautions.as_slice())).collect();
    cautions.extend(gathered(&by_term));
    let mut finding = Compare {
        schema: "compare/1".to_owned(),
        source: scores.source.clone(),
        settings: *settings,
        lots: scores.words("lot"),
        individual_opinions: !tasters.is_empty() && tasters.len() <= FEW_TASTERS,
        tasters,
        n_scores: scores.n_scores(),
        n_gaps: scores.terms().iter().map(|t| t.gaps).sum(),
        sentences: Vec::new(),
        cautions,
        terms: found,
        exclusions: exclusions(scores),
    };
    finding.sentences = finding.terms.iter().filter_map(|t| sentence(&t.lots)).collect();
    let untested = finding
        .terms
        .iter()
        .filter_map(|t| Some((t.lots.term.as_str(), t.lots.discriminates.reason()?)));
    finding.sentences.extend(super::untested(untested));
    let n_tested = finding.terms.iter().filter(|t| t.lots.lot_test.known().is_some()).count();
    if n_tested > 1 {
        finding.sentences.push(format!(
            "Of {n_tested} terms luck alone would show differences in {}.",
            say(ALPHA * n_tested as f64)
        ));
    }
    finding
}

fn sentence(t: &TermComparison) -> Option<String> {
    let test = match (&t.lot_test, &t.cochran) {
        (Answer::Known(test), _) => {
            format!("F {}, luck {}; {}", say(test.f), say(test.f_by_luck), say_p(test.p_value))
        }
        (_, Answer::Known(q)) => format!("Cochran's Q, {}", say_p(q.p_value)),
        _ => String::new(),
    };
    let words = match t.discriminates.known()? {
        false => format!("{}: the lots are not told apart ({test}).", t.term),
        true => {
            let Some(pairs) = t.differences.known() else {
                return Some(format!("{}: the lots differ ({test}).", t.term));
            };
            let differing: Vec<&Difference> =
                pairs.iter().filter(|d| d.difference.known().is_some_and(|d| d.differs)).collect();
            let largest = differing
                .iter()
                .filter_map(|d| Some((d, d.difference.known()?)))
                .max_by(|a, b| a.1.value.abs().total_cmp(&b.1.value.abs()));
            match largest {
                None => format!(
                    "{}: the lots differ ({test}), but no pair of them surely among {}.",
                    t.term,
                    count(pairs.len(), "pair", "pairs")
                ),
                Some((d, n)) => {
                    let (high, low, size, lower, upper) = if n.value >= 0.0 {
                        (&d.a, &d.b, n.value, n.tukey_lower, n.tukey_upper)
                    } else {
                        (&d.b, &d.a, -n.value, -n.tukey_upper, -n.tukey_lower)
                    };
                    format!(
                        "{}: {} of {} of lots {} ({test}); furthest apart are {high} and {low}, \
                         by {} ({} to {}).",
                        t.term,
                        differing.len(),
                        count(pairs.len(), "pair", "pairs"),
                        if differing.len() == 1 { "differs" } else { "differ" },
                        say(size),
                        say(lower),
                        say(upper)
                    )
                }
            }
        }
    };
    Some(words)
}
