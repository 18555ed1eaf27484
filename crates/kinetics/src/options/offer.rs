//! Options in order, or the refusals that stand before them.

use super::case::Case;
use super::draws::{Draws, Evidence, LEAST_EFFECTIVE_DRAWS};
use super::forecast::{Forecast, ModelRegimen, absorbed_fraction, forecast, hours_to_steady_state};
use super::level::SystemicMatrix;
use super::loading::{Loading, LoadingQuestion, levels_now, loading};
use super::regimen::{Regimen, candidates, kept};
use super::saturable::{NEAR_MAXIMUM, NEAR_MAXIMUM_PROBABILITY};
use super::target::{Against, TargetQuantity, TargetRange};
use crate::likelihood::Level;
use crate::model::IfMissing;
use crate::refusal::{Refusal, RefusalCode};
use crate::structure::{Elimination, ParameterName, Parameters, Route};
use spotwright_domain::interpretation::{OptionKind, Spread};

/// How options are put in order.
pub const CRITERION: &str = "Hard limits first: forms that exist, greatest dose, greatest change at once, the model's population. \
Then the probability that every target is met, the highest first; regimens with more than 10 % probability of a toxic level \
come after all others. Equal odds, to a twentieth: the smaller change first.";

/// Probability of a toxic level above which an option is never listed first.
pub const TOXIC_PROBABILITY: f64 = 0.1;

/// Shown with every answer.
pub const NOT_AN_ORDER: &str = "Advice for a prescriber, not an order: a named licensed person decides.";

/// What is wanted of the answer.
#[derive(Debug, Clone, PartialEq)]
pub struct Wanted {
    /// Targets that must be met together, the leading one first.
    pub targets: Vec<TargetRange>,
    /// Most options listed, beside keeping the dose and repeating the level.
    pub most_options: usize,
    /// Seed of the occasions to come.
    pub seed: u64,
}

/// The answer: options, or refusals, and what must be read with either.
#[derive(Debug, Clone, PartialEq)]
pub struct Answer {
    /// Why nothing is offered; empty when something is.
    pub refusals: Vec<Refusal>,
    /// Sentences that belong to the answer.
    pub cautions: Vec<String>,
    /// What the odds are against.
    pub targets: Vec<TargetRange>,
    /// In the order offered; empty when refused.
    pub options: Vec<DoseOption>,
    /// [`CRITERION`].
    pub criterion: &'static str,
}

/// One option.
#[derive(Debug, Clone, PartialEq)]
pub struct DoseOption {
    /// Keep, change or repeat.
    pub kind: OptionKind,
    /// The regimen; `None`: repeat the level first.
    pub regimen: Option<Regimen>,
    /// In words.
    pub label: String,
    /// Change of the daily amount (%).
    pub daily_change_pct: Option<f64>,
    /// Trough in steady state; `None`: without bound for so many draws that the interval has no end.
    pub trough: Option<Spread>,
    /// Greatest level in steady state.
    pub peak: Option<Spread>,
    /// Area of 24 h in steady state.
    pub auc_24_h: Option<Spread>,
    /// The odds against every target, in their order.
    pub odds: Vec<TargetOdds>,
    /// Probability that every target is met.
    pub in_all: Option<f64>,
    /// Probability of a toxic level of any target; `None`: no target states one.
    pub toxic: Option<f64>,
    /// Hours to steady state: median and 90th percentile of the person.
    pub steady_state_h: Option<[f64; 2]>,
    /// A first dose that reaches the level sooner.
    pub loading: Option<Loading>,
    /// What speaks for care.
    pub notes: Vec<String>,
}

/// The odds of one target.
#[derive(Debug, Clone, PartialEq)]
pub struct TargetOdds {
    /// The predicted quantity.
    pub predicted: Option<Spread>,
    /// Probability of lying below.
    pub below: f64,
    /// Probability of lying inside.
    pub inside: f64,
    /// Probability of lying above.
    pub above: f64,
    /// Probability of a toxic value; `None`: no limit stated.
    pub toxic: Option<f64>,
}

