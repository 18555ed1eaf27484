//! A card's face, painted: print, code, blood, and what is true of each spot.

use super::barcode::Symbology;
use super::draw::CardPlan;
use super::extraction::{Disc, Taking, take_disc};
use super::fault::{Grade, SpotFault, Suitability};
use super::measure::{Field, Outlined};
use super::print::{PrintStyle, PrintedCode, print_card, print_code};
use super::scene::Scene;
use super::sheet::Sheet;
use super::texture::Textures;
use super::truth::{FaultSeverity, OutlineTruth, SpotTruth};
use crate::random::{Purpose, Stream};
use spotwright_domain::card::CardLayout;

/// Gap (mm) below which two spots are in contact.
const CONTACT_MM: f64 = 0.3;

/// A painted card.
pub(crate) struct Face {
    pub(crate) sheet: Sheet,
    pub(crate) white: [f32; 3],
    pub(crate) code: Option<PrintedCode>,
    /// Radius of the card's corners (mm).
    pub(crate) corner_radius_mm: f32,
    pub(crate) spots: Vec<SpotTruth>,
    fields: Vec<Option<Field>>,
}

/// What the barcode is to be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct CodeWish<'a> {
    /// What it says.
    pub(crate) text: &'a str,
    /// Whether it is damaged beyond reading.
    pub(crate) damaged: bool,
}

/// Paints a card on a grid of `per_mm` points a millimetre. The same plan gives the same face whatever `per_mm`, up to
/// the grid.
pub(crate) fn paint_face(
    seed: u64,
    plan: &CardPlan,
    layout: &CardLayout,
    wish: CodeWish<'_>,
    per_mm: f64,
    textures: &Textures,
) -> Face {
    let mut stream = Stream::new(seed, plan.number, Purpose::Card, 1);
    let yellow = stream.between(0.0, 0.05) as f32;
    let bright = stream.between(0.82, 0.90) as f32;
    let white = [bright, bright * (1.0 - 0.3 * yellow), bright * (1.0 - yellow)];
    let shift = [stream.between(0.0, 90.0) as f32, stream.between(0.0, 90.0) as f32];
    let roughness = stream.between(0.7, 1.4) as f32;
    let size_mm = [layout.width_mm, layout.height_mm];
    let mut sheet = Sheet::blank(size_mm, per_mm, white, roughness, shift, textures);
    let style = PrintStyle::random(&mut stream);
    print_card(&mut sheet, layout, &style, &mut stream);
    let code = layout.barcodes.first().and_then(|region| {
        // Bars need width; everywhere else a matrix.
        let kinds: &[Symbology] = if region.width_mm >= 24.0 {
            &[Symbology::Code128, Symbology::DataMatrix, Symbology::QrCode]
        } else {
            &[Symbology::DataMatrix, Symbology::QrCode]
        };
        let symbology = kinds[stream.below(kinds.len())];
        print_code(
            &mut sheet,
            region,
            wish.text,
            symbology,
            wish.damaged,
            &mut stream,
        )
    });
    let corner_radius_mm = [0.3, 1.5, 3.0][stream.below(3)];
    let mut spots = Vec::with_capacity(plan.spots.len());
    let mut fields = Vec::with_capacity(plan.spots.len());
    for (place, spot) in plan.spots.iter().enumerate() {
        let mut stream = Stream::new(seed, plan.number, Purpose::Card, 16 + place as u64);
        let scene = Scene::new(spot, size_mm, &mut stream);
        let field = scene.map(|scene| sheet.paint(&scene, textures));
        let outlined = field.as_ref().and_then(Field::outline);
        if spot.severity(SpotFault::AlreadyUsed).is_some() {
            let centre_mm = outlined.map_or(spot.circle_mm, |o| o.inscribed_centre_mm);
            let disc = Disc {
                centre_mm: [
                    centre_mm[0] + 0.3 * stream.normal(),
                    centre_mm[1] + 0.3 * stream.normal(),
                ],
                diameter_mm: [4.0, 6.0][stream.below(2)],
                taking: [Taking::Eluted, Taking::Punched][stream.below(2)],
                leak_mm: 0.0,
            };
            take_disc(&mut sheet, &disc, white, textures, &mut stream);
        }
        spots.push(truth_of(spot, outlined));
        fields.push(field);
    }
    note_contacts(&mut spots, &fields);
    Face {
        sheet,
        white,
        code,
        corner_radius_mm,
        spots,
        fields,
    }
}

impl Face {
    /// Share of a disc that lies on bare paper, of all spots together, by a grid of places.
    pub(crate) fn bare_share(&self, centre: [f64; 2], diameter: f64) -> f64 {
        let n = 120;
        let (mut bare, mut all) = (0u32, 0u32);
        for j in 0..n {
            for i in 0..n {
                let at = |k: i32| (f64::from(k) + 0.5) / f64::from(n) - 0.5;
                let (dx, dy) = (at(i) * diameter, at(j) * diameter);
                if dx * dx + dy * dy > diameter * diameter / 4.0 {
                    continue;
                }
                all += 1;
                let place = [centre[0] + dx, centre[1] + dy];
                if !self.fields.iter().flatten().any(|field| field.above(place)) {
                    bare += 1;
                }
            }
        }
        f64::from(bare) / f64::from(all)
    }
}

fn truth_of(plan: &super::scene::SpotPlan, outlined: Option<Outlined>) -> SpotTruth {
    let faults: Vec<FaultSeverity> = plan
        .faults
        .iter()
        .map(|planned| FaultSeverity {
            fault: planned.fault,
            severity: planned.severity,
            grade: Grade::of(planned.severity),
        })
        .collect();
    let mut expected = faults
        .iter()
        .map(|f| f.fault.expected(f.grade))
        .max()
        .unwrap_or(Suitability::Good);
    // Two faults that may pass alone do not pass together.
    if faults
        .iter()
        .filter(|f| f.fault.expected(f.grade) >= Suitability::Marginal)
        .count()
        > 1
    {
        expected = expected.max(Suitability::Bad);
    }
    SpotTruth {
        index: plan.index,
        circle_mm: plan.circle_mm,
        outline: outlined.map(|o| OutlineTruth {
            area_mm2: o.area_mm2,
            equivalent_diameter_mm: 2.0 * (o.area_mm2 / std::f64::consts::PI).sqrt(),
            centroid_mm: o.centroid_mm,
            inscribed_centre_mm: o.inscribed_centre_mm,
            inscribed_diameter_mm: o.inscribed_diameter_mm,
        }),
        measurable: outlined.is_some() && faults.iter().all(|f| f.fault.outline_is_measurable()),
        volume_ul: plan.volume_ul,
        haematocrit: plan.haematocrit,
        age_d: plan.age_d,
        volcano: plan.volcano,
        faults,
        touches_neighbour: false,
        expected,
    }
}

/// Spots in contact are bad, both of them, and have no outline of their own.
fn note_contacts(spots: &mut [SpotTruth], fields: &[Option<Field>]) {
    for first in 0..spots.len() {
        for second in 0..first {
            let (Some(a), Some(b)) = (&fields[first], &fields[second]) else {
                continue;
            };
            if a.gap_mm(b) < CONTACT_MM {
                for place in [first, second] {
                    spots[place].touches_neighbour = true;
                    spots[place].measurable = false;
                    spots[place].expected = spots[place].expected.max(Suitability::Bad);
                }
            }
        }
    }
}
