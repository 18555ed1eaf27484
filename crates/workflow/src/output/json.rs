//! `results.json`, written as it becomes known: run by run, injection by injection, one injection a line.

use serde::Serialize;
use spotwright_domain::record::{InjectionRecord, RECORD_VERSION, RunRecord};
use std::io::{self, Write};

/// Name of the layout; the schema stands in `docs/schema/results.schema.json`.
pub const RESULTS_SCHEMA: &str = "spotwright-results/1";

#[derive(Serialize)]
struct Head<'a> {
    schema: &'static str,
    record_version: u32,
    program_version: &'static str,
    day: &'a str,
    simulated: bool,
}

/// Writes `results.json`.
pub(crate) struct ResultsJson<W: Write> {
    writer: W,
    runs: usize,
    injections: usize,
}

impl<W: Write> ResultsJson<W> {
    pub(crate) fn begin(mut writer: W, day: &str, simulated: bool) -> io::Result<Self> {
        let head = Head {
            schema: RESULTS_SCHEMA,
            record_version: RECORD_VERSION,
            program_version: crate::PROGRAM_VERSION,
            day,
            simulated,
        };
        let text = serde_json::to_string(&head)?;
        // The head's closing brace comes at the end of the file.
        write!(writer, "{},\"runs\":[", &text[..text.len() - 1])?;
        Ok(Self {
            writer,
            runs: 0,
            injections: 0,
        })
    }

    pub(crate) fn begin_run(&mut self, record: &RunRecord) -> io::Result<()> {
        self.writer
            .write_all(if self.runs == 0 { b"\n" } else { b",\n" })?;
        let text = serde_json::to_string(record)?;
        write!(self.writer, "{},\"injection_records\":[", &text[..text.len() - 1])?;
        self.runs += 1;
        self.injections = 0;
        Ok(())
    }

    /// Takes an injection as [`encode`] made it.
    pub(crate) fn injection(&mut self, encoded: &[u8]) -> io::Result<()> {
        self.writer
            .write_all(if self.injections == 0 { b"\n" } else { b",\n" })?;
        self.injections += 1;
        self.writer.write_all(encoded)
    }

    pub(crate) fn end_run(&mut self) -> io::Result<()> {
        self.writer.write_all(b"]}")
    }

    pub(crate) fn finish(mut self) -> io::Result<()> {
        self.writer.write_all(b"]}\n")?;
        self.writer.flush()
    }
}

/// An injection as one line of JSON, in an empty text; threads encode, one writer writes in order.
pub(crate) fn encode(record: &InjectionRecord, mut bytes: Vec<u8>) -> io::Result<Vec<u8>> {
    bytes.reserve(16 << 10);
    serde_json::to_writer(&mut bytes, record)?;
    Ok(bytes)
}
