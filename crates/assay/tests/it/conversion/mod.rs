//! Conversion against published regressions, theory and the rules' check values.

mod decisions;
mod properties;
mod published;
mod uncertainty;

use crate::laboratory::method;
use spotwright_assay::conversion::{ConversionInput, Converted, convert};
use spotwright_domain::concentration::{ConcentrationCase, ConcentrationUnit};
use spotwright_domain::conversion::ConversionOutcome;
use spotwright_domain::conversion::{
    Conversion, ConversionForm, ConversionRemark, ConvertedCase, Estimate, HaematocritUnknown,
    LinearRegression, Partition, RegressionDirection, RegressionInput, SpotEvidence,
};
use spotwright_domain::identifier::AnalyteName;
use spotwright_domain::injection::SampleRole;
use spotwright_domain::matrix::MatrixKind;
use spotwright_domain::method::Analyte;
use spotwright_domain::record::{NextStep, ResultRecord, ResultVerdict};

pub(crate) fn conversion(form: ConversionForm) -> Conversion {
    Conversion::plain(
        "drug-plasma",
        AnalyteName::new("drug").unwrap(),
        MatrixKind::Plasma,
        form,
        ConcentrationUnit::MilligramPerLitre,
        "a test",
    )
}

pub(crate) fn theoretical(ratio: f64, u: f64) -> ConversionForm {
    ConversionForm::Theoretical {
        partition: Partition::Constant {
            ratio: Estimate::new(ratio, u),
        },
    }
}

pub(crate) fn line(slope: f64, intercept: f64) -> LinearRegression {
    LinearRegression {
        direction: RegressionDirection::ReportedOnMeasured,
        input: RegressionInput::Raw,
        slope: Estimate::known(slope),
        intercept: Estimate::known(intercept),
        covariance: 0.0,
        residual_sd: None,
    }
}

/// A reportable patient's result and the analyte it belongs to.
pub(crate) struct Case {
    pub(crate) analyte: Analyte,
    pub(crate) result: ResultRecord,
    pub(crate) haematocrit: Option<f64>,
    pub(crate) age_d: Option<f64>,
    pub(crate) spot: Option<SpotEvidence>,
    pub(crate) range: Option<[f64; 2]>,
}

impl Case {
    pub(crate) fn new(conversion: Conversion, value: f64, u: f64) -> Self {
        let mut analyte = method(&["drug"]).analytes.remove(0);
        analyte.unit = ConcentrationUnit::MilligramPerLitre;
        analyte.conversion = Some(conversion);
        let result = ResultRecord {
            id: "R1/7/drug".to_owned(),
            analyte: analyte.name.clone(),
            role: SampleRole::Patient,
            level: None,
            card: None,
            spot: Some(1),
            subject: None,
            unit: analyte.unit,
            area_ratio: None,
            area_ratio_standard_uncertainty: None,
            concentration: ConcentrationCase::Measured {
                value,
                standard_uncertainty: u,
                interval_95: [value - 1.96 * u, value + 1.96 * u],
                degrees_of_freedom: 1e6,
            },
            nominal: None,
            relative_error_pct: None,
            budget: Vec::new(),
            ion_ratios: Vec::new(),
            verdict: ResultVerdict::Reportable,
            reasons: Vec::new(),
            next_step: NextStep::Report,
            conversion: None,
        };
        Self {
            analyte,
            result,
            haematocrit: None,
            age_d: Some(3.0),
            spot: None,
            range: Some([0.01, 1000.0]),
        }
    }

    pub(crate) fn at(mut self, haematocrit: f64) -> Self {
        self.haematocrit = Some(haematocrit);
        self
    }

    pub(crate) fn conversion(&mut self) -> &mut Conversion {
        self.analyte.conversion.as_mut().unwrap()
    }

    pub(crate) fn convert(&self) -> Converted {
        convert(&ConversionInput {
            analyte: &self.analyte,
            matrix: MatrixKind::DriedBlood,
            result: &self.result,
            range: self.range,
            clinic_haematocrit: self.haematocrit,
            age_d: self.age_d,
            spot: self.spot.as_ref(),
        })
        .unwrap()
    }

    pub(crate) fn value(&self) -> f64 {
        let converted = self.convert();
        match converted.record.converted() {
            Some(ConvertedCase::Measured { value, .. }) => *value,
            _ => panic!("{:?}", converted.record.outcome),
        }
    }

    pub(crate) fn refusal(&self) -> ConversionRemark {
        let converted = self.convert();
        assert!(converted.level.is_none());
        match converted.record.outcome {
            ConversionOutcome::MeasuredOnly { refusal } | ConversionOutcome::Refused { refusal } => refusal,
            ConversionOutcome::Converted { concentration } => panic!("{concentration:?}"),
        }
    }
}

pub(crate) fn use_default(value: f64, sd: f64) -> HaematocritUnknown {
    HaematocritUnknown::UseDefault {
        default: Estimate::new(value, sd),
    }
}

pub(crate) fn close(found: f64, expected: f64, relative: f64) {
    assert!(
        (found - expected).abs() <= relative * expected.abs(),
        "{found} against {expected}"
    );
}
