//! From columns to cross-products. After this the number of rows no longer matters.
//!
//! The random term with the most levels is set apart (`absorbed`): its own cross-product is
//! diagonal, so that each evaluation solves it level by level. What remains, the other terms and
//! the fixed columns, is the "rest", a dense system of a size that does not grow with that term.

use super::cells;
use super::dense::add_outer;
use super::factor::Factor;
use super::fixed::FixedPart;
use super::general::General;
use super::{MixedError, RandomTerm};
use faer::Mat;
use std::sync::Arc;

/// The layout of a mixed model, made once and fitted to any number of score columns.
#[derive(Debug, Clone)]
pub struct Model {
    pub(super) fixed: FixedPart,
    pub(super) terms: Vec<Term>,
    pub(super) n: usize,
    pub(super) basis: Basis,
    pub(super) rest: Rest,
    pub(super) levels: Vec<Level>,
    /// Which term is absorbed; none if there are no random terms.
    pub(super) absorbed: Option<usize>,
    /// `tr(P V_i P V_j)` at ratios of zero, the residual first, then the terms.
    pub(super) gram: Mat<f64>,
    /// The sparse system, where that is the route; then `rest` and `levels` are empty.
    pub(super) general: Option<Box<General>>,
    /// The layout without its cells, where they stand apart; then only that is filled.
    pub(super) cells: Option<Arc<cells::Layout>>,
}

/// By which equations a layout is fitted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Route {
    /// The largest term level by level, the rest as one dense system, with exact second
    /// derivatives: the quickest for a session. Not for correlated effects.
    Absorbed,
    /// All as one sparse system; its cost grows about in proportion to the rows.
    Sparse,
    /// The cells are taken off, and what is left is solved in leaves and a core: for a
    /// [fixed part whose cells stand apart](FixedPart::cells_apart).
    Cells,
}

/// From this size of the dense rest, or this number of levels of the absorbed term (the second with
/// many fixed columns), the sparse system is quicker (`benches/against_lme4`, `--alone`).
const DENSE_MAX: usize = 400;
const LEVELS_MAX: [usize; 2] = [600, 2500];
const FIXED_MANY: usize = 100;

/// A random term as the model keeps it.
#[derive(Debug, Clone)]
pub(super) struct Term {
    pub name: String,
    pub codes: Vec<u32>,
    pub values: Option<Vec<f64>>,
    pub correlated: Vec<(String, Vec<f64>)>,
    pub n_levels: usize,
    pub n_used: usize,
    /// Its first column in the rest; meaningless for the absorbed term.
    pub first: usize,
}

impl Term {
    pub fn value(&self, row: usize) -> f64 {
        self.values.as_ref().map_or(1.0, |v| v[row])
    }
}

/// Independent columns of the fixed part, and how they hang together with those that were given.
#[derive(Debug, Clone)]
pub(super) struct Basis {
    /// The given columns that are kept.
    pub kept: Vec<usize>,
    /// The given columns that depend on earlier ones, each with its weights on the kept columns.
    pub aliased: Vec<(usize, Vec<f64>)>,
    /// Orthonormal columns that span the kept ones.
    pub orthonormal: Vec<Vec<f64>>,
    /// Upper triangle `R`: kept = orthonormal times R; row-wise by column.
    pub r: Vec<Vec<f64>>,
    /// The columns as used in the equations: kept times `transform`.
    pub used: Vec<Vec<f64>>,
    /// Upper triangular, by column.
    pub transform: Vec<Vec<f64>>,
}

/// Cross-products of the rest within the levels of the absorbed term.
#[derive(Debug, Clone)]
pub(super) struct Rest {
    /// Columns of random terms in the rest.
    pub n_random: usize,
    /// All columns of the rest: random, then fixed.
    pub size: usize,
    /// Cross-products of the rest after the absorbed term is projected out.
    pub within: Mat<f64>,
}

/// One level of the absorbed term: its own square sum and its products with the rest.
#[derive(Debug, Clone)]
pub(super) struct Level {
    pub square: f64,
    pub columns: Vec<usize>,
    pub products: Vec<f64>,
    pub rows: Vec<usize>,
}

/// The parts of the cross-products that depend on the scores.
#[derive(Debug, Clone)]
pub(super) struct Scores {
    /// Least-squares coefficients of the kept columns; the equations work on what they leave.
    pub ordinary: Vec<f64>,
    /// Products with the rest after the absorbed term is projected out.
    pub within: Vec<f64>,
    /// The square sum after the absorbed term is projected out.
    pub within_square: f64,
    /// The product with each level of the absorbed term.
    pub levels: Vec<f64>,
    /// The square sum that the fixed part leaves, then `|Z_i' e|^2` of each term for what it leaves.
    pub crude: Vec<f64>,
}

