//! What was given, as people state it, and the dose history it makes.

use crate::model::{Dosing, Model};
use crate::refusal::{Refusal, RefusalCode};
use crate::structure::{DoseEvent, DoseHistory, Input, Route, SteadyState, TimeUncertainty};

/// How often a dose is given.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Repetition {
    /// Once.
    Once,
    /// Regularly.
    Every {
        /// Hours from dose to dose.
        interval_h: f64,
        /// Time of the last one (h); `None`: it goes on.
        until_h: Option<f64>,
        /// Whether it had run so long before the stated time that it was in steady state.
        running: bool,
    },
}

/// One dose or regimen as stated.
#[derive(Debug, Clone, PartialEq)]
pub struct DoseStatement {
    /// When it was given, or the first of a regimen (h).
    pub time_h: f64,
    /// Amount in `unit`.
    pub amount: f64,
    /// `mg`, `ug`, `g`, `mg/kg`, `ug/kg`; `None`: not stated, and refused.
    pub unit: Option<String>,
    /// `oral`, `intravenous-bolus`, `intravenous-infusion`.
    pub route: String,
    /// Hours an infusion runs.
    pub infusion_h: Option<f64>,
    /// The form or salt the amount is labelled in, for a drug with several: a form's name of the model.
    pub basis: Option<String>,
    /// How often.
    pub repetition: Repetition,
    /// How well the time is known.
    pub time_uncertainty: Option<TimeUncertainty>,
}

/// The regimen's rate from a time on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rate {
    /// From when (h).
    pub from_h: f64,
    /// One dose, mg on the model's basis.
    pub single_mg: f64,
    /// A day's amount, mg on the model's basis.
    pub mg_per_day: f64,
}

/// The regimen now running.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Running {
    /// One dose, mg on the model's basis.
    pub mg: f64,
    /// One dose, mg as labelled.
    pub labelled_mg: f64,
    /// Hours from dose to dose.
    pub interval_h: f64,
    /// How it is given.
    pub route: Route,
    /// When its latest dose was given (h).
    pub last_dose_h: f64,
    /// When it began (h); `None`: it had been running.
    pub began_h: Option<f64>,
}

/// A dose history with what follows from it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Schedule {
    /// For the structure, mg on the model's basis.
    pub history: DoseHistory,
    /// Amounts a day, in order of time; empty: intervals are not known.
    pub rates: Vec<Rate>,
    /// The first dose there ever was; `None`: a regimen had been running before.
    pub first_dose_h: Option<f64>,
    /// The regimen at the end; `None`: single doses of unknown interval.
    pub running: Option<Running>,
}

impl Schedule {
    /// The rate in force at a time; before the first, the first.
    #[must_use]
    pub fn rate_at(&self, at_h: f64) -> Option<&Rate> {
        let reached = self.rates.iter().take_while(|rate| rate.from_h <= at_h).count();
        self.rates.get(reached.saturating_sub(1))
    }

    /// When anything was given first (h).
    #[must_use]
    pub fn begins_h(&self) -> Option<f64> {
        let first = self.history.doses.iter().map(|dose| dose.time_h).reduce(f64::min);
        match (self.history.steady_state, first) {
            (Some(steady), _) => Some(steady.dose.time_h - steady.interval_h),
            (None, first) => first,
        }
    }
}

/// A dose above so many times the greatest labelled one, or below the least by this factor, is a slip of the unit.
/// Common practice, no source.
const DOUBTFUL_FACTOR: f64 = 5.0;
/// Most doses one history may hold.
const MOST_DOSES: usize = 20_000;

