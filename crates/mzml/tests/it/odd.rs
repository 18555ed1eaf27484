//! Legal but odd: every trace is kept and the oddity is reported. The files are written out here by hand after the
//! mzML 1.1.0 schema and the PSI-MS vocabulary; the numbers in them were chosen, so they show reading, not chemistry.

use spotwright_domain::trace::{Polarity, Trace, TraceKind, TraceProblem};
use spotwright_mzml::{
    FileTraces, ReadError, ReadOptions, Scratch, TraceHeader, parse_bytes, parse_bytes_wanted,
};

fn parse(text: &str) -> Result<FileTraces, ReadError> {
    parse_bytes(text.as_bytes(), &ReadOptions::default(), &mut Scratch::default())
}

fn file(groups: &str, run: &str) -> String {
    format!(
        "<?xml version=\"1.0\"?><mzML xmlns=\"http://psi.hupo.org/ms/mzml\" version=\"1.1.0\">{groups}\
         <run id=\"r\">{run}</run></mzML>"
    )
}

fn cv(accession: &str, name: &str, value: &str, unit: &str) -> String {
    let unit = if unit.is_empty() {
        String::new()
    } else {
        format!(" unitAccession=\"{unit}\"")
    };
    format!("<cvParam cvRef=\"MS\" accession=\"{accession}\" name=\"{name}\" value=\"{value}\"{unit}/>")
}

/// An uncompressed 64-bit array; `kind` is its term.
fn array(kind: &str, values: &[f64]) -> String {
    let bytes: Vec<u8> = values.iter().flat_map(|v| v.to_le_bytes()).collect();
    let text = base64_simd::STANDARD.encode_to_string(bytes);
    let terms = cv("MS:1000523", "64-bit float", "", "") + &cv("MS:1000576", "no compression", "", "");
    format!(
        "<binaryDataArray encodedLength=\"{}\">{terms}{kind}<binary>{text}</binary></binaryDataArray>",
        text.len()
    )
}

fn seconds() -> String {
    cv("MS:1000595", "time array", "", "UO:0000010")
}

fn counts() -> String {
    cv("MS:1000515", "intensity array", "", "MS:1000131")
}

fn chromatogram(index: usize, id: &str, inner: &str, time: &str, times: &[f64], counts_: &[f64]) -> String {
    format!(
        "<chromatogram index=\"{index}\" id=\"{id}\" defaultArrayLength=\"{}\">{inner}<binaryDataArrayList count=\"2\">{}{}\
         </binaryDataArrayList></chromatogram>",
        times.len(),
        array(time, times),
        array(&counts(), counts_)
    )
}

fn list(chromatograms: &[String]) -> String {
    format!(
        "<chromatogramList count=\"{}\">{}</chromatogramList>",
        chromatograms.len(),
        chromatograms.concat()
    )
}

fn srm() -> String {
    cv("MS:1001473", "selected reaction monitoring chromatogram", "", "")
}

fn window(target: &str) -> String {
    format!(
        "<isolationWindow>{}</isolationWindow>",
        cv("MS:1000827", "isolation window target m/z", target, "")
    )
}

fn transition(precursor: &str, product: &str) -> String {
    format!(
        "{}<precursor>{}</precursor><product>{}</product>",
        srm(),
        window(precursor),
        window(product)
    )
}

#[test]
fn duplicates_disorder_and_negatives_are_kept_and_said() {
    let q = transition("237.1", "194.1");
    let text = file(
        "",
        &list(&[
            chromatogram(0, "a", &q, &seconds(), &[60.0, 120.0, 180.0], &[1.0, 2.0, 3.0]),
            chromatogram(7, "a", &q, &seconds(), &[120.0, 60.0, 60.0], &[1.0, -2.0, -3.0]),
            chromatogram(
                2,
                "b",
                &srm(),
                &cv("MS:1000595", "time array", "", ""),
                &[1.5],
                &[4.0],
            ),
            chromatogram(3, "c", &srm(), &seconds(), &[], &[]),
        ]),
    );
    let traces = parse(&text).unwrap().traces;
    assert_eq!(traces.len(), 4);
    assert_eq!(traces[0].time_min, [1.0, 2.0, 3.0]);
    assert_eq!(traces[0].problems, []);
    assert_eq!(
        traces[1].problems,
        [
            TraceProblem::DuplicateId { first_index: 0 },
            TraceProblem::DuplicateTransition { first_index: 0 },
            TraceProblem::UnsortedTimes { steps_back: 1 },
            TraceProblem::RepeatedTimes { repeats: 1 },
            TraceProblem::IndexOutOfOrder { stated: 7 },
            TraceProblem::NegativeIntensity { points: 2 },
        ]
    );
    assert_eq!(traces[1].intensity, [1.0, -2.0, -3.0]);
    assert_eq!(
        (traces[2].time_min[0], &traces[2].problems[..]),
        (1.5, &[TraceProblem::TimeUnitMissing][..])
    );
    assert_eq!(traces[3].problems, [TraceProblem::Empty]);
}