impl Model {
    /// Prepares the cross-products and checks that every variance can be told apart.
    ///
    /// # Errors
    /// Columns of unequal length or with values that are not finite, too few rows, or a random term
    /// that no scores in this layout can tell apart ([`MixedError::NotIdentified`]): such as one
    /// with a single row in every level, two that are alike, or one that the fixed part spans.
    pub fn new(fixed: &FixedPart, random: &[RandomTerm]) -> Result<Self, MixedError> {
        if let Some(model) = Self::without_cells(fixed, random)? {
            return Ok(model);
        }
        let written;
        let fixed = if fixed.apart.is_some() {
            written = fixed.written_out();
            &written
        } else {
            fixed
        };
        let largest = random.iter().map(|t| t.factor.n_levels).max().unwrap_or(0);
        let all: usize = random.iter().map(|t| t.factor.n_levels).sum();
        let correlated = random.iter().any(|t| !t.correlated.is_empty());
        let levels_max = LEVELS_MAX[usize::from(fixed.columns.len() >= FIXED_MANY)];
        let route = if correlated || largest > levels_max || all - largest > DENSE_MAX {
            Route::Sparse
        } else {
            Route::Absorbed
        };
        Self::by_route(fixed, random, route)
    }

    /// Prepares a layout for the route of one's choice; correlated effects always take the sparse
    /// one.
    ///
    /// # Errors
    /// As for [`Model::new`].
    pub fn by_route(
        fixed: &FixedPart,
        random: &[RandomTerm],
        route: Route,
    ) -> Result<Self, MixedError> {
        if route == Route::Cells
            && let Some(model) = Self::without_cells(fixed, random)?
        {
            return Ok(model);
        }
        if fixed.apart.is_some() {
            return Self::by_route(&fixed.written_out(), random, route);
        }
        let n = fixed
            .columns
            .first()
            .map(Vec::len)
            .or_else(|| random.first().map(|t| t.factor.codes.len()))
            .unwrap_or(0);
        check(fixed, random, n)?;
        let basis = Basis::new(&fixed.columns, n);
        let n_fixed = basis.kept.len();
        if n <= n_fixed {
            return Err(MixedError::TooFewRows { n, n_fixed });
        }
        let absorbed =
            (0..random.len()).max_by_key(|&i| (random[i].factor.n_levels, random.len() - i));
        let mut first = 0;
        let mut terms = Vec::with_capacity(random.len());
        for (i, term) in random.iter().enumerate() {
            let counts = term.factor.counts();
            terms.push(Term {
                name: term.name.clone(),
                codes: term.factor.codes.clone(),
                values: term.slope.clone(),
                correlated: term.correlated.clone(),
                n_levels: term.factor.n_levels,
                n_used: counts.iter().filter(|&&c| c > 0).count(),
                first,
            });
            if Some(i) != absorbed {
                first += term.factor.n_levels;
            }
        }
        let fixed = fixed.clone();
        let gram = Mat::zeros(0, 0);
        let correlated = random.iter().any(|t| !t.correlated.is_empty());
        if route == Route::Sparse || correlated {
            let general = General::new(random, &basis, n)?;
            let rest = Rest { n_random: 0, size: 0, within: Mat::zeros(0, 0) };
            let general = Some(Box::new(general));
            let levels = Vec::new();
            return Ok(Model {
                fixed,
                terms,
                n,
                basis,
                rest,
                levels,
                absorbed: None,
                gram,
                general,
                cells: None,
            });
        }
        let (rest, levels) = rest_of(&terms, absorbed, &basis, n, first);
        let general = None;
        let mut model =
            Model { fixed, terms, n, basis, rest, levels, absorbed, gram, general, cells: None };
        model.gram = model.contributions()?;
        Ok(model)
    }

