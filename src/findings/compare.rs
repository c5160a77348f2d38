//! Which lots differ?

use rayon::prelude::*;
use schemars::JsonSchema;
use serde::Serialize;

use super::against::{AgainstNumbers, Alike, AlikeNumbers, Better, Wish};
use super::agree::{Exclusion, adjusted, exclusions, gathered, holm, opinions, test_with_excluded};
use super::lot_map::{self, LotMap, TermOnMap};
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
    /// Terms in which the lots were tested: so many questions p is adjusted for.
    pub n_tested: usize,
    /// Term by term.
    pub terms: Vec<ComparedTerm>,
    /// The lots on a map of the terms that the panel tells apart.
    pub map: Answer<LotMap>,
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
pub fn compare(scores: &Scores, wish: &Wish, settings: &Settings) -> Compare {
    let tasters = scores.words("taster");
    let (found, on_map) = compared(scores, wish, settings);
    let on_map: Vec<(&str, &TermOnMap, &Answer<[f64; 2]>)> = found
        .iter()
        .zip(&on_map)
        .filter_map(|(t, m)| Some((t.lots.term.as_str(), m.as_ref()?, &t.lots.ends)))
        .collect();
    let map = lot_map::lot_map(&on_map, settings);
    drop(on_map);
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
        n_tested: found.iter().filter(|t| t.lots.discriminates.known().is_some()).count(),
        terms: found,
        map,
        exclusions: exclusions(scores),
    };
    finding.sentences = finding.terms.iter().filter_map(|t| sentence(&t.lots)).collect();
    finding.sentences.extend(finding.terms.iter().filter_map(|t| alike_sentence(&t.lots)));
    let untested = finding
        .terms
        .iter()
        .filter_map(|t| Some((t.lots.term.as_str(), t.lots.discriminates.reason()?)));
    finding.sentences.extend(super::untested(untested));
    let n_tested = finding.n_tested;
    let below = |p: fn(&TermComparison) -> &Answer<f64>| {
        finding.terms.iter().filter(|t| p(&t.lots).known().is_some_and(|p| *p < ALPHA)).count()
    };
    if n_tested > 1 {
        finding.sentences.push(format!(
            "Of {n_tested} terms luck alone would show differences in {}. Adjusted for {n_tested}, \
             {} show them where no false one is allowed (Holm), {} where 1 in 20 may be false \
             (Benjamini and Hochberg).",
            say(ALPHA * n_tested as f64),
            below(|t| &t.p_holm),
            below(|t| &t.p_benjamini_hochberg),
        ));
    }
    let steeped = finding.terms.iter().filter_map(|t| steep_sentence(&t.lots));
    finding.sentences.extend(steeped.collect::<Vec<_>>());
    finding
}

/// The terms alone, without a map.
#[must_use]
pub fn terms(scores: &Scores, settings: &Settings) -> Vec<ComparedTerm> {
    compared(scores, &Wish::default(), settings).0
}

