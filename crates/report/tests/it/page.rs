//! The run report and the day's cover.

use crate::fixture::{self, Fixture};
use crate::html;
use spotwright_domain::concentration::ConcentrationCase;
use spotwright_domain::reason::{ReasonCode, Severity};
use spotwright_domain::record::{NextStep, ResultVerdict};
use spotwright_report::{DayContext, PageContext, PageTotals, RunLink, RunPage, Shown, index_page};

fn context(total: u64, shown: Shown) -> PageContext<'static> {
    PageContext {
        day: "2026-03-02",
        method_title: "Immunosuppressants in dried blood spots",
        program_version: "0.1.0",
        simulated: true,
        total_injections: total,
        chromatograms_shown: shown,
    }
}

fn write(made: &Fixture, context: &PageContext<'_>) -> (String, PageTotals) {
    let mut bytes = Vec::new();
    let mut page = RunPage::begin(&mut bytes, context, &made.run, &made.series).unwrap();
    for (record, plots) in &made.injections {
        page.injection(record, plots).unwrap();
    }
    let totals = page.finish().unwrap();
    assert_eq!(totals.bytes, bytes.len() as u64);
    (String::from_utf8(bytes).unwrap(), totals)
}

fn whole(injections: u32, analytes: usize) -> String {
    let made = fixture::run(injections, analytes);
    write(&made, &context(u64::from(injections), Shown::All)).0
}

#[test]
fn the_page_reads_as_expected() {
    insta::assert_snapshot!(html::text(&whole(36, 2)));
}

#[test]
fn tags_are_in_balance_and_ids_unique() {
    let page = whole(40, 2);
    let tags = html::tags(&page).unwrap();
    let mut ids: Vec<&str> = tags
        .iter()
        .filter_map(|tag| tag.split_once(" id=\"")?.1.split_once('"').map(|(id, _)| id))
        .collect();
    let count = ids.len();
    ids.sort_unstable();
    ids.dedup();
    assert_eq!(ids.len(), count);
    for tag in tags {
        if let Some((target, _)) = tag
            .split_once(" href=\"#")
            .and_then(|(_, rest)| rest.split_once('"'))
        {
            assert!(
                ids.binary_search(&target).is_ok(),
                "a link to #{target}, which is nowhere"
            );
        }
    }
}

#[test]
fn every_injection_stands_once_with_every_result() {
    let page = whole(60, 3);
    for order in 1..=60 {
        assert_eq!(page.matches(&format!("<tbody id=\"i{order}\"")).count(), 1);
        assert_eq!(page.matches(&format!("<article id=\"c{order}\"")).count(), 1);
        for analyte in 0..3 {
            assert_eq!(page.matches(&format!("<tr id=\"r{order}-{analyte}\"")).count(), 1);
        }
    }
    assert!(page.contains("<strong>60</strong> injections in the list, <strong>60</strong> in this report"));
}

#[test]
fn a_missing_injection_is_said_aloud() {
    let mut made = fixture::run(40, 1);
    made.injections.pop();
    let (page, totals) = write(&made, &context(40, Shown::All));
    assert_eq!(totals.injections, 39);
    assert!(page.contains("This report is not complete; do not use it."));
}

#[test]
fn the_page_loads_nothing_and_says_so() {
    let page = whole(36, 2);
    for reference in ["http://", "https://", "src=", "@import", "<link"] {
        assert!(!page.contains(reference), "{reference}");
    }
    // A drawing may refer to a part of itself, and to nothing else.
    assert!(
        page.match_indices("url(")
            .all(|(at, _)| page[at..].starts_with("url(#"))
    );
    assert!(page.contains("default-src 'none'"));
}

#[test]
fn the_verdict_comes_before_any_table() {
    let page = whole(36, 2);
    let verdict = page.find("Accepted with comment").unwrap();
    let table = page.find("<table").unwrap();
    assert!(verdict < table);
    // What is written last but belongs on top has its place there.
    let slots: Vec<usize> = ["verdict", "tally", "by-analyte", "attention"]
        .map(|name| page.find(&format!("<slot name=\"{name}\">")).unwrap())
        .to_vec();
    assert!(slots.is_sorted());
    for name in ["verdict", "tally", "by-analyte", "attention"] {
        assert_eq!(page.matches(&format!("slot=\"{name}\"")).count(), 1);
    }
}

