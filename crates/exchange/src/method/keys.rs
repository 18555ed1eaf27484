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
        optional("integration"),
        optional("limits"),
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

/// Every table with fixed keys. The keys of `integration` and of the groups of `limits` are the fields of the
/// types of the same name; those of `analyte.calibrators` and `analyte.controls` are level names.
pub const METHOD_TABLES: [MethodTable; 8] = [
    TOP,
    METHOD,
    VALIDATED,
    INTERNAL_STANDARD,
    ANALYTE,
    QUANTIFIER,
    QUALIFIER,
    CALIBRATION,
];
