//! Days that are right, in every dress a table may wear.

use crate::tiny_day::{FILES, lay_out, text_of};
use spotwright_domain::conversion::{Estimate, HaematocritUnknown};
use spotwright_domain::identifier::{CardId, SubjectId};
use spotwright_domain::injection::SampleRole;
use spotwright_domain::matrix::MatrixKind;
use spotwright_domain::method::{Limits, Weighting};
use spotwright_exchange::{Day, FormatWarningCode, RunList, open_day};
use std::path::Path;

fn opened(change: impl Fn(&Path)) -> (tempfile::TempDir, Day) {
    let folder = tempfile::tempdir().unwrap();
    lay_out(folder.path());
    change(folder.path());
    let day = open_day(folder.path()).unwrap_or_else(|problems| {
        let lines: Vec<String> = problems.iter().map(ToString::to_string).collect();
        panic!("{}", lines.join("\n"))
    });
    (folder, day)
}

fn runs(day: &Day) -> Vec<RunList> {
    day.runs().collect::<Result<_, _>>().unwrap()
}

fn write(folder: &Path, file: &str, text: &str) {
    std::fs::write(folder.join(file), text).unwrap();
}

#[test]
fn the_tiny_day_is_read_whole() {
    let (_folder, day) = opened(|_| {});
    assert_eq!(day.warnings, []);
    assert!(!day.simulated);
    assert_eq!(
        (day.summary.runs, day.summary.injections, day.summary.cards),
        (1, 12, 2)
    );
    assert_eq!(day.summary.injections_by_role[&SampleRole::Calibrator], 2);
    assert_eq!(
        (day.summary.requests, day.summary.doses, day.summary.manual_limits),
        (2, 2, 2)
    );

    let file = &day.methods[0];
    // The digest is of the file's bytes as `sha256sum` (GNU coreutils) gives it.
    assert_eq!(
        file.sha256,
        "adb4160a658cc4563679c99e5f9584a2c9a76b51558cbe6ae6bfab7c55c58a7c"
    );
    let method = &file.method;
    assert_eq!(method.validated.haematocrit, Some([0.2, 0.6]));
    assert_eq!(method.integration.expected_width_s, 5.0);
    assert_eq!(method.integration.minimum_points, 8);
    let analyte = &method.analytes[0];
    assert_eq!((analyte.lloq(), analyte.uloq()), (0.5, 20.0));
    assert_eq!(analyte.weighting, Weighting::InverseXSquared);
    assert_eq!(analyte.qualifiers[0].ratio_tolerance_pct, Some(20.0));
    let conversion = analyte.conversion.as_ref().unwrap();
    assert_eq!(conversion.faults(), []);
    assert_eq!(
        (conversion.matrix_in, conversion.matrix_out),
        (MatrixKind::DriedBlood, MatrixKind::Plasma)
    );
    assert_eq!(
        conversion.haematocrit_unknown,
        HaematocritUnknown::UseDefault {
            default: Estimate::new(0.42, 0.04)
        }
    );
    assert_eq!((conversion.study_n, conversion.disc_mm), (Some(20), Some(6.0)));
    assert_eq!(method.extraction.head_diameter_mm, Some(6.0));
    let target = analyte.target.as_ref().unwrap();
    assert_eq!(
        (target.low, target.high, target.matrix),
        (Some(3.0), Some(15.0), MatrixKind::Plasma)
    );
    assert_eq!(analyte.interpretation.as_ref().unwrap().model, "lamotrigine");
    let changed: Vec<_> = method
        .limit_overrides
        .iter()
        .map(|o| (o.name.as_str(), o.default, o.value))
        .collect();
    assert_eq!(
        changed,
        [
            ("calibration.min_levels", 6.0, 2.0),
            ("control.max_relative_error_pct", 15.0, 12.0),
            ("control.min_levels", 3.0, 1.0)
        ]
    );
    let mut limits = Limits::default();
    limits.calibration.min_levels = 2.0;
    limits.control.min_levels = 1.0;
    limits.control.max_relative_error_pct = 12.0;
    assert_eq!(method.limits, limits);

    let request = day.requests.get(&CardId::new("PM-0001").unwrap()).unwrap();
    assert_eq!(request.haematocrit, Some(0.42));
    // 2026-02-27 07:40 to 2026-03-02 07:00, same offset: three days less forty minutes.
    assert_eq!(request.age_at_receipt_d, Some(3.0 - 40.0 / 1440.0));
    let other = day.requests.get(&CardId::new("PM-0002").unwrap()).unwrap();
    assert_eq!(other.comment.as_deref(), Some("posted late, mail boat"));
    assert_eq!(day.requests.get(&CardId::new("PM-0003").unwrap()), None);
    assert_eq!(day.requests.iter().count(), 2);
    assert_eq!(day.doses.of(&SubjectId::new("SI-0417").unwrap()).count(), 1);
    assert_eq!(day.doses.iter().last().unwrap().amount, 50.0);

    let runs = runs(&day);
    assert_eq!(runs.len(), 1);
    assert_eq!(runs[0].injections.len(), 12);
    assert_eq!(runs[0].injections[9].repeat_of.as_deref(), Some("R1/9"));
    assert_eq!(runs[0].injections[9].dilution_factor, 2.0);
    // `date -u -d 2026-03-02T07:00:00Z +%s` (GNU coreutils).
    assert_eq!(runs[0].injected_at_unix_s[0], Some(1_772_434_800));
    assert_eq!(
        day.manual_limits_of("R1", 8)
            .map(|l| l.transition_index)
            .collect::<Vec<_>>(),
        [1, 2]
    );
}

