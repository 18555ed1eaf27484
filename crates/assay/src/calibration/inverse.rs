//! From an area ratio back to a concentration (CAL-03).

use super::Curve;

/// What a ratio comes to on a curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum InverseOutcome {
    /// The concentration on the rising branch. Below zero when the ratio lies below the curve's intercept.
    Value(f64),
    /// The ratio lies above the top of a parabola that turns over: no concentration gives it.
    AboveTurningPoint {
        /// Where the curve turns.
        turning_point: f64,
    },
    /// The ratio lies below the bottom of a parabola that opens upwards.
    BelowTurningPoint {
        /// Where the curve turns.
        turning_point: f64,
    },
    /// The curve has no rising branch, or the ratio is not a number.
    NotComputable,
}

impl InverseOutcome {
    /// The concentration, when there is one.
    #[must_use]
    pub fn value(self) -> Option<f64> {
        match self {
            Self::Value(value) => Some(value),
            _ => None,
        }
    }
}

impl Curve {
    /// The concentration that gives the ratio `y`: the root at which the curve rises. It is written as
    /// 2(y−c0)/(c1+√d), which loses no digits when the curve is nearly straight.
    #[must_use]
    pub fn inverse(&self, y: f64) -> InverseOutcome {
        let c = &self.fit.coefficients;
        let (above_intercept, slope, bend) = (y - c[0], c[1], c.get(2).copied().unwrap_or(0.0));
        if !above_intercept.is_finite() {
            return InverseOutcome::NotComputable;
        }
        let discriminant = slope * slope + 4.0 * bend * above_intercept;
        if discriminant < 0.0 {
            let turning_point = -slope / (2.0 * bend);
            return match (turning_point.is_finite(), bend < 0.0) {
                (true, true) => InverseOutcome::AboveTurningPoint { turning_point },
                (true, false) => InverseOutcome::BelowTurningPoint { turning_point },
                (false, _) => InverseOutcome::NotComputable,
            };
        }
        let root = discriminant.sqrt();
        let value = if slope > 0.0 {
            2.0 * above_intercept / (slope + root)
        } else {
            (root - slope) / (2.0 * bend)
        };
        // A straight line that does not rise has no rising branch.
        if value.is_finite() && root > 0.0 && (slope > 0.0 || bend.abs() > 0.0) {
            InverseOutcome::Value(value)
        } else {
            InverseOutcome::NotComputable
        }
    }
}
