//! Traces of known area. The peak is the textbook form of the exponentially modified Gaussian, written here on its own.

use spotwright_domain::method::{Transition, TransitionOf, TransitionPart};
use spotwright_domain::trace::{IsolationWindow, Polarity, Trace, TraceKind};

/// Seeded random numbers: the splitmix64 generator (Steele, Lea, Flood, OOPSLA 2014; constants from memory).
#[derive(Debug, Clone)]
pub(crate) struct Random(pub(crate) u64);

impl Random {
    pub(crate) fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Uniform between 0 and 1.
    pub(crate) fn uniform(&mut self) -> f64 {
        ((self.bits() >> 11) as f64 + 0.5) / (1u64 << 53) as f64
    }

    /// Standard normal (Box–Muller).
    pub(crate) fn normal(&mut self) -> f64 {
        let radius = (-2.0 * libm::log(self.uniform())).sqrt();
        radius * libm::cos(2.0 * std::f64::consts::PI * self.uniform())
    }
}

/// A peak: area (counts·s), centre of the Gaussian (s), sigma and tau (s).
#[derive(Debug, Clone, Copy)]
pub(crate) struct TruePeak {
    pub(crate) area: f64,
    pub(crate) centre_s: f64,
    pub(crate) sigma_s: f64,
    pub(crate) tau_s: f64,
}

impl TruePeak {
    /// Signal (counts) at `t` s: the textbook form, safe for sigma/tau below 5.
    pub(crate) fn at(&self, t: f64) -> f64 {
        let (s, tau) = (self.sigma_s, self.tau_s);
        if tau <= 0.0 {
            let u = (t - self.centre_s) / s;
            return self.area * libm::exp(-0.5 * u * u) / (s * (2.0 * std::f64::consts::PI).sqrt());
        }
        let exponent = s * s / (2.0 * tau * tau) - (t - self.centre_s) / tau;
        let z = (s / tau - (t - self.centre_s) / s) / std::f64::consts::SQRT_2;
        if exponent > 600.0 {
            return 0.0;
        }
        self.area / (2.0 * tau) * libm::exp(exponent) * libm::erfc(z)
    }

    /// Time (s) and signal of the apex, by search.
    pub(crate) fn apex(&self) -> (f64, f64) {
        let mut best = (self.centre_s, self.at(self.centre_s));
        for k in 0..=4000 {
            let t = self.centre_s + self.tau_s * f64::from(k) / 4000.0;
            if self.at(t) > best.1 {
                best = (t, self.at(t));
            }
        }
        best
    }
}

/// How a trace is recorded.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Recording {
    pub(crate) start_s: f64,
    pub(crate) step_s: f64,
    pub(crate) points: usize,
    pub(crate) baseline: f64,
    pub(crate) slope_per_s: f64,
    pub(crate) white: f64,
    /// Variance per count of signal.
    pub(crate) counting: f64,
    /// Relative, a point.
    pub(crate) flicker: f64,
}

pub(crate) const USUAL: Recording = Recording {
    start_s: 60.0,
    step_s: 0.5,
    points: 450,
    baseline: 60.0,
    slope_per_s: 0.02,
    white: 10.0,
    counting: 1.0,
    flicker: 0.015,
};

pub(crate) fn transition(
    part: TransitionPart,
    precursor: f64,
    product: f64,
    retention_min: f64,
) -> TransitionOf {
    TransitionOf {
        part,
        name: format!("{precursor} > {product}"),
        transition: Transition {
            precursor_mz: precursor,
            product_mz: product,
            polarity: Polarity::Positive,
        },
        retention_time_min: retention_min,
    }
}

pub(crate) fn record(
    of: &TransitionOf,
    recording: Recording,
    peaks: &[TruePeak],
    random: &mut Random,
) -> Trace {
    let window = |mz: f64| {
        Some(IsolationWindow {
            target_mz: mz,
            lower_offset_mz: None,
            upper_offset_mz: None,
        })
    };
    let mut time_min = Vec::new();
    let mut intensity = Vec::new();
    // The first point falls anywhere within a step, as in an instrument.
    let start = recording.start_s + recording.step_s * random.uniform();
    for i in 0..recording.points {
        let t = start + recording.step_s * i as f64;
        let signal: f64 = peaks.iter().map(|p| p.at(t)).sum();
        let flicker = signal * recording.flicker * random.normal();
        let counting = (signal * recording.counting).sqrt() * random.normal();
        let level = recording.baseline + recording.slope_per_s * (t - recording.start_s);
        time_min.push(t / 60.0);
        intensity.push(level + signal + flicker + counting + recording.white * random.normal());
    }
    Trace {
        id: of.name.clone(),
        index: 0,
        kind: TraceKind::SelectedReactionMonitoring,
        polarity: Some(Polarity::Positive),
        precursor: window(of.transition.precursor_mz),
        product: window(of.transition.product_mz),
        dwell_s: None,
        time_min,
        intensity,
        problems: Vec::new(),
    }
}
