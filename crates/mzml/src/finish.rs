//! From a read item to a trace: arrays decoded and checked against each other, oddities noted.

use std::collections::BTreeMap;

use spotwright_domain::trace::{IsolationWindow, Polarity, Trace, TraceKind, TraceProblem};

use crate::TraceHeader;
use crate::arrays::{self, ArrayEntry, Buffers};
use crate::error::{ArrayFault, ArrayRole, At, ReadError};
use crate::item::Item;
use crate::reader::Machine;
use crate::srm::Series;
use crate::terms::{self, TimeUnit};

/// Ids and transitions met so far, and what else the next trace has to know.
#[derive(Debug, Default)]
pub(crate) struct Known {
    ids: BTreeMap<String, usize>,
    transitions: BTreeMap<(Option<Polarity>, u64, u64), usize>,
    next_index: usize,
    /// The chromatogram list has no `count`: said on its first trace.
    pub(crate) count_missing: bool,
}

/// Arrays of a trace that are decoded later, together with others.
#[derive(Debug)]
pub(crate) struct Deferred {
    pub(crate) unit: TimeUnit,
    pub(crate) jobs: (arrays::Job, arrays::Job),
}

/// Gives a trace its points: times in the file's unit, intensities.
pub(crate) fn complete(trace: &mut Trace, unit: TimeUnit, mut times: Vec<f64>, intensity: Vec<f64>) {
    if unit != TimeUnit::Minute {
        for time in &mut times {
            *time /= unit.per_minute();
        }
    }
    trace.time_min = times;
    trace.intensity = intensity;
    judge_points(trace);
}

