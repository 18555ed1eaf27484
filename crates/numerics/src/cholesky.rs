//! The Cholesky factor of a symmetric positive definite matrix: solve, invert, log determinant.
//!
//! Row-wise form of A.-L. Cholesky's factorisation (G. H. Golub, C. F. Van Loan, Matrix Computations, 4th ed. 2013,
//! section 4.2). A matrix that is not positive definite to working precision has no factor: that is an answer, not an error.

#![expect(
    clippy::needless_range_loop,
    reason = "triangular index ranges read as in the source"
)]

/// The lower factor L of A = L·Lᵀ.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Cholesky {
    size: usize,
    lower: Vec<f64>,
}

impl Cholesky {
    /// Factor of a matrix given row by row (only the lower half is read); `None` when not positive definite.
    #[must_use]
    pub fn new(matrix: &[f64], size: usize) -> Option<Self> {
        let mut factor = Self::default();
        factor.refactor(matrix, size).then_some(factor)
    }

    /// Replaces the factor without allocating again; `false`, and no usable factor, when not positive definite.
    pub fn refactor(&mut self, matrix: &[f64], size: usize) -> bool {
        self.size = size;
        self.lower.clear();
        self.lower.extend_from_slice(&matrix[..size * size]);
        factor_in_place(&mut self.lower, size)
    }

    /// Rows, which are as many as columns.
    #[must_use]
    pub fn size(&self) -> usize {
        self.size
    }

    /// L, row by row; entries above the diagonal are zero.
    #[must_use]
    pub fn lower(&self) -> &[f64] {
        &self.lower
    }

    /// Solves A·x = b in place.
    pub fn solve(&self, b: &mut [f64]) {
        self.solve_lower(b);
        self.solve_upper(b);
    }

    /// Solves L·x = b in place.
    pub fn solve_lower(&self, b: &mut [f64]) {
        let n = self.size;
        for i in 0..n {
            let mut sum = b[i];
            for j in 0..i {
                sum -= self.lower[i * n + j] * b[j];
            }
            b[i] = sum / self.lower[i * n + i];
        }
    }

    /// Solves Lᵀ·x = b in place.
    pub fn solve_upper(&self, b: &mut [f64]) {
        let n = self.size;
        for i in (0..n).rev() {
            let mut sum = b[i];
            for j in i + 1..n {
                sum -= self.lower[j * n + i] * b[j];
            }
            b[i] = sum / self.lower[i * n + i];
        }
    }

    /// L·z, for a draw with covariance A from independent standard normal values.
    pub fn multiply_lower(&self, z: &[f64], out: &mut [f64]) {
        let n = self.size;
        for i in 0..n {
            let mut sum = 0.0;
            for j in 0..=i {
                sum += self.lower[i * n + j] * z[j];
            }
            out[i] = sum;
        }
    }

    /// A⁻¹, row by row.
    #[must_use]
    pub fn inverse(&self) -> Vec<f64> {
        let n = self.size;
        let mut inverse = vec![0.0; n * n];
        let mut column = vec![0.0; n];
        for j in 0..n {
            column.fill(0.0);
            column[j] = 1.0;
            self.solve(&mut column);
            for i in 0..n {
                inverse[i * n + j] = column[i];
            }
        }
        // Rounding leaves the halves apart in the last digit.
        for i in 0..n {
            for j in 0..i {
                let mean = 0.5 * (inverse[i * n + j] + inverse[j * n + i]);
                inverse[i * n + j] = mean;
                inverse[j * n + i] = mean;
            }
        }
        inverse
    }

    /// ln det A.
    #[must_use]
    pub fn ln_determinant(&self) -> f64 {
        (0..self.size)
            .map(|i| 2.0 * libm::log(self.lower[i * self.size + i]))
            .sum()
    }
}

/// Turns the lower half into L and zeroes the upper half; `false` at a pivot that is not above zero.
fn factor_in_place(a: &mut [f64], n: usize) -> bool {
    for i in 0..n {
        for j in 0..=i {
            let mut sum = a[i * n + j];
            for k in 0..j {
                sum -= a[i * n + k] * a[j * n + k];
            }
            if i == j {
                if !(sum > 0.0 && sum.is_finite()) {
                    return false;
                }
                a[i * n + i] = sum.sqrt();
            } else {
                a[i * n + j] = sum / a[j * n + j];
            }
        }
        for j in i + 1..n {
            a[i * n + j] = 0.0;
        }
    }
    true
}

#[cfg(test)]
mod tests {
    use super::Cholesky;

    /// The example A = [[4, 12, -16], [12, 37, -43], [-16, -43, 98]] with L = [[2,0,0],[6,1,0],[-8,5,3]], det 36
    /// (a handbook example, from memory).
    #[test]
    fn handbook_example() {
        let a = [4.0, 12.0, -16.0, 12.0, 37.0, -43.0, -16.0, -43.0, 98.0];
        let factor = Cholesky::new(&a, 3).unwrap();
        let wanted = [2.0, 0.0, 0.0, 6.0, 1.0, 0.0, -8.0, 5.0, 3.0];
        for (found, wanted) in factor.lower().iter().zip(wanted) {
            assert!((found - wanted).abs() < 1e-13);
        }
        assert!((libm::exp(factor.ln_determinant()) - 36.0).abs() < 1e-10);
        let inverse = factor.inverse();
        for i in 0..3 {
            for j in 0..3 {
                let product: f64 = (0..3).map(|k| a[i * 3 + k] * inverse[k * 3 + j]).sum();
                assert!((product - f64::from(u8::from(i == j))).abs() < 1e-11);
            }
        }
    }

    #[test]
    fn indefinite_has_no_factor() {
        assert!(Cholesky::new(&[1.0, 2.0, 2.0, 1.0], 2).is_none());
        assert!(Cholesky::new(&[f64::NAN], 1).is_none());
    }
}
