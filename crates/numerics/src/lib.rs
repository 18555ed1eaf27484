//! Plain f64 numerics: weighted fits, robust statistics, smoothing, distributions, optimisers.
