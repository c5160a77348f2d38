//! How does it move?
//!
//! A stored sample is tasted again and again, and a panel is never the same twice. One mixed
//! model a term has a mean for every sample in every session; everything that is said here is a
//! contrast of these means. Where the reference was served in both sessions, its own movement is
//! taken off: what is left is the tea's, if the reference stayed the same.

pub mod arms;
pub mod bridge;
mod courses;
pub mod equal_age;
mod forms;
mod line;
mod network;
mod project;
mod real;
pub mod refires;
pub mod route;
mod served;
mod shared;
pub mod summary;
mod sums;
pub mod taster_drift;
mod term;
pub mod tests_of;
pub mod without;
mod words;

use rayon::prelude::*;
use schemars::JsonSchema;
use serde::Serialize;

use super::agree::exclusions;
use super::term_comparison::{LabelCount, LevelNumbers};
use super::{ALPHA, Answer, Exclusion, FEW_TASTERS, Model, Settings};
pub use crate::scores::LotTimes;
use crate::scores::{ScaleKind, Scores, Source, Trials, WHATEVER_AGE};
use arms::StorePair;
use bridge::Bridge;
use courses::{Asking, Told};
use equal_age::Years;
pub use forms::{BandPoint, Bands, CourseFit, CourseOf, Form, FormFit, Gap, HalfTime, LackOfFit};
use network::Net;
pub use project::Projection;
pub use real::{FirstReal, Since};
use refires::Refire;
use route::{Places, RecipeBridge};
use served::{Followed, Served};
pub use shared::{Estimated, SharedDrift, TermDrift};
use taster_drift::TasterDrift;
use term::Term;
use tests_of::ToldApart;
use without::PairMoved;

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
    /// The sample that is held to be the same at all times; of several the one of most sessions.
    pub reference: Answer<String>,
    /// All samples that are held so, those of most sessions first.
    pub references: Vec<String>,
    /// What links them: each, brewed by each recipe, against the one to which all is corrected.
    pub bridges: Vec<Bridge>,
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
    /// How the panel drifted, as the references show.
    pub drift: Answer<Vec<TermCourse>>,
    /// The same on all line terms together, each with the others taken as evidence.
    pub shared_drift: Answer<SharedDrift>,
    /// How each taster drifted, as the own scores of the reference show.
    pub taster_drift: Answer<Vec<TasterDrift>>,
    /// What the correction took off, over all samples that are followed.
    pub correction: Vec<Correction>,
    /// Sample by sample.
    pub samples: Vec<SampleAge>,
    /// Samples that are not followed, and why.
    pub not_followed: Vec<NotFollowed>,
    /// Arms of one lot against each other.
    pub arms: Vec<ArmPair>,
    /// Ways to store against each other, over the lots that were split so.
    pub stores: Vec<StorePair>,
    /// Lots that were fired again against what they were fired from.
    pub refires: Vec<Refire>,
    /// Lots of different years at equal age.
    pub years: Answer<Years>,
    /// Triangles, duo-trios and pairs of packs of one lot, or with the reference.
    pub told_apart: Answer<Vec<ToldApart>>,
    /// Without a reference: how samples that were served together moved apart.
    pub pairs: Answer<Vec<PairMoved>>,
    /// The model of each term.
    pub models: Vec<TermModel>,
    /// What was left out and why.
    pub exclusions: Vec<Exclusion>,
}

/// What the correction took off in one term.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Correction {
    /// The term.
    pub term: String,
    /// Its scale.
    pub scale: ScaleKind,
    /// Samples whose corrected change is known.
    pub n_samples: usize,
    /// The mean over these samples of the change as scored less the corrected change: what the panel's
    /// drift added to them. q among all terms.
    pub taken_off: Answer<Change>,
}

/// A sample that is not followed.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct NotFollowed {
    /// The sample.
    pub sample: String,
    /// Why.
    pub reason: String,
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
    /// By what it was brought to the recipe of the first tasting, where it was brewed by another.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bridge: Option<RecipeBridge>,
    /// True where a reference tells the panel's shift in it; else why nothing is corrected.
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

