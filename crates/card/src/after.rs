//! Before and after extraction: where was the disc taken, of which spot, of which card, and how much of it was blood?

use crate::patch::Patch;
use crate::spot::blob::components;
use crate::spot::field::Field;
use crate::spot::grid::Grid;
use crate::spot::polygon;
use core::f64::consts::PI;
use spotwright_domain::card::{
    ExtractionRecord, SpotLimits, SpotReason, SpotReasonCode, SpotRecord, Suitability, TakenBy,
};
use spotwright_domain::reason::Severity;

/// One spot's place on both photographs, and what was measured on the first.
#[derive(Debug, Clone, Copy)]
pub struct SpotPair<'a> {
    /// The place before extraction.
    pub before: &'a Patch,
    /// The same place after extraction; both in the layout's millimetres.
    pub after: &'a Patch,
    /// The spot as measured before.
    pub spot: &'a SpotRecord,
}

/// Farthest the two photographs may lie apart after each was laid on the layout (mm).
const MOST_SHIFT_MM: f64 = 1.0;
/// Cells a millimetre at which places are compared.
const PER_MM: f64 = 6.0;
/// Loss of stain, of the spot's own, that counts as taken.
const TAKEN: f32 = 0.35;
/// Least share of the disc's area that must be taken for a disc to have been taken.
const LEAST_TAKEN: f64 = 0.25;
/// Agreement of areas below which a spot is another spot.
const LEAST_AGREEMENT: f64 = 0.80;

