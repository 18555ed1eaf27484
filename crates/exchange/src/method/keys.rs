//! The keys of a method file, table by table: what is read, and what the schema is held against.

/// A key of a table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct MethodKey {
    /// Its name.
    pub name: &'static str,
    /// Whether it must be there.
    pub needed: bool,
}

/// A table with fixed keys.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct MethodTable {
    /// Dotted path; empty for the file's top.
    pub path: &'static str,
    /// Its keys.
    pub keys: &'static [MethodKey],
}

const fn needed(name: &'static str) -> MethodKey {
    MethodKey { name, needed: true }
}

const fn optional(name: &'static str) -> MethodKey {
    MethodKey { name, needed: false }
}

pub(super) const TOP: MethodTable = MethodTable {
    path: "",
    keys: &[
        needed("method"),
        optional("validated"),
        optional("extraction"),
        optional("integration"),
        optional("limits"),
        optional("spot"),
        optional("photo"),
        needed("internal_standard"),
        needed("analyte"),
    ],
};

pub(super) const METHOD: MethodTable = MethodTable {
    path: "method",
    keys: &[
        needed("id"),
        needed("version"),
        needed("title"),
        needed("matrix"),
        needed("internal_standard_addition"),
        optional("approved_by"),
        optional("approved_on"),
    ],
};

pub(super) const VALIDATED: MethodTable = MethodTable {
    path: "validated",
    keys: &[
        optional("haematocrit_min"),
        optional("haematocrit_max"),
        optional("card_age_max_d"),
    ],
};

pub(super) const EXTRACTION: MethodTable = MethodTable {
    path: "extraction",
    keys: &[needed("head_diameter_mm")],
};

pub(super) const INTERNAL_STANDARD: MethodTable = MethodTable {
    path: "internal_standard",
    keys: &[
        needed("name"),
        needed("precursor_mz"),
        needed("product_mz"),
        needed("polarity"),
        needed("retention_time_min"),
    ],
};

pub(super) const ANALYTE: MethodTable = MethodTable {
    path: "analyte",
    keys: &[
        needed("name"),
        needed("unit"),
        optional("molar_mass_g_per_mol"),
        needed("internal_standard"),
        needed("retention_time_min"),
        optional("retention_tolerance_min"),
        needed("within_run_cv_pct"),
        optional("dilution_factors"),
        needed("quantifier"),
        optional("qualifier"),
        needed("calibration"),
        needed("calibrators"),
        needed("controls"),
        optional("conversion"),
        optional("target"),
        optional("interpretation"),
    ],
};

pub(super) const QUANTIFIER: MethodTable = MethodTable {
    path: "analyte.quantifier",
    keys: &[needed("precursor_mz"), needed("product_mz"), needed("polarity")],
};

pub(super) const QUALIFIER: MethodTable = MethodTable {
    path: "analyte.qualifier",
    keys: &[
        needed("precursor_mz"),
        needed("product_mz"),
        needed("polarity"),
        optional("ratio_tolerance_pct"),
    ],
};

pub(super) const CALIBRATION: MethodTable = MethodTable {
    path: "analyte.calibration",
    keys: &[needed("model"), needed("weighting")],
};

pub(super) const CONVERSION: MethodTable = MethodTable {
    path: "analyte.conversion",
    keys: &[
        needed("id"),
        needed("version"),
        needed("matrix"),
        needed("form"),
        optional("unit"),
        optional("partition_ratio"),
        optional("partition_ratio_sd"),
        optional("red_cell_over_unbound"),
        optional("red_cell_over_unbound_sd"),
        optional("fraction_unbound"),
        optional("fraction_unbound_sd"),
        optional("fraction_bound"),
        optional("fraction_bound_sd"),
        optional("direction"),
        optional("input"),
        optional("slope"),
        optional("slope_se"),
        optional("intercept"),
        optional("intercept_se"),
        optional("slope_intercept_covariance"),
        optional("residual_sd"),
        optional("residual_cv_pct"),
        optional("ratio_seen"),
        optional("concentration_min"),
        optional("concentration_max"),
        optional("haematocrit_min"),
        optional("haematocrit_max"),
        optional("haematocrit_outside"),
        optional("haematocrit_unknown"),
        optional("default_haematocrit"),
        optional("default_haematocrit_sd"),
        optional("clinic_haematocrit_sd"),
        optional("spot_haematocrit"),
        optional("standardised_haematocrit"),
        optional("device"),
        optional("paper"),
        optional("disc_mm"),
        optional("population"),
        optional("study_n"),
        needed("source"),
        optional("approved_by"),
        optional("haematocrit_effect"),
        optional("volume"),
        optional("site"),
        optional("recovery"),
        optional("stability"),
    ],
};

pub(super) const EFFECT: MethodTable = MethodTable {
    path: "analyte.conversion.haematocrit_effect",
    keys: &[
        needed("effect"),
        optional("area_slope"),
        optional("reference_haematocrit"),
        optional("at_zero"),
        optional("per_unit"),
        optional("slope_se"),
    ],
};

pub(super) const VOLUME: MethodTable = MethodTable {
    path: "analyte.conversion.volume",
    keys: &[
        needed("slope"),
        optional("slope_se"),
        needed("reference_ul"),
        needed("volume_min_ul"),
        needed("volume_max_ul"),
        needed("unknown_cv_pct"),
    ],
};

pub(super) const SITE: MethodTable = MethodTable {
    path: "analyte.conversion.site",
    keys: &[
        needed("edge_excess"),
        optional("edge_excess_se"),
        needed("largest_radius_fraction"),
        needed("unknown_cv_pct"),
    ],
};

pub(super) const RECOVERY: MethodTable = MethodTable {
    path: "analyte.conversion.recovery",
    keys: &[
        optional("per_haematocrit"),
        optional("per_haematocrit_se"),
        needed("reference_haematocrit"),
        optional("per_day"),
        optional("per_day_se"),
    ],
};

pub(super) const STABILITY: MethodTable = MethodTable {
    path: "analyte.conversion.stability",
    keys: &[
        optional("loss_per_day"),
        optional("loss_per_day_se"),
        needed("validated_age_d"),
        needed("beyond"),
    ],
};

pub(super) const TARGET: MethodTable = MethodTable {
    path: "analyte.target",
    keys: &[
        needed("quantity"),
        optional("low"),
        optional("high"),
        optional("toxic_above"),
        needed("unit"),
        needed("matrix"),
        needed("sampling_time"),
        needed("indication"),
        needed("source"),
    ],
};

pub(super) const INTERPRETATION: MethodTable = MethodTable {
    path: "analyte.interpretation",
    keys: &[needed("model")],
};

/// Every table with fixed keys. The keys of `integration` and of the groups of `limits` are the fields of the
/// types of the same name; those of `analyte.calibrators` and `analyte.controls` are level names.
pub const METHOD_TABLES: [MethodTable; 17] = [
    TOP,
    METHOD,
    VALIDATED,
    EXTRACTION,
    INTERNAL_STANDARD,
    ANALYTE,
    QUANTIFIER,
    QUALIFIER,
    CALIBRATION,
    CONVERSION,
    EFFECT,
    VOLUME,
    SITE,
    RECOVERY,
    STABILITY,
    TARGET,
    INTERPRETATION,
];
