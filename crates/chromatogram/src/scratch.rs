//! Buffers that are reused from trace to trace, and the window of a trace they hold.

use crate::candidate::Candidate;
pub(crate) use crate::order_statistic::{Kept, order_statistic};
use spotwright_domain::trace::Trace;

/// Buffers for [`measure_injection`](crate::measure_injection): make one a thread and hand it in again and again. Its content
/// never influences a result.
#[derive(Debug, Default)]
pub struct Scratch {
    /// Times of the window's points (s from the window's centre), strictly rising.
    pub(crate) x: Vec<f64>,
    /// Intensities as recorded.
    pub(crate) y: Vec<f64>,
    /// Smoothed intensities.
    pub(crate) smooth: Vec<f64>,
    /// For order statistics.
    pub(crate) work: Vec<f64>,
    pub(crate) kept: Kept,
    /// Times and intensities of the baseline stretches.
    pub(crate) baseline_x: Vec<f64>,
    pub(crate) baseline_y: Vec<f64>,
    pub(crate) candidates: Vec<Candidate>,
    /// Candidates of the internal standards: position of the standard among the transitions, candidate.
    pub(crate) standards: Vec<(usize, Candidate)>,
    sorted: Vec<(f64, f64)>,
}

/// Where the recorded trace lies, seen from the window's centre.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Extent {
    /// First and last recorded time (s from the centre).
    pub first_s: f64,
    pub last_s: f64,
    /// Mean distance of the window's points (s); 0 for fewer than two.
    pub step_s: f64,
}

/// Beyond this nothing is a time or an intensity of a chromatogram, and squares would overflow.
const LARGEST: f64 = 1e30;

impl Scratch {
    /// Empty buffers.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Loads the points within `before_s` and `after_s` of `centre_min`, in order of time. Points that are not finite (or
    /// beyond 1e30) are left out, points at the same time averaged. `None` when the trace holds no usable point.
    pub(crate) fn load(
        &mut self,
        trace: &Trace,
        centre_min: f64,
        before_s: f64,
        after_s: f64,
    ) -> Option<Extent> {
        self.x.clear();
        self.y.clear();
        if !centre_min.is_finite() {
            return None;
        }
        let n = trace.time_min.len().min(trace.intensity.len());
        let (times, values) = (&trace.time_min[..n], &trace.intensity[..n]);
        let later = times.get(1..).unwrap_or_default();
        let rising = later.iter().zip(times).fold(true, |ok, (b, a)| ok & (b > a));
        // Where times rise, all lie between the first and the last.
        let ends = [times.first()?, times.last()?];
        let usable = ends.iter().all(|t| t.abs() < LARGEST)
            & values.iter().fold(true, |ok, v| ok & (v.abs() < LARGEST));
        let (from, to) = (centre_min - before_s / 60.0, centre_min + after_s / 60.0);
        let (first, last);
        if rising && usable {
            (first, last) = (*times.first()?, *times.last()?);
            let start = times.partition_point(|t| *t < from);
            let end = start + times[start..].partition_point(|t| *t <= to);
            self.x
                .extend(times[start..end].iter().map(|t| (t - centre_min) * 60.0));
            self.y.extend_from_slice(&values[start..end]);
        } else {
            (first, last) = self.load_disorderly(times, values, centre_min, from, to)?;
        }
        let step_s = match (self.x.first(), self.x.last()) {
            (Some(a), Some(b)) if self.x.len() > 1 => (b - a) / (self.x.len() - 1) as f64,
            _ => 0.0,
        };
        Some(Extent {
            first_s: (first - centre_min) * 60.0,
            last_s: (last - centre_min) * 60.0,
            step_s,
        })
    }

    fn load_disorderly(
        &mut self,
        times: &[f64],
        values: &[f64],
        centre_min: f64,
        from: f64,
        to: f64,
    ) -> Option<(f64, f64)> {
        self.sorted.clear();
        let points = times.iter().zip(values).map(|(t, v)| (*t, *v));
        self.sorted
            .extend(points.filter(|(t, v)| t.abs() < LARGEST && v.abs() < LARGEST));
        self.sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
        for group in self.sorted.chunk_by(|a, b| a.0 >= b.0) {
            let time = group[0].0;
            if from <= time && time <= to {
                self.x.push((time - centre_min) * 60.0);
                self.y
                    .push(group.iter().map(|(_, v)| v).sum::<f64>() / group.len() as f64);
            }
        }
        Some((self.sorted.first()?.0, self.sorted.last()?.0))
    }
}

/// Positions of the points with `from` ≤ x ≤ `to`.
pub(crate) fn range(x: &[f64], from: f64, to: f64) -> std::ops::Range<usize> {
    let start = x.partition_point(|v| *v < from);
    let end = start + x[start..].partition_point(|v| *v <= to);
    start..end
}
