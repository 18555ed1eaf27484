//! The forward model and its inverse (EV-71):
//!
//! ```text
//! apparent = C_p·[1 − H·(1 − K)] · g(H) · v(volume) · e(place) · R(H, age)/R_cal · s(age)
//! ```
//!
//! Each factor stands only where the method validated it, and is divided out once. All inputs with an uncertainty are
//! named and numbered, so that propagation to first order and by random numbers use one and the same function.

use spotwright_domain::conversion::{
    Conversion, ConversionForm, Estimate, HaematocritEffect, Partition, RegressionDirection, RegressionInput,
    SpotEvidence, StabilityTerm, TermApplied,
};
use spotwright_domain::quantity::{HIGHEST_HAEMATOCRIT, LOWEST_HAEMATOCRIT};

/// The inputs of the model, in the order of a budget.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Input {
    Measurement,
    Haematocrit,
    PartitionRatio,
    RedCellOverUnbound,
    FractionUnbound,
    FractionBound,
    Slope,
    Intercept,
    RegressionScatter,
    HaematocritEffect,
    Volume,
    VolumeEffect,
    VolumeUnknown,
    SiteEffect,
    SiteUnknown,
    RecoveryByHaematocrit,
    RecoveryByAge,
    Stability,
    Residual,
}

/// How many inputs there are.
pub(super) const INPUTS: usize = 19;

impl Input {
    pub(super) const ALL: [Self; INPUTS] = [
        Self::Measurement,
        Self::Haematocrit,
        Self::PartitionRatio,
        Self::RedCellOverUnbound,
        Self::FractionUnbound,
        Self::FractionBound,
        Self::Slope,
        Self::Intercept,
        Self::RegressionScatter,
        Self::HaematocritEffect,
        Self::Volume,
        Self::VolumeEffect,
        Self::VolumeUnknown,
        Self::SiteEffect,
        Self::SiteUnknown,
        Self::RecoveryByHaematocrit,
        Self::RecoveryByAge,
        Self::Stability,
        Self::Residual,
    ];

    /// The name of its term in a budget.
    pub(super) fn term(self) -> &'static str {
        match self {
            Self::Measurement => "measurement",
            Self::Haematocrit => "haematocrit",
            Self::PartitionRatio => "partition-ratio",
            Self::RedCellOverUnbound => "red-cell-over-unbound",
            Self::FractionUnbound => "fraction-unbound",
            Self::FractionBound => "fraction-bound",
            // The two are correlated and make one term.
            Self::Slope | Self::Intercept => "regression",
            Self::RegressionScatter => "regression-scatter",
            Self::HaematocritEffect => "haematocrit-effect",
            Self::Volume | Self::VolumeUnknown => "volume",
            Self::VolumeEffect => "volume-effect",
            Self::SiteEffect => "site-effect",
            Self::SiteUnknown => "site",
            Self::RecoveryByHaematocrit => "recovery-by-haematocrit",
            Self::RecoveryByAge => "recovery-by-age",
            Self::Stability => "stability",
            Self::Residual => "residual",
        }
    }

    /// Values it can take at all.
    pub(super) fn bounds(self) -> [f64; 2] {
        match self {
            Self::Haematocrit => [LOWEST_HAEMATOCRIT, HIGHEST_HAEMATOCRIT],
            Self::PartitionRatio | Self::RedCellOverUnbound => [0.0, f64::INFINITY],
            Self::FractionUnbound | Self::FractionBound => [0.0, 1.0],
            Self::Slope | Self::Volume | Self::VolumeUnknown | Self::SiteUnknown => {
                [f64::MIN_POSITIVE, f64::INFINITY]
            }
            _ => [f64::NEG_INFINITY, f64::INFINITY],
        }
    }
}

/// One value for every input.
pub(super) type Values = [f64; INPUTS];

/// A conversion with everything known of one spot.
pub(super) struct Model<'a> {
    conversion: &'a Conversion,
    /// Conversion units in one unit of the result.
    scale: f64,
    age_d: f64,
    volume_known: bool,
    radius_fraction: Option<f64>,
    /// Best estimates; the measurement's is set for each question.
    pub(super) best: Values,
    /// Standard uncertainties; 0: known, or not in the model.
    pub(super) uncertainty: Values,
}

impl<'a> Model<'a> {
    /// `haematocrit` may be `None` when the conversion does not need one; `age_d` likewise.
    pub(super) fn new(
        conversion: &'a Conversion,
        scale: f64,
        haematocrit: Option<Estimate>,
        age_d: Option<f64>,
        spot: Option<&SpotEvidence>,
    ) -> Self {
        let mut model = Self {
            conversion,
            scale,
            age_d: age_d.unwrap_or(0.0),
            volume_known: false,
            radius_fraction: spot.and_then(|spot| spot.radius_fraction),
            best: [0.0; INPUTS],
            uncertainty: [0.0; INPUTS],
        };
        if let Some(haematocrit) = haematocrit.filter(|_| conversion.needs_haematocrit()) {
            model.set(Input::Haematocrit, haematocrit);
        }
        model.set_form();
        model.set_spot(spot);
        if let Some(cv) = conversion.residual_cv_pct {
            model.set(Input::Residual, Estimate::new(0.0, cv / 100.0));
        }
        model
    }

