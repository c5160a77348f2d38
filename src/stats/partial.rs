//! One column's slope beside others: the points it runs through, and what each row does to it.

use crate::dist::t_quantile_upper;
use crate::least_squares::Basis;
use serde::Serialize;
use thiserror::Error;

/// Why there is no answer.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum PartialError {
    /// Columns of different lengths.
    #[error("a column has {found} values where {expected} were expected")]
    Length {
        /// Values of the first column.
        expected: usize,
        /// Values found.
        found: usize,
    },
    /// A value that is infinite or not a number.
    #[error("a value is not a finite number")]
    NotFinite,
    /// The other columns explain the one that is asked about.
    #[error("the column depends on the others")]
    Dependent,
    /// Nothing is left to measure chance by.
    #[error("{n} values leave nothing over beside {rank} columns")]
    TooFew {
        /// Values.
        n: usize,
        /// Independent columns, the one asked about among them.
        rank: usize,
    },
    /// Too few values apart for a curve.
    #[error("{found} values apart are too few for a curve")]
    TooFewValues {
        /// Values apart.
        found: usize,
    },
}

/// Rows in blocks whose members share something: columns are turned so that ordinary least squares
/// of the turned columns is generalised least squares of the columns.
///
/// With a variance `within` of a row and `between` of a block of `n` rows, each value less
/// `1 - sqrt(within / (within + n between))` of its block's mean has rows of equal variance that do
/// not hang together. A column of ones must be turned as well.
///
/// # Source
/// Fuller WA, Battese GE (1973), Journal of the American Statistical Association 68:626-632 (from
/// memory); tested against the generalised formula.
#[derive(Debug, Clone, PartialEq)]
pub struct Blocks {
    codes: Vec<u32>,
    sizes: Vec<f64>,
    shrink: Vec<f64>,
}

impl Blocks {
    /// Returns blocks by their number, 0 to k - 1, one for each row, with the variances `within`
    /// of a row and `between` of a block, in one unit: shrinks by `1 - sqrt(within / (within + n
    /// between))` (Fuller and Battese 1973, see [`Blocks`]). A variance that is not above 0 stands
    /// for nothing.
    #[must_use]
    pub fn new(codes: &[u32], within: f64, between: f64) -> Self {
        let k = codes.iter().max().map_or(0, |m| *m as usize + 1);
        let mut sizes = vec![0.0; k];
        codes.iter().for_each(|c| sizes[*c as usize] += 1.0);
        let shrink = sizes
            .iter()
            .map(|n: &f64| {
                if between > 0.0 && within > 0.0 {
                    1.0 - (within / (within + n * between)).sqrt()
                } else {
                    0.0
                }
            })
            .collect();
        Self { codes: codes.to_vec(), sizes, shrink }
    }

    /// Returns blocks that have a level of their own each (a shrink of 1: `between` without limit
    /// in Fuller and Battese 1973): what is left of a column lies within them. Of the degrees of
    /// freedom that are left their number is to be taken off, in the place of a mean.
    #[must_use]
    pub fn apart(codes: &[u32]) -> Self {
        let mut own = Self::new(codes, 1.0, 0.0);
        own.shrink.fill(1.0);
        own
    }

    /// Returns a column turned, a value a row: each less its block's shrink times the block's mean
    /// (Fuller and Battese 1973, see [`Blocks`]).
    #[must_use]
    pub fn turn(&self, column: &[f64]) -> Vec<f64> {
        let mut means = vec![0.0; self.sizes.len()];
        for (v, c) in column.iter().zip(&self.codes) {
            means[*c as usize] += v / self.sizes[*c as usize];
        }
        column
            .iter()
            .zip(&self.codes)
            .map(|(v, c)| v - self.shrink[*c as usize] * means[*c as usize])
            .collect()
    }
}

/// A slope with the points it runs through.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Slope {
    /// What the others leave of the column: the points' x.
    pub x: Vec<f64>,
    /// What the others leave of y: the points' y.
    pub y: Vec<f64>,
    /// The slope.
    pub estimate: f64,
    /// Its standard error.
    pub se: f64,
    /// Residual degrees of freedom.
    pub df: f64,
    /// Residual sum of squares.
    pub residual_ss: f64,
    /// How much of each value the others take for themselves.
    leverage: Vec<f64>,
}

/// The slope when a row is left out.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Without {
    /// The slope.
    pub estimate: f64,
    /// Its standard error.
    pub se: f64,
    /// Residual degrees of freedom.
    pub df: f64,
}

/// Returns the slope of `y` on `x` beside `others`, a column of ones among them if the model has a
/// mean: with `x'`, `y'` the residuals from `others`, `x'y' / x'x'`, se `sqrt(RSS / df / x'x')`, df
/// n less the rank of all columns.
///
/// # Errors
/// See [`PartialError`].
///
/// # Source
/// Frisch R, Waugh FV (1933), Econometrica 1:387-401; as a plot: Cook RD, Weisberg S (1982),
/// Residuals and Influence in Regression, 2.3.2 (citations from memory).
pub fn slope(y: &[f64], x: &[f64], others: &[&[f64]]) -> Result<Slope, PartialError> {
    let n = y.len();
    checked(n, others.iter().copied().chain([x, y]))?;
    let mut basis = Basis::new(n);
    for column in others {
        basis.push(column);
    }
    on_basis(y, x, &basis)
}

