//! Where a card lies before a camera: a pinhole with slight radial distortion.

/// A 3 × 3 matrix, row by row.
pub(crate) type Matrix = [[f64; 3]; 3];

/// How the card is held before the camera.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Pose {
    /// Width and height of the photograph (px).
    pub(crate) frame_px: [usize; 2],
    /// Turn of the card in the photograph (radians, clockwise).
    pub(crate) turn: f64,
    /// Tilt of the card against the sensor (radians).
    pub(crate) tilt: f64,
    /// Direction of the tilt's axis (radians).
    pub(crate) tilt_axis: f64,
    /// Distance of the lens from the card's middle (mm).
    pub(crate) distance_mm: f64,
    /// Share of the frame the card's bounding box fills, of the tighter side.
    pub(crate) fill: f64,
    /// Shift of the card's middle from the frame's, in shares of the frame.
    pub(crate) shift: [f64; 2],
    /// Radial distortion: relative displacement at the frame's corner.
    pub(crate) distortion: f64,
}

/// The maps between card and photograph.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Camera {
    /// Millimetres of the card to pixels of the undistorted photograph.
    pub(crate) to_photo: Matrix,
    /// The way back.
    pub(crate) to_card: Matrix,
    /// Middle of the frame (px), where distortion is nothing.
    pub(crate) middle_px: [f64; 2],
    /// Half the frame's diagonal (px), where distortion is [`Self::distortion`].
    pub(crate) half_diagonal_px: f64,
    /// An undistorted place is `middle + (place − middle)·(1 + distortion·(r/half diagonal)²)`.
    pub(crate) distortion: f64,
}

impl Camera {
    /// The camera of a pose before a card of this size (mm).
    pub(crate) fn new(pose: &Pose, card_mm: [f64; 2]) -> Self {
        let (st, ct) = (libm::sin(pose.tilt), libm::cos(pose.tilt));
        let (sa, ca) = (libm::sin(pose.tilt_axis), libm::cos(pose.tilt_axis));
        let (sr, cr) = (libm::sin(pose.turn), libm::cos(pose.turn));
        // Turn within the plane, then tilt about the axis (ca, sa, 0): Rodrigues' formula on the first two columns.
        let tilted = |x: f64, y: f64| {
            let along = (x * ca + y * sa) * (1.0 - ct);
            [x * ct + ca * along, y * ct + sa * along, st * (ca * y - sa * x)]
        };
        let (c0, c1) = (tilted(cr, sr), tilted(-sr, cr));
        let (hx, hy) = (card_mm[0] / 2.0, card_mm[1] / 2.0);
        let d = pose.distance_mm;
        // One pixel per mm at the card's middle, the card's middle at the origin.
        let unit = [
            [d * c0[0], d * c1[0], -d * (c0[0] * hx + c1[0] * hy)],
            [d * c0[1], d * c1[1], -d * (c0[1] * hx + c1[1] * hy)],
            [c0[2], c1[2], d - (c0[2] * hx + c1[2] * hy)],
        ];
        let corners = [[0.0, 0.0], [card_mm[0], 0.0], [0.0, card_mm[1]], card_mm].map(|p| apply(&unit, p));
        let least = |k: usize| corners.iter().map(|c| c[k]).fold(f64::INFINITY, f64::min);
        let most = |k: usize| corners.iter().map(|c| c[k]).fold(f64::NEG_INFINITY, f64::max);
        let frame = pose.frame_px.map(|px| px as f64);
        let scale = pose.fill * (frame[0] / (most(0) - least(0))).min(frame[1] / (most(1) - least(1)));
        let move_to = |k: usize| frame[k] * (0.5 + pose.shift[k]) - scale * (least(k) + most(k)) / 2.0;
        let outer = [
            [scale, 0.0, move_to(0)],
            [0.0, scale, move_to(1)],
            [0.0, 0.0, 1.0],
        ];
        let to_photo = times(&outer, &unit);
        Self {
            to_photo,
            to_card: inverse(&to_photo),
            middle_px: [frame[0] / 2.0, frame[1] / 2.0],
            half_diagonal_px: (frame[0] * frame[0] + frame[1] * frame[1]).sqrt() / 2.0,
            distortion: pose.distortion,
        }
    }

