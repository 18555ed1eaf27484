//! On clean data nothing may be rejected: 200 seeded runs of about 100 injections (noise as in practice.md §6 and
//! practice-evidence.md §7).

use crate::laboratory::Laboratory;
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
