//! Any bytes as a photograph: no panic, and the same answer twice; what is found lies within bounds.
#![no_main]

use libfuzzer_sys::fuzz_target;
use spotwright_card::{PhotoSettings, look_at_photo};
use spotwright_domain::card::{BUILT_IN_LAYOUTS, CardLayout};
use std::sync::LazyLock;

static LAYOUTS: LazyLock<Vec<CardLayout>> =
    LazyLock::new(|| BUILT_IN_LAYOUTS.iter().map(|(_, text)| toml::from_str(text).unwrap()).collect());

fuzz_target!(|bytes: &[u8]| {
    let look = || look_at_photo(bytes, &LAYOUTS, &PhotoSettings::default());
    match (look(), look()) {
        (Ok(a), Ok(b)) => {
            assert_eq!(a.windows, b.windows);
            assert_eq!(a.problems, b.problems);
            for window in &a.windows {
                let patch = &window.patch;
                assert_eq!(patch.reflectance.len(), patch.width * patch.height);
                assert_eq!(patch.flags.len(), patch.width * patch.height);
                assert!(patch.reflectance.iter().flatten().all(|value| value.is_finite()));
            }
        }
        (Err(a), Err(b)) => assert_eq!(a, b),
        _ => panic!("two answers"),
    }
});
