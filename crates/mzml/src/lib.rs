//! mzML bytes to traces, and traces to mzML bytes.
