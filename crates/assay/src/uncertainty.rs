//! From a ratio to a concentration with a budget: analyte area, internal-standard area, preparation, calibration.
//!
//! JCGM 100:2008 §5.1.2 to first order, expressed in the concentration: `u_i(x) = u_i(ratio)/f′(x)`. The calibration's term
//! uses the covariance B·XᵀW·Σ·W·X·B with Σ the variances of the preparation model (`crate::preparation`), not the
//! residual variance of the weighted fit: weights of 1/x² say nothing about how the area noise grows towards the
//! LLOQ, and the usual covariance then comes out too small there and too large above.

use crate::calibration::{Curve, InverseOutcome};
use crate::preparation::{Preparation, Reading};
use crate::response_ratio::AreaRatio;
use spotwright_domain::record::BudgetTerm;
use spotwright_numerics::distribution::student_t_quantile;
use std::sync::OnceLock;

/// A curve with everything needed to read a concentration with its uncertainty.
#[derive(Debug, Clone, PartialEq)]
pub struct ErrorModel {
    /// Between-preparation scatter.
    pub preparation: Preparation,
    /// Covariance of the coefficients under the preparation model, row by row.
    covariance: Vec<Vec<f64>>,
    factors: CoverageFactors,
}

/// A concentration with its budget, undiluted, in the analyte's unit.
#[derive(Debug, Clone, PartialEq)]
pub struct Estimate {
    /// The value.
    pub value: f64,
    /// Combined standard uncertainty.
    pub standard_uncertainty: f64,
    /// Effective degrees of freedom; infinite when only well-known terms contribute.
    pub degrees_of_freedom: f64,
    /// Coverage interval, 95 %, not below 0.
    pub interval_95: [f64; 2],
    /// The named terms.
    pub budget: Vec<BudgetTerm>,
}

impl ErrorModel {
    /// The model of a settled curve; `calibrators` are the readings of its fit, in its order.
    #[must_use]
    pub fn new(curve: &Curve, calibrators: &[Reading], preparation: Preparation) -> Self {
        let scatter = preparation.relative_standard_deviation;
        let (x, weights) = curve.design();
        let size = curve.fit.coefficients.len();
        let mut middle = vec![vec![0.0; size]; size];
        for ((x, weight), reading) in x.iter().zip(weights).zip(calibrators) {
            let level = scatter * curve.value_at(*x);
            let variance = reading.area_variance + level * level;
            let row = curve.powers(*x);
            for (a, left) in row.iter().enumerate() {
                for (b, right) in row.iter().enumerate() {
                    middle[a][b] += left * weight * variance * weight * right;
                }
            }
        }
        let bread = |a: usize, b: usize| curve.fit.unscaled_covariance.get(a, b);
        let mut covariance = vec![vec![0.0; size]; size];
        for (a, row) in covariance.iter_mut().enumerate() {
            for (b, entry) in row.iter_mut().enumerate() {
                for (c, middle_row) in middle.iter().enumerate() {
                    for (d, value) in middle_row.iter().enumerate() {
                        *entry += bread(a, c) * value * bread(d, b);
                    }
                }
            }
        }
        Self {
            preparation,
            covariance,
            factors: CoverageFactors::default(),
        }
    }

    /// The concentration of a ratio, or why there is none.
    ///
    /// # Errors
    /// The [`InverseOutcome`] that is not a value.
    pub fn estimate(&self, curve: &Curve, ratio: &AreaRatio) -> Result<Estimate, InverseOutcome> {
        let outcome = curve.inverse(ratio.value);
        let InverseOutcome::Value(value) = outcome else {
            return Err(outcome);
        };
        let slope = curve.slope_at(value).abs();
        let gradient = curve.powers(value);
        let mut of_curve = 0.0;
        for (row, left) in self.covariance.iter().zip(&gradient) {
            for (entry, right) in row.iter().zip(&gradient) {
                of_curve += left * entry * right;
            }
        }
        let scatter = self.preparation.relative_standard_deviation;
        let known = self.preparation.degrees_of_freedom;
        let term = |source: &str, of_ratio: f64, degrees_of_freedom: Option<f64>| BudgetTerm {
            source: source.to_owned(),
            standard_uncertainty: of_ratio.abs() / slope,
            degrees_of_freedom,
        };
        let budget = vec![
            term("analyte-area", ratio.from_analyte, None),
            term("internal-standard-area", ratio.from_internal_standard, None),
            term("preparation", scatter * ratio.value, Some(known)),
            term("calibration", of_curve.max(0.0).sqrt(), Some(known)),
        ];
        if budget.iter().any(|term| !term.standard_uncertainty.is_finite()) {
            return Err(InverseOutcome::NotComputable);
        }
        let (standard_uncertainty, degrees_of_freedom) = combine(&budget);
        let half_width = self.factors.at(degrees_of_freedom) * standard_uncertainty;
        Ok(Estimate {
            interval_95: [(value - half_width).max(0.0), value + half_width],
            value,
            standard_uncertainty,
            degrees_of_freedom,
            budget,
        })
    }
}

