//! Each reason on spots that have it, graded, and its absence on good ones. Faults are drawn after SPOT-01 and EV §2.1;
//! amounts are common practice, no source.

use super::paint::{BLOOD, Painter, Random};
use spotwright_card::patch::Patch;
use spotwright_card::spot::{SpotSettings, measure_spots};
use spotwright_card::suitability::judge_card;
use spotwright_domain::card::{
    CardUse, Finding, PrintedCircle, SpotLimits, SpotReasonCode as Code, SpotRecord, Suitability,
};
use spotwright_domain::reason::Severity;

const R: f64 = 4.9;

fn painter() -> Painter {
    Painter {
        blur_mm: 0.06,
        noise: 0.006,
        fine: 2,
        ..Painter::default()
    }
}

/// Smooth step from 1 inside to 0 outside over a soft edge of 0.05 mm.
fn inside(depth_mm: f64) -> f64 {
    0.5 * (1.0 + libm::erf(depth_mm / (0.05 * core::f64::consts::SQRT_2)))
}

/// A good spot: wavy outline, edge 8 % denser, fibre texture.
fn good(x: f64, y: f64) -> f64 {
    let (r, angle) = ((x * x + y * y).sqrt(), libm::atan2(y, x));
    let depth = R * (1.0 + 0.015 * libm::cos(3.0 * angle + 0.4) + 0.01 * libm::cos(5.0 * angle)) - r;
    let volcano = 1.0 + 0.08 * libm::exp(-depth.max(0.0) / 0.6);
    let fibre = 1.0 + 0.03 * libm::sin(23.0 * x + 7.0 * y) * libm::cos(19.0 * y - 5.0 * x);
    inside(depth) * volcano * fibre
}

fn judged(patch: &Patch) -> SpotRecord {
    let circle = PrintedCircle {
        number: 1,
        centre_mm: [0.0, 0.0],
        diameter_mm: 13.0,
    };
    measure_spots(
        patch,
        Some(&circle),
        &[],
        &SpotLimits::default(),
        &SpotSettings::default(),
    )
    .remove(0)
}

fn of_load(load: impl Fn(f64, f64) -> f64) -> SpotRecord {
    judged(&painter().blood(load))
}

fn severity(spot: &SpotRecord, code: Code) -> Option<Severity> {
    spot.reasons.iter().find(|r| r.code == code).map(|r| r.severity)
}

fn rejects(spot: &SpotRecord, code: Code) {
    assert_eq!(
        severity(spot, code),
        Some(Severity::Reject),
        "{code:?}: {:#?}",
        spot.reasons
    );
    assert_eq!(spot.suitability, Suitability::Unsuitable);
    let reason = spot.reasons.iter().find(|r| r.code == code).unwrap();
    assert!(!reason.rule.is_empty() && reason.text.ends_with(['.', ')']));
}

#[test]
fn good_spots_of_every_age_are_suitable_and_have_a_site() {
    // Red over green density grows as blood browns (practice notes PR-11).
    for hue in [BLOOD, [0.45, 1.4, 1.4], [0.9, 1.45, 1.6], [1.05, 1.4, 1.5]] {
        for load in [0.85, 1.0, 1.15] {
            let spot = judged(&painter().paint(|x, y| hue.map(|d| d * load * good(x, y))));
            assert_eq!(
                spot.suitability,
                Suitability::Suitable,
                "{hue:?} {load}: {:#?}",
                spot.reasons
            );
            let site = spot.site.unwrap();
            assert!(site.centre_mm.iter().all(|c| c.abs() < 0.15) && site.margin_mm > 1.0 && site.u_mm < 0.1);
            assert!(spot.volume.is_some() && spot.margins.len() > 30);
        }
    }
}

#[test]
fn an_empty_place_is_told() {
    let spot = of_load(|_, _| 0.0);
    assert_eq!(spot.finding, Finding::Empty);
    rejects(&spot, Code::NoBlood);
}