/// Compares a card before and after extraction. `pairs`: every measured spot of the card; `planned`: the spot that was to
/// be extracted.
#[must_use]
pub fn compare_after(
    pairs: &[SpotPair<'_>],
    planned: u32,
    head_diameter_mm: f64,
    limits: &SpotLimits,
) -> ExtractionRecord {
    let compared: Vec<(u32, Compared)> = pairs
        .iter()
        .filter_map(|pair| Some((pair.spot.index, compare(pair, head_diameter_mm)?)))
        .collect();
    let mut agreements: Vec<f64> = compared.iter().map(|(_, c)| c.agreement).collect();
    agreements.sort_by(f64::total_cmp);
    let agreement = agreements.get(agreements.len() / 2).copied().unwrap_or(0.0);
    let mut reasons = Vec::new();
    let other_card = !compared.is_empty() && agreement < LEAST_AGREEMENT;
    if other_card || compared.is_empty() {
        reasons.push(reason(
            SpotReasonCode::WrongCard,
            "EV-22",
            Severity::Reject,
            Some((100.0 * agreement, 100.0 * LEAST_AGREEMENT, "%")),
            if compared.is_empty() {
                "No spot could be compared with the photograph before extraction: photograph the card again.".to_owned()
            } else {
                format!(
                    "The spots after extraction cover only {:.0} % of the same paper as before: this is another card. Check the \
                     rack: were cards shifted by one place?",
                    100.0 * agreement
                )
            },
        ));
    }
    let taken = compared
        .iter()
        .filter(|(_, c)| c.disc.is_some())
        .max_by(|a, b| a.1.taken_share.total_cmp(&b.1.taken_share));
    let mut record = ExtractionRecord {
        planned_spot: planned,
        taken_spot: taken.map(|(index, _)| *index),
        taken_by: None,
        site_mm: None,
        u_site_mm: None,
        offset_mm: None,
        bare_paper_pct: None,
        u_bare_paper_pct: None,
        leak_mm: None,
        agreement,
        suitability: Suitability::Suitable,
        reasons: vec![],
    };
    if let Some((index, found)) = taken
        && let Some(disc) = found.disc
        && !other_card
    {
        let pair = pairs.iter().find(|p| p.spot.index == *index);
        fill(&mut record, disc, pair.map(|p| p.spot), head_diameter_mm);
        if *index != planned {
            reasons.push(reason(
                SpotReasonCode::WrongSpot,
                "EV-22",
                Severity::Reject,
                None,
                format!("Spot {index} was extracted, spot {planned} was planned: the result belongs to spot {index}. Judge that spot."),
            ));
        }
        judge(&record, limits, &mut reasons);
    } else if !other_card && !compared.is_empty() {
        reasons.push(reason(
            SpotReasonCode::NotExtracted,
            "EV-22",
            Severity::Reject,
            None,
            format!("No disc is missing from spot {planned} or any other: nothing was extracted, or this is the photograph from before."),
        ));
    }
    reasons.sort_by(|a, b| b.severity.cmp(&a.severity).then(a.code.cmp(&b.code)));
    record.suitability = match reasons.first().map(|r| r.severity) {
        Some(Severity::Reject) => Suitability::Unsuitable,
        Some(Severity::Comment) => Suitability::SuitableWithComment,
        _ => Suitability::Suitable,
    };
    record.reasons = reasons;
    record
}

fn fill(record: &mut ExtractionRecord, disc: Disc, spot: Option<&SpotRecord>, head_diameter_mm: f64) {
    record.taken_by = Some(disc.by);
    record.site_mm = Some(disc.centre_mm);
    record.u_site_mm = Some(disc.u_mm);
    record.leak_mm = Some(disc.leak_mm);
    let Some(spot) = spot else { return };
    if spot.index == record.planned_spot {
        record.offset_mm = spot
            .site
            .map(|site| polygon::distance(site.centre_mm, disc.centre_mm));
    }
    let radius = head_diameter_mm / 2.0;
    let bare = |centre| bare_paper_share(&spot.outline_mm, centre, radius);
    let here = bare(disc.centre_mm);
    // Central differences over one standard uncertainty each way.
    let [x, y] = disc.centre_mm;
    let dx = 0.5 * (bare([x + disc.u_mm, y]) - bare([x - disc.u_mm, y]));
    let dy = 0.5 * (bare([x, y + disc.u_mm]) - bare([x, y - disc.u_mm]));
    record.bare_paper_pct = Some(100.0 * here);
    record.u_bare_paper_pct = Some(100.0 * (dx * dx + dy * dy).sqrt());
}

/// Share of a disc that lies outside an outline (0 to 1), exact for the polygon: EV-22's lens geometry for any shape.
#[must_use]
pub fn bare_paper_share(outline_mm: &[[f64; 2]], centre_mm: [f64; 2], radius_mm: f64) -> f64 {
    let disc = PI * radius_mm * radius_mm;
    let bare = 1.0 - polygon::shared_with_disc(outline_mm, centre_mm, radius_mm) / disc;
    // Rounding leaves a disc wholly inside at ±1e-16.
    if bare < 1e-9 { 0.0 } else { bare.min(1.0) }
}

fn judge(record: &ExtractionRecord, limits: &SpotLimits, reasons: &mut Vec<SpotReason>) {
    if let Some(bare) = record.bare_paper_pct
        && bare > limits.review_disc_on_paper_pct
    {
        let beyond = bare > limits.max_disc_on_paper_pct;
        reasons.push(reason(
            SpotReasonCode::DiscOnPaper,
            "EV-22",
            if beyond { Severity::Reject } else { Severity::Comment },
            Some((bare, if beyond { limits.max_disc_on_paper_pct } else { limits.review_disc_on_paper_pct }, "%")),
            format!("{bare:.1} % of the disc lay on bare paper: the result may read low by up to as much. Extract another spot."),
        ));
    }
    if let Some(offset) = record.offset_mm
        && offset > limits.review_site_offset_mm
    {
        reasons.push(reason(
            SpotReasonCode::ExtractionOffSite,
            "PR-13",
            Severity::Comment,
            Some((offset, limits.review_site_offset_mm, "mm")),
            format!("The disc was taken {offset:.2} mm from its plan: check the alignment of head and card."),
        ));
    }
    if let Some(leak) = record.leak_mm
        && leak > limits.review_leak_mm
    {
        reasons.push(reason(
            SpotReasonCode::Leak,
            "EV-22",
            Severity::Comment,
            Some((leak, limits.review_leak_mm, "mm")),
            format!("Solvent went {leak:.1} mm beyond the clamp: extract was lost or blood beyond the disc was taken. Check the clamp."),
        ));
    }
}

fn reason(
    code: SpotReasonCode,
    rule: &str,
    severity: Severity,
    numbers: Option<(f64, f64, &str)>,
    text: String,
) -> SpotReason {
    SpotReason {
        code,
        rule: rule.to_owned(),
        severity,
        measured: numbers.map(|n| n.0),
        limit: numbers.map(|n| n.1),
        unit: numbers.map_or("1", |n| n.2).to_owned(),
        beyond: numbers.map(|n| (n.0 - n.1).abs()),
        text,
    }
}

#[derive(Debug, Clone, Copy)]
struct Disc {
    centre_mm: [f64; 2],
    u_mm: f64,
    leak_mm: f64,
    by: TakenBy,
}

struct Compared {
    agreement: f64,
    taken_share: f64,
    disc: Option<Disc>,
}

/// A rectangle of both photographs on one lattice.
struct Lattice {
    width: usize,
    height: usize,
    origin_mm: [f64; 2],
}

impl Lattice {
    fn mm(&self, k: usize) -> [f64; 2] {
        [
            self.origin_mm[0] + (k % self.width) as f64 / PER_MM,
            self.origin_mm[1] + (k / self.width) as f64 / PER_MM,
        ]
    }
}

fn compare(pair: &SpotPair<'_>, head_diameter_mm: f64) -> Option<Compared> {
    let outline = &pair.spot.outline_mm;
    if outline.len() < 8 {
        return None;
    }
    let margin = MOST_SHIFT_MM + 1.0;
    let bounds = outline.iter().fold(
        [f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY],
        |b, p| [b[0].min(p[0]), b[1].min(p[1]), b[2].max(p[0]), b[3].max(p[1])],
    );
    let lattice = Lattice {
        width: ((bounds[2] - bounds[0] + 2.0 * margin) * PER_MM) as usize + 1,
        height: ((bounds[3] - bounds[1] + 2.0 * margin) * PER_MM) as usize + 1,
        origin_mm: [bounds[0] - margin, bounds[1] - margin],
    };
    let (grid_before, grid_after) = (Grid::of(pair.before), Grid::of(pair.after));
    let field_before = Field::of(pair.before, &grid_before, None);
    let field_after = Field::of(pair.after, &grid_after, None);
    let cells = lattice.width * lattice.height;
    let before: Vec<f32> = (0..cells)
        .map(|k| sample(&grid_before, &field_before.mix, lattice.mm(k)))
        .collect();
    let blood: Vec<bool> = (0..cells)
        .map(|k| polygon::contains(outline, lattice.mm(k)))
        .collect();
    let shift = register(&lattice, &before, &blood, |place| {
        sample(&grid_after, &field_after.mix, place)
    });
    let moved = |k: usize| {
        let p = lattice.mm(k);
        [p[0] + shift[0], p[1] + shift[1]]
    };
    let after: Vec<f32> = (0..cells)
        .map(|k| sample(&grid_after, &field_after.mix, moved(k)))
        .collect();
    let red_before: Vec<f32> = (0..cells)
        .map(|k| sample(&grid_before, &grid_before.red, lattice.mm(k)))
        .collect();
    let red_after: Vec<f32> = (0..cells)
        .map(|k| sample(&grid_after, &grid_after.red, moved(k)))
        .collect();
    // How much of the stain is gone: 0 none, 1 all; a hole shows what lies behind it, lighter or darker.
    let gone: Vec<f32> = (0..cells)
        .map(|k| {
            if !blood[k] {
                return 0.0;
            }
            let lighter = (after[k] - before[k]) / (1.0 - before[k]).max(0.1);
            let lighter_red = (red_after[k] - red_before[k]) / (1.0 - red_before[k]).max(0.1);
            let darker_red = (red_before[k] - red_after[k]) / red_before[k].max(0.05);
            lighter
                .max(lighter_red)
                .max(if darker_red > 0.45 { darker_red } else { 0.0 })
                .clamp(0.0, 1.0)
        })
        .collect();
    let mask: Vec<bool> = gone.iter().map(|g| *g > TAKEN).collect();
    let largest = components(&mask, lattice.width, lattice.height)
        .into_iter()
        .max_by_key(Vec::len);
    let radius = head_diameter_mm / 2.0;
    let disc_cells = PI * radius * radius * PER_MM * PER_MM;
    let taken_cells = largest.as_ref().map_or(0, Vec::len) as f64;
    let taken_share = taken_cells / disc_cells;
    let disc = largest.filter(|_| taken_share >= LEAST_TAKEN).map(|region| {
        locate(
            &lattice,
            &gone,
            &blood,
            &region,
            radius,
            (&before, &after, &red_before, &red_after),
        )
    });
    // The same card: blood before is stain or a taken disc after, and paper before is paper after.
    let inside_disc =
        |k: usize| disc.is_some_and(|d: Disc| polygon::distance(lattice.mm(k), d.centre_mm) < radius + 0.5);
    let level = 0.5 * (1.0 + mean_under(&before, &blood));
    let (mut shared, mut united) = (0_usize, 0_usize);
    for k in 0..cells {
        let stained = after[k] < level;
        if inside_disc(k) {
            continue;
        }
        shared += usize::from(stained && blood[k]);
        united += usize::from(stained || blood[k]);
    }
    // A spot taken nearly whole leaves too little beside the disc to compare.
    let agreement = if (united as f64) < 4.0 * PER_MM * PER_MM {
        1.0
    } else {
        shared as f64 / united as f64
    };
    Some(Compared {
        agreement,
        taken_share,
        disc,
    })
}

/// Mean of the mix under the blood.
fn mean_under(before: &[f32], blood: &[bool]) -> f32 {
    let (mut sum, mut n) = (0.0_f32, 0_u32);
    for (value, blood) in before.iter().zip(blood) {
        if *blood {
            sum += value;
            n += 1;
        }
    }
    sum / n.max(1) as f32
}

/// Shift of the second photograph against the first (mm): least mean of differences capped at 0.25, so that the disc,
/// which differs anyway, does not pull.
fn register(lattice: &Lattice, before: &[f32], blood: &[bool], after: impl Fn([f64; 2]) -> f32) -> [f64; 2] {
    let cost = |shift: [f64; 2], stride: usize| {
        let mut sum = 0.0_f64;
        for k in (0..before.len()).step_by(stride) {
            let p = lattice.mm(k);
            let seen = after([p[0] + shift[0], p[1] + shift[1]]);
            // Where blood became lighter a disc may have been taken.
            let cap = if blood[k] && seen > before[k] { 0.10 } else { 0.25 };
            sum += f64::from((seen - before[k]).abs().min(cap));
        }
        sum
    };
    let mut best = ([0.0, 0.0], f64::INFINITY);
    let steps = (MOST_SHIFT_MM / 0.25) as i32;
    for j in -steps..=steps {
        for i in -steps..=steps {
            let shift = [f64::from(i) * 0.25, f64::from(j) * 0.25];
            let c = cost(shift, 7);
            if c < best.1 {
                best = (shift, c);
            }
        }
    }
    let mut centre = best.0;
    let mut least = cost(centre, 1);
    let mut step = 0.125;
    while step > 0.005 {
        let mut better = false;
        for [dx, dy] in [[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]] {
            let shift = [centre[0] + dx * step, centre[1] + dy * step];
            let c = cost(shift, 1);
            if c < least {
                (centre, least, better) = (shift, c, true);
            }
        }
        if !better {
            step /= 2.0;
        }
    }
    centre
}

type Pictures<'a> = (&'a [f32], &'a [f32], &'a [f32], &'a [f32]);

/// The disc of the head's radius that fits what is gone best: most of it inside, least of what stayed.
fn locate(
    lattice: &Lattice,
    gone: &[f32],
    blood: &[bool],
    region: &[u32],
    radius: f64,
    (before, after, red_before, red_after): Pictures<'_>,
) -> Disc {
    let n = region.len() as f64;
    let mut centre = region.iter().fold([0.0, 0.0], |sum, &k| {
        let p = lattice.mm(k as usize);
        [sum[0] + p[0] / n, sum[1] + p[1] / n]
    });
    let typical = region.iter().map(|&k| gone[k as usize]).sum::<f32>() / n as f32;
    let score = |c: [f64; 2]| {
        let mut sum = 0.0_f64;
        for k in 0..gone.len() {
            if !blood[k] {
                continue;
            }
            let p = lattice.mm(k);
            let away = radius - polygon::distance(p, c);
            // Share of the cell inside the disc.
            let inside = (0.5 + away * PER_MM).clamp(0.0, 1.0);
            sum += inside * (f64::from(gone[k] / typical).min(1.0) - 0.5);
        }
        sum
    };
    let mut best = score(centre);
    let mut step = 0.4;
    while step > 0.01 {
        let mut better = false;
        for [dx, dy] in [[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]] {
            let place = [centre[0] + dx * step, centre[1] + dy * step];
            let s = score(place);
            if s > best {
                (centre, best, better) = (place, s, true);
            }
        }
        if !better {
            step /= 2.0;
        }
    }
    let black = region
        .iter()
        .filter(|&&k| {
            let k = k as usize;
            red_after[k] < 0.5 * red_before[k] && after[k] < before[k] + 0.3
        })
        .count();
    let white = region
        .iter()
        .filter(|&&k| after[k as usize] > 0.97 && red_after[k as usize] > 0.97)
        .count();
    let by = if 2 * black > region.len() || 10 * white > 9 * region.len() {
        TakenBy::Punch
    } else {
        TakenBy::Elution
    };
    // Beyond the rim: what is gone and hangs together with the disc, save its ragged edge.
    let mut beyond: Vec<f64> = region
        .iter()
        .map(|&k| polygon::distance(lattice.mm(k as usize), centre) - radius)
        .filter(|away| *away > 0.4)
        .collect();
    beyond.sort_by(f64::total_cmp);
    let leak_mm = if beyond.len() as f64 > 0.3 * PER_MM * PER_MM {
        beyond[beyond.len() * 9 / 10]
    } else {
        0.0
    };
    Disc {
        centre_mm: centre,
        // The rim is known to about half a cell at each of its independent places.
        u_mm: 0.5 / PER_MM / (2.0 * PI * radius).sqrt().max(1.0) + 0.03,
        leak_mm,
        by,
    }
}

/// A grid's value at a place, between cells; paper beyond it.
fn sample(grid: &Grid, values: &[f32], place_mm: [f64; 2]) -> f32 {
    let [x, y] = grid.cell(place_mm);
    if x < 0.0 || y < 0.0 || x > (grid.width - 1) as f64 || y > (grid.height - 1) as f64 {
        return 1.0;
    }
    let (x0, y0) = (x as usize, y as usize);
    let (x1, y1) = ((x0 + 1).min(grid.width - 1), (y0 + 1).min(grid.height - 1));
    let (a, b) = ((x - x0 as f64) as f32, (y - y0 as f64) as f32);
    (values[y0 * grid.width + x0] * (1.0 - a) + values[y0 * grid.width + x1] * a) * (1.0 - b)
        + (values[y1 * grid.width + x0] * (1.0 - a) + values[y1 * grid.width + x1] * a) * b
}
