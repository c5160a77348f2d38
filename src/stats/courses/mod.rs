//! A course through estimates that belong to points in time and share their errors.
//!
//! Given estimates `d` at times `t` with covariance `V` (a [`Family`]), up to three forms are fitted
//! by generalised least squares:
//!
//! * straight, `b0 + b1 t`: three times apart or more;
//! * saturating, `b0 + b1 (1 - exp(-(t - t_1) / length))`: five;
//! * smooth, a natural cubic spline of four functions, its knots the first and the last time and the
//!   thirds of those between: six.
//!
//! `V` is known, so that no variance is a parameter of the course. The forms are compared by
//! `AICc = Q + 2 k + 2 k (k + 1) / (n - k - 1)`, `Q = (d - f)' V⁻¹ (d - f)` (twice the negative log
//! likelihood, but for a constant), n the estimates and k the parameters of the mean: 2, 3 and 4. It
//! exists from n = k + 2 on, 4, 5 and 6: that is where the least numbers come from (a straight one of
//! three has no rival and needs none).
//!
//! Values are averages over the forms by their Akaike weights, with the variance
//! `sum of weight (w² variance + (value - average)²)`; the variance of a saturating value is linearised,
//! and `w² = max(1, Q / (n - p))` widens each form that lies farther from the estimates than their
//! errors explain. In simulation that kept bands near what they promise where the form is right and
//! estimates wobble more than `V` says (means over all times .95 to .97 with half as much variance
//! again), and helped where so few estimates allow no better form; t of n - p degrees of freedom made
//! bands of four estimates three times as wide for little. A bump through five or six estimates is
//! held in .93 on average and in .66 at its top: so few allow no form that could follow it
//! (tests/stats/courses.rs prints the whole table).
//!
//! # Sources
//! Hurvich CM, Tsai CL (1989), Biometrika 76:297-307; Burnham KP, Anderson DR (2002), Model Selection
//! and Multimodel Inference, 2nd ed., sections 2.9 (weights), 2.5 (variance
//! inflation) and 4.3
//! (unconditional variance; in the form of Burnham and Anderson 2004, Sociological Methods &
//! Research 33:261-304); all from memory. What the bands hold was simulated (tests/stats/courses.rs).

mod ahead;
mod forms;
mod from_first;
mod half;

pub use from_first::{FromFirst, Simultaneous, from_first};
pub use half::{Half, NoHalf};

use crate::dist::{f_sf, t_quantile_upper};
use crate::mixed::{Contrast, Family};
use forms::{Fitted, Given};
use serde::Serialize;
use thiserror::Error;

/// Times so near to each other count as one: this share of the whole range.
const SAME: f64 = 1e-9;
/// A form with less weight does not choose the degrees of freedom.
const COUNTS: f64 = 0.05;

/// The form of a course.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Form {
    /// `b0 + b1 t`.
    Straight,
    /// `b0 + b1 (1 - exp(-(t - t_1) / length))`.
    Saturating,
    /// A natural cubic spline of four functions.
    Smooth,
}

impl Form {
    /// Returns how many times apart this form needs, 3, 5 and 6: the saturating and the smooth one
    /// k + 2, from where on there is an AICc of k parameters (Hurvich and Tsai 1989; the head of
    /// this module); a straight one of three has no rival and needs none.
    #[must_use]
    pub fn least(self) -> usize {
        match self {
            Form::Straight => 3,
            Form::Saturating => 5,
            Form::Smooth => 6,
        }
    }

    /// Returns the parameters of its mean, k: b0 and b1 of the straight form, 2; these and the
    /// length of the saturating one, 3; four functions of a natural cubic spline with four knots,
    /// 4 (Hastie, Tibshirani and Friedman 2009, 5.2.1; from memory).
    #[must_use]
    pub fn n_parameters(self) -> usize {
        match self {
            Form::Straight => 2,
            Form::Saturating => 3,
            Form::Smooth => 4,
        }
    }
}

/// Why there is no course.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum CourseError {
    /// Times and estimates are not as many, or not all are numbers.
    #[error("times and estimates do not go together")]
    Shapes,
    /// Too few times apart for a straight course.
    #[error("a course needs three points in time, and there are {found}")]
    TooFew {
        /// Times apart.
        found: usize,
    },
    /// The estimates have no errors.
    #[error("the scores leave no chance to measure by")]
    NoNoise,
    /// The errors of some estimates determine each other.
    #[error("some of these means determine each other")]
    Dependent,
}

