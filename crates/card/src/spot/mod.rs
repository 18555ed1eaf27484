//! Spots: found, outlined, measured, judged.
//!
//! ```text
//! patch ─► grid (6 cells/mm) ─► field (mix against paper, print out) ─► blobs ─► outline (sub-pixel, full scale)
//!                                                                              └► zone (depth, density) ─► measures
//! ```

pub(crate) mod blob;
pub(crate) mod circle_line;
pub(crate) mod field;
pub(crate) mod grid;
pub(crate) mod lines;
pub(crate) mod lobes;
pub(crate) mod marks;
pub(crate) mod measure;
pub(crate) mod outline;
pub mod polygon;
pub(crate) mod radial;
pub(crate) mod rays;
pub(crate) mod softness;
pub(crate) mod texture;
pub(crate) mod zone;

use crate::haematocrit::HaematocritKnowledge;
use crate::patch::Patch;
use crate::suitability;
use crate::volume::VolumeRelation;
use blob::Blob;
use field::Field;
use grid::Grid;
use measure::{Evidence, Surroundings, measure};
use spotwright_domain::card::{CardSide, PrintedCircle, SpotLimits, SpotRecord};

/// What the method and the request say that a photograph cannot.
#[derive(Debug, Clone, PartialEq)]
pub struct SpotSettings {
    /// Diameter of the extraction head's disc (mm; 4 to 6 are usual).
    pub head_diameter_mm: f64,
    /// Side photographed.
    pub side: CardSide,
    /// Area to volume.
    pub volume: VolumeRelation,
    /// What is known of the haematocrit.
    pub haematocrit: HaematocritKnowledge,
}

impl Default for SpotSettings {
    fn default() -> Self {
        Self {
            head_diameter_mm: 6.0,
            side: CardSide::Front,
            volume: VolumeRelation::published(),
            haematocrit: HaematocritKnowledge::default(),
        }
    }
}

/// Share of the largest drop's area from which another one is a second drop and no satellite.
const SECOND_DROP_SHARE: f64 = 0.08;

/// Finds, measures and judges the spot of a printed circle, or every spot of a card without circles in reading order.
///
/// With a circle exactly one record comes back, also for an empty place. `neighbours` are the card's other circles:
/// blood nearer to one of them is theirs. Use [`crate::suitability::judge_card`] on all spots of a card.
#[must_use]
pub fn measure_spots(
    patch: &Patch,
    circle: Option<&PrintedCircle>,
    neighbours: &[PrintedCircle],
    limits: &SpotLimits,
    settings: &SpotSettings,
) -> Vec<SpotRecord> {
    let expected = circle.map(|c| (c.number, c.centre_mm));
    if patch.width < 8
        || patch.height < 8
        || !(patch.pixels_per_mm.is_finite() && patch.pixels_per_mm > 0.5)
        || patch.reflectance.len() != patch.width * patch.height
        || patch.flags.len() != patch.width * patch.height
    {
        return expected
            .map(|place| {
                suitability::not_measurable(
                    place,
                    limits,
                    settings,
                    "the piece of the photograph is too small",
                )
            })
            .into_iter()
            .collect();
    }
    let grid = Grid::of(patch);
    let field = Field::of(patch, &grid, circle);
    let places = blob::find(&grid, &field);
    let scene = Scene {
        patch,
        grid,
        field,
        stained: places.stained,
    };
    match circle {
        Some(circle) => vec![scene.circle(circle, neighbours, places.blobs, places.small, limits, settings)],
        None => scene.all(places.blobs, places.small, limits, settings),
    }
}

struct Scene<'a> {
    patch: &'a Patch,
    grid: Grid,
    field: Field,
    stained: Vec<bool>,
}

