//! The act *interpret*: accepted, converted levels and a dose history in; exposure, options or refusals out.

mod answer;
mod assemble;
mod by_hand;
mod curve;
mod day;
mod estimate;
mod output;
mod person;
mod shown;

pub use answer::interpret;
pub use by_hand::person_of;
pub use day::interpret_day;
pub use output::{own_models, write_answers, write_page};
pub use person::{CaseLevel, LevelValue, PersonCase};
