//! Least and median of repeated measurements.

use std::fmt;

/// Least and median.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spread {
    /// The least: what the machine can do when nothing disturbs it.
    pub least: f64,
    /// The median.
    pub median: f64,
}

impl Spread {
    /// Of at least one finite value; `None` of nothing.
    #[must_use]
    pub fn of(values: &[f64]) -> Option<Self> {
        let mut sorted = values.to_vec();
        sorted.sort_by(f64::total_cmp);
        let least = *sorted.first()?;
        let middle = sorted.len() / 2;
        let median = if sorted.len().is_multiple_of(2) {
            (sorted[middle - 1] + sorted[middle]) / 2.0
        } else {
            sorted[middle]
        };
        Some(Self { least, median })
    }

    /// Both, times a factor above zero.
    #[must_use]
    pub fn times(self, factor: f64) -> Self {
        Self {
            least: self.least * factor,
            median: self.median * factor,
        }
    }
}

impl fmt::Display for Spread {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let digits = f.precision().unwrap_or(2);
        write!(f, "{:.digits$} | {:.digits$}", self.least, self.median)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn least_and_median_of_odd_and_even_counts() {
        assert_eq!(
            Spread::of(&[3.0, 1.0, 2.0]),
            Some(Spread {
                least: 1.0,
                median: 2.0
            })
        );
        assert_eq!(
            Spread::of(&[4.0, 1.0, 3.0, 2.0]),
            Some(Spread {
                least: 1.0,
                median: 2.5
            })
        );
        assert_eq!(Spread::of(&[]), None);
    }
}
