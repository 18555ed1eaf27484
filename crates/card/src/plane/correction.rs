//! A small projective correction of the card plane, found by weighted least squares.
//!
//! Print is expected at a place `m` with a normal `n`; it is seen displaced by `t` along `n`. To first order a projective
//! correction displaces places by `d(u, v) = (a0 + a1 u + a2 v − u (a6 u + a7 v), a3 + a4 u + a5 v − v (a6 u + a7 v))` in
//! coordinates centred on the card; every observation is one equation `n · d = t`. A prior keeps what the observations
//! do not tell at what it was.

use super::Homography;

/// How far a correction may reach before seeing anything (one standard deviation), in units of the card's half size.
#[derive(Debug, Clone, Copy)]
pub(super) struct Prior {
    pub(super) shift: f64,
    pub(super) linear: f64,
    pub(super) perspective: f64,
}

/// Collects observations.
#[derive(Debug, Clone)]
pub(super) struct Correction {
    centre: [f64; 2],
    half_mm: f64,
    normal: [[f64; 8]; 8],
    right: [f64; 8],
}

/// A solved correction.
#[derive(Debug, Clone)]
pub(super) struct Solved {
    a: [f64; 8],
    covariance: [[f64; 8]; 8],
    centre: [f64; 2],
    half_mm: f64,
}

impl Correction {
    pub(super) fn new(width_mm: f64, height_mm: f64, prior: Prior) -> Self {
        let mut normal = [[0.0; 8]; 8];
        for (index, row) in normal.iter_mut().enumerate() {
            let sd = match index {
                0 | 3 => prior.shift,
                6 | 7 => prior.perspective,
                _ => prior.linear,
            };
            row[index] = 1.0 / (sd * sd);
        }
        Self {
            centre: [width_mm / 2.0, height_mm / 2.0],
            half_mm: width_mm.max(height_mm) / 2.0,
            normal,
            right: [0.0; 8],
        }
    }

    /// Adds a sighting: print expected at `place` with unit `normal`, seen `offset_mm` further along it, give or take
    /// `sd_mm`.
    pub(super) fn add(&mut self, place: [f64; 2], normal: [f64; 2], offset_mm: f64, sd_mm: f64) {
        let row = self.row(place, normal);
        let (offset, sd) = (offset_mm / self.half_mm, sd_mm / self.half_mm);
        let weight = 1.0 / (sd * sd);
        for i in 0..8 {
            for j in 0..8 {
                self.normal[i][j] += weight * row[i] * row[j];
            }
            self.right[i] += weight * row[i] * offset;
        }
    }

    fn row(&self, place: [f64; 2], normal: [f64; 2]) -> [f64; 8] {
        design(self.centre, self.half_mm, place, normal)
    }

    /// Solves; `None` when the numbers fail.
    pub(super) fn solve(&self) -> Option<Solved> {
        let covariance = invert(&self.normal)?;
        let mut a = [0.0; 8];
        for (i, out) in a.iter_mut().enumerate() {
            *out = (0..8).map(|j| covariance[i][j] * self.right[j]).sum();
        }
        a.iter().all(|v| v.is_finite()).then_some(Solved {
            a,
            covariance,
            centre: self.centre,
            half_mm: self.half_mm,
        })
    }
}

impl Solved {
    /// Displacement along a normal (mm).
    pub(super) fn offset_mm(&self, place: [f64; 2], normal: [f64; 2]) -> f64 {
        let row = design(self.centre, self.half_mm, place, normal);
        (0..8).map(|i| row[i] * self.a[i]).sum::<f64>() * self.half_mm
    }

    /// Standard uncertainty of a place (mm), larger of both directions, for observations of the weights given.
    pub(super) fn place_u_mm(&self, place: [f64; 2]) -> f64 {
        let along = |normal| {
            let row = design(self.centre, self.half_mm, place, normal);
            let mut sum = 0.0;
            for i in 0..8 {
                for j in 0..8 {
                    sum += row[i] * self.covariance[i][j] * row[j];
                }
            }
            sum.max(0.0).sqrt() * self.half_mm
        };
        along([1.0, 0.0]).max(along([0.0, 1.0]))
    }