impl Age {
    /// The lots that are followed, in the order of their samples.
    #[must_use]
    pub fn lots(&self) -> Vec<&str> {
        let mut lots: Vec<&str> = Vec::new();
        for s in &self.samples {
            if !lots.contains(&s.lot.as_str()) {
                lots.push(&s.lot);
            }
        }
        lots
    }
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
    /// Whether lots of different years are compared at equal age.
    pub years: bool,
}

/// What is known of the stored samples.
#[derive(Debug, Clone, Copy)]
pub struct AgeRecord<'a> {
    /// Their scores.
    pub scores: &'a Scores,
    /// When they were made, split and fired again.
    pub lots: &'a LotTimes,
    /// Triangles, duo-trios and pairs, if there are any.
    pub trials: Option<&'a Trials>,
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
    answer(&AgeRecord { scores, lots, trials: None }, wish, true, settings)
}

/// The same of all that is known.
#[must_use]
pub fn age_of_record(record: &AgeRecord<'_>, wish: &AgeWish, settings: &Settings) -> Age {
    answer(record, wish, true, settings)
}

/// Answers the question for all samples; what excluded scores would have said is not worked out.
#[must_use]
pub fn age_without_excluded(scores: &Scores, lots: &LotTimes, settings: &Settings) -> Age {
    let record = AgeRecord { scores, lots, trials: None };
    answer(&record, &AgeWish::default(), false, settings)
}

