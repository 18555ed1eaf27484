//! What is true of a spot's outline, measured on the field it was painted from, before any camera.

/// A rectangle of values on a square grid over the card's plane.
pub(crate) struct Field {
    /// Columns.
    pub(crate) width: usize,
    /// Rows.
    pub(crate) height: usize,
    /// Middle of the upper left cell (mm).
    pub(crate) origin_mm: [f64; 2],
    /// Side of a cell (mm).
    pub(crate) pitch_mm: f64,
    /// Row by row: how far above one half the relative density is.
    pub(crate) above_half: Vec<f32>,
}

/// Measures of an outline.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Outlined {
    pub(crate) area_mm2: f64,
    pub(crate) centroid_mm: [f64; 2],
    pub(crate) inscribed_centre_mm: [f64; 2],
    pub(crate) inscribed_diameter_mm: f64,
}

impl Field {
    /// The largest connected piece above one half, its holes filled. `None`: nothing is.
    pub(crate) fn outline(&self) -> Option<Outlined> {
        let inside = self.filled_main_piece()?;
        let (area_mm2, centroid_mm) = self.area_and_centroid(&inside);
        let rim = self.rim(&inside);
        let (inscribed_centre_mm, radius) = self.inscribed(&inside, &rim);
        Some(Outlined {
            area_mm2,
            centroid_mm,
            inscribed_centre_mm,
            inscribed_diameter_mm: 2.0 * radius,
        })
    }

    /// Whether a place (mm) is above one half.
    pub(crate) fn above(&self, at: [f64; 2]) -> bool {
        let cell = |k: usize| ((at[k] - self.origin_mm[k]) / self.pitch_mm).round();
        let (i, j) = (cell(0), cell(1));
        i >= 0.0
            && j >= 0.0
            && (i as usize) < self.width
            && (j as usize) < self.height
            && self.above_half[j as usize * self.width + i as usize] > 0.0
    }

    /// Least distance (mm) between what is above one half here and there, to about two cells; infinite when the
    /// rectangles are more than 1 mm apart.
    pub(crate) fn gap_mm(&self, other: &Self) -> f64 {
        let far = |field: &Self, k: usize| {
            field.origin_mm[k] + [field.width, field.height][k] as f64 * field.pitch_mm
        };
        for k in 0..2 {
            if self.origin_mm[k] > far(other, k) + 1.0 || other.origin_mm[k] > far(self, k) + 1.0 {
                return f64::INFINITY;
            }
        }
        let (mine, theirs) = (self.rim_cells(), other.rim_cells());
        let mut least = f64::INFINITY;
        for [x, y] in &mine {
            for [u, v] in &theirs {
                least = least.min((x - u) * (x - u) + (y - v) * (y - v));
            }
        }
        // One within the other, or overlapping, is contact too.
        if mine.iter().any(|at| other.above(*at)) || theirs.iter().any(|at| self.above(*at)) {
            return 0.0;
        }
        least.sqrt()
    }

    /// Every other cell just inside an outline (mm).
    fn rim_cells(&self) -> Vec<[f64; 2]> {
        let mut cells = Vec::new();
        for j in 0..self.height {
            for i in 0..self.width {
                let cell = j * self.width + i;
                if self.above_half[cell] <= 0.0 || (i + j) % 2 == 1 {
                    continue;
                }
                let mut at_rim = false;
                self.each_neighbour(cell, |next| at_rim |= self.above_half[next] <= 0.0);
                if at_rim {
                    cells.push(self.place(i, j));
                }
            }
        }
        cells
    }

    fn place(&self, i: usize, j: usize) -> [f64; 2] {
        [
            self.origin_mm[0] + i as f64 * self.pitch_mm,
            self.origin_mm[1] + j as f64 * self.pitch_mm,
        ]
    }