impl Machine<'_> {
    /// The end of a chromatogram: its trace, or `None` when it is not wanted.
    pub(crate) fn finish_chromatogram(
        &mut self,
        buf: &[u8],
        byte: u64,
        item: &mut Item,
        buffers: &mut Buffers,
    ) -> Result<Option<Trace>, ReadError> {
        let mut problems = Vec::new();
        let polarity = item.polarity();
        if item.kind.is_none() {
            item.notes.push("no chromatogram type is stated".to_owned());
        }
        let kind = item.kind.unwrap_or(TraceKind::Other);
        let precursor = item.precursor.get();
        let product = item.products.first().and_then(crate::item::Window::get);
        for (name, window) in [("precursor", &precursor), ("product", &product)] {
            if window.is_some_and(|window| window.target_mz <= 0.0) {
                item.notes
                    .push(format!("the {name}'s target m/z is stated as zero"));
            }
        }
        let entries = &item.arrays[..item.array_count];
        let time = self.only(entries, ArrayRole::Time, byte, item)?;
        let intensity = self.only(entries, ArrayRole::Intensity, byte, item)?;
        let length = |entry: &ArrayEntry| entry.array_length.unwrap_or(item.points);
        for (role, entry) in [(ArrayRole::Time, time), (ArrayRole::Intensity, intensity)] {
            if entry.is_none() && item.points > 0 {
                let at = self.at(byte, item);
                return Err(ReadError::MissingArray {
                    at,
                    array: role,
                    points: item.points,
                });
            }
        }
        let (first, second) = (time.map_or(0, length), intensity.map_or(0, length));
        if first != second {
            return Err(ReadError::UnequalArrays {
                at: self.at(byte, item),
                first: ArrayRole::Time,
                first_points: first,
                second: ArrayRole::Intensity,
                second_points: second,
            });
        }
        let index = self.known.next_index;
        let header = TraceHeader {
            id: &item.id,
            index,
            kind,
            polarity,
            precursor,
            product,
            points: first,
        };
        let wanted = self.wanted.is_none_or(|wanted| wanted(&header));
        for entry in entries {
            if !wanted || entry.role() == ArrayRole::Mz || entry.role() == ArrayRole::Other {
                arrays::check(entry, buf, buffers).map_err(|fault| self.array_fault(fault, entry, item))?;
            }
        }
        let unit = match time {
            Some(time) => time.unit.unwrap_or_else(|| {
                problems.push(TraceProblem::TimeUnitMissing);
                TimeUnit::Minute
            }),
            None => TimeUnit::Minute,
        };
        self.deferred = match (time, intensity) {
            (Some(time), Some(intensity)) if self.defer && wanted && first <= self.options.max_points => {
                let jobs = arrays::Job::new(time, first).zip(arrays::Job::new(intensity, first));
                jobs.map(|jobs| Deferred { unit, jobs })
            }
            _ => None,
        };
        let now = wanted && self.deferred.is_none();
        let mut decode = |entry: Option<&ArrayEntry>| match entry {
            Some(entry) if now => self.decode(entry, length(entry), buf, buffers, item),
            _ => Ok(Vec::new()),
        };
        let (time_min, intensity_values) = (decode(time)?, decode(intensity)?);
        for entry in entries {
            problems.extend(entry.contradictions.iter().map(|(number, name)| {
                TraceProblem::ArrayNameContradictsAccession {
                    accession: terms::ms_accession(*number),
                    name: name.clone(),
                }
            }));
        }
        if let Some(stated) = item.stated_index
            && stated != item.index
        {
            problems.push(TraceProblem::IndexOutOfOrder { stated });
        }
        if std::mem::take(&mut self.known.count_missing) {
            problems.push(TraceProblem::CountMissing);
        }
        if let Some(stated) = self.summary.chromatograms_declared
            && item.index >= stated
        {
            problems.push(TraceProblem::MoreThanCount { stated });
        }
        problems.extend(item.notes.drain(..).map(|text| TraceProblem::Note { text }));
        let mut trace = Trace {
            id: std::mem::take(&mut item.id),
            index,
            kind,
            polarity,
            precursor,
            product,
            dwell_s: item.dwell_s,
            time_min: Vec::new(),
            intensity: Vec::new(),
            problems,
        };
        self.known.enter(&mut trace);
        if !wanted {
            self.summary.traces_skipped += 1;
            return Ok(None);
        }
        if now {
            complete(&mut trace, unit, time_min, intensity_values);
        }
        self.summary.traces_given += 1;
        Ok(Some(trace))
    }

    /// The end of a spectrum: SRM points are gathered; of other spectra only the lengths are checked.
    pub(crate) fn finish_spectrum(
        &mut self,
        buf: &[u8],
        byte: u64,
        item: &mut Item,
        buffers: &mut Buffers,
    ) -> Result<(), ReadError> {
        let polarity = item.polarity();
        let item = &*item;
        let entries = &item.arrays[..item.array_count];
        if !item.is_srm_spectrum {
            for entry in entries {
                arrays::check(entry, buf, buffers).map_err(|fault| self.array_fault(fault, entry, item))?;
            }
            return Ok(());
        }
        self.summary.srm_spectra += 1;
        let refuse = |reason: &str| {
            Err(ReadError::SrmSpectrum {
                at: self.at(byte, item),
                reason: reason.to_owned(),
            })
        };
        if item.precursors > 1 {
            return refuse("it has more than one precursor");
        }
        let Some(precursor) = item.precursor.get() else {
            return refuse("it has no precursor m/z");
        };
        let Some(time_min) = item.scan_start_min else {
            return refuse("it has no scan start time");
        };
        if item.scans > 1 {
            return refuse("it combines more than one scan");
        }
        let mut values = [Vec::new(), Vec::new()];
        for (role, values) in [ArrayRole::Mz, ArrayRole::Intensity].into_iter().zip(&mut values) {
            match self.only(entries, role, byte, item)? {
                Some(entry) => {
                    let length = entry.array_length.unwrap_or(item.points);
                    *values = self.decode(entry, length, buf, buffers, item)?;
                }
                None if item.points > 0 => {
                    return Err(ReadError::MissingArray {
                        at: self.at(byte, item),
                        array: role,
                        points: item.points,
                    });
                }
                None => {}
            }
        }
        for entry in entries
            .iter()
            .filter(|e| !matches!(e.role(), ArrayRole::Mz | ArrayRole::Intensity))
        {
            arrays::check(entry, buf, buffers).map_err(|fault| self.array_fault(fault, entry, item))?;
        }
        let [mzs, intensities] = values;
        if mzs.len() != intensities.len() {
            return Err(ReadError::UnequalArrays {
                at: self.at(byte, item),
                first: ArrayRole::Mz,
                first_points: mzs.len() as u64,
                second: ArrayRole::Intensity,
                second_points: intensities.len() as u64,
            });
        }
        let stated: Vec<IsolationWindow> = item
            .products
            .iter()
            .filter_map(crate::item::Window::get)
            .collect();
        if !stated.is_empty() && stated.len() != mzs.len() {
            return refuse(&format!(
                "it names {} products but holds {} points",
                stated.len(),
                mzs.len()
            ));
        }
        if let Some(mz) = mzs.iter().find(|&&mz| mz <= 0.0) {
            return refuse(&format!("product m/z {mz} is not positive"));
        }
        let mut free = stated;
        for (&mz, &intensity) in mzs.iter().zip(&intensities) {
            let (product, dwell_s) = if free.is_empty() {
                product_window(item, mz)
            } else {
                let nearest = free
                    .iter()
                    .enumerate()
                    .min_by(|a, b| (a.1.target_mz - mz).abs().total_cmp(&(b.1.target_mz - mz).abs()))
                    .map_or(0, |(place, _)| place);
                (free.swap_remove(nearest), item.dwell_s)
            };
            let windows = (precursor, product);
            let tolerance = self.options.srm_match_mz;
            self.gathered
                .add(polarity, windows, dwell_s, (time_min, intensity), tolerance);
        }
        self.gathered.time_unit_missing |= item.scan_unit_missing;
        self.gathered.empty_spectra += usize::from(mzs.is_empty());
        Ok(())
    }

    /// The end of the spectrum list: gathered transitions become traces.
    pub(crate) fn release_series(&mut self) {
        let gathered = std::mem::take(&mut self.gathered);
        for series in gathered.series {
            let mut problems = vec![TraceProblem::MergedSegments {
                segments: series.segments,
            }];
            let mut note = |text: &str| {
                problems.push(TraceProblem::Note {
                    text: text.to_owned(),
                })
            };
            if series.dwell_varies {
                note("the dwell time is not the same in all spectra; read as not stated");
            }
            if gathered.empty_spectra > 0 {
                note(&format!(
                    "{} SRM spectra of the file hold no point",
                    gathered.empty_spectra
                ));
            }
            if let Some(stated) = self
                .summary
                .spectra_declared
                .filter(|&n| n < self.summary.spectra_found)
            {
                problems.push(TraceProblem::MoreThanCount { stated });
            }
            if gathered.time_unit_missing {
                problems.push(TraceProblem::TimeUnitMissing);
            }
            let mut trace = Trace {
                id: series_id(&series),
                index: self.known.next_index,
                kind: TraceKind::SelectedReactionMonitoring,
                polarity: series.polarity,
                precursor: Some(series.precursor),
                product: Some(series.product),
                dwell_s: if series.dwell_varies { None } else { series.dwell_s },
                time_min: series.time_min,
                intensity: series.intensity,
                problems,
            };
            self.known.enter(&mut trace);
            let header = TraceHeader {
                id: &trace.id,
                index: trace.index,
                kind: trace.kind,
                polarity: trace.polarity,
                precursor: trace.precursor,
                product: trace.product,
                points: trace.len() as u64,
            };
            if self.wanted.is_none_or(|wanted| wanted(&header)) {
                judge_points(&mut trace);
                self.summary.traces_given += 1;
                self.queue.push_back(trace);
            } else {
                self.summary.traces_skipped += 1;
            }
        }
    }

    /// The one array of a role, if any.
    fn only<'e>(
        &self,
        entries: &'e [ArrayEntry],
        role: ArrayRole,
        byte: u64,
        item: &Item,
    ) -> Result<Option<&'e ArrayEntry>, ReadError> {
        let mut found = entries.iter().filter(|entry| entry.role() == role);
        let first = found.next();
        if found.next().is_some() {
            return Err(ReadError::RepeatedArray {
                at: self.at(byte, item),
                array: role,
            });
        }
        Ok(first)
    }

    fn decode(
        &self,
        entry: &ArrayEntry,
        points: u64,
        buf: &[u8],
        buffers: &mut Buffers,
        item: &Item,
    ) -> Result<Vec<f64>, ReadError> {
        if points > self.options.max_points {
            return Err(ReadError::Limit {
                at: self.at(entry.byte, item),
                what: "the declared array length",
                limit: self.options.max_points,
            });
        }
        let values = arrays::decode(entry, points, buf, buffers);
        let values = values.map_err(|fault| self.array_fault(fault, entry, item))?;
        if let Some((point, value)) = arrays::first_non_finite(&values) {
            let fault = ArrayFault::NonFinite {
                point,
                value: value.to_string(),
            };
            return Err(self.array_fault(fault, entry, item));
        }
        Ok(values)
    }

    fn array_fault(&self, fault: ArrayFault, entry: &ArrayEntry, item: &Item) -> ReadError {
        let At { item, .. } = self.at(entry.byte, item);
        ReadError::Array {
            at: At {
                byte: entry.byte,
                item,
            },
            array: entry.role(),
            fault,
        }
    }
}

