//! `[analyte.conversion]`: from the spot to the scale of the target range.

use super::keys::{CONVERSION, EFFECT, RECOVERY, SITE, STABILITY, VOLUME};
use super::read::{MATRICES, haematocrit, open, pair};
use super::section::Section;
use crate::bounds;
use crate::problem::{FormatProblemCode, Problems};
use crate::table::Bounds;
use spotwright_domain::concentration::ConcentrationUnit;
use spotwright_domain::conversion::{
    BeyondStability, CLINIC_HAEMATOCRIT_SD, Conversion, ConversionForm, Estimate, Fallback,
    HaematocritEffect, HaematocritUnknown, LinearRegression, Partition, RecoveryTerm, RegressionDirection,
    RegressionInput, SiteTerm, SpotHaematocrit, SpotTerms, StabilityTerm, Standardised, VolumeTerm,
};
use spotwright_domain::identifier::AnalyteName;
use spotwright_domain::matrix::MatrixKind;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Form {
    NoneNeeded,
    Theoretical,
    UnboundEquilibrium,
    LinearRegression,
    NotPredictable,
}

const FORMS: [(&str, Form); 5] = [
    ("none-needed", Form::NoneNeeded),
    ("theoretical", Form::Theoretical),
    ("unbound-equilibrium", Form::UnboundEquilibrium),
    ("linear-regression", Form::LinearRegression),
    ("not-predictable", Form::NotPredictable),
];
const DIRECTIONS: [(&str, RegressionDirection); 2] = [
    ("reported-on-measured", RegressionDirection::ReportedOnMeasured),
    ("measured-on-reported", RegressionDirection::MeasuredOnReported),
];
const INPUTS: [(&str, bool); 2] = [("raw", false), ("haematocrit-corrected", true)];
const FALLBACKS: [(&str, Fallback); 2] = [
    ("measured-only", Fallback::MeasuredOnly),
    ("refuse", Fallback::Refuse),
];
/// `None`: a default.
const UNKNOWN: [(&str, Option<Fallback>); 3] = [
    ("default", None),
    ("measured-only", Some(Fallback::MeasuredOnly)),
    ("refuse", Some(Fallback::Refuse)),
];
const SPOT_HAEMATOCRIT: [(&str, SpotHaematocrit); 2] =
    [("use", SpotHaematocrit::Use), ("check", SpotHaematocrit::Check)];
const EFFECTS: [(&str, bool); 2] = [("spreading", true), ("linear", false)];
const BEYOND: [(&str, BeyondStability); 2] = [
    ("refuse", BeyondStability::Refuse),
    ("at-least", BeyondStability::AtLeast),
];

/// Keys that belong to a form; the others of this list are refused beside it.
const OF_FORM: [(&str, &[Form]); 17] = [
    ("partition_ratio", &[Form::Theoretical, Form::LinearRegression]),
    ("partition_ratio_sd", &[Form::Theoretical, Form::LinearRegression]),
    (
        "red_cell_over_unbound",
        &[Form::Theoretical, Form::LinearRegression],
    ),
    (
        "red_cell_over_unbound_sd",
        &[Form::Theoretical, Form::LinearRegression],
    ),
    ("fraction_unbound", &[Form::Theoretical, Form::LinearRegression]),
    (
        "fraction_unbound_sd",
        &[Form::Theoretical, Form::LinearRegression],
    ),
    ("fraction_bound", &[Form::UnboundEquilibrium]),
    ("fraction_bound_sd", &[Form::UnboundEquilibrium]),
    ("direction", &[Form::LinearRegression]),
    ("input", &[Form::LinearRegression]),
    ("slope", &[Form::LinearRegression]),
    ("slope_se", &[Form::LinearRegression]),
    ("intercept", &[Form::LinearRegression]),
    ("intercept_se", &[Form::LinearRegression]),
    ("slope_intercept_covariance", &[Form::LinearRegression]),
    ("residual_sd", &[Form::LinearRegression]),
    ("ratio_seen", &[Form::NotPredictable]),
];

