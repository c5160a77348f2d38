//! Rows that are left out and predicted from the others; how many components.

use serde::Serialize;

use super::folds::{Part, Prepared};
use super::{
    Folds, Moments, NOTHING, PlsError, Scaling, checked, dot, of_standardised, standardised,
};

/// What rows that were left out were predicted to be. Lists by number of components begin with
/// none: the mean of the rows that stayed.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CrossValidated {
    /// `errors[components][row]`: observed less predicted, in the unit of the response.
    pub errors: Vec<Vec<f64>>,
    /// Sum of their squares.
    pub press: Vec<f64>,
    /// Root of their mean square.
    pub rmsep: Vec<f64>,
    /// One less PRESS over the sum of squares about the mean of all rows.
    pub q2_total: Vec<f64>,
    /// One less PRESS over that of the mean of the rows that stayed: 0 is no better than the mean.
    pub q2: Vec<f64>,
}

impl CrossValidated {
    fn of(errors: Vec<Vec<f64>>, about_mean: f64) -> Self {
        let press: Vec<f64> = errors.iter().map(|e| dot(e, e)).collect();
        let n = errors.first().map_or(0, Vec::len) as f64;
        let none = press.first().copied().unwrap_or(f64::NAN);
        Self {
            rmsep: press.iter().map(|s| (s / n).sqrt()).collect(),
            q2_total: press.iter().map(|s| 1.0 - s / about_mean).collect(),
            q2: press.iter().map(|s| 1.0 - s / none).collect(),
            press,
            errors,
        }
    }

    /// The number of components, by [`choose`].
    #[must_use]
    pub fn chosen(&self) -> Chosen {
        let squares: Vec<f64> = self.errors.iter().flatten().map(|e| e * e).collect();
        choose(&squares, self.errors.first().map_or(0, Vec::len))
    }
}

/// A number of components.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Chosen {
    /// The number taken, at least 1.
    pub components: usize,
    /// The number with the least error.
    pub least: usize,
}

/// Chooses among one and more components, from `squares[components * rows + row]`, which begin with
/// none: the smallest number whose squared errors exceed those of the best, row by row, by no more
/// than one standard error of that difference.
///
/// # Source
/// The rule of one standard error: Breiman, Friedman, Olshen, Stone (1984), Classification and
/// Regression Trees; Hastie, Tibshirani, Friedman (2009), The Elements of Statistical Learning,
/// section 7.10. Errors of the same row compared: van der Voet H (1994), Chemometrics and
/// Intelligent Laboratory Systems 25:313-323, by exchange (citations from memory).
#[must_use]
pub fn choose(squares: &[f64], rows: usize) -> Chosen {
    let all: Vec<&[f64]> = squares.chunks_exact(rows.max(1)).skip(1).collect();
    let sums: Vec<f64> = all.iter().map(|s| s.iter().sum()).collect();
    let mut best = 0;
    for (a, s) in sums.iter().enumerate() {
        if *s < sums[best] * (1.0 - 1e-12) {
            best = a;
        }
    }
    let n = rows as f64;
    let near = |a: usize| {
        let mean = (sums[a] - sums[best]) / n;
        let spread: f64 = all[a].iter().zip(all[best]).map(|(u, v)| (u - v - mean).powi(2)).sum();
        mean <= (spread / (n * (n - 1.0).max(1.0))).sqrt()
    };
    let components = (0..best).find(|a| near(*a)).unwrap_or(best) + 1;
    Chosen { components, least: best + 1 }
}

/// Components of one response from cross products alone.
///
/// # Source
/// Dayal BS, MacGregor JF (1997), Journal of Chemometrics 11:73-85 (from memory): the rows are never
/// deflated, only X'y is.
pub(crate) struct Path {
    columns: usize,
    most: usize,
    /// Components found.
    pub(crate) n: usize,
    rotations: Vec<f64>,
    loadings: Vec<f64>,
    pub(crate) q: Vec<f64>,
    /// t't of each.
    pub(crate) lengths: Vec<f64>,
    along: Vec<f64>,
    w: Vec<f64>,
}

