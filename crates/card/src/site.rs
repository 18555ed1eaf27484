//! Where the extraction head goes: its disc wholly inside the uniform zone, as near to the spot's middle as that allows.
//!
//! The middle is the centre of the largest inscribed circle, not the centroid, which lies wrong (or outside) for a
//! comma-shaped spot (EV-16).

use crate::spot::grid::Grid;
use crate::spot::measure::{Evidence, window_cell};
use crate::spot::polygon;
use crate::spot::zone::Zone;
use spotwright_domain::card::{ExtractionSite, SpotLimits};

/// Why there is no site.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum NoSite {
    /// The spot is too small or too narrow: room between the largest disc's rim and the outline, negative (mm).
    TooNarrow(f64),
    /// The disc fits, but every place holds part of a hole, a scratch, a clot or a foreign colour.
    NoUniformZone,
}

/// The best site.
pub(crate) fn choose(
    evidence: &Evidence,
    grid: &Grid,
    head_diameter_mm: f64,
    limits: &SpotLimits,
) -> Result<ExtractionSite, NoSite> {
    let m = &evidence.measures;
    let radius = head_diameter_mm / 2.0;
    let room = m.inscribed_diameter_mm / 2.0 - radius;
    if room < 0.0 {
        return Err(NoSite::TooNarrow(room));
    }
    let zone = &evidence.zone;
    let defects = defects(zone);
    let middle = window_cell(grid, zone, m.inscribed_centre_mm);
    let (centre_mm, nearest_defect) = if let Some(clear) = clearance(&defects, middle, zone.cell_mm, radius) {
        (m.inscribed_centre_mm, clear)
    } else {
        // Elsewhere in the zone the disc fits: the nearest place free of defects, with the wanted margin if there is one.
        let wanted = room.min(limits.review_site_margin_mm);
        let place = [wanted, room.min(limits.min_site_margin_mm), 0.0]
            .into_iter()
            .find_map(|margin| nearest_free(zone, &defects, middle, radius, margin))
            .ok_or(NoSite::NoUniformZone)?;
        let k = place[1] as usize * zone.width + place[0] as usize;
        let clear = clearance(&defects, place, zone.cell_mm, radius).ok_or(NoSite::NoUniformZone)?;
        (zone.mm(grid, k), clear)
    };
    let to_outline = polygon::distance_to(&evidence.outline_mm, centre_mm) - radius;
    let u_mm = (m.u_centre_mm * m.u_centre_mm + evidence.u_edge_mm * evidence.u_edge_mm).sqrt();
    Ok(ExtractionSite {
        centre_mm,
        u_mm,
        head_diameter_mm,
        margin_mm: to_outline.min(nearest_defect),
        u_margin_mm: (u_mm * u_mm + evidence.u_edge_mm * evidence.u_edge_mm).sqrt(),
    })
}

/// Cells (columns, rows of the window) a disc should not hold: density of 0.5 mm around away from that of 3 mm around by
/// more than a quarter.
fn defects(zone: &Zone) -> Vec<[f64; 2]> {
    let reach = libm::round(1.5 / zone.cell_mm).max(3.0) as usize;
    let mut cells = Vec::new();
    for k in 0..zone.depth.len() {
        if zone.depth[k] <= 0.3 || zone.printed[k] {
            continue;
        }
        let near = zone.mean_around(k, 1);
        let even = zone.inside[k]
            && near > 0.55
            && (near / zone.mean_around(k, reach).max(0.05) - 1.0).abs() <= 0.25;
        if !even {
            cells.push([(k % zone.width) as f64, (k / zone.width) as f64]);
        }
    }
    cells
}

/// Room between a disc's rim and the nearest defect (mm); `None` when one lies inside.
fn clearance(defects: &[[f64; 2]], centre: [f64; 2], cell_mm: f64, radius_mm: f64) -> Option<f64> {
    let least = defects
        .iter()
        .map(|d| {
            let (dx, dy) = (d[0] - centre[0], d[1] - centre[1]);
            dx * dx + dy * dy
        })
        .fold(f64::INFINITY, f64::min)
        .sqrt()
        * cell_mm;
    (least >= radius_mm).then_some(least - radius_mm)
}

fn nearest_free(
    zone: &Zone,
    defects: &[[f64; 2]],
    middle: [f64; 2],
    radius: f64,
    margin: f64,
) -> Option<[f64; 2]> {
    let mut best: Option<(f64, [f64; 2])> = None;
    for (k, &depth) in zone.depth.iter().enumerate() {
        if f64::from(depth) < radius + margin {
            continue;
        }
        let place = [(k % zone.width) as f64, (k / zone.width) as f64];
        let away = polygon::distance(place, middle);
        if best.is_none_or(|(b, _)| away < b) && clearance(defects, place, zone.cell_mm, radius).is_some() {
            best = Some((away, place));
        }
    }
    best.map(|(_, place)| place)
}