/// Reads an analyte's conversion. `None`: it has problems. `Some(None)`: there is none.
pub(super) fn conversion(
    analyte: &Section<'_>,
    name: Option<&AnalyteName>,
    unit: Option<ConcentrationUnit>,
    problems: &mut Problems,
) -> Option<Option<Conversion>> {
    if !analyte.has("conversion") {
        return Some(None);
    }
    let before = problems.count();
    let section = open(analyte, "conversion", CONVERSION, problems)?;
    let id = section.text("id", problems).map(str::to_owned);
    let version = section.text("version", problems).map(str::to_owned);
    let matrix = section.word("matrix", "a matrix", &MATRICES, problems);
    let kind = section.word("form", "a form of conversion", &FORMS, problems);
    if let Some(kind) = kind {
        refuse_keys_of_other_forms(&section, kind, problems);
    }
    let form = kind.and_then(|kind| form(&section, kind, problems));
    let units = ConcentrationUnit::ALL.map(|unit| (unit.ucum(), unit));
    let of_line = section.word("unit", "a unit", &units, problems);
    if kind == Some(Form::LinearRegression) && !section.has("unit") {
        problems.push(
            section
                .problem("unit", FormatProblemCode::KeyMissing)
                .found("no such key")
                .expected("the key `unit` in this table")
                .help("A line's intercept means nothing without its unit."),
        );
    }
    let concentration_range = pair(
        &section,
        "concentration_min",
        "concentration_max",
        |section, key, problems| section.number(key, bounds::CONCENTRATION_FROM_ZERO, problems),
        problems,
    );
    let haematocrit_range = pair(
        &section,
        "haematocrit_min",
        "haematocrit_max",
        haematocrit,
        problems,
    );
    let haematocrit_outside = optional_word(
        &section,
        "haematocrit_outside",
        "what to do",
        &FALLBACKS,
        Fallback::MeasuredOnly,
        problems,
    );
    let haematocrit_unknown = unknown(&section, problems);
    let clinic_haematocrit_sd = optional_number(
        &section,
        "clinic_haematocrit_sd",
        bounds::HAEMATOCRIT_SD,
        problems,
    );
    let spot_haematocrit = optional_word(
        &section,
        "spot_haematocrit",
        "what it is good for",
        &SPOT_HAEMATOCRIT,
        SpotHaematocrit::Check,
        problems,
    );
    let standardised = optional_number(
        &section,
        "standardised_haematocrit",
        bounds::HAEMATOCRIT,
        problems,
    );
    let residual_cv_pct = optional_number(&section, "residual_cv_pct", bounds::CV_PCT, problems);
    let spot = spot_terms(&section, problems);
    let [device, paper, population, approved_by] = ["device", "paper", "population", "approved_by"]
        .map(|key| section.text(key, problems).map(str::to_owned));
    let disc_mm = optional_number(&section, "disc_mm", bounds::DISC_MM, problems);
    let study_n = study_n(&section, problems);
    let source = section.text("source", problems).map(str::to_owned);
    let conversion = Conversion {
        id: id?,
        version: version?,
        analyte: name?.clone(),
        // Filled in by the reader of the method, which knows what is measured.
        matrix_in: MatrixKind::DriedBlood,
        matrix_out: matrix?,
        form: form?,
        unit: of_line.or(unit)?,
        residual_cv_pct: residual_cv_pct?,
        concentration_range: concentration_range?,
        haematocrit_range: haematocrit_range?,
        haematocrit_outside: haematocrit_outside?,
        haematocrit_unknown: haematocrit_unknown?,
        clinic_haematocrit_sd: clinic_haematocrit_sd?.unwrap_or(CLINIC_HAEMATOCRIT_SD),
        spot_haematocrit: spot_haematocrit?,
        spot: spot?,
        standardised: standardised?.map(|numerator| Standardised {
            constant: 0.0,
            numerator,
        }),
        device,
        paper,
        disc_mm: disc_mm?,
        population,
        study_n: study_n?,
        source: source?,
        approved_by,
    };
    (problems.count() == before).then_some(Some(conversion))
}

