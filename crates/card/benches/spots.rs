//! Time of finding, measuring and judging one spot: `cargo bench -p spotwright-card`.

#[allow(
    dead_code,
    reason = "the tests' painter is shared, and each user needs a part of it"
)]
#[path = "../tests/it/spots/paint.rs"]
mod paint;

use divan::{Bencher, black_box};
use paint::{BLOOD, Painter, Random};
use spotwright_card::patch::Patch;
use spotwright_card::spot::{SpotSettings, measure_spots};
use spotwright_domain::card::{PrintedCircle, SpotLimits};

fn main() {
    divan::main();
}

const CIRCLE: PrintedCircle = PrintedCircle {
    number: 1,
    centre_mm: [0.0, 0.0],
    diameter_mm: 12.0,
};

/// A drop of 10.6 mm on fibrous paper in a printed circle; `scratched`: with a pale line through it.
fn patch(pixels_per_mm: f64, scratched: bool) -> Patch {
    let painter = Painter {
        pixels_per_mm,
        fine: 2,
        blur_mm: 0.07,
        noise: 0.008,
        ..Painter::default()
    };
    let mut random = Random(7);
    let fibres: Vec<f64> = (0..64 * 64).map(|_| 1.0 + 0.03 * random.normal()).collect();
    let fibre = move |x: f64, y: f64| {
        let at = |v: f64| ((v + 9.0) * 3.5).clamp(0.0, 63.0) as usize;
        fibres[at(y) * 64 + at(x)]
    };
    painter.paint(|x, y| {
        let r = (x * x + y * y).sqrt();
        let ink = if (r - 6.0).abs() < 0.15 { 0.5 } else { 0.0 };
        let line = if scratched && (0.8 * x - 0.6 * y - 1.0).abs() < 0.2 {
            0.3
        } else {
            1.0
        };
        let load = if r < 5.3 { fibre(x, y) * line } else { 0.0 };
        BLOOD.map(|d| d * load + ink)
    })
}

#[divan::bench(args = [12.0, 17.0])]
fn good_spot(bencher: Bencher<'_, '_>, pixels_per_mm: f64) {
    let (patch, limits, settings) = (
        patch(pixels_per_mm, false),
        SpotLimits::default(),
        SpotSettings::default(),
    );
    bencher.bench(|| measure_spots(black_box(&patch), Some(&CIRCLE), &[], &limits, &settings));
}

#[divan::bench]
fn scratched_spot(bencher: Bencher<'_, '_>) {
    let (patch, limits, settings) = (patch(12.0, true), SpotLimits::default(), SpotSettings::default());
    bencher.bench(|| measure_spots(black_box(&patch), Some(&CIRCLE), &[], &limits, &settings));
}
