//! The published bounds: areas, concentrations, intervals. The bounds are the project's own requirements; the truth is
//! the simulator's (docs/truth.md), which shares no formula with the code that measures.

use crate::runs::clean;
use spotwright_testkit::comparison::{Deviation, bias_pct, coverage_pct, median_absolute_pct};

fn areas(low: f64, high: f64) -> impl Iterator<Item = &'static Deviation> + Clone {
    let within = move |of: &&Deviation| of.signal_to_noise >= low && of.signal_to_noise < high;
    clean().areas.iter().filter(within)
}

fn concentrations(low: f64, high: f64) -> impl Iterator<Item = &'static Deviation> + Clone {
    let within = move |of: &&Deviation| of.over_lloq >= low && of.over_lloq < high;
    clean().concentrations.iter().filter(within)
}

/// Median |area error| at most 1 % at mid-range, at most 6 % where the signal is about ten times the noise.
#[test]
fn areas_are_as_good_as_published() {
    for (low, high, at_least, bound_pct) in [(50.0, 1000.0, 3000, 1.0), (8.0, 13.0, 60, 6.0)] {
        let count = areas(low, high).count();
        assert!(count >= at_least, "only {count} areas at {low} to {high}");
        let found = median_absolute_pct(areas(low, high)).unwrap();
        println!("signal to noise {low} to {high}: {count} areas, median |error| {found:.2} %");
        assert!(found <= bound_pct, "{found:.2} % at {low} to {high}");
    }
}

/// Bias within ± 2 % over the range, within ± 5 % at the lower limit.
#[test]
fn concentrations_are_not_biased() {
    for (low, high, bound_pct) in [
        (1.0, 1.5, 5.0),
        (1.5, 5.0, 2.0),
        (5.0, 30.0, 2.0),
        (30.0, f64::INFINITY, 2.0),
    ] {
        let count = concentrations(low, high).count();
        let (bias, error) = bias_pct(concentrations(low, high)).unwrap();
        println!("{low} to {high} times the lower limit: {count}, bias {bias:.2} ± {error:.2} %");
        assert!(count >= 20, "only {count} at {low} to {high}");
        assert!(
            bias.abs() <= bound_pct,
            "{bias:.2} ± {error:.2} % at {low} to {high}"
        );
    }
}

/// Widest departure from 95 % that is allowed of the coverage itself (%).
const COVERAGE: [f64; 2] = [93.0, 97.0];

/// 95 % intervals hold the truth 93 to 97 % of the time. The observed share may lie beyond by two standard deviations of
/// a binomial count (common practice); results of one run share a curve, so that this allowance is rather narrow.
#[test]
fn intervals_cover_as_often_as_they_say() {
    for (what, (covered, count)) in [
        ("concentrations", coverage_pct(concentrations(1.0, f64::INFINITY))),
        ("areas", coverage_pct(areas(8.0, f64::INFINITY))),
    ] {
        println!("{what}: {covered:.2} % of {count} intervals cover the truth");
        assert!(count >= 2000, "only {count} {what}");
        for (bound, sign) in COVERAGE.into_iter().zip([-1.0, 1.0]) {
            let p = bound / 100.0;
            let allowance = 100.0 * 2.0 * (p * (1.0 - p) / count as f64).sqrt();
            let beyond = sign * (covered - bound);
            assert!(
                beyond <= allowance,
                "{what}: {covered:.2} % of {count}, allowed {bound} ± {allowance:.2}"
            );
        }
    }
}
