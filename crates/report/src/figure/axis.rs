//! Scales and the round numbers along them.

/// A map from data to drawing along one axis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scale {
    logarithmic: bool,
    data: [f64; 2],
    drawing: [f64; 2],
}

impl Scale {
    /// A scale with equal steps for equal differences. Limits that coincide or are not finite are moved apart.
    #[must_use]
    pub fn linear(data: [f64; 2], drawing: [f64; 2]) -> Self {
        let [low, high] = if data.iter().all(|end| end.is_finite()) {
            data
        } else {
            [0.0, 1.0]
        };
        let high = if high > low {
            high
        } else {
            low + low.abs().max(1.0)
        };
        Self {
            logarithmic: false,
            data: [low, high],
            drawing,
        }
    }

    /// A scale with equal steps for equal ratios. `None` unless `0 < low < high`, both finite.
    #[must_use]
    pub fn logarithmic(data: [f64; 2], drawing: [f64; 2]) -> Option<Self> {
        let [low, high] = data;
        (low > 0.0 && high > low && high.is_finite()).then_some(Self {
            logarithmic: true,
            data,
            drawing,
        })
    }

    /// Where a value stands in the drawing; `None` when it cannot stand on this scale.
    #[must_use]
    pub fn at(&self, value: f64) -> Option<f64> {
        let [low, high] = self.data;
        let share = if self.logarithmic {
            if value <= 0.0 {
                return None;
            }
            libm::log10(value / low) / libm::log10(high / low)
        } else {
            (value - low) / (high - low)
        };
        let place = self.drawing[0] + share * (self.drawing[1] - self.drawing[0]);
        place.is_finite().then_some(place)
    }

    /// Whether a value lies within the limits of the data.
    #[must_use]
    pub fn holds(&self, value: f64) -> bool {
        (self.data[0]..=self.data[1]).contains(&value)
    }

    /// The limits of the data.
    #[must_use]
    pub fn data(&self) -> [f64; 2] {
        self.data
    }

    /// The limits in the drawing.
    #[must_use]
    pub fn drawing(&self) -> [f64; 2] {
        self.drawing
    }

    /// About `target` round numbers within the limits.
    #[must_use]
    pub fn ticks(&self, target: usize) -> Vec<f64> {
        if self.logarithmic {
            logarithmic_ticks(self.data[0], self.data[1])
        } else {
            linear_ticks(self.data[0], self.data[1], target)
        }
    }
}

/// About `target` multiples of 1, 2 or 5 times a power of ten between `low` and `high`; empty when there is no room.
#[must_use]
pub fn linear_ticks(low: f64, high: f64, target: usize) -> Vec<f64> {
    let span = high - low;
    if !(span.is_finite() && span > 0.0) || target == 0 {
        return Vec::new();
    }
    let rough = span / target as f64;
    let power = libm::pow(10.0, libm::floor(libm::log10(rough)));
    let step = [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .map(|multiple| multiple * power)
        .find(|step| *step >= rough * 0.75)
        .unwrap_or(10.0 * power);
    // Whole multiples, so that rounding does not grow along the axis.
    let first = (low / step - 1e-9).ceil();
    let last = (high / step + 1e-9).floor();
    if !(step > 0.0 && first.abs() < 1e12 && last.abs() < 1e12) {
        return Vec::new();
    }
    (first as i64..=last as i64)
        .map(|multiple| multiple as f64 * step)
        .collect()
}

/// Powers of ten between `low` and `high`, with 2 and 5 between them when there are few.
#[must_use]
pub fn logarithmic_ticks(low: f64, high: f64) -> Vec<f64> {
    if !(low > 0.0 && high > low && high.is_finite()) {
        return Vec::new();
    }
    let first = libm::floor(libm::log10(low)) as i32;
    let last = libm::ceil(libm::log10(high)) as i32;
    let decades = libm::log10(high / low);
    let multiples: &[f64] = if decades <= 2.2 {
        &[1.0, 2.0, 5.0]
    } else if decades <= 4.0 {
        &[1.0, 3.0]
    } else {
        &[1.0]
    };
    (first..=last)
        .flat_map(|power| {
            multiples.iter().map(move |multiple| {
                // Dividing by a whole power of ten keeps 0.1 and 0.05 the nearest doubles.
                if power < 0 {
                    multiple / libm::pow(10.0, f64::from(-power))
                } else {
                    multiple * libm::pow(10.0, f64::from(power))
                }
            })
        })
        .filter(|tick| *tick >= low * (1.0 - 1e-9) && *tick <= high * (1.0 + 1e-9))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_inside() {
        assert_eq!(linear_ticks(0.0, 10.0, 5), [0.0, 2.0, 4.0, 6.0, 8.0, 10.0]);
        assert_eq!(linear_ticks(-21.0, 21.0, 5), [-20.0, -10.0, 0.0, 10.0, 20.0]);
        assert_eq!(logarithmic_ticks(0.9, 60.0), [1.0, 2.0, 5.0, 10.0, 20.0, 50.0]);
        assert_eq!(logarithmic_ticks(0.04, 0.3), [0.05, 0.1, 0.2]);
    }

    #[test]
    fn no_room_gives_no_ticks_and_no_panic() {
        for (low, high) in [(1.0, 1.0), (2.0, 1.0), (f64::NAN, 1.0), (0.0, f64::INFINITY)] {
            assert!(linear_ticks(low, high, 5).is_empty());
            assert!(logarithmic_ticks(low, high).is_empty());
        }
        assert!(linear_ticks(1e300, 1e300 * (1.0 + 1e-15), 5).len() < 3);
    }

    #[test]
    fn a_logarithmic_scale_refuses_what_has_no_logarithm() {
        let scale = Scale::logarithmic([1.0, 100.0], [0.0, 200.0]).unwrap();
        assert_eq!(scale.at(10.0), Some(100.0));
        assert_eq!(scale.at(0.0), None);
        assert_eq!(Scale::logarithmic([0.0, 1.0], [0.0, 1.0]), None);
        assert_eq!(Scale::linear([0.0, 1.0], [0.0, 1.0]).at(f64::NAN), None);
    }
}
