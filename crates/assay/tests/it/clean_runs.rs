//! On clean data nothing may be rejected: 200 seeded runs of about 100 injections (noise as in practice.md §6 and
//! practice-evidence.md §7).

use crate::laboratory::{Laboratory, method};
use spotwright_domain::concentration::ConcentrationCase;
use spotwright_domain::injection::SampleRole;
use spotwright_domain::reason::Severity;
use spotwright_domain::record::{Acceptance, ResultVerdict};

#[test]
fn two_hundred_clean_runs_reject_nothing() {
    let (mut comments, mut results) = (0, 0);
    for seed in 0..200_u64 {
        let mut lab = Laboratory::new(seed);
        lab.line.preparation_cv = 0.02 + 0.03 * (seed % 7) as f64 / 6.0;
        lab.line.standard_cv = 0.04 + 0.04 * (seed % 5) as f64 / 4.0;
        lab.line.drift_per_injection = -0.001 * (seed % 3) as f64 / 2.0;
        lab.line.carry_over = [0.0, 0.0001, 0.0003][seed as usize % 3];
        lab.opening();
        let patients: Vec<f64> = (0..66)
            .map(|_| libm::exp(libm::log(12.0) + 0.6 * lab.noise.normal()).clamp(0.3, 95.0))
            .collect();
        lab.brackets(&patients);
        assert!((90..=110).contains(&lab.lines.len()), "{}", lab.lines.len());
        let judged = lab.judge();
        let analyte = &judged.run.analytes[0];
        assert_ne!(
            judged.run.acceptance,
            Acceptance::Rejected,
            "seed {seed}: {:#?}",
            analyte.reasons
        );
        for result in judged.patients() {
            results += 1;
            assert_ne!(
                result.verdict,
                ResultVerdict::NotReportable,
                "seed {seed}: {:#?}",
                result.reasons
            );
            comments += usize::from(result.verdict == ResultVerdict::ReportableWithComment);
        }
        let worst = judged.run.internal_standards[0]
            .reasons
            .iter()
            .map(|reason| reason.severity)
            .max();
        assert!(
            worst < Some(Severity::Comment),
            "seed {seed}: {:#?}",
            judged.run.internal_standards[0].reasons
        );
    }
    println!("{comments} of {results} clean results carry a comment");
    assert!(
        comments * 500 < results,
        "{comments} of {results} clean results carry a comment"
    );
}

// The whole range, several analytes, two spots of every fourth card, suppression of 0 to 30 % shared by analyte and standard.
#[test]
fn wide_clean_runs_reject_nothing_and_cover_the_truth() {
    let (mut inside, mut all, mut comments) = (0_u32, 0_u32, 0_u32);
    for seed in 1000..1200_u64 {
        let mut lab = Laboratory::new(seed);
        lab.method = method(&["drug", "metabolite"]);
        lab.line.preparation_cv = 0.035;
        lab.opening();
        for i in 0..66 {
            let x = libm::exp(libm::log(1.4) + libm::log(58.0) * lab.noise.uniform());
            let order = if i % 4 == 1 {
                let card = lab.lines.last().unwrap().injection.card.clone().unwrap();
                let x = lab.truth[&(lab.lines.len() as u32)];
                lab.patient_spot(&card, 2, x)
            } else {
                lab.patient(x)
            };
            let suppression = 1.0 - 0.3 * lab.noise.uniform();
            lab.suppress(order, suppression);
            if i % 20 == 19 {
                lab.controls();
            }
        }
        lab.controls();
        let judged = lab.judge();
        for analyte in &judged.run.analytes {
            assert_ne!(
                analyte.acceptance,
                Acceptance::Rejected,
                "seed {seed}: {:#?}",
                analyte.reasons
            );
        }
        for (position, results) in judged.results.iter().enumerate() {
            for result in results.iter().filter(|result| result.role == SampleRole::Patient) {
                assert_ne!(
                    result.verdict,
                    ResultVerdict::NotReportable,
                    "seed {seed}: {:#?}",
                    result.reasons
                );
                comments += u32::from(result.verdict == ResultVerdict::ReportableWithComment);
                if let ConcentrationCase::Measured { interval_95, .. } = result.concentration {
                    let truth = lab.truth[&lab.lines[position].injection.order];
                    all += 1;
                    inside += u32::from((interval_95[0]..=interval_95[1]).contains(&truth));
                }
            }
        }
    }
    let coverage = 100.0 * f64::from(inside) / f64::from(all);
    println!("{all} results, {coverage:.2} % of the intervals hold the truth, {comments} carry a comment");
    assert!((93.0..=97.0).contains(&coverage), "{coverage}");
    // One honest pair in twenty lies outside a limit that holds nineteen: an eighth of the results is one of a pair.
    assert!(comments * 20 < all, "{comments} of {all}");
}