#[test]
fn other_line_ends_marks_and_separators_give_the_same_day() {
    let (_first, plain) = opened(|_| {});
    type Dress = fn(&str) -> String;
    let dresses: [(&str, Dress); 5] = [
        ("CRLF", |text| text.replace('\n', "\r\n")),
        ("byte-order mark", |text| format!("\u{feff}{text}")),
        ("blank lines at the end", |text| format!("{text}\n\n,,,\n")),
        ("no line end at the end", |text| text.trim_end().to_owned()),
        ("blanks around cells", |text| {
            text.replace(",1.", ", 1.").replace(",R1,", ", R1 ,")
        }),
    ];
    for (dress, put_on) in dresses {
        let (_second, day) = opened(|folder| {
            for (file, text) in FILES.into_iter().filter(|(file, _)| file.ends_with(".csv")) {
                write(folder, file, &put_on(text));
            }
        });
        assert_same(&plain, &day, dress);
    }
    let (_third, semicolons) = opened(|folder| {
        // Every number with a fraction gets a comma; the one quoted comma keeps its place.
        for (file, text) in FILES.into_iter().filter(|(file, _)| file.ends_with(".csv")) {
            let text = text
                .replace("late, mail", "late~ mail")
                .replace(',', ";")
                .replace("late~", "late,");
            let text = text
                .replace("0.42", "0,42")
                .replace("71.5", "71,5")
                .replace("1.15", "1,15")
                .replace("1.30", "1,30")
                .replace(";1.1;", ";1,1;")
                .replace(";6.2;", ";6,2;")
                .replace(";0.3", ";0,3")
                .replace(";0.5;", ";0,5;");
            write(folder, file, &text);
        }
    });
    assert_same(&plain, &semicolons, "semicolons and decimal commas");
    let (_fourth, method) = opened(|folder| {
        let text = text_of("method.toml").replace('\n', "\r\n");
        write(folder, "method.toml", &format!("\u{feff}{text}"));
    });
    assert_eq!(method.methods[0].method, plain.methods[0].method);
}

fn assert_same(one: &Day, other: &Day, dress: &str) {
    assert_eq!(runs(one), runs(other), "{dress}");
    assert!(one.covariates.iter().eq(other.covariates.iter()), "{dress}");
    assert!(one.levels.iter().eq(other.levels.iter()), "{dress}");
    assert_eq!(
        one.requests.iter().collect::<Vec<_>>(),
        other.requests.iter().collect::<Vec<_>>(),
        "{dress}"
    );
    assert_eq!(
        one.doses.iter().collect::<Vec<_>>(),
        other.doses.iter().collect::<Vec<_>>(),
        "{dress}"
    );
    assert_eq!(one.manual_limits, other.manual_limits, "{dress}");
    assert_eq!(one.warnings, other.warnings, "{dress}");
}

#[test]
fn a_day_of_method_and_list_alone_is_a_day() {
    let (_folder, day) = opened(|folder| {
        for file in ["requests.csv", "doses.csv", "manual-limits.csv"] {
            std::fs::remove_file(folder.join(file)).unwrap();
        }
        write(folder, "SIMULATED.txt", "simulated");
    });
    assert!(day.simulated);
    assert!(day.requests.is_empty() && day.doses.is_empty() && day.manual_limits.is_empty());
    assert_eq!(day.warnings, []);
}

