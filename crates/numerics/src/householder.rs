//! Orthogonal triangularisation by Householder reflections (G. H. Golub, Numer. Math. 7 (1965) 206-216;
//! Golub and Van Loan, Matrix Computations, section 5.2), generic over the arithmetic.
//!
//! Columns are scaled to unit length first, so that the diagonal of R is the sine of the angle between a column and
//! the ones before it, and rank can be judged without knowing the units of the columns.

use crate::real::Real;

pub(crate) struct Triangularised<T> {
    rows: usize,
    columns: usize,
    /// Column by column; the reflection vectors on and below the diagonal, R above it.
    values: Vec<T>,
    diagonal: Vec<T>,
    /// `1 / (vᵀv / 2)` of each reflection; zero when there is nothing to reflect.
    reflection_scale: Vec<T>,
    column_length: Vec<T>,
}

/// Triangularises a matrix given column by column (`columns` times `rows` values). A column of zeros stays zero.
pub(crate) fn triangularise<T: Real>(mut values: Vec<T>, rows: usize, columns: usize) -> Triangularised<T> {
    debug_assert_eq!(values.len(), rows * columns, "matrix shape");
    let column_length = scale_columns(&mut values, rows, columns);
    let mut diagonal = vec![T::ZERO; columns];
    let mut reflection_scale = vec![T::ZERO; columns];
    for k in 0..columns.min(rows) {
        let (head, tail) = values.split_at_mut((k + 1) * rows);
        let column = &mut head[k * rows..];
        let length = dot(&column[k..], &column[k..]).sqrt();
        if length.to_f64() <= 0.0 {
            continue;
        }
        // The sign that avoids cancellation in the first component.
        let alpha = if column[k].to_f64() > 0.0 { -length } else { length };
        column[k] = column[k] - alpha;
        diagonal[k] = alpha;
        reflection_scale[k] = T::ONE / -(alpha * column[k]);
        let column = &head[k * rows..];
        for other in tail.chunks_exact_mut(rows) {
            reflect(&column[k..], reflection_scale[k], &mut other[k..]);
        }
    }
    Triangularised {
        rows,
        columns,
        values,
        diagonal,
        reflection_scale,
        column_length,
    }
}

impl<T: Real> Triangularised<T> {
    /// First column that depends on the ones before it: the sine of its angle to them is at most `tolerance`.
    pub(crate) fn dependent_column(&self, tolerance: f64) -> Option<usize> {
        self.diagonal.iter().position(|d| d.to_f64().abs() <= tolerance)
    }

    /// Whether column `k` adds a direction of its own, in the sense of [`dependent_column`](Self::dependent_column).
    pub(crate) fn is_independent(&self, k: usize, tolerance: f64) -> bool {
        self.diagonal[k].to_f64().abs() > tolerance
    }

    /// Replaces `b` by Qᵀb.
    pub(crate) fn rotate(&self, b: &mut [T]) {
        for k in 0..self.columns.min(self.rows) {
            reflect(
                &self.values[k * self.rows + k..(k + 1) * self.rows],
                self.reflection_scale[k],
                &mut b[k..],
            );
        }
    }

    /// Replaces `b` by Qb.
    pub(crate) fn rotate_back(&self, b: &mut [T]) {
        for k in (0..self.columns.min(self.rows)).rev() {
            reflect(
                &self.values[k * self.rows + k..(k + 1) * self.rows],
                self.reflection_scale[k],
                &mut b[k..],
            );
        }
    }

    /// Solves R·c = (first entries of a rotated right-hand side), with the column scaling undone.
    pub(crate) fn solve(&self, rotated: &[T]) -> Vec<T> {
        let mut solution = rotated[..self.columns].to_vec();
        for i in (0..self.columns).rev() {
            let mut sum = solution[i];
            for (j, value) in solution.iter().enumerate().skip(i + 1) {
                sum = sum - self.upper(i, j) * *value;
            }
            solution[i] = sum / self.diagonal[i];
        }
        for (value, length) in solution.iter_mut().zip(&self.column_length) {
            *value = *value / *length;
        }
        solution
    }

    /// R⁻¹ with the column scaling undone, row by row: `inverse · inverseᵀ` is (AᵀA)⁻¹.
    pub(crate) fn inverse_upper(&self) -> Vec<T> {
        let n = self.columns;
        let mut inverse = vec![T::ZERO; n * n];
        for j in 0..n {
            inverse[j * n + j] = T::ONE / self.diagonal[j];
            for i in (0..j).rev() {
                let mut sum = T::ZERO;
                for k in i + 1..=j {
                    sum = sum - self.upper(i, k) * inverse[k * n + j];
                }
                inverse[i * n + j] = sum / self.diagonal[i];
            }
        }
        for i in 0..n {
            for j in i..n {
                inverse[i * n + j] = inverse[i * n + j] / self.column_length[i];
            }
        }
        inverse
    }

    /// R in the units of the original columns.
    pub(crate) fn r(&self, i: usize, j: usize) -> T {
        let scaled = if i == j {
            self.diagonal[i]
        } else {
            self.upper(i, j)
        };
        scaled * self.column_length[j]
    }

    fn upper(&self, i: usize, j: usize) -> T {
        self.values[j * self.rows + i]
    }
}

pub(crate) fn dot<T: Real>(a: &[T], b: &[T]) -> T {
    let mut sum = T::ZERO;
    for (x, y) in a.iter().zip(b) {
        sum = sum + *x * *y;
    }
    sum
}

fn reflect<T: Real>(vector: &[T], scale: T, target: &mut [T]) {
    if scale.to_f64() <= 0.0 {
        return;
    }
    let factor = dot(vector, target) * scale;
    for (value, v) in target.iter_mut().zip(vector) {
        *value = *value - factor * *v;
    }
}

fn scale_columns<T: Real>(values: &mut [T], rows: usize, columns: usize) -> Vec<T> {
    let mut lengths = Vec::with_capacity(columns);
    for column in values.chunks_exact_mut(rows) {
        let length = dot(column, column).sqrt();
        if length.to_f64() > 0.0 {
            for value in column.iter_mut() {
                *value = *value / length;
            }
            lengths.push(length);
        } else {
            lengths.push(T::ONE);
        }
    }
    lengths
}
