//! Areas to judged concentrations: calibration, controls, carry-over, run acceptance, result verdicts.
