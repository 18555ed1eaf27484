//! Synthetic laboratory days with known truth.