#[test]
fn simulated_is_said_in_words_and_only_then() {
    let made = fixture::run(36, 1);
    let mut context = context(36, Shown::All);
    let (page, _) = write(&made, &context);
    assert!(page.contains("SIMULATED DATA") && page.contains("<title>SIMULATED: run 1"));
    context.simulated = false;
    let (page, _) = write(&made, &context);
    assert!(!page.contains("SIMULATED") && !page.contains("simulated."));
}

#[test]
fn the_same_run_gives_the_same_bytes() {
    assert_eq!(whole(40, 2), whole(40, 2));
}

#[test]
fn hostile_text_stays_text() {
    const HOSTILE: &str = "</script><script>alert(1)</script>\"'><img onerror=alert(1)>&amp;";
    let mut made = fixture::run(36, 2);
    made.run.method = HOSTILE.to_owned();
    made.run.limit_overrides[0].reason = HOSTILE.to_owned();
    made.run.reasons[0].text = HOSTILE.to_owned();
    made.run.reasons[0].rule = HOSTILE.to_owned();
    made.run.reasons[0].unit = HOSTILE.to_owned();
    for (record, _) in &mut made.injections {
        record.injection.trace_file = HOSTILE.to_owned();
        record.injection.rack_position = Some(HOSTILE.to_owned());
        record.injection.repeat_of = Some(HOSTILE.to_owned());
        record.injection.repeat_reason = Some(HOSTILE.to_owned());
        record.trace_sha256 = Some(HOSTILE.to_owned());
        record.transitions[0].name = HOSTILE.to_owned();
        for result in &mut record.results {
            result.reasons.push(fixture::reason(
                ReasonCode::TraceProblem,
                HOSTILE,
                Severity::Comment,
                None,
                HOSTILE,
                HOSTILE,
            ));
        }
    }
    let mut context = context(36, Shown::All);
    context.day = HOSTILE;
    context.method_title = HOSTILE;
    context.program_version = HOSTILE;
    let (page, _) = write(&made, &context);
    let tags = html::tags(&page).unwrap();
    assert!(tags.iter().all(|tag| !tag.starts_with("img")));
    // The page's own two scripts and no other.
    assert_eq!(tags.iter().filter(|tag| tag.starts_with("script")).count(), 2);
    assert!(!page.contains("<script>alert"));
}

#[test]
fn what_is_not_a_number_is_never_printed() {
    let mut made = fixture::run(36, 1);
    let of = &mut made.run.analytes[0];
    let curve = of.calibration.as_mut().unwrap();
    curve.coefficients[0] = f64::NAN;
    curve.residual_standard_deviation = f64::INFINITY;
    of.carry_over_fraction = Some(f64::NAN);
    of.controls[0].relative_error_pct = Some(f64::NEG_INFINITY);
    of.blanks[0].share_of_lloq_pct = Some(f64::NAN);
    made.run.internal_standards[0].mean_area_counts_s = Some(f64::NAN);
    for (record, plots) in &mut made.injections {
        record.transitions[0].expected_retention_min = f64::NAN;
        record.transitions[0].ion_ratio = Some(f64::INFINITY);
        plots[1].points[3] = [f32::NAN, f32::INFINITY];
        plots[2].points.clear();
        if let ConcentrationCase::Measured { interval_95, .. } = &mut record.results[0].concentration {
            *interval_95 = [f64::NAN, f64::INFINITY];
        }
    }
    let (page, _) = write(&made, &context(36, Shown::All));
    html::tags(&page).unwrap();
    let (body, _) = page.split_once("<script>").unwrap();
    let body = body.split_once("</style>").unwrap().1;
    assert!(!body.contains("NaN") && !html::text(body).contains("inf\n") && !body.contains("Infinity"));
    for attribute in ["d=\"", "data-v=\"", "x=\"", "y=\""] {
        for part in body.split(attribute).skip(1) {
            let value = part.split('"').next().unwrap();
            assert!(
                !value.contains("inf") && !value.contains("nan"),
                "{attribute}{value}"
            );
        }
    }
}