#[test]
fn too_little_and_too_much() {
    rejects(
        &of_load(|x, y| good(x * R / 3.6, y * R / 3.6)),
        Code::QuantityInsufficient,
    );
    // 8.3 mm for a 6 mm head: inside the band.
    let near = of_load(|x, y| good(x * R / 4.13, y * R / 4.13));
    assert_eq!(
        severity(&near, Code::QuantityInsufficient),
        Some(Severity::Comment)
    );
    let large = Painter {
        size_mm: 22.0,
        ..painter()
    };
    rejects(
        &judged(&large.blood(|x, y| good(x * R / 7.4, y * R / 7.4))),
        Code::Supersaturated,
    );
}

#[test]
fn pale_and_washed() {
    rejects(&of_load(|x, y| 0.18 * good(x, y)), Code::TooPale);
    let washed = of_load(|x, y| {
        let depth = R - (x * x + y * y).sqrt();
        0.5 * (0.5 * (1.0 + libm::erf(depth / 1.2)))
    });
    assert!(
        severity(&washed, Code::Diluted) >= Some(Severity::Comment),
        "{:#?}",
        washed.reasons
    );
    assert_ne!(washed.suitability, Suitability::Suitable);
}

#[test]
fn serum_ring() {
    let spot = judged(&painter().paint(|x, y| {
        let r = (x * x + y * y).sqrt();
        let core = inside(4.4 - r);
        let halo = inside(6.0 - r) * (1.0 - core);
        [
            0.01 * halo + BLOOD[0] * core,
            0.07 * halo + BLOOD[1] * core,
            0.22 * halo + BLOOD[2] * core,
        ]
    }));
    rejects(&spot, Code::SerumRing);
}

#[test]
fn scratches_by_depth() {
    let scratched = |depth: f64| {
        of_load(|x, y| {
            let line = (y - 0.2 * x - 0.7).abs() < 0.17 && x.abs() < 3.0;
            good(x, y) * if line { 1.0 - depth } else { 1.0 }
        })
    };
    let depths: Vec<f64> = [0.0, 0.3, 0.6, 0.9]
        .map(|d| scratched(d).measures.unwrap().scratch_depth_pct)
        .to_vec();
    assert!(depths.windows(2).all(|w| w[1] > w[0]), "{depths:?}");
    rejects(&scratched(0.8), Code::Scratched);
}

#[test]
fn layers_by_step() {
    let layered = |step: f64| {
        of_load(|x, y| {
            let second = inside(3.6 - ((x - 2.0) * (x - 2.0) + y * y).sqrt());
            good(x, y) * (1.0 + step * second)
        })
    };
    let steps: Vec<f64> = [0.0, 0.15, 0.3, 0.6]
        .map(|s| layered(s).measures.unwrap().layer_step_pct)
        .to_vec();
    assert!(steps.windows(2).all(|w| w[1] > w[0]), "{steps:?}");
    rejects(&layered(0.5), Code::Layered);
}

#[test]
fn clots_by_number() {
    let clotted = |number: usize| {
        let mut random = Random(5);
        let islands: Vec<[f64; 2]> = (0..number)
            .map(|_| [6.0 * random.unit() - 3.0, 6.0 * random.unit() - 3.0])
            .collect();
        of_load(move |x, y| {
            let extra: f64 = islands
                .iter()
                .map(|c| libm::exp(-((x - c[0]) * (x - c[0]) + (y - c[1]) * (y - c[1])) / (2.0 * 0.09)))
                .sum();
            good(x, y) * (1.0 + 0.6 * extra)
        })
    };
    assert!(clotted(3).measures.unwrap().clot_share_pct < clotted(20).measures.unwrap().clot_share_pct);
    rejects(&clotted(20), Code::Clotted);
}

