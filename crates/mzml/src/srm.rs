//! SRM recorded as spectra: each (precursor, product) pair becomes one trace over scan start times.

use std::collections::BTreeMap;

use spotwright_domain::trace::{IsolationWindow, Polarity};

/// The points of one transition gathered from spectra.
#[derive(Debug)]
pub(crate) struct Series {
    pub(crate) polarity: Option<Polarity>,
    pub(crate) precursor: IsolationWindow,
    pub(crate) product: IsolationWindow,
    /// Dwell time (s); `None` when not stated or not always the same.
    pub(crate) dwell_s: Option<f64>,
    pub(crate) dwell_varies: bool,
    pub(crate) segments: usize,
    pub(crate) time_min: Vec<f64>,
    pub(crate) intensity: Vec<f64>,
}

/// All transitions met so far, in order of first appearance.
#[derive(Debug, Default)]
pub(crate) struct Gathered {
    pub(crate) series: Vec<Series>,
    /// Some scan start time had no unit.
    pub(crate) time_unit_missing: bool,
    pub(crate) empty_spectra: usize,
    /// Polarity, precursor, product (bits of positive numbers sort like the numbers) to position in `series`.
    by_mz: BTreeMap<(u8, u64, u64), usize>,
}

impl Gathered {
    /// Adds one point. `tolerance_mz` is how far both m/z may lie from those of the transition's first point.
    pub(crate) fn add(
        &mut self,
        polarity: Option<Polarity>,
        windows: (IsolationWindow, IsolationWindow),
        dwell_s: Option<f64>,
        point: (f64, f64),
        tolerance_mz: f64,
    ) {
        let place = self.place(polarity, windows, dwell_s, tolerance_mz);
        let series = &mut self.series[place];
        series.segments += 1;
        series.dwell_varies |= series.dwell_s != dwell_s;
        series.time_min.push(point.0);
        series.intensity.push(point.1);
    }

    fn place(
        &mut self,
        polarity: Option<Polarity>,
        (precursor, product): (IsolationWindow, IsolationWindow),
        dwell_s: Option<f64>,
        tolerance_mz: f64,
    ) -> usize {
        let sign = polarity.map_or(0, |p| 1 + p as u8);
        let (first, second) = (precursor.target_mz, product.target_mz);
        if let Some(&place) = self.by_mz.get(&(sign, first.to_bits(), second.to_bits())) {
            return place;
        }
        let low = (sign, (first - tolerance_mz).max(0.0).to_bits(), 0);
        let high = (sign, (first + tolerance_mz).to_bits(), u64::MAX);
        let nearest = self
            .by_mz
            .range(low..=high)
            .map(|(_, &place)| (place, (self.series[place].product.target_mz - second).abs()))
            .filter(|&(place, off)| {
                off <= tolerance_mz && (self.series[place].precursor.target_mz - first).abs() <= tolerance_mz
            })
            .min_by(|a, b| a.1.total_cmp(&b.1));
        let place = match nearest {
            Some((place, _)) => place,
            None => {
                self.series.push(Series {
                    polarity,
                    precursor,
                    product,
                    dwell_s,
                    dwell_varies: false,
                    segments: 0,
                    time_min: Vec::new(),
                    intensity: Vec::new(),
                });
                self.series.len() - 1
            }
        };
        self.by_mz
            .insert((sign, first.to_bits(), second.to_bits()), place);
        place
    }
}