    /// The layout with its cells taken off, if they stand apart and it is one for that route.
    fn without_cells(fixed: &FixedPart, random: &[RandomTerm]) -> Result<Option<Self>, MixedError> {
        let Some(apart) = &fixed.apart else { return Ok(None) };
        let n = apart.factor.codes.len();
        check(fixed, random, n)?;
        let Some(layout) = cells::Layout::new(fixed, apart, random)? else { return Ok(None) };
        let terms = random.iter().zip(&layout.parts).map(|(term, part)| Term {
            name: term.name.clone(),
            codes: term.factor.codes.clone(),
            values: term.slope.clone(),
            correlated: Vec::new(),
            n_levels: part.n_levels,
            n_used: part.n_used,
            first: part.first,
        });
        Ok(Some(Model {
            terms: terms.collect(),
            fixed: fixed.clone(),
            n,
            basis: Basis::new(&[], n),
            rest: Rest { n_random: 0, size: 0, within: Mat::zeros(0, 0) },
            levels: Vec::new(),
            absorbed: None,
            gram: Mat::zeros(0, 0),
            general: None,
            cells: Some(Arc::new(layout)),
        }))
    }

    /// By which equations this layout is fitted.
    pub fn route(&self) -> Route {
        match (&self.cells, &self.general) {
            (Some(_), _) => Route::Cells,
            (None, Some(_)) => Route::Sparse,
            (None, None) => Route::Absorbed,
        }
    }

    /// The random terms as they were given.
    pub(super) fn random_terms(&self) -> Vec<RandomTerm> {
        let of = |t: &Term| RandomTerm {
            name: t.name.clone(),
            factor: Factor { codes: t.codes.clone(), n_levels: t.n_levels },
            slope: t.values.clone(),
            correlated: t.correlated.clone(),
        };
        self.terms.iter().map(of).collect()
    }

    /// Turns a form in the fixed columns as used into one in those that were given, times `factor`.
    pub(super) fn turned_back(&self, m: &Mat<f64>, factor: f64) -> Mat<f64> {
        let (kept, n) = (&self.basis.kept, self.fixed.columns.len());
        let back = self.back();
        let turned = back.transpose() * m * &back;
        let mut out = Mat::<f64>::zeros(n, n);
        for (a, &i) in kept.iter().enumerate() {
            for (b, &j) in kept.iter().enumerate() {
                out[(i, j)] = factor * turned[(a, b)];
            }
        }
        out
    }

    /// Used columns to kept ones.
    pub(super) fn back(&self) -> Mat<f64> {
        let p = self.n_fixed();
        Mat::from_fn(p, p, |c, k| if c < k { 0.0 } else { self.basis.transform[c][k] })
    }

    /// The number of independent fixed effects.
    pub fn n_fixed(&self) -> usize {
        self.cells.as_ref().map_or(self.basis.kept.len(), |layout| layout.n_fixed)
    }

    /// Checks a column of scores.
    pub(super) fn checked(&self, y: &[f64]) -> Result<(), MixedError> {
        if y.len() != self.n {
            return Err(MixedError::Rows {
                what: "the score column".into(),
                found: y.len(),
                expected: self.n,
            });
        }
        match y.iter().position(|v| !v.is_finite()) {
            Some(row) => {
                Err(MixedError::NotFinite { what: "the score column".into(), row: row + 1 })
            }
            None => Ok(()),
        }
    }

    /// Scores for where only traces are asked for: a token square sum keeps the deviance defined.
    pub(super) fn no_scores(&self) -> Scores {
        Scores {
            ordinary: vec![0.0; self.n_fixed()],
            within: vec![0.0; self.rest.size],
            within_square: 1.0,
            levels: vec![0.0; self.levels.len()],
            crude: vec![0.0; self.terms.len() + 1],
        }
    }

    /// What least squares leaves of the scores, and its coefficients of the kept columns.
    pub(super) fn left(&self, y: &[f64]) -> Result<(Vec<f64>, Vec<f64>), MixedError> {
        self.checked(y)?;
        let mut left = y.to_vec();
        let mut along = vec![0.0; self.n_fixed()];
        // Twice, so that what is left is free of rounding from the first time.
        for _ in 0..2 {
            for (q, a) in self.basis.orthonormal.iter().zip(&mut along) {
                let share = dot(q, &left);
                *a += share;
                axpy(-share, q, &mut left);
            }
        }
        // Sixteen digits of the largest score, in each row, are rounding and not variation.
        let largest = y.iter().fold(0.0f64, |m, v| m.max(v.abs()));
        let noise = 64.0 * f64::EPSILON * largest;
        if left.iter().all(|v| v.abs() <= noise) {
            return Err(MixedError::NoVariation);
        }
        let ordinary = back_substitute(&self.basis.r, &along);
        Ok((left, ordinary))
    }