pub(crate) fn checked<'a>(
    n: usize,
    columns: impl Iterator<Item = &'a [f64]>,
) -> Result<(), PartialError> {
    for column in columns {
        if column.len() != n {
            return Err(PartialError::Length { expected: n, found: column.len() });
        }
        if !column.iter().all(|v| v.is_finite()) {
            return Err(PartialError::NotFinite);
        }
    }
    Ok(())
}

fn on_basis(y: &[f64], x: &[f64], basis: &Basis) -> Result<Slope, PartialError> {
    let (n, rank) = (y.len(), basis.rank() + 1);
    if n < rank + 1 {
        return Err(PartialError::TooFew { n, rank });
    }
    let (mut along, mut rest) = (x.to_vec(), y.to_vec());
    basis.residual(&mut along);
    basis.residual(&mut rest);
    let (size, before) = (dot(&along, &along), dot(x, x));
    if size <= 1e-18 * before || size == 0.0 {
        return Err(PartialError::Dependent);
    }
    let estimate = dot(&along, &rest) / size;
    let residual_ss: f64 = rest.iter().zip(&along).map(|(r, a)| (r - estimate * a).powi(2)).sum();
    let df = (n - rank) as f64;
    Ok(Slope {
        estimate,
        se: (residual_ss / df / size).sqrt(),
        df,
        residual_ss,
        leverage: basis.leverages(),
        x: along,
        y: rest,
    })
}

impl Slope {
    /// Returns the sum of squares of the points' x, `x'x'` in squared units of x: how much the
    /// column varies beside the others (Frisch and Waugh 1933, see [`slope`]).
    #[must_use]
    pub fn spread(&self) -> f64 {
        dot(&self.x, &self.x)
    }

    /// The slope without each row in turn, exactly as if it had never been there; none where the
    /// row alone tells a column from the others, or nothing would be left over.
    ///
    /// With `h_i` the row's leverage in all columns, `g_i` in the others, `e_i` its residual:
    /// `b - x'_i e_i / (1 - h_i) / x'x'`; `RSS - e_i^2 / (1 - h_i)`; and `x'x' - x'_i^2 / (1 - g_i)`
    /// in the place of `x'x'`.
    ///
    /// # Source
    /// Belsley DA, Kuh E, Welsch RE (1980), Regression Diagnostics, 2.1 (from memory); tested
    /// against regressions without the row.
    #[must_use]
    pub fn without_each(&self) -> Vec<Option<Without>> {
        let size = self.spread();
        (0..self.x.len())
            .map(|i| {
                let (x, g) = (self.x[i], self.leverage[i]);
                let e = self.y[i] - self.estimate * x;
                let left = 1.0 - g - x * x / size;
                let df = self.df - 1.0;
                if left <= 1e-9 || df < 1.0 {
                    return None;
                }
                let ss = (self.residual_ss - e * e / left).max(0.0);
                let spread = size - x * x / (1.0 - g);
                Some(Without {
                    estimate: self.estimate - x * e / left / size,
                    se: (ss / df / spread).sqrt(),
                    df,
                })
            })
            .collect()
    }
}

pub(crate) fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(u, v)| u * v).sum()
}

