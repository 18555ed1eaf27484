//! Regimens that can be given: forms, strengths, steps, intervals, limits. Proposals for a pharmacist to confirm.

/// The practical side of a drug.
#[derive(Debug, Clone, PartialEq)]
pub struct Dosing {
    /// Forms in the words of whoever entered them.
    pub forms: Vec<String>,
    /// Forms a dose can be made of.
    pub form: Vec<Form>,
    /// Doses are multiples of this (mg, as labelled).
    pub step_mg: f64,
    /// Least dose (mg).
    pub min_mg: f64,
    /// Greatest single dose (mg).
    pub max_mg_per_dose: Option<f64>,
    /// Greatest single dose by weight (mg/kg).
    pub max_mg_per_kg: Option<f64>,
    /// Greatest amount a day by weight (mg/kg/day).
    pub max_mg_per_kg_day: Option<f64>,
    /// Greatest loading dose by weight (mg/kg).
    pub max_load_mg_per_kg: Option<f64>,
    /// Intervals in use (h); empty: the drug is given once.
    pub intervals_h: Vec<f64>,
    /// Infusion times in use (h); empty: not infused.
    pub infusion_h: Vec<f64>,
    /// Greatest relative change of the daily amount to offer at once.
    pub max_change_per_step: f64,
    /// Greatest rise of the daily amount to offer at once (mg/day).
    pub max_daily_increase_mg: Option<f64>,
    /// Above a level (model unit), the greatest rise to offer at once (mg/day).
    pub cautious_daily_increase_mg: Option<(f64, f64)>,
    /// Titration rules that outrank any computed dose.
    pub titration: Option<String>,
    /// Whether a loading dose has a place with this drug.
    pub loading: bool,
}

/// A form a dose can be made of.
#[derive(Debug, Clone, PartialEq)]
pub struct Form {
    /// For people: `capsule`.
    pub name: String,
    /// Counted or measured out.
    pub kind: FormKind,
    /// Fraction of the labelled amount that counts for the model (phenytoin sodium as acid: 0.92).
    pub salt_factor: f64,
    /// Where the salt factor comes from, when it is not 1.
    pub salt_factor_provenance: Option<String>,
}

/// How a form is portioned.
#[derive(Debug, Clone, PartialEq)]
pub enum FormKind {
    /// Pieces of these strengths (mg, as labelled), each divisible into so many equal parts.
    Pieces {
        /// Strengths, mg.
        strengths_mg: Vec<f64>,
        /// Parts a piece may be broken into; 1: never.
        parts: u32,
    },
    /// A liquid of this strength (mg/mL, as labelled): any multiple of the step.
    Liquid {
        /// Strength, mg/mL.
        mg_per_ml: f64,
    },
}

/// Most pieces one dose may be made of: more is not taken reliably. Common practice, no source.
pub const MOST_PIECES: u32 = 8;

impl Form {
    /// The pieces a labelled dose is made of, largest first as (count of parts, part strength in mg); `None` when the form cannot
    /// make it. A liquid makes every amount.
    #[must_use]
    pub fn pieces(&self, dose_mg: f64) -> Option<Vec<(u32, f64)>> {
        match &self.kind {
            FormKind::Liquid { .. } => Some(Vec::new()),
            FormKind::Pieces { strengths_mg, parts } => {
                let mut sizes: Vec<f64> = strengths_mg
                    .iter()
                    .flat_map(|strength| {
                        (1..=*parts)
                            .filter(|p| parts % p == 0)
                            .map(move |p| strength / f64::from(p))
                    })
                    .collect();
                sizes.sort_by(|a, b| b.total_cmp(a));
                sizes.dedup();
                (1..=MOST_PIECES).find_map(|most| made_of(dose_mg, &sizes, most))
            }
        }
    }
}

/// Makes an amount of at most so many pieces, large ones first.
fn made_of(amount: f64, sizes: &[f64], most: u32) -> Option<Vec<(u32, f64)>> {
    // Amounts are decimal numbers with few places: a millionth is no dose.
    if amount.abs() < 1e-6 {
        return Some(Vec::new());
    }
    let (size, rest) = sizes.split_first()?;
    let fits = libm::floor(amount / size + 1e-6).clamp(0.0, f64::from(most)) as u32;
    (0..=fits).rev().find_map(|count| {
        let mut made = made_of(amount - f64::from(count) * size, rest, most - count)?;
        if count > 0 {
            made.insert(0, (count, *size));
        }
        Some(made)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pieces(strengths_mg: &[f64], parts: u32, dose_mg: f64) -> Option<Vec<(u32, f64)>> {
        Form {
            name: "tablet".to_owned(),
            kind: FormKind::Pieces {
                strengths_mg: strengths_mg.to_vec(),
                parts,
            },
            salt_factor: 1.0,
            salt_factor_provenance: None,
        }
        .pieces(dose_mg)
    }

    #[test]
    fn a_dose_is_made_of_the_fewest_pieces_there_are() {
        assert_eq!(
            pieces(&[0.5, 1.0, 5.0], 1, 6.5),
            Some(vec![(1, 5.0), (1, 1.0), (1, 0.5)])
        );
        // Large first would leave 100 that no piece makes.
        assert_eq!(pieces(&[200.0, 500.0], 1, 600.0), Some(vec![(3, 200.0)]));
        assert_eq!(pieces(&[200.0, 500.0], 1, 300.0), None);
        assert_eq!(pieces(&[200.0], 2, 300.0), Some(vec![(1, 200.0), (1, 100.0)]));
        assert_eq!(pieces(&[0.5], 1, 10.0), None);
    }
}
