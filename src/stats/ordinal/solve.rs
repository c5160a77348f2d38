//! Small symmetric systems: a lower triangle and what it solves.

/// The lower triangle of Cholesky of a symmetric matrix, row by row.
pub(super) struct Triangle {
    n: usize,
    lower: Vec<f64>,
}

impl Triangle {
    /// `None`, with the row at which it fails, if the matrix (its lower half is read) is not
    /// positive definite; `floor` is the share of a diagonal that must be left of it.
    pub fn new(matrix: &[f64], n: usize, floor: f64) -> Result<Self, usize> {
        let mut lower = matrix.to_vec();
        for row in 0..n {
            for column in 0..=row {
                let mut sum = matrix[row * n + column];
                for k in 0..column {
                    sum -= lower[row * n + k] * lower[column * n + k];
                }
                if column == row {
                    let least = floor * matrix[row * n + row].abs();
                    if sum.is_nan() || sum <= least {
                        return Err(row);
                    }
                    lower[row * n + row] = sum.sqrt();
                } else {
                    lower[row * n + column] = sum / lower[column * n + column];
                }
            }
        }
        Ok(Self { n, lower })
    }

    pub fn log_det(&self) -> f64 {
        (0..self.n).map(|i| 2.0 * self.lower[i * self.n + i].ln()).sum()
    }

    pub fn solve(&self, b: &[f64]) -> Vec<f64> {
        let (n, l) = (self.n, &self.lower);
        let mut x = b.to_vec();
        for i in 0..n {
            let known: f64 = (0..i).map(|k| l[i * n + k] * x[k]).sum();
            x[i] = (x[i] - known) / l[i * n + i];
        }
        for i in (0..n).rev() {
            let known: f64 = (i + 1..n).map(|k| l[k * n + i] * x[k]).sum();
            x[i] = (x[i] - known) / l[i * n + i];
        }
        x
    }

    /// The inverse, row by row.
    pub fn inverse(&self) -> Vec<f64> {
        let n = self.n;
        let mut inverse = vec![0.0; n * n];
        let mut unit = vec![0.0; n];
        for i in 0..n {
            unit[i] = 1.0;
            inverse[i * n..(i + 1) * n].copy_from_slice(&self.solve(&unit));
            unit[i] = 0.0;
        }
        inverse
    }
}

/// Matrix (row by row) times vector.
pub(super) fn times(matrix: &[f64], v: &[f64]) -> Vec<f64> {
    matrix.chunks_exact(v.len().max(1)).map(|row| dot(row, v)).collect()
}

pub(super) fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn a_small_system_by_hand() {
        // [[4, 2], [2, 3]]: determinant 8, inverse [[3, -2], [-2, 4]] / 8.
        let t = Triangle::new(&[4.0, 2.0, 2.0, 3.0], 2, 0.0).ok().unwrap();
        assert!((t.log_det() - 8.0_f64.ln()).abs() < 1e-14);
        for (got, want) in t.inverse().iter().zip([0.375, -0.25, -0.25, 0.5]) {
            assert!((got - want).abs() < 1e-14);
        }
        assert_eq!(Triangle::new(&[1.0, 1.0, 1.0, 1.0], 2, 1e-10).err(), Some(1));
        assert_eq!(times(&[1.0, 2.0, 3.0, 4.0], &[1.0, 1.0]), [3.0, 7.0]);
    }
}