#[test]
fn runs_that_are_interleaved_come_apart_whole_and_in_order() {
    let (_folder, day) = opened(|folder| {
        // Odd lines move to run R2, the file is turned around.
        let text = text_of("injections.csv")
            .replace("R1/9,above the range", ",")
            .replace("PM-0002,1,2", "PM-0002,2,2");
        let mut lines: Vec<String> = text.lines().map(str::to_owned).collect();
        for line in lines.iter_mut().skip(1).step_by(2) {
            *line = line.replace(",R1,", ",R2,");
        }
        lines[1..].reverse();
        write(folder, "injections.csv", &lines.join("\n"));
        std::fs::remove_file(folder.join("manual-limits.csv")).unwrap();
    });
    let runs = runs(&day);
    assert_eq!(
        runs.iter().map(|run| run.run.as_str()).collect::<Vec<_>>(),
        ["R1", "R2"]
    );
    for (run, first) in runs.iter().zip([2, 1]) {
        let orders: Vec<u32> = run.injections.iter().map(|injection| injection.order).collect();
        assert_eq!(orders, (0..6).map(|n| first + 2 * n).collect::<Vec<_>>());
    }
}

#[test]
fn several_methods_are_told_apart_by_run() {
    let (_folder, day) = opened(|folder| {
        std::fs::create_dir(folder.join("methods")).unwrap();
        std::fs::rename(folder.join("method.toml"), folder.join("methods/epilepsy.toml")).unwrap();
        let second = text_of("method.toml").replace("id = \"epilepsy\"", "id = \"another\"");
        write(folder, "methods/another.toml", &second);
        let list = text_of("injections.csv")
            .replace(",run,", ",run,method,")
            .replace(",R1,", ",R1,epilepsy,");
        write(folder, "injections.csv", &list);
    });
    assert_eq!(day.methods.len(), 2);
    assert_eq!(day.methods[runs(&day)[0].method].method.id.as_str(), "epilepsy");
}

#[test]
fn what_is_legal_but_odd_is_said() {
    use FormatWarningCode::{
        CardWithoutRequest, DoseWithoutRequest, FewLevels, InjectedOutOfOrder, InternalStandardUnused,
        MethodNotApproved, RequestWithoutInjection, TimesContradict, TraceFileNotListed,
    };
    let codes = |change: &dyn Fn(&Path)| {
        let (_folder, day) = opened(change);
        day.warnings
            .iter()
            .map(|warning| (warning.code, warning.line))
            .collect::<Vec<_>>()
    };
    let edit = |file: &'static str, from: &'static str, to: &'static str| {
        move |folder: &Path| {
            assert!(text_of(file).contains(from));
            write(folder, file, &text_of(file).replacen(from, to, 1));
        }
    };
    assert_eq!(
        codes(&edit("requests.csv", "PM-0001", "PM-0009")),
        [(CardWithoutRequest, Some(9)), (RequestWithoutInjection, Some(2))]
    );
    assert_eq!(
        codes(&edit("doses.csv", "SI-0093", "SI-0094")),
        [(DoseWithoutRequest, Some(3))]
    );
    assert_eq!(
        codes(&edit(
            "requests.csv",
            "2026-02-27T07:40:00",
            "2026-03-12T07:40:00"
        )),
        [(TimesContradict, Some(2))]
    );
    assert_eq!(
        codes(&edit(
            "requests.csv",
            "2026-02-26T21:00:00",
            "2026-02-28T21:00:00"
        )),
        [(TimesContradict, Some(2))]
    );
    assert_eq!(
        codes(&edit("injections.csv", "2026-03-02T08:16", "2026-03-02T07:16")),
        [(InjectedOutOfOrder, Some(6))]
    );
    assert_eq!(
        codes(&|folder| write(folder, "traces/99.mzML", "")),
        [(TraceFileNotListed, None)]
    );
    assert_eq!(
        codes(&edit(
            "method.toml",
            "approved_by = \"laboratory director\"\napproved_on = \"2026-02-16\"\n",
            ""
        )),
        [(MethodNotApproved, None)]
    );
    assert_eq!(
        codes(&edit("method.toml", "min_levels = 2", "min_levels = 6")),
        [(FewLevels, Some(34))]
    );
    assert_eq!(
        codes(&edit(
            "method.toml",
            "[[analyte]]",
            "[[internal_standard]]\nname = \"spare\"\nprecursor_mz = 300.0\nproduct_mz = 100.0\npolarity = \"positive\"\nretention_time_min = 1.0\n[[analyte]]"
        )),
        [(InternalStandardUnused, Some(34))]
    );
}

