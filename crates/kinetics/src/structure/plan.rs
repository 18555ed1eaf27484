//! A dose history and its questions as one list of events, made once and walked for many parameter values.

use super::dose::{AtDoseTime, DoseEvent, DoseHistory, Route};
use super::error::StructureError;
use super::parameter::ParameterName;
use super::timeline::{BetweenKnots, ParameterTimeline};
use super::{Compartments, Elimination, Input, Structure};

/// Longest transit chain.
const MOST_TRANSIT: usize = 30;
/// Doses made explicit at most when a request lies before the latest steady-state dose.
const MOST_EXPLICIT: f64 = 10_000.0;

/// A time at which a concentration is wanted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct SampleRequest {
    pub(crate) time_h: f64,
    pub(crate) side: AtDoseTime,
    /// Slot among the latent times that moves it.
    pub(crate) latent: Option<usize>,
}

/// Parameters hold from here on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Segment {
    pub(crate) from_h: f64,
    pub(crate) knot: usize,
    pub(crate) occasion: usize,
    /// The next knot when CL and Vmax run straight towards it.
    pub(crate) towards: Option<usize>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct PlannedDose {
    pub(crate) amount: f64,
    pub(crate) route: Route,
    /// Segment whose bioavailability and lag it takes.
    pub(crate) segment: usize,
}

/// What moves an event from its base time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) struct Shift {
    pub(crate) lag_of_segment: Option<usize>,
    pub(crate) latent: Option<usize>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum EventKind {
    Sample(usize),
    AreaMark { area: usize, end: bool },
    Change(usize),
    InfusionEnd(usize),
    Entry(usize),
    InfusionStart(usize),
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Event {
    pub(crate) base_h: f64,
    pub(crate) shift: usize,
    /// Order of events at the same time.
    pub(crate) rank: u8,
    pub(crate) kind: EventKind,
}

/// The regimen that ran for ever before the first event.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct PlannedSteadyState {
    pub(crate) amount: f64,
    pub(crate) route: Route,
    pub(crate) interval_h: f64,
    /// When the state is taken: just before a dose of the regimen.
    pub(crate) at_h: f64,
    pub(crate) segment: usize,
}

/// Where each amount stands in the state.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Layout {
    pub(crate) rate: Option<usize>,
    pub(crate) chain: usize,
    pub(crate) chain_length: usize,
    pub(crate) central: usize,
    pub(crate) peripheral: Option<usize>,
    pub(crate) area: Option<usize>,
    pub(crate) size: usize,
}

#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Plan {
    pub(crate) structure: Structure,
    pub(crate) segments: Vec<Segment>,
    pub(crate) doses: Vec<PlannedDose>,
    pub(crate) shifts: Vec<Shift>,
    pub(crate) events: Vec<Event>,
    /// Whether shifts can change the order of events.
    pub(crate) reorder: bool,
    pub(crate) steady: Option<PlannedSteadyState>,
    pub(crate) samples: usize,
    pub(crate) areas: usize,
    pub(crate) layout: Layout,
    /// Whether CL or Vmax run straight somewhere.
    pub(crate) sloping: bool,
}

