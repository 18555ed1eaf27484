//! Real photographs against another decoder.

use super::corpus;
use serde_json::Value;
use spotwright_card::photo::Photo;
use spotwright_card::{PhotoSettings, look_at_photo};
use spotwright_domain::card::{BUILT_IN_LAYOUTS, CardLayout, PhotoProblemCode};

/// Means of 16 by 16 pixels as Pillow (libjpeg-turbo) decodes them; rounding and chroma interpolation differ by less than
/// a count in the mean.
#[test]
fn smartphone_photographs_have_the_colours_another_decoder_finds() {
    let reference = std::fs::read(corpus("photos/raw_colours.ref.json")).unwrap();
    let reference: Value = serde_json::from_slice(&reference).unwrap();
    let values = reference["values"].as_array().unwrap();
    assert!(values.len() >= 4);
    for value in values {
        let name = value["image"].as_str().unwrap();
        let bytes = std::fs::read(corpus("photos").join(name)).unwrap();
        let raster = Photo::open(&bytes).unwrap().into_whole().unwrap();
        let centre = [0, 1].map(|k| value["centre_px"][k].as_u64().unwrap() as usize);
        let mut sums = [0.0; 3];
        for y in centre[1] - 8..centre[1] + 8 {
            for x in centre[0] - 8..centre[0] + 8 {
                for (channel, sum) in sums.iter_mut().enumerate() {
                    *sum += f64::from(raster.rgb()[(y * raster.width() + x) * 3 + channel]);
                }
            }
        }
        for (channel, sum) in sums.iter().enumerate() {
            let expected = value["mean_rgb_16x16"][channel].as_f64().unwrap();
            assert!(
                (sum / 256.0 - expected).abs() < 1.0,
                "{name} {centre:?}: {} {expected}",
                sum / 256.0
            );
        }
    }
}

/// Pictures of other things show no card.
#[test]
fn coins_strips_and_pages_are_no_cards() {
    let layouts: Vec<CardLayout> = BUILT_IN_LAYOUTS
        .iter()
        .map(|(_, text)| toml::from_str(text).unwrap())
        .collect();
    for name in [
        "skimage_coins.png",
        "skimage_page_uneven_light.png",
        "strip_1.jpg",
        "strip_14.jpg",
    ] {
        let bytes = std::fs::read(corpus("photos").join(name)).unwrap();
        let view = look_at_photo(&bytes, &layouts, &PhotoSettings::default()).unwrap();
        assert!(view.windows.is_empty(), "{name}: {:?}", view.place);
        assert!(
            view.problems.iter().any(|p| matches!(
                p.code,
                PhotoProblemCode::NoCard | PhotoProblemCode::PositionNotConfirmed
            )),
            "{name}"
        );
    }
}

/// A stated scale makes the whole frame the plane: the shaded page is evened to paper, its text stays dark.
#[test]
fn a_shaded_page_of_stated_scale_is_evened() {
    let layout: CardLayout = toml::from_str(
        "id = \"page\"\ntitle = \"Page\"\nwidth_mm = 48.0\nheight_mm = 24.0\npixels_per_mm = 8.0\n",
    )
    .unwrap();
    let bytes = std::fs::read(corpus("photos/skimage_page_uneven_light.png")).unwrap();
    let view = look_at_photo(&bytes, &[layout], &PhotoSettings::default()).unwrap();
    assert_eq!(view.windows.len(), 1);
    assert!(
        view.problems
            .iter()
            .any(|p| p.code == PhotoProblemCode::ScaleStated)
    );
    let patch = &view.windows[0].patch;
    // Upper left is in deep shade, lower right in full light (seen): paper must come to the same value.
    let median = |x0: usize, y0: usize| {
        let mut values: Vec<f32> = (0..40 * 40)
            .map(|k| patch.reflectance[(y0 + k / 40) * patch.width + x0 + k % 40][1])
            .collect();
        values.sort_by(f32::total_cmp);
        values[values.len() * 3 / 4]
    };
    for (x, y) in [
        (20, 20),
        (patch.width - 60, patch.height - 60),
        (20, patch.height - 60),
    ] {
        let paper = median(x, y);
        assert!((paper - 1.0).abs() < 0.15, "{x} {y}: {paper}");
    }
}
