//! Checks of the numerics against certified data, published tables and references computed by other means.

mod strd;
mod strd_nonlinear;
mod support;
