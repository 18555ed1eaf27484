//! A run built line by line with known truth: areas straight from a model of the line, no chromatograms.
//!
//! One analyte `drug` (or more) against `standard`; ratio = 0.02·x·(1 + preparation), area noise 6 % at the LLOQ (signal to
//! noise near 10), 0.5 % flicker; internal standard with a CV and a drift along the run (practice.md §6).

use crate::noise::Noise;
use spotwright_assay::{AnalyteResponses, AssayInjection, RunInput, RunJudgement, judge_run};
use spotwright_domain::concentration::ConcentrationUnit;
use spotwright_domain::identifier::{
    AnalyteName, CardId, InternalStandardName, LevelName, MethodId, RunId, SubjectId,
};
use spotwright_domain::injection::{Injection, SampleRole};
use spotwright_domain::matrix::MatrixKind;
use spotwright_domain::method::{
    Analyte, Approval, CurveModel, Extraction, IntegrationSettings, InternalStandard,
    InternalStandardAddition, Level, Limits, Method, Qualifier, Transition, ValidatedRanges, Weighting,
};
use spotwright_domain::peak::{NoPeakReason, Response};
use spotwright_domain::reason::{Reason, ReasonCode};
use spotwright_domain::record::{ResultRecord, RunRecord};
use spotwright_domain::request::Request;
use spotwright_domain::trace::Polarity;
use std::collections::BTreeMap;

pub(crate) const SLOPE: f64 = 0.02;
pub(crate) const STANDARD_AREA: f64 = 100_000.0;
pub(crate) const ION_RATIO: f64 = 0.4;
/// 2026-03-02T06:00:00Z.
pub(crate) const DAY_START_UNIX_S: i64 = 1_772_431_200;

pub(crate) struct Laboratory {
    pub(crate) method: Method,
    pub(crate) lines: Vec<AssayInjection>,
    pub(crate) requests: BTreeMap<CardId, Request>,
    pub(crate) earlier: BTreeMap<String, f64>,
    pub(crate) noise: Noise,
    pub(crate) line: Line,
    pub(crate) truth: BTreeMap<u32, f64>,
}

/// How the line behaves.
#[derive(Clone)]
pub(crate) struct Line {
    pub(crate) preparation_cv: f64,
    pub(crate) standard_cv: f64,
    /// Change of the internal standard per injection.
    pub(crate) drift_per_injection: f64,
    /// Area noise at the LLOQ, relative.
    pub(crate) noise_at_lloq: f64,
    pub(crate) flicker: f64,
    /// Share of the injection before found in the next.
    pub(crate) carry_over: f64,
    pub(crate) retention_jitter: f64,
}

impl Default for Line {
    fn default() -> Self {
        Self {
            preparation_cv: 0.03,
            standard_cv: 0.06,
            drift_per_injection: -0.0005,
            noise_at_lloq: 0.06,
            flicker: 0.005,
            carry_over: 0.0,
            retention_jitter: 0.003,
        }
    }
}

pub(crate) struct Judged {
    pub(crate) run: RunRecord,
    pub(crate) results: Vec<Vec<ResultRecord>>,
    orders: Vec<u32>,
}

impl Judged {
    /// The first analyte's result at an order.
    pub(crate) fn at(&self, order: u32) -> &ResultRecord {
        let position = self.orders.iter().position(|of| *of == order).unwrap();
        &self.results[position][0]
    }

    pub(crate) fn patients(&self) -> impl Iterator<Item = &ResultRecord> {
        self.results
            .iter()
            .flatten()
            .filter(|result| result.role == SampleRole::Patient)
    }
}

pub(crate) fn has(reasons: &[Reason], code: ReasonCode) -> bool {
    reasons.iter().any(|reason| reason.code == code)
}

