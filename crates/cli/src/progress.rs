//! A progress bar on standard error, only where a person watches.

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use spotwright_workflow::run::Progress;
use std::io::IsTerminal;

/// A bar that appears when the number of injections is known.
pub(crate) struct Bar(ProgressBar);

impl Bar {
    /// A bar, or nothing when `quiet` or when nobody watches.
    pub(crate) fn new(quiet: bool) -> Self {
        let bar = ProgressBar::no_length();
        if quiet || !std::io::stderr().is_terminal() {
            bar.set_draw_target(ProgressDrawTarget::hidden());
        }
        if let Ok(style) =
            ProgressStyle::with_template("{msg} {bar:40} {pos} of {len} injections, {eta} left")
        {
            bar.set_style(style);
        }
        bar.set_message("Measuring");
        Self(bar)
    }

    pub(crate) fn finish(&self) {
        self.0.finish_and_clear();
    }
}

impl Progress for Bar {
    fn begin(&self, injections: u64) {
        self.0.set_length(injections);
    }

    fn advance(&self, injections: u64) {
        self.0.inc(injections);
    }
}
