//! How many drops an outline is made of: places deep below it that stand apart.

use super::zone::Zone;

/// Counts peaks of depth whose pass to a deeper peak lies at least 12 % (and 0.15 mm) below them.
pub(crate) fn lobes(zone: &Zone) -> u32 {
    let floor = (0.35 * zone.deepest_mm) as f32;
    let mut order: Vec<u32> = (0..zone.depth.len() as u32)
        .filter(|&k| zone.depth[k as usize] > floor)
        .collect();
    order.sort_unstable_by(|&a, &b| {
        zone.depth[b as usize]
            .total_cmp(&zone.depth[a as usize])
            .then(a.cmp(&b))
    });
    const NONE: u32 = u32::MAX;
    let mut parent = vec![NONE; zone.depth.len()];
    fn root(parent: &mut [u32], mut k: u32) -> u32 {
        while parent[k as usize] != k {
            parent[k as usize] = parent[parent[k as usize] as usize];
            k = parent[k as usize];
        }
        k
    }
    let mut lobes = 1;
    for &k in &order {
        parent[k as usize] = k;
        let (x, y) = (k as usize % zone.width, k as usize / zone.width);
        for ny in y.saturating_sub(1)..=(y + 1).min(zone.height - 1) {
            for nx in x.saturating_sub(1)..=(x + 1).min(zone.width - 1) {
                let other = ny * zone.width + nx;
                if parent[other] == NONE {
                    continue;
                }
                let (a, b) = (root(&mut parent, k), root(&mut parent, other as u32));
                if a == b {
                    continue;
                }
                // A root is the deepest cell of its part.
                let (low, high) = if zone.depth[a as usize] < zone.depth[b as usize] {
                    (a, b)
                } else {
                    (b, a)
                };
                let peak = zone.depth[low as usize];
                let pass = zone.depth[k as usize];
                if peak - pass > (0.12 * peak).max(0.15) {
                    lobes += 1;
                }
                parent[low as usize] = high;
            }
        }
    }
    lobes
}
