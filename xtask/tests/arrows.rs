//! Who may depend on whom. A change here is a change of architecture: `ARCHITECTURE.md` must say the same.

use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::process::Command;

/// Room and the rooms it may know in its `[dependencies]`.
const ARROWS: [(&str, &[&str]); 12] = [
    ("domain", &[]),
    ("numerics", &[]),
    ("mzml", &["domain", "numerics"]),
    ("chromatogram", &["domain", "numerics"]),
    ("assay", &["domain", "numerics"]),
    ("card", &["domain", "numerics"]),
    ("kinetics", &["domain", "numerics"]),
    ("exchange", &["domain"]),
    ("report", &["domain"]),
    ("simulate", &["domain", "mzml"]),
    (
        "workflow",
        &[
            "domain",
            "numerics",
            "mzml",
            "chromatogram",
            "assay",
            "card",
            "kinetics",
            "exchange",
            "report",
        ],
    ),
    ("cli", &["domain", "exchange", "simulate", "workflow"]),
];

/// Rooms outside the program: tests and benches may know everything, and nothing may know them.
const OUTSIDE: [&str; 3] = ["testkit", "benches", "xtask"];

fn room(package: &str) -> Option<&str> {
    match package {
        "spotwright" => Some("cli"),
        "xtask" => Some("xtask"),
        other => other.strip_prefix("spotwright-"),
    }
}

fn normal_dependencies() -> BTreeMap<String, BTreeSet<String>> {
    let output = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version", "1", "--no-deps", "--offline"])
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .unwrap();
    let metadata: Value = serde_json::from_slice(&output.stdout).unwrap();
    let packages = metadata["packages"].as_array().unwrap();
    packages
        .iter()
        .map(|package| {
            let name = room(package["name"].as_str().unwrap()).unwrap().to_owned();
            let dependencies = package["dependencies"].as_array().unwrap();
            let rooms = dependencies
                .iter()
                .filter(|dependency| dependency["kind"].is_null())
                .filter_map(|dependency| room(dependency["name"].as_str().unwrap()).map(str::to_owned))
                .collect();
            (name, rooms)
        })
        .collect()
}

#[test]
fn every_arrow_is_allowed_and_every_room_is_listed() {
    let found = normal_dependencies();
    let allowed: BTreeMap<&str, &[&str]> = ARROWS.into_iter().collect();
    for (room, knows) in &found {
        if OUTSIDE.contains(&room.as_str()) {
            continue;
        }
        let may = allowed
            .get(room.as_str())
            .unwrap_or_else(|| panic!("room {room} is not in ARROWS"));
        for other in knows {
            assert!(may.contains(&other.as_str()), "{room} may not depend on {other}");
        }
    }
    for (room, _) in ARROWS {
        assert!(
            found.contains_key(room),
            "ARROWS names {room}, which does not exist"
        );
    }
}

#[test]
fn the_arrows_have_no_circle() {
    // A room may only point at rooms named before it.
    for (place, (room, knows)) in ARROWS.iter().enumerate() {
        for other in *knows {
            let earlier = ARROWS[..place].iter().any(|(name, _)| name == other);
            assert!(earlier, "{room} points at {other}, which is not named before it");
        }
    }
}

#[test]
fn the_simulator_knows_none_of_the_rooms_it_tests() {
    let found = normal_dependencies();
    for tested in ["numerics", "chromatogram", "assay", "exchange", "workflow"] {
        assert!(
            !found["simulate"].contains(tested),
            "simulate may not know {tested}"
        );
    }
}
