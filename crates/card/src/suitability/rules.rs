//! The rules, one after another, heaviest kinds first.

use super::ledger::Ledger;
use crate::spot::SpotSettings;
use crate::spot::measure::Evidence;
use crate::spot::polygon;
use spotwright_domain::card::{ExtractionSite, SpotLimits, SpotReasonCode as Code};
use spotwright_domain::reason::Severity;

/// A step shorter than this is an island or an end of a scratch (mm).
const LEAST_LAYER_MM: f64 = 2.0;

pub(crate) fn apply(
    evidence: &Evidence,
    site: Option<&ExtractionSite>,
    limits: &SpotLimits,
    settings: &SpotSettings,
    ledger: &mut Ledger,
) {
    photograph(evidence, limits, ledger);
    used(evidence, limits, ledger);
    quantity(evidence, limits, settings, ledger);
    colour(evidence, limits, ledger);
    surroundings(evidence, limits, ledger);
    shape(evidence, limits, ledger);
    inside(evidence, limits, ledger);
    place(evidence, site, limits, ledger);
    explained(evidence, ledger);
}

/// Findings that explain others: a hole is no scratch as well.
const EXPLAINS: [(Code, &[Code]); 8] = [
    (
        Code::AlreadyUsed,
        &[
            Code::Layered,
            Code::Scratched,
            Code::RadialStep,
            Code::Uneven,
            Code::Clotted,
            Code::NotSoakedThrough,
            Code::Compressed,
        ],
    ),
    (
        Code::Contaminated,
        &[
            Code::Layered,
            Code::Scratched,
            Code::Clotted,
            Code::Uneven,
            Code::NotSoakedThrough,
            Code::Smeared,
        ],
    ),
    (
        Code::NotDry,
        &[
            Code::Scratched,
            Code::Layered,
            Code::Clotted,
            Code::Uneven,
            Code::NotSoakedThrough,
        ],
    ),
    (
        Code::Diluted,
        &[
            Code::TooPale,
            Code::RadialStep,
            Code::Layered,
            Code::NotSoakedThrough,
            Code::Compressed,
        ],
    ),
    (
        Code::MultipleDrops,
        &[Code::Smeared, Code::NotRound, Code::IrregularOutline],
    ),
    (
        Code::Smeared,
        &[
            Code::NotRound,
            Code::IrregularOutline,
            Code::Layered,
            Code::OutsideCircle,
        ],
    ),
    (
        Code::Scratched,
        &[
            Code::Layered,
            Code::Uneven,
            Code::RadialStep,
            Code::NotSoakedThrough,
        ],
    ),
    (
        Code::Layered,
        &[
            Code::RadialStep,
            Code::Uneven,
            Code::NotSoakedThrough,
            Code::Compressed,
        ],
    ),
];

/// What a heavier finding explains becomes a note beside it. The verdict stays: the explaining reason weighs at least as
/// much.
fn explained(evidence: &Evidence, ledger: &mut Ledger) {
    let joined = evidence.measures.neighbour_gap_mm.is_some_and(|gap| gap <= 0.0);
    let touching: (Code, &[Code]) = (
        Code::TouchesNeighbour,
        &[
            Code::Smeared,
            Code::NotRound,
            Code::IrregularOutline,
            Code::OutsideCircle,
            Code::MultipleDrops,
        ],
    );
    for (cause, effects) in joined.then_some(touching).into_iter().chain(EXPLAINS) {
        let Some(weight) = ledger
            .reasons
            .iter()
            .find(|r| r.code == cause)
            .map(|r| r.severity)
        else {
            continue;
        };
        for reason in &mut ledger.reasons {
            if effects.contains(&reason.code) && reason.severity <= weight && reason.severity > Severity::Note
            {
                reason.severity = Severity::Note;
                reason.text = format!("{} (Probably part of: {}.)", reason.text, cause.as_str());
            }
        }
    }
}

