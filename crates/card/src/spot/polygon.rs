//! Geometry of a closed polygon: area, moments, hull, largest inscribed circle, what it shares with a disc.
//!
//! Points turn from x towards y (positive area in a frame with y downwards); the last joins the first.

/// Signed area (shoelace formula).
pub fn area(points: &[[f64; 2]]) -> f64 {
    edges(points).map(|(p, q)| p[0] * q[1] - q[0] * p[1]).sum::<f64>() / 2.0
}

/// Edges, the closing one included.
fn edges(points: &[[f64; 2]]) -> impl Iterator<Item = ([f64; 2], [f64; 2])> + '_ {
    let last = points.last().copied();
    let mut before = last;
    points.iter().map(move |&q| {
        let p = before.unwrap_or(q);
        before = Some(q);
        (p, q)
    })
}

/// Area, centre of area and second central moments divided by the area.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moments {
    /// Area.
    pub area: f64,
    /// Centre of area.
    pub centre: [f64; 2],
    /// Variances along x and y and their covariance.
    pub xx: f64,
    /// Variance along y.
    pub yy: f64,
    /// Covariance.
    pub xy: f64,
}

/// Moments by Green's theorem (Steger 1996, "On the calculation of arbitrary moments of polygons"); `None` for no area.
#[must_use]
pub fn moments(points: &[[f64; 2]]) -> Option<Moments> {
    // Relative to the first point: large coordinates would cost digits.
    let origin = *points.first()?;
    let (mut a, mut sx, mut sy, mut sxx, mut syy, mut sxy) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
    for (p, q) in edges(points) {
        let (x0, y0, x1, y1) = (
            p[0] - origin[0],
            p[1] - origin[1],
            q[0] - origin[0],
            q[1] - origin[1],
        );
        let cross = x0 * y1 - x1 * y0;
        a += cross;
        sx += cross * (x0 + x1);
        sy += cross * (y0 + y1);
        sxx += cross * (x0 * x0 + x0 * x1 + x1 * x1);
        syy += cross * (y0 * y0 + y0 * y1 + y1 * y1);
        sxy += cross * (2.0 * x0 * y0 + x0 * y1 + x1 * y0 + 2.0 * x1 * y1);
    }
    let area = a / 2.0;
    if area.abs() < 1e-12 {
        return None;
    }
    let (cx, cy) = (sx / (6.0 * area), sy / (6.0 * area));
    Some(Moments {
        area,
        centre: [cx + origin[0], cy + origin[1]],
        xx: sxx / (12.0 * area) - cx * cx,
        yy: syy / (12.0 * area) - cy * cy,
        xy: sxy / (24.0 * area) - cx * cy,
    })
}

/// Length of the outline.
#[must_use]
pub fn perimeter(points: &[[f64; 2]]) -> f64 {
    edges(points).map(|(p, q)| distance(p, q)).sum()
}

/// Distance of two points.
#[must_use]
pub fn distance(p: [f64; 2], q: [f64; 2]) -> f64 {
    let (dx, dy) = (p[0] - q[0], p[1] - q[1]);
    (dx * dx + dy * dy).sqrt()
}

/// The outline at `count` points equally far apart along it, smoothed by a binomial of standard deviation `sigma`.
///
/// Noise makes the raw contour longer than the edge it follows; the smoothed one is long enough only where it matters.
#[must_use]
pub fn smoothed(points: &[[f64; 2]], count: usize, sigma: f64) -> Vec<[f64; 2]> {
    let length = perimeter(points);
    if points.len() < 3 || length <= 0.0 || count < 8 {
        return points.to_vec();
    }
    let spacing = length / count as f64;
    let mut even = Vec::with_capacity(count);
    let (mut walked, mut next) = (0.0, 0.0);
    let mut from = points[0];
    for &to in points[1..].iter().chain(core::iter::once(&points[0])) {
        let step = distance(from, to);
        while next <= walked + step && even.len() < count {
            let t = if step > 0.0 { (next - walked) / step } else { 0.0 };
            even.push([from[0] + t * (to[0] - from[0]), from[1] + t * (to[1] - from[1])]);
            next += spacing;
        }
        walked += step;
        from = to;
    }
    // (1, 2, 1)/4 has a variance of half a step squared.
    let rounds = libm::round(2.0 * (sigma / spacing) * (sigma / spacing)).clamp(0.0, 400.0) as usize;
    for _ in 0..rounds {
        let n = even.len();
        let (first, mut before) = (even[0], even[n - 1]);
        for k in 0..n {
            let here = even[k];
            let after = if k + 1 < n { even[k + 1] } else { first };
            even[k] = [
                0.25 * (before[0] + 2.0 * here[0] + after[0]),
                0.25 * (before[1] + 2.0 * here[1] + after[1]),
            ];
            before = here;
        }
    }
    even
}

