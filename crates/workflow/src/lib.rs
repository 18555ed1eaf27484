//! One file per act: check, measure, judge, explain, tabulate traces, fit a curve.