fn compared(
    scores: &Scores,
    wish: &Wish,
    settings: &Settings,
) -> (Vec<ComparedTerm>, Vec<Option<TermOnMap>>) {
    let terms: Vec<TermScores> = scores.all_terms(false);
    let (mut found, on_map): (Vec<ComparedTerm>, Vec<Option<TermOnMap>>) = terms
        .par_iter()
        .with_max_len(1)
        .map(|t| {
            let (lots, on_map) = term_comparison::of(t, &scores.source.references, wish, settings);
            let with_excluded = test_with_excluded(scores, &t.term.id, t.n_excluded);
            (ComparedTerm { lots, lot_test_with_excluded: with_excluded }, on_map)
        })
        .unzip();
    let tests: Vec<Answer<f64>> =
        found.iter().map(|t| super::deciding_p(&t.lots.lot_test, &t.lots.cochran)).collect();
    let by_holm = holm(&tests);
    let by_discovery = adjusted(&tests, blindsteep_stats::multiple::benjamini_hochberg);
    for ((term, p_holm), p) in found.iter_mut().zip(by_holm).zip(by_discovery) {
        term.lots.p_holm = p_holm;
        term.lots.p_benjamini_hochberg = p;
    }
    (found, on_map)
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
        false if t.against_control.known().is_some() => return control_sentence(t, &test),
        false => format!("{}: the lots are not told apart ({test}).", t.term),
        true if t.against_control.known().is_some() => return control_sentence(t, &test),
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

/// The lots against the control, whatever the test of all lots says: Dunnett's test needs none
/// before it.
fn control_sentence(t: &TermComparison, test: &str) -> Option<String> {
    let c = t.against_control.known()?;
    let known: Vec<(&str, &AgainstNumbers)> =
        c.lots.iter().filter_map(|l| Some((l.lot.as_str(), l.difference.known()?))).collect();
    let differing: Vec<_> = known.iter().filter(|(_, n)| n.differs).collect();
    let (one, many) = match c.better {
        Better::Either => ("differs from", "differ from"),
        Better::Higher => ("is higher than", "are higher than"),
        Better::Lower => ("is lower than", "are lower than"),
    };
    let Some((lot, n)) =
        differing.iter().max_by(|a, b| a.1.t.abs().total_cmp(&b.1.t.abs())).copied()
    else {
        return Some(format!(
            "{}: none of {} is shown to {} {} (Dunnett; all lots: {test}).",
            t.term,
            count(known.len(), "lot", "lots"),
            many.replacen("are ", "be ", 1),
            c.control
        ));
    };
    let limits = match (n.lower.known(), n.upper.known()) {
        (Some(lower), Some(upper)) => format!("{} to {}", say(*lower), say(*upper)),
        (Some(lower), None) => format!("at least {}", say(*lower)),
        (None, Some(upper)) => format!("at most {}", say(*upper)),
        (None, None) => String::new(),
    };
    Some(format!(
        "{}: {} of {} {} {} ({test}); the surest is {lot}, by {} ({limits}).",
        t.term,
        differing.len(),
        count(known.len(), "lot", "lots"),
        if differing.len() == 1 { one } else { many },
        c.control,
        say(n.value),
    ))
}

/// Which lots were shown to be alike within the margin.
fn alike_sentence(t: &TermComparison) -> Option<String> {
    let a = t.alike_within.known()?;
    let known: Vec<(&Alike, &AlikeNumbers)> =
        a.pairs.iter().filter_map(|p| Some((p, p.numbers.known()?))).collect();
    let shown: Vec<&(&Alike, &AlikeNumbers)> = known.iter().filter(|(_, n)| n.alike).collect();
    let margin = say(a.margin);
    let rest = known.len() - shown.len();
    Some(match (a.control.known(), shown.as_slice()) {
        (Some(control), []) => format!(
            "{}: no lot is shown to be the same as {control} within ±{margin}; that does not show \
             that any differs.",
            t.term
        ),
        (Some(control), shown) => {
            /// More names than these make no sentence.
            const NAMED: usize = 8;
            let names: Vec<String> = shown.iter().map(|(p, _)| p.a.clone()).collect();
            let who = if names.len() > NAMED {
                count(names.len(), "lot", "lots")
            } else {
                super::listed(&names)
            };
            let are = if names.len() == 1 { "is" } else { "are" };
            let more = if rest == 0 {
                String::new()
            } else {
                format!(
                    " of {} {} it is not shown",
                    rest,
                    if rest == 1 { "other" } else { "others" }
                )
            };
            let more = if more.is_empty() { more } else { format!(";{more}") };
            format!("{}: {who} {are} the same as {control} within ±{margin}{more}.", t.term)
        }
        (None, shown) => format!(
            "{}: {} of {} of lots {} shown to be the same within ±{margin}.",
            t.term,
            shown.len(),
            count(known.len(), "pair", "pairs"),
            if shown.len() == 1 { "is" } else { "are" }
        ),
    })
}

/// Whether the lots change alike from steep to steep.
fn steep_sentence(t: &TermComparison) -> Option<String> {
    let s = t.steeps.known()?;
    let test = s.course_test.known()?;
    let words = format!("F {}, luck {}; {}", say(test.f), say(test.f_by_luck), say_p(test.p_value));
    let n = s.steeps.len();
    Some(if test.differs() {
        format!("{}: over {n} steeps the lots take different courses ({words}).", t.term)
    } else {
        format!(
            "{}: no lot is shown to change otherwise than the rest over {n} steeps ({words}).",
            t.term
        )
    })
}