/// Options for a case, from its posterior.
#[must_use]
pub fn offer<M: SystemicMatrix>(case: &Case<'_, M>, evidence: &Evidence, wanted: &Wanted) -> Answer {
    let mut findings = case.findings().clone();
    findings.caution(NOT_AN_ORDER);
    findings.caution(format!(
        "Model {} ({}): {}",
        case.model().id,
        case.model().source.citation,
        case.model().source.status
    ));
    for refusal in of_evidence(evidence).into_iter().chain(of_targets(case, wanted)) {
        findings.refusals.push(refusal);
    }
    let mut answer = Answer {
        refusals: findings.refusals,
        cautions: findings.cautions,
        targets: wanted.targets.clone(),
        options: Vec::new(),
        criterion: CRITERION,
    };
    for target in &wanted.targets {
        if !target.verified {
            let caution = format!(
                "Target {}: {} ({})",
                target.quantity_words(),
                target.status,
                target.source
            );
            if !answer.cautions.contains(&caution) {
                answer.cautions.push(caution);
            }
        }
    }
    let draws = match Draws::new(&case.problem().effects, evidence, wanted.seed) {
        Ok(draws) => draws,
        Err(refusal) => {
            answer.refusals.push(refusal);
            return answer;
        }
    };
    if answer.refusals.is_empty() {
        fill(case, &draws, wanted, &mut answer);
    }
    answer
}

fn of_evidence(evidence: &Evidence) -> Vec<Refusal> {
    let mut found = Vec::new();
    if let Some(why) = &evidence.not_converged {
        found.push(Refusal::new(
            RefusalCode::NotConverged,
            format!("the estimate did not converge: {why}"),
            "another level, or another model",
        ));
    }
    for surprise in &evidence.surprises {
        found.push(Refusal::new(
            RefusalCode::Surprise,
            surprise.clone(),
            "adherence, times, contamination of the spot and identity asked about, and a new level",
        ));
    }
    // Written so that a number that is none is refused too.
    let enough = evidence.effective_draws >= LEAST_EFFECTIVE_DRAWS;
    if !enough {
        found.push(Refusal::new(
            RefusalCode::TooFewDraws,
            format!(
                "{:.0} effective draws are fewer than {LEAST_EFFECTIVE_DRAWS:.0}",
                evidence.effective_draws
            ),
            "more draws",
        ));
    }
    found
}

fn of_targets<M: SystemicMatrix>(case: &Case<'_, M>, wanted: &Wanted) -> Vec<Refusal> {
    let model = case.model();
    let mut found = Vec::new();
    if wanted.targets.is_empty() && !model.guards.exposure_only {
        found.push(Refusal::new(
            RefusalCode::NoTarget,
            format!("no target range is stored for {}", model.drug),
            "a target range in the method, with matrix, sampling, indication and source",
        ));
    }
    let samples = case.problem().observations.len();
    let least = model.guards.least_samples_for_area as usize;
    for target in &wanted.targets {
        if target.matrix != model.matrix.kind || target.unit != model.concentration_unit {
            found.push(Refusal::new(
                RefusalCode::TargetUnfit,
                format!(
                    "the target is in {} {:?} and the model in {} {:?}",
                    target.unit.ucum(),
                    target.matrix,
                    model.concentration_unit.ucum(),
                    model.matrix.kind
                ),
                "a target in the model's matrix and unit",
            ));
        }
        if matches!(target.quantity, TargetQuantity::Auc12h | TargetQuantity::Auc24h) && samples < least {
            found.push(Refusal::new(
                RefusalCode::TooFewSamplesForArea,
                format!("{samples} level(s): an area is not estimable from fewer than {least}"),
                format!("{least} levels within one interval"),
            ));
        }
    }
    found
}

struct Judged {
    regimen: Regimen,
    kind: OptionKind,
    forecast: Forecast,
    odds: Vec<TargetOdds>,
    in_all: f64,
    toxic: Option<f64>,
    typical: Parameters,
}

