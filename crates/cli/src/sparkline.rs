//! A chromatogram in one line of text.

use spotwright_domain::trace::Trace;

const BARS: [char; 8] = ['▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];

/// The trace's largest intensity in each of `width` equal stretches of time, as bars from the smallest to the
/// largest intensity of the trace. A stretch without a point is a space; a trace without points is empty.
pub(crate) fn sparkline(trace: &Trace, width: usize) -> String {
    let times = || trace.time_min.iter().copied();
    let (first, last) = (
        times().fold(f64::INFINITY, f64::min),
        times().fold(f64::NEG_INFINITY, f64::max),
    );
    let low = trace.intensity.iter().copied().fold(f64::INFINITY, f64::min);
    let high = trace.intensity.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if trace.is_empty() || width == 0 {
        return String::new();
    }
    let mut stretches: Vec<Option<f64>> = vec![None; width];
    for (time, intensity) in times().zip(&trace.intensity) {
        let share = if last > first {
            (time - first) / (last - first)
        } else {
            0.0
        };
        let stretch = &mut stretches[((share * width as f64) as usize).min(width - 1)];
        *stretch = Some(stretch.map_or(*intensity, |highest| highest.max(*intensity)));
    }
    let bar = |value: f64| {
        let share = if high > low {
            (value - low) / (high - low)
        } else {
            0.0
        };
        BARS[((share * 7.0).round() as usize).min(7)]
    };
    stretches
        .into_iter()
        .map(|stretch| stretch.map_or(' ', bar))
        .collect()
}