/// The history of all statements until `to_h`; `weight_kg` gives the weight at a time.
///
/// # Errors
/// Every statement that cannot be a dose of this model, each by name.
pub fn schedule(
    model: &Model,
    statements: &[DoseStatement],
    weight_kg: &dyn Fn(f64) -> Option<f64>,
    to_h: f64,
) -> Result<Schedule, Vec<Refusal>> {
    let mut refusals = Vec::new();
    let mut made: Vec<(Made, &DoseStatement)> = Vec::new();
    for statement in statements {
        match dose(model, statement, weight_kg) {
            Ok(dose) => made.push((dose, statement)),
            Err(refusal) => refusals.push(refusal),
        }
    }
    if statements.is_empty() {
        refusals.push(Refusal::new(
            RefusalCode::NoDose,
            "no dose is on record",
            "the dose history",
        ));
    }
    made.sort_by(|(a, _), (b, _)| a.event.time_h.total_cmp(&b.event.time_h));
    let expanded = if refusals.is_empty() {
        expand(&made, to_h, &mut refusals)
    } else {
        Schedule::default()
    };
    if refusals.is_empty() {
        Ok(expanded)
    } else {
        Err(refusals)
    }
}

#[derive(Debug, Clone, Copy)]
struct Made {
    event: DoseEvent,
    labelled_mg: f64,
}

fn at(time_h: f64) -> String {
    format!("at {time_h} h")
}

fn dose(
    model: &Model,
    statement: &DoseStatement,
    weight_kg: &dyn Fn(f64) -> Option<f64>,
) -> Result<Made, Refusal> {
    let when = at(statement.time_h);
    if !statement.time_h.is_finite() {
        return Err(Refusal::new(
            RefusalCode::TimeUnknown,
            "a dose has no time",
            "the time of the dose",
        ));
    }
    let Some(unit) = statement.unit.as_deref().filter(|unit| !unit.trim().is_empty()) else {
        return Err(Refusal::new(
            RefusalCode::DoseUnitMissing,
            format!("the dose of {} {when} has no unit", statement.amount),
            "mg, ug or g, or one of them for each kg",
        ));
    };
    if !(statement.amount.is_finite() && statement.amount > 0.0) {
        return Err(Refusal::new(
            RefusalCode::DoseAmount,
            format!("the dose of {} {unit} {when} is no amount", statement.amount),
            "an amount above 0",
        ));
    }
    let (factor, by_weight) = match unit {
        "mg" => (1.0, false),
        "ug" | "mcg" => (1e-3, false),
        "g" => (1e3, false),
        "mg/kg" => (1.0, true),
        "ug/kg" => (1e-3, true),
        _ => {
            return Err(Refusal::new(
                RefusalCode::DoseUnitUnknown,
                format!(
                    "the dose of {} {when} is in {unit:?}, which is no unit of a dose",
                    statement.amount
                ),
                "mg, ug or g, or mg/kg or ug/kg",
            ));
        }
    };
    let weight = weight_kg(statement.time_h);
    let labelled_mg = match (by_weight, weight) {
        (false, _) => statement.amount * factor,
        (true, Some(weight)) => statement.amount * factor * weight,
        (true, None) => {
            return Err(Refusal::new(
                RefusalCode::DoseWithoutWeight,
                format!(
                    "the dose of {} {unit} {when} needs a weight, which is not known",
                    statement.amount
                ),
                "weight in kg",
            ));
        }
    };
    doubtful(&model.dosing, statement, unit, labelled_mg, weight)?;
    let interval = match statement.repetition {
        Repetition::Every { interval_h, .. } => Some(interval_h),
        Repetition::Once => None,
    };
    if let Some(interval) = interval.filter(|interval| !(interval.is_finite() && *interval > 0.0)) {
        return Err(Refusal::new(
            RefusalCode::IntervalNotPositive,
            format!("the interval of {interval} h of the dose {when} is no interval"),
            "hours from dose to dose, above 0",
        ));
    }
    let salt = salt_factor(model, statement)?;
    let route = route(model, statement)?;
    let mut event = DoseEvent::new(statement.time_h, labelled_mg * salt, route);
    event.time_uncertainty = statement.time_uncertainty;
    Ok(Made { event, labelled_mg })
}

