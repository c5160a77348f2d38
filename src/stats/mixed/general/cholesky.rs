//! Sparse symmetric systems: an order of elimination, the factor, solutions, and the entries of the
//! inverse that lie where the factor has entries.
//!
//! Columns that meet few others are eliminated one after the other; those at the end, among which
//! nearly every entry fills up, are kept as one dense block.

use crate::mixed::dense::invert_from_lower;
use faer::dyn_stack::{MemBuffer, MemStack};
use faer::sparse::SymbolicSparseColMatRef;
use faer::sparse::linalg::amd;
use faer::{Mat, Side};

/// From this share of possible entries on, columns count as full.
const FULL: f64 = 0.4;
/// How many long columns are gathered before the dense block takes them up together.
const GATHERED: usize = 64;

/// Where a symmetric matrix has entries: the lower triangle, by column, the diagonal always first.
#[derive(Debug, Clone, Default)]
pub(in crate::mixed) struct Pattern {
    pub starts: Vec<usize>,
    pub rows: Vec<u32>,
}

impl Pattern {
    pub fn size(&self) -> usize {
        self.starts.len().saturating_sub(1)
    }

    /// The place of an entry among the values.
    pub fn find(&self, row: usize, column: usize) -> Option<usize> {
        let range = self.starts[column]..self.starts[column + 1];
        self.rows[range.clone()].binary_search(&(row as u32)).ok().map(|at| range.start + at)
    }
}

/// The order of elimination and the entries of the factor.
#[derive(Debug, Clone)]
pub(in crate::mixed) struct Symbolic {
    size: usize,
    /// The column that comes at each step.
    order: Vec<usize>,
    /// The step at which each column comes.
    place: Vec<usize>,
    /// The steps before the dense block.
    n_lead: usize,
    /// Below the diagonal of each step before the dense block: the steps with entries, ascending.
    starts: Vec<usize>,
    rows: Vec<u32>,
    /// The entries of the matrix by step: the later step, and the place among the values.
    given_starts: Vec<usize>,
    given: Vec<(u32, u32)>,
}

/// A factor `L L'` of the matrix in the order of elimination.
#[derive(Debug, Clone)]
pub(in crate::mixed) struct Factored<'a> {
    symbolic: &'a Symbolic,
    diagonal: Vec<f64>,
    below: Vec<f64>,
    tail: Mat<f64>,
}

/// The inverse where the factor has entries.
#[derive(Debug, Clone)]
pub(in crate::mixed) struct Inverse<'a> {
    symbolic: &'a Symbolic,
    diagonal: Vec<f64>,
    below: Vec<f64>,
    tail: Mat<f64>,
}

impl Symbolic {
    /// Orders a matrix whose last `n_last` columns are to be eliminated last, in their own order;
    /// none if the order cannot be found for want of memory.
    pub fn new(pattern: &Pattern, n_last: usize) -> Option<Self> {
        let size = pattern.size();
        let n_first = size - n_last;
        let mut order = minimum_degree(pattern, n_first)?;
        order.extend(n_first..size);
        let mut place = vec![0; size];
        for (step, &column) in order.iter().enumerate() {
            place[column] = step;
        }
        let mut counts = vec![0usize; size + 1];
        let step_of = |row: u32, column: usize| {
            let (a, b) = (place[row as usize], place[column]);
            (a.min(b), a.max(b))
        };
        for column in 0..size {
            for &row in &pattern.rows[pattern.starts[column]..pattern.starts[column + 1]] {
                counts[step_of(row, column).0 + 1] += 1;
            }
        }
        for step in 0..size {
            counts[step + 1] += counts[step];
        }
        let given_starts = counts.clone();
        let mut given = vec![(0, 0); pattern.rows.len()];
        for column in 0..size {
            for at in pattern.starts[column]..pattern.starts[column + 1] {
                let (step, later) = step_of(pattern.rows[at], column);
                given[counts[step]] = (later as u32, at as u32);
                counts[step] += 1;
            }
        }
        // The entries of each step of the factor: its own, and those of the steps whose first
        // entry below the diagonal it is.
        let mut patterns: Vec<Vec<u32>> = Vec::with_capacity(size);
        let mut children: Vec<Vec<u32>> = vec![Vec::new(); size];
        let mut seen = vec![u32::MAX; size];
        for step in 0..size {
            let mut own = Vec::new();
            let mut add = |row: u32| {
                if row as usize > step && seen[row as usize] != step as u32 {
                    seen[row as usize] = step as u32;
                    own.push(row);
                }
            };
            for &(row, _) in &given[given_starts[step]..given_starts[step + 1]] {
                add(row);
            }
            for child in std::mem::take(&mut children[step]) {
                patterns[child as usize].iter().for_each(|&row| add(row));
            }
            own.sort_unstable();
            if let Some(&parent) = own.first() {
                children[parent as usize].push(step as u32);
            }
            patterns.push(own);
        }
        let mut n_lead = n_first;
        while n_lead > 0 {
            let possible = (size - n_lead) as f64;
            if (patterns[n_lead - 1].len() as f64) < FULL * possible {
                break;
            }
            n_lead -= 1;
        }
        let mut starts = vec![0];
        let mut rows = Vec::new();
        for own in &patterns[..n_lead] {
            rows.extend_from_slice(own);
            starts.push(rows.len());
        }
        Some(Symbolic { size, order, place, n_lead, starts, rows, given_starts, given })
    }

