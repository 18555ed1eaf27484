//! Smoothing and derivatives by a local polynomial (A. Savitzky, M. J. E. Golay, Anal. Chem. 36 (1964) 1627-1639;
//! corrections J. Steinier, Y. Termonia, J. Deltour, Anal. Chem. 44 (1972) 1906-1909; ends after P. A. Gorry, Anal. Chem. 62 (1990) 570-573).

use crate::double_double::DoubleDouble;
use crate::householder::triangularise;
use crate::real::Real;

/// Why a filter was refused.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum FilterError {
    /// The window has too few points for the degree, or the degree is below the order of the derivative or above 10.
    #[error(
        "a window of {window} points, degree {degree} and derivative {derivative} do not go together (derivative <= degree < window, degree <= 10)"
    )]
    Shape {
        /// Points in the window, 2·half width + 1.
        window: usize,
        /// Degree of the polynomial.
        degree: usize,
        /// Order of the derivative.
        derivative: usize,
    },
    /// The series is shorter than the window.
    #[error("the series has {found} points, the window needs {window}")]
    SeriesTooShort {
        /// Points in the window.
        window: usize,
        /// Points in the series.
        found: usize,
    },
    /// A value is NaN or infinite.
    #[error("value {index} is not finite ({found})")]
    NotFinite {
        /// Position from 0.
        index: usize,
        /// The value.
        found: f64,
    },
    /// The spacing is not positive and finite.
    #[error("the spacing must be positive and finite, found {found}")]
    Spacing {
        /// What was given.
        found: f64,
    },
    /// The result is beyond the range of f64.
    #[error("the filtered series is beyond the range of a 64-bit number")]
    Overflow,
}

/// Weights that turn the `2·half_width + 1` values of a window into the fitted polynomial's `derivative`-th derivative
/// at `position` (in points from the centre: 0 is the centre, `-half_width` the first point), for spacing 1.
///
/// # Errors
/// [`FilterError::Shape`] unless derivative ≤ degree < window and degree ≤ 10.
pub fn coefficients(
    half_width: usize,
    degree: usize,
    derivative: usize,
    position: f64,
) -> Result<Vec<f64>, FilterError> {
    let window = 2 * half_width + 1;
    if derivative > degree || degree >= window || degree > 10 {
        return Err(FilterError::Shape {
            window,
            degree,
            derivative,
        });
    }
    if !position.is_finite() {
        return Err(FilterError::NotFinite {
            index: 0,
            found: position,
        });
    }
    // Weights w = X·(XᵀX)⁻¹·v, with v the derivatives of the powers at `position`: with X = QR, w = Q·R⁻ᵀ·v.
    // Abscissae scaled to [-1, 1] (by half the window) keep the powers tame.
    let unit = half_width.max(1) as f64;
    let mut design = Vec::with_capacity(window * (degree + 1));
    for power in 0..=degree {
        for i in 0..window {
            let x = DoubleDouble::from_f64(i as f64 - half_width as f64) / DoubleDouble::from_f64(unit);
            design.push((0..power).fold(DoubleDouble::ONE, |p, _| p * x));
        }
    }
    let factors = triangularise(design, window, degree + 1);
    let inverse = factors.inverse_upper();
    let x = DoubleDouble::from_f64(position) / DoubleDouble::from_f64(unit);
    let targets: Vec<DoubleDouble> = (0..=degree)
        .map(|power| power_derivative(x, power, derivative))
        .collect();
    let mut rotated = vec![DoubleDouble::ZERO; window];
    for j in 0..=degree {
        for i in 0..=j {
            rotated[j] = rotated[j] + inverse[i * (degree + 1) + j] * targets[i];
        }
    }
    factors.rotate_back(&mut rotated);
    let scale = (0..derivative).fold(DoubleDouble::ONE, |s, _| s / DoubleDouble::from_f64(unit));
    Ok(rotated.iter().map(|w| (*w * scale).to_f64()).collect())
}

/// A filter whose weights, for the centre and for the ends, are worked out once.
#[derive(Debug, Clone, PartialEq)]
pub struct SavitzkyGolay {
    half_width: usize,
    derivative: usize,
    /// Row k: the weights for a point at position k of a window; the middle row is the moving one.
    weights: Vec<Vec<f64>>,
}

impl SavitzkyGolay {
    /// A filter of `2·half_width + 1` points, a polynomial of `degree`, and the order of the derivative (0 smooths).
    ///
    /// # Errors
    /// [`FilterError::Shape`].
    pub fn new(half_width: usize, degree: usize, derivative: usize) -> Result<Self, FilterError> {
        let window = 2 * half_width + 1;
        let weights = (0..window)
            .map(|k| coefficients(half_width, degree, derivative, k as f64 - half_width as f64))
            .collect::<Result<_, _>>()?;
        Ok(Self {
            half_width,
            derivative,
            weights,
        })
    }

    /// Points in the window.
    #[must_use]
    pub fn window(&self) -> usize {
        2 * self.half_width + 1
    }

    /// Weights for the centre of the window: for independent noise of standard deviation s the filtered value has
    /// standard deviation s·sqrt(Σ w²).
    #[must_use]
    pub fn centre_weights(&self) -> &[f64] {
        &self.weights[self.half_width]
    }

    /// Filters an evenly spaced series; the first and last half window use the polynomial of the first and last whole
    /// window. Same length as `values`; derivatives are per unit of `spacing`.
    ///
    /// # Errors
    /// [`FilterError`] for a series shorter than the window, values not finite, spacing not positive, overflow.
    pub fn apply(&self, values: &[f64], spacing: f64) -> Result<Vec<f64>, FilterError> {
        let window = self.window();
        if values.len() < window {
            return Err(FilterError::SeriesTooShort {
                window,
                found: values.len(),
            });
        }
        if let Some(index) = values.iter().position(|v| !v.is_finite()) {
            return Err(FilterError::NotFinite {
                index,
                found: values[index],
            });
        }
        if !(spacing > 0.0 && spacing.is_finite()) {
            return Err(FilterError::Spacing { found: spacing });
        }
        let scale = (0..self.derivative).fold(1.0, |s, _| s / spacing);
        let weigh = |row: &[f64], at: &[f64]| row.iter().zip(at).fold(0.0, |sum, (w, v)| sum + w * v) * scale;
        let mut filtered = Vec::with_capacity(values.len());
        let last = values.len() - window;
        for k in 0..self.half_width {
            filtered.push(weigh(&self.weights[k], &values[..window]));
        }
        for at in values.windows(window) {
            filtered.push(weigh(self.centre_weights(), at));
        }
        for k in self.half_width + 1..window {
            filtered.push(weigh(&self.weights[k], &values[last..]));
        }
        if filtered.iter().all(|v| v.is_finite()) {
            Ok(filtered)
        } else {
            Err(FilterError::Overflow)
        }
    }
}

/// The `order`-th derivative of x^power.
fn power_derivative(x: DoubleDouble, power: usize, order: usize) -> DoubleDouble {
    if order > power {
        return DoubleDouble::ZERO;
    }
    let factor = (power - order + 1..=power).fold(1.0, |f, k| f * k as f64);
    (0..power - order).fold(DoubleDouble::from_f64(factor), |p, _| p * x)
}
