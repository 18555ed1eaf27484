//! The tables of a day (`docs/formats.md`). Identifiers and words hold no comma, so fields are written as they are.

use spotwright_domain::injection::Injection;
use spotwright_domain::request::{Dose, Request};
use std::io::{self, Write};

pub(crate) const INJECTIONS_HEADER: &str = "run,order,method,trace_file,role,level,card,spot,dilution_factor,\
rack_position,injected_at,repeat_of,repeat_reason";
pub(crate) const REQUESTS_HEADER: &str = "card,subject,analytes,collected_at,last_dose_at,received_at,\
haematocrit_l_per_l,weight_kg,age_y,creatinine_umol_per_l,sex,comment";
pub(crate) const DOSES_HEADER: &str = "subject,drug,amount,unit,route,given_at,interval_h,until,infusion_min";

pub(crate) fn write_injection(out: &mut impl Write, method: &str, of: &Injection) -> io::Result<()> {
    writeln!(
        out,
        "{},{},{method},{},{},{},{},{},{},{},{},{},{}",
        of.run,
        of.order,
        of.trace_file,
        of.role.as_str(),
        text(of.level.as_ref()),
        text(of.card.as_ref()),
        text(of.spot),
        of.dilution_factor,
        text(of.rack_position.as_ref()),
        text(of.injected_at.as_ref()),
        text(of.repeat_of.as_ref()),
        text(of.repeat_reason.as_ref()),
    )
}

pub(crate) fn write_request(out: &mut impl Write, of: &Request) -> io::Result<()> {
    let analytes: Vec<&str> = of.analytes.iter().map(|name| name.as_str()).collect();
    writeln!(
        out,
        "{},{},{},{},{},{},{},{},{},{},{},{}",
        of.card,
        of.subject,
        analytes.join("+"),
        text(of.collected_at.as_ref()),
        text(of.last_dose_at.as_ref()),
        text(of.received_at.as_ref()),
        text(of.haematocrit),
        text(of.weight_kg),
        text(of.age_y),
        text(of.creatinine_umol_per_l),
        text(of.sex.as_ref()),
        text(of.comment.as_ref()),
    )
}

pub(crate) fn write_dose(out: &mut impl Write, of: &Dose) -> io::Result<()> {
    writeln!(
        out,
        "{},{},{},{},{},{},{},{},{}",
        of.subject,
        of.drug,
        of.amount,
        of.unit,
        of.route,
        of.given_at,
        text(of.interval_h),
        text(of.until.as_ref()),
        text(of.infusion_min),
    )
}

fn text(value: Option<impl std::fmt::Display>) -> String {
    value.map_or_else(String::new, |value| value.to_string())
}