    /// The card's map, corrected.
    pub(super) fn apply(&self, map: &Homography) -> Homography {
        let a = &self.a;
        let (s, [cx, cy]) = (self.half_mm, self.centre);
        let into = Homography([1.0 / s, 0.0, -cx / s, 0.0, 1.0 / s, -cy / s, 0.0, 0.0, 1.0]);
        let out = Homography([s, 0.0, cx, 0.0, s, cy, 0.0, 0.0, 1.0]);
        let correction = Homography([1.0 + a[1], a[2], a[0], a[4], 1.0 + a[5], a[3], a[6], a[7], 1.0]);
        map.after(&out.after(&correction.after(&into))).scaled()
    }
}

fn design(centre: [f64; 2], half_mm: f64, place: [f64; 2], [nx, ny]: [f64; 2]) -> [f64; 8] {
    let (u, v) = ((place[0] - centre[0]) / half_mm, (place[1] - centre[1]) / half_mm);
    let along = nx * u + ny * v;
    [nx, nx * u, nx * v, ny, ny * u, ny * v, -u * along, -v * along]
}

/// Inverse of a symmetric positive definite matrix by Gauss and Jordan; the prior keeps it well conditioned.
fn invert(matrix: &[[f64; 8]; 8]) -> Option<[[f64; 8]; 8]> {
    let mut m = *matrix;
    let mut inverse = [[0.0; 8]; 8];
    for (i, row) in inverse.iter_mut().enumerate() {
        row[i] = 1.0;
    }
    for i in 0..8 {
        let pivot = m[i][i];
        if !pivot.is_finite() || pivot <= 0.0 {
            return None;
        }
        for j in 0..8 {
            m[i][j] /= pivot;
            inverse[i][j] /= pivot;
        }
        for k in 0..8 {
            if k == i {
                continue;
            }
            let factor = m[k][i];
            for j in 0..8 {
                m[k][j] -= factor * m[i][j];
                inverse[k][j] -= factor * inverse[i][j];
            }
        }
    }
    Some(inverse)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A disturbed map is brought back by what a few circles show (closed form: the map is known).
    #[test]
    fn circles_bring_a_disturbed_map_back() {
        let truth = Homography([20.0, 1.0, 300.0, -0.7, 21.0, 200.0, 1e-4, -2e-4, 1.0]);
        let mut map = Homography([20.3, 1.2, 306.0, -0.9, 20.8, 195.0, 0.5e-4, -1e-4, 1.0]);
        let prior = Prior {
            shift: 0.2,
            linear: 0.1,
            perspective: 0.1,
        };
        for _ in 0..6 {
            let back = map.inverse().unwrap();
            let mut correction = Correction::new(96.0, 54.0, prior);
            for centre in [[14.0, 36.0], [48.0, 36.0], [82.0, 36.0], [5.0, 5.0], [91.0, 5.0]] {
                for k in 0..16 {
                    let angle = f64::from(k) * std::f64::consts::TAU / 16.0;
                    let normal = [libm::cos(angle), libm::sin(angle)];
                    let at = [centre[0] + 3.0 * normal[0], centre[1] + 3.0 * normal[1]];
                    let seen = back.map(truth.map(at));
                    let offset = (seen[0] - at[0]) * normal[0] + (seen[1] - at[1]) * normal[1];
                    correction.add(at, normal, offset, 0.05);
                }
            }
            map = correction.solve().unwrap().apply(&map);
        }
        for place in [[14.0, 36.0], [90.0, 50.0], [48.0, 20.0]] {
            let (a, b) = (map.map(place), truth.map(place));
            assert!(
                (a[0] - b[0]).abs() < 0.01 && (a[1] - b[1]).abs() < 0.01,
                "{a:?} {b:?}"
            );
        }
    }
}