#[test]
fn two_drops_and_a_smear() {
    rejects(
        &of_load(|x, y| {
            let drop = |cx: f64| inside(3.0 - ((x - cx) * (x - cx) + y * y).sqrt());
            drop(-2.6).max(drop(2.6))
        }),
        Code::MultipleDrops,
    );
    rejects(
        &of_load(|x, y| {
            let body = inside(3.8 - ((x + 2.0) * (x + 2.0) + y * y).sqrt());
            let tail = inside(2.6 - y.abs())
                * inside(x + 2.0)
                * libm::exp(-(x + 2.0).max(0.0) / 3.0)
                * inside(7.5 - x);
            body.max(0.9 * tail)
        }),
        Code::Smeared,
    );
}

#[test]
fn wet_foreign_and_brown() {
    let wet = {
        let mut patch = painter().blood(|x, y| 1.3 * good(x, y));
        for (k, pixel) in patch.reflectance.iter_mut().enumerate() {
            let (x, y) = ((k % patch.width) as f64 - 108.0, (k / patch.width) as f64 - 100.0);
            // Reflections of two lamps, 0.4 mm wide.
            for c in [-15.0, 12.0] {
                let light = 0.6 * libm::exp(-((x - c) * (x - c) + y * y) / (2.0 * 25.0)) as f32;
                for channel in pixel.iter_mut() {
                    *channel += light;
                }
            }
        }
        judged(&patch)
    };
    rejects(&wet, Code::NotDry);
    // Blue ink takes red most.
    let ink = judged(&painter().paint(|x, y| {
        let stain = inside(1.3 - ((x - 1.5) * (x - 1.5) + (y + 1.0) * (y + 1.0)).sqrt());
        [
            BLOOD[0] * good(x, y) + 1.3 * stain,
            BLOOD[1] * good(x, y) + 0.7 * stain,
            BLOOD[2] * good(x, y) + 0.2 * stain,
        ]
    }));
    rejects(&ink, Code::Contaminated);
    rejects(
        &judged(&painter().paint(|x, y| [1.45, 1.5, 1.55].map(|d| d * good(x, y)))),
        Code::Discoloured,
    );
}

#[test]
fn already_used() {
    let hole = |x: f64, y: f64| (x - 0.3) * (x - 0.3) + y * y < 1.6 * 1.6;
    rejects(
        &of_load(|x, y| if hole(x, y) { 0.0 } else { good(x, y) }),
        Code::AlreadyUsed,
    );
    let black = judged(&painter().paint(|x, y| {
        if hole(x, y) {
            [1.6; 3]
        } else {
            BLOOD.map(|d| d * good(x, y))
        }
    }));
    rejects(&black, Code::AlreadyUsed);
}

#[test]
fn touching_spots_mark_each_other_and_the_card_says_which_first() {
    let circles = [0.0, 13.0, 30.0].map(|x| PrintedCircle {
        number: 1 + (x > 1.0) as u32 + (x > 20.0) as u32,
        centre_mm: [x, 0.0],
        diameter_mm: 12.0,
    });
    let wide = Painter {
        size_mm: 48.0,
        ..painter()
    };
    let radius = 6.55;
    let mut patch = wide.blood(|x, y| {
        let spot = |cx: f64, r: f64| good((x + 15.0 - cx) * R / r, y * R / r);
        spot(0.0, radius).max(spot(13.0, radius)).max(spot(30.0, R))
    });
    patch.origin_mm[0] += 15.0;
    let limits = SpotLimits::default();
    let spots: Vec<SpotRecord> = circles
        .iter()
        .map(|c| measure_spots(&patch, Some(c), &circles, &limits, &SpotSettings::default()).remove(0))
        .collect();
    let card = judge_card(spots, &limits);
    rejects(&card.spots[0], Code::TouchesNeighbour);
    rejects(&card.spots[1], Code::TouchesNeighbour);
    assert_eq!(card.use_order, [3]);
    assert_eq!(card.usable, CardUse::Single);
}
