//! Doses and levels to exposure and dose options, with honest uncertainty.
