//! The order of a run: conditioning, system suitability, blanks, calibrators low to high with a blank behind the
//! highest, then samples between brackets of controls, known-high samples at the end, closing calibrators (PR-23,
//! EV-38, EV-39).

use crate::error::SimulateError;
use crate::line::{Card, Line};
use crate::panel::{DILUTION_FACTOR, DILUTION_LEVEL, Panel};
use crate::people::{Kind, PLACED, cards};
use crate::plan::RunPlan;
use crate::random::{Purpose, Stream};
use spotwright_domain::identifier::{LevelName, RunId};
use spotwright_domain::injection::{Injection, SampleRole};
use spotwright_domain::method::Level;

const SUITABILITY: usize = 5;
const DILUTION_CONTROLS: usize = 3;
const LEAST_CONDITIONING: usize = 3;
/// Seconds from one injection to the next.
const CYCLE_S: i64 = 225;

/// A run's lines and cards.
pub(crate) struct Sequence {
    pub(crate) lines: Vec<Line>,
    pub(crate) cards: Vec<Card>,
}

/// How the injections of a run are shared out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Shares {
    conditioning: usize,
    blocks: usize,
    cards: usize,
    second_spots: usize,
    incurred: usize,
}

/// One sample to inject.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Sample {
    First(usize),
    SecondSpot(usize),
    Incurred(usize),
    Diluted(usize),
    DilutedRepeat(usize),
    Blank,
    DilutionControl,
}

/// Lays out a run.
///
/// # Errors
/// When the run is too small for its panel.
pub(crate) fn sequence(panel: &Panel, plan: &RunPlan) -> Result<Sequence, SimulateError> {
    let shares = shares(panel, plan)?;
    let cards = cards(panel, plan, shares.cards)?;
    let samples = order_samples(panel, plan, &cards, shares);
    let cards: Vec<Card> = cards.into_iter().map(|(card, _)| card).collect();
    let mut layout = Layout {
        panel,
        plan,
        run: RunId::new(&run_name(plan.number))?,
        cards: &cards,
        lines: Vec::with_capacity(plan.injections),
        first_order: vec![None; cards.len()],
    };
    layout.opening(shares.conditioning)?;
    layout.bracket()?;
    for block in 0..shares.blocks {
        let cut = |block: usize| samples.len() * block / shares.blocks;
        for sample in &samples[cut(block)..cut(block + 1)] {
            layout.sample(*sample)?;
        }
        layout.bracket()?;
    }
    layout.closing()?;
    let lines = layout.lines;
    Ok(Sequence { lines, cards })
}

/// The name of a day's run.
pub(crate) fn run_name(number: u64) -> String {
    format!("R{:02}", number + 1)
}

fn shares(panel: &Panel, plan: &RunPlan) -> Result<Shares, SimulateError> {
    if plan.samples_per_bracket == 0 {
        return Err(SimulateError::OutsideRange {
            what: "samples per bracket",
            found: "0".to_owned(),
            expected: "at least 1",
        });
    }
    let analytes = panel.method.analytes.len();
    let bracket = panel.method.analytes[0].controls.len();
    let closing = if panel.every_level_twice { 8 } else { 2 };
    // Double blank, zero, eight calibrators and their blank; closing calibrators and their blank; the blank and
    // the dilution controls among the known-high samples.
    let fixed = SUITABILITY + 2 + 8 + 1 + closing + 1 + 1 + DILUTION_CONTROLS;
    let least_cards = PLACED * analytes + 6;
    // A bracket is every level in range (all but the dilution level) and a blank.
    let total = |samples: usize| {
        let blocks = samples.div_ceil(plan.samples_per_bracket);
        LEAST_CONDITIONING + fixed + samples + bracket * (blocks + 1)
    };
    let split = |samples: usize| {
        let incurred = samples.div_ceil(11);
        let patients = samples - incurred;
        let second_spots = patients / 12;
        (
            patients.saturating_sub(second_spots + analytes),
            second_spots,
            incurred,
        )
    };
    let least = (1..)
        .find(|samples| split(*samples).0 >= least_cards)
        .unwrap_or(1);
    if total(least) > plan.injections {
        return Err(SimulateError::TooFewInjections {
            found: plan.injections,
            least: total(least),
        });
    }
    let samples = (least..)
        .take_while(|samples| total(*samples) <= plan.injections)
        .last()
        .unwrap_or(least);
    let (cards, second_spots, incurred) = split(samples);
    Ok(Shares {
        conditioning: LEAST_CONDITIONING + plan.injections - total(samples),
        blocks: samples.div_ceil(plan.samples_per_bracket),
        cards,
        second_spots,
        incurred,
    })
}