    fn n_tail(&self) -> usize {
        self.size - self.n_lead
    }

    /// Factors the matrix with these values; none if it is not positive to working accuracy.
    pub fn factor(&self, values: &[f64]) -> Option<Factored<'_>> {
        let (n_lead, n_tail) = (self.n_lead, self.n_tail());
        let mut diagonal = vec![0.0; n_lead];
        let mut below = vec![0.0; self.rows.len()];
        let mut tail = Mat::<f64>::zeros(n_tail, n_tail);
        for step in n_lead..self.size {
            let target = tail.col_as_slice_mut(step - n_lead);
            for &(row, at) in &self.given[self.given_starts[step]..self.given_starts[step + 1]] {
                target[row as usize - n_lead] += values[at as usize];
            }
        }
        // Steps that still have to be taken off a later one wait in its list: the next entry of each.
        const NONE: u32 = u32::MAX;
        let mut first = vec![NONE; n_lead];
        let mut next = vec![NONE; n_lead];
        let mut at = vec![0usize; n_lead];
        let mut work = vec![0.0; self.size];
        let mut gathered = Gathered::new(n_tail);
        for step in 0..n_lead {
            for &(row, value) in &self.given[self.given_starts[step]..self.given_starts[step + 1]] {
                work[row as usize] += values[value as usize];
            }
            let mut earlier = std::mem::replace(&mut first[step], NONE);
            while earlier != NONE {
                let j = earlier as usize;
                earlier = next[j];
                let range = at[j]..self.starts[j + 1];
                let factor = below[range.start];
                for (&row, &value) in self.rows[range.clone()].iter().zip(&below[range.clone()]) {
                    work[row as usize] -= factor * value;
                }
                at[j] += 1;
                self.wait(j, &at, &mut first, &mut next);
            }
            let pivot = work[step];
            work[step] = 0.0;
            if !(pivot > 0.0 && pivot.is_finite()) {
                return None;
            }
            let root = pivot.sqrt();
            diagonal[step] = root;
            let range = self.starts[step]..self.starts[step + 1];
            for (&row, value) in self.rows[range.clone()].iter().zip(&mut below[range.clone()]) {
                *value = work[row as usize] / root;
                work[row as usize] = 0.0;
            }
            at[step] = range.start;
            self.wait(step, &at, &mut first, &mut next);
            // What it takes off the dense block.
            let from =
                range.start + self.rows[range.clone()].partition_point(|&r| (r as usize) < n_lead);
            gathered.take(&self.rows[from..range.end], &below[from..range.end], n_lead, &mut tail);
        }
        gathered.flush(&mut tail);
        let tail = if n_tail > 0 { tail.llt(Side::Lower).ok()?.L().to_owned() } else { tail };
        Some(Factored { symbolic: self, diagonal, below, tail })
    }

    /// Puts a step on the list of the step of its next entry, if that comes before the dense block.
    fn wait(&self, step: usize, at: &[usize], first: &mut [u32], next: &mut [u32]) {
        if at[step] < self.starts[step + 1] {
            let row = self.rows[at[step]] as usize;
            if row < self.n_lead {
                next[step] = first[row];
                first[row] = step as u32;
            }
        }
    }
}

/// Long columns that wait to be taken off the dense block together.
struct Gathered {
    columns: Mat<f64>,
    n: usize,
}

impl Gathered {
    fn new(n_tail: usize) -> Self {
        Gathered { columns: Mat::zeros(n_tail, GATHERED), n: 0 }
    }

    fn take(&mut self, rows: &[u32], values: &[f64], shift: usize, tail: &mut Mat<f64>) {
        if rows.len() < 48 {
            for (i, (&c, &vc)) in rows.iter().zip(values).enumerate() {
                let target = tail.col_as_slice_mut(c as usize - shift);
                for (&r, &vr) in rows[i..].iter().zip(&values[i..]) {
                    target[r as usize - shift] -= vc * vr;
                }
            }
            return;
        }
        let column = self.columns.col_as_slice_mut(self.n);
        for (&r, &v) in rows.iter().zip(values) {
            column[r as usize - shift] = v;
        }
        self.n += 1;
        if self.n == GATHERED {
            self.flush(tail);
        }
    }

