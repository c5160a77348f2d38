//! How does it move?
//!
//! A stored sample is tasted again and again, and a panel is never the same twice. One mixed
//! model a term has a mean for every sample in every session; everything that is said here is a
//! contrast of these means. Where the reference was served in both sessions, its own movement is
//! taken off: what is left is the tea's, if the reference stayed the same.

mod courses;
mod forms;
mod project;
mod real;
mod served;
pub mod summary;
mod term;
mod words;

use rayon::prelude::*;
use schemars::JsonSchema;
use serde::Serialize;

use super::agree::exclusions;
use super::term_comparison::{LabelCount, LevelNumbers};
use super::{ALPHA, Answer, Exclusion, FEW_TASTERS, Model, Settings};
pub use crate::scores::LotTimes;
use crate::scores::{ScaleKind, Scores, Source, WHATEVER_AGE};
use courses::Asking;
pub use forms::{BandPoint, Bands, CourseFit, CourseOf, Form, FormFit, HalfTime, LackOfFit};
pub use project::Projection;
pub use real::{FirstReal, Since};
use served::{Followed, Served};
use term::Term;

/// The finding.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Age {
    /// "age/2".
    pub schema: String,
    /// Where the scores come from.
    pub source: Source,
    /// How the analysis was made.
    pub settings: Settings,
    /// From where ages count.
    pub clock: String,
    /// The sample that is held to be the same at all times.
    pub reference: Answer<String>,
    /// All tasters.
    pub tasters: Vec<String>,
    /// Scores, excluded ones included.
    pub n_scores: usize,
    /// Scores that were due and are missing.
    pub n_gaps: usize,
    /// Whether there are so few tasters that these are individual opinions.
    pub individual_opinions: bool,
    /// Changes from first to last tasting among which the q-values were adjusted.
    pub n_changes_asked: usize,
    /// Means over sessions of differences of arms among which their q-values were adjusted.
    pub n_arm_differences_asked: usize,
    /// The answer in sentences.
    pub sentences: Vec<String>,
    /// What to keep in mind, in sentences.
    pub cautions: Vec<String>,
    /// How the panel drifted, as the reference shows.
    pub drift: Answer<Vec<TermCourse>>,
    /// Sample by sample.
    pub samples: Vec<SampleAge>,
    /// Arms of one lot against each other.
    pub arms: Vec<ArmPair>,
    /// The model of each term.
    pub models: Vec<TermModel>,
    /// What was left out and why.
    pub exclusions: Vec<Exclusion>,
}

/// A sample and how it moved.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SampleAge {
    /// The sample: lot or lot@arm.
    pub sample: String,
    /// Its lot.
    pub lot: String,
    /// Its arm, if the lot was split.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub arm: Option<String>,
    /// When it was tasted, by age.
    pub tastings: Vec<Tasting>,
    /// Term by term.
    pub terms: Vec<TermCourse>,
    /// What can be said of it.
    pub sentences: Vec<String>,
}

/// A tasting of a sample.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Tasting {
    /// The session.
    pub session: String,
    /// Its age, in months.
    pub month: f64,
    /// What was served: before a split, the lot that was not split yet.
    pub sample: String,
    /// The recipe, if recipes are recorded.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub recipe: Option<String>,
    /// True where it counts with the others; else why it does not.
    pub pooled: Answer<bool>,
    /// True where the reference was served beside it; else why nothing is corrected.
    pub reference: Answer<bool>,
    /// Scores used, over all terms.
    pub n_scores: usize,
    /// Tasters who scored it.
    pub n_tasters: usize,
}