#[test]
fn a_missing_count_is_said_and_milliseconds_are_read() {
    let c = chromatogram(
        0,
        "a",
        &srm(),
        &cv("MS:1000595", "time array", "", "UO:0000028"),
        &[30_000.0],
        &[1.0],
    );
    let text = file("", &list(&[c])).replace(" count=\"1\"", "");
    let traces = parse(&text).unwrap().traces;
    assert_eq!(
        (traces[0].time_min[0], &traces[0].problems[..]),
        (0.5, &[TraceProblem::CountMissing][..])
    );
}

#[test]
fn the_selected_ion_stands_in_for_an_absent_isolation_target() {
    let ion = cv("MS:1000744", "selected ion m/z", "237.1", "");
    let selected = format!("<selectedIonList count=\"1\"><selectedIon>{ion}</selectedIon></selectedIonList>");
    let one = |precursor: &str| {
        let inner = format!(
            "{}<precursor>{precursor}</precursor><product>{}</product>",
            srm(),
            window("194.1")
        );
        let text = file(
            "",
            &list(&[chromatogram(0, "a", &inner, &seconds(), &[1.0], &[1.0])]),
        );
        let trace = parse(&text).unwrap().traces.remove(0);
        (
            trace.precursor.unwrap().target_mz,
            trace.product.unwrap().target_mz,
        )
    };
    assert_eq!(one(&selected), (237.1, 194.1));
    assert_eq!(one(&format!("{}{selected}", window("237.0"))), (237.0, 194.1));
}

#[test]
fn parameter_groups_stand_in_for_parameters() {
    let group = |id: &str, inner: &str| {
        format!("<referenceableParamGroup id=\"{id}\">{inner}</referenceableParamGroup>")
    };
    let groups = format!(
        "<referenceableParamGroupList count=\"2\">{}{}</referenceableParamGroupList>",
        group("kind", &(srm() + &cv("MS:1000129", "negative scan", "", ""))),
        group("time", &seconds())
    );
    let reference = |id: &str| format!("<referenceableParamGroupRef ref=\"{id}\"/>");
    let c = chromatogram(0, "a", &reference("kind"), &reference("time"), &[60.0], &[1.0]);
    let trace = parse(&file(&groups, &list(std::slice::from_ref(&c))))
        .unwrap()
        .traces
        .remove(0);
    assert_eq!(trace.kind, TraceKind::SelectedReactionMonitoring);
    assert_eq!(trace.polarity, Some(Polarity::Negative));
    assert_eq!(trace.time_min, [1.0]);
    assert!(matches!(parse(&file("", &list(&[c]))), Err(ReadError::UnknownGroup { id, .. }) if id == "kind"));
}

#[test]
fn an_arrays_own_length_overrides_the_default() {
    let c = chromatogram(0, "a", &srm(), &seconds(), &[60.0, 120.0], &[1.0, 2.0])
        .replace("defaultArrayLength=\"2\"", "defaultArrayLength=\"9\"");
    let own = c.replace("<binaryDataArray ", "<binaryDataArray arrayLength=\"2\" ");
    assert_eq!(
        parse(&file("", &list(&[own]))).unwrap().traces[0].intensity,
        [1.0, 2.0]
    );
    let half = c.replacen("<binaryDataArray ", "<binaryDataArray arrayLength=\"2\" ", 1);
    assert!(matches!(
        parse(&file("", &list(&[half]))),
        Err(ReadError::UnequalArrays {
            first_points: 2,
            second_points: 9,
            ..
        })
    ));
}

#[test]
fn white_space_in_base64_and_latin_1_ids_are_read() {
    let c = chromatogram(0, "\u{e9}", &srm(), &seconds(), &[60.0, 120.0], &[1.0, 2.0]);
    let place = c.find("<binary>").unwrap() + 12;
    let broken = format!("{}\n  {}", &c[..place], &c[place..]);
    let text = file("", &list(&[broken])).replace("\"1.0\"?>", "\"1.0\" encoding=\"ISO-8859-1\"?>");
    let latin: Vec<u8> = text
        .chars()
        .map(|c| u8::try_from(u32::from(c)).unwrap())
        .collect();
    let read = parse_bytes(&latin, &ReadOptions::default(), &mut Scratch::default()).unwrap();
    assert_eq!(
        (read.traces[0].id.as_str(), &read.traces[0].time_min[..]),
        ("\u{e9}", &[1.0, 2.0][..])
    );
}

