//! Are two samples told apart? Triangle, duo-trio and paired tests, of sessions or of counts alone.

mod circumstances;
mod counted;
mod sentences;
mod tasters;

use std::collections::{BTreeMap, BTreeSet};

use blindsteep_stats::discrimination::repeated::Answers;
use schemars::JsonSchema;
use serde::Serialize;

use super::{Answer, Estimate, Exclusion, Settings, Source};
use crate::scores::{Method, PlannedTest, Trial, Trials};

pub use circumstances::{Circumstance, Part};
pub use counted::{Asked, Tasting};
pub use tasters::{OneTaster, RepeatedTasters};

/// The finding.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Difference {
    /// "difference/1".
    pub schema: String,
    /// Where the answers come from.
    pub source: Source,
    /// How the analysis was made.
    pub settings: Settings,
    /// The answer in sentences.
    pub sentences: Vec<String>,
    /// What to keep in mind, in sentences.
    pub cautions: Vec<String>,
    /// Test by test.
    pub tests: Vec<DifferenceTest>,
    /// What was left out and why; `n_scores` counts answers.
    pub exclusions: Vec<Exclusion>,
}

/// One test: two samples, one question.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct DifferenceTest {
    /// The session, or "counts".
    pub name: String,
    /// Triangle, duo-trio or paired.
    pub method: Method,
    /// The two samples; of a paired test with a stated direction the one expected to have more first.
    pub samples: Answer<[String; 2]>,
    /// Paired: of which term more was asked.
    pub term: Answer<String>,
    /// Whether both directions speak for a difference.
    pub two_sided: bool,
    /// How often an answer is right by luck.
    pub chance: f64,
    /// How often a difference may be claimed where there is none.
    pub alpha: f64,
    /// Answers that count.
    pub n_answers: u64,
    /// Right ones; two-sided: those for the first sample.
    pub n_correct: Answer<u64>,
    /// How many luck gets on average.
    pub by_luck: f64,
    /// Answers declined or lost.
    pub n_missing: usize,
    /// Answers excluded.
    pub n_excluded: usize,
    /// The least number that shows a difference, with the level it truly has.
    pub least: Answer<LeastCorrect>,
    /// Chance of so many right (two-sided: of so uneven a count) by luck alone, exactly.
    pub p_value: Answer<f64>,
    /// The same with excluded answers left in.
    pub p_with_excluded: Answer<f64>,
    /// Whether a difference is shown at alpha.
    pub shown: Answer<bool>,
    /// How far apart the samples are, in standard deviations of a single impression; two-sided with
    /// its sign, above 0 when the first sample has more.
    pub d_prime: DPrime,
    /// The share of answers in which the difference was noticed, if the others are guesses.
    pub distinguishers: Answer<Estimate>,
    /// What this number of answers can show.
    pub reach: Reach,
    /// Whether so few notice that the samples may be called alike.
    pub likeness: Answer<Likeness>,
    /// Each taster.
    pub tasters: Vec<OneTaster>,
    /// Tasters who answered more than once.
    pub repeated: Answer<RepeatedTasters>,
    /// Whether the serving made the answers easier: the place of the odd cup, the sample that was odd.
    pub circumstances: Vec<Circumstance>,
}

/// The least number of right answers.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct LeastCorrect {
    /// So many, or more (two-sided: for either sample).
    pub correct: u64,
    /// How often luck alone reaches it: never more than alpha, since numbers of answers jump.
    pub true_alpha: f64,
}

/// d-prime; what is infinite is given as unknown with that reason.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct DPrime {
    /// The value.
    pub value: Answer<f64>,
    /// Lower limit.
    pub lower: Answer<f64>,
    /// Upper limit.
    pub upper: Answer<f64>,
    /// Standard error, by the slope at the value, answers independent.
    pub se: Answer<f64>,
}

/// What a number of answers can show.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Reach {
    /// The share of distinguishers that is shown in 4 of 5 such tests.
    pub share_with_power_80: Answer<f64>,
    /// The share that was stated.
    pub stated_share: Answer<f64>,
    /// How often a test like this shows the stated share, answers independent.
    pub power: Answer<f64>,
    /// The same with tasters as unlike as these.
    pub power_of_these_tasters: Answer<f64>,
    /// The answers needed to show it with the stated power.
    pub needed: Answer<NeededAnswers>,
}

/// How many answers are needed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct NeededAnswers {
    /// The power they give.
    pub power: f64,
    /// The smallest number that gives it.
    pub first: u64,
    /// From here on every number gives it; between the two some do not, since power is a saw-tooth.
    pub stable: u64,
}