fn answer(record: &AgeRecord<'_>, wish: &AgeWish, with_excluded: bool, settings: &Settings) -> Age {
    let AgeRecord { scores, lots, trials } = *record;
    let main = scores.all_terms(false);
    let served = Served::of(scores, &main);
    let references = served.references(&scores.source.references);
    let held = references.known().cloned().unwrap_or_default();
    let (nodes, sittings) = (network::nodes(served.cells(), &held), served.sittings());
    let net = Net::of(served.cells().map(|c| (c, 0)), &nodes, &sittings);
    let places = Places { net: &net, nodes: &nodes, sittings: &sittings, references: &references };
    let terms = Term::all(scores, main, with_excluded);
    let asking = Asking::of(&terms, &served, lots, &places, (&wish.project, settings.level));
    let (followed, not_followed) = followed(&served, lots, &held, &wish.of);
    let told: Vec<Told> = followed.par_iter().map(|f| asking.sample(f)).collect();

    let pairs_of_arms = asking.arms(&followed);
    let mut stores = asking.stores(&pairs_of_arms);
    let mut arms: Vec<ArmPair> = pairs_of_arms.into_iter().map(|p| p.pair).collect();
    let mut drift = asking.drift();
    let tasters = scores.words("taster");
    let mut taster_drift = asking.taster_drift(&tasters);
    let mut correction = asking.correction(&told);
    let mut bridges = asking.bridges();
    let mut refires = asking.refires(&followed, &told);
    let mut years = if wish.years {
        asking.years(&followed, &told)
    } else {
        Answer::unknown("it was not asked for")
    };
    let mut pairs = asking.pairs_moved(&followed);
    let mut samples: Vec<SampleAge> = told.into_iter().map(|t| t.sample).collect();

    let n_changes_asked = adjust(
        samples.iter_mut().flat_map(|s| &mut s.terms).filter_map(|t| known_mut(&mut t.last_change)),
    );
    let n_arm_differences_asked =
        adjust(arms.iter_mut().flat_map(|a| &mut a.terms).filter_map(|t| known_mut(&mut t.mean)));
    let of_stores = stores.iter_mut().flat_map(|s| &mut s.terms);
    adjust(of_stores.filter_map(|t| known_mut(&mut t.of_these_lots)));
    let of_stores = stores.iter_mut().flat_map(|s| &mut s.terms);
    adjust(of_stores.filter_map(|t| known_mut(&mut t.of_such_lots)));
    adjust(correction.iter_mut().filter_map(|c| known_mut(&mut c.taken_off)));
    adjust(bridges.iter_mut().flat_map(Bridge::apart_mut));
    let of_refires = refires.iter_mut().flat_map(|r| &mut r.terms);
    adjust(of_refires.filter_map(|t| known_mut(&mut t.difference)));
    if let Some(courses) = known_mut(&mut drift) {
        adjust(courses.iter_mut().filter_map(|t| known_mut(&mut t.per_year_raw)));
        adjust(courses.iter_mut().filter_map(|t| known_mut(&mut t.last_change_raw)));
    }
    if let Some(all) = known_mut(&mut taster_drift) {
        let terms = all.iter_mut().flat_map(|t| &mut t.terms);
        adjust(terms.filter_map(|t| known_mut(&mut t.from_others)));
    }
    if let Some(years) = known_mut(&mut years) {
        years.n_asked = adjust(years.differences_mut().into_iter());
    }
    if let Some(pairs) = known_mut(&mut pairs) {
        let terms = pairs.iter_mut().flat_map(|p| &mut p.terms);
        adjust(terms.filter_map(|t| known_mut(&mut t.apart)));
        pairs.iter_mut().for_each(|p| p.sentences = p.told());
    }

    let shared_drift = drift.as_ref().and_then(|c| shared::shared(c, settings.level));
    let models: Vec<TermModel> = terms.iter().map(Term::report).collect();
    for s in &mut samples {
        s.sentences = words::of_sample(s, &models);
        s.sentences.extend(summary::gaps(s));
    }
    for a in &mut arms {
        a.sentences = words::of_arms(a);
    }
    stores.iter_mut().for_each(|s| s.sentences = words::of_stores(s));
    refires.iter_mut().for_each(|r| r.sentences = r.told());
    let mut source = scores.source.clone();
    source.notes.retain(|note| !note.ends_with(WHATEVER_AGE));
    let mut finding = Age {
        schema: "age/2".to_owned(),
        source,
        settings: *settings,
        clock: lots.clock.clone(),
        individual_opinions: !tasters.is_empty() && tasters.len() <= FEW_TASTERS,
        reference: references.as_ref().map(|all| all.first().cloned().unwrap_or_default()),
        references: held.clone(),
        bridges,
        tasters,
        n_scores: scores.n_scores(),
        n_gaps: scores.terms().iter().map(|t| t.gaps).sum(),
        n_changes_asked,
        n_arm_differences_asked,
        sentences: Vec::new(),
        cautions: Vec::new(),
        drift,
        shared_drift,
        taster_drift,
        correction,
        samples,
        not_followed,
        arms,
        stores,
        refires,
        years,
        told_apart: match trials {
            Some(trials) => {
                let mut all = tests_of::tests_of(trials, &held, lots, settings);
                all.retain(|t| {
                    t.samples
                        .iter()
                        .any(|s| asked(&wish.of, s, &lots.of(s).lot) || held.contains(s))
                });
                Answer::Known(all)
            }
            None => Answer::unknown("no session asked whether two samples are told apart"),
        },
        pairs,
        models,
        exclusions: exclusions(scores),
    };
    finding.sentences = words::of_all(&finding);
    finding.cautions = words::cautions(&finding, scores, &terms);
    finding
}

/// The samples that are followed, and those that are not though they are asked for.
fn followed(
    served: &Served,
    lots: &LotTimes,
    references: &[String],
    of: &[String],
) -> (Vec<Followed>, Vec<NotFollowed>) {
    let asked =
        |f: &Followed| of.is_empty() || of.iter().any(|o| *o == f.sample || *o == f.time.lot);
    let all = served.samples(lots, references).into_iter().filter(asked);
    let (without, with): (Vec<Followed>, Vec<Followed>) =
        all.partition(|f| lots.without.contains_key(&f.sample));
    let not_followed = without
        .into_iter()
        .filter_map(|f| {
            Some(NotFollowed { reason: lots.without.get(&f.sample)?.clone(), sample: f.sample })
        })
        .collect();
    (with, not_followed)
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

/// Whether a sample of a lot is among those asked for; all are where none is named.
fn asked(of: &[String], sample: &str, lot: &str) -> bool {
    of.is_empty() || of.iter().any(|o| o == sample || o == lot)
}

fn known_mut<T>(answer: &mut Answer<T>) -> Option<&mut T> {
    match answer {
        Answer::Known(value) => Some(value),
        Answer::Unknown(_) => None,
    }
}