    /// Pixels per mm at a place of the card (mm): the square root of the area's magnification.
    pub(crate) fn pixels_per_mm(&self, at: [f64; 2]) -> f64 {
        let step = 0.01;
        let base = apply(&self.to_photo, at);
        let right = apply(&self.to_photo, [at[0] + step, at[1]]);
        let down = apply(&self.to_photo, [at[0], at[1] + step]);
        let cross = (right[0] - base[0]) * (down[1] - base[1]) - (right[1] - base[1]) * (down[0] - base[0]);
        cross.abs().sqrt() / step
    }

    /// Where a place of the card (mm) is in the photograph (px), distortion included; pixel (0, 0) has its middle at
    /// (0.5, 0.5).
    pub(crate) fn photographed(&self, at: [f64; 2]) -> [f64; 2] {
        let target = apply(&self.to_photo, at);
        let offset = [target[0] - self.middle_px[0], target[1] - self.middle_px[1]];
        let mut seen = offset;
        // The map is a contraction for distortions of a few percent.
        for _ in 0..12 {
            let square =
                (seen[0] * seen[0] + seen[1] * seen[1]) / (self.half_diagonal_px * self.half_diagonal_px);
            let by = 1.0 + self.distortion * square;
            seen = [offset[0] / by, offset[1] / by];
        }
        [seen[0] + self.middle_px[0], seen[1] + self.middle_px[1]]
    }
}

/// A place through a homography.
pub(crate) fn apply(m: &Matrix, p: [f64; 2]) -> [f64; 2] {
    let w = m[2][0] * p[0] + m[2][1] * p[1] + m[2][2];
    [
        (m[0][0] * p[0] + m[0][1] * p[1] + m[0][2]) / w,
        (m[1][0] * p[0] + m[1][1] * p[1] + m[1][2]) / w,
    ]
}

fn times(a: &Matrix, b: &Matrix) -> Matrix {
    let mut product = [[0.0; 3]; 3];
    for (i, row) in product.iter_mut().enumerate() {
        for (j, value) in row.iter_mut().enumerate() {
            *value = (0..3).map(|k| a[i][k] * b[k][j]).sum();
        }
    }
    product
}

fn inverse(m: &Matrix) -> Matrix {
    let minor = |r0: usize, c0: usize, r1: usize, c1: usize| m[r0][c0] * m[r1][c1] - m[r0][c1] * m[r1][c0];
    let adjugate = [
        [minor(1, 1, 2, 2), minor(0, 2, 2, 1), minor(0, 1, 1, 2)],
        [minor(1, 2, 2, 0), minor(0, 0, 2, 2), minor(0, 2, 1, 0)],
        [minor(1, 0, 2, 1), minor(0, 1, 2, 0), minor(0, 0, 1, 1)],
    ];
    let determinant = m[0][0] * adjugate[0][0] + m[0][1] * adjugate[1][0] + m[0][2] * adjugate[2][0];
    adjugate.map(|row| row.map(|v| v / determinant))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pose() -> Pose {
        Pose {
            frame_px: [2400, 1600],
            turn: 0.4,
            tilt: 0.2,
            tilt_axis: 1.1,
            distance_mm: 300.0,
            fill: 0.85,
            shift: [0.0, 0.0],
            distortion: 0.01,
        }
    }

    #[test]
    fn there_and_back_again() {
        let camera = Camera::new(&pose(), [96.0, 54.0]);
        for at in [[0.0, 0.0], [96.0, 0.0], [30.0, 40.0]] {
            let back = apply(&camera.to_card, apply(&camera.to_photo, at));
            assert!(libm::hypot(back[0] - at[0], back[1] - at[1]) < 1e-9);
            let seen = camera.photographed(at);
            assert!(seen[0] > 0.0 && seen[0] < 2400.0 && seen[1] > 0.0 && seen[1] < 1600.0);
        }
    }

    #[test]
    fn a_card_held_straight_is_only_scaled() {
        let straight = Pose {
            turn: 0.0,
            tilt: 0.0,
            distortion: 0.0,
            ..pose()
        };
        let camera = Camera::new(&straight, [96.0, 54.0]);
        // Width is the tighter side: 0.85·2400/96 = 21.25 px/mm.
        assert!((camera.pixels_per_mm([10.0, 10.0]) - 21.25).abs() < 1e-6);
        let corner = camera.photographed([0.0, 0.0]);
        assert!((corner[0] - 180.0).abs() < 1e-6 && (corner[1] - (800.0 - 27.0 * 21.25)).abs() < 1e-6);
    }
}
