//! From samples as they were drawn to the profile that is analysed: sorted, each time once, each level with its origin.

use super::rules::{BeforeDoseRule, BelowLimitRule, DuplicateRule, Rules, StartRule};
use super::{Dose, NoncompartmentalError, Route};
use serde::Serialize;

/// A level as the laboratory reported it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Level {
    /// Measured, in the unit of concentration; zero is allowed.
    Measured(f64),
    /// Below the lower limit of quantification.
    BelowLimit {
        /// The limit, in the unit of concentration.
        lloq: f64,
    },
}

/// A sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    /// Time after the dose, or after the start of the infusion (h).
    pub time_h: f64,
    /// What was found.
    pub level: Level,
}

/// Where a level of the profile comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Origin {
    /// Measured.
    Measured,
    /// The mean of levels measured at one time.
    MeanOfDuplicates,
    /// Put in for a level below the limit.
    BelowLimit,
    /// Drawn before the dose, and standing at it.
    BeforeDose,
    /// Put in at the dose by rule.
    Start,
    /// Extrapolated to the time of a bolus.
    Extrapolated,
}

/// A level of the profile.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ProfilePoint {
    /// Time after the dose (h), not below zero.
    pub time_h: f64,
    /// Level, in the unit of concentration, not below zero.
    pub level: f64,
    /// Where it comes from.
    pub origin: Origin,
}

impl ProfilePoint {
    /// Whether it may serve the terminal slope or be the last level.
    pub(super) fn is_measured_above_zero(&self) -> bool {
        self.level > 0.0 && matches!(self.origin, Origin::Measured | Origin::MeanOfDuplicates)
    }
}

/// What was done to the samples.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Note {
    /// The samples were not in order of time and were put so.
    Sorted,
    /// Drawn before the dose and set aside.
    SetAsideBeforeDose {
        /// When (h).
        time_h: f64,
    },
    /// Drawn before the dose; stands at the dose.
    StandsAtDose {
        /// When (h).
        time_h: f64,
    },
    /// Several levels at this time: their mean stands.
    DuplicatesAveraged {
        /// When (h).
        time_h: f64,
        /// How many levels were measured.
        levels: usize,
    },
    /// Below the limit; this level stands for it.
    BelowLimitReplaced {
        /// When (h).
        time_h: f64,
        /// By what.
        by: f64,
    },
    /// Below the limit and left out.
    BelowLimitLeftOut {
        /// When (h).
        time_h: f64,
    },
    /// A level was put in at the dose.
    StartAdded {
        /// Which.
        level: f64,
    },
    /// The level at a bolus was extrapolated from the first two; or, `from_first_only`, those do not fall and the first
    /// stands for it.
    StartExtrapolated {
        /// Which level.
        level: f64,
        /// Whether the first level simply stands there.
        from_first_only: bool,
    },
}

/// The samples made ready, and what was done to them.
pub(super) fn prepare(
    samples: &[Sample],
    dose: &Dose,
    rules: &Rules,
) -> Result<(Vec<ProfilePoint>, Vec<Note>), NoncompartmentalError> {
    let mut notes = Vec::new();
    let sorted = check_and_sort(samples, &mut notes)?;
    let single = one_a_time(&sorted, rules, &mut notes)?;
    let after_dose = before_the_dose(single, rules, &mut notes)?;
    let mut points = replace_below_limit(&after_dose, rules, &mut notes)?;
    add_start(&mut points, dose, rules, &mut notes);
    Ok((points, notes))
}

fn check_and_sort(samples: &[Sample], notes: &mut Vec<Note>) -> Result<Vec<Sample>, NoncompartmentalError> {
    for (index, sample) in samples.iter().enumerate() {
        if !sample.time_h.is_finite() {
            return Err(NoncompartmentalError::TimeNotFinite {
                index,
                found: sample.time_h,
            });
        }
        match sample.level {
            Level::Measured(found) if !(found.is_finite() && found >= 0.0) => {
                return Err(NoncompartmentalError::LevelNotANumberFromZero { index, found });
            }
            Level::BelowLimit { lloq } if !(lloq.is_finite() && lloq > 0.0) => {
                return Err(NoncompartmentalError::LimitNotAboveZero { index, found: lloq });
            }
            _ => {}
        }
    }
    // Adding zero turns −0 into 0, which the order of times would tell apart.
    let mut sorted: Vec<Sample> = samples
        .iter()
        .map(|sample| Sample {
            time_h: sample.time_h + 0.0,
            ..*sample
        })
        .collect();
    if !sorted.is_sorted_by(|a, b| a.time_h <= b.time_h) {
        notes.push(Note::Sorted);
        // Stable: samples of one time keep their order.
        sorted.sort_by(|a, b| a.time_h.total_cmp(&b.time_h));
    }
    Ok(sorted)
}

/// A level that may be the mean of several.
#[derive(Clone, Copy)]
struct Single {
    time_h: f64,
    level: Level,
    origin: Origin,
}