impl Path {
    pub(crate) fn new(columns: usize, most: usize) -> Self {
        Self {
            columns,
            most,
            n: 0,
            rotations: vec![0.0; columns * most],
            loadings: vec![0.0; columns * most],
            q: vec![0.0; most],
            lengths: vec![0.0; most],
            along: vec![0.0; columns],
            w: vec![0.0; columns],
        }
    }

    pub(crate) fn rotation(&self, a: usize) -> &[f64] {
        &self.rotations[a * self.columns..(a + 1) * self.columns]
    }

    /// Works the components out from X'X (row by row) and X'y, of which nothing is left after.
    pub(crate) fn run(&mut self, cross: &[f64], c: &mut [f64]) {
        let p = self.columns;
        self.n = 0;
        let first = dot(c, c).sqrt();
        let trace = (0..p).map(|j| cross[j * p + j]).sum::<f64>();
        while self.n < self.most {
            let size = dot(c, c).sqrt();
            if size <= NOTHING * first || !size.is_finite() {
                return;
            }
            self.w.iter_mut().zip(c.iter()).for_each(|(w, c)| *w = c / size);
            let (before, rest) = self.rotations.split_at_mut(self.n * p);
            let r = &mut rest[..p];
            r.copy_from_slice(&self.w);
            for (rk, pk) in before.chunks_exact(p).zip(self.loadings.chunks_exact(p)) {
                let along = dot(pk, &self.w);
                r.iter_mut().zip(rk).for_each(|(a, b)| *a -= along * b);
            }
            self.along.fill(0.0);
            for (rj, row) in r.iter().zip(cross.chunks_exact(p)) {
                self.along.iter_mut().zip(row).for_each(|(u, v)| *u += rj * v);
            }
            let tt = dot(r, &self.along);
            if tt <= NOTHING * NOTHING * trace || !tt.is_finite() {
                return;
            }
            let q = dot(r, c) / tt;
            self.q[self.n] = q;
            self.lengths[self.n] = tt;
            let loading = &mut self.loadings[self.n * p..(self.n + 1) * p];
            for ((l, u), c) in loading.iter_mut().zip(&self.along).zip(c.iter_mut()) {
                *l = u / tt;
                *c -= u * q;
            }
            self.n += 1;
        }
    }

    /// Coefficients with `components` components, as far as there are so many.
    pub(crate) fn coefficients(&self, components: usize) -> Vec<f64> {
        let mut b = vec![0.0; self.columns];
        for a in 0..components.min(self.n) {
            b.iter_mut().zip(self.rotation(a)).for_each(|(b, r)| *b += r * self.q[a]);
        }
        b
    }

    /// Σ (z'r)² / t't over the components: what a row's place among the scores adds to 1/n.
    pub(crate) fn leverage(&self, components: usize, z: &[f64]) -> f64 {
        (0..components.min(self.n))
            .map(|a| dot(z, self.rotation(a)).powi(2) / self.lengths[a])
            .sum()
    }
}

/// A response less its mean, with what all rows' X'y is; none if it never varies.
pub(crate) struct Response {
    pub(crate) y: Vec<f64>,
    pub(crate) mean: f64,
    pub(crate) about_mean: f64,
    all: Vec<f64>,
}

impl Response {
    pub(crate) fn new(x: &Prepared, y: &[f64]) -> Result<Self, PlsError> {
        checked(&[y], x.rows, x.columns, 3)?;
        let (own, mean, sd) = standardised(y).ok_or(PlsError::ConstantResponse { response: 0 })?;
        let y: Vec<f64> = own.iter().map(|v| v * sd).collect();
        let about_mean = dot(&y, &y);
        let mut response = Self { y, mean, about_mean, all: vec![0.0; x.columns] };
        response.sum(x);
        Ok(response)
    }

    /// The same values in another order; X'y has yet to be worked out.
    pub(crate) fn reordered(&self, order: &[usize]) -> Self {
        Self {
            y: order.iter().map(|i| self.y[*i]).collect(),
            mean: self.mean,
            about_mean: self.about_mean,
            all: vec![0.0; self.all.len()],
        }
    }