    /// Forms the products that depend on the scores.
    pub(super) fn scores(&self, y: &[f64]) -> Result<Scores, MixedError> {
        let (left, ordinary) = self.left(y)?;
        let size = self.rest.size;
        let mut scores = Scores {
            ordinary,
            within: vec![0.0; size],
            within_square: 0.0,
            levels: vec![0.0; self.levels.len()],
            crude: vec![dot(&left, &left)],
        };
        for term in &self.terms {
            let mut sums = vec![0.0; term.n_levels];
            for (row, &value) in left.iter().enumerate() {
                sums[term.codes[row] as usize] += term.value(row) * value;
            }
            scores.crude.push(dot(&sums, &sums));
        }
        let mut centred = left.clone();
        if let Some(term) = self.absorbed.map(|i| &self.terms[i]) {
            for (l, level) in self.levels.iter().enumerate() {
                let product: f64 = level.rows.iter().map(|&r| term.value(r) * left[r]).sum();
                scores.levels[l] = product;
                for &r in &level.rows {
                    centred[r] -= term.value(r) * ratio(product, level.square);
                }
            }
        }
        scores.within_square = dot(&centred, &centred);
        for (row, &value) in centred.iter().enumerate() {
            for (i, term) in self.terms.iter().enumerate() {
                if Some(i) != self.absorbed {
                    scores.within[term.first + term.codes[row] as usize] += term.value(row) * value;
                }
            }
        }
        for (j, column) in self.basis.used.iter().enumerate() {
            scores.within[self.rest.n_random + j] = dot(column, &centred);
        }
        Ok(scores)
    }
}

fn check(fixed: &FixedPart, random: &[RandomTerm], n: usize) -> Result<(), MixedError> {
    let rows = |what: &str, found: usize| {
        if found == n {
            Ok(())
        } else {
            Err(MixedError::Rows { what: what.into(), found, expected: n })
        }
    };
    let finite = |what: &str, values: &[f64]| match values.iter().position(|v| !v.is_finite()) {
        None => Ok(()),
        Some(row) => Err(MixedError::NotFinite { what: what.into(), row: row + 1 }),
    };
    let n_apart = fixed.n_effects() - fixed.columns.len();
    if let Some(apart) = &fixed.apart
        && let Some(&code) =
            apart.factor.codes.iter().find(|&&c| c as usize >= apart.factor.n_levels)
    {
        let n_levels = apart.factor.n_levels;
        return Err(MixedError::Level { term: fixed.terms[0].name.clone(), code, n_levels });
    }
    for (j, column) in fixed.columns.iter().enumerate() {
        let name = fixed.names.get(n_apart + j).map_or("a fixed column", String::as_str);
        rows(name, column.len())?;
        finite(name, column)?;
    }
    for term in random {
        rows(&term.name, term.factor.codes.len())?;
        let n_levels = term.factor.n_levels;
        if let Some(&code) = term.factor.codes.iter().find(|&&c| c as usize >= n_levels) {
            return Err(MixedError::Level { term: term.name.clone(), code, n_levels });
        }
        let slopes = term.slope.iter().chain(term.correlated.iter().map(|c| &c.1));
        for slope in slopes {
            rows(&term.name, slope.len())?;
            finite(&term.name, slope)?;
        }
    }
    Ok(())
}

impl Basis {
    /// Orthogonalises column after column (Gram-Schmidt, twice); one of which less than 1e-9 is
    /// left depends on those before it.
    fn new(columns: &[Vec<f64>], n: usize) -> Self {
        let mut basis = Basis {
            kept: Vec::new(),
            aliased: Vec::new(),
            orthonormal: Vec::new(),
            r: Vec::new(),
            used: Vec::new(),
            transform: Vec::new(),
        };
        // The rows that an orthonormal column meets, where they are few: columns of lots meet none
        // of each other's.
        let mut met: Vec<Option<Vec<usize>>> = Vec::new();
        for (j, column) in columns.iter().enumerate() {
            let mut left = column.clone();
            let mut along = vec![0.0; basis.orthonormal.len()];
            for _ in 0..2 {
                for ((q, met), a) in basis.orthonormal.iter().zip(&met).zip(&mut along) {
                    let share = match met {
                        Some(rows) => rows.iter().map(|&r| q[r] * left[r]).sum(),
                        None => dot(q, &left),
                    };
                    if share == 0.0 {
                        continue;
                    }
                    *a += share;
                    match met {
                        Some(rows) => rows.iter().for_each(|&r| left[r] -= share * q[r]),
                        None => axpy(-share, q, &mut left),
                    }
                }
            }
            let length = dot(&left, &left).sqrt();
            if length <= 1e-9 * dot(column, column).sqrt() {
                basis.aliased.push((j, back_substitute(&basis.r, &along)));
                continue;
            }
            for v in &mut left {
                *v /= length;
            }
            along.push(length);
            let rows: Vec<usize> = (0..n).filter(|&r| left[r] != 0.0).collect();
            met.push((4 * rows.len() < n).then_some(rows));
            basis.r.push(along);
            basis.orthonormal.push(left);
            basis.kept.push(j);
        }
        // Indicator columns stay as they are, sparse; a measured one is replaced by what it adds,
        // in a common scale, so that a year such as 2026 does not spoil the equations.
        for (k, &j) in basis.kept.iter().enumerate() {
            let mut weights = vec![0.0; k + 1];
            if columns[j].iter().all(|&v| v == 0.0 || v.abs() == 1.0) {
                weights[k] = 1.0;
                basis.used.push(columns[j].clone());
            } else {
                let scale = (n as f64).sqrt();
                weights[k] = scale;
                weights = back_substitute(&basis.r[..=k], &weights);
                basis.used.push(basis.orthonormal[k].iter().map(|v| v * scale).collect());
            }
            basis.transform.push(weights);
        }
        basis
    }
}