fn one_a_time(
    sorted: &[Sample],
    rules: &Rules,
    notes: &mut Vec<Note>,
) -> Result<Vec<Single>, NoncompartmentalError> {
    let mut singles = Vec::with_capacity(sorted.len());
    for same in sorted.chunk_by(|a, b| a.time_h.total_cmp(&b.time_h).is_eq()) {
        let time_h = same[0].time_h;
        let mut single = Single {
            time_h,
            level: same[0].level,
            origin: Origin::Measured,
        };
        if same.len() > 1 {
            if rules.duplicates == DuplicateRule::Refuse {
                return Err(NoncompartmentalError::DuplicateTime {
                    time_h,
                    found: same.len(),
                });
            }
            let measured: Vec<f64> = same
                .iter()
                .filter_map(|sample| match sample.level {
                    Level::Measured(level) => Some(level),
                    Level::BelowLimit { .. } => None,
                })
                .collect();
            if !measured.is_empty() {
                single.level = Level::Measured(measured.iter().sum::<f64>() / measured.len() as f64);
                single.origin = Origin::MeanOfDuplicates;
            }
            notes.push(Note::DuplicatesAveraged {
                time_h,
                levels: measured.len(),
            });
        }
        singles.push(single);
    }
    Ok(singles)
}

fn before_the_dose(
    singles: Vec<Single>,
    rules: &Rules,
    notes: &mut Vec<Note>,
) -> Result<Vec<Single>, NoncompartmentalError> {
    let split = singles.partition_point(|single| single.time_h < 0.0);
    if split == 0 {
        return Ok(singles);
    }
    let none_at_dose = singles.get(split).is_none_or(|first| first.time_h > 0.0);
    let mut kept = Vec::with_capacity(singles.len());
    for (index, single) in singles.iter().take(split).enumerate() {
        let time_h = single.time_h;
        match rules.before_dose {
            BeforeDoseRule::Refuse => return Err(NoncompartmentalError::BeforeDose { time_h }),
            BeforeDoseRule::LatestStandsAtDose if none_at_dose && index + 1 == split => {
                notes.push(Note::StandsAtDose { time_h });
                kept.push(Single {
                    time_h: 0.0,
                    origin: Origin::BeforeDose,
                    ..*single
                });
            }
            _ => notes.push(Note::SetAsideBeforeDose { time_h }),
        }
    }
    kept.extend_from_slice(&singles[split..]);
    Ok(kept)
}

fn replace_below_limit(
    singles: &[Single],
    rules: &Rules,
    notes: &mut Vec<Note>,
) -> Result<Vec<ProfilePoint>, NoncompartmentalError> {
    let measured = |single: &Single| matches!(single.level, Level::Measured(level) if level > 0.0);
    let (Some(first), Some(last)) = (
        singles.iter().position(measured),
        singles.iter().rposition(measured),
    ) else {
        return Err(NoncompartmentalError::NoLevelAboveZero);
    };
    let mut points = Vec::with_capacity(singles.len());
    for (index, single) in singles.iter().enumerate() {
        let time_h = single.time_h;
        match single.level {
            Level::Measured(level) => points.push(ProfilePoint {
                time_h,
                level,
                origin: single.origin,
            }),
            Level::BelowLimit { lloq } => {
                let rule = if index < first {
                    rules.below_limit_before
                } else if index > last {
                    rules.below_limit_after
                } else {
                    rules.below_limit_between
                };
                let by = match rule {
                    BelowLimitRule::LeftOut => {
                        notes.push(Note::BelowLimitLeftOut { time_h });
                        continue;
                    }
                    BelowLimitRule::Zero => 0.0,
                    BelowLimitRule::HalfLimit => 0.5 * lloq,
                };
                notes.push(Note::BelowLimitReplaced { time_h, by });
                points.push(ProfilePoint {
                    time_h,
                    level: by,
                    origin: Origin::BelowLimit,
                });
            }
        }
    }
    Ok(points)
}

fn add_start(points: &mut Vec<ProfilePoint>, dose: &Dose, rules: &Rules, notes: &mut Vec<Note>) {
    if points.first().is_none_or(|first| first.time_h <= 0.0) {
        return;
    }
    if dose.route == Route::Bolus {
        let (level, from_first_only) = extrapolated(points);
        notes.push(Note::StartExtrapolated {
            level,
            from_first_only,
        });
        let origin = Origin::Extrapolated;
        points.insert(
            0,
            ProfilePoint {
                time_h: 0.0,
                level,
                origin,
            },
        );
        return;
    }
    let level = match rules.start {
        StartRule::AsSampled => return,
        StartRule::ZeroOrExtrapolated => 0.0,
        StartRule::LowestOfInterval => points
            .iter()
            .filter(|point| dose.interval_h.is_none_or(|interval| point.time_h <= interval))
            .map(|point| point.level)
            .fold(f64::INFINITY, f64::min),
    };
    // No sample within the interval: nothing to put in.
    if level.is_finite() {
        notes.push(Note::StartAdded { level });
        let origin = Origin::Start;
        points.insert(
            0,
            ProfilePoint {
                time_h: 0.0,
                level,
                origin,
            },
        );
    }
}

/// The level at a bolus: the line through the logarithms of the first two levels, if those fall.
fn extrapolated(points: &[ProfilePoint]) -> (f64, bool) {
    let first = points[0];
    match points.get(1) {
        Some(second) if second.level > 0.0 && second.level < first.level => {
            let steps_back = first.time_h / (second.time_h - first.time_h);
            let level = first.level * libm::pow(first.level / second.level, steps_back);
            if level.is_finite() {
                (level, false)
            } else {
                (first.level, true)
            }
        }
        _ => (first.level, true),
    }
}