impl Scene<'_> {
    fn area_mm2(&self, blob: &Blob) -> f64 {
        blob.cells.len() as f64 / (self.grid.cells_per_mm * self.grid.cells_per_mm)
    }

    fn mm(&self, blob: &Blob) -> [f64; 2] {
        self.grid.mm(blob.centre[0], blob.centre[1])
    }

    fn circle(
        &self,
        circle: &PrintedCircle,
        neighbours: &[PrintedCircle],
        blobs: Vec<Blob>,
        small: Vec<Blob>,
        limits: &SpotLimits,
        settings: &SpotSettings,
    ) -> SpotRecord {
        let cells = self.grid.width * self.grid.height;
        let mut others = vec![false; cells];
        let mut own: Vec<Blob> = Vec::new();
        let mut joined = false;
        let reach = circle.diameter_mm / 2.0 + 3.0;
        for blob in blobs {
            let (mine, theirs): (Vec<u32>, Vec<u32>) = blob
                .cells
                .iter()
                .partition(|&&at| nearest_is(self.place(at), circle, neighbours));
            // Blood over the middle line between two circles: shared when each circle really holds some of it.
            let (n, t) = (mine.len() as f64, theirs.len() as f64);
            if n == 0.0 || (t > 0.0 && n < 0.06 * t) {
                for &at in &blob.cells {
                    others[at as usize] = true;
                }
            } else if t > 0.06 * n {
                joined = true;
                for &at in &theirs {
                    others[at as usize] = true;
                }
                own.push(self.part(&blob, mine));
            } else if polygon::distance(self.mm(&blob), circle.centre_mm) < reach || neighbours.is_empty() {
                own.push(blob);
            } else {
                for &at in &blob.cells {
                    others[at as usize] = true;
                }
            }
        }
        let mut droplets: Vec<Blob> = small
            .into_iter()
            .filter(|s| {
                let place = self.mm(s);
                polygon::distance(place, circle.centre_mm) < reach
                    && nearest_is(place, circle, neighbours)
                    && self.is_droplet(s)
            })
            .collect();
        own.sort_by(|a, b| {
            b.cells
                .len()
                .cmp(&a.cells.len())
                .then(a.cells[0].cmp(&b.cells[0]))
        });
        if own.is_empty() {
            droplets.sort_by(|a, b| {
                b.cells
                    .len()
                    .cmp(&a.cells.len())
                    .then(a.cells[0].cmp(&b.cells[0]))
            });
            if droplets.first().is_some_and(|d| self.area_mm2(d) > 0.15) {
                own.push(droplets.remove(0));
            }
        }
        let place = (circle.number, circle.centre_mm);
        if own.is_empty() {
            return suitability::empty(place, limits, settings, self.unreadable_inside(circle));
        }
        let main = own.remove(0);
        let least = SECOND_DROP_SHARE * self.area_mm2(&main);
        let mut companions = 0;
        for blob in own {
            if self.area_mm2(&blob) >= least.max(1.0) {
                companions += 1;
                for &at in &blob.cells {
                    others[at as usize] = true;
                }
            } else {
                droplets.push(blob);
            }
        }
        let side: Option<Vec<bool>> = joined.then(|| {
            (0..cells as u32)
                .map(|at| nearest_is(self.place(at), circle, neighbours))
                .collect()
        });
        let around = Surroundings {
            others: &others,
            own_side: side.as_deref(),
            satellites: &droplets,
            companions,
            joined,
            stained: &self.stained,
        };
        match measure(self.patch, &self.grid, &self.field, &main, Some(circle), &around) {
            Some(evidence) => {
                suitability::judge_spot(place.0, Some(place.1), &self.grid, evidence, limits, settings)
            }
            None => suitability::not_measurable(place, limits, settings, "its outline cannot be followed"),
        }
    }

    fn all(
        &self,
        blobs: Vec<Blob>,
        small: Vec<Blob>,
        limits: &SpotLimits,
        settings: &SpotSettings,
    ) -> Vec<SpotRecord> {
        let cells = self.grid.width * self.grid.height;
        let largest = blobs.iter().map(|b| self.area_mm2(b)).fold(0.0, f64::max);
        let (spots, mut rest): (Vec<Blob>, Vec<Blob>) = blobs
            .into_iter()
            .partition(|b| self.area_mm2(b) >= (0.05 * largest).max(1.0));
        rest.extend(small.into_iter().filter(|s| self.is_droplet(s)));
        let mut owner = vec![u32::MAX; cells];
        for (index, spot) in spots.iter().enumerate() {
            for &at in &spot.cells {
                owner[at as usize] = index as u32;
            }
        }
        let mut found: Vec<Evidence> = Vec::new();
        for (index, spot) in spots.iter().enumerate() {
            let others: Vec<bool> = owner
                .iter()
                .map(|o| *o != u32::MAX && *o != index as u32)
                .collect();
            let radius = (self.area_mm2(spot) / core::f64::consts::PI).sqrt();
            let satellites: Vec<Blob> = rest
                .iter()
                .filter(|s| polygon::distance(self.mm(s), self.mm(spot)) < radius + 3.0)
                .cloned()
                .collect();
            let around = Surroundings {
                others: &others,
                own_side: None,
                satellites: &satellites,
                companions: 0,
                joined: false,
                stained: &self.stained,
            };
            found.extend(measure(self.patch, &self.grid, &self.field, spot, None, &around));
        }
        in_reading_order(&mut found);
        found
            .into_iter()
            .enumerate()
            .map(|(index, evidence)| {
                suitability::judge_spot(index as u32 + 1, None, &self.grid, evidence, limits, settings)
            })
            .collect()
    }

    fn place(&self, at: u32) -> [f64; 2] {
        let at = at as usize;
        self.grid
            .mm((at % self.grid.width) as f64, (at / self.grid.width) as f64)
    }

    /// Part of a blob, with extremes and centre of its own.
    fn part(&self, blob: &Blob, cells: Vec<u32>) -> Blob {
        blob::with_cells(blob, cells, self.grid.width)
    }

    /// Round enough and stained enough for a drop: not a stroke, not a speck of dirt.
    fn is_droplet(&self, blob: &Blob) -> bool {
        let area = self.area_mm2(blob);
        if area < 0.1 || blob.core > 0.88 {
            return false;
        }
        let x = |at: u32| (at as usize % self.grid.width) as f64;
        let y = |at: u32| (at as usize / self.grid.width) as f64;
        let (w, h) = (
            (x(blob.extremes[1]) - x(blob.extremes[0]) + 1.0) / self.grid.cells_per_mm,
            (y(blob.extremes[3]) - y(blob.extremes[2]) + 1.0) / self.grid.cells_per_mm,
        );
        w.max(h) < 2.2 * w.min(h) && area > 0.45 * w * h
    }

    fn unreadable_inside(&self, circle: &PrintedCircle) -> f64 {
        let (mut unreadable, mut all) = (0_usize, 0_usize);
        for (at, mark) in self.grid.mark.iter().enumerate() {
            if polygon::distance(self.place(at as u32), circle.centre_mm) < circle.diameter_mm / 2.0 {
                all += 1;
                unreadable += usize::from(mark & (grid::BURNT_OUT | grid::BEYOND) != 0);
            }
        }
        if all == 0 {
            100.0
        } else {
            100.0 * unreadable as f64 / all as f64
        }
    }
}

