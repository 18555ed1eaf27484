//! Building reasons: one plain sentence, numbers to three significant figures.

use spotwright_domain::reason::{Reason, ReasonCode, Severity};

/// A reason. A measured value that is not finite is left out.
pub(crate) fn reason(
    code: ReasonCode,
    rule: &str,
    severity: Severity,
    numbers: Numbers<'_>,
    text: String,
) -> Reason {
    Reason {
        code,
        rule: rule.to_owned(),
        severity,
        measured: numbers.measured.filter(|v| v.is_finite()),
        limit: numbers.limit.filter(|v| v.is_finite()),
        unit: numbers.unit.to_owned(),
        text,
    }
}

/// The numbers beside a reason.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Numbers<'a> {
    measured: Option<f64>,
    limit: Option<f64>,
    unit: &'a str,
}

/// A measured value against a limit.
pub(crate) fn against(measured: f64, limit: f64, unit: &str) -> Numbers<'_> {
    Numbers {
        measured: Some(measured),
        limit: Some(limit),
        unit,
    }
}

/// A measured value that is unknown, against a limit.
pub(crate) fn unknown_against(limit: f64, unit: &str) -> Numbers<'_> {
    Numbers {
        measured: None,
        limit: Some(limit),
        unit,
    }
}

/// A measured value without a limit.
pub(crate) fn measured(value: f64, unit: &str) -> Numbers<'_> {
    Numbers {
        measured: Some(value),
        limit: None,
        unit,
    }
}

/// No numbers.
pub(crate) const NO_NUMBERS: Numbers<'static> = Numbers {
    measured: None,
    limit: None,
    unit: "1",
};

/// A number to three significant figures, without an exponent where it stays readable.
pub(crate) fn figures(value: f64) -> String {
    if !value.is_finite() {
        return "unknown".to_owned();
    }
    let size = value.abs();
    if size <= 0.0 {
        return "0".to_owned();
    }
    if !(1e-4..1e7).contains(&size) {
        return format!("{value:.2e}");
    }
    let exponent = libm::floor(libm::log10(size)) as i32;
    if exponent >= 2 {
        let unit = libm::pow(10.0, f64::from(exponent - 2));
        return format!("{:.0}", libm::round(value / unit) * unit);
    }
    format!("{:.*}", (2 - exponent) as usize, value)
}

/// A stated number (limit, count, factor): whole ones without decimals, others to three significant figures.
pub(crate) fn stated(value: f64) -> String {
    if value.is_finite() && value.abs() < 1e9 && (value - libm::round(value)).abs() <= 0.0 {
        format!("{value:.0}")
    } else {
        figures(value)
    }
}

/// A signed percentage, for sentences: `+12.3 %`.
pub(crate) fn signed_pct(value: f64) -> String {
    format!(
        "{}{} %",
        if value < 0.0 { "−" } else { "+" },
        figures(value.abs())
    )
}

/// `1 control`, `3 controls`.
pub(crate) fn count(n: usize, one: &str, many: &str) -> String {
    format!("{n} {}", if n == 1 { one } else { many })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_have_three_figures() {
        assert_eq!(figures(12_345.0), "12300");
        assert_eq!(figures(123.4), "123");
        assert_eq!(figures(0.012_34), "0.0123");
        assert_eq!(figures(5.0), "5.00");
        assert_eq!(figures(0.0), "0");
        assert_eq!(figures(2.5e-9), "2.50e-9");
        assert_eq!(figures(f64::NAN), "unknown");
        assert_eq!((stated(6.0), stated(2.5)), ("6".to_owned(), "2.50".to_owned()));
        assert_eq!(signed_pct(-17.0), "−17.0 %");
    }
}
