//! Projective maps of the plane.

/// A projective map: a 3 by 3 matrix on (x, y, 1), row by row.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Homography(pub [f64; 9]);

impl Homography {
    /// The map that leaves every place where it is.
    pub const IDENTITY: Self = Self([1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0]);

    /// Where a place goes; far away, never NaN, for places on the horizon.
    #[must_use]
    #[inline]
    pub fn map(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        let m = &self.0;
        let w = m[6] * x + m[7] * y + m[8];
        let w = if w.abs() < 1e-12 { 1e-12 } else { w };
        [(m[0] * x + m[1] * y + m[2]) / w, (m[3] * x + m[4] * y + m[5]) / w]
    }

    /// First `other`, then this map.
    #[must_use]
    pub fn after(&self, other: &Self) -> Self {
        let (a, b) = (&self.0, &other.0);
        let mut out = [0.0; 9];
        for i in 0..3 {
            for j in 0..3 {
                out[i * 3 + j] = (0..3).map(|k| a[i * 3 + k] * b[k * 3 + j]).sum();
            }
        }
        Self(out)
    }

    /// The map back; `None` when there is none.
    #[must_use]
    pub fn inverse(&self) -> Option<Self> {
        let m = &self.0;
        let c = [
            m[4] * m[8] - m[5] * m[7],
            m[2] * m[7] - m[1] * m[8],
            m[1] * m[5] - m[2] * m[4],
            m[5] * m[6] - m[3] * m[8],
            m[0] * m[8] - m[2] * m[6],
            m[2] * m[3] - m[0] * m[5],
            m[3] * m[7] - m[4] * m[6],
            m[1] * m[6] - m[0] * m[7],
            m[0] * m[4] - m[1] * m[3],
        ];
        let determinant = m[0] * c[0] + m[1] * c[3] + m[2] * c[6];
        let size = m.iter().fold(0.0f64, |a, b| a.max(b.abs()));
        if !determinant.is_finite() || determinant.abs() <= 1e-14 * size * size * size {
            return None;
        }
        Some(Self(c.map(|value| value / determinant)))
    }

    /// The same map with its last entry 1 (when it is not 0).
    #[must_use]
    pub fn scaled(&self) -> Self {
        let last = self.0[8];
        if last == 0.0 {
            *self
        } else {
            Self(self.0.map(|v| v / last))
        }
    }

    /// Derivatives of the map at a place: [dx/dX, dx/dY, dy/dX, dy/dY].
    #[must_use]
    pub fn derivative(&self, [x, y]: [f64; 2]) -> [f64; 4] {
        let m = &self.0;
        let w = m[6] * x + m[7] * y + m[8];
        let w = if w.abs() < 1e-12 { 1e-12 } else { w };
        let [px, py] = self.map([x, y]);
        [
            (m[0] - px * m[6]) / w,
            (m[1] - px * m[7]) / w,
            (m[3] - py * m[6]) / w,
            (m[4] - py * m[7]) / w,
        ]
    }

    /// Lengths a unit length becomes at a place: largest and smallest over directions (singular values).
    #[must_use]
    pub fn stretch(&self, place: [f64; 2]) -> [f64; 2] {
        let [a, b, c, d] = self.derivative(place);
        let (p, q) = (a * a + b * b + c * c + d * d, (a * d - b * c).abs());
        let root = ((p * p - 4.0 * q * q).max(0.0)).sqrt();
        [((p + root) / 2.0).sqrt(), ((p - root) / 2.0).max(0.0).sqrt()]
    }

    /// The turn, scaling and shift that takes `from` to `to`; `None` when the places coincide.
    #[must_use]
    pub fn similarity(from: [[f64; 2]; 2], to: [[f64; 2]; 2]) -> Option<Self> {
        let (fx, fy) = (from[1][0] - from[0][0], from[1][1] - from[0][1]);
        let (tx, ty) = (to[1][0] - to[0][0], to[1][1] - to[0][1]);
        let size = fx * fx + fy * fy;
        if size < 1e-12 {
            return None;
        }
        let (a, b) = ((tx * fx + ty * fy) / size, (ty * fx - tx * fy) / size);
        Some(Self([
            a,
            -b,
            to[0][0] - a * from[0][0] + b * from[0][1],
            b,
            a,
            to[0][1] - b * from[0][0] - a * from[0][1],
            0.0,
            0.0,
            1.0,
        ]))
    }

