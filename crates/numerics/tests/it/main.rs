//! Checks of the numerics against certified data, published tables and references computed by other means.

#![expect(clippy::print_stdout, reason = "the tests say how many digits were reached")]

mod strd;
mod strd_nonlinear;
mod support;