impl Plan {
    /// Puts everything in order of nominal time.
    pub(crate) fn new(
        structure: &Structure,
        timeline: &ParameterTimeline,
        occasion_starts_h: &[f64],
        history: &DoseHistory,
        dose_latents: &[Option<usize>],
        samples: &[SampleRequest],
        areas: &[(f64, f64)],
    ) -> Result<Self, StructureError> {
        check_structure(structure, timeline, occasion_starts_h)?;
        check_doses(structure, history)?;
        check_requests(samples, areas)?;
        let segments = segments(timeline, occasion_starts_h);
        let mut plan = Self {
            structure: *structure,
            segments,
            doses: Vec::with_capacity(history.doses.len() + 2),
            shifts: vec![Shift::default()],
            events: Vec::with_capacity(2 * history.doses.len() + samples.len() + 2 * areas.len() + 2),
            reorder: false,
            steady: None,
            samples: samples.len(),
            areas: areas.len(),
            layout: layout(structure, history, !areas.is_empty()),
            sloping: false,
        };
        plan.sloping = plan.segments.iter().any(|s| s.towards.is_some());
        let lagged = timeline
            .knots
            .iter()
            .any(|knot| knot.values.get(ParameterName::LagTime).is_some());
        let any_latent =
            dose_latents.iter().any(Option::is_some) || samples.iter().any(|s| s.latent.is_some());
        plan.add_steady_state(history, samples, areas, any_latent, lagged)?;
        for (i, dose) in history.doses.iter().enumerate() {
            plan.add_dose(dose, dose_latents.get(i).copied().flatten(), lagged);
        }
        for (i, sample) in samples.iter().enumerate() {
            let shift = plan.shift(Shift {
                lag_of_segment: None,
                latent: sample.latent,
            });
            plan.events.push(Event {
                base_h: sample.time_h,
                shift,
                rank: if sample.side == AtDoseTime::Before { 0 } else { 6 },
                kind: EventKind::Sample(i),
            });
        }
        for (area, (from, to)) in areas.iter().enumerate() {
            for (time, end) in [(*from, false), (*to, true)] {
                plan.event(time, 0, 1, EventKind::AreaMark { area, end });
            }
        }
        for i in 1..plan.segments.len() {
            plan.event(plan.segments[i].from_h, 0, 2, EventKind::Change(i));
        }
        plan.reorder = plan.shifts.len() > 1;
        plan.events
            .sort_by(|a, b| a.base_h.total_cmp(&b.base_h).then(a.rank.cmp(&b.rank)));
        Ok(plan)
    }

    fn event(&mut self, base_h: f64, shift: usize, rank: u8, kind: EventKind) {
        self.events.push(Event {
            base_h,
            shift,
            rank,
            kind,
        });
    }

    fn shift(&mut self, wanted: Shift) -> usize {
        if let Some(found) = self.shifts.iter().position(|s| *s == wanted) {
            return found;
        }
        self.shifts.push(wanted);
        self.shifts.len() - 1
    }

    /// The segment at a time; at a change's own time the earlier one when `before`.
    fn segment_at(&self, time_h: f64, before: bool) -> usize {
        let reached = self
            .segments
            .iter()
            .take_while(|s| {
                if before {
                    s.from_h < time_h
                } else {
                    s.from_h <= time_h
                }
            })
            .count();
        reached.saturating_sub(1)
    }

    fn add_dose(&mut self, dose: &DoseEvent, latent: Option<usize>, lagged: bool) {
        let segment = self.segment_at(dose.time_h, false);
        let number = self.doses.len();
        self.doses.push(PlannedDose {
            amount: dose.amount,
            route: dose.route,
            segment,
        });
        match dose.route {
            Route::Bolus => {
                let shift = self.shift(Shift {
                    lag_of_segment: None,
                    latent,
                });
                self.event(dose.time_h, shift, 4, EventKind::Entry(number));
            }
            Route::Extravascular => {
                let shift = self.shift(Shift {
                    lag_of_segment: lagged.then_some(segment),
                    latent,
                });
                self.event(dose.time_h, shift, 4, EventKind::Entry(number));
            }
            Route::Infusion { duration_h } => {
                let shift = self.shift(Shift {
                    lag_of_segment: None,
                    latent,
                });
                self.event(dose.time_h, shift, 5, EventKind::InfusionStart(number));
                self.event(dose.time_h + duration_h, shift, 3, EventKind::InfusionEnd(number));
            }
        }
    }

    /// The state is taken just before the regimen's first dose that a request can see.
    fn add_steady_state(
        &mut self,
        history: &DoseHistory,
        samples: &[SampleRequest],
        areas: &[(f64, f64)],
        any_latent: bool,
        lagged: bool,
    ) -> Result<(), StructureError> {
        let Some(regimen) = history.steady_state else {
            return Ok(());
        };
        let earliest = samples
            .iter()
            .map(|s| s.time_h)
            .chain(areas.iter().map(|a| a.0))
            .fold(regimen.dose.time_h, f64::min);
        let intervals = ((regimen.dose.time_h - earliest) / regimen.interval_h).ceil();
        if intervals > MOST_EXPLICIT {
            return Err(StructureError::RequestOutOfRange {
                what: "earliest time",
                position: 0,
                found: earliest,
                expected: "within 10 000 dose intervals of the steady-state dose",
            });
        }
        let explicit = intervals as usize + usize::from(any_latent);
        let at_h = regimen.dose.time_h - explicit as f64 * regimen.interval_h;
        self.steady = Some(PlannedSteadyState {
            amount: regimen.dose.amount,
            route: regimen.dose.route,
            interval_h: regimen.interval_h,
            at_h,
            segment: self.segment_at(at_h, true),
        });
        for back in (0..=explicit).rev() {
            let time_h = regimen.dose.time_h - back as f64 * regimen.interval_h;
            self.add_dose(
                &DoseEvent {
                    time_h,
                    ..regimen.dose
                },
                None,
                lagged,
            );
        }
        Ok(())
    }
}

