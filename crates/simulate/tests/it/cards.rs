//! Photographs of cards against what others read in them: a decoder of codes that is not ours, pixels where the truth
//! says blood is.

use rxing::{BarcodeFormat, DecodeHints};
use spotwright_simulate::card::{CardPhoto, CardSetPlan, CardStudio, Suitability, Symbology};

fn decode(photograph: &CardPhoto) -> image::RgbImage {
    image::load_from_memory(&photograph.bytes).unwrap().to_rgb8()
}

fn good_photographs(cards: std::ops::RangeInclusive<u64>, width: usize) -> Vec<CardPhoto> {
    let plan = CardSetPlan {
        width_px: Some(width),
        ..CardSetPlan::good(11, 100)
    };
    let studio = CardStudio::new().unwrap();
    cards
        .flat_map(|number| studio.photographs(&plan, number).unwrap())
        .collect()
}

/// Where a place of the card is on the picture as seen, by the truth's own description in `docs/truth.md`.
fn seen(photograph: &CardPhoto, [x, y]: [f64; 2]) -> [f64; 2] {
    let camera = &photograph.truth.camera;
    let m = camera.homography_px_per_mm;
    let w = m[2][0] * x + m[2][1] * y + m[2][2];
    let target = [
        (m[0][0] * x + m[0][1] * y + m[0][2]) / w,
        (m[1][0] * x + m[1][1] * y + m[1][2]) / w,
    ];
    let middle = [camera.width_px as f64 / 2.0, camera.height_px as f64 / 2.0];
    let square = middle[0] * middle[0] + middle[1] * middle[1];
    let mut at = target;
    for _ in 0..12 {
        let r = [at[0] - middle[0], at[1] - middle[1]];
        let by = 1.0 + camera.distortion * (r[0] * r[0] + r[1] * r[1]) / square;
        at = [
            middle[0] + (target[0] - middle[0]) / by,
            middle[1] + (target[1] - middle[1]) / by,
        ];
    }
    at
}

/// Orientation as Exif 2.3 table 4 says: 3 half a turn, 6 a quarter clockwise, 8 a quarter the other way.
fn upright(picture: &image::RgbImage, orientation: u8) -> image::RgbImage {
    match orientation {
        3 => image::imageops::rotate180(picture),
        6 => image::imageops::rotate90(picture),
        8 => image::imageops::rotate270(picture),
        _ => picture.clone(),
    }
}

#[test]
fn blood_is_where_the_truth_says_and_paper_beside_it() {
    for photograph in good_photographs(1..=6, 900) {
        let camera = &photograph.truth.camera;
        let picture = upright(&decode(&photograph), camera.orientation);
        assert_eq!(picture.width() as usize, camera.width_px);
        for spot in &photograph.truth.spots {
            assert_eq!(spot.expected, Suitability::Good);
            let outline = spot.outline.unwrap();
            let radius = outline.equivalent_diameter_mm / 2.0;
            let [x, y] = outline.centroid_mm;
            let green = |place: [f64; 2]| {
                let at = seen(&photograph, place);
                f64::from(picture.get_pixel(at[0] as u32, at[1] as u32).0[1])
            };
            // Just inside on four sides it is dark, just outside light: the outline is nowhere off by a millimetre.
            for (dx, dy) in [(1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0)] {
                let inside = green([x + dx * (radius - 1.0), y + dy * (radius - 1.0)]);
                assert!(
                    inside < 90.0,
                    "{} spot {}: {inside}",
                    photograph.truth.file,
                    spot.index
                );
                // Beside a spot there may be print, never as dark as blood over a whole millimetre.
                let outside = (0..5)
                    .map(|k| 0.8 + 0.2 * f64::from(k))
                    .map(|away| green([x + dx * (radius + away), y + dy * (radius + away)]))
                    .fold(0.0, f64::max);
                assert!(
                    outside > inside + 40.0,
                    "{} spot {}",
                    photograph.truth.file,
                    spot.index
                );
            }
        }
    }
}

/// Linear light of an sRGB byte (IEC 61966-2-1).
fn linear(byte: u8) -> f64 {
    let c = f64::from(byte) / 255.0;
    if c <= 0.04045 {
        c / 12.92
    } else {
        libm::pow((c + 0.055) / 1.055, 2.4)
    }
}

