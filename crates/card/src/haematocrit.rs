//! Haematocrit: from the clinic, from colour through the method's calibration cards, from what is known of people of
//! this age and sex, or from the last two together.
//!
//! Colour without the card's age says nothing: blood browns for days (EV §2.4). Without a calibration colour is never
//! used.

use spotwright_domain::card::{HaematocritEstimate, Origin, SpotLimits, SpotReason, SpotReasonCode};
use spotwright_domain::reason::Severity;
use spotwright_numerics::linear_least_squares::fit_linear;
use spotwright_numerics::matrix::SymmetricMatrix;

/// Physical bounds of a haematocrit (HCT-01).
pub const PHYSICAL: [f64; 2] = [0.15, 0.75];

/// Sex, where reference ranges differ.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sex {
    /// Female.
    Female,
    /// Male.
    Male,
}

/// What is known of people like this one.
#[derive(Debug, Clone, PartialEq)]
pub struct HaematocritPrior {
    /// Middle.
    pub fraction: f64,
    /// Standard deviation.
    pub u_fraction: f64,
    /// Which people.
    pub group: String,
}

/// What is known beside the photograph.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct HaematocritKnowledge {
    /// The clinic's value and its standard uncertainty.
    pub clinical: Option<[f64; 2]>,
    /// Of people like this one.
    pub prior: Option<HaematocritPrior>,
    /// Colour to haematocrit.
    pub calibration: Option<HaematocritCalibration>,
    /// Age of the spot when photographed (days).
    pub age_days: Option<f64>,
}

/// Reference range by age and sex (standards §2.3), as the middle and a standard deviation of a quarter of the range
/// (95 % of the healthy), but at least 0.045: patients are not the healthy (HCT-02: 0.04 to 0.05 for a population
/// default). Without age, or without sex where it matters, the ranges that may apply are spanned.
#[must_use]
pub fn prior_for(age_years: Option<f64>, sex: Option<Sex>) -> HaematocritPrior {
    let day = 1.0 / 365.25;
    let (low, high, group) = match (age_years.filter(|a| a.is_finite() && *a >= 0.0), sex) {
        (Some(age), _) if age < 2.0 * day => (0.42, 0.65, "newborn, day 0 to 1"),
        (Some(age), _) if age < 21.0 * day => (0.39, 0.63, "1 to 2 weeks"),
        (Some(age), _) if age < 45.0 * day => (0.31, 0.55, "1 month"),
        (Some(age), _) if age < 90.0 * day => (0.28, 0.42, "2 months"),
        (Some(age), _) if age < 0.5 => (0.29, 0.41, "3 to 6 months"),
        (Some(age), _) if age < 2.0 => (0.33, 0.39, "6 to 24 months"),
        (Some(age), _) if age < 6.0 => (0.34, 0.40, "2 to 6 years"),
        (Some(age), _) if age < 12.0 => (0.35, 0.45, "6 to 12 years"),
        (Some(age), Some(Sex::Female)) if age < 18.0 => (0.36, 0.46, "12 to 18 years, female"),
        (Some(age), Some(Sex::Male)) if age < 18.0 => (0.37, 0.49, "12 to 18 years, male"),
        (Some(age), None) if age < 18.0 => (0.36, 0.49, "12 to 18 years"),
        (Some(_), Some(Sex::Female)) => (0.36, 0.48, "adult, female"),
        (Some(_), Some(Sex::Male)) => (0.40, 0.52, "adult, male"),
        (Some(_), None) => (0.36, 0.52, "adult"),
        (None, _) => (0.28, 0.65, "anybody"),
    };
    HaematocritPrior {
        fraction: 0.5 * (low + high),
        u_fraction: f64::max(0.25 * (high - low), 0.045),
        group: group.to_owned(),
    }
}

/// How reflectance becomes the number the calibration is linear in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ColourScale {
    /// Kubelka and Munk's function `(1 − R)² / (2R)` (EV-20).
    KubelkaMunk,
    /// `−log10 R` (EV-20).
    Density,
}

impl ColourScale {
    /// The number for a density `D = −log10 R`.
    #[must_use]
    pub fn of_density(self, density: f64) -> f64 {
        match self {
            Self::Density => density,
            Self::KubelkaMunk => {
                let r = libm::exp10(-density);
                (1.0 - r) * (1.0 - r) / (2.0 * r)
            }
        }
    }
}

