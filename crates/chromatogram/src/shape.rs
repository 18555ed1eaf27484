//! The shape of a run's peaks: an exponentially modified Gaussian seen from its apex.

use crate::emg::Emg;
use serde::{Deserialize, Serialize};

/// Nodes of the table across the width at half height; linear interpolation is then within 0.1 % of the height.
const NODES_PER_WIDTH: f64 = 32.0;
/// The table ends where the shape has fallen to this share of its height.
const TABLE_FLOOR: f64 = 1e-4;

/// At this share of its height a peak has come down to the baseline: the tail beyond lifts the fitted line by less than 0.03 % of the area.
const FOOT: f64 = 1e-3;

/// Shape of a peak, relative to its apex: height 1 at 0 s. Kept and compared by its two numbers; a table made from them
/// makes evaluation cheap.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(from = "ShapeNumbers", into = "ShapeNumbers")]
pub struct PeakShape {
    numbers: ShapeNumbers,
    /// Unit-area form with its apex at 0.
    emg: Emg,
    /// Density at the apex: the inverse of area over height (1/s).
    apex_density: f64,
    width_half_height_s: f64,
    feet_s: (f64, f64),
    table_start_s: f64,
    nodes_per_s: f64,
    table: Vec<f64>,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct ShapeNumbers {
    sigma_s: f64,
    tau_s: f64,
}

impl From<ShapeNumbers> for PeakShape {
    fn from(numbers: ShapeNumbers) -> Self {
        Self::new(numbers.sigma_s, numbers.tau_s)
    }
}

impl From<PeakShape> for ShapeNumbers {
    fn from(shape: PeakShape) -> Self {
        shape.numbers
    }
}

impl PeakShape {
    /// A shape from the Gaussian's standard deviation (s) and the tail's time constant (s; negative: fronting).
    ///
    /// Values beyond what a chromatographic peak can be are brought to the nearest that can: sigma to 1 ms … 1 h, the
    /// tail to at most twenty times sigma.
    #[must_use]
    pub fn new(sigma_s: f64, tau_s: f64) -> Self {
        let sigma_s = if sigma_s.is_finite() {
            sigma_s.clamp(1e-3, 3600.0)
        } else {
            1.0
        };
        let tau_s = if tau_s.is_finite() {
            tau_s.clamp(-20.0 * sigma_s, 20.0 * sigma_s)
        } else {
            0.0
        };
        let mut emg = Emg {
            centre: 0.0,
            sigma: sigma_s,
            tau: tau_s,
        };
        emg.centre = -emg.mode();
        let apex_density = emg.density(0.0);
        let (left, right) = (distance(&emg, 0.5, -1.0), distance(&emg, 0.5, 1.0));
        let width_half_height_s = left + right;
        let nodes_per_s = NODES_PER_WIDTH / width_half_height_s;
        let (start, end) = (
            distance(&emg, TABLE_FLOOR, -1.0),
            distance(&emg, TABLE_FLOOR, 1.0),
        );
        let before = (start * nodes_per_s).ceil();
        let nodes = before + (end * nodes_per_s).ceil();
        let table_start_s = -before / nodes_per_s;
        let table = (0..=nodes as usize)
            .map(|node| emg.density(table_start_s + node as f64 / nodes_per_s) / apex_density)
            .collect();
        Self {
            numbers: ShapeNumbers { sigma_s, tau_s },
            emg,
            apex_density,
            width_half_height_s,
            feet_s: (distance(&emg, FOOT, -1.0), distance(&emg, FOOT, 1.0)),
            table_start_s,
            nodes_per_s,
            table,
        }
    }

