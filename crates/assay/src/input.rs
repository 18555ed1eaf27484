//! What the judge of a run is given.

use spotwright_domain::identifier::CardId;
use spotwright_domain::injection::Injection;
use spotwright_domain::method::Method;
use spotwright_domain::peak::Response;
use spotwright_domain::reason::Reason;
use spotwright_domain::request::Request;

/// One injection, measured: small enough that a run of 50 000 stays in memory.
#[derive(Debug, Clone, PartialEq)]
pub struct AssayInjection {
    /// The line of the injection list.
    pub injection: Injection,
    /// When it was injected (seconds since 1970-01-01T00:00Z); `None`: unknown.
    pub injected_at_unix_s: Option<i64>,
    /// One response for each internal standard, in the method's order.
    pub standards: Vec<Response>,
    /// One entry for each analyte, in the method's order.
    pub analytes: Vec<AnalyteResponses>,
    /// Why the trace file could not be used; its responses are then missing.
    pub file_problem: Option<Reason>,
    /// What reading the file noticed and a result's verdict must know, with the index of the analyte it concerns.
    pub remarks: Vec<(usize, Reason)>,
    /// SHA-256 of the trace file's bytes; `None`: file unreadable.
    pub trace_digest: Option<[u8; 32]>,
}

/// The responses of one analyte in one injection.
#[derive(Debug, Clone, PartialEq)]
pub struct AnalyteResponses {
    /// The transition it is quantified by.
    pub quantifier: Response,
    /// The transitions that confirm it, in the method's order.
    pub qualifiers: Vec<Response>,
}

/// Everything a run is judged from. Cheap to copy; shared between threads.
#[derive(Clone, Copy)]
pub struct RunInput<'a> {
    /// The method.
    pub method: &'a Method,
    /// The run's injections, any order; their place in this list is their *position*.
    pub injections: &'a [AssayInjection],
    /// The request of a card; `None`: no request.
    pub cards: &'a (dyn Fn(&CardId) -> Option<&'a Request> + Sync),
    /// The concentration an earlier run reported for `run/order` and the analyte's index; `None`: no such result.
    pub earlier: &'a (dyn Fn(&str, usize) -> Option<f64> + Sync),
}
