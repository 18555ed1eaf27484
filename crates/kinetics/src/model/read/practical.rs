//! `[dosing]` and `[guards]`.

use super::super::dosing::{Dosing, Form, FormKind};
use super::super::formula::Condition;
use super::super::section::{Bounds, Reader, Section};
use super::super::{Covariate, Guards, Limit, ModelProblemCode, names};
use super::{NOT_NEGATIVE, POSITIVE, covariates::formula_problem, whole};

const FRACTION: Bounds = Bounds {
    low: 0.01,
    high: 1.0,
    words: "a number above 0, not above 1",
};
const HOURS: Bounds = Bounds {
    low: 0.01,
    high: 24.0 * 60.0,
    words: "hours, above 0",
};

pub(super) fn dosing(top: &Section<'_, '_>, reader: &mut Reader<'_>) -> Option<Dosing> {
    let section = top.section(reader, "dosing", "dosing")?;
    section.check_keys(
        reader,
        &[
            "forms",
            "form",
            "step_mg",
            "min_mg",
            "intervals_h",
            "max_change_per_step",
        ],
        &[
            "max_mg_per_dose",
            "max_mg_per_kg",
            "max_mg_per_kg_day",
            "max_ug_per_kg",
            "max_load_mg_kg",
            "infusion_h",
            "max_daily_increase_mg",
            "cautious_above",
            "cautious_daily_increase_mg",
            "titration",
            "loading",
        ],
    );
    let forms = section.texts(reader, "forms");
    let form = section
        .sections(reader, "form", "dosing.form")
        .iter()
        .filter_map(|form| read_form(form, reader))
        .collect();
    let step_mg = section.number(reader, "step_mg", POSITIVE);
    let min_mg = section.number(reader, "min_mg", POSITIVE);
    let mut positive = |key: &str| section.number(reader, key, POSITIVE);
    let max_mg_per_dose = positive("max_mg_per_dose");
    let by_microgram = positive("max_ug_per_kg").map(|limit| limit / 1000.0);
    let max_mg_per_kg = positive("max_mg_per_kg").or(by_microgram);
    let max_mg_per_kg_day = positive("max_mg_per_kg_day");
    let max_load_mg_per_kg = positive("max_load_mg_kg");
    let max_daily_increase_mg = positive("max_daily_increase_mg");
    let cautious = positive("cautious_above").zip(positive("cautious_daily_increase_mg"));
    let intervals_h = section.numbers(reader, "intervals_h", HOURS);
    let infusion_h = section.numbers(reader, "infusion_h", HOURS);
    let max_change_per_step = section.number(reader, "max_change_per_step", FRACTION);
    let titration = section.text(reader, "titration");
    let loading = section.truth(reader, "loading");
    if max_mg_per_dose.is_none() && max_mg_per_kg.is_none() && max_load_mg_per_kg.is_none() {
        section.push(
            reader,
            "step_mg",
            ModelProblemCode::KeyMissing,
            "a greatest dose beside it: max_mg_per_dose, max_mg_per_kg, max_ug_per_kg or max_load_mg_kg",
            None,
        );
    }
    if let (Some(least), Some(most)) = (min_mg, max_mg_per_dose)
        && least > most
    {
        section.push(
            reader,
            "min_mg",
            ModelProblemCode::Contradiction,
            format!("a least dose not above the greatest, {most} mg"),
            None,
        );
    }
    Some(Dosing {
        forms: forms?.into_iter().map(|(text, _)| text).collect(),
        form,
        step_mg: step_mg?,
        min_mg: min_mg?,
        max_mg_per_dose,
        max_mg_per_kg,
        max_mg_per_kg_day,
        max_load_mg_per_kg,
        intervals_h: intervals_h?,
        infusion_h: infusion_h.unwrap_or_default(),
        max_change_per_step: max_change_per_step?,
        max_daily_increase_mg,
        cautious_daily_increase_mg: cautious,
        titration,
        loading: loading.unwrap_or(false),
    })
}

