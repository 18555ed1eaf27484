//! The chromatogram or spectrum being read: what its parameters say, until its end tag turns it into a trace.

use spotwright_domain::trace::{IsolationWindow, Polarity, TraceKind};

use crate::arrays::ArrayEntry;
use crate::elements::Element;
use crate::terms::{self, TimeUnit};

/// One parameter (`cvParam` or `userParam`), borrowed from the file or from a parameter group.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Param<'a> {
    /// Accession number of a PSI-MS term; `None` for other vocabularies and user parameters.
    pub(crate) number: Option<u32>,
    pub(crate) name: &'a [u8],
    pub(crate) value: &'a [u8],
    pub(crate) unit: Option<&'a [u8]>,
    pub(crate) user: bool,
}

/// A parameter kept in a group.
#[derive(Debug, Clone)]
pub(crate) struct OwnedParam {
    number: Option<u32>,
    name: Vec<u8>,
    value: Vec<u8>,
    unit: Option<Vec<u8>>,
    user: bool,
}

impl OwnedParam {
    pub(crate) fn as_param(&self) -> Param<'_> {
        Param {
            number: self.number,
            name: &self.name,
            value: &self.value,
            unit: self.unit.as_deref(),
            user: self.user,
        }
    }
}

impl From<Param<'_>> for OwnedParam {
    fn from(param: Param<'_>) -> Self {
        Self {
            number: param.number,
            name: param.name.to_vec(),
            value: param.value.to_vec(),
            unit: param.unit.map(<[u8]>::to_vec),
            user: param.user,
        }
    }
}

/// Why a parameter cannot be taken in.
#[derive(Debug)]
pub(crate) enum ParamFault {
    Value {
        term: &'static str,
        found: Vec<u8>,
        expected: &'static str,
    },
    Unit {
        found: Vec<u8>,
    },
}

/// An isolation window as far as it has been read.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Window {
    target: Option<f64>,
    lower: Option<f64>,
    upper: Option<f64>,
    selected_ion: Option<f64>,
}

impl Window {
    /// The window; its centre is the isolation target or, failing that, the selected ion.
    pub(crate) fn get(&self) -> Option<IsolationWindow> {
        let target_mz = self.target.or(self.selected_ion)?;
        Some(IsolationWindow {
            target_mz,
            lower_offset_mz: self.lower,
            upper_offset_mz: self.upper,
        })
    }
}

/// One scan window of an SRM spectrum: where the second mass filter stood.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct ScanWindow {
    pub(crate) lower_mz: Option<f64>,
    pub(crate) upper_mz: Option<f64>,
    pub(crate) dwell_s: Option<f64>,
}

#[derive(Debug, Default)]
pub(crate) struct Item {
    pub(crate) is_spectrum: bool,
    /// Position in its list.
    pub(crate) index: u64,
    pub(crate) stated_index: Option<u64>,
    pub(crate) id: String,
    /// `defaultArrayLength`.
    pub(crate) points: u64,
    pub(crate) kind: Option<TraceKind>,
    positive: bool,
    negative: bool,
    pub(crate) precursors: usize,
    pub(crate) precursor: Window,
    pub(crate) products: Vec<Window>,
    pub(crate) dwell_s: Option<f64>,
    pub(crate) is_srm_spectrum: bool,
    pub(crate) scans: usize,
    pub(crate) scan_start_min: Option<f64>,
    pub(crate) scan_unit_missing: bool,
    pub(crate) scan_windows: Vec<ScanWindow>,
    pub(crate) arrays: Vec<ArrayEntry>,
    pub(crate) array_count: usize,
    pub(crate) notes: Vec<String>,
}

impl Item {
    /// Empties the item but keeps its buffers.
    pub(crate) fn reset(&mut self, is_spectrum: bool, index: u64) {
        let mut arrays = std::mem::take(&mut self.arrays);
        let products = std::mem::take(&mut self.products);
        let scan_windows = std::mem::take(&mut self.scan_windows);
        arrays.truncate(4);
        *self = Self {
            is_spectrum,
            index,
            arrays,
            products,
            scan_windows,
            ..Self::default()
        };
        self.products.clear();
        self.scan_windows.clear();
    }

    pub(crate) fn new_array(&mut self, byte: u64) -> &mut ArrayEntry {
        if self.array_count == self.arrays.len() {
            self.arrays.push(ArrayEntry::default());
        }
        let entry = &mut self.arrays[self.array_count];
        self.array_count += 1;
        entry.reset(byte);
        entry
    }

    pub(crate) fn array(&mut self) -> Option<&mut ArrayEntry> {
        self.arrays[..self.array_count].last_mut()
    }

    /// Polarity; contradicting statements are no statement, and noted.
    pub(crate) fn polarity(&mut self) -> Option<Polarity> {
        match (self.positive, self.negative) {
            (true, false) => Some(Polarity::Positive),
            (false, true) => Some(Polarity::Negative),
            (false, false) => None,
            (true, true) => {
                self.notes
                    .push("both polarities are stated; read as not stated".to_owned());
                None
            }
        }
    }