#[test]
fn a_list_changed_after_it_was_checked_is_refused() {
    let (folder, day) = opened(|_| {});
    let changed = text_of("injections.csv").replace("PM-0001", "PM-0002");
    write(folder.path(), "injections.csv", &changed);
    let problem = day.runs().next().unwrap().unwrap_err();
    assert_eq!(problem.code, spotwright_exchange::FormatProblemCode::FileChanged);
}

#[cfg(unix)]
#[test]
fn a_link_that_leads_out_of_the_traces_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    lay_out(folder.path());
    let outside = tempfile::tempdir().unwrap();
    write(outside.path(), "secret.mzML", "");
    std::fs::remove_file(folder.path().join("traces/05.mzML")).unwrap();
    std::os::unix::fs::symlink(
        outside.path().join("secret.mzML"),
        folder.path().join("traces/05.mzML"),
    )
    .unwrap();
    let problems = open_day(folder.path()).unwrap_err();
    assert_eq!(problems.len(), 1);
    assert_eq!(
        problems[0].code,
        spotwright_exchange::FormatProblemCode::TracePathEscapes
    );
    // Within the folder a link is a file like another.
    std::fs::remove_file(folder.path().join("traces/05.mzML")).unwrap();
    write(folder.path(), "traces/elsewhere.bin", "");
    std::os::unix::fs::symlink("elsewhere.bin", folder.path().join("traces/05.mzML")).unwrap();
    open_day(folder.path()).unwrap();
}

/// The tiny day's method with other lines for its conversion.
fn with_conversion(lines: &str) -> spotwright_domain::conversion::Conversion {
    let text = text_of("method.toml");
    let (before, rest) = text.split_once("form = \"theoretical\"").unwrap();
    let (_, after) = rest.split_once("residual_cv_pct = 8.0\n").unwrap();
    let text = format!("{before}{lines}\n{after}");
    let (_folder, day) = opened(|folder| write(folder, "method.toml", &text));
    day.methods[0].method.analytes[0].conversion.clone().unwrap()
}

/// Every form and every spot term comes through the file as it was written.
#[test]
fn every_form_of_conversion_is_read() {
    use spotwright_domain::conversion::{
        ConversionForm, HaematocritEffect, LinearRegression, Partition, RegressionDirection, RegressionInput,
    };
    assert_eq!(
        with_conversion("form = \"none-needed\"").form,
        ConversionForm::NoneNeeded
    );
    assert_eq!(
        with_conversion("form = \"theoretical\"\nred_cell_over_unbound = 4.0\nfraction_unbound = 0.1\nfraction_unbound_sd = 0.02").form,
        ConversionForm::Theoretical {
            partition: Partition::FreePartition {
                red_cell_over_unbound: Estimate::known(4.0),
                fraction_unbound: Estimate::new(0.1, 0.02),
            }
        }
    );
    assert_eq!(
        with_conversion("form = \"unbound-equilibrium\"\nfraction_bound = 0.995").form,
        ConversionForm::UnboundEquilibrium {
            fraction_bound: Estimate::known(0.995)
        }
    );
    assert_eq!(
        with_conversion("form = \"not-predictable\"\nratio_seen = [1.148, 5.022]").form,
        ConversionForm::NotPredictable {
            ratio_seen: Some([1.148, 5.022])
        }
    );
    let line = "form = \"linear-regression\"\nunit = \"ug/mL\"\ndirection = \"reported-on-measured\"\ninput = \"haematocrit-corrected\"\npartition_ratio = 0.29\nslope = 1.11\nslope_se = 0.0816\nintercept = -1.00\nresidual_sd = 1.2";
    let read = with_conversion(line);
    assert_eq!(
        read.form,
        ConversionForm::LinearRegression(LinearRegression {
            direction: RegressionDirection::ReportedOnMeasured,
            input: RegressionInput::HaematocritCorrected {
                partition: Some(Partition::Constant {
                    ratio: Estimate::known(0.29)
                })
            },
            slope: Estimate::new(1.11, 0.0816),
            intercept: Estimate::known(-1.0),
            covariance: 0.0,
            residual_sd: Some(1.2),
        })
    );
    assert_eq!(
        read.unit,
        spotwright_domain::concentration::ConcentrationUnit::MicrogramPerMillilitre
    );
    let terms = with_conversion(
        "form = \"theoretical\"\npartition_ratio = 0.0\nhaematocrit_effect = { effect = \"spreading\", area_slope = -0.76, slope_se = 0.1, reference_haematocrit = 0.40 }\nvolume = { slope = 0.23, reference_ul = 30.0, volume_min_ul = 10.0, volume_max_ul = 50.0, unknown_cv_pct = 6.0 }\nsite = { edge_excess = 0.1, largest_radius_fraction = 0.6, unknown_cv_pct = 3.0 }\nrecovery = { per_haematocrit = -0.2, reference_haematocrit = 0.40 }",
    )
    .spot;
    assert_eq!(
        terms.haematocrit_effect,
        Some(HaematocritEffect::Spreading {
            area_slope: Estimate::new(-0.76, 0.1),
            reference_haematocrit: 0.40
        })
    );
    assert!(
        terms.volume.is_some()
            && terms.site.is_some()
            && terms.recovery.is_some()
            && terms.stability.is_some()
    );
}

