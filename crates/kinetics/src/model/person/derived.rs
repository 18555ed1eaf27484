//! Covariates that follow from others, each by its published equation.

use super::fact::CREATININE_UMOL_PER_MG_DL;

/// Body surface, m²: √(height · weight / 3600), cm and kg (Mosteller RD. N Engl J Med 1987;317:1098).
pub(super) fn body_surface_m2(height_cm: f64, weight_kg: f64) -> f64 {
    (height_cm * weight_kg / 3600.0).sqrt()
}

/// Creatinine clearance, mL/min: (140 − age) · weight / (72 · creatinine mg/dL), times 0.85 for women (Cockcroft DW,
/// Gault MH. Nephron 1976;16:31-41).
pub(super) fn cockcroft_gault(age_y: f64, weight_kg: f64, creatinine_umol: f64, female: bool) -> f64 {
    let men = (140.0 - age_y) * weight_kg / (72.0 * creatinine_umol / CREATININE_UMOL_PER_MG_DL);
    if female { 0.85 * men } else { men }
}

/// Filtration of a child, mL/min/1.73 m²: 0.413 · height / creatinine, cm and mg/dL (Schwartz GJ and others. J Am Soc
/// Nephrol 2009;20:629-637).
pub(super) fn bedside_schwartz(height_cm: f64, creatinine_umol: f64) -> f64 {
    0.413 * height_cm / (creatinine_umol / CREATININE_UMOL_PER_MG_DL)
}

/// Postmenstrual age, weeks, from gestational age at birth and postnatal age.
pub(super) fn postmenstrual_weeks(ga_weeks: f64, pna_days: f64) -> f64 {
    ga_weeks + pna_days / 7.0
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked by hand from the equations as published.
    #[test]
    fn equations_give_their_worked_values() {
        let close = |a: f64, b: f64| assert!((a - b).abs() < 1e-9 * b, "{a} {b}");
        close(body_surface_m2(180.0, 80.0), 2.0);
        close(cockcroft_gault(40.0, 72.0, 88.4, false), 100.0);
        close(cockcroft_gault(40.0, 72.0, 88.4, true), 85.0);
        close(bedside_schwartz(100.0, 44.2), 82.6);
        close(postmenstrual_weeks(34.0, 14.0), 36.0);
    }
}
