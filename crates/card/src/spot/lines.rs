//! Lines inside a spot: steps of density (drops laid over one another) and thin pale lines (scratches).
//!
//! Both look along short straight pieces in every direction. The long side of a piece averages paper fibre away; the
//! places on either side of it tell a step from a slope (the natural rise towards the edge) and from a thin line.

use super::zone::Zone;

/// What lines were found.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Lines {
    /// Size of the strongest (% of density).
    pub(crate) strongest_pct: f64,
    /// Over which length (mm).
    pub(crate) length_mm: f64,
}

/// Half the length of a piece (mm).
const HALF_LENGTH_MM: f64 = 1.0;
/// The strongest that counts is this one in order of strength: single cells do not make a line.
const RANK: usize = 6;

/// Steps of density along a line or a gentle arc of 2 mm.
pub(crate) fn steps(zone: &Zone) -> Lines {
    let coarse = Coarse::of(zone);
    let per_mm = 1.0 / coarse.cell_mm;
    let half = libm::round(HALF_LENGTH_MM * per_mm) as i32;
    let margin = (0.75_f64).min(0.3 * zone.deepest_mm) as f32;
    let mut found: Vec<f32> = vec![0.0; coarse.value.len()];
    let mut means = vec![f32::NAN; coarse.value.len()];
    for turn in 0..8 {
        let angle = core::f64::consts::PI * f64::from(turn) / 8.0;
        let (tx, ty) = (libm::cos(angle), libm::sin(angle));
        let along: Vec<(i32, i32)> = (-half..=half)
            .map(|k| (round(f64::from(k) * tx), round(f64::from(k) * ty)))
            .collect();
        for y in 0..coarse.height {
            for x in 0..coarse.width {
                let k = y * coarse.width + x;
                means[k] = if coarse.value[k] < 0.0 {
                    -1.0
                } else {
                    coarse.mean(x, y, &along).unwrap_or(-1.0)
                };
            }
        }
        let across = |mm: f64| (round(-ty * mm * per_mm), round(tx * mm * per_mm));
        let places = [across(-1.0), across(-0.34), across(0.34), across(1.0)];
        for y in 0..coarse.height {
            for x in 0..coarse.width {
                let k = y * coarse.width + x;
                if coarse.depth[k] < margin {
                    continue;
                }
                let mut line = [0.0_f32; 4];
                let complete = places.iter().zip(&mut line).all(|((dx, dy), slot)| {
                    let at = coarse.index(x as i32 + dx, y as i32 + dy);
                    *slot = at.map_or(-1.0, |at| means[at]);
                    *slot > 0.0
                });
                if !complete {
                    continue;
                }
                let [a2, a, b, b2] = line;
                let slope = 0.5 * ((b2 - b).abs() + (a - a2).abs());
                let up = b.min(b2) - a.max(a2) - slope;
                let down = a.min(a2) - b.max(b2) - slope;
                let step = up.max(down) / (0.25 * (a + b + a2 + b2));
                found[k] = found[k].max(step);
            }
        }
    }
    summary(&found, coarse.cell_mm, 0.67, 0.06)
}