    fn set(&mut self, input: Input, to: Estimate) {
        self.best[input as usize] = to.value;
        self.uncertainty[input as usize] = to.standard_uncertainty;
    }

    fn set_partition(&mut self, partition: &Partition) {
        match partition {
            Partition::Constant { ratio } => self.set(Input::PartitionRatio, *ratio),
            Partition::FreePartition {
                red_cell_over_unbound,
                fraction_unbound,
            } => {
                self.set(Input::RedCellOverUnbound, *red_cell_over_unbound);
                self.set(Input::FractionUnbound, *fraction_unbound);
            }
        }
    }

    fn set_form(&mut self) {
        match &self.conversion.form {
            ConversionForm::NoneNeeded | ConversionForm::NotPredictable { .. } => {}
            ConversionForm::Theoretical { partition } => self.set_partition(partition),
            ConversionForm::UnboundEquilibrium { fraction_bound } => {
                self.set(Input::FractionBound, *fraction_bound);
            }
            ConversionForm::LinearRegression(line) => {
                self.set(Input::Slope, line.slope);
                self.set(Input::Intercept, line.intercept);
                self.set(
                    Input::RegressionScatter,
                    Estimate::new(0.0, line.residual_sd.unwrap_or(0.0)),
                );
                if let RegressionInput::HaematocritCorrected {
                    partition: Some(partition),
                } = &line.input
                {
                    self.set_partition(partition);
                }
            }
        }
    }

    fn set_spot(&mut self, spot: Option<&SpotEvidence>) {
        let terms = &self.conversion.spot;
        match terms.haematocrit_effect {
            Some(HaematocritEffect::Spreading { area_slope, .. }) => {
                self.set(Input::HaematocritEffect, area_slope);
            }
            Some(HaematocritEffect::Linear { per_unit, .. }) => self.set(Input::HaematocritEffect, per_unit),
            None => {}
        }
        if let Some(term) = terms.volume {
            if let Some(volume) = spot.and_then(|spot| spot.volume_ul) {
                self.volume_known = true;
                self.set(Input::Volume, volume);
                self.set(Input::VolumeEffect, term.slope);
            } else {
                self.set(
                    Input::VolumeUnknown,
                    Estimate::new(1.0, term.unknown_cv_pct / 100.0),
                );
            }
        }
        if let Some(term) = terms.site {
            if self.radius_fraction.is_some() {
                self.set(Input::SiteEffect, term.edge_excess);
            } else {
                self.set(
                    Input::SiteUnknown,
                    Estimate::new(1.0, term.unknown_cv_pct / 100.0),
                );
            }
        }
        if let Some(term) = terms.recovery {
            self.set(Input::RecoveryByHaematocrit, term.per_haematocrit);
            self.set(Input::RecoveryByAge, term.per_day);
        }
        if let Some(StabilityTerm {
            loss_per_day: Some(loss),
            ..
        }) = terms.stability
        {
            self.set(Input::Stability, loss);
        }
    }

    /// Correlation of slope and intercept.
    pub(super) fn correlation(&self) -> f64 {
        let ConversionForm::LinearRegression(line) = &self.conversion.form else {
            return 0.0;
        };
        let product = line.slope.standard_uncertainty * line.intercept.standard_uncertainty;
        if product > 0.0 {
            (line.covariance / product).clamp(-1.0, 1.0)
        } else {
            0.0
        }
    }

    /// Best estimates with another measurement (in the result's unit).
    pub(super) fn with_measurement(&self, measurement: f64) -> Values {
        let mut values = self.best;
        values[Input::Measurement as usize] = measurement;
        values
    }

    /// The reported concentration (in the result's unit). `None`: a factor is zero or below, or the result no number.
    pub(super) fn reported(&self, values: &Values) -> Option<f64> {
        let at = |input: Input| values[input as usize];
        let factor = self.spot_factor(values)?;
        let blood = at(Input::Measurement) * self.scale / factor;
        let converted = match &self.conversion.form {
            ConversionForm::NoneNeeded => blood,
            ConversionForm::NotPredictable { .. } => return None,
            ConversionForm::Theoretical { .. } | ConversionForm::UnboundEquilibrium { .. } => {
                blood / self.plasma_factor(values)?
            }
            ConversionForm::LinearRegression(line) => {
                let corrected = match line.input {
                    RegressionInput::HaematocritCorrected { partition: Some(_) } => {
                        blood / self.plasma_factor(values)?
                    }
                    RegressionInput::HaematocritCorrected { partition: None } | RegressionInput::Raw => blood,
                };
                let (slope, intercept) = (at(Input::Slope), at(Input::Intercept));
                let scatter = at(Input::RegressionScatter);
                match line.direction {
                    RegressionDirection::ReportedOnMeasured => intercept + slope * corrected + scatter,
                    RegressionDirection::MeasuredOnReported => (corrected - scatter - intercept) / slope,
                }
            }
        };
        let reported = converted * (1.0 + at(Input::Residual)) / self.scale;
        reported.is_finite().then_some(reported)
    }