    /// Works X'y out again after the response was put into another order.
    pub(crate) fn sum(&mut self, x: &Prepared) {
        self.all.fill(0.0);
        for (row, v) in x.x.chunks_exact(x.columns).zip(&self.y) {
            self.all.iter_mut().zip(row).for_each(|(a, u)| *a += u * v);
        }
    }

    /// X'y of the rows that stay, scaled as they are, into `c`; returns their mean.
    pub(crate) fn of_part(&self, x: &Prepared, part: &Part, c: &mut [f64]) -> f64 {
        c.copy_from_slice(&self.all);
        let mut sum = 0.0;
        for i in &part.held {
            let v = self.y[*i];
            sum -= v;
            c.iter_mut().zip(x.row(*i)).for_each(|(a, u)| *a -= u * v);
        }
        for ((a, m), b) in c.iter_mut().zip(&part.mean).zip(&part.by) {
            *a = (*a - m * sum) * b;
        }
        sum / part.n
    }
}

/// Room to work in, so that thousands of arrangements need it once.
pub(crate) struct Room {
    pub(crate) path: Path,
    c: Vec<f64>,
}

impl Room {
    pub(crate) fn new(x: &Prepared, most: usize) -> Self {
        Self { path: Path::new(x.columns, most), c: vec![0.0; x.columns] }
    }
}

/// `into[components * rows + row]`: errors of the rows left out.
pub(crate) fn errors_into(x: &Prepared, y: &Response, room: &mut Room, into: &mut [f64]) {
    let most = room.path.most;
    for part in &x.parts {
        let mean = y.of_part(x, part, &mut room.c);
        room.path.run(&part.cross, &mut room.c);
        for (i, z) in part.held.iter().zip(part.z.chunks_exact(x.columns)) {
            let mut error = y.y[*i] - mean;
            into[*i] = error;
            for a in 0..most {
                if a < room.path.n {
                    error -= room.path.q[a] * dot(z, room.path.rotation(a));
                }
                into[(a + 1) * x.rows + i] = error;
            }
        }
    }
}

/// Predicts the rows left out in each fold, of one response, with none to `most` components.
///
/// Where a fold has fewer components than asked (a column that varies in the rows left out only is
/// not used there), all there are count.
///
/// # Errors
/// A response of another length, with values that are not finite, or that never varies.
///
/// # Source
/// Stone M (1974), Journal of the Royal Statistical Society B 36:111-147; Wold S (1978),
/// Technometrics 20:397-405 (citations from memory).
pub fn cross_validate(x: &Prepared, y: &[f64], most: usize) -> Result<CrossValidated, PlsError> {
    if most == 0 {
        return Err(PlsError::NoComponent);
    }
    let response = Response::new(x, y)?;
    let mut room = Room::new(x, most);
    let mut flat = vec![0.0; (most + 1) * x.rows];
    errors_into(x, &response, &mut room, &mut flat);
    let errors = flat.chunks_exact(x.rows).map(<[f64]>::to_vec).collect();
    Ok(CrossValidated::of(errors, response.about_mean))
}

/// A coefficient with what leaving rows out does to it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Coefficient {
    /// Units of the response for one unit of the column.
    pub value: f64,
    /// Standard error of the jackknife.
    pub se: f64,
}

/// Coefficients in units, with standard errors of the jackknife over what is left out in each fold:
/// `se² = (g - 1) / g Σ (b₋ₖ - b)²` for g folds.
///
/// # Errors
/// As for [`cross_validate`].
///
/// # Source
/// Martens H, Martens M (2000), Food Quality and Preference 11:5-16 (from memory): deviations are
/// taken from the coefficient of all rows.
pub fn jackknife(x: &Prepared, y: &[f64], components: usize) -> Result<Vec<Coefficient>, PlsError> {
    let response = Response::new(x, y)?;
    let mut room = Room::new(x, components.max(1));
    let mut of = |part: &Part| {
        response.of_part(x, part, &mut room.c);
        room.path.run(&part.cross, &mut room.c);
        let b = room.path.coefficients(components);
        b.iter().zip(&part.by).map(|(b, by)| b * by).collect::<Vec<f64>>()
    };
    let whole = of(&x.whole);
    let mut sums = vec![0.0; x.columns];
    for part in &x.parts {
        for ((s, b), all) in sums.iter_mut().zip(of(part)).zip(&whole) {
            *s += (b - all).powi(2);
        }
    }
    let g = x.parts.len() as f64;
    Ok(whole
        .iter()
        .zip(&sums)
        .zip(&x.sd)
        .map(|((b, s), sd)| Coefficient { value: b / sd, se: (s * (g - 1.0) / g).sqrt() / sd })
        .collect())
}