/// What a conversion contradicts, once the method around it is known: itself, or what is extracted.
pub(super) fn check(
    section: &Section<'_>,
    conversion: &Conversion,
    head_diameter_mm: Option<f64>,
    problems: &mut Problems,
) {
    let mut unused = Problems::default();
    let Some(place) = section.section("conversion", CONVERSION.path, &mut unused) else {
        return;
    };
    let mut contradicts = |key: &str, why: String| {
        problems.push(
            place
                .problem(key, FormatProblemCode::ConversionContradicts)
                .found(format!("the conversion \"{}\"", conversion.id))
                .expected("a conversion that does not contradict itself")
                .help(why),
        );
    };
    for fault in conversion.faults() {
        contradicts("form", sentence(&fault.to_string()));
    }
    if let (Some(disc), Some(head)) = (conversion.disc_mm, head_diameter_mm)
        && (disc - head).abs() > 1e-9
    {
        contradicts(
            "disc_mm",
            format!("It holds for a disc of {disc} mm, and a disc of {head} mm is taken from the card."),
        );
    }
    if conversion.disc_mm.is_none()
        && head_diameter_mm.is_none()
        && let Some(fault) = conversion.whole_spot_fault()
    {
        contradicts(
            "form",
            format!(
                "{} State `disc_mm` or [extraction] `head_diameter_mm`.",
                sentence(&fault.to_string())
            ),
        );
    }
}

fn sentence(text: &str) -> String {
    let mut characters = text.chars();
    characters.next().map_or(String::new(), |first| {
        format!("{}{}.", first.to_uppercase(), characters.as_str())
    })
}

fn refuse_keys_of_other_forms(section: &Section<'_>, form: Form, problems: &mut Problems) {
    for (key, forms) in OF_FORM {
        if section.has(key) && !forms.contains(&form) {
            let words: Vec<String> = FORMS
                .iter()
                .filter(|(_, of)| forms.contains(of))
                .map(|(word, _)| format!("`{word}`"))
                .collect();
            let own = FORMS
                .iter()
                .find(|(_, of)| *of == form)
                .map_or("", |(word, _)| *word);
            problems.push(
                section
                    .problem(key, FormatProblemCode::KeyNotWanted)
                    .found(format!("`{key}` beside form \"{own}\""))
                    .expected(format!("it only with {}", words.join(", "))),
            );
        }
    }
}

fn form(section: &Section<'_>, form: Form, problems: &mut Problems) -> Option<ConversionForm> {
    Some(match form {
        Form::NoneNeeded => ConversionForm::NoneNeeded,
        Form::Theoretical => ConversionForm::Theoretical {
            partition: partition(section, problems)??,
        },
        Form::UnboundEquilibrium => ConversionForm::UnboundEquilibrium {
            fraction_bound: needed_estimate(
                section,
                "fraction_bound",
                "fraction_bound_sd",
                bounds::FRACTION,
                problems,
            )?,
        },
        Form::LinearRegression => ConversionForm::LinearRegression(regression(section, problems)?),
        Form::NotPredictable => ConversionForm::NotPredictable {
            ratio_seen: ratio_seen(section, problems)?,
        },
    })
}

/// `None`: it has problems. `Some(None)`: none is given, which only a line on corrected values may do.
fn partition(section: &Section<'_>, problems: &mut Problems) -> Option<Option<Partition>> {
    let constant = section.has("partition_ratio");
    let free = section.has("red_cell_over_unbound") || section.has("fraction_unbound");
    match (constant, free) {
        (true, true) => {
            problems.push(
                section
                    .problem("partition_ratio", FormatProblemCode::KeyNotWanted)
                    .found("`partition_ratio` beside `red_cell_over_unbound` and `fraction_unbound`")
                    .expected("one or the other")
                    .help("K is the product of the two."),
            );
            None
        }
        (true, false) => Some(Some(Partition::Constant {
            ratio: needed_estimate(
                section,
                "partition_ratio",
                "partition_ratio_sd",
                bounds::RATIO,
                problems,
            )?,
        })),
        (false, true) => {
            let cells = needed_estimate(
                section,
                "red_cell_over_unbound",
                "red_cell_over_unbound_sd",
                bounds::RATIO,
                problems,
            );
            let unbound = needed_estimate(
                section,
                "fraction_unbound",
                "fraction_unbound_sd",
                bounds::FRACTION,
                problems,
            );
            Some(Some(Partition::FreePartition {
                red_cell_over_unbound: cells?,
                fraction_unbound: unbound?,
            }))
        }
        (false, false) => {
            let theoretical = section.get("form").is_some_and(
                |form| matches!(form.get_ref(), toml::de::DeValue::String(text) if text == "theoretical"),
            );
            if theoretical {
                missing(section, "partition_ratio", problems);
                return None;
            }
            Some(None)
        }
    }
}

