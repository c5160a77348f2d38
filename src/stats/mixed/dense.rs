//! Small dense linear algebra beside what faer brings.

use faer::dyn_stack::{MemBuffer, MemStack};
use faer::linalg::cholesky::llt::factor as llt;
use faer::linalg::matmul::triangular::{self, BlockStructure};
use faer::linalg::triangular_inverse::invert_lower_triangular;
use faer::{Accum, Mat, MatRef, Par, Side};

/// Adds `weight v v'` at the given columns.
pub(super) fn add_outer(m: &mut Mat<f64>, columns: &[usize], values: &[f64], weight: f64) {
    for (&c, &vc) in columns.iter().zip(values) {
        let target = m.col_as_slice_mut(c);
        for (&r, &vr) in columns.iter().zip(values) {
            target[r] += weight * vr * vc;
        }
    }
}

/// Matrix times vector.
pub(super) fn times(m: MatRef<'_, f64>, v: &[f64]) -> Vec<f64> {
    let mut out = vec![0.0; m.nrows()];
    for (c, &value) in v.iter().enumerate() {
        for (o, m) in out.iter_mut().zip(m.col(c).iter()) {
            *o += m * value;
        }
    }
    out
}

/// Solves `L x = b`.
pub(super) fn forward_substitute(lower: MatRef<'_, f64>, mut b: Vec<f64>) -> Vec<f64> {
    for k in 0..b.len() {
        b[k] /= lower[(k, k)];
        let value = b[k];
        for (i, x) in b.iter_mut().enumerate().skip(k + 1) {
            *x -= lower[(i, k)] * value;
        }
    }
    b
}

/// The inverse of `L L'` from `L`: the inverse triangle, then its own cross-product.
pub(super) fn invert_from_lower(lower: MatRef<'_, f64>) -> Mat<f64> {
    let n = lower.nrows();
    let mut inverse = Mat::<f64>::zeros(n, n);
    invert_lower_triangular(inverse.as_mut(), lower, Par::Seq);
    let mut product = Mat::<f64>::zeros(n, n);
    triangular::matmul(
        product.as_mut(),
        BlockStructure::Rectangular,
        Accum::Replace,
        inverse.transpose(),
        BlockStructure::TriangularUpper,
        inverse.as_ref(),
        BlockStructure::TriangularLower,
        1.0,
        Par::Seq,
    );
    product
}

/// `M M'` of a small matrix.
pub(super) fn small_cross(m: &Mat<f64>) -> Mat<f64> {
    let mut out = Mat::<f64>::zeros(m.nrows(), m.nrows());
    for c in 0..m.ncols() {
        let column = m.col_as_slice(c);
        for (j, &v) in column.iter().enumerate() {
            for (o, w) in out.col_as_slice_mut(j).iter_mut().zip(column) {
                *o += v * w;
            }
        }
    }
    out
}

/// The inverse of a small positive matrix and the logarithm of its determinant; none if it is not
/// positive.
pub(super) fn small_inverse(m: &Mat<f64>) -> Option<(Mat<f64>, f64)> {
    let n = m.nrows();
    if n > SMALL {
        let lower = m.llt(Side::Lower).ok()?.L().to_owned();
        let log = (0..n).map(|i| 2.0 * lower[(i, i)].ln()).sum();
        return Some((invert_from_lower(lower.as_ref()), log));
    }
    let mut lower = m.clone();
    let mut log = 0.0;
    for k in 0..n {
        let pivot = lower[(k, k)];
        if !(pivot > 0.0 && pivot.is_finite()) {
            return None;
        }
        log += pivot.ln();
        let root = pivot.sqrt();
        lower.col_as_slice_mut(k)[k..].iter_mut().for_each(|v| *v /= root);
        for c in k + 1..n {
            let by = lower[(c, k)];
            for r in c..n {
                lower[(r, c)] -= by * lower[(r, k)];
            }
        }
    }
    // Column by column of the inverse triangle, then its own cross-product.
    let mut inverse = Mat::<f64>::zeros(n, n);
    for c in 0..n {
        inverse[(c, c)] = 1.0 / lower[(c, c)];
        for r in c + 1..n {
            let sum: f64 = (c..r).map(|k| lower[(r, k)] * inverse[(k, c)]).sum();
            inverse[(r, c)] = -sum / lower[(r, r)];
        }
    }
    let out = Mat::from_fn(n, n, |i, j| {
        (i.max(j)..n).map(|k| inverse[(k, i)] * inverse[(k, j)]).sum::<f64>()
    });
    Some((out, log))
}

/// Up to this size plain loops are quicker.
const SMALL: usize = 24;

/// Turns the lower triangle of a symmetric matrix into that of its Cholesky factor, in its own place;
/// false if the matrix is not positive. The upper triangle is left as it is.
pub(super) fn factored(m: &mut Mat<f64>) -> bool {
    let need = llt::cholesky_in_place_scratch::<f64>(m.nrows(), Par::Seq, Default::default());
    let mut room = MemBuffer::new(need);
    let room = MemStack::new(&mut room);
    let rule = Default::default();
    llt::cholesky_in_place(m.as_mut(), rule, Par::Seq, room, Default::default()).is_ok()
}

/// The inverse of `L L'` from `L` in the lower triangle, in the place of `L`: half of the work of
/// [`invert_from_lower`] where it is large.
pub(super) fn inverse_of_factored(mut lower: Mat<f64>) -> Mat<f64> {
    let n = lower.nrows();
    let mut inverse = Mat::<f64>::zeros(n, n);
    invert_lower_triangular(inverse.as_mut(), lower.as_ref(), Par::Seq);
    triangular::matmul(
        lower.as_mut(),
        BlockStructure::TriangularLower,
        Accum::Replace,
        inverse.transpose(),
        BlockStructure::TriangularUpper,
        inverse.as_ref(),
        BlockStructure::TriangularLower,
        1.0,
        Par::Seq,
    );
    mirror(&mut lower);
    lower
}

/// `A B` where the product is known to be symmetric.
pub(super) fn symmetric_product(a: MatRef<'_, f64>, b: MatRef<'_, f64>) -> Mat<f64> {
    let mut product = Mat::<f64>::zeros(a.nrows(), b.ncols());
    triangular::matmul(
        product.as_mut(),
        BlockStructure::TriangularLower,
        Accum::Replace,
        a,
        BlockStructure::Rectangular,
        b,
        BlockStructure::Rectangular,
        1.0,
        Par::Seq,
    );
    mirror(&mut product);
    product
}

/// Copies the lower triangle to the upper, in tiles.
pub(super) fn mirror(m: &mut Mat<f64>) {
    const TILE: usize = 32;
    let n = m.nrows();
    for first in (0..n).step_by(TILE) {
        for from in (first..n).step_by(TILE) {
            for c in first..(first + TILE).min(n) {
                for r in from.max(c + 1)..(from + TILE).min(n) {
                    m[(c, r)] = m[(r, c)];
                }
            }
        }
    }
}