fn photograph(evidence: &Evidence, limits: &SpotLimits, ledger: &mut Ledger) {
    ledger.at_most(
        Code::Glare,
        "EV 2.3",
        ("unreadable_share_pct", "%"),
        evidence.measures.unreadable_share_pct,
        limits.review_unreadable_share_pct,
        limits.max_unreadable_share_pct,
        |m, l| format!("{m:.1} % of the spot is burnt out or out of the photograph ({l:.1} % allowed): photograph it again without glare."),
    );
    if evidence.cut_share > 0.02 {
        ledger.add(
            Code::CutByEdge,
            "EV 2.1",
            Severity::Reject,
            100.0 * evidence.cut_share,
            2.0,
            "%",
            "The spot runs over the edge of the card or of the photograph: its size is not known. Photograph it whole or use another."
                .into(),
        );
    }
}

fn used(evidence: &Evidence, limits: &SpotLimits, ledger: &mut Ledger) {
    let m = &evidence.measures;
    ledger.at_most(
        Code::AlreadyUsed,
        "EV 2.1 USED",
        ("hole_area_mm2", "mm2"),
        m.hole_area_mm2,
        limits.max_hole_area_mm2,
        limits.max_hole_area_mm2,
        |m, _| format!("There is a hole of {m:.1} mm² in the spot: something was already taken from it. Use another spot."),
    );
    // The rim of a washed-out spot is itself a circle of edges.
    if m.edge_width_mm > limits.review_edge_width_mm {
        return;
    }
    ledger.at_most(
        Code::AlreadyUsed,
        "EV 2.1 USED",
        ("ring_share", "1"),
        m.ring_share,
        limits.review_ring_share,
        limits.max_ring_share,
        |m, _| {
            format!(
                "{:.0} % of a circle of {:.1} mm shows inside the spot, like the mark of a clamp: it may have been extracted before.",
                100.0 * m,
                2.0 * evidence.ring.radius_mm
            )
        },
    );
}

fn quantity(evidence: &Evidence, limits: &SpotLimits, settings: &SpotSettings, ledger: &mut Ledger) {
    let m = &evidence.measures;
    let least = (settings.head_diameter_mm + limits.head_clearance_mm).max(limits.min_equivalent_diameter_mm);
    let side = match settings.side {
        spotwright_domain::card::CardSide::Front => "front",
        spotwright_domain::card::CardSide::Back => "back",
    };
    ledger.at_least(
        Code::QuantityInsufficient,
        "SPOT-01(1)",
        ("equivalent_diameter_mm", "mm"),
        m.equivalent_diameter_mm,
        least + limits.review_diameter_band_mm,
        least,
        |m, l| format!("The spot is {m:.2} mm wide on the {side}; {l:.2} mm are wanted for a head of {:.1} mm: too little blood. Use another spot.", settings.head_diameter_mm),
    );
    ledger.at_most(
        Code::Supersaturated,
        "SPOT-01(4)",
        ("equivalent_diameter_mm", "mm"),
        m.equivalent_diameter_mm,
        limits.max_equivalent_diameter_mm - limits.review_diameter_band_mm,
        limits.max_equivalent_diameter_mm,
        |m, l| format!("The spot is {m:.2} mm wide; above {l:.2} mm the paper holds more blood than the method was validated for. Use another spot."),
    );
    if let Some(filled) = m.filled_fraction {
        ledger.at_least(
            Code::CircleNotFilled,
            "SPOT-01(1)",
            ("filled_fraction", "1"),
            filled,
            limits.review_filled_fraction,
            0.0,
            |m, l| {
                format!(
                    "{:.0} % of the printed circle is filled ({:.0} % wanted).",
                    100.0 * m,
                    100.0 * l
                )
            },
        );
    }
}

