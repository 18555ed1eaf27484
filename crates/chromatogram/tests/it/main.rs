//! Trace to peak, against truth from outside: closed forms, published relations, simulated traces of known area, real traces.

mod accuracy;
mod synthetic;