/// A spot of known haematocrit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CalibrationSpot {
    /// Volume fraction of cells.
    pub haematocrit: f64,
    /// Median density of the inner zone in the calibration's channel.
    pub density: f64,
    /// Age when photographed (days).
    pub age_days: f64,
}

/// `H = a + b·F + c·F² + d·ln(1 + age)`, fitted to the method's calibration cards (EV-20).
#[derive(Debug, Clone, PartialEq)]
pub struct HaematocritCalibration {
    /// Name and version.
    pub name: String,
    /// 0 red, 1 green, 2 blue.
    pub channel: usize,
    /// Scale of colour.
    pub scale: ColourScale,
    /// Coefficients a, b, c, d.
    pub coefficients: Vec<f64>,
    /// Their covariance over the residual variance.
    pub unscaled_covariance: SymmetricMatrix,
    /// Residual standard deviation of a single spot.
    pub residual_sd: f64,
    /// Smallest and largest F.
    pub colour_range: [f64; 2],
    /// Smallest and largest age (days).
    pub age_range_days: [f64; 2],
    /// Lowest and highest haematocrit of the cards.
    pub haematocrit_range: [f64; 2],
}

/// Why a calibration of haematocrit is refused.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum HaematocritCalibrationError {
    /// No such channel.
    #[error("channel must be 0 (red), 1 (green) or 2 (blue), found {found}")]
    Channel {
        /// Found.
        found: usize,
    },
    /// Too few levels of haematocrit (EV-20: five).
    #[error("calibration cards hold {found} haematocrit levels, at least {expected} are needed")]
    Levels {
        /// Needed.
        expected: usize,
        /// Found.
        found: usize,
    },
    /// Too few ages (EV-20: three).
    #[error("calibration cards hold {found} ages, at least {expected} are needed")]
    Ages {
        /// Needed.
        expected: usize,
        /// Found.
        found: usize,
    },
    /// A number that cannot be.
    #[error("spot {index}: haematocrit must lie in 0.15 to 0.75, density and age must be numbers from 0")]
    Spot {
        /// Position in the list, from 0.
        index: usize,
    },
    /// The fit failed.
    #[error("colours do not vary enough to fit a curve")]
    NoFit,
    /// The curve turns over inside its own range: one colour would mean two haematocrits.
    #[error("the fitted curve turns over at F = {at:.3}, inside the range of the cards")]
    TurnsOver {
        /// Where.
        at: f64,
    },
}

impl HaematocritCalibration {
    /// Fits the curve to calibration cards: at least five haematocrit levels and three ages (EV-20).
    ///
    /// # Errors
    /// Names what the cards lack.
    pub fn fit(
        name: &str,
        channel: usize,
        scale: ColourScale,
        spots: &[CalibrationSpot],
    ) -> Result<Self, HaematocritCalibrationError> {
        if channel > 2 {
            return Err(HaematocritCalibrationError::Channel { found: channel });
        }
        let bad = spots.iter().position(|s| {
            !(PHYSICAL[0]..=PHYSICAL[1]).contains(&s.haematocrit)
                || !s.density.is_finite()
                || s.density < 0.0
                || !s.age_days.is_finite()
                || s.age_days < 0.0
        });
        if let Some(index) = bad {
            return Err(HaematocritCalibrationError::Spot { index });
        }
        let distinct = |values: Vec<f64>, apart: f64| {
            let mut sorted = values;
            sorted.sort_unstable_by(f64::total_cmp);
            let mut count = 0;
            let mut last = f64::NEG_INFINITY;
            for v in sorted {
                if v - last > apart {
                    count += 1;
                    last = v;
                }
            }
            count
        };
        let levels = distinct(spots.iter().map(|s| s.haematocrit).collect(), 0.02);
        if levels < 5 {
            return Err(HaematocritCalibrationError::Levels {
                expected: 5,
                found: levels,
            });
        }
        let ages = distinct(spots.iter().map(|s| s.age_days).collect(), 0.2);
        if ages < 3 {
            return Err(HaematocritCalibrationError::Ages {
                expected: 3,
                found: ages,
            });
        }
        let colours: Vec<f64> = spots.iter().map(|s| scale.of_density(s.density)).collect();
        let mut design = Vec::with_capacity(4 * spots.len());
        for (spot, f) in spots.iter().zip(&colours) {
            design.extend(row(*f, spot.age_days));
        }
        let y: Vec<f64> = spots.iter().map(|s| s.haematocrit).collect();
        let fit = fit_linear(&design, 4, &y, &vec![1.0; y.len()])
            .map_err(|_| HaematocritCalibrationError::NoFit)?;
        let range = |values: &mut dyn Iterator<Item = f64>| {
            values.fold([f64::INFINITY, f64::NEG_INFINITY], |r, v| {
                [r[0].min(v), r[1].max(v)]
            })
        };
        let colour_range = range(&mut colours.iter().copied());
        let turn = -fit.coefficients[1] / (2.0 * fit.coefficients[2]);
        if turn.is_finite() && turn > colour_range[0] && turn < colour_range[1] {
            return Err(HaematocritCalibrationError::TurnsOver { at: turn });
        }
        Ok(Self {
            name: name.to_owned(),
            channel,
            scale,
            colour_range,
            age_range_days: range(&mut spots.iter().map(|s| s.age_days)),
            haematocrit_range: range(&mut y.iter().copied()),
            residual_sd: fit.residual_standard_error,
            unscaled_covariance: fit.unscaled_covariance,
            coefficients: fit.coefficients,
        })
    }

