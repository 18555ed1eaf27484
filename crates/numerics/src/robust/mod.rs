//! Statistics that a few wild values cannot move.

mod algorithm_a;
mod change_point;
mod median;
mod scale;
mod trend;

pub use algorithm_a::{AlgorithmA, algorithm_a};
pub use change_point::{ChangePoint, pettitt};
pub use median::{median, median_in_place, median_of_sorted, moving_median, quantile_of_sorted};
pub use scale::{NORMAL_IQR_FACTOR, NORMAL_MAD_FACTOR, interquartile_scale, median_absolute_deviation};
pub use trend::{MannKendall, TheilSen, mann_kendall, theil_sen, theil_sen_slope_interval};