/// Whether a place is nearer to this circle than to any other.
fn nearest_is(place: [f64; 2], circle: &PrintedCircle, neighbours: &[PrintedCircle]) -> bool {
    let away = polygon::distance(place, circle.centre_mm);
    neighbours
        .iter()
        .filter(|n| n.number != circle.number)
        .all(|n| polygon::distance(place, n.centre_mm) >= away)
}

/// Rows from top to bottom, each from left to right. A spot opens a new row when it lies lower than half its own and the
/// row's height allow.
fn in_reading_order(found: &mut [Evidence]) {
    found.sort_by(|a, b| a.measures.centre_mm[1].total_cmp(&b.measures.centre_mm[1]));
    let mut row = 0;
    let mut rows = Vec::with_capacity(found.len());
    let (mut sum, mut n) = (0.0, 0.0);
    for spot in found.iter() {
        let m = &spot.measures;
        let y = m.centre_mm[1];
        if n > 0.0 && y - sum / n > 0.6 * m.equivalent_diameter_mm {
            row += 1;
            (sum, n) = (0.0, 0.0);
        }
        sum += y;
        n += 1.0;
        rows.push((row, m.centre_mm[0]));
    }
    let mut order: Vec<usize> = (0..found.len()).collect();
    order.sort_by(|&a, &b| rows[a].0.cmp(&rows[b].0).then(rows[a].1.total_cmp(&rows[b].1)));
    // Apply the order by cycles.
    let mut target: Vec<usize> = vec![0; found.len()];
    for (to, &from) in order.iter().enumerate() {
        target[from] = to;
    }
    for k in 0..target.len() {
        while target[k] != k {
            let to = target[k];
            found.swap(k, to);
            target.swap(k, to);
        }
    }
}
