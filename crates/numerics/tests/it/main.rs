//! Checks of the numerics against certified data, published tables and references computed by other means.

#![expect(clippy::print_stdout, reason = "the tests say how many digits were reached")]

mod calibration_reference;
mod distributions;
mod misuse;
mod quadrature;
mod robust;
mod savitzky_golay;
mod special;
mod strd;
mod strd_nonlinear;
mod support;