fn regression(section: &Section<'_>, problems: &mut Problems) -> Option<LinearRegression> {
    let direction = needed_word(section, "direction", "a direction", &DIRECTIONS, problems);
    let corrected = needed_word(section, "input", "what the line was drawn on", &INPUTS, problems);
    let slope = needed_estimate(section, "slope", "slope_se", bounds::SLOPE, problems);
    let intercept = needed_estimate(section, "intercept", "intercept_se", bounds::INTERCEPT, problems);
    let covariance = optional_number(
        section,
        "slope_intercept_covariance",
        bounds::COVARIANCE,
        problems,
    );
    let residual_sd = optional_number(section, "residual_sd", bounds::STANDARD_ERROR, problems);
    let partition = partition(section, problems)?;
    let corrected = corrected?;
    if !corrected && partition.is_some() {
        problems.push(
            section
                .problem("input", FormatProblemCode::ConversionContradicts)
                .found("input \"raw\" and a partition ratio")
                .expected("one of them")
                .help("A line drawn on uncorrected spots holds the plasma fraction already: with a partition ratio it would be corrected twice."),
        );
        return None;
    }
    Some(LinearRegression {
        direction: direction?,
        input: if corrected {
            RegressionInput::HaematocritCorrected { partition }
        } else {
            RegressionInput::Raw
        },
        slope: slope?,
        intercept: intercept?,
        covariance: covariance?.unwrap_or(0.0),
        residual_sd: residual_sd?,
    })
}

fn ratio_seen(section: &Section<'_>, problems: &mut Problems) -> Option<Option<[f64; 2]>> {
    let Some(value) = section.get("ratio_seen") else {
        return Some(None);
    };
    let wrong = || {
        section
            .problem("ratio_seen", FormatProblemCode::ValueKind)
            .expected("a list of the lowest and the highest ratio, such as [1.1, 5.0]")
    };
    let toml::de::DeValue::Array(array) = value.get_ref() else {
        problems.push(wrong());
        return None;
    };
    let numbers: Vec<f64> = array
        .iter()
        .filter_map(|value| {
            section.number_of(value, "analyte.conversion.ratio_seen", bounds::RATIO, problems)
        })
        .collect();
    match numbers[..] {
        [low, high] if array.len() == 2 && low < high => Some(Some([low, high])),
        _ => {
            problems.push(wrong());
            None
        }
    }
}

fn unknown(section: &Section<'_>, problems: &mut Problems) -> Option<HaematocritUnknown> {
    let word = optional_word(
        section,
        "haematocrit_unknown",
        "what to do",
        &UNKNOWN,
        Some(Fallback::MeasuredOnly),
        problems,
    )?;
    let keys = ["default_haematocrit", "default_haematocrit_sd"];
    match word {
        None => {
            let value = if section.has(keys[0]) {
                haematocrit(section, keys[0], problems)
            } else {
                missing(section, keys[0], problems);
                None
            };
            let sd = needed_number(section, keys[1], bounds::HAEMATOCRIT_SD, problems);
            Some(HaematocritUnknown::UseDefault {
                default: Estimate::new(value?, sd?),
            })
        }
        Some(fallback) => {
            // One of the two tells enough.
            if let Some(key) = keys.into_iter().find(|key| section.has(key)) {
                problems.push(
                    section
                        .problem(key, FormatProblemCode::KeyNotWanted)
                        .found(format!("`{key}` without haematocrit_unknown \"default\""))
                        .expected("it only with `default`")
                        .help("A default is used only where the method says so (CONV-08)."),
                );
            }
            Some(match fallback {
                Fallback::MeasuredOnly => HaematocritUnknown::MeasuredOnly,
                Fallback::Refuse => HaematocritUnknown::Refuse,
            })
        }
    }
}

