//! `spotwright look`: photographs of cards, measured and judged.

use crate::arguments::Look;
use crate::outcome::Outcome;
use crate::print::{say, write_out};
use crate::problems;
use crate::progress::Bar;
use crate::table::{Side, Table};
use spotwright_domain::card::{AfterRecord, Finding, Identity, LookRecord, Need, SpotRecord, Suitability};
use spotwright_domain::reason::Severity;
use spotwright_workflow::error::WorkflowError;
use spotwright_workflow::look::{LookOptions, LookOutputs, card_json, look};
use std::collections::BTreeMap;

/// Looks at the photographs and says what they show.
pub(crate) fn run(arguments: &Look) -> Outcome {
    let options = match options(arguments) {
        Ok(options) => options,
        Err(error) => return problems::tell(&error),
    };
    match look_at_all(arguments, &options) {
        Err(error) => problems::tell(&error),
        Ok(tally) => {
            if !arguments.json {
                say(&tally.summary());
                for limit in &options.overrides {
                    say(&format!(
                        "The method sets {} to {} (default {}): {}\n",
                        limit.name, limit.value, limit.default, limit.reason
                    ));
                }
                if let Some(out) = &arguments.out {
                    say(&format!("\nThe sheet: {}\n", out.join("index.html").display()));
                }
            }
            if tally.stopped() {
                Outcome::Rejected
            } else {
                Outcome::Accepted
            }
        }
    }
}

fn options(arguments: &Look) -> Result<LookOptions, WorkflowError> {
    let mut options = LookOptions::of(&arguments.layout, arguments.method.as_deref())?;
    options.threads = arguments.threads;
    options.with_pictures = arguments.out.is_some();
    if let Some(head) = arguments.head_mm {
        options.spots.head_diameter_mm = head;
    }
    Ok(options)
}

fn look_at_all(arguments: &Look, options: &LookOptions) -> Result<Tally, WorkflowError> {
    let mut tally = Tally::default();
    let mut outputs = arguments.out.as_deref().map(LookOutputs::begin).transpose()?;
    let bar = Bar::new(arguments.json || arguments.out.is_none());
    look(&arguments.photographs, options, &bar, &mut |looked| {
        if arguments.json {
            write_out(if tally.total == 0 { "[\n" } else { ",\n" });
            write_out(&card_json(&looked.record));
        } else if arguments.out.is_none() {
            write_out(&text(&looked.record));
        }
        if let Some(outputs) = &mut outputs {
            outputs.add(&looked)?;
        }
        tally.take(&looked.record);
        Ok(())
    })?;
    bar.finish();
    if arguments.json {
        write_out("\n]\n");
    }
    if let Some(outputs) = outputs {
        outputs.finish(&day_name(arguments))?;
    }
    Ok(tally)
}

fn day_name(arguments: &Look) -> String {
    let first = arguments.photographs.first();
    let full = first.map(|path| path.canonicalize().unwrap_or_else(|_| path.clone()));
    full.as_deref()
        .and_then(|path| path.file_name())
        .map_or_else(String::new, |name| name.to_string_lossy().into_owned())
}

#[derive(Debug, Default)]
struct Tally {
    total: usize,
    needs: BTreeMap<Need, usize>,
    spots: [usize; 4],
}

impl Tally {
    fn take(&mut self, of: &LookRecord) {
        self.total += 1;
        *self.needs.entry(of.need()).or_default() += 1;
        for spot in of.card.iter().flat_map(|card| &card.spots) {
            let place = match (spot.finding, spot.suitability) {
                (Finding::Empty, _) => 3,
                (_, Suitability::Suitable) => 0,
                (_, Suitability::SuitableWithComment) => 1,
                (_, Suitability::Unsuitable) => 2,
            };
            self.spots[place] += 1;
        }
    }

    fn stopped(&self) -> bool {
        [
            Need::Identity,
            Need::Extraction,
            Need::AnotherPhoto,
            Need::AnotherCard,
        ]
        .iter()
        .any(|need| self.needs.contains_key(need))
    }

