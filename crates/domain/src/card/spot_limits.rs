//! What is allowed of a spot. Every limit is the method's to set; the defaults are the starting limits of EV §2.3 and,
//! where that names none, common practice, and every one needs local validation.

use serde::{Deserialize, Serialize};

/// A limit as a table shows it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SpotLimitRow {
    /// Name in files.
    pub name: &'static str,
    /// Value in force.
    pub value: f64,
    /// Default.
    pub default: f64,
    /// Unit.
    pub unit: &'static str,
    /// Rule the default comes from.
    pub rule: &'static str,
    /// What it limits.
    pub meaning: &'static str,
}

macro_rules! spot_limits {
    ($(#[doc = $doc:literal] $field:ident: $default:literal, $unit:literal, $rule:literal;)*) => {
        /// Limits on spots. `max_`/`min_`: beyond it the spot is unsuitable; `review_`: beyond it a comment.
        #[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
        #[serde(deny_unknown_fields, default)]
        pub struct SpotLimits {
            $(#[doc = $doc] pub $field: f64,)*
        }

        impl Default for SpotLimits {
            fn default() -> Self {
                Self { $($field: $default,)* }
            }
        }

        impl SpotLimits {
            /// Every limit, in a fixed order.
            #[must_use]
            pub fn rows(&self) -> Vec<SpotLimitRow> {
                vec![$(SpotLimitRow {
                    name: stringify!($field),
                    value: self.$field,
                    default: $default,
                    unit: $unit,
                    rule: $rule,
                    meaning: $doc.trim_ascii(),
                },)*]
            }
        }
    };
}

spot_limits! {
    /// Room the spot's diameter leaves beyond the extraction head's.
    head_clearance_mm: 2.0, "mm", "EV 2.3";
    /// Smallest equivalent diameter whatever the head.
    min_equivalent_diameter_mm: 6.0, "mm", "SPOT-01(1)";
    /// Largest equivalent diameter.
    max_equivalent_diameter_mm: 14.0, "mm", "SPOT-01(4)";
    /// Width of the band inside either diameter limit that is worth a comment.
    review_diameter_band_mm: 0.5, "mm", "EV 2.3";
    /// Smallest circularity.
    min_circularity: 0.75, "1", "EV 2.3";
    /// Circularity below which a comment is due.
    review_circularity: 0.85, "1", "EV 2.3";
    /// Smallest ratio of minor to major axis.
    min_aspect: 0.70, "1", "EV 2.3";
    /// Ratio of axes below which a comment is due.
    review_aspect: 0.80, "1", "EV 2.3";
    /// Smallest solidity.
    min_solidity: 0.90, "1", "EV 2.3";
    /// Solidity below which a comment is due.
    review_solidity: 0.95, "1", "EV 2.3";
    /// Greatest CV of density inside the disc.
    max_inner_cv_pct: 12.0, "%", "EV 2.3";
    /// CV of density inside the disc above which a comment is due.
    review_inner_cv_pct: 8.0, "%", "EV 2.3";
    /// Greatest step of the radial profile inside 80 % of the radius.
    max_radial_step_pct: 20.0, "%", "EV 2.3";
    /// Step of the radial profile above which a comment is due.
    review_radial_step_pct: 10.0, "%", "EV 2.3";
    /// Widest halo.
    max_halo_width_mm: 1.0, "mm", "EV 2.3, SPOT-01(6)";
    /// Halo width above which a comment is due.
    review_halo_width_mm: 0.5, "mm", "EV 2.3, SPOT-01(6)";
    /// Smallest ratio of the back's area to the front's.
    min_back_to_front: 0.70, "1", "EV 2.3, SPOT-01(9)";
    /// Ratio of areas below which a comment is due.
    review_back_to_front: 0.85, "1", "EV 2.3, SPOT-01(9)";
    /// Smallest margin between disc and end of the uniform zone.
    min_site_margin_mm: 0.25, "mm", "EV 2.3";
    /// Margin below which a comment is due.
    review_site_margin_mm: 0.5, "mm", "EV 2.3";
    /// Greatest extension: farthest outline point over inscribed radius.
    max_extension: 1.9, "1", "EV 2.1 SMEAR, common practice";
    /// Extension above which a comment is due.
    review_extension: 1.6, "1", "EV 2.1 SMEAR, common practice";
    /// Longest tail of stain beyond the outline.
    max_tail_mm: 2.0, "mm", "EV 2.1 SMEAR, common practice";
    /// Tail above which a comment is due.
    review_tail_mm: 1.0, "mm", "EV 2.1 SMEAR, common practice";
    /// Greatest change of density across the spot.
    max_gradient_pct: 45.0, "%", "EV 2.1 SMEAR, common practice";
    /// Change of density across the spot above which a comment is due.
    review_gradient_pct: 25.0, "%", "EV 2.1 SMEAR, common practice";
    /// Greatest density step along a line or arc inside.
    max_layer_step_pct: 15.0, "%", "SPOT-01(7), common practice";
    /// Density step above which a comment is due.
    review_layer_step_pct: 10.0, "%", "SPOT-01(7), common practice";
    /// Deepest bay in the outline.
    max_bay_depth_mm: 1.0, "mm", "EV 2.1 MULTI, common practice";
    /// Bay above which a comment is due.
    review_bay_depth_mm: 0.6, "mm", "EV 2.1 MULTI, common practice";
    /// Greatest depth of a thin pale line.
    max_scratch_depth_pct: 20.0, "%", "SPOT-01(2), common practice";
    /// Depth of a thin pale line above which a comment is due.
    review_scratch_depth_pct: 12.0, "%", "SPOT-01(2), common practice";
    /// Greatest share of dark islands.
    max_clot_share_pct: 4.0, "%", "SPOT-01(7), common practice";
    /// Share of dark islands above which a comment is due.
    review_clot_share_pct: 1.5, "%", "SPOT-01(7), common practice";
    /// Greatest share of mirror-like reflections.
    max_gloss_share_pct: 3.0, "%", "SPOT-01(3), common practice";
    /// Share of mirror-like reflections above which a comment is due.
    review_gloss_share_pct: 1.0, "%", "SPOT-01(3), common practice";
    /// Greatest share of foreign colour.
    max_foreign_share_pct: 3.0, "%", "SPOT-01(5), common practice";
    /// Share of foreign colour above which a comment is due.
    review_foreign_share_pct: 1.0, "%", "SPOT-01(5), common practice";
    /// Greatest browning: red over green density.
    max_browning: 0.92, "1", "SPOT-01(5), common practice";
    /// Browning above which a comment is due.
    review_browning: 0.85, "1", "SPOT-01(5), common practice";
    /// Smallest density in green.
    min_density: 0.35, "1", "EV 2.1 DILUTE, common practice";
    /// Density in green below which a comment is due.
    review_density: 0.50, "1", "EV 2.1 DILUTE, common practice";
    /// Greatest density in red.
    max_density_red: 1.6, "1", "EV 2.1 WET, HEAT, common practice";
    /// Density in red above which a comment is due.
    review_density_red: 1.3, "1", "EV 2.1 WET, HEAT, common practice";
    /// Widest edge of the spot.
    max_edge_width_mm: 0.8, "mm", "EV 2.1 DILUTE, common practice";
    /// Edge width above which a comment is due.
    review_edge_width_mm: 0.5, "mm", "EV 2.1 DILUTE, common practice";
    /// Greatest share of a clamp's or punch's circle seen as an edge.
    max_ring_share: 0.6, "1", "EV 2.1 USED, common practice";
    /// Share of a clamp's or punch's circle above which a comment is due.
    review_ring_share: 0.45, "1", "EV 2.1 USED, common practice";
    /// Greatest area of holes.
    max_hole_area_mm2: 0.5, "mm2", "EV 2.1 USED, common practice";
    /// Greatest share of the spot beyond its printed circle.
    max_outside_fraction: 0.40, "1", "EV 2.1 OFFSET, common practice";
    /// Share of the spot beyond its printed circle above which a comment is due.
    review_outside_fraction: 0.15, "1", "EV 2.1 OFFSET, common practice";
    /// Filled fraction of the printed circle below which a comment is due.
    review_filled_fraction: 0.20, "1", "SPOT-01(1), common practice";
    /// Least gap to the next spot.
    min_neighbour_gap_mm: 0.3, "mm", "SPOT-01(4), common practice";
    /// Gap to the next spot below which a comment is due.
    review_neighbour_gap_mm: 1.0, "mm", "SPOT-01(4), common practice";
    /// Distance of a satellite from the disc below which it is more than a note.
    min_satellite_gap_mm: 1.0, "mm", "EV 2.1 SAT";
    /// Greatest share of unreadable pixels in a spot.
    max_unreadable_share_pct: 10.0, "%", "EV 2.3 focus, clip";
    /// Share of unreadable pixels above which a comment is due.
    review_unreadable_share_pct: 2.0, "%", "EV 2.3 focus, clip";
    /// Share of the disc on bare paper above which the result cannot stand.
    max_disc_on_paper_pct: 5.0, "%", "EV-22, common practice";
    /// Share of the disc on bare paper above which a comment is due.
    review_disc_on_paper_pct: 1.0, "%", "EV-22, common practice";
    /// Offset of the disc from its plan above which a comment is due.
    review_site_offset_mm: 1.0, "mm", "PR-13";
    /// Stain beyond the clamp ring above which a comment is due.
    review_leak_mm: 1.0, "mm", "common practice";
    /// Lowest haematocrit the method is validated for.
    min_haematocrit: 0.20, "1", "DBS-02";
    /// Highest haematocrit the method is validated for.
    max_haematocrit: 0.60, "1", "DBS-02";
    /// Difference of two haematocrits, in standard uncertainties of it, above which they disagree.
    max_haematocrit_difference_in_u: 2.58, "1", "HCT-02, common practice";
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn defaults_are_the_published_starting_limits_and_unknown_names_are_refused() {
        // EV §2.3, table, "accept" and "review" columns.
        let limits = SpotLimits::default();
        for (name, review, limit) in [
            ("circularity", 0.85, 0.75),
            ("aspect", 0.80, 0.70),
            ("solidity", 0.95, 0.90),
            ("inner_cv_pct", 8.0, 12.0),
            ("radial_step_pct", 10.0, 20.0),
            ("halo_width_mm", 0.5, 1.0),
            ("site_margin_mm", 0.5, 0.25),
        ] {
            let value = |prefix: &str| {
                let wanted = format!("{prefix}{name}");
                limits
                    .rows()
                    .iter()
                    .find(|row| row.name == wanted)
                    .map(|row| row.value.to_bits())
            };
            assert_eq!(value("review_"), Some(f64::to_bits(review)), "{name}");
            assert_eq!(
                value("min_").or(value("max_")),
                Some(f64::to_bits(limit)),
                "{name}"
            );
        }
        assert!(
            limits
                .rows()
                .iter()
                .all(|row| row.value.to_bits() == row.default.to_bits())
        );
        let changed: SpotLimits = toml::from_str("min_solidity = 0.92").unwrap();
        assert_eq!(changed.min_solidity.to_bits(), 0.92_f64.to_bits());
        assert!(toml::from_str::<SpotLimits>("min_solidty = 0.92").is_err());
    }
}