    fn filled_main_piece(&self) -> Option<Vec<bool>> {
        let n = self.width * self.height;
        let mut piece_of = vec![0u32; n];
        let (mut best, mut best_size, mut pieces) = (0, 0, 0);
        let mut stack = Vec::new();
        for start in 0..n {
            if self.above_half[start] <= 0.0 || piece_of[start] != 0 {
                continue;
            }
            pieces += 1;
            let mut size = 0;
            piece_of[start] = pieces;
            stack.push(start);
            while let Some(cell) = stack.pop() {
                size += 1;
                self.each_neighbour(cell, |next| {
                    if self.above_half[next] > 0.0 && piece_of[next] == 0 {
                        piece_of[next] = pieces;
                        stack.push(next);
                    }
                });
            }
            if size > best_size {
                (best, best_size) = (pieces, size);
            }
        }
        if best_size < 4 {
            return None;
        }
        // What cannot be reached from the rectangle's rim without crossing the piece is inside.
        let mut outside = vec![false; n];
        for i in 0..self.width {
            for j in 0..self.height {
                let at_rim = i == 0 || j == 0 || i + 1 == self.width || j + 1 == self.height;
                let cell = j * self.width + i;
                if at_rim && piece_of[cell] != best && !outside[cell] {
                    outside[cell] = true;
                    stack.push(cell);
                }
            }
        }
        while let Some(cell) = stack.pop() {
            self.each_neighbour(cell, |next| {
                if piece_of[next] != best && !outside[next] {
                    outside[next] = true;
                    stack.push(next);
                }
            });
        }
        Some(outside.into_iter().map(|o| !o).collect())
    }

    fn each_neighbour(&self, cell: usize, mut visit: impl FnMut(usize)) {
        let (i, j) = (cell % self.width, cell / self.width);
        if i > 0 {
            visit(cell - 1);
        }
        if i + 1 < self.width {
            visit(cell + 1);
        }
        if j > 0 {
            visit(cell - self.width);
        }
        if j + 1 < self.height {
            visit(cell + self.width);
        }
    }

    /// Cells by Green's theorem over the polygon would do as well; here each cell at the rim counts by the share that
    /// a straight outline through it leaves inside.
    fn area_and_centroid(&self, inside: &[bool]) -> (f64, [f64; 2]) {
        let (mut area, mut moment) = (0.0, [0.0; 2]);
        let cell_mm2 = self.pitch_mm * self.pitch_mm;
        for j in 1..self.height.saturating_sub(1) {
            for i in 1..self.width.saturating_sub(1) {
                let cell = j * self.width + i;
                let mut near = inside[cell];
                let mut deep = inside[cell];
                self.each_neighbour(cell, |next| {
                    near |= inside[next];
                    deep &= inside[next];
                });
                if !near {
                    continue;
                }
                let value = f64::from(self.above_half[cell]);
                let share = if deep || (inside[cell] && value <= 0.0) {
                    1.0
                } else {
                    let across = f64::from(self.above_half[cell + 1] - self.above_half[cell - 1]) / 2.0;
                    let down =
                        f64::from(self.above_half[cell + self.width] - self.above_half[cell - self.width])
                            / 2.0;
                    (0.5 + value / (across * across + down * down).sqrt().max(1e-9)).clamp(0.0, 1.0)
                };
                let [x, y] = self.place(i, j);
                area += share * cell_mm2;
                moment[0] += share * cell_mm2 * x;
                moment[1] += share * cell_mm2 * y;
            }
        }
        (area, [moment[0] / area, moment[1] / area])
    }

    /// Where the outline crosses the lines between cells (mm).
    fn rim(&self, inside: &[bool]) -> Vec<[f64; 2]> {
        let mut rim = Vec::new();
        for j in 0..self.height {
            for i in 0..self.width {
                let cell = j * self.width + i;
                let [x, y] = self.place(i, j);
                let mut cross = |next: usize, dx: f64, dy: f64| {
                    if inside[cell] != inside[next] {
                        let (a, b) = (f64::from(self.above_half[cell]), f64::from(self.above_half[next]));
                        let t = if (a > 0.0) == (b > 0.0) { 0.5 } else { a / (a - b) };
                        rim.push([x + t * dx * self.pitch_mm, y + t * dy * self.pitch_mm]);
                    }
                };
                if i + 1 < self.width {
                    cross(cell + 1, 1.0, 0.0);
                }
                if j + 1 < self.height {
                    cross(cell + self.width, 0.0, 1.0);
                }
            }
        }
        rim
    }