fn read_form(section: &Section<'_, '_>, reader: &mut Reader<'_>) -> Option<Form> {
    section.check_keys(
        reader,
        &["name"],
        &[
            "strengths_mg",
            "parts",
            "mg_per_ml",
            "salt_factor",
            "salt_factor_provenance",
        ],
    );
    let name = section.text(reader, "name");
    let strengths = section.numbers(reader, "strengths_mg", POSITIVE);
    let liquid = section.number(reader, "mg_per_ml", POSITIVE);
    let parts = whole(section, reader, "parts");
    let salt = section.number(reader, "salt_factor", FRACTION);
    let salt_factor_provenance = section.text(reader, "salt_factor_provenance");
    if section.has("salt_factor") != section.has("salt_factor_provenance") {
        section.push(
            reader,
            "name",
            ModelProblemCode::Contradiction,
            "salt_factor and salt_factor_provenance together",
            None,
        );
    }
    let kind = match (strengths, liquid) {
        (Some(strengths_mg), None) => Some(FormKind::Pieces {
            strengths_mg,
            parts: parts.unwrap_or(1),
        }),
        (None, Some(mg_per_ml)) => Some(FormKind::Liquid { mg_per_ml }),
        _ => {
            section.push(
                reader,
                "name",
                ModelProblemCode::Contradiction,
                "strengths_mg of pieces or mg_per_ml of a liquid beside it",
                None,
            );
            None
        }
    };
    Some(Form {
        name: name?,
        kind: kind?,
        salt_factor: salt.unwrap_or(1.0),
        salt_factor_provenance,
    })
}

pub(super) fn guards(
    top: &Section<'_, '_>,
    reader: &mut Reader<'_>,
    covariates: &[Covariate],
) -> Option<Guards> {
    let section = top.section(reader, "guards", "guards")?;
    section.check_keys(
        reader,
        &["rules"],
        &[
            "stop_drugs",
            "stop_states",
            "refuse",
            "warn",
            "advice_from_day",
            "advice_needs_unchanged_dose",
            "exposure_only",
            "least_samples_for_area",
        ],
    );
    let texts = |reader: &mut Reader<'_>, key: &str| {
        section
            .texts(reader, key)
            .map(|texts| texts.into_iter().map(|(text, _)| text).collect::<Vec<_>>())
    };
    let rules = texts(reader, "rules");
    let stop_drugs = texts(reader, "stop_drugs");
    let stop_states = texts(reader, "stop_states");
    let refuse = limits(&section, reader, "refuse", "guards.refuse", covariates);
    let warn = limits(&section, reader, "warn", "guards.warn", covariates);
    let advice_from_day = section.number(reader, "advice_from_day", NOT_NEGATIVE);
    let unchanged = section.truth(reader, "advice_needs_unchanged_dose");
    let exposure_only = section.truth(reader, "exposure_only");
    let least = whole(&section, reader, "least_samples_for_area");
    Some(Guards {
        rules: rules?,
        stop_drugs: stop_drugs.unwrap_or_default(),
        stop_states: stop_states.unwrap_or_default(),
        refuse,
        warn,
        advice_from_day,
        advice_needs_unchanged_dose: unchanged.unwrap_or(false),
        exposure_only: exposure_only.unwrap_or(false),
        least_samples_for_area: least.unwrap_or(1),
    })
}

fn limits(
    section: &Section<'_, '_>,
    reader: &mut Reader<'_>,
    key: &str,
    path: &'static str,
    covariates: &[Covariate],
) -> Vec<Limit> {
    if !section.has(key) {
        return Vec::new();
    }
    let mut found = Vec::new();
    for limit in section.sections(reader, key, path) {
        limit.check_keys(reader, &["when", "because"], &[]);
        let because = limit.text(reader, "because");
        let Some(text) = limit.text(reader, "when") else {
            continue;
        };
        match Condition::parse(&text, &names(covariates)) {
            Ok(when) => {
                if let Some(because) = because {
                    found.push(Limit { when, because });
                }
            }
            Err(error) => formula_problem(&limit, reader, "when", &error),
        }
    }
    found
}