/// Facts that change in time, with units of their own, and levels from elsewhere with their matrix.
#[test]
fn covariates_and_earlier_levels_are_read_by_person() {
    let (_folder, day) = opened(|_| {});
    let person = SubjectId::new("SI-0417").unwrap();
    let facts: Vec<_> = day.covariates.of(&person).collect();
    assert_eq!(
        (day.summary.covariates, day.covariates.len(), facts.len()),
        (5, 5, 4)
    );
    let creatinine: Vec<(f64, &str)> = facts
        .iter()
        .filter(|fact| fact.name == "creatinine")
        .map(|fact| (fact.value, fact.unit.as_str()))
        .collect();
    assert_eq!(creatinine, [(80.0, "umol/L"), (1.1, "mg/dL")]);
    // `date -u -d 2026-02-20T08:00:00+01:00 +%s` (GNU coreutils).
    assert_eq!(facts[1].from_unix_s, Some(1_771_570_800));
    let levels: Vec<_> = day.levels.of(&person).collect();
    assert_eq!((day.summary.levels, levels.len()), (2, 2));
    assert_eq!(levels[0].matrix, MatrixKind::Plasma);
    assert_eq!((levels[0].below_lloq, levels[1].below_lloq), (false, true));
    assert_eq!(levels[0].standard_uncertainty, Some(0.3));
    assert_eq!(day.levels.iter().count() + day.covariates.iter().count(), 7);
}

#[test]
fn a_dose_says_what_it_counts_and_whether_it_was_taken() {
    use spotwright_domain::request::DoseTaken;
    let (_folder, day) = opened(|folder| {
        let text = "subject,drug,amount,unit,route,given_at,basis,taken,time_uncertainty_min\n\
            SI-0417,lamotrigine,100,mg,oral,2026-02-25T09:00:00+01:00,base,uncertain,30\n\
            SI-0417,lamotrigine,100,mg,oral,2026-02-25T21:00:00+01:00,,missed,\n";
        write(folder, "doses.csv", text);
    });
    let doses: Vec<_> = day.doses.iter().collect();
    assert_eq!(doses[0].basis.as_deref(), Some("base"));
    assert_eq!(
        (doses[0].taken, doses[1].taken),
        (DoseTaken::Uncertain, DoseTaken::Missed)
    );
    assert_eq!(
        (doses[0].time_uncertainty_min, doses[1].time_uncertainty_min),
        (Some(30.0), None)
    );
}

#[test]
fn doubtful_units_are_warned_of() {
    let (_folder, day) = opened(|folder| {
        // 12 is a creatinine in either unit; 6200 mg/L of lamotrigine is 6.2 mg/L a thousandfold.
        let facts = text_of("covariates.csv").replace("creatinine,80,umol/L", "creatinine,12,umol/L");
        write(folder, "covariates.csv", &facts);
        let levels = text_of("levels.csv")
            .replace("6.2,mg/L", "6200,mg/L")
            .replace("SI-0417,lamotrigine,2026-02-03", "SI-0999,lamotrigine,2026-02-03");
        write(folder, "levels.csv", &levels);
    });
    let codes: Vec<FormatWarningCode> = day.warnings.iter().map(|warning| warning.code).collect();
    assert_eq!(
        codes,
        [
            FormatWarningCode::UnitDoubtful,
            FormatWarningCode::UnitDoubtful,
            FormatWarningCode::PersonWithoutRequest
        ]
    );
}

/// A range in another matrix than the converted value would never be read against: worth a warning, no problem.
#[test]
fn a_range_in_another_matrix_is_warned_of() {
    let (_folder, day) = opened(|folder| {
        let text = text_of("method.toml").replace(
            "matrix = \"plasma\"\nsampling_time",
            "matrix = \"whole-blood\"\nsampling_time",
        );
        write(folder, "method.toml", &text);
    });
    let codes: Vec<FormatWarningCode> = day.warnings.iter().map(|warning| warning.code).collect();
    assert_eq!(codes, [FormatWarningCode::TargetOtherMatrix]);
}
