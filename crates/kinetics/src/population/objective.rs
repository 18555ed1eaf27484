//! Minus two log likelihood of the whole study and its derivatives.

use super::individual::{Individual, Mode, NoMode, Spread};
use super::packing::Packing;
use super::study::{PopulationValues, Study};
use crate::structure::ParameterName;

/// The study's likelihood as a function of the packed vector.
pub(super) struct Objective<'s, 'm> {
    pub(super) study: &'s Study<'m>,
    pub(super) packing: &'s Packing,
    pub(super) effects: Vec<ParameterName>,
}

/// The likelihood at a vector, person by person.
#[derive(Debug, Clone)]
pub(super) struct Centre {
    pub(super) x: Vec<f64>,
    /// Each person's part of minus two log likelihood, in the study's order.
    pub(super) parts: Vec<f64>,
    pub(super) modes: Vec<Mode>,
    pub(super) total: f64,
}

/// First derivatives, of the whole and of each person's part.
pub(super) struct Slopes {
    pub(super) total: Vec<f64>,
    /// Σ over persons of gᵢgᵢᵀ, row by row.
    pub(super) cross: Vec<f64>,
}

/// Why there is no likelihood.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum NoLikelihood {
    /// A person has none.
    Person { index: usize, why: NoMode },
    /// The covariance of the effects is none.
    Covariance,
}

impl<'s, 'm> Objective<'s, 'm> {
    pub(super) fn new(study: &'s Study<'m>, packing: &'s Packing) -> Self {
        Self {
            study,
            packing,
            effects: packing.effect_names(),
        }
    }

    /// The likelihood at a vector; each person's search starts from `near`'s mode, or from typical.
    pub(super) fn centre(&self, x: &[f64], near: Option<&Centre>) -> Result<Centre, NoLikelihood> {
        let (parts, modes) = self.persons(x, |index, individual| {
            let known = near.map(|near| &near.modes[index]);
            let typical = vec![0.0; self.effects.len()];
            let from = known.map_or(&typical, |mode| &mode.place.eta);
            individual
                .mode(from, known.and_then(|mode| mode.curvature.as_ref()))
                // A neighbour's mode may be a bad place to start.
                .or_else(|_| individual.mode(&typical, None))
        })?;
        // In the order of the study, whoever computed them.
        let total = parts.iter().sum();
        Ok(Centre {
            x: x.to_vec(),
            parts,
            modes,
            total,
        })
    }

    /// The same at a centre's vector, each person's mode sought from several places: a lower one may hide. `None` when none is
    /// lower.
    pub(super) fn lower_modes(&self, centre: &Centre) -> Result<Option<Centre>, NoLikelihood> {
        let values = self.packing.values(&centre.x);
        let size = self.effects.len();
        let (parts, modes) = self.persons(&centre.x, |index, individual| {
            let mut best = centre.modes[index].clone();
            for from in places(&values.covariance, size) {
                let found = individual.mode(&from, None);
                if let Ok(mode) = found
                    && mode.place.value < best.place.value - 1e-6
                {
                    best = mode;
                }
            }
            Ok(best)
        })?;
        let total: f64 = parts.iter().sum();
        let moved = modes
            .iter()
            .zip(&centre.modes)
            .any(|(new, old)| new.place.value < old.place.value - 1e-6);
        Ok(moved.then(|| Centre {
            x: centre.x.clone(),
            parts,
            modes,
            total,
        }))
    }

    fn persons(
        &self,
        x: &[f64],
        mode_of: impl Fn(usize, &Individual<'_>) -> Result<Mode, NoMode>,
    ) -> Result<(Vec<f64>, Vec<Mode>), NoLikelihood> {
        let values = self.packing.values(x);
        let spread = self.spread(&values)?;
        let mut parts = Vec::with_capacity(self.study.persons.len());
        let mut modes = Vec::with_capacity(self.study.persons.len());
        for (index, person) in self.study.persons.iter().enumerate() {
            let of_person = |why| NoLikelihood::Person { index, why };
            let individual =
                Individual::new(self.study, &self.effects, person, &values, &spread).map_err(of_person)?;
            let mode = mode_of(index, &individual).map_err(of_person)?;
            parts.push(individual.marginal(&mode.place).map_err(of_person)?);
            modes.push(mode);
        }
        Ok((parts, modes))
    }

    pub(super) fn spread(&self, values: &PopulationValues) -> Result<Spread, NoLikelihood> {
        Spread::new(&values.covariance, self.effects.len()).ok_or(NoLikelihood::Covariance)
    }

    /// First derivatives by central differences with these steps.
    pub(super) fn slopes(&self, centre: &Centre, steps: &[f64]) -> Result<Slopes, NoLikelihood> {
        let size = centre.x.len();
        let persons = centre.parts.len();
        let mut own = vec![0.0; persons * size];
        for k in 0..size {
            let above = self.beside(centre, &[(k, steps[k])])?;
            let below = self.beside(centre, &[(k, -steps[k])])?;
            for i in 0..persons {
                own[i * size + k] = (above.parts[i] - below.parts[i]) / (2.0 * steps[k]);
            }
        }
        let mut slopes = Slopes {
            total: vec![0.0; size],
            cross: vec![0.0; size * size],
        };
        for gradient in own.chunks_exact(size) {
            for k in 0..size {
                slopes.total[k] += gradient[k];
                for l in 0..size {
                    slopes.cross[k * size + l] += gradient[k] * gradient[l];
                }
            }
        }
        Ok(slopes)
    }

    /// Second derivatives by differences of values with these steps, row by row (M. Abramowitz, I. A. Stegun, Handbook of Mathematical
    /// Functions 1964, 25.3.23 and 25.3.27).
    pub(super) fn curvature(&self, centre: &Centre, steps: &[f64]) -> Result<Vec<f64>, NoLikelihood> {
        let size = centre.x.len();
        let mut matrix = vec![0.0; size * size];
        // f(+) + f(−) − 2 f along each entry alone.
        let mut alone = Vec::with_capacity(size);
        for k in 0..size {
            let above = self.beside(centre, &[(k, steps[k])])?.total;
            let below = self.beside(centre, &[(k, -steps[k])])?.total;
            alone.push((above - centre.total) + (below - centre.total));
            matrix[k * size + k] = alone[k] / (steps[k] * steps[k]);
            for l in 0..k {
                let above = self.beside(centre, &[(k, steps[k]), (l, steps[l])])?.total;
                let below = self.beside(centre, &[(k, -steps[k]), (l, -steps[l])])?.total;
                let both = (above - centre.total) + (below - centre.total);
                let mixed = (both - alone[k] - alone[l]) / (2.0 * steps[k] * steps[l]);
                matrix[k * size + l] = mixed;
                matrix[l * size + k] = mixed;
            }
        }
        Ok(matrix)
    }

    fn beside(&self, centre: &Centre, moves: &[(usize, f64)]) -> Result<Centre, NoLikelihood> {
        let mut x = centre.x.clone();
        for (entry, by) in moves {
            x[*entry] += by;
        }
        self.centre(&x, Some(centre))
    }
}

/// Places a mode is sought from: typical, and two standard deviations to both sides in every effect.
fn places(covariance: &[f64], size: usize) -> Vec<Vec<f64>> {
    let mut places = vec![vec![0.0; size]];
    for k in 0..size {
        for sign in [-2.0, 2.0] {
            let mut place = vec![0.0; size];
            place[k] = sign * covariance[k * size + k].sqrt();
            places.push(place);
        }
    }
    places
}
