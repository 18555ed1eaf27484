//! What a run taught about its own peaks.

use crate::noise::NoiseModel;
use crate::shape::PeakShape;
use serde::{Deserialize, Serialize};
use spotwright_domain::method::{IntegrationSettings, TransitionOf};

/// What the run's calibrators and controls show: made by [`learn_reference`](crate::learn_reference), the same for every
/// injection of the run, and part of the run's record.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunReference {
    /// One for each transition, in the method's order.
    pub transitions: Vec<TransitionReference>,
    /// What a person should know, in a fixed order.
    pub notes: Vec<ReferenceNote>,
}

/// What the run shows of one transition.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TransitionReference {
    /// Retention (min): for an internal standard the median over the injections it was learnt from, for the others the
    /// median relative to the internal standards, on the same scale.
    pub retention_min: f64,
    /// How far from the expected retention, relative to the internal standards, a peak may stand (min): the larger of
    /// 2.5 % and 0.1 min (CLSI C62-A, from memory), at most the search window. A method may set another.
    pub retention_tolerance_min: f64,
    /// Mean peak shape.
    pub shape: PeakShape,
    /// Left integration limit, distance before the apex (s; positive).
    pub left_limit_s: f64,
    /// Right integration limit, distance after the apex (s; positive).
    pub right_limit_s: f64,
    /// Share of the mean peak's area that lies between the limits. Areas are divided by it, alike in every injection.
    pub captured_area_fraction: f64,
    /// Usual height above the baseline (counts); internal standards only, for choosing among candidates.
    pub typical_height_counts: Option<f64>,
    /// How the variance of a point grows with its signal.
    pub noise: NoiseModel,
    /// How much more the areas of empty places of the run's traces scatter than their points alone explain (ratio of
    /// variances, at least 1): baselines wander. The baseline's part of every area's variance is multiplied by it.
    pub empty_area_factor: f64,
    /// Injections the retention was learnt from.
    pub injections_used: usize,
    /// Where the shape comes from.
    pub origin: ReferenceOrigin,
}

/// Where a transition's shape comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ReferenceOrigin {
    /// The run's injections of this transition.
    Run,
    /// Another transition of the run, nearest in retention, because this one's peaks are too small.
    Borrowed {
        /// Index of that transition.
        from: usize,
    },
    /// The method's values, because the run shows no peak.
    Method,
}

/// Something about the learning that a person should know.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "note", rename_all = "kebab-case")]
pub enum ReferenceNote {
    /// No peak in any of the injections: retention and shape are the method's or borrowed.
    NothingFound {
        /// Index of the transition.
        transition: usize,
    },
    /// The shape was taken from another transition.
    ShapeBorrowed {
        /// Index of the transition.
        transition: usize,
        /// Index of the one it was taken from.
        from: usize,
    },
    /// Fewer than half of the injections show the peak.
    FewInjections {
        /// Index of the transition.
        transition: usize,
        /// Injections with the peak.
        found: usize,
        /// Injections that record the transition.
        of: usize,
    },
    /// The run elutes elsewhere than the method says, by more than the retention tolerance.
    RetentionUnlikeMethod {
        /// Index of the transition.
        transition: usize,
        /// The run's retention (min).
        found_min: f64,
        /// The method's (min).
        method_min: f64,
    },
    /// The exponentially modified Gaussian leaves residuals above 3 % of the height: limits and the share of area
    /// between them are approximate.
    ShapeFitsPoorly {
        /// Index of the transition.
        transition: usize,
        /// Root-mean-square residual (% of height).
        residual_pct: f64,
    },
    /// How noise grows with signal could not be learnt; the usual 2 % a point is assumed.
    NoiseAssumed {
        /// Index of the transition.
        transition: usize,
    },
}

impl TransitionReference {
    /// A reference from known retention and shape; limits after `settings`.
    #[must_use]
    pub fn new(retention_min: f64, shape: PeakShape, settings: &IntegrationSettings) -> Self {
        let (left_limit_s, right_limit_s) =
            shape.distances_s(settings.limit_height_fraction.clamp(1e-4, 0.5));
        Self {
            retention_min,
            retention_tolerance_min: Self::tolerance(retention_min, settings),
            captured_area_fraction: shape.area_between(-left_limit_s, right_limit_s),
            left_limit_s,
            right_limit_s,
            typical_height_counts: None,
            noise: NoiseModel::ASSUMED,
            empty_area_factor: 1.0,
            injections_used: 0,
            origin: ReferenceOrigin::Method,
            shape,
        }
    }

    /// What the method alone says: a slightly tailing peak of the expected width at the expected retention.
    #[must_use]
    pub fn from_method(of: &TransitionOf, settings: &IntegrationSettings) -> Self {
        Self::new(of.retention_time_min, method_shape(settings), settings)
    }

    /// For a peak `factor` times as wide.
    pub(crate) fn widened(&self, factor: f64) -> Self {
        Self {
            shape: self.shape.widened(factor),
            left_limit_s: factor * self.left_limit_s,
            right_limit_s: factor * self.right_limit_s,
            ..self.clone()
        }
    }

    pub(crate) fn tolerance(retention_min: f64, settings: &IntegrationSettings) -> f64 {
        let tolerance = (RETENTION_TOLERANCE_SHARE * retention_min).max(RETENTION_TOLERANCE_MIN);
        tolerance.min(settings.search_half_width_min)
    }

    /// Full width at half height (s).
    #[must_use]
    pub fn width_half_height_s(&self) -> f64 {
        self.shape.width_half_height_s()
    }
}

/// CLSI C62-A (C62-2): ±2.5 % of the calibrators' mean …
const RETENTION_TOLERANCE_SHARE: f64 = 0.025;
/// … or ±0.1 min, whichever is larger.
const RETENTION_TOLERANCE_MIN: f64 = 0.1;
/// Tail over sigma of a peak of which nothing is known: tailing factor about 1.1 (common practice, no source).
const USUAL_TAIL: f64 = 0.5;

/// The shape before anything is known: the method's width, slightly tailing.
pub(crate) fn method_shape(settings: &IntegrationSettings) -> PeakShape {
    let unit = PeakShape::new(1.0, USUAL_TAIL);
    let width = if settings.expected_width_s > 0.0 {
        settings.expected_width_s
    } else {
        4.0
    };
    let sigma = width / unit.width_half_height_s();
    PeakShape::new(sigma, USUAL_TAIL * sigma)
}
