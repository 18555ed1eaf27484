//! The only levels an option can be computed from: accepted, and on the scale of blood or plasma.

use crate::refusal::{Refusal, RefusalCode};
use spotwright_domain::matrix::{Concentration, Matrix, Plasma, WholeBlood};
use spotwright_domain::record::ResultVerdict;

mod sealed {
    pub trait Sealed {}
    impl Sealed for spotwright_domain::matrix::Plasma {}
    impl Sealed for spotwright_domain::matrix::WholeBlood {}
}

/// A matrix models are built in. Dried blood is none: a spot is converted first.
///
/// ```compile_fail,E0277
/// use spotwright_domain::matrix::DriedBlood;
/// use spotwright_kinetics::options::InterpretableLevel;
/// fn read_against_a_model(_: &InterpretableLevel<DriedBlood>) {}
/// ```
pub trait SystemicMatrix: Matrix + sealed::Sealed + Clone + std::fmt::Debug + PartialEq {}
impl SystemicMatrix for Plasma {}
impl SystemicMatrix for WholeBlood {}

/// A concentration whose result may be reported: the step from a number to something a dose may rest on.
#[derive(Debug, Clone, PartialEq)]
pub struct AcceptedConcentration<M: SystemicMatrix> {
    value: AcceptedValue<M>,
}

/// What is known of an accepted concentration.
#[derive(Debug, Clone, PartialEq)]
pub enum AcceptedValue<M: SystemicMatrix> {
    /// A number with its standard uncertainty, conversion included.
    Quantified(Concentration<M>),
    /// Below this limit, on the scale of this matrix.
    BelowLimit(Concentration<M>),
    /// Above this limit.
    AboveLimit(Concentration<M>),
}

impl<M: SystemicMatrix> AcceptedConcentration<M> {
    /// Accepts a concentration of a result that may be reported.
    ///
    /// ```
    /// use spotwright_domain::concentration::ConcentrationUnit;
    /// use spotwright_domain::matrix::{Concentration, WholeBlood};
    /// use spotwright_domain::record::ResultVerdict;
    /// use spotwright_kinetics::options::{AcceptedConcentration, AcceptedValue};
    ///
    /// let blood =
    ///     Concentration::<WholeBlood>::new(8.2, 0.5, ConcentrationUnit::NanogramPerMillilitre).unwrap();
    /// assert!(AcceptedConcentration::accept(ResultVerdict::Reportable, AcceptedValue::Quantified(blood)).is_ok());
    /// // A rejected result is refused, and no other way leads here.
    /// let refused = AcceptedConcentration::accept(ResultVerdict::NotReportable, AcceptedValue::Quantified(blood));
    /// assert_eq!(refused.unwrap_err().code.code(), "level-rejected");
    /// ```
    ///
    /// # Errors
    /// When the result must not be reported, or nothing is to be reported.
    pub fn accept(verdict: ResultVerdict, value: AcceptedValue<M>) -> Result<Self, Refusal> {
        match verdict {
            ResultVerdict::Reportable | ResultVerdict::ReportableWithComment => Ok(Self { value }),
            ResultVerdict::NotReportable | ResultVerdict::NotApplicable => Err(Refusal::new(
                RefusalCode::LevelRejected,
                "the result may not be reported",
                "a result that may: a second spot or a new card",
            )),
        }
    }

    /// What is known of it.
    #[must_use]
    pub fn value(&self) -> &AcceptedValue<M> {
        &self.value
    }
}

/// A level a model may be fitted to.
///
/// It is made from an accepted concentration alone. A measured one will not do:
/// ```compile_fail,E0308
/// use spotwright_domain::concentration::ConcentrationUnit;
/// use spotwright_domain::matrix::{Concentration, Plasma};
/// use spotwright_kinetics::options::InterpretableLevel;
/// let measured = Concentration::<Plasma>::new(8.2, 0.5, ConcentrationUnit::MilligramPerLitre).unwrap();
/// let level = InterpretableLevel::new(12.0, measured);
/// ```
/// Nor a dried-blood one, accepted or not:
/// ```compile_fail,E0277
/// use spotwright_domain::matrix::{Concentration, DriedBlood};
/// use spotwright_domain::record::ResultVerdict;
/// use spotwright_kinetics::options::{AcceptedConcentration, AcceptedValue};
/// fn pass_off(spot: Concentration<DriedBlood>) {
///     let _ = AcceptedConcentration::accept(ResultVerdict::Reportable, AcceptedValue::Quantified(spot));
/// }
/// ```
/// And it cannot be forged:
/// ```compile_fail,E0451
/// use spotwright_domain::matrix::Plasma;
/// use spotwright_kinetics::options::{AcceptedConcentration, AcceptedValue};
/// fn forge(value: AcceptedValue<Plasma>) -> AcceptedConcentration<Plasma> {
///     AcceptedConcentration { value }
/// }
/// ```
/// A whole-blood level is no plasma level:
/// ```compile_fail,E0308
/// use spotwright_domain::matrix::{Plasma, WholeBlood};
/// use spotwright_kinetics::options::{AcceptedConcentration, InterpretableLevel};
/// fn pass_off(blood: AcceptedConcentration<WholeBlood>) -> InterpretableLevel<Plasma> {
///     InterpretableLevel::new(12.0, blood)
/// }
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct InterpretableLevel<M: SystemicMatrix> {
    time_h: f64,
    concentration: AcceptedConcentration<M>,
}

impl<M: SystemicMatrix> InterpretableLevel<M> {
    /// A level taken at a time (h on the case's axis).
    ///
    /// ```
    /// use spotwright_domain::matrix::WholeBlood;
    /// use spotwright_kinetics::options::{AcceptedConcentration, InterpretableLevel};
    /// fn taken_before_the_dose(blood: AcceptedConcentration<WholeBlood>) -> InterpretableLevel<WholeBlood> {
    ///     InterpretableLevel::new(12.0, blood)
    /// }
    /// ```
    #[must_use]
    pub fn new(time_h: f64, concentration: AcceptedConcentration<M>) -> Self {
        Self {
            time_h,
            concentration,
        }
    }

    /// When it was taken (h).
    #[must_use]
    pub fn time_h(&self) -> f64 {
        self.time_h
    }

    /// What is known of it.
    #[must_use]
    pub fn value(&self) -> &AcceptedValue<M> {
        self.concentration.value()
    }
}
