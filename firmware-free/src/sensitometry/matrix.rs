//! Just enough linear algebra for curves of a few dozen points.

/// A symmetric positive definite matrix as L Lᵀ (Cholesky).
#[derive(Debug)]
pub(super) struct Cholesky {
    /// L, its rows up to the diagonal.
    rows: Vec<Vec<f64>>,
}

impl Cholesky {
    /// `None` unless the matrix, of which the lower triangle is read, is positive definite.
    pub(super) fn new(size: usize, entry: impl Fn(usize, usize) -> f64) -> Option<Self> {
        Self::banded(size, size, entry)
    }

    /// The same of a matrix that is zero further than `band` from the diagonal.
    pub(super) fn banded(size: usize, band: usize, entry: impl Fn(usize, usize) -> f64) -> Option<Self> {
        let mut rows: Vec<Vec<f64>> = Vec::with_capacity(size);
        for i in 0..size {
            let mut row = vec![0.0; i.saturating_sub(band)];
            for (j, above) in rows.iter().enumerate().skip(row.len()) {
                let rest = entry(i, j) - dot(&row, &above[..j]);
                row.push(rest / above[j]);
            }
            let diagonal = entry(i, i) - dot(&row, &row);
            if !(diagonal > 0.0 && diagonal.is_finite()) {
                return None;
            }
            row.push(diagonal.sqrt());
            rows.push(row);
        }
        Some(Self { rows })
    }

    /// The logarithm of the determinant.
    pub(super) fn log_determinant(&self) -> f64 {
        self.rows.iter().map(|row| 2.0 * row[row.len() - 1].ln()).sum()
    }

    /// L⁻¹ b.
    pub(super) fn half_solve(&self, b: &[f64]) -> Vec<f64> {
        let mut x: Vec<f64> = Vec::with_capacity(b.len());
        for (row, b) in self.rows.iter().zip(b) {
            let i = x.len();
            let value = (b - dot(&row[..i], &x)) / row[i];
            x.push(value);
        }
        x
    }

    /// The x of A x = b.
    pub(super) fn solve(&self, b: &[f64]) -> Vec<f64> {
        let mut x = self.half_solve(b);
        for i in (0..x.len()).rev() {
            let known: f64 = (i + 1..x.len()).map(|j| self.rows[j][i] * x[j]).sum();
            x[i] = (x[i] - known) / self.rows[i][i];
        }
        x
    }
}

pub(super) fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    const A: [[f64; 3]; 3] = [[4.0, 2.0, 0.4], [2.0, 5.0, 1.0], [0.4, 1.0, 3.0]];

    #[test]
    fn solves_what_it_multiplied() {
        let factor = Cholesky::new(3, |i, j| A[i][j]).unwrap();
        let x = [1.0, -2.0, 0.5];
        let b: Vec<f64> = A.iter().map(|row| dot(row, &x)).collect();
        for (solved, x) in factor.solve(&b).iter().zip(x) {
            assert!((solved - x).abs() < 1e-12);
        }
        // By hand: 4 (15 - 1) - 2 (6 - 0.4) + 0.4 (2 - 2).
        assert!((factor.log_determinant() - 44.8_f64.ln()).abs() < 1e-12);
    }

    #[test]
    fn a_matrix_that_is_not_positive_definite_is_refused() {
        assert!(Cholesky::new(2, |i, j| if i == j { 1.0 } else { 2.0 }).is_none());
        assert!(Cholesky::new(1, |_, _| f64::NAN).is_none());
    }
}