fn segments(timeline: &ParameterTimeline, occasion_starts_h: &[f64]) -> Vec<Segment> {
    let mut starts = vec![f64::NEG_INFINITY];
    starts.extend(timeline.knots.iter().skip(1).map(|knot| knot.from_h));
    if timeline.between == BetweenKnots::LinearClearance {
        starts.push(timeline.knots[0].from_h);
    }
    starts.extend(occasion_starts_h.iter().skip(1));
    starts.sort_by(f64::total_cmp);
    starts.dedup_by(|a, b| a.total_cmp(b).is_eq());
    let sloping = timeline.between == BetweenKnots::LinearClearance && timeline.knots.len() > 1;
    starts
        .into_iter()
        .map(|from_h| {
            let knot = timeline.knot_at(from_h, false);
            let runs = sloping && from_h >= timeline.knots[0].from_h && knot + 1 < timeline.knots.len();
            let occasion = occasion_starts_h
                .iter()
                .take_while(|start| **start <= from_h)
                .count()
                .saturating_sub(1);
            Segment {
                from_h,
                knot,
                occasion,
                towards: runs.then_some(knot + 1),
            }
        })
        .collect()
}

fn layout(structure: &Structure, history: &DoseHistory, area: bool) -> Layout {
    let routes = || {
        history
            .doses
            .iter()
            .map(|d| d.route)
            .chain(history.steady_state.map(|s| s.dose.route))
    };
    let mut size = 0;
    let mut take = |wanted: bool| {
        wanted.then(|| {
            size += 1;
            size - 1
        })
    };
    let rate = take(routes().any(|r| matches!(r, Route::Infusion { .. })));
    let chain_length = if routes().any(|r| r == Route::Extravascular) {
        match structure.input {
            Input::Intravenous => 0,
            Input::FirstOrder => 1,
            Input::TransitChain { transit_compartments } => transit_compartments + 1,
        }
    } else {
        0
    };
    let chain = size;
    size += chain_length;
    let central = size;
    size += 1;
    let mut take = |wanted: bool| {
        wanted.then(|| {
            size += 1;
            size - 1
        })
    };
    let peripheral = take(structure.compartments == Compartments::Two);
    let area = take(area);
    Layout {
        rate,
        chain,
        chain_length,
        central,
        peripheral,
        area,
        size,
    }
}

fn check_structure(
    structure: &Structure,
    timeline: &ParameterTimeline,
    occasion_starts_h: &[f64],
) -> Result<(), StructureError> {
    let multiplier = structure.concentration_multiplier;
    if !(multiplier.is_finite() && multiplier > 0.0) {
        return Err(StructureError::MultiplierOutOfRange { found: multiplier });
    }
    if let Input::TransitChain {
        transit_compartments: found,
    } = structure.input
        && !(1..=MOST_TRANSIT).contains(&found)
    {
        return Err(StructureError::TransitChainLength { found });
    }
    if timeline.knots.is_empty() {
        return Err(StructureError::TimelineOrder { position: 0 });
    }
    for (position, knot) in timeline.knots.iter().enumerate() {
        let rises = position == 0 || timeline.knots[position - 1].from_h < knot.from_h;
        if !(knot.from_h.is_finite() && rises) {
            return Err(StructureError::TimelineOrder { position });
        }
        structure.check_parameters(&knot.values)?;
    }
    for (position, start) in occasion_starts_h.iter().enumerate() {
        if !start.is_finite() || position > 0 && occasion_starts_h[position - 1] >= *start {
            return Err(StructureError::OccasionOrder { position });
        }
    }
    Ok(())
}

impl Structure {
    /// The name the central volume goes by.
    #[must_use]
    pub fn central_volume(&self) -> ParameterName {
        match self.compartments {
            Compartments::One => ParameterName::Volume,
            Compartments::Two => ParameterName::CentralVolume,
        }
    }

