//! The course of a term through its tastings: forms, bands, the rate, the time to half of the change,
//! and what a further tasting would be.

use blindsteep_stats::courses::{self, Course, NoHalf};
use blindsteep_stats::mixed::Family;
use schemars::JsonSchema;
use serde::Serialize;

use super::super::term_comparison::finite;
use super::super::{Answer, count};
use super::project;
use super::real::{self, FirstReal, Since};
use super::sums::change;
use super::words::say_month;
use super::{Change, Projection};

/// Months in a year.
pub(super) const YEAR: f64 = 12.0;
/// Pieces into which the whole span is cut for a band; each gap between tastings is cut alone, so that
/// every tasting has its place.
const PIECES: f64 = 24.0;
/// The band of a straight course alone bends so little that half of them will do.
const PIECES_OF_ONE: f64 = 12.0;
/// Ages nearer to each other than half a day are one.
const HALF_A_DAY: f64 = 0.5 / crate::book::time::DAYS_A_MONTH;
/// A gap is told from so many months on, if it is also this share of the span.
const LONG_GAP: f64 = 18.0;
const SHARE_OF_SPAN: f64 = 1.0 / 3.0;

/// What a course is fitted to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum CourseOf {
    /// What the points are beside the reference: the panel's drift is not in it.
    Corrected,
    /// The means as scored: the panel's drift is in it.
    AsScored,
}

/// The form of a course.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Form {
    /// The same change each month.
    Straight,
    /// It levels off: `b0 + b1 (1 - exp(-t / length))`, t from the first tasting on.
    Saturating,
    /// A natural cubic spline of four functions.
    Smooth,
}

impl Form {
    fn of(form: courses::Form) -> Self {
        match form {
            courses::Form::Straight => Self::Straight,
            courses::Form::Saturating => Self::Saturating,
            courses::Form::Smooth => Self::Smooth,
        }
    }

    /// Its name in a sentence.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Straight => "straight",
            Self::Saturating => "saturating",
            Self::Smooth => "smooth",
        }
    }
}

/// Whose bands they are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Bands {
    /// Averaged over the forms by their weights: which form is right is in the bands.
    Averaged,
    /// Of the straight form, the only one that so few tastings allow: conditional on it.
    Conditional,
}

/// A form that was fitted.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct FormFit {
    /// Which.
    pub form: Form,
    /// Parameters of its mean.
    pub n_parameters: usize,
    /// Squares that are left, in units of the means' own errors.
    pub deviance: f64,
    /// AICc, n the tastings.
    pub aicc: Answer<f64>,
    /// Its weight among the forms.
    pub weight: f64,
    /// Of the saturating form: the months in which 63% of the change are done.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub length: Option<f64>,
    /// Of the saturating form: whether that length is the shortest or longest that was tried.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub at_bound: Option<bool>,
    /// Of the smooth form: its knots, in months.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub knots: Vec<f64>,
}

/// How well the chosen form goes through the tastings.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct LackOfFit {
    /// Squares that are left for each degree of freedom, in units of the means' own errors.
    pub f: f64,
    /// Tastings less parameters.
    pub num_df: f64,
    /// The smallest degrees of freedom of the changes.
    pub den_df: f64,
    /// The chance of so large an F if the form is right.
    pub p_value: f64,
    /// By so much the intervals of this form are wider than the panel's own errors make them.
    pub widened_by: f64,
}

/// A point of a band.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct BandPoint {
    /// The age, in months.
    pub month: f64,
    /// The course there.
    pub value: f64,
    /// Lower limit, of this month alone.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
}

/// The time to half of the change.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct HalfTime {
    /// Months from the first tasting.
    pub months: f64,
    /// Lower limit; 0 where a step after the first tasting is as good.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
    /// The whole change to which this is half, where it levels off.
    pub whole: f64,
}

/// A fitted course.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct CourseFit {
    /// What it is of.
    pub of: CourseOf,
    /// The forms that were fitted.
    pub forms: Vec<FormFit>,
    /// The one with the smallest AICc.
    pub chosen: Form,
    /// Whose bands they are.
    pub bands: Bands,
    /// Tastings that count.
    pub n_tastings: usize,
    /// How well the chosen form goes through them.
    pub lack_of_fit: Answer<LackOfFit>,
    /// The course with its band from the first to the last tasting.
    pub band: Vec<BandPoint>,
    /// The rate a year of the straight form.
    pub rate: Answer<Change>,
    /// The time to half of the change of the saturating form.
    pub half_time: Answer<HalfTime>,
    /// Long times without a tasting: there the form speaks, not the panel.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub gaps: Vec<Gap>,
}

/// A long time without a tasting.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct Gap {
    /// The age at the tasting before, in months.
    pub from: f64,
    /// The age at the tasting after.
    pub to: f64,
}

impl Gap {
    /// What is to be said of it.
    #[must_use]
    pub fn sentence(self) -> String {
        format!(
            "No tasting between month {} and month {}: what a course does between is its form's, not \
             the panel's.",
            say_month(self.from),
            say_month(self.to)
        )
    }
}

/// A tasting that counts with the others.
#[derive(Debug, Clone)]
pub struct Tasted {
    /// The session.
    pub session: String,
    /// The age, in months.
    pub month: f64,
}

/// All that is asked of the tastings of one term together.
#[derive(Debug)]
pub struct Together {
    pub fit: Answer<CourseFit>,
    pub first_real: Answer<FirstReal>,
    pub since: Vec<Since>,
    pub projection: Answer<Projection>,
}