pub(crate) fn method(analytes: &[&str]) -> Method {
    let transition = |precursor_mz: f64, product_mz: f64| Transition {
        precursor_mz,
        product_mz,
        polarity: Polarity::Positive,
    };
    let level = |name: &str, concentration: f64| Level {
        name: LevelName::new(name).unwrap(),
        concentration,
    };
    let calibrators = [1.0, 2.0, 5.0, 10.0, 25.0, 50.0, 80.0, 100.0];
    let analyte = |name: &&str| Analyte {
        name: AnalyteName::new(name).unwrap(),
        unit: ConcentrationUnit::MicrogramPerLitre,
        molar_mass_g_per_mol: None,
        internal_standard: InternalStandardName::new("standard").unwrap(),
        retention_time_min: 1.85,
        retention_tolerance_min: None,
        quantifier: transition(821.5, 768.4),
        qualifiers: vec![Qualifier {
            transition: transition(821.5, 786.4),
            ratio_tolerance_pct: None,
        }],
        model: CurveModel::Linear,
        weighting: Weighting::InverseXSquared,
        calibrators: calibrators
            .iter()
            .enumerate()
            .map(|(i, x)| level(&format!("C{}", i + 1), *x))
            .collect(),
        controls: vec![
            level("QX", 1.0),
            level("QL", 3.0),
            level("QM", 40.0),
            level("QH", 80.0),
            level("QD", 400.0),
        ],
        within_run_cv_pct: 4.0,
        dilution_factors: vec![2.0, 10.0],
        conversion: None,
        target: None,
        interpretation: None,
    };
    Method {
        id: MethodId::new("immunosuppressants").unwrap(),
        version: "1".to_owned(),
        title: "Test".to_owned(),
        matrix: MatrixKind::DriedBlood,
        internal_standard_addition: InternalStandardAddition::Sprayed,
        approval: Some(Approval {
            by: "director".to_owned(),
            on: "2026-02-16".to_owned(),
        }),
        validated: ValidatedRanges {
            haematocrit: Some([0.20, 0.60]),
            card_age_max_d: Some(14.0),
        },
        extraction: Extraction::default(),
        internal_standards: vec![InternalStandard {
            name: InternalStandardName::new("standard").unwrap(),
            transition: transition(824.5, 771.4),
            retention_time_min: 1.84,
        }],
        analytes: analytes.iter().map(analyte).collect(),
        integration: IntegrationSettings::default(),
        limits: Limits::default(),
        limit_overrides: Vec::new(),
    }
}

impl Laboratory {
    pub(crate) fn new(seed: u64) -> Self {
        Self {
            method: method(&["drug"]),
            lines: Vec::new(),
            requests: BTreeMap::new(),
            earlier: BTreeMap::new(),
            noise: Noise::new(seed),
            line: Line::default(),
            truth: BTreeMap::new(),
        }
    }

    /// A usual run: suitability, blanks, calibrators, carry-over blanks, controls, patients in brackets of at most 20.
    pub(crate) fn usual(seed: u64, patients: &[f64]) -> Self {
        let mut lab = Self::new(seed);
        lab.opening();
        lab.brackets(patients);
        lab
    }

    pub(crate) fn opening(&mut self) {
        for _ in 0..3 {
            self.add(SampleRole::SystemSuitability, None, 10.0);
        }
        self.add(SampleRole::DoubleBlank, None, 0.0);
        self.add(SampleRole::Zero, None, 0.0);
        self.calibrators();
        for _ in 0..3 {
            self.add(SampleRole::CarryOverBlank, None, 0.0);
        }
        self.controls();
    }

    pub(crate) fn brackets(&mut self, patients: &[f64]) {
        for bracket in patients.chunks(20) {
            for x in bracket {
                self.patient(*x);
            }
            self.controls();
        }
    }

    pub(crate) fn calibrators(&mut self) {
        for level in self.method.analytes[0].calibrators.clone() {
            self.add(
                SampleRole::Calibrator,
                Some(level.name.as_str()),
                level.concentration,
            );
        }
    }

