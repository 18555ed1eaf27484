//! Colours against the contrast rules of WCAG 2.2 (success criterion 1.4.3: 4.5 : 1 for text; 1.4.11: 3 : 1 for
//! marks), in light and in dark. Relative luminance and ratio as that document defines them.

const STYLE: &str = include_str!("../../assets/page.css");

fn colours(block: &str) -> Vec<(String, [f64; 3])> {
    let inner = block.split_once('{').unwrap().1.split_once('}').unwrap().0;
    inner
        .split(';')
        .filter_map(|pair| pair.trim().strip_prefix("--")?.split_once(":#"))
        .map(|(name, hex)| {
            let full: String = if hex.len() == 3 {
                hex.chars().flat_map(|c| [c, c]).collect()
            } else {
                hex.to_owned()
            };
            let channel = |at: usize| f64::from(u8::from_str_radix(&full[at..at + 2], 16).unwrap()) / 255.0;
            (name.to_owned(), [channel(0), channel(2), channel(4)])
        })
        .collect()
}

fn luminance(colour: [f64; 3]) -> f64 {
    let linear = |c: f64| {
        if c <= 0.040_45 {
            c / 12.92
        } else {
            libm::pow((c + 0.055) / 1.055, 2.4)
        }
    };
    0.2126 * linear(colour[0]) + 0.7152 * linear(colour[1]) + 0.0722 * linear(colour[2])
}

fn ratio(a: [f64; 3], b: [f64; 3]) -> f64 {
    let (a, b) = (luminance(a), luminance(b));
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

fn check(block: &str, scheme: &str) {
    let colours = colours(block);
    let of = |name: &str| {
        colours
            .iter()
            .find(|(n, _)| n == name)
            .unwrap_or_else(|| panic!("no --{name}"))
            .1
    };
    let text = [
        (
            "ink",
            &["paper", "sheet", "faint", "abg", "cbg", "xbg", "band"][..],
        ),
        ("soft", &["paper", "sheet", "faint", "abg", "cbg", "xbg"]),
        ("link", &["paper", "sheet", "faint", "cbg"]),
        ("a", &["paper", "sheet", "abg", "cbg", "xbg"]),
        ("c", &["paper", "sheet", "faint", "cbg"]),
        ("x", &["paper", "sheet", "cbg", "xbg"]),
    ];
    let marks = [
        ("s1", &["paper", "band"][..]),
        ("s2", &["paper", "band"]),
        ("s3", &["paper", "sheet", "band"]),
        ("lim", &["paper", "band", "shade"]),
        ("ink", &["shade"]),
        ("focus", &["paper", "sheet"]),
    ];
    for (pairs, least) in [(&text[..], 4.5), (&marks[..], 3.0)] {
        for (front, backs) in pairs {
            for back in *backs {
                let found = ratio(of(front), of(back));
                assert!(
                    found >= least,
                    "{scheme}: --{front} on --{back} has {found:.2} : 1, needs {least}"
                );
            }
        }
    }
}

#[test]
fn the_formula_gives_the_published_extremes() {
    // WCAG 2.2, note to "contrast ratio": from 1 : 1 to 21 : 1.
    assert!((ratio([0.0; 3], [1.0; 3]) - 21.0).abs() < 1e-9);
    assert!((ratio([0.5; 3], [0.5; 3]) - 1.0).abs() < 1e-9);
}

#[test]
fn text_and_marks_can_be_told_from_their_ground_in_light_and_dark() {
    let (light, rest) = STYLE.split_once("@media(prefers-color-scheme:dark){").unwrap();
    check(light, "light");
    check(rest, "dark");
}