    /// The same shape `factor` times as wide.
    pub(crate) fn widened(&self, factor: f64) -> Self {
        let numbers = ShapeNumbers {
            sigma_s: factor * self.numbers.sigma_s,
            tau_s: factor * self.numbers.tau_s,
        };
        Self {
            numbers,
            emg: Emg {
                centre: factor * self.emg.centre,
                sigma: numbers.sigma_s,
                tau: numbers.tau_s,
            },
            apex_density: self.apex_density / factor,
            width_half_height_s: factor * self.width_half_height_s,
            feet_s: (factor * self.feet_s.0, factor * self.feet_s.1),
            table_start_s: factor * self.table_start_s,
            nodes_per_s: self.nodes_per_s / factor,
            table: self.table.clone(),
        }
    }

    /// The Gaussian's standard deviation (s).
    #[must_use]
    pub fn sigma_s(&self) -> f64 {
        self.numbers.sigma_s
    }

    /// The tail's time constant (s); negative: fronting.
    #[must_use]
    pub fn tau_s(&self) -> f64 {
        self.numbers.tau_s
    }

    /// Full width at half height (s).
    #[must_use]
    pub fn width_half_height_s(&self) -> f64 {
        self.width_half_height_s
    }

    /// Area of a peak of height 1 (s).
    #[must_use]
    pub fn area_per_height_s(&self) -> f64 {
        1.0 / self.apex_density
    }

    /// Height at `x_s` from the apex, as a share of the apex height, by the closed form.
    #[must_use]
    pub fn height_at(&self, x_s: f64) -> f64 {
        self.emg.density(x_s) / self.apex_density
    }

    /// Share of the area between two distances from the apex (s).
    #[must_use]
    pub fn area_between(&self, from_s: f64, to_s: f64) -> f64 {
        (self.emg.cumulative(to_s) - self.emg.cumulative(from_s)).clamp(0.0, 1.0)
    }

    /// Distance (s, positive) to the left and to the right of the apex at which the shape falls to `fraction` of its height.
    #[must_use]
    pub fn distances_s(&self, fraction: f64) -> (f64, f64) {
        (
            distance(&self.emg, fraction, -1.0),
            distance(&self.emg, fraction, 1.0),
        )
    }

    /// Distances (s, positive) to the left and right of the apex at which the peak has come down to the baseline.
    pub(crate) fn feet_s(&self) -> (f64, f64) {
        self.feet_s
    }

    /// The unit-area form with its apex at 0 s.
    pub(crate) fn emg(&self) -> Emg {
        self.emg
    }

    /// Height and slope (1/s) at `x_s` from the apex, from the table; zero outside it.
    #[inline]
    pub(crate) fn look_up(&self, x_s: f64) -> (f64, f64) {
        let place = (x_s - self.table_start_s) * self.nodes_per_s;
        if place < 0.0 {
            return (0.0, 0.0);
        }
        let node = place as usize;
        match self.table.get(node..node + 2) {
            Some(pair) => {
                let step = pair[1] - pair[0];
                (pair[0] + (place - node as f64) * step, step * self.nodes_per_s)
            }
            None => (0.0, 0.0),
        }
    }
}

/// Full width at half height of a shape.
pub(crate) fn width_half_height(sigma_s: f64, tau_s: f64) -> f64 {
    let mut emg = Emg {
        centre: 0.0,
        sigma: sigma_s,
        tau: tau_s,
    };
    emg.centre = -emg.mode();
    distance(&emg, 0.5, -1.0) + distance(&emg, 0.5, 1.0)
}

/// Distance from the apex at 0, to the side of `side`, at which the density falls to `fraction` of the apex's.
fn distance(emg: &Emg, fraction: f64, side: f64) -> f64 {
    let target = emg.density(0.0) * fraction.clamp(1e-12, 1.0 - 1e-12);
    let (mut above, mut below) = (0.0, emg.sigma);
    while emg.density(side * below) > target {
        above = below;
        below *= 2.0;
    }
    for _ in 0..32 {
        let middle = 0.5 * (above + below);
        if emg.density(side * middle) > target {
            above = middle;
        } else {
            below = middle;
        }
    }
    0.5 * (above + below)
}