fn colour(evidence: &Evidence, limits: &SpotLimits, ledger: &mut Ledger) {
    let m = &evidence.measures;
    let washed = m.edge_width_mm > limits.review_edge_width_mm
        || (m.halo_width_mm > limits.review_halo_width_mm && m.halo_share > 0.5);
    let green = m.density[1];
    let code = if washed { Code::Diluted } else { Code::TooPale };
    ledger.at_least(
        code,
        "SPOT-01(5)",
        ("density", "1"),
        green,
        limits.review_density,
        limits.min_density,
        |m, l| format!("Green density is {m:.2}; blood on this paper has {l:.2} or more: thinned or too little blood. Use another spot."),
    );
    ledger.at_most(
        Code::TooDark,
        "EV 2.1 HEAT, WET",
        ("density_red", "1"),
        m.density[0],
        limits.review_density_red,
        limits.max_density_red,
        |m, l| format!("Red density is {m:.2} (up to {l:.2} allowed): heated, wet or too much blood. Look at it and at how it was sent."),
    );
    // Hue needs density: a nearly blank place has none.
    if green > 0.15 {
        ledger.at_most(
            Code::Discoloured,
            "SPOT-01(5)",
            ("browning", "1"),
            m.browning,
            limits.review_browning,
            limits.max_browning,
            |m, l| format!("Red is absorbed {m:.2} times as much as green (up to {l:.2} for blood): brown, black or green, as after heat or long storage. Check age and transport."),
        );
    }
    ledger.at_most(
        Code::NotDry,
        "SPOT-01(3)",
        ("gloss_share_pct", "%"),
        m.gloss_share_pct,
        limits.review_gloss_share_pct,
        limits.max_gloss_share_pct,
        |m, l| format!("{m:.1} % of the spot mirrors the light ({l:.1} % allowed): not dry, or dried glossy. Let it dry and photograph it again; examine its neighbours in the bag."),
    );
    ledger.at_most(
        Code::Contaminated,
        "SPOT-01(5)",
        ("foreign_share_pct", "%"),
        m.foreign_share_pct,
        limits.review_foreign_share_pct,
        limits.max_foreign_share_pct,
        |m, l| format!("A colour that is not blood's covers {m:.1} % of the spot's area ({l:.1} % allowed): ink, disinfectant or the like. Use another spot."),
    );
}

fn surroundings(evidence: &Evidence, limits: &SpotLimits, ledger: &mut Ledger) {
    let m = &evidence.measures;
    let all_round = m.halo_share >= 0.5;
    // A stain all round is serum or wash; to one side it is a smear.
    if all_round {
        let dark_core = m.density[1] >= limits.review_density;
        let code = if dark_core { Code::SerumRing } else { Code::Diluted };
        let rule = if dark_core { "SPOT-01(6)" } else { "SPOT-01(5)" };
        ledger.at_most(
            code,
            rule,
            ("halo_width_mm", "mm"),
            m.halo_width_mm,
            limits.review_halo_width_mm,
            limits.max_halo_width_mm,
            |m, l| format!("A pale ring {m:.2} mm wide surrounds the spot ({l:.2} mm allowed): serum or water parted from the cells, so the core's area says nothing of the volume. Use another spot."),
        );
    } else {
        ledger.at_most(
            Code::Smeared,
            "EV 2.1 SMEAR",
            ("tail_mm", "mm"),
            m.tail_mm,
            limits.review_tail_mm,
            limits.max_tail_mm,
            |m, l| format!("A stain runs {m:.1} mm out of the spot to one side ({l:.1} mm allowed): smeared. Use another spot."),
        );
    }
    ledger.at_most(
        Code::Diluted,
        "SPOT-01(5)",
        ("edge_width_mm", "mm"),
        m.edge_width_mm,
        limits.review_edge_width_mm,
        limits.max_edge_width_mm,
        |m, l| format!("The edge fades over {m:.2} mm ({l:.2} mm allowed): washed out by water, alcohol or tissue fluid. Use another spot."),
    );
    if let Some(gap) = m.neighbour_gap_mm {
        ledger.at_least(
            Code::TouchesNeighbour,
            "SPOT-01(4)",
            ("neighbour_gap_mm", "mm"),
            gap,
            limits.review_neighbour_gap_mm,
            limits.min_neighbour_gap_mm,
            |m, l| format!("Only {m:.2} mm of paper to the next spot ({l:.1} mm wanted): blood of one may be in the other."),
        );
    }
}