#[test]
fn the_area_of_half_density_is_found_again_in_the_photograph() {
    // Definition in docs/truth.md: half of the core's optical density against the paper. Blur in linear light draws that
    // contour inwards, by up to 0.05 mm at usual focus: 2 % of the area of a spot 10 mm across.
    let mut errors = Vec::new();
    for photograph in good_photographs(1..=4, 2000) {
        let picture = upright(&decode(&photograph), photograph.truth.camera.orientation);
        let green = |at: [f64; 2]| {
            let (x, y) = (at[0] - 0.5, at[1] - 0.5);
            let (i, j) = (x.floor() as u32, y.floor() as u32);
            let (tx, ty) = (x - x.floor(), y - y.floor());
            let value = |i, j| linear(picture.get_pixel(i, j).0[1]);
            (1.0 - ty) * ((1.0 - tx) * value(i, j) + tx * value(i + 1, j))
                + ty * ((1.0 - tx) * value(i, j + 1) + tx * value(i + 1, j + 1))
        };
        let spot = &photograph.truth.spots[0];
        let outline = spot.outline.unwrap();
        let radius = outline.equivalent_diameter_mm / 2.0;
        let [x, y] = outline.centroid_mm;
        let step = 0.04;
        let reach = ((radius + 0.8) / step) as i32;
        let mut values = Vec::new();
        for j in -reach..=reach {
            for i in -reach..=reach {
                let (dx, dy) = (f64::from(i) * step, f64::from(j) * step);
                let away = (dx * dx + dy * dy).sqrt();
                if away < radius + 0.8 {
                    values.push((away, green(seen(&photograph, [x + dx, y + dy]))));
                }
            }
        }
        let median = |low: f64, high: f64| {
            let zone = values.iter().filter(|(r, _)| *r >= low && *r < high);
            let mut zone: Vec<f64> = zone.map(|(_, v)| *v).collect();
            zone.sort_by(f64::total_cmp);
            zone[zone.len() / 2]
        };
        let half = (median(0.0, radius - 1.0) * median(radius + 0.45, radius + 0.8)).sqrt();
        let inside = values.iter().filter(|(r, v)| *v < half && *r < radius + 0.4);
        errors.push(100.0 * (inside.count() as f64 * step * step / outline.area_mm2 - 1.0));
    }
    errors.sort_by(f64::total_cmp);
    let middle = errors[errors.len() / 2];
    assert!(
        middle.abs() < 2.0 && errors.iter().all(|e| e.abs() < 4.0),
        "{errors:?}"
    );
}

#[test]
fn codes_are_read_by_another_decoder() {
    // Decoder: rxing, a port of a decoder written by others; ISO/IEC 15417, 16022 and 18004 through their code.
    let mut read = 0;
    for photograph in good_photographs(1..=6, 2000) {
        let code = &photograph.truth.barcodes[0];
        if !code.legible {
            continue;
        }
        let picture = upright(&decode(&photograph), photograph.truth.camera.orientation);
        let (width, height) = picture.dimensions();
        // Luma by ITU-R BT.601, as decoders take it.
        let luma: Vec<u8> = picture
            .pixels()
            .map(|p| {
                ((299 * u32::from(p.0[0]) + 587 * u32::from(p.0[1]) + 114 * u32::from(p.0[2])) / 1000) as u8
            })
            .collect();
        let format = match code.symbology {
            Symbology::Code128 => BarcodeFormat::CODE_128,
            Symbology::DataMatrix => BarcodeFormat::DATA_MATRIX,
            Symbology::QrCode => BarcodeFormat::QR_CODE,
        };
        let mut hints = DecodeHints {
            TryHarder: Some(true),
            ..DecodeHints::default()
        };
        if let Ok(found) =
            rxing::helpers::detect_in_luma_with_hints(luma, width, height, Some(format), &mut hints)
        {
            assert_eq!(found.getText(), code.text, "{}", photograph.truth.file);
            read += 1;
        }
    }
    // Not every code on a whole photograph is found without looking for it; what is read must be right.
    assert!(read >= 3, "{read} read");
}

#[test]
fn a_card_is_the_same_whoever_asks_and_whenever() {
    let plan = CardSetPlan {
        width_px: Some(600),
        repeat: 2,
        ..CardSetPlan::new(5, 10)
    };
    let studio = CardStudio::new().unwrap();
    let later = studio.photographs(&plan, 4).unwrap();
    assert_eq!(CardStudio::new().unwrap().photographs(&plan, 4).unwrap(), later);
    // Two photographs of one card differ in everything but what lies there.
    assert_ne!(later[0].bytes, later[1].bytes);
    for (one, other) in later[0].truth.spots.iter().zip(&later[1].truth.spots) {
        assert_eq!(one.faults, other.faults);
        if let (Some(a), Some(b)) = (one.outline, other.outline) {
            assert!(
                (a.area_mm2 / b.area_mm2 - 1.0).abs() < 0.003,
                "{} {}",
                a.area_mm2,
                b.area_mm2
            );
        }
    }
}
