//! Trace to peak, against truth from outside: closed forms, published relations, simulated traces of known area, real traces.

mod accuracy;
mod cases;
mod emg;
mod learning;
mod matching;
mod properties;
mod real;
mod synthetic;