    /// Haematocrit and its standard uncertainty for a single spot (the half width of a prediction interval over its
    /// quantile): `s·√(1 + xᵀ(XᵀX)⁻¹x)`.
    #[must_use]
    pub fn predict(&self, density: f64, age_days: f64) -> (f64, f64) {
        let x = row(self.scale.of_density(density), age_days);
        let value = x.iter().zip(&self.coefficients).map(|(x, c)| x * c).sum();
        (
            value,
            self.residual_sd * (1.0 + self.unscaled_covariance.quadratic_form(&x)).sqrt(),
        )
    }
}

fn row(colour: f64, age_days: f64) -> [f64; 4] {
    [1.0, colour, colour * colour, libm::log1p(age_days)]
}

/// The best estimate from what is known, and what there is to say about it. `None`: nothing is known.
///
/// Clinical wins; otherwise colour and population are combined by Bayes' rule for normal distributions (weights inverse
/// to the variances). Nothing is clamped.
#[must_use]
pub fn estimate(
    density: [f64; 3],
    knowledge: &HaematocritKnowledge,
    limits: &SpotLimits,
) -> (Option<HaematocritEstimate>, Vec<SpotReason>) {
    let mut reasons = Vec::new();
    let colour = from_colour(density, knowledge, &mut reasons);
    let from_colour = colour.map(|(h, u)| [h, u]);
    let name = knowledge.calibration.as_ref().map_or("", |c| c.name.as_str());
    let sound = |[h, u]: &[f64; 2]| {
        h.is_finite() && u.is_finite() && *u > 0.0 && (PHYSICAL[0]..=PHYSICAL[1]).contains(h)
    };
    let clinical = knowledge.clinical.filter(|value| {
        let sound = sound(value);
        if !sound {
            reasons.push(reason(
                SpotReasonCode::HaematocritOutsideRange,
                "HCT-01",
                Severity::Comment,
                value[0],
                if value[0] < PHYSICAL[0] { PHYSICAL[0] } else { PHYSICAL[1] },
                "The clinic's haematocrit is not a possible one (0.15 to 0.75 as a fraction) and was not used: ask for it again."
                    .to_owned(),
            ));
        }
        sound
    });
    let best = if let Some([h, u]) = clinical {
        if let Some((c, u_c)) = colour {
            let apart = (h - c).abs() / (u * u + u_c * u_c).sqrt();
            if apart > limits.max_haematocrit_difference_in_u {
                reasons.push(reason(
                    SpotReasonCode::HaematocritDisagrees,
                    "HCT-02",
                    Severity::Comment,
                    apart,
                    limits.max_haematocrit_difference_in_u,
                    format!(
                        "The clinic's haematocrit {h:.3} and the colour's {c:.3} (u {u_c:.3}) disagree; the clinic's was used: \
                         check whose blood and which day."
                    ),
                ));
            }
        }
        Some((h, u, Origin::Clinical))
    } else {
        match (colour, knowledge.prior.as_ref()) {
            (Some((c, u_c)), Some(prior)) => {
                let (w_c, w_p) = (1.0 / (u_c * u_c), 1.0 / (prior.u_fraction * prior.u_fraction));
                let apart =
                    (c - prior.fraction).abs() / (u_c * u_c + prior.u_fraction * prior.u_fraction).sqrt();
                if apart > limits.max_haematocrit_difference_in_u {
                    reasons.push(reason(
                        SpotReasonCode::HaematocritDisagrees,
                        "HCT-02",
                        Severity::Comment,
                        apart,
                        limits.max_haematocrit_difference_in_u,
                        format!(
                            "Colour says {c:.3} (u {u_c:.3}), unusual for {} ({:.3}, SD {:.3}): ask for a measured haematocrit.",
                            prior.group, prior.fraction, prior.u_fraction
                        ),
                    ));
                }
                Some((
                    (w_c * c + w_p * prior.fraction) / (w_c + w_p),
                    (1.0 / (w_c + w_p)).sqrt(),
                    Origin::CalibrationAndPopulation(format!("{name}; {}", prior.group)),
                ))
            }
            (Some((c, u_c)), None) => Some((c, u_c, Origin::Calibration(name.to_owned()))),
            (None, Some(prior)) => Some((
                prior.fraction,
                prior.u_fraction,
                Origin::Population(prior.group.clone()),
            )),
            (None, None) => None,
        }
    };
    if let Some((h, ..)) = &best
        && (*h < limits.min_haematocrit || *h > limits.max_haematocrit)
    {
        let limit = if *h < limits.min_haematocrit {
            limits.min_haematocrit
        } else {
            limits.max_haematocrit
        };
        reasons.push(reason(
            SpotReasonCode::HaematocritOutsideRange,
            "DBS-02",
            Severity::Comment,
            *h,
            limit,
            format!("Haematocrit {h:.3} lies outside the validated range to {limit:.2}: the result must not be converted without review."),
        ));
    }
    let estimate = best.map(|(fraction, u_fraction, origin)| HaematocritEstimate {
        fraction,
        u_fraction,
        origin,
        from_colour,
    });
    (estimate, reasons)
}