fn spot_terms(section: &Section<'_>, problems: &mut Problems) -> Option<SpotTerms> {
    let haematocrit_effect = optional_table(section, "haematocrit_effect", EFFECT, effect, problems);
    let volume = optional_table(section, "volume", VOLUME, volume, problems);
    let site = optional_table(section, "site", SITE, site, problems);
    let recovery = optional_table(section, "recovery", RECOVERY, recovery, problems);
    let stability = optional_table(section, "stability", STABILITY, stability, problems);
    Some(SpotTerms {
        haematocrit_effect: haematocrit_effect?,
        volume: volume?,
        site: site?,
        recovery: recovery?,
        stability: stability?,
    })
}

fn effect(section: &Section<'_>, problems: &mut Problems) -> Option<HaematocritEffect> {
    let spreading = section.word("effect", "an effect", &EFFECTS, problems)?;
    let (wanted, unwanted) = if spreading {
        (["area_slope", "reference_haematocrit"], ["at_zero", "per_unit"])
    } else {
        (["at_zero", "per_unit"], ["area_slope", "reference_haematocrit"])
    };
    for key in unwanted.into_iter().filter(|key| section.has(key)) {
        problems.push(
            section
                .problem(key, FormatProblemCode::KeyNotWanted)
                .found(format!("`{key}` beside this effect"))
                .expected(format!("`{}` and `{}`", wanted[0], wanted[1])),
        );
    }
    if spreading {
        let area_slope = needed_estimate(
            section,
            "area_slope",
            "slope_se",
            bounds::RELATIVE_SLOPE,
            problems,
        );
        let reference = needed_haematocrit(section, "reference_haematocrit", problems);
        return Some(HaematocritEffect::Spreading {
            area_slope: area_slope?,
            reference_haematocrit: reference?,
        });
    }
    let at_zero = needed_number(section, "at_zero", bounds::RELATIVE_SLOPE, problems);
    let per_unit = needed_estimate(section, "per_unit", "slope_se", bounds::RELATIVE_SLOPE, problems);
    Some(HaematocritEffect::Linear {
        at_zero: at_zero?,
        per_unit: per_unit?,
    })
}

fn volume(section: &Section<'_>, problems: &mut Problems) -> Option<VolumeTerm> {
    let slope = needed_estimate(section, "slope", "slope_se", bounds::RELATIVE_SLOPE, problems);
    let reference_ul = section.number("reference_ul", bounds::VOLUME_UL, problems);
    let range_ul = pair(
        section,
        "volume_min_ul",
        "volume_max_ul",
        |section, key, problems| section.number(key, bounds::VOLUME_UL, problems),
        problems,
    );
    let unknown_cv_pct = section.number("unknown_cv_pct", bounds::CV_PCT, problems);
    Some(VolumeTerm {
        slope: slope?,
        reference_ul: reference_ul?,
        range_ul: range_ul??,
        unknown_cv_pct: unknown_cv_pct?,
    })
}

fn site(section: &Section<'_>, problems: &mut Problems) -> Option<SiteTerm> {
    let edge_excess = needed_estimate(
        section,
        "edge_excess",
        "edge_excess_se",
        bounds::RELATIVE_SLOPE,
        problems,
    );
    let largest = section.number("largest_radius_fraction", bounds::FRACTION, problems);
    let unknown_cv_pct = section.number("unknown_cv_pct", bounds::CV_PCT, problems);
    Some(SiteTerm {
        edge_excess: edge_excess?,
        largest_radius_fraction: largest?,
        unknown_cv_pct: unknown_cv_pct?,
    })
}