/// Thin pale lines of 2 mm.
pub(crate) fn scratches(zone: &Zone) -> Lines {
    let (width, height) = (zone.width as i32, zone.height as i32);
    let per_mm = 1.0 / zone.cell_mm;
    let half = libm::round(HALF_LENGTH_MM * per_mm) as i32;
    let around = libm::round(0.5 * per_mm).max(1.0) as usize;
    let mut found = vec![0.0_f32; zone.depth.len()];
    let turns: Vec<_> = (0..12)
        .map(|turn| {
            let angle = core::f64::consts::PI * f64::from(turn) / 12.0;
            let (tx, ty) = (libm::cos(angle), libm::sin(angle));
            let along: Vec<(i32, i32)> = (-half..=half)
                .map(|k| (round(f64::from(k) * tx), round(f64::from(k) * ty)))
                .collect();
            let across = |mm: f64| (round(-ty * mm * per_mm), round(tx * mm * per_mm));
            (along, [across(0.5), across(0.8)])
        })
        .collect();
    let mean = |x: i32, y: i32, along: &[(i32, i32)]| {
        let (mut sum, mut n) = (0.0_f32, 0_usize);
        for (dx, dy) in along {
            let (cx, cy) = (x + dx, y + dy);
            if cx >= 0 && cy >= 0 && cx < width && cy < height {
                let k = (cy * width + cx) as usize;
                if zone.inside[k] && zone.depth[k] > 0.2 {
                    sum += zone.density[k];
                    n += 1;
                }
            }
        }
        (4 * n >= 3 * along.len()).then(|| sum / n as f32)
    };
    for (k, found) in found.iter_mut().enumerate() {
        if !zone.inside[k] || zone.depth[k] < 0.4 {
            continue;
        }
        let level = zone.mean_around(k, around);
        if zone.density[k] > 0.94 * level {
            continue;
        }
        let (x, y) = ((k % zone.width) as i32, (k / zone.width) as i32);
        for (along, across) in &turns {
            let Some(line) = mean(x, y, along) else { continue };
            // A single pale cell is no line: what is left of it along 2 mm is below every limit.
            if line > 0.95 * level {
                continue;
            }
            for (dx, dy) in across {
                let (Some(left), Some(right)) = (mean(x + dx, y + dy, along), mean(x - dx, y - dy, along))
                else {
                    continue;
                };
                let beside = left.min(right);
                *found = found.max((beside - line) / beside.max(0.05));
            }
        }
    }
    summary(&found, zone.cell_mm, 0.3, 0.07)
}

/// Strongest response and the length over which at least half of it stands.
fn summary(found: &[f32], cell_mm: f64, thickness_mm: f64, floor: f32) -> Lines {
    let mut strong: Vec<f32> = found.iter().copied().filter(|v| *v > 0.01).collect();
    if strong.len() < RANK {
        return Lines::default();
    }
    strong.sort_unstable_by(|a, b| b.total_cmp(a));
    let strongest = strong[RANK - 1];
    let enough = floor.max(0.5 * strongest);
    let cells = strong.iter().take_while(|v| **v >= enough).count();
    Lines {
        strongest_pct: 100.0 * f64::from(strongest),
        length_mm: cells as f64 * cell_mm * cell_mm / thickness_mm,
    }
}

fn round(x: f64) -> i32 {
    libm::round(x) as i32
}

/// Density at half the zone's resolution.
struct Coarse {
    width: usize,
    height: usize,
    cell_mm: f64,
    value: Vec<f32>,
    depth: Vec<f32>,
}

impl Coarse {
    fn of(zone: &Zone) -> Self {
        let (width, height) = (zone.width / 2, zone.height / 2);
        let mut coarse = Self {
            width,
            height,
            cell_mm: 2.0 * zone.cell_mm,
            value: vec![-1.0; width * height],
            depth: vec![0.0; width * height],
        };
        for y in 0..height {
            for x in 0..width {
                let first = 2 * y * zone.width + 2 * x;
                let four = [first, first + 1, first + zone.width, first + zone.width + 1];
                let read = four
                    .iter()
                    .filter(|&&k| zone.inside[k] && zone.depth[k] > 0.25)
                    .count();
                if read == 4 {
                    coarse.value[y * width + x] = 0.25 * four.iter().map(|&k| zone.density[k]).sum::<f32>();
                    coarse.depth[y * width + x] = 0.25 * four.iter().map(|&k| zone.depth[k]).sum::<f32>();
                }
            }
        }
        coarse
    }

    fn index(&self, x: i32, y: i32) -> Option<usize> {
        (x >= 0 && y >= 0 && (x as usize) < self.width && (y as usize) < self.height)
            .then(|| y as usize * self.width + x as usize)
    }

    fn mean(&self, x: usize, y: usize, along: &[(i32, i32)]) -> Option<f32> {
        let (mut sum, mut n) = (0.0_f32, 0_usize);
        for (dx, dy) in along {
            if let Some(k) = self.index(x as i32 + dx, y as i32 + dy)
                && self.value[k] >= 0.0
            {
                sum += self.value[k];
                n += 1;
            }
        }
        (4 * n >= 3 * along.len()).then(|| sum / n as f32)
    }
}