/// Samples in order: those that come back later first, then the rest mixed with second spots and repeats, the
/// known-high ones last.
fn order_samples(panel: &Panel, plan: &RunPlan, cards: &[(Card, Kind)], shares: Shares) -> Vec<Sample> {
    let mut stream = Stream::new(plan.seed, plan.number, Purpose::People, 1);
    // Repeats are drawn from concentrations where their own noise does not decide (C62, EV-55).
    let repeatable = |card: &Card| {
        panel
            .method
            .analytes
            .iter()
            .zip(&card.concentrations)
            .all(|(of, concentration)| {
                concentration.is_none_or(|c| c > 5.0 * of.lloq() && c < 0.7 * of.uloq())
            })
    };
    let mut ordinary: Vec<usize> = (0..cards.len())
        .filter(|i| cards[*i].1 == Kind::Ordinary)
        .collect();
    stream.shuffle(&mut ordinary);
    let (mut early, mut late): (Vec<usize>, Vec<usize>) =
        ordinary.into_iter().partition(|i| repeatable(&cards[*i].0));
    // The first half of the run: every sample that comes back, and as many others as fit.
    let wanted = (early.len() + late.len()) / 2;
    let returning = (shares.second_spots + shares.incurred).min(early.len());
    late.extend(early.split_off(returning));
    let come_back = early.clone();
    stream.shuffle(&mut late);
    let fill = wanted.saturating_sub(early.len()).min(late.len());
    early.extend(late.drain(..fill));
    stream.shuffle(&mut early);

    let mut samples: Vec<Sample> = early.into_iter().map(Sample::First).collect();
    let mut rest: Vec<Sample> = late.into_iter().map(Sample::First).collect();
    for (place, card) in come_back.into_iter().enumerate() {
        rest.push(if place < shares.second_spots {
            Sample::SecondSpot(card)
        } else {
            Sample::Incurred(card)
        });
    }
    // Should too few samples be fit to come back, blanks keep the number of injections what was asked for.
    let missing = (shares.second_spots + shares.incurred).saturating_sub(returning);
    rest.extend(std::iter::repeat_n(Sample::Blank, missing));
    stream.shuffle(&mut rest);
    samples.extend(rest);

    let of_kind = |kind: Kind| (0..cards.len()).filter(move |i| cards[*i].1 == kind);
    samples.extend(of_kind(Kind::Above).map(Sample::First));
    samples.push(Sample::Blank);
    samples.extend([Sample::DilutionControl; DILUTION_CONTROLS]);
    samples.extend(of_kind(Kind::FarAbove).map(Sample::Diluted));
    samples.extend(of_kind(Kind::Above).map(Sample::DilutedRepeat));
    samples
}

/// Writes lines one after another.
struct Layout<'a> {
    panel: &'a Panel,
    plan: &'a RunPlan,
    run: RunId,
    cards: &'a [Card],
    lines: Vec<Line>,
    /// Order of the first injection of each card.
    first_order: Vec<Option<u32>>,
}