/// The limits of a ratio `a / b` of two estimates: all values v for which `a - v b` is within its
/// chance of 0; none if they are not a bounded stretch.
///
/// `variances` are those of a and b and their covariance.
///
/// # Source
/// Fieller EC (1954), Journal of the Royal Statistical Society B 16:175-185 (from memory).
pub(crate) fn fieller(
    (a, b): (f64, f64),
    (aa, bb, ab): (f64, f64, f64),
    level: f64,
    df: f64,
) -> Option<(f64, f64)> {
    let t2 = t_quantile_upper(0.5 * (1.0 - level), df).powi(2);
    let (p, q, r) = (b * b - t2 * bb, a * b - t2 * ab, a * a - t2 * aa);
    let under = q * q - p * r;
    (p > 0.0 && under >= 0.0).then(|| ((q - under.sqrt()) / p, (q + under.sqrt()) / p))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::links::ols;
    use crate::rng::stream;

    fn invented() -> (Vec<f64>, Vec<Vec<f64>>) {
        let mut draws = stream(11, 0);
        let a: Vec<f64> = (0..14).map(|_| draws.normal()).collect();
        let b: Vec<f64> = a.iter().map(|v| 0.6 * v + draws.normal()).collect();
        let c: Vec<f64> = (0..14).map(|i| f64::from(u8::from(i % 3 == 0))).collect();
        let y = (0..14).map(|i| a[i] - 0.5 * b[i] + 2.0 * c[i] + draws.normal()).collect();
        (y, vec![a, b, c])
    }

    #[test]
    fn the_slope_is_that_of_the_whole_regression_and_so_is_each_without_a_row() {
        let (y, columns) = invented();
        let ones = vec![1.0; 14];
        let found = slope(&y, &columns[1], &[&ones, &columns[0], &columns[2]]).unwrap();
        let all: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
        let whole = ols(&all, &y, 0.95).unwrap();
        let near = |a: f64, b: f64| assert!((a - b).abs() < 1e-10 * (1.0 + b.abs()), "{a} {b}");
        near(found.estimate, whole.coefficients[2].estimate);
        near(found.se, whole.coefficients[2].se);
        for (i, w) in found.without_each().into_iter().enumerate() {
            let cut = |v: &[f64]| -> Vec<f64> {
                v.iter().enumerate().filter(|(k, _)| *k != i).map(|(_, x)| *x).collect()
            };
            let less: Vec<Vec<f64>> = columns.iter().map(|c| cut(c)).collect();
            let less: Vec<&[f64]> = less.iter().map(Vec::as_slice).collect();
            let again = ols(&less, &cut(&y), 0.95).unwrap();
            let w = w.unwrap();
            near(w.estimate, again.coefficients[2].estimate);
            near(w.se, again.coefficients[2].se);
            near(w.df, again.df);
        }
    }

    #[test]
    fn turned_columns_give_the_generalised_slope() {
        // Two blocks of three; V = I + 2 within each block. The generalised formula by hand:
        // V^-1 = I - (2 / 7) J within a block.
        let codes = [0, 0, 0, 1, 1, 1];
        let (x, y) = ([1.0, 2.0, 4.0, 3.0, 5.0, 9.0], [1.0, 1.5, 2.0, 4.0, 4.5, 7.0]);
        let ones = [1.0; 6];
        let form = |a: &[f64], b: &[f64]| -> f64 {
            let of = |k: usize, v: &[f64]| v[3 * k..3 * k + 3].iter().sum::<f64>();
            dot(a, b) - (0..2).map(|k| 2.0 / 7.0 * of(k, a) * of(k, b)).sum::<f64>()
        };
        let (oo, ox, xx) = (form(&ones, &ones), form(&ones, &x), form(&x, &x));
        let (oy, xy) = (form(&ones, &y), form(&x, &y));
        let expected = (oo * xy - ox * oy) / (oo * xx - ox * ox);
        let blocks = Blocks::new(&codes, 1.0, 2.0);
        let turned = |v: &[f64]| blocks.turn(v);
        let found = slope(&turned(&y), &turned(&x), &[&turned(&ones)]).unwrap();
        assert!((found.estimate - expected).abs() < 1e-12, "{} {expected}", found.estimate);
    }

    #[test]
    fn blocks_apart_are_levels_of_their_own() {
        let (y, columns) = invented();
        let codes: Vec<u32> = (0..14).map(|i| i / 5).collect();
        let blocks = Blocks::apart(&codes);
        let turned = |v: &[f64]| blocks.turn(v);
        let found = slope(&turned(&y), &turned(&columns[0]), &[&turned(&columns[1])]).unwrap();
        let indicator =
            |k: u32| -> Vec<f64> { codes.iter().map(|c| f64::from(u8::from(*c == k))).collect() };
        let (first, second) = (indicator(1), indicator(2));
        let whole = ols(&[&columns[0], &columns[1], &first, &second], &y, 0.95).unwrap();
        assert!((found.estimate - whole.coefficients[1].estimate).abs() < 1e-10);
        assert!((found.df - 3.0 - whole.df).abs() < 1e-12);
        let se = found.se * (found.df / (found.df - 3.0)).sqrt();
        assert!((se - whole.coefficients[1].se).abs() < 1e-10);
    }

    #[test]
    fn a_row_that_alone_tells_two_columns_apart_cannot_be_left_out() {
        let x = [1.0, 2.0, 3.0, 4.0, 5.0, 9.0];
        let z = [1.0, 2.0, 3.0, 4.0, 5.0, 6.0];
        let y = [1.0, 3.0, 2.0, 5.0, 4.0, 7.0];
        let found = slope(&y, &x, &[&[1.0; 6], &z]).unwrap();
        let without = found.without_each();
        assert!(without[5].is_none() && without[0].is_some());
        assert_eq!(slope(&y, &z, &[&[1.0; 6], &z]).unwrap_err(), PartialError::Dependent);
        let few = slope(&y[..2], &x[..2], &[&[1.0; 2]]).unwrap_err();
        assert_eq!(few, PartialError::TooFew { n: 2, rank: 2 });
        let short = slope(&y, &x[..5], &[]).unwrap_err();
        assert_eq!(short, PartialError::Length { expected: 6, found: 5 });
        assert_eq!(slope(&y, &[f64::NAN; 6], &[]).unwrap_err(), PartialError::NotFinite);
    }
}