/// The greatest single dose of a person, mg as labelled.
pub(crate) fn greatest_single_mg(dosing: &Dosing, weight_kg: Option<f64>) -> Option<f64> {
    let by_weight = |limit: Option<f64>| limit.zip(weight_kg).map(|(limit, weight)| limit * weight);
    [
        dosing.max_mg_per_dose,
        by_weight(dosing.max_mg_per_kg),
        by_weight(dosing.max_load_mg_per_kg),
    ]
    .into_iter()
    .flatten()
    .reduce(f64::min)
}

/// A slip of a unit is a factor of a thousand; what other reading would fit is named.
fn doubtful(
    dosing: &Dosing,
    statement: &DoseStatement,
    unit: &str,
    mg: f64,
    weight_kg: Option<f64>,
) -> Result<(), Refusal> {
    let Some(most) = greatest_single_mg(dosing, weight_kg) else {
        return Ok(());
    };
    let fits = |mg: f64| mg <= most * DOUBTFUL_FACTOR && mg >= dosing.min_mg / DOUBTFUL_FACTOR;
    if fits(mg) {
        return Ok(());
    }
    let reading = [(1e-3, "a thousandth of it"), (1e3, "a thousand times as much")]
        .into_iter()
        .find(|(factor, _)| fits(mg * factor))
        .map_or("no unit makes it one", |(_, words)| words);
    Err(Refusal::new(
        RefusalCode::DoseUnitDoubtful,
        format!(
            "{} {unit} {} is no dose of this drug ({} to {most} mg); {reading} would be",
            statement.amount,
            at(statement.time_h),
            dosing.min_mg
        ),
        "the dose with its true unit",
    ))
}

fn salt_factor(model: &Model, statement: &DoseStatement) -> Result<f64, Refusal> {
    let forms = &model.dosing.form;
    let several = forms
        .windows(2)
        .any(|pair| (pair[0].salt_factor - pair[1].salt_factor).abs() > 1e-12);
    let named = statement
        .basis
        .as_deref()
        .map(|basis| forms.iter().find(|form| form.name == basis));
    match named {
        Some(Some(form)) => Ok(form.salt_factor),
        None if !several => Ok(1.0),
        unknown => {
            let names: Vec<String> = forms.iter().map(|form| format!("{:?}", form.name)).collect();
            let what = if unknown.is_some() {
                format!(
                    "form {:?} is not known",
                    statement.basis.as_deref().unwrap_or_default()
                )
            } else {
                "it is not said in which form".to_owned()
            };
            Err(Refusal::new(
                RefusalCode::DoseBasisUnknown,
                format!(
                    "the dose of {} {}: {what}, and salt and acid of {} differ",
                    statement.amount,
                    at(statement.time_h),
                    model.drug
                ),
                format!("the form: {}", names.join(", ")),
            ))
        }
    }
}

fn route(model: &Model, statement: &DoseStatement) -> Result<Route, Refusal> {
    let refused = |why: &str| {
        Refusal::new(
            RefusalCode::RouteNotInModel,
            format!("the dose {} is {}: {why}", at(statement.time_h), statement.route),
            "a model of this route",
        )
    };
    let oral = model.structure.input != Input::Intravenous;
    match statement.route.as_str() {
        "oral" if oral => Ok(Route::Extravascular),
        "oral" => Err(refused("the model is intravenous only")),
        "intravenous-bolus" | "intravenous-infusion" if model.apparent => {
            Err(refused("the model's clearance is apparent, for oral doses only"))
        }
        "intravenous-bolus" => Ok(Route::Bolus),
        "intravenous-infusion" => match statement.infusion_h {
            Some(duration_h) if duration_h.is_finite() && duration_h > 0.0 => {
                Ok(Route::Infusion { duration_h })
            }
            _ => Err(Refusal::new(
                RefusalCode::InfusionEndUnknown,
                format!("the infusion {} has no end", at(statement.time_h)),
                "how long it ran",
            )),
        },
        _ => Err(refused("the model knows oral and intravenous doses")),
    }
}