impl Layout<'_> {
    fn opening(&mut self, conditioning: usize) -> Result<(), SimulateError> {
        let middle = self.levels(|analyte| analyte.calibrators.get(4));
        for role in std::iter::repeat_n(SampleRole::Conditioning, conditioning)
            .chain(std::iter::repeat_n(SampleRole::SystemSuitability, SUITABILITY))
        {
            self.push(role, None, middle.clone(), 1.0)?.solution = true;
        }
        let none = vec![0.0; self.panel.method.analytes.len()];
        self.push(SampleRole::DoubleBlank, None, none.clone(), 0.0)?;
        self.push(SampleRole::Zero, None, none, 1.0)?;
        for level in 0..8 {
            self.calibrator(level)?;
        }
        self.blank()
    }

    fn closing(&mut self) -> Result<(), SimulateError> {
        let every_level = self.panel.every_level_twice;
        for level in (0..8).filter(|level| every_level || *level == 0 || *level == 7) {
            self.calibrator(level)?;
        }
        self.blank()
    }

    fn bracket(&mut self) -> Result<(), SimulateError> {
        for level in 0..self.panel.method.analytes[0].controls.len() {
            let name = self.panel.method.analytes[0].controls[level].name.clone();
            if name.as_str() != DILUTION_LEVEL {
                let concentrations = self.levels(|analyte| analyte.controls.get(level));
                self.push(SampleRole::Control, Some(name), concentrations, 1.0)?;
            }
        }
        self.blank()
    }

    fn calibrator(&mut self, level: usize) -> Result<(), SimulateError> {
        let name = self.panel.method.analytes[0].calibrators[level].name.clone();
        let concentrations = self.levels(|analyte| analyte.calibrators.get(level));
        self.push(SampleRole::Calibrator, Some(name), concentrations, 1.0)?;
        Ok(())
    }

    fn blank(&mut self) -> Result<(), SimulateError> {
        let none = vec![0.0; self.panel.method.analytes.len()];
        self.push(SampleRole::CarryOverBlank, None, none, 0.0)?;
        Ok(())
    }

    fn sample(&mut self, sample: Sample) -> Result<(), SimulateError> {
        match sample {
            Sample::Blank => self.blank(),
            Sample::DilutionControl => {
                let level = self.panel.method.analytes[0]
                    .controls
                    .last()
                    .map(|level| level.name.clone());
                let concentrations = self.levels(|analyte| analyte.controls.last());
                let line = self.push(SampleRole::DilutionControl, level, concentrations, 1.0)?;
                line.injection.dilution_factor = DILUTION_FACTOR;
                Ok(())
            }
            Sample::First(card) => self.person(card, SampleRole::Patient, 1, 1.0),
            Sample::SecondSpot(card) => self.person(card, SampleRole::Patient, 2, 1.0),
            Sample::Diluted(card) => self.person(card, SampleRole::Patient, 1, DILUTION_FACTOR),
            Sample::Incurred(card) => {
                let original = self.first_order[card];
                self.person(card, SampleRole::IncurredRepeat, 3, 1.0)?;
                self.repeat(original, None);
                Ok(())
            }
            Sample::DilutedRepeat(card) => {
                let original = self.first_order[card];
                self.person(card, SampleRole::Patient, 2, DILUTION_FACTOR)?;
                self.repeat(original, Some("above upper limit: diluted"));
                Ok(())
            }
        }
    }

    fn repeat(&mut self, original: Option<u32>, reason: Option<&str>) {
        let run = self.run.clone();
        if let Some(line) = self.lines.last_mut() {
            line.injection.repeat_of = original.map(|order| format!("{run}/{order}"));
            line.injection.repeat_reason = reason.map(str::to_owned);
        }
    }

    fn person(
        &mut self,
        card: usize,
        role: SampleRole,
        spot: u32,
        dilution: f64,
    ) -> Result<(), SimulateError> {
        let of = &self.cards[card];
        let code = of.code.clone();
        let concentrations = of.concentrations.iter().map(|c| c.unwrap_or(0.0)).collect();
        let line = self.push(role, None, concentrations, 1.0)?;
        line.card = Some(card);
        line.injection.card = Some(code);
        line.injection.spot = Some(spot);
        line.injection.dilution_factor = dilution;
        let order = line.injection.order;
        self.first_order[card].get_or_insert(order);
        Ok(())
    }

    fn levels<'b>(
        &'b self,
        pick: impl Fn(&'b spotwright_domain::method::Analyte) -> Option<&'b Level>,
    ) -> Vec<f64> {
        let of = |analyte| pick(analyte).map_or(0.0, |level| level.concentration);
        self.panel.method.analytes.iter().map(of).collect()
    }

    fn push(
        &mut self,
        role: SampleRole,
        level: Option<LevelName>,
        concentrations: Vec<f64>,
        standard: f64,
    ) -> Result<&mut Line, SimulateError> {
        let order = self.lines.len() as u32 + 1;
        let at = self.plan.start_unix_s + CYCLE_S * i64::from(order - 1);
        let injection = Injection {
            run: self.run.clone(),
            order,
            trace_file: format!("{}-{order:03}.mzML", self.run),
            role,
            level,
            card: None,
            spot: None,
            dilution_factor: 1.0,
            rack_position: Some(rack_position(order)),
            sub_batch: None,
            injected_at: Some(jiff::Timestamp::from_second(at)?.to_string()),
            repeat_of: None,
            repeat_reason: None,
        };
        self.lines.push(Line::new(injection, concentrations, standard));
        let last = self.lines.len() - 1;
        Ok(&mut self.lines[last])
    }
}

/// Racks of eight rows by twelve places.
fn rack_position(order: u32) -> String {
    let place = order - 1;
    let row = char::from(b'A' + (place / 12 % 8) as u8);
    format!("{}-{row}{:02}", place / 96 + 1, place % 12 + 1)
}