impl Known {
    /// Enters a trace and reports whether its id or transition has been there before.
    fn enter(&mut self, trace: &mut Trace) {
        self.next_index = trace.index + 1;
        match self.ids.get(&trace.id) {
            Some(&first_index) => trace.problems.push(TraceProblem::DuplicateId { first_index }),
            None => {
                self.ids.insert(trace.id.clone(), trace.index);
            }
        }
        if trace.kind != TraceKind::SelectedReactionMonitoring {
            return;
        }
        let (Some(precursor), Some(product)) = (trace.precursor, trace.product) else {
            return;
        };
        let key = (
            trace.polarity,
            precursor.target_mz.to_bits(),
            product.target_mz.to_bits(),
        );
        let first_index = *self.transitions.entry(key).or_insert(trace.index);
        if first_index != trace.index {
            trace
                .problems
                .push(TraceProblem::DuplicateTransition { first_index });
        }
    }
}

/// Reports what is odd about the points and puts all problems into their fixed order.
fn judge_points(trace: &mut Trace) {
    let times = &trace.time_min;
    let later = times.get(1..).unwrap_or_default();
    // Nearly always; several steps are looked at at once.
    let rising = later.iter().zip(times).fold(true, |ok, (b, a)| ok & (b > a));
    let (mut steps_back, mut repeats) = (0, 0);
    if !rising {
        for (b, a) in later.iter().zip(times) {
            steps_back += usize::from(b < a);
            repeats += usize::from(b.total_cmp(a).is_eq());
        }
    }
    if steps_back > 0 {
        trace.problems.push(TraceProblem::UnsortedTimes { steps_back });
    }
    if repeats > 0 {
        trace.problems.push(TraceProblem::RepeatedTimes { repeats });
    }
    if trace.is_empty() {
        trace.problems.push(TraceProblem::Empty);
    }
    let points = trace.intensity.iter().map(|&y| usize::from(y < 0.0)).sum();
    if points > 0 {
        trace.problems.push(TraceProblem::NegativeIntensity { points });
    }
    trace.problems.sort();
}

/// Where the second mass filter stood for a product ion: the scan window that holds it, or the m/z alone.
fn product_window(item: &Item, mz: f64) -> (IsolationWindow, Option<f64>) {
    let holding = item
        .scan_windows
        .iter()
        .find_map(|window| match (window.lower_mz, window.upper_mz) {
            (Some(lower), Some(upper)) if lower <= mz && mz <= upper => Some((lower, upper, window.dwell_s)),
            _ => None,
        });
    match holding {
        Some((lower, upper, dwell_s)) => (
            IsolationWindow {
                target_mz: mz,
                lower_offset_mz: Some(mz - lower),
                upper_offset_mz: Some(upper - mz),
            },
            dwell_s.or(item.dwell_s),
        ),
        None => (
            IsolationWindow {
                target_mz: mz,
                lower_offset_mz: None,
                upper_offset_mz: None,
            },
            item.dwell_s,
        ),
    }
}

fn series_id(series: &Series) -> String {
    let sign = match series.polarity {
        Some(Polarity::Positive) => "+ ",
        Some(Polarity::Negative) => "- ",
        None => "",
    };
    format!(
        "{sign}SRM spectra {} > {}",
        series.precursor.target_mz, series.product.target_mz
    )
}