/// Degrees of freedom so many that a term is as good as known; stands for infinity, which never leaves this room.
pub const MANY_DEGREES_OF_FREEDOM: f64 = 1e6;

/// Combined standard uncertainty of independent terms and its effective degrees of freedom (JCGM 100:2008 eq. 11a and G.2b,
/// Welch–Satterthwaite), at most [`MANY_DEGREES_OF_FREEDOM`].
#[must_use]
pub fn combine(budget: &[BudgetTerm]) -> (f64, f64) {
    let variance = budget.iter().fold(0.0, |sum, term| {
        sum + term.standard_uncertainty * term.standard_uncertainty
    });
    let doubt = budget
        .iter()
        .fold(0.0, |sum, term| match term.degrees_of_freedom {
            Some(df) if df > 0.0 => {
                let square = term.standard_uncertainty * term.standard_uncertainty;
                sum + square * square / df
            }
            _ => sum,
        });
    let degrees_of_freedom = if doubt > 0.0 {
        (variance * variance / doubt).min(MANY_DEGREES_OF_FREEDOM)
    } else {
        MANY_DEGREES_OF_FREEDOM
    };
    (variance.sqrt(), degrees_of_freedom)
}

/// [`coverage_factor_95`], each worked out once: a run asks thousands of times for a few dozen.
#[derive(Debug, Clone)]
struct CoverageFactors {
    /// By whole degrees of freedom, from 0.
    known: Vec<OnceLock<f64>>,
}

impl CoverageFactors {
    /// Degrees of freedom above this are rare: area noise has to outweigh the preparation by far.
    const KEPT: usize = 512;

    fn at(&self, degrees_of_freedom: f64) -> f64 {
        let whole = whole(degrees_of_freedom);
        match self.known.get(whole as usize) {
            Some(factor) => *factor.get_or_init(|| coverage_factor_95(whole)),
            None => coverage_factor_95(whole),
        }
    }
}

impl Default for CoverageFactors {
    fn default() -> Self {
        Self {
            known: vec![OnceLock::new(); Self::KEPT],
        }
    }
}

/// What has been worked out so far is no part of what a model is.
impl PartialEq for CoverageFactors {
    fn eq(&self, _: &Self) -> bool {
        true
    }
}

/// Student's t for 95 %, degrees of freedom truncated down to a whole number (JCGM 100:2008 §G.4.1), at least 1.
#[must_use]
pub fn coverage_factor_95(degrees_of_freedom: f64) -> f64 {
    // Never refused: the probability is fixed and the degrees of freedom are at least 1.
    student_t_quantile(0.975, whole(degrees_of_freedom)).unwrap_or(1.959_963_984_540_054)
}

fn whole(degrees_of_freedom: f64) -> f64 {
    libm::floor(degrees_of_freedom).clamp(1.0, MANY_DEGREES_OF_FREEDOM)
}

#[cfg(test)]
mod tests {
    use super::*;

    // JCGM 100:2008 annex H.1 (end gauge): contributions 25, 9.7, 2.9, 16.6 nm with 18, 25.6, 50, 2 degrees of freedom:
    // u = 32 nm (31.671 from the rounded parts), 16 effective degrees of freedom.
    #[test]
    fn the_end_gauge_of_the_guide() {
        let term = |u: f64, df: f64| BudgetTerm {
            source: "part".to_owned(),
            standard_uncertainty: u,
            degrees_of_freedom: Some(df),
        };
        let (u, df) = combine(&[
            term(25.0, 18.0),
            term(9.7, 25.6),
            term(2.9, 50.0),
            term(16.6, 2.0),
        ]);
        assert!((u - 31.671).abs() < 5e-4, "{u}");
        assert!((df - 16.76).abs() < 5e-3, "{df}");
        // t95(16) = 2.120, JCGM 100:2008 table G.2.
        assert!((coverage_factor_95(df) - 2.120).abs() < 5e-4);
    }

    #[test]
    fn known_terms_alone_give_the_normal_factor() {
        let known = BudgetTerm {
            source: "area".to_owned(),
            standard_uncertainty: 1.0,
            degrees_of_freedom: None,
        };
        let (_, df) = combine(&[known]);
        assert!((coverage_factor_95(df) - 1.959_96).abs() < 1e-4);
    }

    #[test]
    fn remembered_factors_are_those_worked_out() {
        let factors = CoverageFactors::default();
        for df in [0.3, 1.0, 2.9, 16.76, 16.0, 511.9, 512.0, 513.5, 4e5, 1e9, 16.76] {
            assert_eq!(factors.at(df).to_bits(), coverage_factor_95(df).to_bits(), "{df}");
        }
        // JCGM 100:2008 table G.2: t95(1) = 12.71, t95(50) = 2.01.
        assert!((factors.at(1.7) - 12.71).abs() < 5e-3);
        assert!((factors.at(50.2) - 2.01).abs() < 5e-3);
    }
}