    /// Takes a parameter of the element `on` (which stands in `parent`) in. Most have no bearing on a trace.
    pub(crate) fn param(
        &mut self,
        on: Element,
        parent: Element,
        param: &Param<'_>,
    ) -> Result<(), ParamFault> {
        if param.user {
            // Dwell time has no place of its own in a chromatogram; converters write it under this name, in seconds.
            if on == Element::Chromatogram && param.name == b"MS_dwell_time" {
                let dwell = number(param, "MS_dwell_time")?;
                self.set_dwell(dwell);
            }
            return Ok(());
        }
        let Some(term) = param.number else { return Ok(()) };
        match on {
            Element::BinaryDataArray => {
                let unit = match (term, param.unit) {
                    (terms::TIME_ARRAY, Some(unit)) => Some(time_unit(unit)?),
                    _ => None,
                };
                if let Some(entry) = self.array() {
                    entry.term(term, param.name);
                    entry.unit = entry.unit.or(unit);
                }
            }
            Element::IsolationWindow => {
                let window = match parent {
                    Element::Product => self.products.last_mut(),
                    // SRM has one precursor; of several, the first counts and `precursors` tells.
                    _ if self.precursors == 1 => Some(&mut self.precursor),
                    _ => None,
                };
                let Some(window) = window else { return Ok(()) };
                match term {
                    terms::ISOLATION_TARGET => {
                        window.target = Some(mz(param, "isolation window target m/z")?)
                    }
                    terms::ISOLATION_LOWER => {
                        window.lower = Some(number(param, "isolation window lower offset")?)
                    }
                    terms::ISOLATION_UPPER => {
                        window.upper = Some(number(param, "isolation window upper offset")?)
                    }
                    _ => {}
                }
            }
            Element::SelectedIon
                if matches!(term, terms::SELECTED_ION_MZ | terms::MZ_OF_ION) && self.precursors == 1 =>
            {
                let selected = mz(param, "selected ion m/z")?;
                self.precursor.selected_ion.get_or_insert(selected);
            }
            Element::Chromatogram | Element::Spectrum | Element::Scan => self.own_param(term, param)?,
            Element::ScanWindow => {
                let Some(window) = self.scan_windows.last_mut() else {
                    return Ok(());
                };
                match term {
                    terms::SCAN_WINDOW_LOWER => window.lower_mz = Some(mz(param, "scan window lower limit")?),
                    terms::SCAN_WINDOW_UPPER => window.upper_mz = Some(mz(param, "scan window upper limit")?),
                    terms::DWELL_TIME => window.dwell_s = Some(seconds(param)?),
                    _ => {}
                }
            }
            _ => {}
        }
        Ok(())
    }

    fn own_param(&mut self, term: u32, param: &Param<'_>) -> Result<(), ParamFault> {
        match term {
            terms::POSITIVE_SCAN => self.positive = true,
            terms::NEGATIVE_SCAN => self.negative = true,
            terms::DWELL_TIME => {
                let dwell = seconds(param)?;
                self.set_dwell(dwell);
            }
            terms::SCAN_START_TIME => {
                let value = number(param, "scan start time")?;
                let unit = match param.unit {
                    Some(unit) => time_unit(unit)?,
                    None => {
                        self.scan_unit_missing = true;
                        TimeUnit::Minute
                    }
                };
                self.scan_start_min = Some(value / unit.per_minute());
            }
            _ if self.is_spectrum => {
                // By accession or by name: a spectrum is rather looked at twice than left out.
                self.is_srm_spectrum |=
                    term == terms::SRM_SPECTRUM || param.name.eq_ignore_ascii_case(b"SRM spectrum");
            }
            _ => {
                if let Some(kind) = chromatogram_kind(term) {
                    if self.kind.is_some_and(|before| before != kind) {
                        self.notes
                            .push("several chromatogram types are stated; the first was followed".to_owned());
                    }
                    self.kind.get_or_insert(kind);
                }
            }
        }
        Ok(())
    }

    fn set_dwell(&mut self, dwell_s: f64) {
        if dwell_s > 0.0 {
            self.dwell_s = Some(dwell_s);
        } else {
            self.notes.push(format!(
                "dwell time {dwell_s} s is not positive; read as not stated"
            ));
        }
    }
}

const fn chromatogram_kind(term: u32) -> Option<TraceKind> {
    Some(match term {
        1_000_235 => TraceKind::TotalIonCurrent,
        1_000_628 => TraceKind::BasePeak,
        1_001_473 => TraceKind::SelectedReactionMonitoring,
        1_001_472 => TraceKind::SelectedIonMonitoring,
        1_000_627 => TraceKind::SelectedIonCurrent,
        1_000_812 => TraceKind::Absorption,
        1_000_813 => TraceKind::Emission,
        // Ion current, electromagnetic radiation, consecutive reaction monitoring; temperature, pressure, flow rate.
        1_000_810 | 1_000_811 | 1_001_474 | 1_002_715 | 1_003_019 | 1_003_020 => TraceKind::Other,
        _ => return None,
    })
}

fn number(param: &Param<'_>, term: &'static str) -> Result<f64, ParamFault> {
    let text = std::str::from_utf8(param.value).unwrap_or_default().trim();
    match text.parse::<f64>() {
        Ok(value) if value.is_finite() => Ok(value),
        _ => Err(ParamFault::Value {
            term,
            found: param.value.to_vec(),
            expected: "a finite number",
        }),
    }
}

fn mz(param: &Param<'_>, term: &'static str) -> Result<f64, ParamFault> {
    let value = number(param, term)?;
    if value < 0.0 {
        return Err(ParamFault::Value {
            term,
            found: param.value.to_vec(),
            expected: "a number not below zero",
        });
    }
    // A stated "-0" is zero.
    Ok(value + 0.0)
}

fn time_unit(accession: &[u8]) -> Result<TimeUnit, ParamFault> {
    TimeUnit::from_accession(accession).ok_or_else(|| ParamFault::Unit {
        found: accession.to_vec(),
    })
}

/// A dwell time in seconds; seconds, too, when no unit is stated, as the term prescribes.
fn seconds(param: &Param<'_>) -> Result<f64, ParamFault> {
    let unit = param.unit.map_or(Ok(TimeUnit::Second), time_unit)?;
    Ok(number(param, "dwell time")? / unit.per_second())
}
