//! Half-lives.

use super::parameter::{ParameterName, Parameters};
use super::{Compartments, Elimination, Structure};

/// Terminal half-life of linear elimination (h): `ln 2 · V / CL`, or `ln 2 / β` with two compartments, β the smaller
/// root of `s² − (k10 + k12 + k21)·s + k10·k21` (Gibaldi & Perrier, Pharmacokinetics, 2nd ed. 1982, chapter 2, from
/// memory). `None` where elimination saturates (there is no one half-life) or a parameter is missing or not above zero.
#[must_use]
pub fn half_life_h(structure: &Structure, values: &Parameters) -> Option<f64> {
    if structure.elimination != Elimination::Linear {
        return None;
    }
    let value = |name| {
        values
            .get(name)
            .filter(|value: &f64| value.is_finite() && *value > 0.0)
    };
    let clearance = value(ParameterName::Clearance)?;
    let rate = match structure.compartments {
        Compartments::One => clearance / value(ParameterName::Volume)?,
        Compartments::Two => {
            let central = value(ParameterName::CentralVolume)?;
            let between = value(ParameterName::IntercompartmentalClearance)?;
            let (k10, k12) = (clearance / central, between / central);
            let k21 = between / value(ParameterName::PeripheralVolume)?;
            let sum = k10 + k12 + k21;
            // The smaller root without cancellation: product over the larger.
            let larger = 0.5 * (sum + (sum * sum - 4.0 * k10 * k21).max(0.0).sqrt());
            k10 * k21 / larger
        }
    };
    let half_life = std::f64::consts::LN_2 / rate;
    half_life.is_finite().then_some(half_life)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::structure::Input;

    fn structure(compartments: Compartments) -> Structure {
        Structure {
            compartments,
            input: Input::Intravenous,
            elimination: Elimination::Linear,
            concentration_multiplier: 1.0,
        }
    }

    /// Neonatal phenobarbital: 0.0047 L/h/kg and 0.96 L/kg give 141 h (Grasela & Donn 1985, Dev Pharmacol Ther 8:374).
    #[test]
    fn one_compartment_is_the_textbooks() {
        let values = Parameters::of(&[(ParameterName::Clearance, 0.0047), (ParameterName::Volume, 0.96)]);
        let found = half_life_h(&structure(Compartments::One), &values).unwrap();
        assert!((found - 141.6).abs() < 0.1, "{found}");
    }

    /// With a peripheral volume that hardly exchanges or is tiny, two compartments become one.
    #[test]
    fn two_compartments_become_one_at_the_limits() {
        let values = Parameters::of(&[
            (ParameterName::Clearance, 2.0),
            (ParameterName::CentralVolume, 10.0),
            (ParameterName::IntercompartmentalClearance, 1e6),
            (ParameterName::PeripheralVolume, 30.0),
        ]);
        let found = half_life_h(&structure(Compartments::Two), &values).unwrap();
        // Exchange so fast that both volumes are one of 40 L.
        assert!(
            (found - std::f64::consts::LN_2 * 40.0 / 2.0).abs() < 1e-3,
            "{found}"
        );
    }

    #[test]
    fn saturable_elimination_has_none() {
        let mut saturable = structure(Compartments::One);
        saturable.elimination = Elimination::MichaelisMenten;
        assert_eq!(half_life_h(&saturable, &Parameters::new()), None);
    }
}
