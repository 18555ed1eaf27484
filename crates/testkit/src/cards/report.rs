//! A comparison in words, each figure beside what it should be.

use super::{CardComparison, Share};
use spotwright_simulate::card::Grade;
use std::collections::BTreeMap;
use std::fmt;

impl fmt::Display for CardComparison {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "photographs {}, without a word {}",
            self.photographs,
            self.missing.len()
        )?;
        writeln!(f, "\ngeometry (sound photographs)")?;
        let good = absolute(&self.good_centre_mm);
        let area = absolute(&self.good_area_pct);
        let every = absolute(&self.measurable_centre_mm);
        line(f, "good spots measured", self.good_measured, "100 %")?;
        writeln!(
            f,
            "  centre, good, 95 %        {:>9} mm   at most 0.10",
            at(&good, 0.95)
        )?;
        writeln!(
            f,
            "  area, good, 95 %          {:>9} %    at most 1.0 (median {} %)",
            at(&area, 0.95),
            median(&self.good_area_pct)
        )?;
        writeln!(
            f,
            "  centre, measurable, 99 %  {:>9} mm   at most 0.5 ({} spots)",
            at(&every, 0.99),
            every.len()
        )?;
        let mislocated = Share {
            hits: self.mislocated.len(),
            all: self.located,
        };
        line(f, "mislocated without warning", mislocated, "0")?;
        list(f, &self.mislocated)?;
        writeln!(f, "\nverdicts")?;
        let gross = Share {
            hits: self.gross_accepted.len(),
            all: self.gross,
        };
        line(f, "grossly bad accepted", gross, "0")?;
        list(f, &self.gross_accepted)?;
        line(f, "bad accepted", self.bad_accepted, "few")?;
        line(f, "good refused", self.false_refusals, "at most 2 %")?;
        tally(f, "refused because", &self.refused_because)?;
        tally(f, "said of good spots", &self.said_of_good)?;
        line(f, "same verdict twice", self.same_verdict, "at least 98 %")?;
        writeln!(f, "\nfaults named (moderate and gross; mild)")?;
        let mut by_fault: BTreeMap<_, [Share; 2]> = BTreeMap::new();
        for ((fault, grade), share) in &self.named {
            let of = &mut by_fault.entry(*fault).or_default()[usize::from(*grade == Grade::Mild)];
            of.hits += share.hits;
            of.all += share.all;
        }
        for (fault, [seen, mild]) in &by_fault {
            writeln!(
                f,
                "  {:<26}{:>18}   {:>18}",
                fault.word(),
                words(*seen),
                words(*mild)
            )?;
        }
        writeln!(f, "\nphotographs")?;
        for (fault, share) in &self.photo_named {
            let word = serde_json::to_string(fault).map_err(|_| fmt::Error)?;
            writeln!(f, "  {:<26}{:>18}", word.trim_matches('"'), words(*share))?;
        }
        line(f, "legible codes read", self.codes_read, "at least 99 %")?;
        writeln!(
            f,
            "  codes read wrongly        {:>9}      0",
            self.codes_wrong.len()
        )?;
        list(f, &self.codes_wrong)
    }
}

fn line(f: &mut fmt::Formatter<'_>, what: &str, share: Share, wanted: &str) -> fmt::Result {
    writeln!(f, "  {what:<26}{:>18}   {wanted}", words(share))
}

fn words(share: Share) -> String {
    if share.all == 0 {
        return "none".to_owned();
    }
    let pct = 100.0 * share.hits as f64 / share.all as f64;
    format!("{}/{} {pct:.1} %", share.hits, share.all)
}

fn list(f: &mut fmt::Formatter<'_>, lines: &[String]) -> fmt::Result {
    for line in lines.iter().take(20) {
        writeln!(f, "      {line}")?;
    }
    Ok(())
}

fn tally(f: &mut fmt::Formatter<'_>, what: &str, counts: &BTreeMap<String, usize>) -> fmt::Result {
    if counts.is_empty() {
        return Ok(());
    }
    let said: Vec<String> = counts
        .iter()
        .map(|(word, count)| format!("{word} {count}"))
        .collect();
    writeln!(f, "      {what}: {}", said.join(", "))
}

/// Absolute values, sorted.
fn absolute(values: &[f64]) -> Vec<f64> {
    let mut sorted: Vec<f64> = values.iter().map(|value| value.abs()).collect();
    sorted.sort_by(f64::total_cmp);
    sorted
}

/// The value that this share of the sorted values does not exceed.
fn at(sorted: &[f64], share: f64) -> String {
    let place = (share * sorted.len() as f64).ceil() as usize;
    sorted
        .get(place.saturating_sub(1))
        .map_or("none".to_owned(), |value| format!("{value:.3}"))
}

fn median(values: &[f64]) -> String {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted
        .get(sorted.len() / 2)
        .map_or("none".to_owned(), |value| format!("{value:+.2}"))
}