    pub(crate) fn controls(&mut self) {
        for (name, x) in [("QL", 3.0), ("QM", 40.0), ("QH", 80.0)] {
            self.add(SampleRole::Control, Some(name), x);
        }
    }

    /// A patient with a good request; the order of its injection.
    pub(crate) fn patient(&mut self, x: f64) -> u32 {
        let order = self.next_order();
        let card = CardId::new(&format!("PM-{order}")).unwrap();
        self.patient_spot(&card, 1, x)
    }

    pub(crate) fn patient_spot(&mut self, card: &CardId, spot: u32, x: f64) -> u32 {
        let order = self.add(SampleRole::Patient, None, x);
        let line = &mut self.lines.last_mut().unwrap().injection;
        line.card = Some(card.clone());
        line.spot = Some(spot);
        self.requests.entry(card.clone()).or_insert_with(|| Request {
            card: card.clone(),
            subject: SubjectId::new("SI-0417").unwrap(),
            analytes: Vec::new(),
            collected_at: Some("2026-02-27T07:40:00+00:00".to_owned()),
            last_dose_at: Some("2026-02-26T20:00:00+00:00".to_owned()),
            received_at: Some("2026-03-01T09:00:00+00:00".to_owned()),
            age_at_receipt_d: Some(2.0),
            collected_at_unix_s: Some(DAY_START_UNIX_S - 3 * 86_400 + 6_000),
            haematocrit: Some(0.40),
            weight_kg: None,
            age_y: None,
            sex: None,
            creatinine_umol_per_l: None,
            comment: None,
        });
        order
    }

    fn next_order(&self) -> u32 {
        self.lines.len() as u32 + 1
    }

    /// Adds an injection of an extract of concentration `x` (before dilution by the line's factor, if one is set later).
    pub(crate) fn add(&mut self, role: SampleRole, level: Option<&str>, x: f64) -> u32 {
        self.add_diluted(role, level, x, 1.0)
    }

    pub(crate) fn add_diluted(&mut self, role: SampleRole, level: Option<&str>, x: f64, factor: f64) -> u32 {
        let order = self.next_order();
        self.truth.insert(order, x);
        let standard = if role == SampleRole::DoubleBlank || role == SampleRole::CarryOverBlank {
            0.0
        } else {
            let drift = 1.0 + self.line.drift_per_injection * f64::from(order);
            STANDARD_AREA * drift * (1.0 + self.line.standard_cv * self.noise.normal())
        };
        let base = if standard > 0.0 { standard } else { STANDARD_AREA };
        let shift = 1.0 + self.line.retention_jitter * self.noise.normal();
        let lines: Vec<AnalyteResponses> = (0..self.method.analytes.len())
            .map(|analyte| {
                let before = self
                    .lines
                    .last()
                    .and_then(|line| line.analytes[analyte].quantifier.area_counts_s)
                    .unwrap_or(0.0);
                let prepared = 1.0 + self.line.preparation_cv * self.noise.normal();
                let area = SLOPE * x / factor * base * prepared + self.line.carry_over * before;
                AnalyteResponses {
                    quantifier: self.response(area, 1.85 * shift, 1.0),
                    qualifiers: vec![self.response(ION_RATIO * area, 1.85 * shift, ION_RATIO)],
                }
            })
            .collect();
        let standard = self.response(standard, 1.84 * shift, 1.0);
        self.lines.push(AssayInjection {
            injection: Injection {
                run: RunId::new("1").unwrap(),
                order,
                trace_file: format!("{order}.mzML"),
                role,
                level: level.map(|name| LevelName::new(name).unwrap()),
                card: None,
                spot: None,
                dilution_factor: factor,
                rack_position: None,
                sub_batch: None,
                injected_at: None,
                repeat_of: None,
                repeat_reason: None,
            },
            injected_at_unix_s: Some(DAY_START_UNIX_S + 300 * i64::from(order)),
            standards: vec![standard],
            analytes: lines,
            file_problem: None,
            remarks: Vec::new(),
            trace_digest: None,
        });
        order
    }