#[test]
fn concentrations_show_three_digits_and_an_uncertainty_rounded_up_beside_them() {
    let mut made = fixture::run(36, 1);
    let (record, _) = made
        .injections
        .iter_mut()
        .find(|(r, _)| r.injection.card.is_some())
        .unwrap();
    let mut show = |value: f64, low: f64, high: f64| {
        record.results[0].concentration = ConcentrationCase::Measured {
            value,
            standard_uncertainty: (high - low) / 4.0,
            interval_95: [low, high],
            degrees_of_freedom: 20.0,
        };
        let mut bytes = Vec::new();
        let mut page = RunPage::begin(&mut bytes, &context(1, Shown::All), &made.run, &made.series).unwrap();
        page.injection(record, &[]).unwrap();
        page.finish().unwrap();
        let page = String::from_utf8(bytes).unwrap();
        let row = page.split_once("<tr id=\"r").unwrap().1;
        let cell = row
            .split_once("<td class=\"num\">")
            .unwrap()
            .1
            .split_once("</td>")
            .unwrap()
            .0;
        cell.to_owned()
    };
    assert_eq!(
        show(12.345, 11.432, 13.258),
        "12.3\u{a0}±\u{a0}1.0\u{a0}<i>µg/L</i>"
    );
    assert_eq!(show(8.0, 7.5, 8.5), "8.00\u{a0}±\u{a0}0.50\u{a0}<i>µg/L</i>");
    assert_eq!(show(123.4, 123.2, 123.6), "123\u{a0}±\u{a0}0.20\u{a0}<i>µg/L</i>");
    assert_eq!(show(2.0, 1.5, 3.5), "2.00 [1.50 to 3.50]\u{a0}<i>µg/L</i>");
}

#[test]
fn by_exception_draws_what_calls_for_a_look_and_counts_the_rest() {
    let made = fixture::run(74, 4);
    let (all, _) = write(&made, &context(74, Shown::All));
    let (few, totals) = write(&made, &context(74, Shown::ByException { limit: 3 }));
    assert_eq!(totals.chromatograms, 3 * 12);
    assert!(few.len() < all.len() / 2);
    assert!(
        few.contains("3 of 74 injections are drawn")
            && few.contains("more call for a look and are not drawn here")
    );
    // Injections whose chromatograms are not drawn are still there.
    assert_eq!(few.matches("<tbody id=\"i").count(), 74);
    html::tags(&few).unwrap();
}

#[test]
fn a_reason_shared_by_a_whole_run_does_not_fill_the_top_of_the_page() {
    let mut made = fixture::run(74, 4);
    let mut persons = 0;
    for (record, _) in made
        .injections
        .iter_mut()
        .filter(|(r, _)| r.injection.card.is_some())
    {
        for result in &mut record.results {
            let text = "The analyte does not stand in this run.";
            result.reasons = vec![fixture::reason(
                ReasonCode::RunRejected,
                "G-4",
                Severity::Reject,
                None,
                "1",
                text,
            )];
            result.verdict = ResultVerdict::NotReportable;
            result.next_step = NextStep::Repeat;
            persons += 1;
        }
    }
    let (page, _) = write(&made, &context(74, Shown::All));
    let (_, section) = page.split_once("id=\"attention\"").unwrap();
    let (section, _) = section.split_once("</section>").unwrap();
    assert!(section.contains(&format!("run rejected <span class=\"count\">({persons})</span>")));
    assert_eq!(section.matches("href=\"#r").count(), persons);
    assert!(!section.contains("<table"));
}

#[test]
fn many_points_are_thinned_but_keep_the_highest_and_lowest() {
    let mut made = fixture::run(36, 1);
    let points: Vec<[f32; 2]> = (0..50_000_u16)
        .map(|n| [f32::from(n) * 1e-4, if n == 31_234 { 9e5 } else { 100.0 }])
        .collect();
    made.injections[0].1[0].points = points;
    let (page, _) = write(&made, &context(36, Shown::All));
    let path = page
        .split_once("id=\"c1-0\"")
        .unwrap()
        .1
        .split_once("class=\"p\" d=\"m")
        .unwrap()
        .1;
    let path = path.split_once('"').unwrap().0;
    assert!(path.len() < 6000, "{} bytes", path.len());
    // Of 400 units of height, 1/1.04 is drawn.
    assert!(path.contains("-385"), "the spike is lost");
}

#[test]
fn the_cover_links_every_run() {
    let made = fixture::run(36, 4);
    let day = DayContext {
        day: "2026-03-02",
        program_version: "0.1.0",
        simulated: true,
    };
    let links = [
        RunLink {
            run: &made.run,
            href: "run-1.html",
        },
        RunLink {
            run: &made.run,
            href: "run-2.html",
        },
    ];
    let mut bytes = Vec::new();
    index_page(&mut bytes, &day, &links).unwrap();
    let page = String::from_utf8(bytes).unwrap();
    html::tags(&page).unwrap();
    assert!(page.contains("href=\"run-1.html\"") && page.contains("href=\"run-2.html\""));
    assert!(page.contains("SIMULATED DATA") && page.contains("2 runs, 72 injections"));
}
