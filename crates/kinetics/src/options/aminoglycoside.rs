//! Two levels after one infusion, by hand: a check on the model that needs no population (Sawchuk RJ, Zaske DE. J
//! Pharmacokinet Biopharm 1976;4:183-195, from memory).

/// Two levels after an infusion.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TwoLevels {
    /// The earlier level, mg/L.
    pub first_mg_per_l: f64,
    /// Hours from the end of the infusion to it.
    pub first_after_end_h: f64,
    /// The later level, mg/L.
    pub second_mg_per_l: f64,
    /// Hours from the end of the infusion to it.
    pub second_after_end_h: f64,
    /// The level before the infusion, mg/L; 0 for a first dose.
    pub before_mg_per_l: f64,
    /// The dose, mg.
    pub dose_mg: f64,
    /// Hours the infusion ran.
    pub infusion_h: f64,
}

/// What two levels say of a person.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TwoLevelEstimate {
    /// Elimination rate, 1/h.
    pub rate_per_h: f64,
    /// Half-life, h.
    pub half_life_h: f64,
    /// Level at the end of the infusion, mg/L.
    pub end_of_infusion_mg_per_l: f64,
    /// Volume, L.
    pub volume_l: f64,
    /// Clearance, L/h.
    pub clearance_l_per_h: f64,
}

/// A regimen for a wanted peak at the end of the infusion and a wanted trough.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WantedRegimen {
    /// The interval that would give both, h.
    pub exact_interval_h: f64,
    /// The nearest allowed one, h.
    pub interval_h: f64,
    /// The dose for the peak at that interval, mg, not rounded to what can be given.
    pub exact_dose_mg: f64,
    /// The trough that comes of it, mg/L.
    pub trough_mg_per_l: f64,
}

/// Why two levels say nothing.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum TwoLevelError {
    /// The later level is not below the earlier one.
    #[error("the later level of {second} mg/L is not below the earlier one of {first} mg/L")]
    NotFalling {
        /// Earlier, mg/L.
        first: f64,
        /// Later, mg/L.
        second: f64,
    },
    /// Times out of order, or numbers that are none.
    #[error("two levels need positive numbers and the second time after the first")]
    Malformed,
    /// The level before the infusion explains the level after it.
    #[error("the level before the infusion leaves nothing for the dose to have added")]
    NothingAdded,
}

/// k, V and CL of two levels, with Cₑ at the end of the infusion and C₀ before it: k = ln(C₁/C₂)/(t₂ − t₁),
/// V = (R/k)·(1 − e^(−k·t′))/(Cₑ − C₀·e^(−k·t′)).
///
/// # Errors
/// Levels that do not fall, or numbers that are none.
pub fn from_two_levels(levels: &TwoLevels) -> Result<TwoLevelEstimate, TwoLevelError> {
    let between = levels.second_after_end_h - levels.first_after_end_h;
    let positive = [
        levels.first_mg_per_l,
        levels.second_mg_per_l,
        levels.dose_mg,
        levels.infusion_h,
        between,
    ];
    let not_negative = [levels.first_after_end_h, levels.before_mg_per_l];
    if !positive.iter().all(|x| x.is_finite() && *x > 0.0)
        || !not_negative.iter().all(|x| x.is_finite() && *x >= 0.0)
    {
        return Err(TwoLevelError::Malformed);
    }
    if levels.second_mg_per_l >= levels.first_mg_per_l {
        return Err(TwoLevelError::NotFalling {
            first: levels.first_mg_per_l,
            second: levels.second_mg_per_l,
        });
    }
    let k = libm::log(levels.first_mg_per_l / levels.second_mg_per_l) / between;
    let end = levels.first_mg_per_l * libm::exp(k * levels.first_after_end_h);
    let decay = libm::exp(-k * levels.infusion_h);
    let added = end - levels.before_mg_per_l * decay;
    if added <= 0.0 {
        return Err(TwoLevelError::NothingAdded);
    }
    let volume = levels.dose_mg / levels.infusion_h / k * -libm::expm1(-k * levels.infusion_h) / added;
    Ok(TwoLevelEstimate {
        rate_per_h: k,
        half_life_h: std::f64::consts::LN_2 / k,
        end_of_infusion_mg_per_l: end,
        volume_l: volume,
        clearance_l_per_h: k * volume,
    })
}

impl TwoLevelEstimate {
    /// τ = ln(peak/trough)/k + t′, the nearest allowed interval, and the dose k·V·peak·t′·(1 − e^(−kτ))/(1 − e^(−kt′)).
    /// `None` without an allowed interval longer than the infusion, or a trough not below the peak.
    #[must_use]
    pub fn regimen(
        &self,
        peak_mg_per_l: f64,
        trough_mg_per_l: f64,
        infusion_h: f64,
        allowed_intervals_h: &[f64],
    ) -> Option<WantedRegimen> {
        if !(trough_mg_per_l > 0.0 && trough_mg_per_l < peak_mg_per_l && infusion_h > 0.0) {
            return None;
        }
        let k = self.rate_per_h;
        let exact = libm::log(peak_mg_per_l / trough_mg_per_l) / k + infusion_h;
        let interval = allowed_intervals_h
            .iter()
            .copied()
            .filter(|interval| *interval > infusion_h)
            .min_by(|a, b| (a - exact).abs().total_cmp(&(b - exact).abs()))?;
        let given = k * self.volume_l * peak_mg_per_l * infusion_h;
        Some(WantedRegimen {
            exact_interval_h: exact,
            interval_h: interval,
            exact_dose_mg: given * libm::expm1(-k * interval) / libm::expm1(-k * infusion_h),
            trough_mg_per_l: peak_mg_per_l * libm::exp(-k * (interval - infusion_h)),
        })
    }
}