    /// The parameters that must be given.
    #[must_use]
    pub fn required_parameters(&self) -> Vec<ParameterName> {
        let mut names = match self.elimination {
            Elimination::Linear => vec![ParameterName::Clearance],
            Elimination::MichaelisMenten => {
                vec![ParameterName::MaximumRate, ParameterName::MichaelisConstant]
            }
        };
        names.push(self.central_volume());
        if self.compartments == Compartments::Two {
            names.extend([
                ParameterName::IntercompartmentalClearance,
                ParameterName::PeripheralVolume,
            ]);
        }
        if self.input != Input::Intravenous {
            names.push(ParameterName::AbsorptionRate);
        }
        names
    }

    /// Checks that every parameter needed is given and in range.
    ///
    /// # Errors
    /// The first parameter that is missing or not a finite number above zero (lag, CL, Q and Vmax may be zero).
    pub fn check_parameters(&self, parameters: &super::Parameters) -> Result<(), StructureError> {
        for name in self.required_parameters() {
            if parameters.get(name).is_none() {
                return Err(StructureError::ParameterMissing { name });
            }
        }
        for (name, found) in parameters.iter() {
            let zero_allowed = matches!(
                name,
                ParameterName::LagTime
                    | ParameterName::Clearance
                    | ParameterName::IntercompartmentalClearance
                    | ParameterName::MaximumRate
                    | ParameterName::Bioavailability
                    | ParameterName::RelativeBioavailability
            );
            if !(found.is_finite() && (found > 0.0 || zero_allowed && found >= 0.0)) {
                return Err(StructureError::ParameterOutOfRange {
                    name,
                    found,
                    expected: if zero_allowed {
                        "of at least zero"
                    } else {
                        "above zero"
                    },
                });
            }
        }
        Ok(())
    }
}

fn check_doses(structure: &Structure, history: &DoseHistory) -> Result<(), StructureError> {
    let steady = history.steady_state.iter().map(|s| &s.dose);
    for (position, dose) in steady.chain(&history.doses).enumerate() {
        let refuse = |what, found, expected| StructureError::DoseOutOfRange {
            position,
            what,
            found,
            expected,
        };
        if !dose.time_h.is_finite() {
            return Err(refuse("time (h)", dose.time_h, "a finite number"));
        }
        if !(dose.amount.is_finite() && dose.amount >= 0.0) {
            return Err(refuse("amount", dose.amount, "a finite number of at least zero"));
        }
        if let Route::Infusion { duration_h } = dose.route
            && !(duration_h.is_finite() && duration_h > 0.0)
        {
            return Err(refuse(
                "infusion time (h)",
                duration_h,
                "a finite number above zero",
            ));
        }
        if dose.route == Route::Extravascular && structure.input == Input::Intravenous {
            return Err(StructureError::NoDepot { position });
        }
    }
    let Some(regimen) = history.steady_state else {
        return Ok(());
    };
    let refuse = |what, found, expected| StructureError::DoseOutOfRange {
        position: 0,
        what,
        found,
        expected,
    };
    if !(regimen.interval_h.is_finite() && regimen.interval_h > 0.0) {
        return Err(refuse(
            "dose interval (h)",
            regimen.interval_h,
            "a finite number above zero",
        ));
    }
    if let Route::Infusion { duration_h } = regimen.dose.route
        && duration_h > regimen.interval_h
    {
        return Err(refuse(
            "infusion time (h)",
            duration_h,
            "at most the dose interval",
        ));
    }
    for (i, dose) in history.doses.iter().enumerate() {
        if dose.time_h < regimen.dose.time_h {
            return Err(StructureError::DoseBeforeSteadyState {
                position: i + 1,
                time_h: dose.time_h,
                steady_state_h: regimen.dose.time_h,
            });
        }
    }
    Ok(())
}

fn check_requests(samples: &[SampleRequest], areas: &[(f64, f64)]) -> Result<(), StructureError> {
    for (position, sample) in samples.iter().enumerate() {
        if !sample.time_h.is_finite() {
            return Err(StructureError::RequestOutOfRange {
                what: "sample time (h)",
                position,
                found: sample.time_h,
                expected: "a finite number",
            });
        }
    }
    for (position, (from, to)) in areas.iter().enumerate() {
        if !(from.is_finite() && to.is_finite() && from <= to) {
            return Err(StructureError::RequestOutOfRange {
                what: "end of area (h)",
                position,
                found: *to,
                expected: "a finite number not before the area's beginning",
            });
        }
    }
    Ok(())
}
