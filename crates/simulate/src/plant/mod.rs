//! Planting faults: which line each meets, and what it does there.

mod choose;

use crate::error::SimulateError;
use crate::fault::Fault;
use crate::line::{ForeignArea, ForeignPeak, Line};
use crate::panel::{DILUTION_LEVEL, Panel};
use crate::plan::RunPlan;
use crate::random::{Purpose, Stream};
use crate::sequence::Sequence;
use spotwright_domain::injection::SampleRole;
use spotwright_domain::method::TransitionPart;

/// What faults do to a whole run.
#[derive(Debug, Clone)]
pub(crate) struct RunEffects {
    /// Share of the LLOQ response that a ULOQ injection leaves behind, where a fault sets it.
    pub(crate) carry_over_of_lloq: Vec<Option<f64>>,
    /// Gain of the internal standard at the analyte's ULOQ (share).
    pub(crate) cross_talk: Vec<f64>,
}

/// A fault and the lines it meets.
#[derive(Debug, Clone)]
pub(crate) struct Planted {
    pub(crate) fault: Fault,
    /// Places in the run's lines. Empty: the whole run.
    pub(crate) lines: Vec<usize>,
}

/// Plants every fault of the plan.
///
/// # Errors
/// When a fault names an unknown analyte, has a number outside its range, or finds no sample to meet.
pub(crate) fn plant(
    panel: &Panel,
    plan: &RunPlan,
    sequence: &mut Sequence,
) -> Result<(RunEffects, Vec<Planted>), SimulateError> {
    let analytes = panel.method.analytes.len();
    let mut planter = Planter {
        panel,
        stream: Stream::new(plan.seed, plan.number, Purpose::Faults, 0),
        taken: vec![false; sequence.lines.len()],
        sequence,
        effects: RunEffects {
            carry_over_of_lloq: vec![None; analytes],
            cross_talk: vec![0.0; analytes],
        },
    };
    let mut planted = Vec::with_capacity(plan.faults.len());
    for fault in &plan.faults {
        if let Some(found) = fault.needs_known_analyte(panel) {
            return Err(SimulateError::NoSuchAnalyte { found, analytes });
        }
        let lines = planter.place(*fault)?;
        planted.push(Planted { fault: *fault, lines });
    }
    let effects = planter.effects;
    for (number, fault) in planted.iter().enumerate() {
        for line in &fault.lines {
            sequence.lines[*line].faults.push(number);
        }
    }
    Ok((effects, planted))
}

struct Planter<'a> {
    panel: &'a Panel,
    stream: Stream,
    taken: Vec<bool>,
    sequence: &'a mut Sequence,
    effects: RunEffects,
}

