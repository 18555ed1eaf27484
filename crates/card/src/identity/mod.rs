//! Whose card it is: codes on the photograph, held against the request and the file name.

mod reading;
mod reconcile;
mod search;

pub use reconcile::reconcile;
pub(crate) use search::read;
