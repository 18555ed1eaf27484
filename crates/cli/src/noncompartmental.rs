//! `spotwright noncompartmental`: exposure straight from levels.

use crate::arguments::{Noncompartmental, Start};
use crate::outcome::Outcome;
use crate::print::{complain, say};
use crate::problems::render;
use crate::table::{Side, Table};
use spotwright_domain::figures::{decimal_places, significant_figures};
use spotwright_workflow::noncompartmental::{
    AreaRule, Caution, ProfilesReport, Rules, StartRule, TerminalRule, analyse_profiles,
};

/// Analyses the table and prints it.
pub(crate) fn noncompartmental(arguments: &Noncompartmental) -> Outcome {
    let rules = Rules {
        area: if arguments.linear {
            AreaRule::Linear
        } else {
            AreaRule::LinearUpLogDown
        },
        terminal: match (arguments.last_points, arguments.slope_from, arguments.slope_to) {
            (Some(points), _, _) => TerminalRule::LastPoints(points),
            (None, Some(from_h), Some(to_h)) => TerminalRule::Between { from_h, to_h },
            _ => TerminalRule::BestAdjustedRSquared,
        },
        start: match arguments.start {
            Start::AsSampled => StartRule::AsSampled,
            Start::Zero => StartRule::ZeroOrExtrapolated,
            Start::Lowest => StartRule::LowestOfInterval,
        },
        ..Rules::default()
    };
    match analyse_profiles(&arguments.file, &rules) {
        Ok(report) => {
            say(&if arguments.json {
                serde_json::to_string_pretty(&report).unwrap_or_default()
            } else {
                text(&report)
            });
            if report.profiles.iter().any(|profile| profile.refused.is_some()) {
                Outcome::BadInput
            } else {
                Outcome::Accepted
            }
        }
        Err(problems) => {
            for problem in &problems {
                complain(&render(problem));
            }
            complain(&format!(
                "{} problem(s) in the table: nothing was computed.",
                problems.len()
            ));
            Outcome::BadInput
        }
    }
}

fn text(report: &ProfilesReport) -> String {
    let mut table = Table::new(&[
        ("person", Side::Left),
        ("Cmax", Side::Right),
        ("tmax h", Side::Right),
        ("AUC to last", Side::Right),
        ("AUC to ∞", Side::Right),
        ("beyond %", Side::Right),
        ("half-life h", Side::Right),
        ("points", Side::Right),
        ("CL", Side::Right),
        ("Vz", Side::Right),
        ("MRT h", Side::Right),
    ]);
    let figures = |value: Option<f64>| value.map_or("–".to_owned(), |value| significant_figures(value, 4));
    let mut remarks = String::new();
    for profile in &report.profiles {
        if let Some(refused) = &profile.refused {
            remarks.push_str(&format!("{}: {refused}\n", profile.person));
        }
        let Some(analysis) = &profile.analysis else {
            continue;
        };
        let whole = analysis.to_infinity.as_ref();
        let interval = analysis.interval.as_ref().filter(|_| analysis.dose.steady_state);
        table.row(vec![
            profile.person.clone(),
            figures(Some(analysis.c_max)),
            figures(Some(analysis.t_max_h)),
            figures(Some(analysis.auc_last)),
            figures(whole.map(|whole| whole.auc)),
            whole.map_or("–".to_owned(), |whole| {
                decimal_places(whole.extrapolated_pct, 1)
            }),
            figures(analysis.terminal.as_ref().map(|slope| slope.half_life_h)),
            analysis
                .terminal
                .as_ref()
                .map_or("–".to_owned(), |slope| slope.times_h.len().to_string()),
            figures(
                whole
                    .and_then(|whole| whole.clearance)
                    .or(interval.and_then(|interval| interval.clearance)),
            ),
            figures(whole.and_then(|whole| whole.volume_terminal)),
            figures(
                whole
                    .and_then(|whole| whole.mean_residence_h)
                    .or(interval.and_then(|interval| interval.mean_residence_h)),
            ),
        ]);
        if let Some(interval) = &analysis.interval {
            remarks.push_str(&format!(
                "{}: AUC over {} h {}, average {}\n",
                profile.person,
                interval.interval_h,
                significant_figures(interval.auc, 4),
                significant_figures(interval.average_level, 4)
            ));
        }
        if let Some(none) = &analysis.no_terminal {
            remarks.push_str(&format!("{}: no terminal slope: {none}\n", profile.person));
        }
        for caution in &analysis.cautions {
            remarks.push_str(&format!("{}: {}\n", profile.person, words(caution)));
        }
    }
    let units = report.profiles.first().map_or(String::new(), |profile| {
        format!(
            "Levels in {}, areas in {}·h, CL in {}, Vz in {}; apparent (divided by F) unless intravenous\n",
            profile.level_unit, profile.level_unit, profile.clearance_unit, profile.volume_unit
        )
    });
    format!(
        "{}{units}\n{remarks}\nRules:\n  {}",
        table.render(),
        report.rules.join("\n  ")
    )
}

fn words(caution: &Caution) -> String {
    match caution {
        Caution::LargelyExtrapolated { found_pct, limit_pct } => format!(
            "{} % of the area lies behind the last level (more than {limit_pct} %)",
            decimal_places(*found_pct, 1)
        ),
        Caution::ShortTerminalSpan { found, limit } => format!(
            "the terminal slope's points span {} half-lives (less than {limit})",
            decimal_places(*found, 1)
        ),
        Caution::PoorTerminalFit { found, limit } => format!(
            "the terminal slope fits poorly: adjusted R² {} (less than {limit})",
            decimal_places(*found, 3)
        ),
        Caution::PeakAtFirstSample { time_h } => {
            format!("the highest level is the first, at {time_h} h: the peak may have been earlier")
        }
        Caution::LevelBeforeDose { found_pct, limit_pct } => format!(
            "the level at the dose is {} % of the highest (more than {limit_pct} %)",
            decimal_places(*found_pct, 1)
        ),
    }
}