fn shape(evidence: &Evidence, limits: &SpotLimits, ledger: &mut Ledger) {
    let m = &evidence.measures;
    let drops = m.lobes + evidence.companions;
    if drops > 1 {
        ledger.add(
            Code::MultipleDrops,
            "SPOT-01(7)",
            Severity::Reject,
            f64::from(drops),
            1.0,
            "1",
            format!("{drops} drops lie side by side or run together: unevenly filled. Use another spot."),
        );
    }
    let several = |severity_bay: bool| {
        if severity_bay {
            Code::MultipleDrops
        } else {
            Code::IrregularOutline
        }
    };
    ledger.at_most(
        several(drops > 1),
        "EV 2.1 MULTI",
        ("bay_depth_mm", "mm"),
        m.bay_depth_mm,
        limits.review_bay_depth_mm,
        limits.max_bay_depth_mm,
        |m, l| format!("The outline has a bay {m:.2} mm deep ({l:.2} mm allowed): drops run together, or a notch. Look at it."),
    );
    ledger.at_least(
        several(drops > 1),
        "EV 2.3",
        ("solidity", "1"),
        m.solidity,
        limits.review_solidity,
        limits.min_solidity,
        |m, l| format!("Solidity is {m:.3} ({l:.2} wanted): the outline has bays. Look at it."),
    );
    ledger.at_most(
        Code::Smeared,
        "EV 2.1 SMEAR",
        ("extension", "1"),
        m.extension,
        limits.review_extension,
        limits.max_extension,
        |m, l| format!("The outline reaches {m:.2} times as far as the widest circle inside it ({l:.2} allowed): drawn out, smeared. Use another spot."),
    );
    // A second drop to one side tilts density too; there it is told as a layer.
    let layered = m.layer_step_pct > limits.max_layer_step_pct && m.layer_length_mm >= LEAST_LAYER_MM;
    ledger.at_most(
        if layered { Code::Uneven } else { Code::Smeared },
        "EV 2.1 SMEAR",
        ("gradient_pct", "%"),
        m.gradient_pct,
        limits.review_gradient_pct,
        limits.max_gradient_pct,
        |m, l| format!("Density changes by {m:.0} % from one side to the other ({l:.0} % allowed): smeared or drained to one side. Use another spot."),
    );
    ledger.at_least(
        Code::NotRound,
        "EV 2.3",
        ("circularity", "1"),
        m.circularity,
        limits.review_circularity,
        limits.min_circularity,
        |m, l| format!("Circularity is {m:.3} ({l:.2} wanted). Look at it."),
    );
    ledger.at_least(
        Code::NotRound,
        "EV 2.3",
        ("aspect", "1"),
        m.aspect,
        limits.review_aspect,
        limits.min_aspect,
        |m, l| format!("The shorter axis is {m:.2} of the longer ({l:.2} wanted). Look at it."),
    );
}

