//! Small dense linear algebra beside what faer brings.

use faer::linalg::matmul::triangular::{self, BlockStructure};
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

/// The inverse of `L L'` from `L`: the inverse triangle by columns, then its own cross-product.
pub(super) fn invert_from_lower(lower: MatRef<'_, f64>) -> Mat<f64> {
    let n = lower.nrows();
    let triangle = lower.to_owned();
    let mut inverse = Mat::<f64>::zeros(n, n);
    for j in 0..n {
        let column = inverse.col_as_slice_mut(j);
        column[j] = 1.0;
        for k in j..n {
            let below = triangle.col_as_slice(k);
            let value = column[k] / below[k];
            column[k] = value;
            if value != 0.0 {
                for (x, l) in column[k + 1..].iter_mut().zip(&below[k + 1..]) {
                    *x -= value * l;
                }
            }
        }
    }
    let mut product = Mat::<f64>::zeros(n, n);
    triangular::matmul(
        product.as_mut(),
        BlockStructure::Rectangular,
        Accum::Replace,
        inverse.transpose(),
        BlockStructure::Rectangular,
        inverse.as_ref(),
        BlockStructure::Rectangular,
        1.0,
        Par::Seq,
    );
    product
}