impl Planter<'_> {
    fn place(&mut self, fault: Fault) -> Result<Vec<usize>, SimulateError> {
        match fault {
            Fault::CalibrationStockWrong { bias_pct } => self.wrong_stock(bias_pct),
            Fault::ControlsAtTwoThirds { analyte } => Ok(self.controls_at_two_thirds(analyte)),
            Fault::ControlLevelOff { analyte } => Ok(self.control_level_off(analyte)),
            Fault::ControlsDrift { analyte } => Ok(self.ratio_drift(analyte)),
            Fault::LowestCalibratorFails { analyte } => {
                let lines = self.calibrators_off(analyte, 0, 1.0);
                // Opposite errors: equal ones would only move the intercept and throw the blame on the next level.
                for (line, factor) in lines.iter().zip([1.6, 0.4].into_iter().cycle()) {
                    self.sequence.lines[*line].concentrations[analyte] *= factor;
                }
                Ok(lines)
            }
            Fault::HighestCalibratorFails { analyte } => Ok(self.calibrators_off(analyte, 7, 0.65)),
            Fault::OneCalibratorOff { analyte } => {
                let lines = self.calibrators_off(analyte, 4, 1.0);
                let first = lines.into_iter().take(1).collect();
                Ok(self.scale_analyte(first, analyte, 1.4))
            }
            Fault::QualifierInterference { analyte } => {
                self.foreign(fault, analyte, &[(1, ForeignArea::OfCompound(0.6))], 0.3, 1.0)
            }
            Fault::OverlappingNeighbour { analyte } => {
                let both = [
                    (0, ForeignArea::OfCompound(0.6)),
                    (1, ForeignArea::OfCompound(0.6)),
                ];
                let shape = self.panel.physics[self.transition(analyte, 0)].shape;
                self.foreign(fault, analyte, &both, 1.35 * shape.width_s(0.5), 1.0)
            }
            Fault::LateEluter { analyte } => {
                let line = self.sample(fault, analyte)?;
                self.set_concentration(line, analyte, Some(0.0));
                self.add_foreign(line, analyte, 0, ForeignArea::OfLloq(25.0), 0.8, 3.5);
                Ok(vec![line])
            }
            Fault::MissedSpray => self.one_sample(fault, |line| line.effects.spray = 0.0),
            Fault::HalfSpray => self.one_sample(fault, |line| line.effects.spray = 0.38),
            Fault::DoubleSpray => self.one_sample(fault, |line| line.effects.spray = 2.1),
            Fault::AirInjection => self.one_sample(fault, |line| line.effects.response = 0.0),
            Fault::SplitPeak => self.one_sample(fault, |line| line.effects.split = true),
            Fault::TruncatedFile => self.one_sample(fault, |line| line.effects.truncated = true),
            Fault::DetectorSaturation { analyte } => self.saturation(fault, analyte),
            Fault::CarryOverIntoWeakSample { analyte } => self.carry_over(fault, analyte),
            Fault::CarryOverInBlank { analyte } => {
                self.effects.carry_over_of_lloq[analyte] = Some(0.45);
                let lines = &self.sequence.lines;
                let after = |place: usize| {
                    lines[place].injection.role == SampleRole::CarryOverBlank
                        && lines[place - 1].injection.role == SampleRole::Calibrator
                };
                Ok((1..lines.len()).filter(|place| after(*place)).collect())
            }
            Fault::AnalyteInDoubleBlank { analyte } => {
                let amount = 0.4 * self.panel.method.analytes[analyte].lloq();
                Ok(self.every(SampleRole::DoubleBlank, |line| {
                    line.concentrations[analyte] = amount
                }))
            }
            Fault::StandardInDoubleBlank => {
                Ok(self.every(SampleRole::DoubleBlank, |line| line.standard = 0.15))
            }
            Fault::AnalyteInZero { analyte } => {
                let amount = 0.4 * self.panel.method.analytes[analyte].lloq();
                Ok(self.every(SampleRole::Zero, |line| line.concentrations[analyte] = amount))
            }
            Fault::RetentionJump => {
                let from = self.middle();
                for line in &mut self.sequence.lines[from..] {
                    line.effects.retention_shift += 0.028;
                }
                Ok(vec![from])
            }
            Fault::InternalStandardStep => {
                let from = self.middle();
                for line in &mut self.sequence.lines[from..] {
                    line.effects.response *= 1.4;
                }
                Ok(vec![from])
            }
            Fault::InternalStandardDrift => {
                let last = (self.sequence.lines.len() - 1) as f64;
                for (place, line) in self.sequence.lines.iter_mut().enumerate() {
                    line.effects.response *= 1.0 - 0.4 * place as f64 / last;
                }
                Ok(Vec::new())
            }
            Fault::InternalStandardSamplesUnlike => {
                for line in self.sequence.lines.iter_mut().filter(|line| line.card.is_some()) {
                    line.effects.response *= 0.7;
                }
                Ok(Vec::new())
            }
            Fault::CrossTalk { analyte } => {
                self.effects.cross_talk[analyte] = 0.35;
                Ok(Vec::new())
            }
            Fault::LowSensitivity => {
                for line in &mut self.sequence.lines {
                    line.effects.response *= 0.25;
                }
                Ok(Vec::new())
            }
            Fault::SystemSuitabilityScatter { analyte } => {
                let factors = [1.0, 1.18, 0.82, 1.18, 0.82];
                let lines = self.every(SampleRole::SystemSuitability, |_| ());
                for (line, factor) in lines.iter().zip(factors) {
                    self.sequence.lines[*line].effects.analyte[analyte] *= factor;
                }
                Ok(lines)
            }
            Fault::DuplicatesDisagree => self.second_spot(fault),
            Fault::IncurredRepeatDisagrees => {
                let of = |line: &Line| line.injection.role == SampleRole::IncurredRepeat;
                let line = self.pick(fault, |planter, place| of(&planter.sequence.lines[place]))?;
                self.bring_into_range(line);
                self.scale_all(line, 0.55);
                Ok(vec![line])
            }
            Fault::DilutionControlsFail { analyte } => {
                let lines = self.every(SampleRole::DilutionControl, |_| ());
                Ok(self.scale_analyte(lines, analyte, 0.7))
            }
            Fault::SameTraceTwice => {
                let first = self.any_sample(fault)?;
                let second = self.any_sample(fault)?;
                self.sequence.lines[second].effects.same_as = Some(first);
                let mut pair = vec![first, second];
                pair.sort_unstable();
                Ok(pair)
            }
            Fault::TraceMissing { analyte } => {
                let line = self.sample(fault, analyte)?;
                self.sequence.lines[line].effects.missing_transition = Some(self.transition(analyte, 0));
                Ok(vec![line])
            }
            Fault::RequestMissing => self.one_card(fault, |_, card| card.requested = false),
            Fault::HaematocritOutside => self.one_card(fault, |panel, card| {
                card.haematocrit_stated = true;
                card.haematocrit = panel
                    .method
                    .validated
                    .haematocrit
                    .map_or(0.72, |range| range[1] + 0.04);
            }),
            Fault::CardTooOld => self.one_card(fault, |panel, card| {
                let age_d = panel.method.validated.card_age_max_d.unwrap_or(14.0) + 6.0;
                let back = card.collected_unix_s - (card.received_unix_s - (age_d * 86_400.0) as i64);
                card.collected_unix_s -= back;
                card.last_dose_unix_s -= back;
            }),
            Fault::TimesContradict => self.one_card(fault, |_, card| {
                card.last_dose_stated = true;
                card.last_dose_unix_s = card.collected_unix_s + 2 * 3600;
            }),
        }
    }

    fn wrong_stock(&mut self, bias_pct: f64) -> Result<Vec<usize>, SimulateError> {
        if !(20.0..=100.0).contains(&bias_pct) {
            return Err(SimulateError::OutsideRange {
                what: "bias of the calibration stock (%)",
                found: bias_pct.to_string(),
                expected: "20 to 100",
            });
        }
        Ok(self.every(SampleRole::Calibrator, |line| {
            for concentration in &mut line.concentrations {
                *concentration *= 1.0 + bias_pct / 100.0;
            }
        }))
    }

    fn controls_at_two_thirds(&mut self, analyte: usize) -> Vec<usize> {
        let mut levels: Vec<Vec<usize>> = Vec::new();
        for level in self.control_levels(analyte) {
            levels.push(self.controls_of(&level));
        }
        let total: usize = levels.iter().map(Vec::len).sum();
        let mut off = Vec::new();
        // One from each level in turn, so that no level loses more than half of its controls.
        for turn in 0.. {
            let level = &levels[turn % levels.len()];
            if off.len() == total / 3 {
                break;
            }
            off.push(level[turn / levels.len() * 2 % level.len()]);
        }
        self.scale_analyte(off, analyte, 1.35)
    }

    fn control_level_off(&mut self, analyte: usize) -> Vec<usize> {
        let lines = self
            .control_levels(analyte)
            .first()
            .map(|level| self.controls_of(level));
        self.scale_analyte(lines.unwrap_or_default(), analyte, 1.35)
    }

    fn control_levels(&self, analyte: usize) -> Vec<String> {
        let of = &self.panel.method.analytes[analyte];
        let names = of.controls.iter().map(|level| level.name.to_string());
        names.filter(|name| name != DILUTION_LEVEL).collect()
    }

    fn controls_of(&self, level: &str) -> Vec<usize> {
        let is = |line: &Line| {
            line.injection.role == SampleRole::Control
                && line
                    .injection
                    .level
                    .as_ref()
                    .is_some_and(|name| name.as_str() == level)
        };
        let lines = self.sequence.lines.iter().enumerate();
        lines
            .filter(|(_, line)| is(line))
            .map(|(place, _)| place)
            .collect()
    }

    fn ratio_drift(&mut self, analyte: usize) -> Vec<usize> {
        let last = (self.sequence.lines.len() - 1) as f64;
        for (place, line) in self.sequence.lines.iter_mut().enumerate() {
            line.effects.analyte[analyte] *= 1.0 - 0.18 * place as f64 / last;
        }
        Vec::new()
    }

    fn calibrators_off(&mut self, analyte: usize, level: usize, factor: f64) -> Vec<usize> {
        let name = &self.panel.method.analytes[analyte].calibrators[level].name;
        let is = |line: &Line| {
            line.injection.role == SampleRole::Calibrator && line.injection.level.as_ref() == Some(name)
        };
        let lines = self.sequence.lines.iter().enumerate();
        let lines = lines
            .filter(|(_, line)| is(line))
            .map(|(place, _)| place)
            .collect();
        self.scale_analyte(lines, analyte, factor)
    }

    fn saturation(&mut self, fault: Fault, analyte: usize) -> Result<Vec<usize>, SimulateError> {
        let line = self.sample_followed(fault, analyte)?;
        let physics = self.panel.physics[self.transition(analyte, 0)];
        let height_per_unit = physics.area_per_unit * physics.shape.height_per_area();
        let concentration = 2.2 * self.panel.ceiling_counts / height_per_unit;
        self.set_concentration(line, analyte, Some(concentration));
        Ok(vec![line])
    }

    fn carry_over(&mut self, fault: Fault, analyte: usize) -> Result<Vec<usize>, SimulateError> {
        let strong = self.sample_followed(fault, analyte)?;
        let weak = strong + 1;
        self.taken[weak] = true;
        let of = &self.panel.method.analytes[analyte];
        self.effects.carry_over_of_lloq[analyte] = Some(0.12);
        self.set_concentration(strong, analyte, Some(4.0 * of.uloq()));
        self.set_concentration(weak, analyte, Some(1.5 * of.lloq()));
        Ok(vec![weak])
    }

    fn second_spot(&mut self, fault: Fault) -> Result<Vec<usize>, SimulateError> {
        let line = self.pick(fault, |planter, place| {
            let injection = &planter.sequence.lines[place].injection;
            injection.role == SampleRole::Patient
                && injection.spot == Some(2)
                && injection.repeat_of.is_none()
        })?;
        self.bring_into_range(line);
        self.scale_all(line, 0.55);
        let card = self.sequence.lines[line].card;
        let lines = self.sequence.lines.iter().enumerate();
        let same =
            lines.filter(|(_, other)| other.card == card && other.injection.role == SampleRole::Patient);
        let pair: Vec<usize> = same.map(|(place, _)| place).collect();
        for place in &pair {
            self.taken[*place] = true;
        }
        Ok(pair)
    }

    /// Gives the card of this line a concentration well within range of every analyte it asks for, on each of its
    /// lines: two measurements can only disagree where both are numbers.
    fn bring_into_range(&mut self, line: usize) {
        let Some(card) = self.sequence.lines[line].card else {
            return;
        };
        for (analyte, of) in self.panel.method.analytes.iter().enumerate() {
            let asked = self.sequence.cards[card].concentrations[analyte];
            let inside =
                |concentration: f64| concentration > 5.0 * of.lloq() && concentration < 0.5 * of.uloq();
            // The first analyte is asked for in any case, so that one of them stands in a run where another is rejected.
            if asked.map_or(analyte != 0, inside) {
                continue;
            }
            let concentration = (10.0 * of.lloq()).min(0.3 * of.uloq());
            self.sequence.cards[card].concentrations[analyte] = Some(concentration);
            for other in self
                .sequence
                .lines
                .iter_mut()
                .filter(|other| other.card == Some(card))
            {
                other.concentrations[analyte] = concentration;
            }
        }
    }

    fn foreign(
        &mut self,
        fault: Fault,
        analyte: usize,
        areas: &[(usize, ForeignArea)],
        offset_s: f64,
        width: f64,
    ) -> Result<Vec<usize>, SimulateError> {
        let line = self.sample(fault, analyte)?;
        for (which, area) in areas {
            self.add_foreign(line, analyte, *which, *area, offset_s, width);
        }
        Ok(vec![line])
    }

    fn add_foreign(
        &mut self,
        line: usize,
        analyte: usize,
        which: usize,
        area: ForeignArea,
        offset_s: f64,
        width_factor: f64,
    ) {
        let transition = self.transition(analyte, which);
        let peak = ForeignPeak {
            transition,
            offset_s,
            width_factor,
            area,
        };
        self.sequence.lines[line].effects.foreign.push(peak);
    }

    fn one_sample(&mut self, fault: Fault, change: impl Fn(&mut Line)) -> Result<Vec<usize>, SimulateError> {
        let line = self.any_sample(fault)?;
        change(&mut self.sequence.lines[line]);
        Ok(vec![line])
    }

    fn one_card(
        &mut self,
        fault: Fault,
        change: impl Fn(&Panel, &mut crate::line::Card),
    ) -> Result<Vec<usize>, SimulateError> {
        let line = self.any_sample(fault)?;
        if let Some(card) = self.sequence.lines[line].card {
            change(self.panel, &mut self.sequence.cards[card]);
        }
        Ok(vec![line])
    }

    fn every(&mut self, role: SampleRole, change: impl Fn(&mut Line)) -> Vec<usize> {
        let mut places = Vec::new();
        for (place, line) in self.sequence.lines.iter_mut().enumerate() {
            if line.injection.role == role {
                change(line);
                places.push(place);
            }
        }
        places
    }

    fn scale_analyte(&mut self, lines: Vec<usize>, analyte: usize, factor: f64) -> Vec<usize> {
        let mut lines = lines;
        lines.sort_unstable();
        for line in &lines {
            self.sequence.lines[*line].concentrations[analyte] *= factor;
        }
        lines
    }

    fn scale_all(&mut self, line: usize, factor: f64) {
        for concentration in &mut self.sequence.lines[line].concentrations {
            *concentration *= factor;
        }
    }

    fn set_concentration(&mut self, line: usize, analyte: usize, concentration: Option<f64>) {
        let line = &mut self.sequence.lines[line];
        line.concentrations[analyte] = concentration.unwrap_or(0.0);
        if let Some(card) = line.card {
            self.sequence.cards[card].concentrations[analyte] = concentration;
        }
    }

    /// A place near the middle of the run, a third of a bracket past a bracket.
    fn middle(&self) -> usize {
        self.sequence.lines.len() * 11 / 20
    }

    /// Place of the analyte's quantifier (0) or qualifier (1) in the method's transitions.
    fn transition(&self, analyte: usize, which: usize) -> usize {
        let part = match which {
            0 => TransitionPart::Quantifier { analyte },
            _ => TransitionPart::Qualifier {
                analyte,
                qualifier: 0,
            },
        };
        let transitions = self.panel.method.transitions();
        transitions.iter().position(|of| of.part == part).unwrap_or(0)
    }
}