fn recovery(section: &Section<'_>, problems: &mut Problems) -> Option<RecoveryTerm> {
    let mut estimate = |key: &str, se: &str| {
        if section.has(key) {
            needed_estimate(section, key, se, bounds::RELATIVE_SLOPE, problems)
        } else {
            Some(Estimate::known(0.0))
        }
    };
    let per_haematocrit = estimate("per_haematocrit", "per_haematocrit_se");
    let per_day = estimate("per_day", "per_day_se");
    let reference = needed_haematocrit(section, "reference_haematocrit", problems);
    Some(RecoveryTerm {
        per_haematocrit: per_haematocrit?,
        reference_haematocrit: reference?,
        per_day: per_day?,
    })
}

fn stability(section: &Section<'_>, problems: &mut Problems) -> Option<StabilityTerm> {
    let loss = if section.has("loss_per_day") {
        Some(needed_estimate(
            section,
            "loss_per_day",
            "loss_per_day_se",
            bounds::LOSS_PER_DAY,
            problems,
        )?)
    } else {
        None
    };
    let validated = section.number("validated_age_d", bounds::CARD_AGE_D, problems);
    let beyond = section.word("beyond", "what is said of older spots", &BEYOND, problems);
    Some(StabilityTerm {
        loss_per_day: loss,
        validated_age_d: validated?,
        beyond: beyond?,
    })
}

fn study_n(section: &Section<'_>, problems: &mut Problems) -> Option<Option<u32>> {
    let Some(number) = optional_number(section, "study_n", bounds::STUDY_N, problems)? else {
        return Some(None);
    };
    if number.fract() > 0.0 {
        problems.push(
            section
                .problem("study_n", FormatProblemCode::NumberNotWhole)
                .expected(bounds::STUDY_N.words),
        );
        return None;
    }
    Some(Some(number as u32))
}

fn missing(section: &Section<'_>, key: &str, problems: &mut Problems) {
    problems.push(
        section
            .problem(key, FormatProblemCode::KeyMissing)
            .found("no such key")
            .expected(format!("the key `{key}` in this table")),
    );
}

fn needed_number(section: &Section<'_>, key: &str, bounds: Bounds, problems: &mut Problems) -> Option<f64> {
    if !section.has(key) {
        missing(section, key, problems);
        return None;
    }
    section.number(key, bounds, problems)
}

fn needed_word<T: Copy>(
    section: &Section<'_>,
    key: &str,
    what: &str,
    all: &[(&'static str, T)],
    problems: &mut Problems,
) -> Option<T> {
    if !section.has(key) {
        missing(section, key, problems);
        return None;
    }
    section.word(key, what, all, problems)
}

fn needed_haematocrit(section: &Section<'_>, key: &str, problems: &mut Problems) -> Option<f64> {
    if !section.has(key) {
        missing(section, key, problems);
        return None;
    }
    haematocrit(section, key, problems)
}

/// `None`: a problem. `Some(None)`: not given.
pub(super) fn optional_number(
    section: &Section<'_>,
    key: &str,
    bounds: Bounds,
    problems: &mut Problems,
) -> Option<Option<f64>> {
    if !section.has(key) {
        return Some(None);
    }
    section.number(key, bounds, problems).map(Some)
}

fn optional_word<T: Copy>(
    section: &Section<'_>,
    key: &str,
    what: &str,
    all: &[(&'static str, T)],
    otherwise: T,
    problems: &mut Problems,
) -> Option<T> {
    if !section.has(key) {
        return Some(otherwise);
    }
    section.word(key, what, all, problems)
}

/// A value and, beside it, its standard uncertainty (0 when it is not given).
fn needed_estimate(
    section: &Section<'_>,
    key: &str,
    uncertainty: &str,
    bounds: Bounds,
    problems: &mut Problems,
) -> Option<Estimate> {
    let value = needed_number(section, key, bounds, problems);
    let sd = optional_number(section, uncertainty, bounds::STANDARD_ERROR, problems);
    Some(Estimate::new(value?, sd?.unwrap_or(0.0)))
}

fn optional_table<T>(
    section: &Section<'_>,
    key: &str,
    of: super::keys::MethodTable,
    read: impl FnOnce(&Section<'_>, &mut Problems) -> Option<T>,
    problems: &mut Problems,
) -> Option<Option<T>> {
    if !section.has(key) {
        return Some(None);
    }
    let table = open(section, key, of, problems)?;
    read(&table, problems).map(Some)
}
