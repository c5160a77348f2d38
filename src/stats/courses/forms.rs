//! One form, fitted by generalised least squares.

use super::{CourseError, Form};
use crate::curves::{best_length, levels};
use crate::least_squares::{Basis, regress};
use crate::mixed::Family;
use crate::natural_spline::NaturalSpline;

/// The length of the saturating form is looked for between these shares of the range of times: a
/// shorter one is a step after the first time, a longer one straight to the eye.
pub(super) const SHORTEST: f64 = 1.0 / 20.0;
pub(super) const LONGEST: f64 = 3.0;
/// A variance below this share of the squares of the estimates is rounding.
const ROUNDING: f64 = 1e-24;

/// Times and estimates, and what turns their covariance into ones.
#[derive(Debug, Clone)]
pub(super) struct Given {
    pub(super) at: Vec<f64>,
    pub(super) d: Vec<f64>,
    /// Inverse of the lower factor of V, its rows.
    whiten: Vec<Vec<f64>>,
    /// V⁻¹ with the constant taken out: `Q` of a constant course is `d' M d`.
    less_constant: Vec<Vec<f64>>,
    /// `M d`.
    along: Vec<f64>,
    pub(super) first: f64,
    pub(super) range: f64,
}

pub(super) fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

impl Given {
    pub(super) fn new(at: &[f64], family: &Family) -> Result<Self, CourseError> {
        let n = at.len();
        let d = family.estimates().to_vec();
        let finite = at.iter().chain(&d).all(|v| v.is_finite());
        if n != d.len() || n == 0 || !finite || !(0..n).all(|i| family.is_estimable(i)) {
            return Err(CourseError::Shapes);
        }
        let largest = (0..n).map(|i| family.covariance(i, i)).fold(0.0, f64::max);
        let size = d.iter().fold(0.0, |m: f64, v| m.max(v * v));
        if !(largest > ROUNDING * size && largest.is_finite()) {
            return Err(CourseError::NoNoise);
        }
        let whiten = whitening(n, |i, j| family.covariance(i, j)).ok_or(CourseError::Dependent)?;
        let column = |j: usize| -> Vec<f64> { whiten.iter().map(|row| row[j]).collect() };
        let columns: Vec<Vec<f64>> = (0..n).map(column).collect();
        let ones: Vec<f64> = whiten.iter().map(|row| row.iter().sum()).collect();
        let along: Vec<f64> = columns.iter().map(|c| dot(c, &ones)).collect();
        let size = dot(&ones, &ones);
        let less_constant: Vec<Vec<f64>> = (0..n)
            .map(|i| {
                (0..n).map(|j| dot(&columns[i], &columns[j]) - along[i] * along[j] / size).collect()
            })
            .collect();
        let along = less_constant.iter().map(|row| dot(row, &d)).collect();
        let first = at.iter().copied().fold(f64::INFINITY, f64::min);
        let last = at.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        Ok(Self { at: at.to_vec(), d, whiten, less_constant, along, first, range: last - first })
    }

    pub(super) fn n(&self) -> usize {
        self.at.len()
    }

    /// Times apart, upwards.
    fn times(&self, same: f64) -> Vec<f64> {
        let mut sorted = self.at.clone();
        sorted.sort_by(f64::total_cmp);
        sorted.dedup_by(|a, b| (*a - *b).abs() <= same * self.range);
        sorted
    }

    pub(super) fn apart(&self, same: f64) -> usize {
        if self.range > 0.0 { self.times(same).len() } else { 1 }
    }

    fn whitened(&self, v: &[f64]) -> Vec<f64> {
        self.whiten.iter().map(|row| dot(row, v)).collect()
    }

    /// `a' M a`, M the inverse covariance less the constant.
    fn square(&self, a: &[f64]) -> f64 {
        let twice_below =
            |(i, row): (usize, &Vec<f64>)| a[i] * (2.0 * dot(&row[..i], &a[..i]) + row[i] * a[i]);
        self.less_constant.iter().enumerate().map(twice_below).sum()
    }

    /// How much of Q a saturating course of one length takes off.
    pub(super) fn taken_off(&self, length: f64) -> f64 {
        let g: Vec<f64> = self.at.iter().map(|t| saturated(t - self.first, length)).collect();
        let size = self.square(&g);
        if size > 0.0 { dot(&g, &self.along).powi(2) / size } else { 0.0 }
    }
}

/// `1 - exp(-x / length)`; a length of 0 is a step.
pub(super) fn saturated(x: f64, length: f64) -> f64 {
    if length > 0.0 { levels(x, length) } else { f64::from(u8::from(x > 0.0)) }
}

/// The inverse of the lower Cholesky factor; none unless the matrix is positive definite.
fn whitening(n: usize, v: impl Fn(usize, usize) -> f64) -> Option<Vec<Vec<f64>>> {
    let mut l = vec![vec![0.0; n]; n];
    for i in 0..n {
        for j in 0..=i {
            let rest = v(i, j) - dot(&l[i][..j], &l[j][..j]);
            if i == j {
                if rest <= 1e-10 * v(i, i) {
                    return None;
                }
                l[i][i] = rest.sqrt();
            } else {
                l[i][j] = rest / l[j][j];
            }
        }
    }
    let mut inverse: Vec<Vec<f64>> = Vec::with_capacity(n);
    for (i, own) in l.iter().enumerate() {
        let entry = |j: usize| {
            let one = if i == j { 1.0 } else { 0.0 };
            let before: f64 = (j..i).map(|m| own[m] * inverse[m][j]).sum();
            if j > i { 0.0 } else { (one - before) / own[i] }
        };
        let row = (0..n).map(entry).collect();
        inverse.push(row);
    }
    Some(inverse)
}

