//! Small dense linear algebra beside what faer brings.

use faer::linalg::matmul::triangular::{self, BlockStructure};
use faer::linalg::triangular_inverse::invert_lower_triangular;
use faer::{Accum, Mat, MatRef, Par};

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
