//! Real pictures with counted regions (corpus/images/regions/README.md) against scikit-image's regionprops.

use spotwright_card::patch::Patch;
use spotwright_card::photo::Photo;
use spotwright_card::spot::{SpotSettings, measure_spots};
use spotwright_domain::card::{Finding, PrintedCircle, SpotLimits, SpotReasonCode, SpotRecord, Suitability};
use std::path::PathBuf;

fn corpus(name: &str) -> Vec<u8> {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("../../corpus/images/regions")
        .join(name);
    std::fs::read(path).unwrap()
}

struct Grey {
    width: usize,
    height: usize,
    value: Vec<f64>,
}

fn grey(name: &str) -> Grey {
    let bytes = corpus(name);
    let raster = Photo::open(&bytes).unwrap().into_whole().unwrap();
    Grey {
        width: raster.width(),
        height: raster.height(),
        value: raster
            .rgb()
            .chunks_exact(3)
            .map(|p| (0.2125 * f64::from(p[0]) + 0.7154 * f64::from(p[1]) + 0.0721 * f64::from(p[2])) / 255.0)
            .collect(),
    }
}

/// Ground level by place: a quantile of tiles, blended between their middles.
fn ground(grey: &Grey, tile: usize, quantile: f64) -> Vec<f64> {
    let (columns, rows) = (grey.width.div_ceil(tile), grey.height.div_ceil(tile));
    let mut levels = vec![0.0; columns * rows];
    for r in 0..rows {
        for c in 0..columns {
            let mut values: Vec<f64> = (r * tile..((r + 1) * tile).min(grey.height))
                .flat_map(|y| (c * tile..((c + 1) * tile).min(grey.width)).map(move |x| (x, y)))
                .map(|(x, y)| grey.value[y * grey.width + x])
                .collect();
            values.sort_by(f64::total_cmp);
            levels[r * columns + c] = values[((values.len() - 1) as f64 * quantile) as usize];
        }
    }
    let at = |c: f64, r: f64| {
        let (c, r) = (
            c.clamp(0.0, columns as f64 - 1.0),
            r.clamp(0.0, rows as f64 - 1.0),
        );
        let (c0, r0) = (c as usize, r as usize);
        let (c1, r1) = ((c0 + 1).min(columns - 1), (r0 + 1).min(rows - 1));
        let (a, b) = (c - c0 as f64, r - r0 as f64);
        (levels[r0 * columns + c0] * (1.0 - a) + levels[r0 * columns + c1] * a) * (1.0 - b)
            + (levels[r1 * columns + c0] * (1.0 - a) + levels[r1 * columns + c1] * a) * b
    };
    (0..grey.value.len())
        .map(|k| {
            let (x, y) = ((k % grey.width) as f64, (k / grey.width) as f64);
            at((x + 0.5) / tile as f64 - 0.5, (y + 0.5) / tile as f64 - 0.5)
        })
        .collect()
}

fn patch(grey: &Grey, pixels_per_mm: f64, light: impl Fn(usize) -> f64) -> Patch {
    Patch {
        width: grey.width,
        height: grey.height,
        pixels_per_mm,
        origin_mm: [0.0, 0.0],
        reflectance: (0..grey.value.len()).map(|k| [light(k) as f32; 3]).collect(),
        flags: vec![0; grey.value.len()],
        paper_noise: [0.01; 3],
        blur_mm: 0.0,
    }
}

/// Row, column and equivalent diameter (px) of each reference region.
fn reference(name: &str) -> Vec<[f64; 3]> {
    let json: serde_json::Value = serde_json::from_slice(&corpus(name)).unwrap();
    json["spots"]
        .as_array()
        .unwrap()
        .iter()
        .map(|s| ["row", "col", "eq_diam_px"].map(|k| s[k].as_f64().unwrap()))
        .collect()
}

fn nearest(spots: &[SpotRecord], place: [f64; 2]) -> (&SpotRecord, f64) {
    spots
        .iter()
        .filter_map(|s| {
            let c = s.measures.as_ref()?.centre_mm;
            Some((
                s,
                ((c[0] - place[0]) * (c[0] - place[0]) + (c[1] - place[1]) * (c[1] - place[1])).sqrt(),
            ))
        })
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .unwrap()
}

