//! Building remarks and refusals.

use spotwright_domain::conversion::{ConversionCode, ConversionRemark, Fallback};

/// A remark with what would lift it. A number that is not finite is left out.
pub(super) fn remark(
    code: ConversionCode,
    rule: &str,
    found: Option<f64>,
    limit: Option<f64>,
    unit: &str,
    text: String,
) -> ConversionRemark {
    ConversionRemark {
        code,
        rule: rule.to_owned(),
        found: found.filter(|value| value.is_finite()),
        limit: limit.filter(|value| value.is_finite()),
        unit: unit.to_owned(),
        text,
        lift: code.lift().to_owned(),
    }
}

/// A remark without numbers.
pub(super) fn plain(code: ConversionCode, rule: &str, text: String) -> ConversionRemark {
    remark(code, rule, None, None, "1", text)
}

/// Why there is no converted value, and what may be reported instead.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Refusal {
    pub(super) fallback: Fallback,
    pub(super) remark: Box<ConversionRemark>,
}

pub(super) fn refuse(fallback: Fallback, remark: ConversionRemark) -> Refusal {
    Refusal {
        fallback,
        remark: Box::new(remark),
    }
}
