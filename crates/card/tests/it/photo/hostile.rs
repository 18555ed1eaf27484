//! Bytes that break readers: an answer or a refusal in words, never a panic, never much memory.

use super::corpus;
use proptest::prelude::*;
use spotwright_card::photo::{Photo, PhotoError};
use spotwright_card::{PhotoSettings, look_at_photo};
use spotwright_domain::card::{BUILT_IN_LAYOUTS, CardLayout};

fn layouts() -> Vec<CardLayout> {
    BUILT_IN_LAYOUTS
        .iter()
        .map(|(_, text)| toml::from_str(text).unwrap())
        .collect()
}

fn bytes(name: &str) -> Vec<u8> {
    std::fs::read(corpus("hostile").join(name)).unwrap()
}

fn refusal(name: &str) -> PhotoError {
    match Photo::open(&bytes(name)).and_then(Photo::into_whole) {
        Err(error) => error,
        Ok(_) => panic!("{name} was read"),
    }
}

#[test]
fn what_is_cut_short_is_called_so() {
    for name in [
        "cut_in_scan.jpg",
        "cut_in_header.jpg",
        "only_start.jpg",
        "cut.png",
    ] {
        let error = refusal(name);
        assert!(matches!(error, PhotoError::Truncated { .. }), "{name}: {error:?}");
        assert!(
            error.to_string().contains("copy it from the camera again"),
            "{error}"
        );
    }
    assert_eq!(refusal("empty.bin"), PhotoError::Empty);
}

#[test]
fn what_would_be_too_large_is_refused_by_its_header() {
    for name in ["declares_65535_square.jpg", "bomb_29000_square.png"] {
        assert!(matches!(refusal(name), PhotoError::TooLarge { .. }), "{name}");
    }
    // As large as allowed, but without the bytes such a picture needs.
    assert!(matches!(
        refusal("declares_108_million_pixels.jpg"),
        PhotoError::Truncated { .. }
    ));
}

#[test]
fn what_contradicts_itself_is_refused() {
    for name in [
        "height_zero.jpg",
        "twelve_bits.jpg",
        "impossible_code_table.jpg",
        "short_quantisation_table.jpg",
        "one_pixel.jpg",
        "size_zero.png",
        "wrong_checksum.png",
        "one_strip_of_116_megabytes.tiff",
        "directory_points_at_itself.tiff",
        "million_entries.tiff",
        "cut.tiff",
        "gif.bin",
        "text.bin",
    ] {
        let error = refusal(name);
        assert!(!error.to_string().is_empty(), "{name}");
        assert!(!matches!(error, PhotoError::Empty), "{name}");
    }
}

/// The same drawn picture in every legal dress: 96 by 64 pixels, light grey with a dark red block in the middle.
#[test]
fn kinds_seldom_met_show_the_same_picture() {
    for name in [
        "no_end.jpg",
        "cmyk.jpg",
        "progressive.jpg",
        "restarts.jpg",
        "turned.jpg",
        "half_transparent.png",
        "animated.png",
        "palette.png",
        "strips.tiff",
        "deflate.tiff",
        "lzw.tiff",
        "cmyk.tiff",
        "grey_16_bits.png",
        "grey_16_bits.tiff",
    ] {
        let bytes = bytes(name);
        let photo = Photo::open(&bytes).unwrap_or_else(|error| panic!("{name}: {error}"));
        assert_eq!(photo.facts.has_more_frames, name == "animated.png", "{name}");
        assert_eq!(
            photo.facts.has_transparency,
            name == "half_transparent.png",
            "{name}"
        );
        assert_eq!(
            photo.facts.orientation,
            if name == "turned.jpg" { 6 } else { 1 },
            "{name}"
        );
        let raster = photo
            .into_whole()
            .unwrap_or_else(|error| panic!("{name}: {error}"));
        assert_eq!((raster.width(), raster.height()), (96, 64), "{name}");
        let pixel = |x: usize, y: usize| &raster.rgb()[(y * 96 + x) * 3..][..3];
        let (block, ground) = (pixel(45, 30), pixel(10, 50));
        assert!(ground[0] > 210, "{name}: {ground:?}");
        assert!(ground[0] > block[0] + 30, "{name}: {block:?}");
        if !name.starts_with("grey") {
            assert!(block[0] > block[2] + 40, "{name}: {block:?}");
        }
    }
}

#[test]
fn a_look_at_any_file_of_the_corpus_ends_in_words() {
    let layouts = layouts();
    for entry in std::fs::read_dir(corpus("hostile")).unwrap() {
        let bytes = std::fs::read(entry.unwrap().path()).unwrap();
        if let Ok(view) = look_at_photo(&bytes, &layouts, &PhotoSettings::default()) {
            assert!(view.windows.is_empty());
            assert!(!view.problems.is_empty());
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    /// Bytes changed anywhere: no panic.
    #[test]
    fn changed_bytes_never_panic(
        which in 0usize..6,
        changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..6),
    ) {
        let name = ["restarts.jpg", "progressive.jpg", "cmyk.jpg", "palette.png", "lzw.tiff", "strips.tiff"][which];
        let mut bytes = bytes(name);
        for (at, value) in changes {
            let at = at.index(bytes.len());
            bytes[at] = value;
        }
        if let Ok(photo) = Photo::open(&bytes) {
            let _ = photo.into_whole();
        }
    }
}