    fn flush(&mut self, tail: &mut Mat<f64>) {
        if self.n == 0 {
            return;
        }
        use faer::linalg::matmul::triangular::{BlockStructure, matmul};
        let block = self.columns.as_ref().subcols(0, self.n);
        matmul(
            tail.as_mut(),
            BlockStructure::TriangularLower,
            faer::Accum::Add,
            block,
            BlockStructure::Rectangular,
            block.transpose(),
            BlockStructure::Rectangular,
            -1.0,
            faer::Par::Seq,
        );
        self.columns.fill(0.0);
        self.n = 0;
    }
}

impl Factored<'_> {
    /// Twice the sum of the logarithms of the diagonal, over the first `n` columns and over the rest.
    pub fn log_dets(&self, n: usize) -> (f64, f64) {
        let (mut first, mut rest) = (0.0, 0.0);
        let tail = (0..self.tail.nrows()).map(|i| self.tail[(i, i)]);
        for (&column, d) in
            self.symbolic.order.iter().zip(self.diagonal.iter().copied().chain(tail))
        {
            *(if column < n { &mut first } else { &mut rest }) += 2.0 * d.ln();
        }
        (first, rest)
    }

    /// Replaces `b` by the solution.
    pub fn solve(&self, b: &mut [f64]) {
        let s = self.symbolic;
        let mut x: Vec<f64> = s.order.iter().map(|&column| b[column]).collect();
        for step in 0..s.n_lead {
            let value = x[step] / self.diagonal[step];
            x[step] = value;
            if value != 0.0 {
                let range = s.starts[step]..s.starts[step + 1];
                for (&row, l) in s.rows[range.clone()].iter().zip(&self.below[range]) {
                    x[row as usize] -= l * value;
                }
            }
        }
        let (lead, end) = x.split_at_mut(s.n_lead);
        let n = end.len();
        for k in 0..n {
            let column = self.tail.col_as_slice(k);
            end[k] /= column[k];
            let value = end[k];
            for (e, l) in end[k + 1..].iter_mut().zip(&column[k + 1..]) {
                *e -= l * value;
            }
        }
        for k in (0..n).rev() {
            let column = self.tail.col_as_slice(k);
            let sum: f64 = end[k + 1..].iter().zip(&column[k + 1..]).map(|(e, l)| e * l).sum();
            end[k] = (end[k] - sum) / column[k];
        }
        for step in (0..s.n_lead).rev() {
            let range = s.starts[step]..s.starts[step + 1];
            let mut value = lead[step];
            for (&row, l) in s.rows[range.clone()].iter().zip(&self.below[range]) {
                let row = row as usize;
                value -= l * if row < s.n_lead { lead[row] } else { end[row - s.n_lead] };
            }
            lead[step] = value / self.diagonal[step];
        }
        for (&column, &value) in s.order.iter().zip(&x) {
            b[column] = value;
        }
    }
}

impl<'a> Factored<'a> {
    /// The inverse where the factor has entries, from the last step to the first (Takahashi, Fagan
    /// and Chen 1973, in Erisman and Tinney 1975, Communications of the ACM 18:177-179; citation
    /// from memory): `Z_Sj = -Z_SS l / d`, `Z_jj = 1 / d^2 - l' Z_Sj / d`.
    pub fn inverse(&self) -> Inverse<'a> {
        let s = self.symbolic;
        let tail =
            if s.n_tail() > 0 { invert_from_lower(self.tail.as_ref()) } else { Mat::zeros(0, 0) };
        let mut diagonal = vec![0.0; s.n_lead];
        let mut below = vec![0.0; s.rows.len()];
        let mut sums: Vec<f64> = Vec::new();
        for step in (0..s.n_lead).rev() {
            let range = s.starts[step]..s.starts[step + 1];
            let (rows, l) = (&s.rows[range.clone()], &self.below[range.clone()]);
            sums.clear();
            sums.resize(rows.len(), 0.0);
            for (a, &column) in rows.iter().enumerate() {
                let column = column as usize;
                if column >= s.n_lead {
                    let z = tail.col_as_slice(column - s.n_lead);
                    let (mut own, weight) = (0.0, l[a]);
                    for (b, &row) in rows.iter().enumerate().skip(a + 1) {
                        let z = z[row as usize - s.n_lead];
                        own += z * l[b];
                        sums[b] += z * weight;
                    }
                    sums[a] += own + z[column - s.n_lead] * weight;
                } else {
                    let (mut own, weight) = (diagonal[column] * l[a], l[a]);
                    let mut at = s.starts[column];
                    for (b, &row) in rows.iter().enumerate().skip(a + 1) {
                        // What is below a step is below the step of its first entry too, and so on.
                        while s.rows[at] < row {
                            at += 1;
                        }
                        own += below[at] * l[b];
                        sums[b] += below[at] * weight;
                    }
                    sums[a] += own;
                }
            }
            let d = self.diagonal[step];
            let mut own = 1.0 / d;
            for ((z, sum), l) in below[range].iter_mut().zip(&sums).zip(l) {
                *z = -sum / d;
                own -= l * *z;
            }
            diagonal[step] = own / d;
        }
        Inverse { symbolic: s, diagonal, below, tail }
    }
}