    /// The affine map that takes three places to three places; `None` when they lie on a line.
    #[must_use]
    pub fn affine(from: [[f64; 2]; 3], to: [[f64; 2]; 3]) -> Option<Self> {
        let corners = |p: [[f64; 2]; 3]| {
            Self([
                p[1][0] - p[0][0],
                p[2][0] - p[0][0],
                p[0][0],
                p[1][1] - p[0][1],
                p[2][1] - p[0][1],
                p[0][1],
                0.0,
                0.0,
                1.0,
            ])
        };
        Some(corners(to).after(&corners(from).inverse()?))
    }

    /// The projective map that takes four places to four places; `None` when three of them lie on a line.
    #[must_use]
    pub fn four_points(from: [[f64; 2]; 4], to: [[f64; 2]; 4]) -> Option<Self> {
        Some(from_unit_square(to)?.after(&from_unit_square(from)?.inverse()?))
    }
}

/// The map of the unit square's corners (0,0), (1,0), (1,1), (0,1) (Heckbert 1989, section 2.2.3).
fn from_unit_square(p: [[f64; 2]; 4]) -> Option<Homography> {
    let [[x0, y0], [x1, y1], [x2, y2], [x3, y3]] = p;
    let (sx, sy) = (x0 - x1 + x2 - x3, y0 - y1 + y2 - y3);
    let (dx1, dy1, dx2, dy2) = (x1 - x2, y1 - y2, x3 - x2, y3 - y2);
    let determinant = dx1 * dy2 - dx2 * dy1;
    if !determinant.is_finite() || determinant.abs() < 1e-9 {
        return None;
    }
    let g = (sx * dy2 - dx2 * sy) / determinant;
    let h = (dx1 * sy - sx * dy1) / determinant;
    Some(Homography([
        x1 - x0 + g * x1,
        x3 - x0 + h * x3,
        x0,
        y1 - y0 + g * y1,
        y3 - y0 + h * y3,
        y0,
        g,
        h,
        1.0,
    ]))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(a: [f64; 2], b: [f64; 2]) -> bool {
        (a[0] - b[0]).abs() < 1e-9 && (a[1] - b[1]).abs() < 1e-9
    }

    /// A pinhole camera of focal length f over a plane tilted by t about the x axis, at distance d: from the definition
    /// of central projection x = f X / Z, y = f Y cos t / Z, Z = d + Y sin t.
    #[test]
    fn a_tilted_plane_seen_by_a_pinhole_is_mapped_as_the_closed_form_says() {
        let (f, t, d) = (1500.0, 0.4f64, 260.0);
        let project = |[x, y]: [f64; 2]| {
            let z = d + y * libm::sin(t);
            [f * x / z + 800.0, f * y * libm::cos(t) / z + 600.0]
        };
        let from = [[-40.0, -25.0], [45.0, -20.0], [42.0, 28.0], [-44.0, 26.0]];
        let map = Homography::four_points(from, from.map(project)).unwrap();
        let back = map.inverse().unwrap();
        for place in [[0.0, 0.0], [13.0, -7.0], [-31.5, 22.25], [60.0, 60.0]] {
            assert!(close(map.map(place), project(place)));
            assert!(close(back.map(map.map(place)), place));
        }
        // At the centre one direction keeps f / d, the tilted one is shortened by cos t.
        let [large, small] = map.stretch([0.0, 0.0]);
        assert!((large - f / d).abs() < 1e-9);
        assert!((small - f / d * libm::cos(t)).abs() < 1e-9);
    }

    #[test]
    fn two_and_three_places_are_met_and_lines_refused() {
        let s = Homography::similarity([[1.0, 2.0], [4.0, 6.0]], [[10.0, 0.0], [10.0, 10.0]]).unwrap();
        assert!(close(s.map([1.0, 2.0]), [10.0, 0.0]) && close(s.map([4.0, 6.0]), [10.0, 10.0]));
        let from = [[0.0, 0.0], [3.0, 1.0], [1.0, 5.0]];
        let to = [[7.0, 7.0], [9.0, 1.0], [2.0, 2.0]];
        let a = Homography::affine(from, to).unwrap();
        for (f, t) in from.into_iter().zip(to) {
            assert!(close(a.map(f), t));
        }
        assert!(Homography::affine([[0.0, 0.0], [1.0, 1.0], [2.0, 2.0]], to).is_none());
    }
}