/// How one term of a sample moved.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct TermCourse {
    /// The term.
    pub term: String,
    /// Its scale.
    pub scale: ScaleKind,
    /// The ends of its scale; where they are not known, the lowest and highest score.
    pub ends: Answer<[f64; 2]>,
    /// Where the reference stands: its mean over the sessions in which it was served. Added to
    /// what a point is beside the reference it gives the corrected level.
    pub held: Answer<f64>,
    /// Tasting by tasting, by age.
    pub points: Vec<Point>,
    /// From the first to the last tasting that count together, the panel's drift taken off.
    pub last_change: Answer<Change>,
    /// The same as the scores say it: the panel's drift is in it.
    pub last_change_raw: Answer<Change>,
    /// How the panel drifted meanwhile: what was taken off.
    pub panel_drift: Answer<Change>,
    /// The corrected change with excluded scores left in.
    pub last_change_with_excluded: Answer<Change>,
    /// The slope a year of a straight course through the tastings, the panel's drift taken off.
    pub per_year: Answer<Change>,
    /// The same as the scores say it.
    pub per_year_raw: Answer<Change>,
    /// The course through the tastings that count together.
    pub fit: Answer<CourseFit>,
    /// The first tasting at which the change from the first is beyond luck.
    pub first_real: Answer<FirstReal>,
    /// What changed from each tasting to the last.
    pub since: Vec<Since>,
    /// What a further tasting would be, where it was asked.
    pub projection: Answer<Projection>,
}

/// One tasting in one term.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Point {
    /// The session.
    pub session: String,
    /// The age, in months.
    pub month: f64,
    /// The recipe, if recipes are recorded.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub recipe: Option<String>,
    /// Whether it counts with the others.
    pub pooled: bool,
    /// Scores used.
    pub n_scores: usize,
    /// The level as the scores say it, tasters a sample.
    pub raw: Answer<LevelNumbers>,
    /// Less the reference of the session: the panel's drift is in both and drops out.
    pub beside: Answer<Change>,
    /// The level with the reference held constant.
    pub corrected: Answer<LevelNumbers>,
    /// Less the first tasting, as the scores say it.
    pub change_raw: Answer<Change>,
    /// Less the first tasting, the reference held constant.
    pub change: Answer<Change>,
    /// How often each tick or category was given.
    pub shares: Answer<Vec<LabelCount>>,
}

/// A change with its interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct Change {
    /// The change.
    pub value: f64,
    /// Standard error.
    pub se: f64,
    /// Satterthwaite's degrees of freedom.
    pub df: f64,
    /// Lower limit.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
    /// Two-sided p of this change alone.
    pub p_value: f64,
    /// The share of false ones to expect among all asked that have a q as small
    /// (Benjamini-Hochberg); only of the changes that were asked.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub q_value: Option<f64>,
}

/// Whether a change is shown among all that were asked, at [`ALPHA`].
#[must_use]
pub fn is_shown(c: &Change) -> bool {
    c.q_value.is_some_and(|q| q < ALPHA)
}

/// Two arms of a lot, compared within sessions: the panel's drift is the same for both.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ArmPair {
    /// The lot.
    pub lot: String,
    /// The sample from which the other is taken.
    pub a: String,
    /// The other.
    pub b: String,
    /// Term by term.
    pub terms: Vec<ArmTerm>,
    /// What can be said of them.
    pub sentences: Vec<String>,
}

/// Two arms in one term.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ArmTerm {
    /// The term.
    pub term: String,
    /// Its scale.
    pub scale: ScaleKind,
    /// a less b, session by session.
    pub sessions: Vec<ArmSession>,
    /// The mean over these sessions.
    pub mean: Answer<Change>,
}

/// Two arms in one session.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ArmSession {
    /// The session.
    pub session: String,
    /// The age of both, in months.
    pub month: f64,
    /// a less b.
    pub difference: Answer<Change>,
}

/// The model of a term.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct TermModel {
    /// The term.
    pub term: String,
    /// Its scale.
    pub scale: ScaleKind,
    /// Scores used.
    pub n_scores: usize,
    /// Scores that are missing.
    pub n_gaps: usize,
    /// Scores left out with a reason.
    pub n_excluded: usize,
    /// The model.
    pub model: Answer<Model>,
}

/// What is asked of the stored samples.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct AgeWish {
    /// Only these lots, or arms named lot@arm; all where none is named.
    pub of: Vec<String>,
    /// Ages ahead, in months, at which a further tasting is projected.
    pub project: Vec<f64>,
}

/// Answers the question for all samples.
#[must_use]
pub fn age(scores: &Scores, lots: &LotTimes, settings: &Settings) -> Age {
    age_of(scores, lots, &AgeWish::default(), settings)
}