/// Predicts rows left out for several responses together (PLS2); one answer a response.
///
/// # Errors
/// See [`PlsError`].
pub fn cross_validate_together(
    columns: &[&[f64]],
    y: &[&[f64]],
    folds: &Folds,
    scaling: Scaling,
    most: usize,
) -> Result<Vec<CrossValidated>, PlsError> {
    let n = folds.rows;
    checked(columns, n, 0, 3)?;
    checked(y, n, columns.len(), 3)?;
    if !folds.are_a_partition() {
        return Err(PlsError::Folds);
    }
    if most == 0 {
        return Err(PlsError::NoComponent);
    }
    let varies = |c: &[f64]| standardised(c);
    let sds = |all: &[&[f64]], wrong: fn(usize) -> PlsError| -> Result<Vec<f64>, PlsError> {
        all.iter().enumerate().map(|(j, c)| Ok(varies(c).ok_or(wrong(j))?.2)).collect()
    };
    let x_sd = sds(columns, |column| PlsError::Constant { column })?;
    let y_sd = sds(y, |response| PlsError::ConstantResponse { response })?;
    let mut errors = vec![vec![vec![0.0; n]; most + 1]; y.len()];
    for held in &folds.held {
        let stay: Vec<usize> = (0..n).filter(|i| !held.contains(i)).collect();
        let take = |c: &[f64]| stay.iter().map(|i| c[*i]).collect::<Vec<f64>>();
        // A column that does not vary here counts nothing: all its values become 0.
        let scaled = |c: &[f64], sd: f64| match varies(&take(c)) {
            Some(inside) if scaling == Scaling::Inside => inside,
            Some((own, mean, inside)) => {
                (own.into_iter().map(|v| v * inside / sd).collect(), mean, sd)
            }
            None => {
                let own = take(c);
                let mean = own.iter().sum::<f64>() / own.len() as f64;
                (vec![0.0; own.len()], mean, f64::INFINITY)
            }
        };
        let unzip = |all: Vec<(Vec<f64>, f64, f64)>| {
            let (mut own, mut mean, mut sd) = (Vec::new(), Vec::new(), Vec::new());
            for (a, b, c) in all {
                own.push(a);
                mean.push(b);
                sd.push(c);
            }
            (own, mean, sd)
        };
        let (xs, x_mean, x_by) =
            unzip(columns.iter().zip(&x_sd).map(|(c, sd)| scaled(c, *sd)).collect());
        let (ys, y_mean, y_by) = unzip(y.iter().zip(&y_sd).map(|(c, sd)| scaled(c, *sd)).collect());
        let moments =
            Moments { x_mean: x_mean.clone(), x_sd: x_by.clone(), y_mean, y_sd: y_by.clone() };
        let model = of_standardised(xs, &ys, most, moments);
        for i in held {
            let z: Vec<f64> = columns
                .iter()
                .zip(x_mean.iter().zip(&x_by))
                .map(|(c, (m, s))| (c[*i] - m) / s)
                .collect();
            for (k, own) in errors.iter_mut().enumerate() {
                let mut error = y[k][*i] - model.y_mean[k];
                own[0][*i] = error;
                for a in 0..most {
                    if let (Some(r), Some(q)) = (model.rotations.get(a), model.y_loadings.get(a)) {
                        // A response that does not vary here has loadings of 0.
                        let step = if y_by[k].is_finite() { y_by[k] * q[k] } else { 0.0 };
                        error -= dot(&z, r) * step;
                    }
                    own[a + 1][*i] = error;
                }
            }
        }
    }
    Ok(errors
        .into_iter()
        .zip(y)
        .map(|(e, c)| {
            let about = varies(c).map_or(0.0, |(own, _, sd)| dot(&own, &own) * sd * sd);
            CrossValidated::of(e, about)
        })
        .collect())
}
