//! After judging: every patient's result that may be reported gets its value on the scale of the target range, or the
//! refusal. What is rejected is never converted; that is the assay room's rule.

use spotwright_assay::conversion::{ConversionInput, convert};
use spotwright_domain::conversion::SpotEvidence;
use spotwright_domain::injection::{Injection, SampleRole};
use spotwright_domain::method::Method;
use spotwright_domain::record::{AnalyteRunRecord, ResultRecord};
use spotwright_domain::request::Request;

/// What is known of one injection beside its results.
pub(crate) struct Known<'a> {
    pub(crate) method: &'a Method,
    /// The run's analytes, in the method's order.
    pub(crate) analytes: &'a [AnalyteRunRecord],
    pub(crate) injection: &'a Injection,
    pub(crate) injected_at_unix_s: Option<i64>,
    pub(crate) request: Option<&'a Request>,
    /// What pictures of the spot say; `None`: no pictures.
    pub(crate) spot: Option<&'a SpotEvidence>,
}

/// Adds the conversion to each result of an injection, in the method's order.
pub(crate) fn add_conversions(known: &Known<'_>, results: &mut [ResultRecord]) {
    if known.injection.role != SampleRole::Patient {
        return;
    }
    for (place, result) in results.iter_mut().enumerate() {
        let analyte = &known.method.analytes[place];
        let range = known.analytes[place].calibration.as_ref().map(|curve| {
            [
                curve.lloq * known.injection.dilution_factor,
                curve.uloq * known.injection.dilution_factor,
            ]
        });
        let corrects_age = analyte
            .conversion
            .as_ref()
            .is_some_and(|conversion| conversion.spot.needs_age());
        let input = ConversionInput {
            analyte,
            matrix: known.method.matrix,
            result,
            range,
            clinic_haematocrit: known.request.and_then(|request| request.haematocrit),
            age_d: age_d(known, corrects_age),
            spot: known.spot,
        };
        let converted = convert(&input);
        result.conversion = converted.map(|converted| converted.record);
    }
}

/// Days from collection to measurement. Where nothing is corrected by it, the age at receipt does for a limit: the least the
/// age can be.
fn age_d(known: &Known<'_>, corrects: bool) -> Option<f64> {
    const DAY_S: f64 = 86_400.0;
    let request = known.request?;
    let measured = request
        .collected_at_unix_s
        .zip(known.injected_at_unix_s)
        .map(|(collected, injected)| (injected - collected) as f64 / DAY_S);
    measured
        .or(request.age_at_receipt_d.filter(|_| !corrects))
        .filter(|age| *age >= 0.0)
}