    fn summary(&self) -> String {
        let plural = if self.total == 1 { "" } else { "s" };
        let mut text = format!("\n{} photograph{plural}\n", self.total);
        for (need, words) in [
            (Need::Identity, "stopped: whose card it is is not certain"),
            (Need::Extraction, "were extracted wrongly"),
            (Need::AnotherPhoto, "need another photograph"),
            (
                Need::AnotherCard,
                "have no spot that can be used: ask for another card",
            ),
            (Need::Comment, "usable, with something to read first"),
            (Need::Nothing, "usable"),
        ] {
            if let Some(count) = self.needs.get(&need) {
                text += &format!("  {count:>5}  {words}\n");
            }
        }
        let [suitable, comment, unsuitable, empty] = self.spots;
        text + &format!(
            "Spots: {suitable} suitable, {comment} suitable with comment, {unsuitable} unsuitable, {empty} empty places\n\
                 The program proposes; a person decides.\n"
        )
    }
}

/// One photograph for the terminal: whose card, what is wrong, a line a spot, and each reason in words.
fn text(of: &LookRecord) -> String {
    let whose = match &of.identity {
        Identity::Agreed { card, .. } => format!("card {card}"),
        Identity::NotConfirmed { card: Some(card) } => format!("card {card} by name only"),
        Identity::NotConfirmed { card: None } => "nothing names this card".to_owned(),
        Identity::Conflict { names } => {
            let names: Vec<String> = names
                .iter()
                .map(|named| format!("{} says {}", named.by.as_str(), named.name))
                .collect();
            format!("STOPPED: {}", names.join(", "))
        }
    };
    let place = of.place.as_ref().map_or_else(String::new, |place| {
        format!(
            ", {}, {:.1} px/mm, place ± {:.2} mm",
            place.layout, place.px_per_mm, place.position_u_mm
        )
    });
    let mut text = format!("\n{}: {whose}{place}\n", of.file);
    for problem in of.problems.iter().filter(|p| p.severity >= Severity::Comment) {
        text += &format!("  {}: {}\n", problem.code.as_str(), problem.text);
    }
    let Some(card) = &of.card else { return text };
    let mut table = Table::new(&[
        ("spot", Side::Right),
        ("proposal", Side::Left),
        ("use", Side::Right),
        ("area mm²", Side::Right),
        ("diameter mm", Side::Right),
        ("inscribed mm", Side::Right),
        ("disc at mm", Side::Right),
        ("margin mm", Side::Right),
        ("reasons", Side::Left),
    ]);
    for spot in &card.spots {
        table.row(row(spot));
    }
    text += &table.render();
    for spot in &card.spots {
        for reason in spot.reasons.iter().filter(|r| r.severity >= Severity::Comment) {
            text += &format!("    spot {}: {}\n", spot.index, reason.text);
        }
    }
    for reason in &card.reasons {
        text += &format!("    {}\n", reason.text);
    }
    if let Some(after) = &of.after {
        text += &after_text(after);
    }
    text
}

/// What the photograph after extraction says.
fn after_text(after: &AfterRecord) -> String {
    let sentence = after.extraction.as_ref().map_or_else(
        || "nothing can be said of the extraction".to_owned(),
        |extraction| format!("{}: {}", extraction.suitability.as_str(), extraction.sentence()),
    );
    let mut text = format!("  after extraction ({}): {sentence}\n", after.file);
    for problem in after.problems.iter().filter(|p| p.severity >= Severity::Comment) {
        text += &format!("    {}: {}\n", problem.code.as_str(), problem.text);
    }
    for reason in after.extraction.iter().flat_map(|of| &of.reasons) {
        text += &format!("    {}: {}\n", reason.code.as_str(), reason.text);
    }
    text
}

fn row(spot: &SpotRecord) -> Vec<String> {
    let none = || "–".to_owned();
    let measure =
        |value: Option<f64>, decimals: usize| value.map_or_else(none, |v| format!("{v:.decimals$}"));
    let measures = spot.measures.as_ref();
    let codes: Vec<&str> = spot
        .reasons
        .iter()
        .filter(|reason| reason.severity >= Severity::Comment)
        .map(|reason| reason.code.as_str())
        .collect();
    vec![
        spot.index.to_string(),
        if spot.finding == Finding::Empty {
            "empty".to_owned()
        } else {
            spot.suitability.as_str().to_owned()
        },
        spot.use_order.map_or_else(none, |order| order.to_string()),
        measure(measures.map(|m| m.area_mm2), 2),
        measure(measures.map(|m| m.equivalent_diameter_mm), 2),
        measure(measures.map(|m| m.inscribed_diameter_mm), 2),
        spot.site.map_or_else(none, |site| {
            format!("{:.2}, {:.2}", site.centre_mm[0], site.centre_mm[1])
        }),
        measure(spot.site.map(|site| site.margin_mm), 2),
        codes.join(" "),
    ]
}