/// What colour says, when the calibration covers this colour and age.
fn from_colour(
    density: [f64; 3],
    knowledge: &HaematocritKnowledge,
    reasons: &mut Vec<SpotReason>,
) -> Option<(f64, f64)> {
    let calibration = knowledge.calibration.as_ref()?;
    let outside = |measured: f64, [low, high]: [f64; 2], what: &str| {
        let slack = 0.02 * (high - low);
        (measured < low - slack || measured > high + slack).then(|| {
            reason(
                SpotReasonCode::HaematocritOutsideCalibration,
                "EV-20",
                Severity::Note,
                measured,
                if measured < low { low } else { high },
                format!(
                    "{what} {measured:.3} lies outside {low:.3} to {high:.3}, which the calibration {} covers: no haematocrit \
                     from colour.",
                    calibration.name
                ),
            )
        })
    };
    let Some(age) = knowledge.age_days.filter(|a| a.is_finite() && *a >= 0.0) else {
        reasons.push(SpotReason {
            measured: None,
            limit: None,
            beyond: None,
            text: "The spot's age is unknown: no haematocrit from colour, because blood browns with time."
                .into(),
            ..reason(
                SpotReasonCode::HaematocritOutsideCalibration,
                "EV-20",
                Severity::Note,
                0.0,
                0.0,
                String::new(),
            )
        });
        return None;
    };
    let found = density[calibration.channel];
    let colour = calibration.scale.of_density(found);
    if let Some(r) = outside(colour, calibration.colour_range, "Colour") {
        reasons.push(r);
        return None;
    }
    if let Some(r) = outside(age, calibration.age_range_days, "Age (days)") {
        reasons.push(r);
        return None;
    }
    let (h, u) = calibration.predict(found, age);
    (h.is_finite() && u.is_finite() && u > 0.0 && (PHYSICAL[0]..=PHYSICAL[1]).contains(&h)).then_some((h, u))
}

fn reason(
    code: SpotReasonCode,
    rule: &str,
    severity: Severity,
    measured: f64,
    limit: f64,
    text: String,
) -> SpotReason {
    SpotReason {
        code,
        rule: rule.to_owned(),
        severity,
        measured: Some(measured),
        limit: Some(limit),
        unit: "1".to_owned(),
        beyond: Some((measured - limit).abs()),
        text,
    }
}