/// A form that was fitted.
#[derive(Debug, Clone, PartialEq)]
pub struct FormFit {
    /// Which.
    pub form: Form,
    /// Parameters of its mean.
    pub n_parameters: usize,
    /// `(d - f)' V⁻¹ (d - f)`.
    pub deviance: f64,
    /// AICc, if there are more estimates than it has parameters by two.
    pub aicc: Option<f64>,
    /// Akaike weight among the forms that were fitted.
    pub weight: f64,
    /// Length of the saturating form, in units of time.
    pub length: Option<f64>,
    /// Whether that length is the shortest or the longest that was tried.
    pub at_bound: bool,
    /// Knots of the smooth form.
    pub knots: Vec<f64>,
}

/// How well the chosen form goes through the estimates.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LackOfFit {
    /// `Q / (n - p)`.
    pub f: f64,
    /// n - p.
    pub num_df: f64,
    /// The smallest degrees of freedom of the estimates' differences.
    pub den_df: f64,
    /// The chance of so large an F.
    pub p_value: f64,
    /// By so much all standard errors were widened: w.
    pub widened_by: f64,
}

/// A value of the course with its interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Value {
    /// The time.
    pub at: f64,
    /// The value.
    pub value: f64,
    /// Standard error.
    pub se: f64,
    /// Lower limit.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
}

/// A fitted course.
#[derive(Debug, Clone)]
pub struct Course {
    given: Given,
    family: Family,
    fitted: Vec<Fitted>,
    weights: Vec<f64>,
    chosen: usize,
    /// The smallest degrees of freedom of a difference between two estimates.
    least_df: f64,
}

impl Course {
    /// Fits every form that the number of times apart allows to the estimates of `family`, which
    /// belong to the times `at`, in any unit and order: generalised least squares, weights
    /// `exp(-AICc / 2)` (Burnham and Anderson 2002; the head of this module has the formulas).
    ///
    /// # Errors
    /// See [`CourseError`].
    pub fn fit(at: &[f64], family: &Family) -> Result<Self, CourseError> {
        let given = Given::new(at, family)?;
        let found = given.apart(SAME);
        if found < Form::Straight.least() {
            return Err(CourseError::TooFew { found });
        }
        let forms = [Form::Straight, Form::Saturating, Form::Smooth];
        let fitted: Vec<Fitted> = forms
            .into_iter()
            .filter(|f| found >= f.least())
            .filter_map(|f| Fitted::new(f, &given, family))
            .collect();
        if fitted.is_empty() {
            return Err(CourseError::Dependent);
        }
        let aicc: Vec<f64> = fitted
            .iter()
            .map(|f| {
                let (k, n) = (f.form.n_parameters() as f64, at.len() as f64);
                let room = n - k - 1.0;
                if room < 1.0 {
                    return f64::NAN;
                }
                f.deviance + 2.0 * k + 2.0 * k * (k + 1.0) / room
            })
            .collect();
        let best = aicc.iter().copied().fold(f64::INFINITY, f64::min);
        let chosen = aicc.iter().position(|a| *a == best).unwrap_or(0);
        let mut weights: Vec<f64> = if fitted.len() == 1 {
            vec![1.0]
        } else {
            aicc.iter().map(|a| (-0.5 * (a - best)).exp()).collect()
        };
        let sum: f64 = weights.iter().sum();
        weights.iter_mut().for_each(|w| *w /= sum);
        let least_df = least_df(family);
        let mut course = Self { given, family: family.clone(), fitted, weights, chosen, least_df };
        for (f, aicc) in course.fitted.iter_mut().zip(aicc) {
            f.aicc = aicc.is_finite().then_some(aicc);
        }
        Ok(course)
    }

    /// Returns the forms that were fitted, the straight one first, each with its `Q = (d - f)' V⁻¹
    /// (d - f)`, `AICc = Q + 2 k + 2 k (k + 1) / (n - k - 1)` and weight `exp(-AICc / 2)` over the
    /// sum of these (Burnham and Anderson 2002, 2.9; from memory); length in units of time. An
    /// AICc that does not exist is none; then there is one form, of weight 1.
    #[must_use]
    pub fn forms(&self) -> Vec<FormFit> {
        let told = |(f, weight): (&Fitted, &f64)| FormFit {
            form: f.form,
            n_parameters: f.form.n_parameters(),
            deviance: f.deviance,
            aicc: f.aicc,
            weight: *weight,
            length: f.length,
            at_bound: f.at_bound,
            knots: f.knots().to_vec(),
        };
        self.fitted.iter().zip(&self.weights).map(told).collect()
    }