/// A test of likeness.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Likeness {
    /// The share of distinguishers that would matter.
    pub share: f64,
    /// How often so large a share may be overlooked.
    pub beta: f64,
    /// With so many right answers or fewer the share is smaller than that.
    pub most_correct: Answer<u64>,
    /// The answers needed, so that samples nobody tells apart are called alike with probability
    /// 1 - alpha.
    pub needed: Answer<NeededAnswers>,
    /// Whether likeness is shown.
    pub shown: Answer<bool>,
}

/// Answers a test from its counts alone.
#[must_use]
pub fn of_counts(asked: &Asked, settings: &Settings) -> Difference {
    let test = counted::test(asked, settings);
    let source = Source { kind: "counts".to_owned(), ..Source::default() };
    finish(source, vec![test], settings, Vec::new())
}

/// What one test is about: the session, the method, the term and the two samples.
type Question<'a> = (&'a str, Method, Option<&'a str>, &'a [String; 2]);

/// Answers the difference questions of sessions.
#[must_use]
pub fn difference(trials: &Trials, settings: &Settings) -> Difference {
    let mut groups: BTreeMap<Question<'_>, Vec<&Trial>> = BTreeMap::new();
    for t in &trials.trials {
        let key = (t.session.as_str(), t.method, t.question.as_deref(), &t.samples);
        groups.entry(key).or_default().push(t);
    }
    let tests: Vec<DifferenceTest> = groups
        .into_iter()
        .map(|((session, method, term, samples), own)| {
            let planned = trials.planned.iter().find(|p| p.session == session);
            of_trials(session, method, term, samples, &own, planned, settings)
        })
        .collect();
    let mut left_out: BTreeMap<&str, usize> = BTreeMap::new();
    for t in &trials.trials {
        if let Some(why) = &t.excluded {
            *left_out.entry(why).or_default() += 1;
        }
    }
    let left_out = left_out
        .into_iter()
        .map(|(reason, n_scores)| Exclusion { reason: reason.to_owned(), n_scores })
        .collect();
    let mut found = finish(trials.source.clone(), tests, settings, left_out);
    let late: BTreeSet<&str> = trials
        .planned
        .iter()
        .filter(|p| !p.committed_beforehand && p.expected.is_some())
        .map(|p| p.session.as_str())
        .collect();
    for session in late {
        found.cautions.push(format!(
            "{session}: the direction was not sealed before the tasting; a one-sided p-value is then \
             half of what it should be."
        ));
    }
    found
}

fn finish(
    source: Source,
    tests: Vec<DifferenceTest>,
    settings: &Settings,
    exclusions: Vec<Exclusion>,
) -> Difference {
    Difference {
        schema: "difference/1".to_owned(),
        source,
        settings: *settings,
        sentences: sentences::of(&tests),
        cautions: sentences::cautions(&tests),
        tests,
        exclusions,
    }
}

/// Right answers, counted by taster.
fn by_taster<'a>(trials: impl Iterator<Item = &'a Trial>) -> Vec<(String, Answers)> {
    let mut all: BTreeMap<&str, Answers> = BTreeMap::new();
    for t in trials {
        if let Some(correct) = t.correct {
            let own = all.entry(&t.taster).or_insert(Answers { correct: 0, answers: 0 });
            own.answers += 1;
            own.correct += u64::from(correct);
        }
    }
    all.into_iter().map(|(taster, a)| (taster.to_owned(), a)).collect()
}

fn of_trials(
    session: &str,
    method: Method,
    term: Option<&str>,
    samples: &[String; 2],
    own: &[&Trial],
    planned: Option<&PlannedTest>,
    settings: &Settings,
) -> DifferenceTest {
    let kept: Vec<&Trial> = own.iter().copied().filter(|t| t.excluded.is_none()).collect();
    let counts = |trials: &[&Trial]| by_taster(trials.iter().copied());
    let asked = |tasters: Vec<(String, Answers)>| Asked {
        name: session.to_owned(),
        method,
        two_sided: method == Method::Paired && planned.is_none_or(|p| p.expected.is_none()),
        alpha: planned.map_or(super::ALPHA, |p| p.alpha),
        share: planned.and_then(|p| p.distinguishers),
        power: planned.and_then(|p| p.power),
        n_answers: tasters.iter().map(|t| t.1.answers).sum(),
        n_correct: Some(tasters.iter().map(|t| t.1.correct).sum()),
        tasting: Tasting::Named(tasters),
    };
    let mut test = counted::test(&asked(counts(&kept)), settings);
    test.samples = Answer::Known(samples.clone());
    test.term = term.map_or_else(
        || Answer::unknown("no term is asked in such a test"),
        |t| Answer::Known(t.to_owned()),
    );
    test.n_missing = kept.iter().filter(|t| t.correct.is_none()).count();
    test.n_excluded = own.len() - kept.len();
    test.p_with_excluded = if test.n_excluded == 0 {
        Answer::unknown("no answer is excluded")
    } else {
        counted::p_value(&asked(counts(own)))
    };
    test.circumstances = circumstances::of(method, &kept, settings);
    test
}