fn inside(evidence: &Evidence, limits: &SpotLimits, ledger: &mut Ledger) {
    let m = &evidence.measures;
    if m.layer_length_mm >= LEAST_LAYER_MM {
        ledger.at_most(
            Code::Layered,
            "SPOT-01(7)",
            ("layer_step_pct", "%"),
            m.layer_step_pct,
            limits.review_layer_step_pct,
            limits.max_layer_step_pct,
            |m, l| format!("A second contour inside: density steps by {m:.0} % along a line ({l:.0} % allowed), as where drops were laid over one another. Use another spot."),
        );
    }
    if m.scratch_length_mm >= 1.5 {
        ledger.at_most(
            Code::Scratched,
            "SPOT-01(2)",
            ("scratch_depth_pct", "%"),
            m.scratch_depth_pct,
            limits.review_scratch_depth_pct,
            limits.max_scratch_depth_pct,
            |m, l| format!("A thin line {m:.0} % paler than its surroundings ({l:.0} % allowed): scratched, blood is lost. Use another spot."),
        );
    }
    ledger.at_most(
        Code::Clotted,
        "SPOT-01(7)",
        ("clot_share_pct", "%"),
        m.clot_share_pct,
        limits.review_clot_share_pct,
        limits.max_clot_share_pct,
        |m, l| {
            format!("Dark islands cover {m:.1} % of the spot ({l:.1} % allowed): clotted. Use another spot.")
        },
    );
    // Blood that stayed on the surface lies on some fibres and not on others.
    if evidence.grain_pct > 9.0 && m.clot_share_pct < limits.max_clot_share_pct {
        let (severity, limit) = if evidence.grain_pct > 14.0 {
            (Severity::Reject, 14.0)
        } else {
            (Severity::Comment, 9.0)
        };
        ledger.add(
            Code::NotSoakedThrough,
            "SPOT-01(9), common practice",
            severity,
            evidence.grain_pct,
            limit,
            "%",
            format!(
                "Density scatters by {:.0} % from fibre to fibre (2 to 5 % are usual): the blood may have stayed on the surface. \
                 Look at the back of the card.",
                evidence.grain_pct
            ),
        );
    }
    // A flat, paler flange round a darker body, with an edge of its own: pressed while wet.
    if m.edge_excess_pct < -15.0 && m.edge_width_mm < limits.review_edge_width_mm && m.radial_step_pct > 8.0 {
        let (severity, limit) = if m.edge_excess_pct < -30.0 {
            (Severity::Reject, 30.0)
        } else {
            (Severity::Comment, 15.0)
        };
        ledger.add(
            Code::Compressed,
            "EV 2.1 COMPRESS, common practice",
            severity,
            -m.edge_excess_pct,
            limit,
            "%",
            format!(
                "The outer ring is {:.0} % paler than the body but ends sharply: pressed while wet, blood was lost sideways. Use \
                 another spot.",
                -m.edge_excess_pct
            ),
        );
    }
    ledger.at_most(
        Code::RadialStep,
        "EV 2.3",
        ("radial_step_pct", "%"),
        m.radial_step_pct,
        limits.review_radial_step_pct,
        limits.max_radial_step_pct,
        |m, l| format!("Density steps by {m:.0} % from one ring to the next ({l:.0} % allowed): layered, or parted serum. Look at it."),
    );
    ledger.at_most(
        Code::Uneven,
        "EV 2.3",
        ("inner_cv_pct", "%"),
        m.inner_cv_pct,
        limits.review_inner_cv_pct,
        limits.max_inner_cv_pct,
        |m, l| format!("Density scatters by {m:.1} % inside ({l:.1} % allowed): the disc would not be representative. Use another spot."),
    );
}

fn place(evidence: &Evidence, site: Option<&ExtractionSite>, limits: &SpotLimits, ledger: &mut Ledger) {
    let m = &evidence.measures;
    if let Some(outside) = m.outside_fraction {
        ledger.at_most(
            Code::OutsideCircle,
            "EV 2.1 OFFSET",
            ("outside_fraction", "1"),
            outside,
            limits.review_outside_fraction,
            limits.max_outside_fraction,
            |m, l| format!("{:.0} % of the spot lies beyond its printed circle ({:.0} % allowed): the clamp may miss it.", 100.0 * m, 100.0 * l),
        );
    }
    let Some(site) = site else {
        return;
    };
    ledger.at_least(
        Code::SiteMarginSmall,
        "EV 2.3",
        ("site_margin_mm", "mm"),
        site.margin_mm,
        limits.review_site_margin_mm,
        limits.min_site_margin_mm,
        |m, l| format!("The disc's rim comes to {m:.2} mm of the end of the even zone ({l:.2} mm wanted): an offset takes bare paper or rim. Place it with care or use another spot."),
    );
    if !evidence.satellites_mm.is_empty() {
        let rim = site.head_diameter_mm / 2.0;
        let nearest = evidence
            .satellites_mm
            .iter()
            .map(|s| polygon::distance(*s, site.centre_mm) - rim)
            .fold(f64::INFINITY, f64::min);
        let severity = if nearest < limits.min_satellite_gap_mm {
            Severity::Comment
        } else {
            Severity::Note
        };
        ledger.add(
            Code::Satellites,
            "EV 2.1 SAT",
            severity,
            nearest,
            limits.min_satellite_gap_mm,
            "mm",
            format!("{} droplet(s) beside the spot, the nearest {nearest:.1} mm from the disc's rim: harmless beyond {:.1} mm.", evidence.satellites_mm.len(), limits.min_satellite_gap_mm),
        );
    }
}
