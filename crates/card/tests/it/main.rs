//! Tests of the room from outside.

mod photo;
mod spots;