    /// Returns the form with the smallest AICc (Hurvich and Tsai 1989; the formula is at the head
    /// of this module); of three or four times apart the straight one, which is alone.
    #[must_use]
    pub fn chosen(&self) -> Form {
        self.fitted[self.chosen].form
    }

    /// Returns how well the chosen form goes through the estimates: `Q / (n - p)`, `Q = (d - f)'
    /// V⁻¹ (d - f)`, as F with `n - p` and the smallest degrees of freedom of the changes from the
    /// first estimate, with its p; and `w = sqrt(max(1, Q / (n - p)))`, by which the standard
    /// errors of that form are widened (variance inflation: Burnham and Anderson 2002, 2.5; from
    /// memory). F and p hold nearly: V's degrees of freedom are not those of one factor.
    #[must_use]
    pub fn lack_of_fit(&self) -> LackOfFit {
        let own = &self.fitted[self.chosen];
        let num_df = (self.given.n() - own.form.n_parameters()) as f64;
        let f = own.deviance / num_df;
        LackOfFit {
            f,
            num_df,
            den_df: self.least_df,
            p_value: f_sf(f, num_df, self.least_df),
            widened_by: self.widening(own).sqrt(),
        }
    }

    /// Returns the course at the times `at` (any, in the units of the fit), in units of the
    /// estimates, with intervals at confidence `level`, each for its own time: `f = sum of weight
    /// f_i`, variance `sum of weight (w_i² variance_i + (f_i - f)²)` (Burnham and Anderson 2004;
    /// from memory, see the head of this module), limits `f ± t se`. All use the t quantile of the
    /// smallest degrees of freedom among these times and the forms that have a weight of .05 or
    /// more. NaN where a time is not finite.
    #[must_use]
    pub fn values(&self, at: &[f64], level: f64) -> Vec<Value> {
        let all: Vec<(f64, f64, f64)> = at.iter().map(|t| self.average(*t)).collect();
        let df = all.iter().fold(f64::INFINITY, |least, v| least.min(v.2));
        let quantile = t_quantile_upper(0.5 * (1.0 - level), df);
        at.iter()
            .zip(all)
            .map(|(at, (value, variance, _))| {
                let se = variance.max(0.0).sqrt();
                let half = quantile * se;
                Value { at: *at, value, se, lower: value - half, upper: value + half }
            })
            .collect()
    }

    /// Value, variance and degrees of freedom of the average at a time.
    fn average(&self, at: f64) -> (f64, f64, f64) {
        let mut df = f64::INFINITY;
        let all: Vec<(f64, f64, f64)> = self
            .fitted
            .iter()
            .zip(&self.weights)
            .map(|(f, weight)| {
                let (variance, own) = f.variance_and_df(at, self.widening(f));
                if *weight >= COUNTS {
                    df = df.min(own);
                }
                (*weight, f.value(at), variance)
            })
            .collect();
        let value = all.iter().map(|(w, v, _)| w * v).sum::<f64>();
        let variance = all.iter().map(|(w, v, s)| w * (s + (v - value).powi(2))).sum::<f64>();
        (value, variance, df)
    }

    /// What the variances of a form are multiplied by: its `Q / (n - p)`, where that is above 1.
    fn widening(&self, f: &Fitted) -> f64 {
        (f.deviance / (self.given.n() - f.form.n_parameters()) as f64).max(1.0)
    }

    /// Returns the slope of the straight form, in units of the estimates for one unit of time,
    /// whichever form was chosen, with its interval at confidence `level`: b1 of generalised least
    /// squares, `b = (X' V⁻¹ X)⁻¹ X' V⁻¹ d`, its variance by the family's own errors of these
    /// weights times `w² = max(1, Q / (n - p))`, and its degrees of freedom (Aitken 1935, from
    /// memory; the widening as in [`Course::lack_of_fit`]).
    #[must_use]
    pub fn slope(&self, level: f64) -> Contrast {
        let straight = &self.fitted[0];
        self.slope_of(straight, level)
    }

    /// b1 of a form, in one unit of time where it is straight.
    fn slope_of(&self, f: &Fitted, level: f64) -> Contrast {
        let (variance, df) = f.variance_of(&f.slope_row(), self.widening(f));
        Contrast::of(f.slope(), variance, df, level)
    }
}

/// The smallest degrees of freedom of a difference from the first estimate.
fn least_df(family: &Family) -> f64 {
    (1..family.len())
        .filter_map(|k| {
            let mut row = vec![0.0; family.len()];
            (row[0], row[k]) = (-1.0, 1.0);
            Some(family.variance_and_df(&row)?.1)
        })
        .filter(|df| df.is_finite())
        .fold(f64::INFINITY, f64::min)
}