fn fill<M: SystemicMatrix>(case: &Case<'_, M>, draws: &Draws, wanted: &Wanted, answer: &mut Answer) {
    let Some(running) = case.running().copied() else {
        return;
    };
    let level = case
        .problem()
        .observations
        .last()
        .map(|observation| match observation.level {
            Level::Quantified { value } => value,
            Level::BelowLimit { lower_limit } => lower_limit,
            Level::AboveLimit { upper_limit } => upper_limit,
        });
    let mut regimens = vec![(OptionKind::KeepDose, kept(&running))];
    for regimen in candidates(case.model(), &running, case.prepared().weight_kg, level) {
        let same = (regimen.labelled_mg - running.labelled_mg).abs() < 1e-9
            && (regimen.interval_h - running.interval_h).abs() < 1e-9
            && regimen.route == running.route;
        if same {
            // The running dose is made of known pieces after all.
            regimens[0].1 = regimen;
        } else {
            regimens.push((OptionKind::ChangeDose, regimen));
        }
    }
    let mut judged = Vec::new();
    let mut base: Vec<(f64, Route, f64, Forecast)> = Vec::new();
    let mut saturated = 0;
    for (kind, regimen) in regimens {
        let Ok(typical) = case.typical_for(regimen.model_mg, regimen.model_mg * 24.0 / regimen.interval_h)
        else {
            continue;
        };
        if kind == OptionKind::ChangeDose
            && near_maximum(case, draws, &typical, &regimen) > NEAR_MAXIMUM_PROBABILITY
        {
            saturated += 1;
            continue;
        }
        let Some(forecast) = forecast_of(case, draws, &typical, &regimen, wanted, &mut base) else {
            continue;
        };
        judged.push(judge(regimen, kind, forecast, typical, wanted));
    }
    let kept_saturated = judged.iter().any(|judged| {
        judged.kind == OptionKind::KeepDose
            && near_maximum(case, draws, &judged.typical, &judged.regimen) > NEAR_MAXIMUM_PROBABILITY
    });
    if saturated > 0 {
        answer.cautions.push(format!(
            "{saturated} regimen(s) left out: their rate would reach {NEAR_MAXIMUM} of Vmax with more than {:.0} % probability",
            NEAR_MAXIMUM_PROBABILITY * 100.0
        ));
    }
    let changes = judged.iter().any(|judged| judged.kind == OptionKind::ChangeDose);
    if kept_saturated && !changes {
        answer.refusals.push(Refusal::new(
            RefusalCode::Saturation,
            "elimination is near its greatest rate at the running dose and at every other within the limits",
            "a new level after the dose was withheld, and a specialist's decision",
        ));
        return;
    }
    if judged.is_empty() {
        answer.refusals.push(Refusal::new(
            RefusalCode::NoPracticalRegimen,
            "no regimen within the limits can be predicted for this person",
            "wider limits in the model's file, by two named people",
        ));
        return;
    }
    let now = running.labelled_mg * 24.0 / running.interval_h;
    answer.options = rank(judged, now, case, draws, wanted);
}

/// Predictions, scaled from one dose where concentrations are proportional to it.
fn forecast_of<M: SystemicMatrix>(
    case: &Case<'_, M>,
    draws: &Draws,
    typical: &Parameters,
    regimen: &Regimen,
    wanted: &Wanted,
    base: &mut Vec<(f64, Route, f64, Forecast)>,
) -> Option<Forecast> {
    let structure = case.model().structure;
    let asked = ModelRegimen {
        mg: regimen.model_mg,
        interval_h: regimen.interval_h,
        route: regimen.route,
    };
    let proportional = structure.elimination == Elimination::Linear
        && !case
            .model()
            .covariates
            .iter()
            .any(|covariate| covariate.if_missing == IfMissing::FromRegimen);
    if !proportional {
        return forecast(&structure, typical, asked, draws, &wanted.targets);
    }
    let known = base.iter().find(|(interval, route, ..)| {
        interval.to_bits() == regimen.interval_h.to_bits() && *route == regimen.route
    });
    if let Some((_, _, mg, found)) = known
        && let Some(scaled) = found.scaled(regimen.model_mg / mg, &wanted.targets)
    {
        return Some(scaled);
    }
    let found = forecast(&structure, typical, asked, draws, &wanted.targets)?;
    base.push((regimen.interval_h, regimen.route, regimen.model_mg, found.clone()));
    Some(found)
}

/// Probability that a regimen's rate reaches [`NEAR_MAXIMUM`] of Vmax; 0 for linear elimination.
fn near_maximum<M: SystemicMatrix>(
    case: &Case<'_, M>,
    draws: &Draws,
    typical: &Parameters,
    regimen: &Regimen,
) -> f64 {
    if case.model().structure.elimination != Elimination::MichaelisMenten {
        return 0.0;
    }
    let near = (0..draws.count())
        .filter(|draw| {
            let values = draws.values(*draw, typical);
            let absorbed = match regimen.route {
                Route::Extravascular => absorbed_fraction(&values),
                _ => 1.0,
            };
            let rate = regimen.model_mg * absorbed / regimen.interval_h;
            values
                .get(ParameterName::MaximumRate)
                .is_none_or(|maximum| rate >= NEAR_MAXIMUM * maximum)
        })
        .count();
    near as f64 / draws.count() as f64
}