impl Together {
    /// Nothing is known, for one reason.
    #[must_use]
    pub fn unknown(reason: &str) -> Self {
        Self {
            fit: Answer::unknown(reason),
            first_real: Answer::unknown(reason),
            since: Vec::new(),
            projection: Answer::unknown(reason),
        }
    }
}

/// Fits the tastings of one sample in one term, whose means are `family`; `project` are the ages that
/// are asked ahead.
#[must_use]
pub fn fit(
    family: &Family,
    tasted: &[Tasted],
    of: CourseOf,
    project: &[f64],
    level: f64,
) -> Together {
    let first_real = real::first_real(family, tasted, level);
    let since = real::since(family, tasted, level);
    let months: Vec<f64> = tasted.iter().map(|t| t.month).collect();
    let apart = ages_apart(&months);
    if apart < courses::Form::Straight.least() {
        let why = format!(
            "a course needs {} tastings at ages of their own, and {}",
            courses::Form::Straight.least(),
            count(apart, "counts", "count")
        );
        return Together {
            fit: Answer::unknown(&why),
            first_real,
            since,
            projection: project::refused(project, &why),
        };
    }
    match Course::fit(&months, family) {
        Err(e) => Together {
            fit: Answer::unknown(e.to_string()),
            first_real,
            since,
            projection: project::refused(project, &e.to_string()),
        },
        Ok(course) => Together {
            fit: Answer::Known(fitted(&course, &months, of, level)),
            projection: project::projection(&course, &months, &first_real, project, level),
            first_real,
            since,
        },
    }
}

/// How many ages lie half a day or more apart.
pub(super) fn ages_apart(months: &[f64]) -> usize {
    let mut sorted = months.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.dedup_by(|a, b| *a - *b < HALF_A_DAY);
    sorted.len()
}

fn fitted(course: &Course, months: &[f64], of: CourseOf, level: f64) -> CourseFit {
    let forms: Vec<FormFit> = course.forms().into_iter().map(form_fit).collect();
    let chosen = Form::of(course.chosen());
    let bands = if forms.len() > 1 { Bands::Averaged } else { Bands::Conditional };
    let lack = course.lack_of_fit();
    CourseFit {
        of,
        chosen,
        bands,
        n_tastings: months.len(),
        lack_of_fit: if finite(&[lack.f, lack.den_df, lack.p_value]) {
            Answer::Known(LackOfFit {
                f: lack.f,
                num_df: lack.num_df,
                den_df: lack.den_df,
                p_value: lack.p_value,
                widened_by: lack.widened_by,
            })
        } else {
            Answer::unknown("too little is left to measure chance by")
        },
        band: band(course, &places(months, forms.len()), level),
        rate: match chosen {
            Form::Straight => change(&course.slope(level)).map(|c| Change {
                value: c.value * YEAR,
                se: c.se * YEAR,
                lower: c.lower * YEAR,
                upper: c.upper * YEAR,
                ..c
            }),
            other => Answer::unknown(format!(
                "the course is {}: it has no one rate, the band shows it",
                other.name()
            )),
        },
        half_time: half_time(course, level),
        gaps: gaps(months),
        forms,
    }
}

fn form_fit(f: courses::FormFit) -> FormFit {
    FormFit {
        form: Form::of(f.form),
        n_parameters: f.n_parameters,
        deviance: f.deviance,
        aicc: f.aicc.map_or_else(
            || Answer::unknown("so few tastings have no AICc; there is no other form"),
            Answer::Known,
        ),
        weight: f.weight,
        length: f.length,
        at_bound: f.length.map(|_| f.at_bound),
        knots: f.knots,
    }
}

fn half_time(course: &Course, level: f64) -> Answer<HalfTime> {
    match course.half(level) {
        Ok(h) => Answer::Known(HalfTime {
            months: h.after,
            lower: h.lower,
            upper: h.upper,
            whole: h.whole,
        }),
        Err(NoHalf::NotChosen) => Answer::unknown(format!(
            "the course is {}: only one that levels off has a half of its whole change",
            Form::of(course.chosen()).name()
        )),
        Err(e) => Answer::unknown(e.to_string()),
    }
}

/// The course at some ages; nothing where a limit is not a number.
pub(super) fn band(course: &Course, at: &[f64], level: f64) -> Vec<BandPoint> {
    let all = course.values(at, level);
    all.iter()
        .filter(|v| [v.value, v.lower, v.upper].iter().all(|x| x.is_finite()))
        .map(|v| BandPoint { month: v.at, value: v.value, lower: v.lower, upper: v.upper })
        .collect()
}

/// Ages at which a band is drawn.
fn places(months: &[f64], n_forms: usize) -> Vec<f64> {
    let pieces = if n_forms > 1 { PIECES } else { PIECES_OF_ONE };
    let mut ages = months.to_vec();
    ages.sort_by(f64::total_cmp);
    ages.dedup_by(|a, b| *a - *b < HALF_A_DAY);
    let span = ages[ages.len() - 1] - ages[0];
    let mut places = vec![ages[0]];
    for gap in ages.windows(2) {
        let n = (pieces * (gap[1] - gap[0]) / span).round().max(1.0) as usize;
        places.extend((1..=n).map(|i| {
            let share = i as f64 / n as f64;
            if i == n { gap[1] } else { gap[0] + share * (gap[1] - gap[0]) }
        }));
    }
    places
}

fn gaps(months: &[f64]) -> Vec<Gap> {
    let mut ages = months.to_vec();
    ages.sort_by(f64::total_cmp);
    let span = ages[ages.len() - 1] - ages[0];
    ages.windows(2)
        .map(|w| Gap { from: w[0], to: w[1] })
        .filter(|g| g.to - g.from >= LONG_GAP && g.to - g.from >= SHARE_OF_SPAN * span)
        .collect()
}
