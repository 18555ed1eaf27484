//! Regimens that can be given, and the hard limits no probability outranks.

use crate::model::person::{Running, greatest_single_mg};
use crate::model::{Dosing, Form, FormKind, Model};
use crate::structure::Route;

/// A practical regimen.
#[derive(Debug, Clone, PartialEq)]
pub struct Regimen {
    /// One dose, mg as labelled.
    pub labelled_mg: f64,
    /// One dose, mg on the model's basis.
    pub model_mg: f64,
    /// Hours from dose to dose.
    pub interval_h: f64,
    /// How it is given.
    pub route: Route,
    /// The form it is made of.
    pub form: String,
    /// Pieces, as (count, strength in mg); empty for a liquid.
    pub pieces: Vec<(u32, f64)>,
}

/// Rounding of a relative limit as files write it: a third is written 0.33.
const RELATIVE_SLACK: f64 = 0.005;

impl Regimen {
    /// A day's amount, mg as labelled.
    #[must_use]
    pub fn daily_mg(&self) -> f64 {
        self.labelled_mg * 24.0 / self.interval_h
    }

    /// In words: `4 mg every 12 h by mouth (capsule: 4 x 1 mg)`.
    #[must_use]
    pub fn label(&self) -> String {
        let how = match self.route {
            Route::Extravascular => "by mouth".to_owned(),
            Route::Bolus => "intravenously".to_owned(),
            Route::Infusion { duration_h } => format!("as an infusion of {} h", number(duration_h)),
        };
        let pieces = if self.pieces.is_empty() {
            self.form.clone()
        } else {
            let pieces: Vec<String> = self
                .pieces
                .iter()
                .map(|(count, strength)| format!("{count} × {} mg", number(*strength)))
                .collect();
            format!("{}: {}", self.form, pieces.join(" + "))
        };
        format!(
            "{} mg every {} h {how} ({pieces})",
            number(self.labelled_mg),
            number(self.interval_h)
        )
    }
}

/// A number of few decimals without the ghosts of binary fractions.
pub(super) fn number(value: f64) -> String {
    let text = format!("{value:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// Every regimen within the limits of the model's file: multiples of the step that the forms can make, allowed intervals, greatest
/// dose and daily amount, greatest change at once. `level` is the highest of the latest levels, for drugs that are raised more
/// carefully above one.
pub(super) fn candidates(
    model: &Model,
    running: &Running,
    weight_kg: Option<f64>,
    level: Option<f64>,
) -> Vec<Regimen> {
    let dosing = &model.dosing;
    let mut found = Vec::new();
    for interval_h in &dosing.intervals_h {
        for route in routes(dosing, running) {
            for (labelled_mg, form, pieces) in doses(dosing, running, weight_kg) {
                let regimen = Regimen {
                    labelled_mg,
                    model_mg: labelled_mg * form.salt_factor,
                    interval_h: *interval_h,
                    route,
                    form: form.name.clone(),
                    pieces,
                };
                if within_limits(&regimen, dosing, running, weight_kg, level) {
                    found.push(regimen);
                }
            }
        }
    }
    found
}

/// The running regimen as a regimen; its form is not known.
pub(super) fn kept(running: &Running) -> Regimen {
    Regimen {
        labelled_mg: running.labelled_mg,
        model_mg: running.mg,
        interval_h: running.interval_h,
        route: running.route,
        form: "as now".to_owned(),
        pieces: Vec::new(),
    }
}

fn routes(dosing: &Dosing, running: &Running) -> Vec<Route> {
    match running.route {
        Route::Infusion { duration_h } if !dosing.infusion_h.is_empty() => {
            let mut times = dosing.infusion_h.clone();
            // The ward's own infusion time stays in use when the file lists none like it.
            if !times.iter().any(|time| (time - duration_h).abs() < 1e-9) {
                times = vec![duration_h];
            }
            times
                .into_iter()
                .map(|duration_h| Route::Infusion { duration_h })
                .collect()
        }
        route => vec![route],
    }
}

/// Most multiples of a step looked at.
const MOST_STEPS: u32 = 2000;

/// A dose as labelled (mg), the form that makes it and its pieces.
type Makeable<'d> = (f64, &'d Form, Vec<(u32, f64)>);

/// Doses of one form, as near the running one in salt as there is: forms of one salt share a label.
fn doses<'d>(dosing: &'d Dosing, running: &Running, weight_kg: Option<f64>) -> Vec<Makeable<'d>> {
    let salt = if running.labelled_mg > 0.0 {
        running.mg / running.labelled_mg
    } else {
        1.0
    };
    let forms: Vec<&Form> = dosing
        .form
        .iter()
        .filter(|form| (form.salt_factor - salt).abs() < 1e-9)
        .collect();
    let Some(most) = greatest_single_mg(dosing, weight_kg) else {
        return Vec::new();
    };
    let first = libm::ceil(dosing.min_mg / dosing.step_mg - 1e-9).max(1.0) as u32;
    let mut found = Vec::new();
    for steps in first..first + MOST_STEPS {
        let dose = f64::from(steps) * dosing.step_mg;
        if dose > most * (1.0 + 1e-9) {
            break;
        }
        // The form with fewest pieces; a liquid only where no pieces make it.
        let made = forms
            .iter()
            .filter(|form| matches!(form.kind, FormKind::Pieces { .. }))
            .filter_map(|form| form.pieces(dose).map(|pieces| (*form, pieces)))
            .min_by_key(|(_, pieces)| pieces.iter().map(|(count, _)| count).sum::<u32>())
            .or_else(|| {
                forms
                    .iter()
                    .find(|form| matches!(form.kind, FormKind::Liquid { .. }))
                    .map(|form| (*form, Vec::new()))
            });
        if let Some((form, pieces)) = made {
            found.push((dose, form, pieces));
        }
    }
    found
}

fn within_limits(
    regimen: &Regimen,
    dosing: &Dosing,
    running: &Running,
    weight_kg: Option<f64>,
    level: Option<f64>,
) -> bool {
    let (daily, now) = (
        regimen.daily_mg(),
        running.labelled_mg * 24.0 / running.interval_h,
    );
    if let Some(limit) = dosing.max_mg_per_kg_day {
        // A limit by weight without a weight is a limit nothing can be shown to keep.
        if weight_kg.is_none_or(|weight| daily > limit * weight * (1.0 + 1e-9)) {
            return false;
        }
    }
    if dosing.max_mg_per_kg.is_some() && weight_kg.is_none() {
        return false;
    }
    let most = dosing.max_change_per_step + RELATIVE_SLACK;
    let change = daily / now - 1.0;
    let dose_change = (regimen.labelled_mg / running.labelled_mg - 1.0).abs();
    // What is infused is dosed for its peak, and a longer interval is the way to a lower trough: there the dose is what
    // may change so much.
    let infused = regimen.route != Route::Extravascular;
    let longer = infused && regimen.interval_h > running.interval_h;
    if change > most || (change < -most && !(longer && dose_change <= most)) {
        return false;
    }
    let rise = daily - now;
    let by_file = dosing.max_daily_increase_mg;
    let careful = dosing
        .cautious_daily_increase_mg
        .filter(|(above, _)| level.is_some_and(|level| level > *above))
        .map(|(_, rise)| rise);
    let most_rise = [by_file, careful].into_iter().flatten().reduce(f64::min);
    most_rise.is_none_or(|most| rise <= most * (1.0 + 1e-9))
}