fn judge(
    regimen: Regimen,
    kind: OptionKind,
    forecast: Forecast,
    typical: Parameters,
    wanted: &Wanted,
) -> Judged {
    let count = forecast.trough.len() as f64;
    let share = |of: usize| of as f64 / count;
    let odds: Vec<TargetOdds> = wanted
        .targets
        .iter()
        .zip(&forecast.at_target)
        .map(|(target, values)| {
            let place =
                |wanted: Against| share(values.iter().filter(|v| target.against(**v) == wanted).count());
            TargetOdds {
                predicted: None,
                below: place(Against::Below),
                inside: place(Against::Inside),
                above: place(Against::Above),
                toxic: target
                    .toxic_above
                    .map(|_| share(values.iter().filter(|v| target.is_toxic(**v)).count())),
            }
        })
        .collect();
    let every = |draw: usize| {
        wanted
            .targets
            .iter()
            .zip(&forecast.at_target)
            .all(|(target, values)| target.against(values[draw]) == Against::Inside)
    };
    let any_toxic = |draw: usize| {
        wanted
            .targets
            .iter()
            .zip(&forecast.at_target)
            .any(|(target, values)| target.is_toxic(values[draw]))
    };
    let draws = forecast.trough.len();
    let in_all = share((0..draws).filter(|draw| every(*draw)).count());
    let states_toxic = wanted.targets.iter().any(|target| target.toxic_above.is_some());
    let toxic = states_toxic.then(|| share((0..draws).filter(|draw| any_toxic(*draw)).count()));
    Judged {
        regimen,
        kind,
        forecast,
        odds,
        in_all,
        toxic,
        typical,
    }
}

/// Doses of one interval nearer than this to one already listed tell nothing new.
const TOO_ALIKE: f64 = 0.05;

/// Odds that differ by less than a thousand draws can tell are equal: a twentieth is three standard errors of a half.
fn twentieths(probability: f64) -> i64 {
    libm::round(20.0 * probability) as i64
}

fn rank<M: SystemicMatrix>(
    mut judged: Vec<Judged>,
    now: f64,
    case: &Case<'_, M>,
    draws: &Draws,
    wanted: &Wanted,
) -> Vec<DoseOption> {
    let is_toxic = |judged: &Judged| judged.toxic.is_some_and(|p| p > TOXIC_PROBABILITY);
    let change = |judged: &Judged| (judged.regimen.daily_mg() / now - 1.0).abs();
    let pieces = |judged: &Judged| judged.regimen.pieces.iter().map(|(count, _)| count).sum::<u32>();
    judged.sort_by(|a, b| {
        is_toxic(a)
            .cmp(&is_toxic(b))
            .then(twentieths(b.in_all).cmp(&twentieths(a.in_all)))
            .then(change(a).total_cmp(&change(b)))
            .then(b.in_all.total_cmp(&a.in_all))
            .then(pieces(a).cmp(&pieces(b)))
    });
    let mut chosen: Vec<Judged> = Vec::new();
    let mut changes = 0;
    for option in judged {
        if option.kind == OptionKind::ChangeDose {
            let alike = chosen.iter().any(|other| {
                other.kind == OptionKind::ChangeDose
                    && (other.regimen.interval_h - option.regimen.interval_h).abs() < 1e-9
                    && other.regimen.route == option.regimen.route
                    && (other.regimen.labelled_mg / option.regimen.labelled_mg - 1.0).abs() < TOO_ALIKE
            });
            if alike || changes == wanted.most_options {
                continue;
            }
            changes += 1;
        }
        chosen.push(option);
    }
    let every_toxic = chosen.iter().all(is_toxic);
    let levels = case
        .model()
        .dosing
        .loading
        .then(|| levels_now(case, draws))
        .flatten();
    let mut settling = Settling::default();
    let mut options: Vec<DoseOption> = chosen
        .into_iter()
        .map(|judged| {
            finished(
                judged,
                now,
                case,
                draws,
                (wanted, levels.as_deref()),
                &mut settling,
            )
        })
        .collect();
    let repeat = repeat_the_level(every_toxic);
    if every_toxic {
        options.insert(0, repeat);
    } else {
        options.push(repeat);
    }
    options
}

fn repeat_the_level(every_toxic: bool) -> DoseOption {
    let note = if every_toxic {
        "Every regimen within the limits carries more than 10 % probability of a toxic level"
    } else {
        "When time, doses or identity of the sample are in doubt"
    };
    DoseOption {
        kind: OptionKind::RepeatLevel,
        regimen: None,
        label: "Repeat the level first".to_owned(),
        daily_change_pct: None,
        trough: None,
        peak: None,
        auc_24_h: None,
        odds: Vec::new(),
        in_all: None,
        toxic: None,
        steady_state_h: None,
        loading: None,
        notes: vec![note.to_owned()],
    }
}

