//! The only place that writes to the terminal. A closed pipe (`| head`) ends the program quietly.

use std::io::{self, Write};

/// A line on standard output.
pub(crate) fn say(text: &str) {
    write_out(text);
    write_out("\n");
}

/// Text on standard output, as it is.
pub(crate) fn write_out(text: &str) {
    if let Err(error) = io::stdout().lock().write_all(text.as_bytes())
        && error.kind() == io::ErrorKind::BrokenPipe
    {
        std::process::exit(0);
    }
}

/// A line on standard error.
pub(crate) fn complain(text: &str) {
    // Standard error gone: there is nowhere left to say so.
    let _ = writeln!(io::stderr().lock(), "{text}");
}
