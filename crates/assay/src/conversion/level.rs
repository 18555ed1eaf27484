//! Converted levels as types. They are made here alone, from results that may be reported, so that what has not been
//! converted cannot be passed off as a plasma level.

use spotwright_domain::concentration::ConcentrationUnit;
use spotwright_domain::conversion::ConvertedCase;
use spotwright_domain::matrix::{Matrix, MatrixKind, Plasma, WholeBlood};
use std::marker::PhantomData;

/// A level in a matrix, converted from a result that may be reported.
///
/// It cannot be made elsewhere:
/// ```compile_fail
/// use spotwright_assay::conversion::Level;
/// use spotwright_domain::matrix::Plasma;
/// let forged: Level<Plasma> = Level { case: todo!(), unit: todo!(), matrix: std::marker::PhantomData };
/// ```
/// Nor can a concentration that was only measured stand for one:
/// ```compile_fail
/// use spotwright_assay::conversion::Level;
/// use spotwright_domain::matrix::{Concentration, DriedBlood, Plasma};
/// fn read_against_plasma_range(_: &Level<Plasma>) {}
/// fn pass_off(measured: &Concentration<DriedBlood>) {
///     read_against_plasma_range(measured);
/// }
/// ```
/// Nor a whole-blood level for a plasma level:
/// ```compile_fail
/// use spotwright_assay::conversion::Level;
/// use spotwright_domain::matrix::{Plasma, WholeBlood};
/// fn read_against_plasma_range(_: &Level<Plasma>) {}
/// fn pass_off(blood: &Level<WholeBlood>) {
///     read_against_plasma_range(blood);
/// }
/// ```
/// What was converted to plasma may:
/// ```
/// use spotwright_assay::conversion::Level;
/// use spotwright_domain::matrix::Plasma;
/// fn read_against_plasma_range(_: &Level<Plasma>) {}
/// fn pass_on(plasma: &Level<Plasma>) {
///     read_against_plasma_range(plasma);
/// }
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Level<M: Matrix> {
    case: ConvertedCase,
    unit: ConcentrationUnit,
    matrix: PhantomData<M>,
}

impl<M: Matrix> Level<M> {
    /// What is known of it.
    #[must_use]
    pub fn case(&self) -> &ConvertedCase {
        &self.case
    }

    /// Unit of every number of [`Self::case`].
    #[must_use]
    pub fn unit(&self) -> ConcentrationUnit {
        self.unit
    }

    /// The matrix, as a value.
    #[must_use]
    pub fn matrix(&self) -> MatrixKind {
        M::KIND
    }
}

/// A level on the scale of a target range.
#[derive(Debug, Clone, PartialEq)]
pub enum ReportedLevel {
    /// In whole blood.
    WholeBlood(Level<WholeBlood>),
    /// In plasma.
    Plasma(Level<Plasma>),
}

impl ReportedLevel {
    /// `None` for dried blood, which is no scale of a target range.
    pub(super) fn new(matrix: MatrixKind, case: ConvertedCase, unit: ConcentrationUnit) -> Option<Self> {
        match matrix {
            MatrixKind::DriedBlood => None,
            MatrixKind::WholeBlood => Some(Self::WholeBlood(Level {
                case,
                unit,
                matrix: PhantomData,
            })),
            MatrixKind::Plasma => Some(Self::Plasma(Level {
                case,
                unit,
                matrix: PhantomData,
            })),
        }
    }

    /// What is known of it.
    #[must_use]
    pub fn case(&self) -> &ConvertedCase {
        match self {
            Self::WholeBlood(level) => level.case(),
            Self::Plasma(level) => level.case(),
        }
    }

    /// The matrix, as a value.
    #[must_use]
    pub fn matrix(&self) -> MatrixKind {
        match self {
            Self::WholeBlood(level) => level.matrix(),
            Self::Plasma(level) => level.matrix(),
        }
    }
}
