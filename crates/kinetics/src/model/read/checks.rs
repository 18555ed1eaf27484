//! What only the whole file can show.

use super::super::section::{Reader, Section};
use super::super::{IfMissing, Model, ModelParameter, ModelProblemCode};
use super::StructureFacts;
use crate::likelihood::RandomEffects;
use crate::structure::{Compartments, Elimination, Input, ParameterName};

/// The parameters a structure needs, and those it can have.
pub(super) fn parameter_set(
    facts: &StructureFacts,
    found: &[ModelParameter],
    top: &Section<'_, '_>,
    reader: &mut Reader<'_>,
) {
    use ParameterName as P;
    let structure = facts.structure;
    let mut needed = match structure.compartments {
        Compartments::One => vec![P::Volume],
        Compartments::Two => vec![
            P::CentralVolume,
            P::IntercompartmentalClearance,
            P::PeripheralVolume,
        ],
    };
    let mut allowed = Vec::new();
    match structure.elimination {
        Elimination::Linear => needed.push(P::Clearance),
        Elimination::MichaelisMenten => {
            needed.extend([P::MaximumRate, P::MichaelisConstant]);
            allowed.push(P::Clearance);
        }
    }
    if structure.input != Input::Intravenous {
        needed.push(P::AbsorptionRate);
        allowed.extend([P::LagTime, P::RelativeBioavailability]);
        // Without F a clearance that is not apparent says nothing about an oral dose.
        if facts.apparent {
            if found.iter().any(|parameter| parameter.name == P::Bioavailability) {
                problem(
                    reader,
                    top,
                    "F",
                    "no F: the model's clearance is divided by it already",
                );
            }
        } else {
            needed.push(P::Bioavailability);
        }
    }
    if matches!(structure.input, Input::TransitChain { .. }) {
        allowed.push(P::TransitRate);
    }
    for name in &needed {
        if !found.iter().any(|parameter| parameter.name == *name) && reader.count() == 0 {
            problem(reader, top, "nothing", &format!("a [[parameter]] named {name}"));
        }
    }
    for parameter in found {
        let name = parameter.name;
        if !needed.contains(&name) && !allowed.contains(&name) && name != P::Bioavailability {
            problem(
                reader,
                top,
                name.symbol(),
                "only parameters that the structure has",
            );
        }
    }
}

fn problem(reader: &mut Reader<'_>, top: &Section<'_, '_>, found: &str, expected: &str) {
    reader.push(
        ModelProblemCode::ParameterSet,
        top.span("parameter"),
        "parameter",
        found,
        expected,
        None,
    );
}

/// Correlations between effects that exist and that no contradiction makes impossible; policies that name real ones.
pub(super) fn whole(model: &Model, top: &Section<'_, '_>, reader: &mut Reader<'_>) {
    for correlation in &model.correlations {
        for name in correlation.between {
            if model
                .parameter(name)
                .is_none_or(|parameter| parameter.sd_log_between_subject <= 0.0)
            {
                reader.push(
                    ModelProblemCode::Correlation,
                    top.span("correlation"),
                    "correlation.between",
                    format!("{name}"),
                    "a parameter that varies between subjects",
                    None,
                );
            }
        }
    }
    let effects = effects(model);
    if !is_positive_definite(&effects.covariance, effects.between_subject.len()) {
        reader.push(
            ModelProblemCode::Correlation,
            top.span("correlation"),
            "correlation.r",
            "correlations that contradict one another",
            "a positive definite covariance",
            None,
        );
    }
    for covariate in &model.covariates {
        if let IfMissing::GenotypeUnknown(unknown) = &covariate.if_missing
            && model.parameter(unknown.parameter).is_none()
        {
            reader.push(
                ModelProblemCode::WordUnknown,
                top.span("covariate"),
                "covariate.unknown_parameter",
                format!("{}", unknown.parameter),
                "a parameter of the model",
                None,
            );
        }
    }
}

pub(super) fn effects(model: &Model) -> RandomEffects {
    let sd_log: Vec<(ParameterName, f64)> = model
        .parameters
        .iter()
        .map(|parameter| (parameter.name, parameter.sd_log_between_subject))
        .collect();
    let correlations: Vec<(ParameterName, ParameterName, f64)> = model
        .correlations
        .iter()
        .map(|correlation| (correlation.between[0], correlation.between[1], correlation.r))
        .collect();
    RandomEffects::between_subjects(&sd_log, &correlations)
}

/// By Cholesky's factorisation.
fn is_positive_definite(covariance: &[f64], size: usize) -> bool {
    let mut lower = vec![0.0; size * size];
    for i in 0..size {
        for j in 0..=i {
            let dot: f64 = (0..j).map(|k| lower[i * size + k] * lower[j * size + k]).sum();
            let rest = covariance[i * size + j] - dot;
            if i == j {
                if rest <= 1e-12 {
                    return false;
                }
                lower[i * size + i] = rest.sqrt();
            } else {
                lower[i * size + j] = rest / lower[j * size + j];
            }
        }
    }
    true
}
