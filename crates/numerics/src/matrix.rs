//! A small symmetric matrix, for covariances.

/// A symmetric matrix of a fit's parameters, in the order of its coefficients.
#[derive(Debug, Clone, PartialEq)]
pub struct SymmetricMatrix {
    size: usize,
    values: Vec<f64>,
}

impl SymmetricMatrix {
    /// Rows, which are as many as columns.
    #[must_use]
    pub fn size(&self) -> usize {
        self.size
    }

    /// The entry in row `i` and column `j`, both from 0.
    ///
    /// # Panics
    /// When `i` or `j` is not below [`size`](Self::size).
    #[must_use]
    pub fn get(&self, i: usize, j: usize) -> f64 {
        assert!(
            i < self.size && j < self.size,
            "entry ({i}, {j}) of a matrix of size {}",
            self.size
        );
        self.values[i * self.size + j]
    }

    /// `vᵀ · M · v`: the variance of the linear combination `v` of parameters when M is their covariance.
    ///
    /// # Panics
    /// When `v` is not as long as the matrix is wide.
    #[must_use]
    pub fn quadratic_form(&self, v: &[f64]) -> f64 {
        assert_eq!(v.len(), self.size, "vector length");
        let mut total = 0.0;
        for i in 0..self.size {
            let mut row = 0.0;
            for (j, value) in v.iter().enumerate() {
                row += self.get(i, j) * value;
            }
            total += v[i] * row;
        }
        total
    }

    /// `factor · factorᵀ` scaled by `scale`; `factor` is upper triangular, row by row.
    pub(crate) fn from_upper_factor(factor: &[f64], size: usize, scale: f64) -> Self {
        let mut values = vec![0.0; size * size];
        for i in 0..size {
            for j in i..size {
                let mut sum = 0.0;
                for k in j..size {
                    sum += factor[i * size + k] * factor[j * size + k];
                }
                values[i * size + j] = sum * scale;
                values[j * size + i] = sum * scale;
            }
        }
        Self { size, values }
    }

    pub(crate) fn scaled(&self, scale: f64) -> Self {
        Self {
            size: self.size,
            values: self.values.iter().map(|v| v * scale).collect(),
        }
    }

    /// The same matrix with `leading` rows and columns of zeros in front.
    pub(crate) fn padded(&self, leading: usize) -> Self {
        let size = self.size + leading;
        let mut values = vec![0.0; size * size];
        for i in 0..self.size {
            for j in 0..self.size {
                values[(i + leading) * size + j + leading] = self.get(i, j);
            }
        }
        Self { size, values }
    }

    pub(crate) fn is_finite(&self) -> bool {
        self.values.iter().all(|v| v.is_finite())
    }
}