/// Convex hull (Andrew 1979, monotone chain), as indices of `points` in order of turning.
#[must_use]
pub fn hull(points: &[[f64; 2]]) -> Vec<usize> {
    let mut order: Vec<usize> = (0..points.len()).collect();
    order.sort_unstable_by(|&a, &b| {
        points[a][0]
            .total_cmp(&points[b][0])
            .then(points[a][1].total_cmp(&points[b][1]))
            .then(a.cmp(&b))
    });
    let turn = |a: usize, b: usize, c: usize| {
        let (p, q, r) = (points[a], points[b], points[c]);
        (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])
    };
    let mut chain: Vec<usize> = Vec::with_capacity(64);
    for pass in 0..2 {
        let floor = chain.len() + 1;
        let mut add = |k: usize| {
            while chain.len() > floor && turn(chain[chain.len() - 2], chain[chain.len() - 1], k) <= 0.0 {
                chain.pop();
            }
            chain.push(k);
        };
        if pass == 0 {
            order.iter().copied().for_each(&mut add);
        } else {
            order.iter().rev().copied().for_each(&mut add);
        }
        chain.pop();
    }
    chain
}

/// Deepest bay: the greatest distance of a point of the outline from the hull's edge that spans it.
#[must_use]
pub fn deepest_bay(points: &[[f64; 2]], hull: &[usize]) -> f64 {
    let n = points.len();
    let mut deepest = 0.0_f64;
    for (k, &from) in hull.iter().enumerate() {
        let to = hull[(k + 1) % hull.len()];
        let (p, q) = (points[from], points[to]);
        let length = distance(p, q);
        if length <= 0.0 {
            continue;
        }
        let mut at = (from + 1) % n;
        while at != to {
            let r = points[at];
            let away = ((q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])) / length;
            deepest = deepest.max(away);
            at = (at + 1) % n;
        }
    }
    deepest
}

/// Whether a point lies inside (even-odd rule).
#[must_use]
pub fn contains(points: &[[f64; 2]], place: [f64; 2]) -> bool {
    let mut inside = false;
    for (p, q) in edges(points) {
        if (p[1] > place[1]) != (q[1] > place[1]) {
            let x = p[0] + (place[1] - p[1]) / (q[1] - p[1]) * (q[0] - p[0]);
            if x > place[0] {
                inside = !inside;
            }
        }
    }
    inside
}

/// Least distance from a point to the outline.
#[must_use]
pub fn distance_to(points: &[[f64; 2]], place: [f64; 2]) -> f64 {
    let mut least = f64::INFINITY;
    for (p, q) in edges(points) {
        let (dx, dy) = (q[0] - p[0], q[1] - p[1]);
        let (ex, ey) = (place[0] - p[0], place[1] - p[1]);
        let square = dx * dx + dy * dy;
        let t = if square > 0.0 {
            ((ex * dx + ey * dy) / square).clamp(0.0, 1.0)
        } else {
            0.0
        };
        let (fx, fy) = (ex - t * dx, ey - t * dy);
        least = least.min(fx * fx + fy * fy);
    }
    least.sqrt()
}

/// Largest circle inside, by ever finer steps from `start` (a point inside near its centre): centre and radius.
#[must_use]
pub fn inscribed_circle(points: &[[f64; 2]], start: [f64; 2], first_step: f64) -> ([f64; 2], f64) {
    // Few points guide the search; all of them tell the radius.
    let all = points;
    let few: Vec<[f64; 2]> = points
        .iter()
        .copied()
        .step_by((points.len() / 120).max(1))
        .collect();
    let points = few.as_slice();
    let mut centre = start;
    let mut radius = distance_to(points, centre);
    let mut step = first_step;
    while step > first_step / 40.0 {
        let mut best = (centre, radius);
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
            let place = [centre[0] + step * dx, centre[1] + step * dy];
            let r = distance_to(points, place);
            if r > best.1 && contains(points, place) {
                best = (place, r);
            }
        }
        if best.1 > radius {
            (centre, radius) = best;
        } else {
            step /= 2.0;
        }
    }
    (centre, distance_to(all, centre))
}

