//! What to simulate: a day of runs, or one run.

use crate::fault::Fault;
use crate::panel::PanelKind;

/// The seed of the demo day.
pub const DEMO_SEED: u64 = 20_260_302;
/// Largest number of injections of a day.
pub const MOST_INJECTIONS: u64 = 100_000;
/// Largest number of injections of one run of a scale day.
pub const MOST_INJECTIONS_PER_RUN: u64 = 500;

/// 2026-03-02T08:00:00Z, when the first run of a day starts.
const FIRST_START_UNIX_S: i64 = 1_772_438_400;
const DAY_S: i64 = 86_400;

/// What kind of day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scenario {
    /// Five panels with planted faults: one run to reject, one borderline, one analyte to reject, and single
    /// samples that went wrong.
    Demo,
    /// Runs without a fault.
    Clean,
    /// Many runs of the immunosuppressant panel (12 transitions), without a fault, for speed and memory.
    Scale,
}

/// How arrays are packed in the mzML files.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Compression {
    /// Not packed.
    None,
    /// zlib.
    #[default]
    Zlib,
}

/// A laboratory day to simulate.
#[derive(Debug, Clone, PartialEq)]
pub struct DayPlan {
    /// Everything random follows from it.
    pub seed: u64,
    /// Which kind of day.
    pub scenario: Scenario,
    /// Injections of the whole day, up to [`MOST_INJECTIONS`]; `None`: the scenario's own number.
    pub injections: Option<u64>,
    /// How arrays are packed.
    pub compression: Compression,
    /// Faults beyond the scenario's own: number of the run (from 0) and the fault.
    pub faults: Vec<(usize, Fault)>,
}

impl DayPlan {
    /// The demo day: five panels, 600 injections, every kind of trouble planted somewhere.
    #[must_use]
    pub fn demo() -> Self {
        Self::new(DEMO_SEED, Scenario::Demo)
    }

    /// One clean run of about 110 injections; the seed also chooses the panel.
    #[must_use]
    pub fn clean(seed: u64) -> Self {
        Self::new(seed, Scenario::Clean)
    }

    /// A day of this many injections in runs of at most [`MOST_INJECTIONS_PER_RUN`].
    #[must_use]
    pub fn scale(seed: u64, injections: u64) -> Self {
        Self {
            injections: Some(injections),
            ..Self::new(seed, Scenario::Scale)
        }
    }

    fn new(seed: u64, scenario: Scenario) -> Self {
        Self {
            seed,
            scenario,
            injections: None,
            compression: Compression::Zlib,
            faults: Vec::new(),
        }
    }

    /// The runs of the day, in order. Cheap: nothing is simulated yet.
    #[must_use]
    pub fn runs(&self) -> Vec<RunPlan> {
        let sizes = self.run_sizes();
        let mut first_card = 1;
        let mut runs: Vec<RunPlan> = Vec::with_capacity(sizes.len());
        for (number, injections) in sizes.into_iter().enumerate() {
            let (panel, mut faults) = match self.scenario {
                Scenario::Demo => (PanelKind::ALL[number % PanelKind::ALL.len()], demo_faults(number)),
                Scenario::Clean => (clean_panel(self.seed, number), Vec::new()),
                Scenario::Scale => (PanelKind::Immunosuppressants, Vec::new()),
            };
            faults.extend(
                self.faults
                    .iter()
                    .filter(|(run, _)| *run == number)
                    .map(|(_, fault)| *fault),
            );
            // The demo day's lines run side by side; the others come one a day.
            let start_unix_s = match self.scenario {
                Scenario::Demo => FIRST_START_UNIX_S + 900 * number as i64,
                Scenario::Clean | Scenario::Scale => FIRST_START_UNIX_S + DAY_S * number as i64,
            };
            runs.push(RunPlan {
                seed: self.seed,
                number: number as u64,
                panel,
                injections,
                samples_per_bracket: if self.scenario == Scenario::Scale { 30 } else { 20 },
                complete_requests: self.scenario != Scenario::Demo,
                start_unix_s,
                first_card,
                faults,
            });
            // An injection takes at most one new card, so codes of later runs never meet these.
            first_card += injections as u64;
        }
        runs
    }

    fn run_sizes(&self) -> Vec<usize> {
        let (runs, total) = match (self.scenario, self.injections) {
            (Scenario::Demo, total) => (PanelKind::ALL.len() as u64, total.unwrap_or(600)),
            (Scenario::Clean, None) => (1, RunPlan::USUAL_INJECTIONS as u64),
            (Scenario::Clean, Some(total)) => ((total / 110).max(1), total),
            (Scenario::Scale, total) => {
                let total = total.unwrap_or(500);
                (total.div_ceil(MOST_INJECTIONS_PER_RUN).max(1), total)
            }
        };
        (0..runs)
            .map(|run| (total * (run + 1) / runs - total * run / runs) as usize)
            .collect()
    }
}