fn finished<M: SystemicMatrix>(
    judged: Judged,
    now: f64,
    case: &Case<'_, M>,
    draws: &Draws,
    (wanted, levels_now): (&Wanted, Option<&[f64]>),
    settling: &mut Settling,
) -> DoseOption {
    let Judged {
        regimen,
        kind,
        forecast,
        mut odds,
        in_all,
        toxic,
        typical,
    } = judged;
    for (odds, values) in odds.iter_mut().zip(&forecast.at_target) {
        odds.predicted = spread(values);
    }
    let asked = ModelRegimen {
        mg: regimen.model_mg,
        interval_h: regimen.interval_h,
        route: regimen.route,
    };
    let times = settling.times(case, draws, &typical, asked);
    let mut notes = Vec::new();
    let trough = spread(&forecast.trough);
    if trough.is_none() {
        notes.push("More than 5 % of the draws have no steady state at this rate: the level would rise without bound".to_owned());
    }
    if let Some(toxic) = toxic.filter(|p| *p > TOXIC_PROBABILITY) {
        notes.push(format!("Probability of a toxic level {:.0} %", toxic * 100.0));
    }
    let loading = levels_now.zip(trough).and_then(|(now, trough)| {
        let asked = LoadingQuestion {
            regimen: &regimen,
            typical: &typical,
            levels_now: now,
            steady_trough: trough.median,
            steady_state_h: times[0],
        };
        loading(case, draws, wanted, &asked, &mut notes)
    });
    DoseOption {
        kind,
        label: match kind {
            OptionKind::KeepDose => format!("Keep the dose: {}", regimen.label()),
            _ => regimen.label(),
        },
        daily_change_pct: Some(100.0 * (regimen.daily_mg() / now - 1.0)),
        regimen: Some(regimen),
        trough,
        peak: spread(&forecast.peak),
        auc_24_h: spread(&forecast.auc_24_h),
        odds,
        in_all: Some(in_all),
        toxic,
        steady_state_h: times.iter().all(|time| time.is_finite()).then_some(times),
        loading,
        notes,
    }
}

/// Hours to steady state already computed: where elimination is linear they do not depend on the dose.
#[derive(Default)]
struct Settling {
    known: Vec<(f64, Route, Parameters, [f64; 2])>,
}

impl Settling {
    /// Median and 90th percentile over the draws.
    fn times<M: SystemicMatrix>(
        &mut self,
        case: &Case<'_, M>,
        draws: &Draws,
        typical: &Parameters,
        asked: ModelRegimen,
    ) -> [f64; 2] {
        let structure = case.model().structure;
        let linear = structure.elimination == Elimination::Linear;
        let known = self.known.iter().find(|(interval, route, values, _)| {
            linear
                && interval.to_bits() == asked.interval_h.to_bits()
                && *route == asked.route
                && values == typical
        });
        if let Some((.., times)) = known {
            return *times;
        }
        let mut times: Vec<f64> = (0..draws.count())
            .map(|draw| hours_to_steady_state(&structure, &draws.values(draw, typical), asked))
            .collect();
        times.sort_unstable_by(f64::total_cmp);
        let times = [quantile(&times, 0.5), quantile(&times, 0.9)];
        self.known.push((asked.interval_h, asked.route, *typical, times));
        times
    }
}

/// Median and central 90 % interval; `None` when an end of it has no bound.
fn spread(values: &[f64]) -> Option<Spread> {
    let mut sorted = values.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let found = Spread {
        median: quantile(&sorted, 0.5),
        low_90: quantile(&sorted, 0.05),
        high_90: quantile(&sorted, 0.95),
    };
    (found.median.is_finite() && found.low_90.is_finite() && found.high_90.is_finite()).then_some(found)
}

/// Linear between order statistics (Hyndman RJ, Fan Y. Am Stat 1996;50:361-365, definition 7); of sorted values.
pub(super) fn quantile(sorted: &[f64], p: f64) -> f64 {
    let at = p * (sorted.len() - 1) as f64;
    let below = libm::floor(at) as usize;
    let above = (below + 1).min(sorted.len() - 1);
    let share = at - below as f64;
    if share == 0.0 || sorted[below].to_bits() == sorted[above].to_bits() {
        return sorted[below];
    }
    sorted[below] + share * (sorted[above] - sorted[below])
}
