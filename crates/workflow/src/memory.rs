//! What a day remembers from one run to the next: the concentrations that later injections repeat.

use crate::error::WorkflowError;
use crate::judged_run::JudgedRun;
use spotwright_domain::concentration::ConcentrationCase;
use spotwright_domain::identifier::{AnalyteName, MethodId};
use spotwright_domain::method::Method;
use spotwright_exchange::{Day, RunList};
use std::collections::{BTreeMap, BTreeSet};

/// Concentrations of earlier runs that later injections repeat.
pub(crate) struct Memory {
    wanted: BTreeSet<String>,
    known: BTreeMap<(String, MethodId, AnalyteName), f64>,
}

impl Memory {
    /// Which injections are repeated anywhere in the day.
    pub(crate) fn of(day: &Day) -> Result<Self, WorkflowError> {
        let mut wanted = BTreeSet::new();
        for run in day.runs() {
            let run = run.map_err(|problem| WorkflowError::Day(vec![problem]))?;
            wanted.extend(
                run.injections
                    .into_iter()
                    .filter_map(|injection| injection.repeat_of),
            );
        }
        Ok(Self {
            wanted,
            known: BTreeMap::new(),
        })
    }

    /// Whether a later injection repeats one of this run.
    pub(crate) fn needs(&self, run: &RunList) -> bool {
        !self.wanted.is_empty()
            && run
                .injections
                .iter()
                .any(|injection| self.wanted.contains(&injection.id()))
    }

    pub(crate) fn remember(&mut self, judged: &JudgedRun) {
        if self.wanted.is_empty() {
            return;
        }
        for (position, injection) in judged.measured.injections.iter().enumerate() {
            let id = injection.injection.id();
            if !self.wanted.contains(&id) {
                continue;
            }
            for result in judged.results_of(position) {
                if let ConcentrationCase::Measured { value, .. } = result.concentration {
                    self.known
                        .insert((id.clone(), judged.method.id.clone(), result.analyte), value);
                }
            }
        }
    }

    /// The concentration an earlier injection (`run/order`) had by the same method.
    pub(crate) fn value(&self, id: &str, method: &Method, analyte: usize) -> Option<f64> {
        let name = method.analytes.get(analyte)?.name.clone();
        self.known.get(&(id.to_owned(), method.id.clone(), name)).copied()
    }
}