    /// A response with the line's noise; below a signal to noise of 3 no peak is found. `scale` scales the noise floor.
    pub(crate) fn response(&mut self, area: f64, retention_min: f64, scale: f64) -> Response {
        let floor = self.line.noise_at_lloq * SLOPE * STANDARD_AREA * scale;
        let flicker = self.line.flicker * area;
        let noise = (floor * floor + flicker * flicker).sqrt();
        let measured = area + noise * self.noise.normal();
        // Area noise of 6 % goes with a signal to noise of about 10.
        let signal_to_noise = 0.6 * measured / floor.max(1e-9);
        let found = signal_to_noise >= 3.0;
        Response {
            missing: (!found).then_some(NoPeakReason::NothingAboveNoise),
            area_counts_s: Some(measured),
            area_standard_uncertainty_counts_s: noise,
            retention_time_min: if found { retention_min } else { 0.0 },
            signal_to_noise: if found { signal_to_noise } else { 0.0 },
            width_half_height_s: if found { 4.0 } else { 0.0 },
            flags: 0,
            manual: false,
        }
    }

    pub(crate) fn edit(&mut self, order: u32, change: impl FnOnce(&mut AssayInjection)) {
        let line = self
            .lines
            .iter_mut()
            .find(|line| line.injection.order == order)
            .unwrap();
        change(line);
    }

    /// Multiplies the first analyte's areas at an order.
    pub(crate) fn scale_analyte(&mut self, order: u32, factor: f64) {
        self.edit(order, |line| {
            let responses = &mut line.analytes[0];
            for response in std::iter::once(&mut responses.quantifier).chain(&mut responses.qualifiers) {
                response.area_counts_s = response.area_counts_s.map(|area| area * factor);
            }
        });
    }

    /// Ion suppression, shared by everything in the injection; the noise floor stays.
    pub(crate) fn suppress(&mut self, order: u32, factor: f64) {
        self.edit(order, |line| {
            let of_analytes = line
                .analytes
                .iter_mut()
                .flat_map(|a| std::iter::once(&mut a.quantifier).chain(&mut a.qualifiers));
            for response in line.standards.iter_mut().chain(of_analytes) {
                response.area_counts_s = response.area_counts_s.map(|area| area * factor);
                response.area_standard_uncertainty_counts_s *= factor;
            }
        });
    }

    pub(crate) fn scale_standard(&mut self, order: u32, factor: f64) {
        self.edit(order, |line| {
            let response = &mut line.standards[0];
            response.area_counts_s = response.area_counts_s.map(|area| area * factor);
        });
    }

    /// Orders of the lines of a role (and level).
    pub(crate) fn orders(&self, role: SampleRole, level: Option<&str>) -> Vec<u32> {
        self.lines
            .iter()
            .map(|line| &line.injection)
            .filter(|line| line.role == role)
            .filter(|line| level.is_none() || line.level.as_ref().map(LevelName::as_str) == level)
            .map(|line| line.order)
            .collect()
    }

    pub(crate) fn with_judgement<T>(&self, act: impl FnOnce(&RunInput<'_>, &RunJudgement) -> T) -> T {
        let cards = |card: &CardId| self.requests.get(card);
        let earlier = |id: &str, _: usize| self.earlier.get(id).copied();
        let input = RunInput {
            method: &self.method,
            injections: &self.lines,
            cards: &cards,
            earlier: &earlier,
        };
        let judgement = judge_run(&input).unwrap();
        act(&input, &judgement)
    }

    pub(crate) fn judge(&self) -> Judged {
        self.with_judgement(|input, judgement| Judged {
            run: judgement.run_record("00"),
            results: (0..self.lines.len())
                .map(|position| judgement.results_of(input, position))
                .collect(),
            orders: self.lines.iter().map(|line| line.injection.order).collect(),
        })
    }
}