#[test]
fn only_what_is_wanted_is_decoded_but_all_is_checked() {
    let keep = chromatogram(0, "keep", &srm(), &seconds(), &[60.0], &[1.0]);
    let skip = chromatogram(1, "skip", &srm(), &seconds(), &[60.0], &[2.0]);
    let wanted = |header: &TraceHeader<'_>| header.id == "keep";
    let read = |text: &str| {
        parse_bytes_wanted(
            text.as_bytes(),
            &ReadOptions::default(),
            &wanted,
            &mut Scratch::default(),
        )
    };
    let text = file("", &list(&[keep.clone(), skip.clone()]));
    let found = read(&text).unwrap();
    assert_eq!((found.traces.len(), found.summary.traces_skipped), (1, 1));
    let damaged = file("", &list(&[keep, skip.replace("<binary>A", "<binary>AA")]));
    assert!(matches!(read(&damaged), Err(ReadError::Array { .. })));
}

/// One SRM spectrum: a precursor, a scan start time, products as m/z array.
fn spectrum(
    index: usize,
    minutes: f64,
    precursor: &str,
    products: &[f64],
    intensities: &[f64],
    inner: &str,
) -> String {
    let start = cv(
        "MS:1000016",
        "scan start time",
        &minutes.to_string(),
        "UO:0000031",
    );
    let windows: String = products
        .iter()
        .map(|mz| {
            let limits = cv(
                "MS:1000501",
                "scan window lower limit",
                &(mz - 0.25).to_string(),
                "",
            ) + &cv(
                "MS:1000500",
                "scan window upper limit",
                &(mz + 0.25).to_string(),
                "",
            ) + &cv("MS:1000502", "dwell time", "70", "UO:0000028");
            format!("<scanWindow>{limits}</scanWindow>")
        })
        .collect();
    format!(
        "<spectrum index=\"{index}\" id=\"scan={index}\" defaultArrayLength=\"{}\">{}{}<scanList count=\"1\"><scan>{start}\
         <scanWindowList count=\"{}\">{windows}</scanWindowList></scan></scanList><precursorList count=\"1\"><precursor>{}\
         </precursor></precursorList>{inner}<binaryDataArrayList count=\"2\">{}{}</binaryDataArrayList></spectrum>",
        products.len(),
        cv("MS:1000583", "SRM spectrum", "", ""),
        cv("MS:1000130", "positive scan", "", ""),
        products.len(),
        window(precursor),
        array(&cv("MS:1000514", "m/z array", "", ""), products),
        array(&counts(), intensities)
    )
}

fn spectra(all: &[String]) -> String {
    format!(
        "<spectrumList count=\"{}\">{}</spectrumList>",
        all.len(),
        all.concat()
    )
}

#[test]
fn srm_spectra_become_one_trace_a_transition() {
    // Two precursors in turn; the first with two products. The layout follows the standard's own SRM example.
    let run = spectra(&[
        spectrum(0, 1.0, "445.34", &[525.13, 672.56], &[10.0, 20.0], ""),
        spectrum(1, 1.1, "237.1", &[194.1], &[5.0], ""),
        spectrum(2, 1.2, "445.34", &[525.13, 672.56], &[11.0, 21.0], ""),
        spectrum(3, 1.3, "237.1", &[194.1], &[6.0], ""),
    ]);
    let read = parse(&file("", &run)).unwrap();
    let seen: Vec<_> = read
        .traces
        .iter()
        .map(|t| {
            (
                t.precursor.unwrap().target_mz,
                t.product.unwrap().target_mz,
                t.time_min.clone(),
                t.intensity.clone(),
            )
        })
        .collect();
    assert_eq!(
        seen,
        [
            (445.34, 525.13, vec![1.0, 1.2], vec![10.0, 11.0]),
            (445.34, 672.56, vec![1.0, 1.2], vec![20.0, 21.0]),
            (237.1, 194.1, vec![1.1, 1.3], vec![5.0, 6.0]),
        ]
    );
    for trace in &read.traces {
        assert_eq!(trace.problems, [TraceProblem::MergedSegments { segments: 2 }]);
        assert_eq!(trace.dwell_s, Some(0.07));
        assert_eq!(trace.polarity, Some(Polarity::Positive));
        assert!((trace.product.unwrap().upper_offset_mz.unwrap() - 0.25).abs() < 1e-9);
    }
    assert_eq!(read.summary.srm_spectra, 4);
}

#[test]
fn stated_products_are_followed_and_ambiguity_is_refused() {
    let product = format!(
        "<productList count=\"1\"><product>{}</product></productList>",
        window("194.0")
    );
    let run = |products: &[f64], intensities: &[f64]| {
        file(
            "",
            &spectra(&[spectrum(0, 1.0, "237.1", products, intensities, &product)]),
        )
    };
    let traces: Vec<Trace> = parse(&run(&[194.07], &[5.0])).unwrap().traces;
    assert!((traces[0].product.unwrap().target_mz - 194.0).abs() < 1e-12);
    assert!(matches!(
        parse(&run(&[194.0, 195.0], &[5.0, 6.0])),
        Err(ReadError::SrmSpectrum { .. })
    ));
    let no_time = run(&[194.0], &[5.0]).replace("MS:1000016", "MS:1000512");
    assert!(matches!(parse(&no_time), Err(ReadError::SrmSpectrum { .. })));
}