/// Projects the absorbed term out of the rest, level by level.
fn rest_of(
    terms: &[Term],
    absorbed: Option<usize>,
    basis: &Basis,
    n: usize,
    n_random: usize,
) -> (Rest, Vec<Level>) {
    let size = n_random + basis.used.len();
    let mut groups: Vec<Vec<usize>> = match absorbed {
        Some(i) => vec![Vec::new(); terms[i].n_levels],
        None => vec![(0..n).collect()],
    };
    if let Some(i) = absorbed {
        for (row, &code) in terms[i].codes.iter().enumerate() {
            groups[code as usize].push(row);
        }
    }
    let mut within = Mat::<f64>::zeros(size, size);
    let mut levels = Vec::with_capacity(groups.len());
    // Where a column of the rest stands among those of the level at hand.
    let mut place = vec![usize::MAX; size];
    for rows in groups.drain(..) {
        let mut columns: Vec<usize> = Vec::new();
        let mut entries: Vec<Vec<(usize, f64)>> = Vec::with_capacity(rows.len());
        for &row in &rows {
            let random = terms
                .iter()
                .enumerate()
                .filter(|&(i, _)| Some(i) != absorbed)
                .map(|(_, t)| (t.first + t.codes[row] as usize, t.value(row)));
            let fixed = basis.used.iter().enumerate().map(|(j, c)| (n_random + j, c[row]));
            let entry: Vec<(usize, f64)> = random.chain(fixed).filter(|e| e.1 != 0.0).collect();
            for &(column, _) in &entry {
                if place[column] == usize::MAX {
                    place[column] = columns.len();
                    columns.push(column);
                }
            }
            entries.push(entry);
        }
        let value = |row: usize| absorbed.map_or(0.0, |i| terms[i].value(row));
        let square: f64 = rows.iter().map(|&r| value(r) * value(r)).sum();
        let mut products = vec![0.0; columns.len()];
        for (entry, &row) in entries.iter().zip(&rows) {
            for &(column, v) in entry {
                products[place[column]] += value(row) * v;
            }
        }
        let mut centred = vec![0.0; columns.len()];
        for (entry, &row) in entries.iter().zip(&rows) {
            for (c, &p) in centred.iter_mut().zip(&products) {
                *c = -value(row) * ratio(p, square);
            }
            for &(column, v) in entry {
                centred[place[column]] += v;
            }
            add_outer(&mut within, &columns, &centred, 1.0);
        }
        for &column in &columns {
            place[column] = usize::MAX;
        }
        if absorbed.is_some() {
            levels.push(Level { square, columns, products, rows });
        }
    }
    (Rest { n_random, size, within }, levels)
}

/// `a / b`, or zero if there is nothing to share.
fn ratio(a: f64, b: f64) -> f64 {
    if b > 0.0 { a / b } else { 0.0 }
}

pub(super) fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

fn axpy(factor: f64, x: &[f64], y: &mut [f64]) {
    for (y, x) in y.iter_mut().zip(x) {
        *y += factor * x;
    }
}

/// Solves `R x = b` for an upper triangle kept by column.
fn back_substitute(r: &[Vec<f64>], b: &[f64]) -> Vec<f64> {
    let mut x = b.to_vec();
    for k in (0..r.len()).rev() {
        x[k] /= r[k][k];
        let value = x[k];
        for i in 0..k {
            x[i] -= r[k][i] * value;
        }
    }
    x
}
