//! What a clinic tells of its people beside the request: the facts a kinetic model asks for.

use crate::line::Card;
use crate::panel::Panel;
use std::io::{self, Write};

pub(crate) const COVARIATES_HEADER: &str = "subject,name,value,unit,from";

/// A fact of a person that holds throughout.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Fact {
    pub(crate) name: &'static str,
    pub(crate) value: f64,
    pub(crate) unit: &'static str,
}

/// One person in nine comes without these facts, as in life: what cannot be read without them is refused.
const FORGOTTEN_EVERY: u64 = 9;
/// Age below which a person of the panels is a newborn (years).
const NEWBORN_BELOW_Y: f64 = 0.1;

/// The facts of a card's person; `number` counts the cards of the day.
pub(crate) fn facts(panel: &Panel, card: &Card, number: u64) -> Vec<Fact> {
    if number % FORGOTTEN_EVERY == FORGOTTEN_EVERY - 1 {
        return Vec::new();
    }
    let fact = |name, value: f64, unit| Fact {
        name,
        value: (value * 1000.0).round() / 1000.0,
        unit,
    };
    let taken: Vec<&str> = panel
        .method
        .analytes
        .iter()
        .zip(&card.concentrations)
        .filter(|(_, concentration)| concentration.is_some())
        .map(|(analyte, _)| analyte.name.as_str())
        .collect();
    let mut facts = Vec::new();
    if card.age_y < NEWBORN_BELOW_Y {
        // Weight follows gestational age: about 1 kg at 28 weeks and 3.4 kg at term (common practice, no source).
        let ga_weeks = (28.0 + 5.0 * (card.weight_kg - 1.0)).clamp(24.0, 41.0);
        let pna_days = card.age_y * 365.25;
        facts.push(fact("ga", ga_weeks, "wk"));
        facts.push(fact("pna", pna_days, "d"));
        facts.push(fact("pma", ga_weeks + pna_days / 7.0, "wk"));
        facts.push(fact("birth_weight", (card.weight_kg * 0.98).max(0.5), "kg"));
        for name in ["dopamine", "ibuprofen"] {
            facts.push(fact(name, 0.0, "1"));
        }
        return facts;
    }
    let height_cm = if card.sex == "male" { 174.0 } else { 162.0 };
    let height_cm = if card.age_y < 18.0 {
        height_cm - 6.0 * (18.0 - card.age_y)
    } else {
        height_cm
    };
    // Mosteller, N Engl J Med 1987;317:1098: the root of height times weight over 3600.
    facts.push(fact("bsa", (height_cm * card.weight_kg / 3600.0).sqrt(), "m2"));
    for drug in taken {
        let beside: &[&str] = match drug {
            "lamotrigine" => &["vpa", "pht", "pb_or_prm", "cbz"],
            "carbamazepine" => &["phenytoin", "phenobarbital_or_felbamate"],
            "levetiracetam" => &["inducer", "vpa"],
            "ciclosporin" => &["prednisolone_ge_20mg"],
            "everolimus" => &["ciclosporin", "macrolide"],
            "nevirapine" => &["hepatitis_b"],
            _ => &[],
        };
        for name in beside {
            if facts.iter().all(|known: &Fact| known.name != *name) {
                facts.push(fact(name, 0.0, "1"));
            }
        }
    }
    facts
}

pub(crate) fn write_fact(out: &mut impl Write, subject: &str, of: &Fact) -> io::Result<()> {
    writeln!(out, "{subject},{},{},{},", of.name, of.value, of.unit)
}
