//! Tests of the room from outside.

mod spots;