/// A form with its parameters.
#[derive(Debug, Clone)]
pub(super) struct Fitted {
    pub(super) form: Form,
    pub(super) deviance: f64,
    pub(super) aicc: Option<f64>,
    pub(super) length: Option<f64>,
    pub(super) at_bound: bool,
    first: f64,
    range: f64,
    spline: Option<NaturalSpline>,
    /// b0, b1 (and the spline's others).
    b: Vec<f64>,
    /// The parameters as a family: what multiplies [`row`](Self::row).
    parameters: Family,
}

impl Fitted {
    /// Fits a form; none if the times do not determine it.
    pub(super) fn new(form: Form, given: &Given, family: &Family) -> Option<Self> {
        let mut own = Self {
            form,
            deviance: 0.0,
            aicc: None,
            length: None,
            at_bound: false,
            first: given.first,
            range: given.range,
            spline: None,
            b: Vec::new(),
            parameters: family.combined(&[]),
        };
        match form {
            Form::Straight => {}
            Form::Saturating => {
                let (from, to) = (SHORTEST * given.range, LONGEST * given.range);
                let length = best_length(|l| -given.taken_off(l), from, to);
                own.at_bound = length < 1.01 * from || length > 0.99 * to;
                own.length = Some(length);
            }
            Form::Smooth => {
                let times = given.times(super::SAME);
                let last = times.len() - 1;
                let between = |share: f64| {
                    let at = share * last as f64;
                    let low = at.floor() as usize;
                    times[low] + (at - low as f64) * (times[(low + 1).min(last)] - times[low])
                };
                let knots = [times[0], between(1.0 / 3.0), between(2.0 / 3.0), times[last]];
                own.spline = Some(NaturalSpline::new(&knots)?);
            }
        }
        let columns = own.columns(given);
        let fit = regress(&Basis::new(given.n()), &columns, &given.whitened(&given.d))?;
        own.deviance = fit.residual_ss;
        own.b = fit.coefficients;
        // The length moves the course too: its derivative is one more column of the variance.
        let (columns, inverse) = match own.length.filter(|_| !own.at_bound) {
            None => (columns, fit.inverse),
            Some(_) => {
                let with_length = own.columns(given);
                match regress(&Basis::new(given.n()), &with_length, &given.whitened(&given.d)) {
                    Some(fit) => (with_length, fit.inverse),
                    None => {
                        own.at_bound = true;
                        (columns, fit.inverse)
                    }
                }
            }
        };
        let against: Vec<Vec<f64>> = columns
            .iter()
            .map(|c| {
                let n = given.n();
                (0..n)
                    .map(|j| c.iter().zip(&given.whiten).map(|(x, row)| x * row[j]).sum())
                    .collect()
            })
            .collect();
        let rows: Vec<Vec<f64>> = inverse
            .iter()
            .map(|row| {
                (0..given.n())
                    .map(|j| row.iter().zip(&against).map(|(r, a)| r * a[j]).sum())
                    .collect()
            })
            .collect();
        own.parameters = family.combined(&rows);
        Some(own)
    }

    /// The whitened columns of the linear (or linearised) form.
    fn columns(&self, given: &Given) -> Vec<Vec<f64>> {
        let rows: Vec<Vec<f64>> = given.at.iter().map(|t| self.row(*t)).collect();
        (0..rows[0].len())
            .map(|j| given.whitened(&rows.iter().map(|r| r[j]).collect::<Vec<f64>>()))
            .collect()
    }

    /// What multiplies the parameters at a time.
    fn row(&self, at: f64) -> Vec<f64> {
        match (self.form, self.length, &self.spline) {
            (Form::Saturating, Some(length), _) => {
                let x = (at - self.first) / length;
                let mut row = vec![1.0, saturated(at - self.first, length)];
                // Not before b1 is known, and not where the length cannot move.
                if let (Some(b1), false) = (self.b.get(1), self.at_bound) {
                    row.push(-b1 * x * (-x).exp());
                }
                row
            }
            (_, _, Some(spline)) => spline.row(at),
            _ => vec![1.0, (at - self.first) / self.range],
        }
    }

    pub(super) fn value(&self, at: f64) -> f64 {
        dot(&self.b, &self.row(at))
    }

    pub(super) fn variance_and_df(&self, at: f64, by: f64) -> (f64, f64) {
        self.variance_of(&self.row(at), by)
    }

    pub(super) fn variance_of(&self, row: &[f64], by: f64) -> (f64, f64) {
        self.parameters.inflated(row, by).unwrap_or((f64::NAN, f64::NAN))
    }

    /// The row whose product with the parameters is b1 of one unit of time (of the saturating form,
    /// the whole change).
    pub(super) fn slope_row(&self) -> Vec<f64> {
        let mut row = vec![0.0; self.parameters.len()];
        row[1] = if self.form == Form::Straight { 1.0 / self.range } else { 1.0 };
        row
    }

    pub(super) fn slope(&self) -> f64 {
        if self.form == Form::Straight { self.b[1] / self.range } else { self.b[1] }
    }

    pub(super) fn knots(&self) -> &[f64] {
        self.spline.as_ref().map_or(&[], |s| s.knots())
    }
}