/// Area shared with a disc, exact: for each edge the signed area of the triangle from the disc's centre, cut by the
/// disc.
#[must_use]
pub fn shared_with_disc(points: &[[f64; 2]], centre: [f64; 2], radius: f64) -> f64 {
    let rr = radius * radius;
    let sector = |p: [f64; 2], q: [f64; 2]| {
        0.5 * rr * libm::atan2(p[0] * q[1] - p[1] * q[0], p[0] * q[0] + p[1] * q[1])
    };
    let triangle = |p: [f64; 2], q: [f64; 2]| 0.5 * (p[0] * q[1] - p[1] * q[0]);
    let mut total = 0.0;
    for (p, q) in edges(points) {
        let p = [p[0] - centre[0], p[1] - centre[1]];
        let q = [q[0] - centre[0], q[1] - centre[1]];
        let d = [q[0] - p[0], q[1] - p[1]];
        let a = d[0] * d[0] + d[1] * d[1];
        if a <= 0.0 {
            continue;
        }
        let b = p[0] * d[0] + p[1] * d[1];
        let c = p[0] * p[0] + p[1] * p[1] - rr;
        let discriminant = b * b - a * c;
        if discriminant <= 0.0 {
            total += sector(p, q);
            continue;
        }
        let root = discriminant.sqrt();
        let (enter, leave) = ((-b - root) / a, (-b + root) / a);
        if leave <= 0.0 || enter >= 1.0 {
            total += sector(p, q);
            continue;
        }
        let at = |t: f64| [p[0] + t * d[0], p[1] + t * d[1]];
        let from = if enter > 0.0 { at(enter) } else { p };
        let to = if leave < 1.0 { at(leave) } else { q };
        if enter > 0.0 {
            total += sector(p, from);
        }
        total += triangle(from, to);
        if leave < 1.0 {
            total += sector(to, q);
        }
    }
    total.abs()
}

/// The outline with points left out that lie within `tolerance` of the line through their neighbours (Douglas and
/// Peucker 1973).
#[must_use]
pub fn simplified(points: &[[f64; 2]], tolerance: f64) -> Vec<[f64; 2]> {
    if points.len() < 5 {
        return points.to_vec();
    }
    let far = points
        .iter()
        .enumerate()
        .max_by(|a, b| distance(*a.1, points[0]).total_cmp(&distance(*b.1, points[0])))
        .map_or(0, |(k, _)| k);
    let mut keep = vec![false; points.len() + 1];
    keep[0] = true;
    keep[far] = true;
    let at = |k: usize| points[k % points.len()];
    let mut spans = vec![(0, far), (far, points.len())];
    while let Some((from, to)) = spans.pop() {
        let (p, q) = (at(from), at(to));
        let length = distance(p, q).max(1e-12);
        let mut worst = (0, tolerance);
        for k in from + 1..to {
            let r = at(k);
            let away = ((q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])).abs() / length;
            if away > worst.1 {
                worst = (k, away);
            }
        }
        if worst.0 > 0 {
            keep[worst.0] = true;
            spans.push((from, worst.0));
            spans.push((worst.0, to));
        }
    }
    (0..points.len()).filter(|&k| keep[k]).map(at).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use core::f64::consts::PI;

    fn ellipse(a: f64, b: f64, n: usize) -> Vec<[f64; 2]> {
        (0..n)
            .map(|k| {
                let t = 2.0 * PI * k as f64 / n as f64;
                [5.0 + a * libm::cos(t), -3.0 + b * libm::sin(t)]
            })
            .collect()
    }

    #[test]
    fn moments_hull_and_circles_of_an_ellipse_are_the_closed_forms() {
        let points = ellipse(4.0, 2.0, 4000);
        let m = moments(&points).unwrap();
        assert!((m.area / (8.0 * PI) - 1.0).abs() < 1e-5);
        assert!((m.xx / 4.0 - 1.0).abs() < 1e-5 && (m.yy - 1.0).abs() < 1e-5 && m.xy.abs() < 1e-9);
        assert!(distance(m.centre, [5.0, -3.0]) < 1e-9);
        // Ramanujan's second approximation of the ellipse's circumference: 19.3768964411 for 4 and 2.
        assert!((perimeter(&points) - 19.376_896_441).abs() < 1e-4);
        assert_eq!(hull(&points).len(), 4000);
        let (centre, radius) = inscribed_circle(&points, [5.3, -2.8], 0.4);
        assert!((radius - 2.0).abs() < 2e-3 && distance(centre, [5.0, -3.0]) < 0.05);
        assert!((shared_with_disc(&points, [5.0, -3.0], 1.5) - PI * 2.25).abs() < 1e-9);
        assert!((shared_with_disc(&points, [5.0, -3.0], 9.0) - m.area).abs() < 1e-9);
    }

    #[test]
    fn a_bay_is_as_deep_as_it_was_cut() {
        let points = [[0.0, 0.0], [4.0, 0.0], [4.0, 4.0], [2.0, 2.5], [0.0, 4.0]];
        let hull = hull(&points);
        assert_eq!(hull.len(), 4);
        assert!((deepest_bay(&points, &hull) - 1.5).abs() < 1e-12);
        assert!(contains(&points, [2.0, 1.0]) && !contains(&points, [2.0, 3.5]));
        assert!((distance_to(&points, [2.0, 1.0]) - 1.0).abs() < 1e-12);
        assert_eq!(simplified(&points, 0.1).len(), 5);
    }
}