fn clean_panel(seed: u64, number: usize) -> PanelKind {
    PanelKind::ALL[((seed % 5) as usize + number) % PanelKind::ALL.len()]
}

/// The faults of the demo day, run by run.
fn demo_faults(number: usize) -> Vec<Fault> {
    match number % PanelKind::ALL.len() {
        // Immunosuppressants: ciclosporin must be rejected while its neighbours stand.
        0 => vec![
            Fault::ControlLevelOff { analyte: 1 },
            Fault::CarryOverIntoWeakSample { analyte: 0 },
            Fault::QualifierInterference { analyte: 0 },
            Fault::MissedSpray,
            Fault::SplitPeak,
            Fault::TruncatedFile,
            Fault::DuplicatesDisagree,
        ],
        // Antiepileptics: cross-talk bends lamotrigine, levetiracetam loses its lowest level.
        1 => vec![
            Fault::CrossTalk { analyte: 1 },
            Fault::LowestCalibratorFails { analyte: 2 },
            Fault::OverlappingNeighbour { analyte: 0 },
            Fault::DetectorSaturation { analyte: 0 },
            Fault::SameTraceTwice,
            Fault::DoubleSpray,
        ],
        // Antiretrovirals: the borderline run, exactly two thirds of the efavirenz controls pass.
        2 => vec![
            Fault::ControlsAtTwoThirds { analyte: 0 },
            Fault::RetentionJump,
            Fault::HalfSpray,
            Fault::IncurredRepeatDisagrees,
            Fault::LateEluter { analyte: 1 },
            Fault::CardTooOld,
        ],
        // Newborn antibiotics: the source is cleaned in mid-run, gentamicin drifts.
        3 => vec![
            Fault::InternalStandardStep,
            Fault::ControlsDrift { analyte: 0 },
            Fault::AirInjection,
            Fault::HaematocritOutside,
            Fault::TimesContradict,
            Fault::QualifierInterference { analyte: 2 },
        ],
        // Ivermectin: calibrators made from a wrong stock; the run must be rejected.
        _ => vec![
            Fault::CalibrationStockWrong { bias_pct: 30.0 },
            Fault::RequestMissing,
            Fault::TraceMissing { analyte: 1 },
        ],
    }
}

/// One analytical run to simulate.
#[derive(Debug, Clone, PartialEq)]
pub struct RunPlan {
    /// Everything random follows from it and from [`Self::number`].
    pub seed: u64,
    /// Number of the run in its day, from 0.
    pub number: u64,
    /// The panel.
    pub panel: PanelKind,
    /// How many injections, exactly.
    pub injections: usize,
    /// Samples between two brackets of controls.
    pub samples_per_bracket: usize,
    /// Whether every request gives haematocrit and last dose; otherwise some leave them out, as clinics do.
    pub complete_requests: bool,
    /// When the first injection starts (seconds since 1970-01-01T00:00Z).
    pub start_unix_s: i64,
    /// Number of the first card.
    pub first_card: u64,
    /// What goes wrong.
    pub faults: Vec<Fault>,
}

impl RunPlan {
    /// Injections of a run when nobody asks for another number.
    pub const USUAL_INJECTIONS: usize = 110;

    /// A run without a fault.
    #[must_use]
    pub fn clean(seed: u64, panel: PanelKind) -> Self {
        Self {
            seed,
            number: 0,
            panel,
            injections: Self::USUAL_INJECTIONS,
            samples_per_bracket: 20,
            complete_requests: true,
            start_unix_s: FIRST_START_UNIX_S,
            first_card: 1,
            faults: Vec::new(),
        }
    }

    /// A run that is clean but for one fault.
    #[must_use]
    pub fn with_fault(seed: u64, panel: PanelKind, fault: Fault) -> Self {
        Self {
            faults: vec![fault],
            ..Self::clean(seed, panel)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn runs_of_a_scale_day_add_up() {
        for injections in [500, 501, 1_250, 50_000, 100_000] {
            let runs = DayPlan::scale(1, injections).runs();
            let total: usize = runs.iter().map(|run| run.injections).sum();
            assert_eq!(total as u64, injections);
            assert!(
                runs.iter()
                    .all(|run| run.injections as u64 <= MOST_INJECTIONS_PER_RUN)
            );
        }
    }
}
