//! Days that tests share, each simulated, run and compared once.

use rayon::prelude::*;
use spotwright_simulate::{DayPlan, Fault};
use spotwright_testkit::comparison::Comparison;
use spotwright_testkit::simulate_and_compare;
use std::sync::OnceLock;

/// Clean runs: eight of each panel.
const CLEAN_SEEDS: std::ops::Range<u64> = 9_000..9_040;
/// Demo days beside the one that users see.
const DEMO_SEEDS: [u64; 2] = [9_101, 9_102];

fn pooled(plans: &[DayPlan]) -> Comparison {
    let compared: Vec<Comparison> = plans
        .par_iter()
        .map(|plan| {
            let folder = tempfile::tempdir().unwrap();
            simulate_and_compare(plan, &folder.path().join("day"))
        })
        .collect();
    let mut all = Comparison::default();
    for comparison in compared {
        all.absorb(comparison);
    }
    all
}

/// Runs without any fault.
pub(crate) fn clean() -> &'static Comparison {
    static CLEAN: OnceLock<Comparison> = OnceLock::new();
    CLEAN.get_or_init(|| {
        let plans: Vec<DayPlan> = CLEAN_SEEDS.map(DayPlan::clean).collect();
        pooled(&plans)
    })
}

/// Demo days: the users' own and others.
pub(crate) fn demo() -> &'static Comparison {
    static DEMO: OnceLock<Comparison> = OnceLock::new();
    DEMO.get_or_init(|| {
        let mut plans = vec![DayPlan::demo()];
        plans.extend(DEMO_SEEDS.map(|seed| DayPlan {
            seed,
            ..DayPlan::demo()
        }));
        pooled(&plans)
    })
}

/// One run for each fault the simulator knows, with that fault alone.
pub(crate) fn one_fault_each() -> &'static Comparison {
    static FAULTS: OnceLock<Comparison> = OnceLock::new();
    FAULTS.get_or_init(|| {
        let plans: Vec<DayPlan> = Fault::one_of_each()
            .into_iter()
            .zip(9_200..)
            .map(|(fault, seed)| DayPlan {
                faults: vec![(0, fault)],
                ..DayPlan::clean(seed)
            })
            .collect();
        pooled(&plans)
    })
}
