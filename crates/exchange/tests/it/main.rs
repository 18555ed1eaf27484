//! The crate as its users see it.
#![expect(clippy::float_cmp, reason = "a number read is exactly the number written")]

mod bad_input;
mod broken_days;
mod documents;
mod good_days;
mod hostile;
mod studies;
mod tiny_day;
