//! Whole days through the acts: what comes out, that it is the same every time, and that nothing is lost.

mod changed_days;
mod converted;
mod curves;
mod damaged_traces;
mod days;
mod documents;
mod explained;
mod held_back;
mod in_and_out;
mod interpreted;
mod looked;
mod manual_limits;
mod record_schema;
mod repeats;
mod same_bits;
mod schema;
mod trace_tables;