    /// Largest circle within the outline: a coarse search, then finer ones around the best few places.
    fn inscribed(&self, inside: &[bool], rim: &[[f64; 2]]) -> ([f64; 2], f64) {
        let clearance = |[x, y]: [f64; 2], least: f64| {
            let mut nearest = f64::INFINITY;
            for [rx, ry] in rim {
                let square = (rx - x) * (rx - x) + (ry - y) * (ry - y);
                if square < nearest {
                    nearest = square;
                    if nearest < least {
                        break;
                    }
                }
            }
            nearest
        };
        let step = ((0.45 / self.pitch_mm) as usize).max(1);
        let mut best: Vec<(f64, [f64; 2])> = Vec::new();
        for j in (0..self.height).step_by(step) {
            for i in (0..self.width).step_by(step) {
                if inside[j * self.width + i] {
                    let place = self.place(i, j);
                    let least = if best.len() < 4 {
                        0.0
                    } else {
                        best[best.len() - 1].0
                    };
                    let nearest = clearance(place, least);
                    best.push((nearest, place));
                    best.sort_by(|a, b| b.0.total_cmp(&a.0));
                    best.truncate(4);
                }
            }
        }
        let mut reach = 0.3;
        while reach > 0.004 {
            for slot in &mut best {
                let from = slot.1;
                for (dx, dy) in [
                    (1.0, 0.0),
                    (-1.0, 0.0),
                    (0.0, 1.0),
                    (0.0, -1.0),
                    (0.7, 0.7),
                    (-0.7, 0.7),
                    (0.7, -0.7),
                    (-0.7, -0.7),
                ] {
                    let place = [from[0] + reach * dx, from[1] + reach * dy];
                    let nearest = clearance(place, slot.0);
                    if nearest > slot.0 {
                        *slot = (nearest, place);
                    }
                }
            }
            reach *= 0.8;
        }
        best.sort_by(|a, b| b.0.total_cmp(&a.0));
        best.first()
            .map_or(([0.0; 2], 0.0), |(square, place)| (*place, square.sqrt()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn field(value: impl Fn(f64, f64) -> f64) -> Field {
        let (width, height, pitch_mm) = (300, 300, 0.05);
        let above_half = (0..width * height)
            .map(|k| value((k % width) as f64 * pitch_mm, (k / width) as f64 * pitch_mm) as f32)
            .collect();
        Field {
            width,
            height,
            origin_mm: [0.0, 0.0],
            pitch_mm,
            above_half,
        }
    }

    #[test]
    fn disc_ring_and_ellipse_agree_with_closed_forms() {
        let distance = |x: f64, y: f64| libm::hypot(x - 7.3, y - 7.1);
        let disc = field(|x, y| 4.0 - distance(x, y)).outline().unwrap();
        let exact = std::f64::consts::PI * 16.0;
        assert!((disc.area_mm2 / exact - 1.0).abs() < 5e-4, "{disc:?}");
        assert!((disc.inscribed_diameter_mm - 8.0).abs() < 0.01);
        assert!(libm::hypot(disc.centroid_mm[0] - 7.3, disc.centroid_mm[1] - 7.1) < 1e-3);
        // A hole does not count: the outline is the outer one.
        let ring = field(|x, y| (4.0 - distance(x, y)).min(distance(x, y) - 1.0))
            .outline()
            .unwrap();
        assert!((ring.area_mm2 / exact - 1.0).abs() < 5e-4, "{ring:?}");
        // x²/25 + y²/9 < 1: area 15π, largest circle of diameter 6.
        let ellipse = field(|x, y| {
            let (u, v) = ((x - 7.3) / 5.0, (y - 7.1) / 3.0);
            1.0 - (u * u + v * v).sqrt()
        });
        let ellipse = ellipse.outline().unwrap();
        assert!(
            (ellipse.area_mm2 / (15.0 * std::f64::consts::PI) - 1.0).abs() < 1e-3,
            "{ellipse:?}"
        );
        assert!((ellipse.inscribed_diameter_mm - 6.0).abs() < 0.02);
    }

    #[test]
    fn droplets_beside_the_spot_do_not_count() {
        let two =
            field(|x, y| (3.0 - libm::hypot(x - 5.0, y - 5.0)).max(0.5 - libm::hypot(x - 10.0, y - 10.0)));
        assert!((two.outline().unwrap().area_mm2 / (9.0 * std::f64::consts::PI) - 1.0).abs() < 1e-3);
    }
}