/// Pixels a millimetre at which the dot blot's spots would be 9 mm wide.
const DOT_SCALE: f64 = 3.0;

fn dot_blot() -> Patch {
    let picture = grey("dot_blot_28_spots.jpg");
    let paper = ground(&picture, 71, 0.75);
    patch(&picture, DOT_SCALE, |k| picture.value[k] / paper[k])
}

#[test]
fn every_position_of_the_dot_blot_is_reported_faint_ones_as_too_pale() {
    let patch = dot_blot();
    // The grid of 7 by 4 positions: pitch 72 px across, 70 px down (SOURCES: pitch about 72 px).
    let positions: Vec<PrintedCircle> = (0..28)
        .map(|k| PrintedCircle {
            number: k + 1,
            centre_mm: [
                (37.0 + 72.0 * f64::from(k % 7)) / DOT_SCALE,
                (35.0 + 71.0 * f64::from(k / 7)) / DOT_SCALE,
            ],
            diameter_mm: 14.0,
        })
        .collect();
    let limits = SpotLimits::default();
    let settings = SpotSettings::default();
    let spots: Vec<SpotRecord> = positions
        .iter()
        .map(|circle| measure_spots(&patch, Some(circle), &positions, &limits, &settings).remove(0))
        .collect();
    let measured = spots.iter().filter(|s| s.finding == Finding::Measured).count();
    assert!(measured >= 25, "{measured} of 28 measured");
    for spot in &spots {
        // The darkest is at a green density of about 0.5: all are too pale for blood or worth a comment.
        let pale = spot.reasons.iter().any(|r| {
            matches!(
                r.code,
                SpotReasonCode::TooPale | SpotReasonCode::Diluted | SpotReasonCode::NoBlood
            )
        });
        let dark = spot
            .measures
            .as_ref()
            .is_some_and(|m| m.density[1] >= limits.review_density);
        assert!(pale || dark, "spot {}: {:?}", spot.index, spot.reasons);
        assert!(spot.finding == Finding::Measured || spot.suitability == Suitability::Unsuitable);
    }
}

#[test]
fn dot_blot_spots_agree_with_regionprops() {
    let spots = measure_spots(
        &dot_blot(),
        None,
        &[],
        &SpotLimits::default(),
        &SpotSettings::default(),
    );
    let reference = reference("dot_blot_28_spots.ref.json");
    assert!(
        spots.len() >= reference.len() && spots.len() <= 29,
        "{} spots",
        spots.len()
    );
    let mut off = 0;
    for [row, col, diameter] in &reference {
        let (spot, away) = nearest(&spots, [col / DOT_SCALE, row / DOT_SCALE]);
        assert!(
            away * DOT_SCALE < 2.0,
            "centre of ({col}, {row}) is {:.2} px off",
            away * DOT_SCALE
        );
        // One threshold for the whole picture there, half the spot's own step here: dark spots come out smaller.
        let ratio = spot.measures.as_ref().unwrap().equivalent_diameter_mm * DOT_SCALE / diameter;
        off += u32::from((ratio - 1.0).abs() > 0.15);
    }
    assert!(
        off <= 3,
        "{off} of {} diameters differ by more than 15 %",
        reference.len()
    );
}

#[test]
fn all_coins_are_found_where_regionprops_finds_them() {
    let picture = grey("skimage_coins.png");
    let dark = ground(&picture, 60, 0.10);
    // Bright coins on dark: turned round, so that the ground is the paper.
    let scale = 5.0;
    let patch = patch(&picture, scale, |k| {
        ((1.2 - picture.value[k]) / (1.2 - dark[k])).max(0.02)
    });
    let spots = measure_spots(
        &patch,
        None,
        &[],
        &SpotLimits::default(),
        &SpotSettings::default(),
    );
    let reference = reference("skimage_coins.ref.json");
    assert_eq!(reference.len(), 24);
    let found = reference
        .iter()
        .filter(|[row, col, _]| nearest(&spots, [col / scale, row / scale]).1 * scale < 6.0)
        .count();
    assert_eq!(found, 24, "of {} spots", spots.len());
}