impl Inverse<'_> {
    /// An entry of the inverse; none where the factor has no entry.
    pub fn get(&self, a: usize, b: usize) -> Option<f64> {
        let s = self.symbolic;
        let (a, b) = (s.place[a], s.place[b]);
        let (step, later) = (a.min(b), a.max(b));
        if step >= s.n_lead {
            return Some(self.tail[(later - s.n_lead, step - s.n_lead)]);
        }
        if step == later {
            return Some(self.diagonal[step]);
        }
        let range = s.starts[step]..s.starts[step + 1];
        let at = s.rows[range.clone()].binary_search(&(later as u32)).ok()?;
        Some(self.below[range.start + at])
    }
}

/// The order of least fill among the first `n` columns.
fn minimum_degree(pattern: &Pattern, n: usize) -> Option<Vec<usize>> {
    let mut starts = Vec::with_capacity(n + 1);
    let mut rows: Vec<usize> = Vec::new();
    starts.push(0);
    for column in 0..n {
        let own = &pattern.rows[pattern.starts[column]..pattern.starts[column + 1]];
        rows.extend(own.iter().map(|&r| r as usize).filter(|&r| r < n));
        starts.push(rows.len());
    }
    let (mut order, mut place) = (vec![0usize; n], vec![0usize; n]);
    let mut memory = MemBuffer::try_new(amd::order_scratch::<usize>(n, rows.len())).ok()?;
    let matrix = SymbolicSparseColMatRef::new_checked(n, n, &starts, None, &rows);
    amd::order(&mut order, &mut place, matrix, amd::Control::default(), MemStack::new(&mut memory))
        .ok()?;
    Some(order)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rng::stream;
    use faer::linalg::solvers::DenseSolveCore;

    /// Scattered sparse systems against dense ones.
    #[test]
    fn factor_solution_and_inverse_are_those_of_the_dense_matrix() {
        let mut draws = stream(31, 0);
        for (size, n_last, share) in [(1, 0, 3), (7, 2, 3), (40, 1, 30), (120, 3, 60), (200, 0, 8)]
        {
            let mut m = Mat::<f64>::zeros(size, size);
            for c in 0..size {
                for r in c + 1..size {
                    if draws.below(share) == 0 || r >= size - n_last {
                        m[(r, c)] = draws.normal();
                    }
                }
            }
            let mut pattern = Pattern { starts: vec![0], rows: Vec::new() };
            let mut values = Vec::new();
            for c in 0..size {
                let whole: f64 = (0..size).map(|r| m[(r.max(c), r.min(c))].abs()).sum();
                m[(c, c)] = whole + 0.5;
                for r in c..size {
                    if m[(r, c)] != 0.0 {
                        pattern.rows.push(r as u32);
                        values.push(m[(r, c)]);
                    }
                }
                pattern.starts.push(pattern.rows.len());
            }
            let dense = Mat::from_fn(size, size, |r, c| m[(r.max(c), r.min(c))]);
            let symbolic = Symbolic::new(&pattern, n_last).expect("an order");
            let factored = symbolic.factor(&values).expect("positive");
            let inverse = dense.partial_piv_lu().inverse();
            let (first, last) = factored.log_dets(size - n_last);
            let lower = dense.llt(Side::Lower).expect("positive");
            let log = |range: std::ops::Range<usize>| -> f64 {
                range.map(|i| 2.0 * lower.L()[(i, i)].ln()).sum()
            };
            assert!((first - log(0..size - n_last)).abs() < 1e-10);
            assert!((last - log(size - n_last..size)).abs() < 1e-10);
            let right: Vec<f64> = (0..size).map(|_| draws.normal()).collect();
            let mut x = right.clone();
            factored.solve(&mut x);
            for r in 0..size {
                let sum: f64 = (0..size).map(|c| dense[(r, c)] * x[c]).sum();
                assert!((sum - right[r]).abs() < 1e-10);
            }
            let selected = factored.inverse();
            for c in 0..size {
                for r in c..size {
                    let z = selected.get(r, c);
                    assert!(z.is_some() || m[(r, c)] == 0.0);
                    assert!(z.is_none_or(|z| (z - inverse[(r, c)]).abs() < 1e-12));
                }
            }
            values[0] = -1.0;
            assert!(symbolic.factor(&values).is_none());
        }
    }
}
