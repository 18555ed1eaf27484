//! Density from the middle to the edge, scatter and slope of it.

use super::zone::Zone;

const BINS: usize = 10;

/// Radial profile and what is read from it.
#[derive(Debug, Clone)]
pub(crate) struct Radial {
    /// Median density in ten rings, relative to the inner 60 %.
    pub(crate) profile: Vec<f64>,
    /// Largest step between neighbouring rings inside 80 % (%).
    pub(crate) step_pct: f64,
    /// Outer ring (80 to 90 %) above the inner zone (%).
    pub(crate) edge_excess_pct: f64,
}

pub(crate) fn radial(zone: &Zone) -> Radial {
    let mut rings: [Vec<f32>; BINS] = core::array::from_fn(|_| Vec::new());
    for k in 0..zone.depth.len() {
        if zone.inside[k] {
            let ring = ((zone.radius(k) * BINS as f32) as usize).min(BINS - 1);
            rings[ring].push(zone.density[k]);
        }
    }
    // The innermost rings hold few cells: they are pooled until they hold enough to have a median.
    let mut profile = Vec::with_capacity(BINS);
    let mut pool: Vec<f32> = Vec::new();
    let mut waiting = 0;
    for ring in &mut rings {
        pool.append(ring);
        waiting += 1;
        if pool.len() >= 30 {
            let median = f64::from(*super::blob::select(&mut pool, 0.5));
            profile.extend(core::iter::repeat_n(median, waiting));
            pool.clear();
            waiting = 0;
        }
    }
    let last = profile.last().copied().unwrap_or(1.0);
    profile.extend(core::iter::repeat_n(last, waiting));
    let step_pct = profile[..8]
        .windows(2)
        .map(|w| 100.0 * (w[1] - w[0]).abs())
        .fold(0.0, f64::max);
    Radial {
        edge_excess_pct: 100.0 * (profile[8] - 1.0),
        step_pct,
        profile,
    }
}

/// CV of density within `radius_mm` of a place given in window cells, the photograph's noise taken off (%).
pub(crate) fn scatter_pct(zone: &Zone, centre: [f64; 2], radius_mm: f64) -> f64 {
    let reach = (radius_mm / zone.cell_mm) as f32;
    let (mut n, mut sum, mut squares) = (0.0_f64, 0.0_f64, 0.0_f64);
    for row in super::field::clamp_range(
        centre[1] - f64::from(reach),
        centre[1] + f64::from(reach),
        zone.height,
    ) {
        for column in super::field::clamp_range(
            centre[0] - f64::from(reach),
            centre[0] + f64::from(reach),
            zone.width,
        ) {
            let k = row * zone.width + column;
            let (dx, dy) = (column as f32 - centre[0] as f32, row as f32 - centre[1] as f32);
            if zone.inside[k] && dx * dx + dy * dy <= reach * reach {
                let d = f64::from(zone.density[k]);
                n += 1.0;
                sum += d;
                squares += d * d;
            }
        }
    }
    if n < 10.0 {
        return 0.0;
    }
    let mean = sum / n;
    let variance = (squares / n - mean * mean).max(0.0) - f64::from(zone.noise * zone.noise);
    100.0 * variance.max(0.0).sqrt() / mean.max(0.05)
}

/// Change of density over one diameter along its steepest direction, from a plane fitted inside 80 % of the radius (%).
pub(crate) fn gradient_pct(zone: &Zone, diameter_mm: f64) -> f64 {
    let mut s = [0.0_f64; 9];
    for k in 0..zone.depth.len() {
        if !zone.inside[k] || zone.radius(k) > 0.8 {
            continue;
        }
        let (x, y, v) = (
            (k % zone.width) as f64,
            (k / zone.width) as f64,
            f64::from(zone.density[k]),
        );
        for (sum, term) in s
            .iter_mut()
            .zip([1.0, x, y, x * x, x * y, y * y, v, v * x, v * y])
        {
            *sum += term;
        }
    }
    if s[0] < 20.0 {
        return 0.0;
    }
    let (n, mx, my, mv) = (s[0], s[1] / s[0], s[2] / s[0], s[6] / s[0]);
    let (xx, xy, yy) = (s[3] / n - mx * mx, s[4] / n - mx * my, s[5] / n - my * my);
    let (xv, yv) = (s[7] / n - mx * mv, s[8] / n - my * mv);
    let det = xx * yy - xy * xy;
    if det <= 1e-9 {
        return 0.0;
    }
    let (bx, by) = ((xv * yy - yv * xy) / det, (yv * xx - xv * xy) / det);
    100.0 * (bx * bx + by * by).sqrt() * diameter_mm / zone.cell_mm / mv.max(0.05)
}