fn expand(made: &[(Made, &DoseStatement)], to_h: f64, refusals: &mut Vec<Refusal>) -> Schedule {
    let mut found = Schedule::default();
    for (at_statement, (dose, statement)) in made.iter().enumerate() {
        let start = dose.event.time_h;
        let next = made.get(at_statement + 1).map(|(next, _)| next.event.time_h);
        match statement.repetition {
            Repetition::Once => {
                found.history.doses.push(dose.event);
                // Single doses: the way to the next one, or from the one before, is the interval.
                let before = at_statement.checked_sub(1).map(|at| made[at].0.event.time_h);
                let interval = next
                    .map(|next| next - start)
                    .or(before.map(|before| start - before))
                    .filter(|interval| *interval > 0.0);
                if let Some(interval_h) = interval {
                    found.rates.push(rate(&dose.event, interval_h));
                }
                found.running =
                    interval.map(|interval_h| running(dose, interval_h, start, found.first_dose_h));
            }
            Repetition::Every {
                interval_h,
                until_h,
                running: had_run,
            } => {
                // A regimen that another statement follows ends where that begins, unless it says when.
                let end = until_h.unwrap_or(f64::INFINITY).min(to_h);
                let replaced = next.filter(|next| *next > start && until_h.is_none());
                let mut last = start;
                if had_run && found.history.doses.is_empty() && found.history.steady_state.is_none() {
                    found.history.steady_state = Some(SteadyState {
                        dose: dose.event,
                        interval_h,
                    });
                } else {
                    found.history.doses.push(dose.event);
                }
                let mut count = 1u32;
                loop {
                    let time_h = start + f64::from(count) * interval_h;
                    let over = replaced.is_some_and(|next| time_h >= next - 1e-9);
                    if time_h > end + 1e-9 || over || found.history.doses.len() >= MOST_DOSES {
                        break;
                    }
                    found.history.doses.push(DoseEvent { time_h, ..dose.event });
                    last = time_h;
                    count += 1;
                }
                found.rates.push(rate(&dose.event, interval_h));
                let began = (!had_run).then_some(start);
                found.running = Some(running(dose, interval_h, last, began));
            }
        }
        if at_statement == 0 {
            found.first_dose_h = found.history.steady_state.is_none().then_some(start);
        }
    }
    twice(&found.history, refusals);
    found
}

fn rate(event: &DoseEvent, interval_h: f64) -> Rate {
    Rate {
        from_h: event.time_h,
        single_mg: event.amount,
        mg_per_day: event.amount * 24.0 / interval_h,
    }
}

fn running(dose: &Made, interval_h: f64, last_dose_h: f64, began_h: Option<f64>) -> Running {
    Running {
        mg: dose.event.amount,
        labelled_mg: dose.labelled_mg,
        interval_h,
        route: dose.event.route,
        last_dose_h,
        began_h,
    }
}

/// Two doses within a minute are one dose written down twice.
fn twice(history: &DoseHistory, refusals: &mut Vec<Refusal>) {
    let steady = history.steady_state.map(|steady| steady.dose);
    let mut doses: Vec<DoseEvent> = history.doses.iter().copied().chain(steady).collect();
    doses.sort_by(|a, b| a.time_h.total_cmp(&b.time_h));
    for pair in doses.windows(2) {
        if pair[1].time_h - pair[0].time_h < 1.0 / 60.0 {
            refusals.push(Refusal::new(
                RefusalCode::DoseTwice,
                format!(
                    "two doses {} (of {} and {} mg): one may be written down twice",
                    at(pair[1].time_h),
                    pair[0].amount,
                    pair[1].amount
                ),
                "which of them was given, or both as one dose",
            ));
        }
    }
}