    /// Blood concentration over plasma concentration, `1 − H + H·K` (CONV-01) or `(1 − H)/f_b` (CONV-03).
    fn plasma_factor(&self, values: &Values) -> Option<f64> {
        let at = |input: Input| values[input as usize];
        let haematocrit = at(Input::Haematocrit);
        let partition = match &self.conversion.form {
            ConversionForm::UnboundEquilibrium { .. } => {
                return positive((1.0 - haematocrit) / at(Input::FractionBound));
            }
            ConversionForm::Theoretical { partition } => Some(partition),
            ConversionForm::LinearRegression(line) => match &line.input {
                RegressionInput::HaematocritCorrected { partition } => partition.as_ref(),
                RegressionInput::Raw => None,
            },
            ConversionForm::NoneNeeded | ConversionForm::NotPredictable { .. } => None,
        };
        let ratio = match partition? {
            Partition::Constant { .. } => at(Input::PartitionRatio),
            Partition::FreePartition { .. } => at(Input::RedCellOverUnbound) * at(Input::FractionUnbound),
        };
        positive(1.0 - haematocrit + haematocrit * ratio)
    }

    /// g·v·e·R·s.
    fn spot_factor(&self, values: &Values) -> Option<f64> {
        Some(
            self.haematocrit_effect(values)?
                * self.volume(values)?
                * self.site(values)?
                * self.recovery(values)?
                * self.stability(values)?,
        )
    }

    fn haematocrit_effect(&self, values: &Values) -> Option<f64> {
        let haematocrit = values[Input::Haematocrit as usize];
        let slope = values[Input::HaematocritEffect as usize];
        match self.conversion.spot.haematocrit_effect {
            None => Some(1.0),
            Some(HaematocritEffect::Spreading {
                reference_haematocrit,
                ..
            }) => positive(1.0 / (1.0 + slope * (haematocrit - reference_haematocrit))),
            Some(HaematocritEffect::Linear { at_zero, .. }) => positive(at_zero + slope * haematocrit),
        }
    }

    fn volume(&self, values: &Values) -> Option<f64> {
        let Some(term) = self.conversion.spot.volume else {
            return Some(1.0);
        };
        if !self.volume_known {
            return positive(values[Input::VolumeUnknown as usize]);
        }
        let ratio = positive(values[Input::Volume as usize] / term.reference_ul)?;
        positive(1.0 + values[Input::VolumeEffect as usize] * libm::log(ratio))
    }

    fn site(&self, values: &Values) -> Option<f64> {
        if self.conversion.spot.site.is_none() {
            return Some(1.0);
        }
        match self.radius_fraction {
            Some(radius) => positive(1.0 + values[Input::SiteEffect as usize] * radius * radius),
            None => positive(values[Input::SiteUnknown as usize]),
        }
    }

    fn recovery(&self, values: &Values) -> Option<f64> {
        let Some(term) = self.conversion.spot.recovery else {
            return Some(1.0);
        };
        let mut factor = 1.0 + values[Input::RecoveryByAge as usize] * self.age_d;
        // Without a need for it the haematocrit may be unknown.
        if term.depends_on_haematocrit() {
            factor += values[Input::RecoveryByHaematocrit as usize]
                * (values[Input::Haematocrit as usize] - term.reference_haematocrit);
        }
        positive(factor)
    }

    fn stability(&self, values: &Values) -> Option<f64> {
        let Some(term) = self.conversion.spot.stability else {
            return Some(1.0);
        };
        // Beyond the validated age nothing is known of the loss: corrected as far as it is.
        positive(1.0 - values[Input::Stability as usize] * self.age_d.min(term.validated_age_d))
    }

    /// The factors that are divided out, at the best estimates.
    pub(super) fn terms(&self) -> Vec<TermApplied> {
        let spot = &self.conversion.spot;
        let values = &self.best;
        [
            ("plasma-fraction", self.plasma_factor(values)),
            (
                "haematocrit-effect",
                spot.haematocrit_effect
                    .and_then(|_| self.haematocrit_effect(values)),
            ),
            ("volume", spot.volume.and_then(|_| self.volume(values))),
            ("site", spot.site.and_then(|_| self.site(values))),
            ("recovery", spot.recovery.and_then(|_| self.recovery(values))),
            (
                "stability",
                spot.stability
                    .filter(|term| term.loss_per_day.is_some())
                    .and_then(|_| self.stability(values)),
            ),
        ]
        .into_iter()
        .filter_map(|(term, factor)| {
            Some(TermApplied {
                term: term.to_owned(),
                factor: factor?,
            })
        })
        .collect()
    }
}

fn positive(value: f64) -> Option<f64> {
    (value > 0.0 && value.is_finite()).then_some(value)
}