/// Answers the question as it is wished. All scores are used for the models; only what is asked is
/// adjusted for how much is asked.
#[must_use]
pub fn age_of(scores: &Scores, lots: &LotTimes, wish: &AgeWish, settings: &Settings) -> Age {
    answer(scores, lots, wish, true, settings)
}

/// Answers the question for all samples; what excluded scores would have said is not worked out.
#[must_use]
pub fn age_without_excluded(scores: &Scores, lots: &LotTimes, settings: &Settings) -> Age {
    answer(scores, lots, &AgeWish::default(), false, settings)
}

fn answer(
    scores: &Scores,
    lots: &LotTimes,
    wish: &AgeWish,
    with_excluded: bool,
    settings: &Settings,
) -> Age {
    let main = scores.all_terms(false);
    let served = Served::of(scores, &main);
    let reference = served.reference(&scores.source.references);
    let terms = Term::all(scores, main, with_excluded);
    let of = &wish.of;
    let asking = Asking {
        terms: &terms,
        reference: &reference,
        project: &wish.project,
        level: settings.level,
    };
    let followed: Vec<Followed> = served
        .samples(lots, reference.known())
        .into_iter()
        .filter(|f| of.is_empty() || of.iter().any(|o| *o == f.sample || *o == f.time.lot))
        .collect();
    let mut samples: Vec<SampleAge> =
        followed.par_iter().map(|f| asking.sample(f, &served)).collect();
    let mut arms = asking.arms(&followed, &served);
    let mut drift = asking.drift(&served);

    let n_changes_asked = adjust(
        samples.iter_mut().flat_map(|s| &mut s.terms).filter_map(|t| known_mut(&mut t.last_change)),
    );
    let n_arm_differences_asked =
        adjust(arms.iter_mut().flat_map(|a| &mut a.terms).filter_map(|t| known_mut(&mut t.mean)));
    if let Answer::Known(courses) = &mut drift {
        adjust(courses.iter_mut().filter_map(|t| known_mut(&mut t.per_year_raw)));
        adjust(courses.iter_mut().filter_map(|t| known_mut(&mut t.last_change_raw)));
    }

    let tasters = scores.words("taster");
    let models: Vec<TermModel> = terms.iter().map(Term::report).collect();
    for s in &mut samples {
        s.sentences = words::of_sample(s, &models);
    }
    for a in &mut arms {
        a.sentences = words::of_arms(a);
    }
    let mut source = scores.source.clone();
    source.notes.retain(|note| !note.ends_with(WHATEVER_AGE));
    let mut finding = Age {
        schema: "age/2".to_owned(),
        source,
        settings: *settings,
        clock: lots.clock.clone(),
        individual_opinions: !tasters.is_empty() && tasters.len() <= FEW_TASTERS,
        reference,
        tasters,
        n_scores: scores.n_scores(),
        n_gaps: scores.terms().iter().map(|t| t.gaps).sum(),
        n_changes_asked,
        n_arm_differences_asked,
        sentences: Vec::new(),
        cautions: Vec::new(),
        drift,
        samples,
        arms,
        models,
        exclusions: exclusions(scores),
    };
    finding.sentences = words::of_all(&finding);
    finding.cautions = words::cautions(&finding, scores, &terms);
    finding
}

/// The q-values of all that was asked; how much that was.
fn adjust<'a>(asked: impl Iterator<Item = &'a mut Change>) -> usize {
    let mut asked: Vec<&mut Change> = asked.collect();
    let p: Vec<f64> = asked.iter().map(|c| c.p_value).collect();
    // Every p is a number from 0 to 1, or there would be no change.
    let q = blindsteep_stats::multiple::benjamini_hochberg(&p).unwrap_or_default();
    for (change, q) in asked.iter_mut().zip(q) {
        change.q_value = Some(q);
    }
    asked.len()
}

fn known_mut<T>(answer: &mut Answer<T>) -> Option<&mut T> {
    match answer {
        Answer::Known(value) => Some(value),
        Answer::Unknown(_) => None,
    }
}
