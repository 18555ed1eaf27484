//! Eigenvalues of a small symmetric matrix.

/// Eigenvalues, rising, by Jacobi's rotations (C. G. J. Jacobi 1846; G. H. Golub, C. F. Van Loan, Matrix Computations, section 8.5).
/// Row by row; only for finite entries.
pub(super) fn eigenvalues(matrix: &[f64], size: usize) -> Vec<f64> {
    let mut a = matrix.to_vec();
    // Convergence is quadratic; a dozen sweeps are more than any matrix of this size takes.
    for _ in 0..50 {
        let off: f64 = (0..size)
            .flat_map(|i| (0..i).map(move |j| (i, j)))
            .map(|(i, j)| a[i * size + j] * a[i * size + j])
            .sum();
        let on: f64 = (0..size).map(|i| a[i * size + i] * a[i * size + i]).sum();
        if off <= 1e-30 * on {
            break;
        }
        for p in 0..size {
            for q in p + 1..size {
                rotate(&mut a, size, p, q);
            }
        }
    }
    let mut values: Vec<f64> = (0..size).map(|i| a[i * size + i]).collect();
    values.sort_by(f64::total_cmp);
    values
}

/// Makes entry (p, q) zero.
fn rotate(a: &mut [f64], size: usize, p: usize, q: usize) {
    let apq = a[p * size + q];
    if apq == 0.0 {
        return;
    }
    let theta = (a[q * size + q] - a[p * size + p]) / (2.0 * apq);
    let tangent = theta.signum() / (theta.abs() + (theta * theta + 1.0).sqrt());
    let cosine = 1.0 / (tangent * tangent + 1.0).sqrt();
    let sine = tangent * cosine;
    for k in 0..size {
        let (akp, akq) = (a[k * size + p], a[k * size + q]);
        a[k * size + p] = cosine * akp - sine * akq;
        a[k * size + q] = sine * akp + cosine * akq;
    }
    for k in 0..size {
        let (apk, aqk) = (a[p * size + k], a[q * size + k]);
        a[p * size + k] = cosine * apk - sine * aqk;
        a[q * size + k] = sine * apk + cosine * aqk;
    }
}

#[cfg(test)]
mod tests {
    use super::eigenvalues;

    /// The second-difference matrix of size n has eigenvalues 2 − 2 cos(kπ/(n+1)) (any handbook).
    #[test]
    fn second_differences_have_their_known_eigenvalues() {
        let n = 6;
        let mut matrix = vec![0.0; n * n];
        for i in 0..n {
            matrix[i * n + i] = 2.0;
            if i + 1 < n {
                matrix[i * n + i + 1] = -1.0;
                matrix[(i + 1) * n + i] = -1.0;
            }
        }
        for (k, found) in eigenvalues(&matrix, n).into_iter().enumerate() {
            let expected = 2.0 - 2.0 * libm::cos((k + 1) as f64 * std::f64::consts::PI / (n + 1) as f64);
            assert!((found - expected).abs() < 1e-14, "{found} {expected}");
        }
    }
}
