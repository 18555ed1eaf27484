//! Licence and source check of every dependency, from `cargo metadata` and `deny.toml`; needs no network.

use crate::{cargo, say};
use serde_json::Value;
use std::collections::BTreeSet;
use std::path::Path;
use std::process::Command;

/// Checks that every dependency has an allowed licence, comes from the package index and is not banned.
pub(crate) fn check(root: &Path) -> Result<(), String> {
    let rules: toml::Table = std::fs::read_to_string(root.join("deny.toml"))
        .map_err(|error| format!("deny.toml: {error}"))?
        .parse()
        .map_err(|error| format!("deny.toml: {error}"))?;
    let allowed = texts(&rules, "licenses", "allow")?;
    let banned = names(&rules)?;
    let metadata = Command::new(cargo())
        .args(["metadata", "--format-version", "1", "--locked", "--offline"])
        .current_dir(root)
        .output()
        .map_err(|error| format!("cargo metadata did not start: {error}"))?;
    if !metadata.status.success() {
        return Err(String::from_utf8_lossy(&metadata.stderr).into_owned());
    }
    let metadata: Value = serde_json::from_slice(&metadata.stdout).map_err(|error| error.to_string())?;
    let packages = metadata["packages"]
        .as_array()
        .ok_or("cargo metadata lists no packages")?;
    let problems: Vec<String> = packages
        .iter()
        .filter_map(|package| problem(package, &allowed, &banned))
        .collect();
    if problems.is_empty() {
        say(&format!("licences: {} packages, all allowed", packages.len()));
        Ok(())
    } else {
        Err(problems.join("\n"))
    }
}

fn problem(package: &Value, allowed: &BTreeSet<String>, banned: &BTreeSet<String>) -> Option<String> {
    let name = package["name"].as_str().unwrap_or_default();
    let version = package["version"].as_str().unwrap_or_default();
    if banned.contains(name) {
        return Some(format!("{name} {version} is banned in deny.toml"));
    }
    match package["source"].as_str() {
        None => {}
        Some(source) if source.starts_with("registry+") => {}
        Some(source) => {
            return Some(format!(
                "{name} {version} comes from {source}, not from the package index"
            ));
        }
    }
    match package["license"].as_str() {
        Some(expression) if satisfied(expression, allowed) => None,
        Some(expression) => Some(format!(
            "{name} {version} is under {expression}, which deny.toml does not allow"
        )),
        None => Some(format!("{name} {version} states no licence")),
    }
}

/// Whether an SPDX expression can be met with allowed licences. `OR` binds weaker than `AND` (SPDX 2.3, annex D).
fn satisfied(expression: &str, allowed: &BTreeSet<String>) -> bool {
    let spaced = expression
        .replace('/', " OR ")
        .replace('(', " ( ")
        .replace(')', " ) ");
    let tokens: Vec<&str> = spaced.split_whitespace().collect();
    let mut position = 0;
    any_of(&tokens, &mut position, allowed) && position == tokens.len()
}

fn any_of(tokens: &[&str], position: &mut usize, allowed: &BTreeSet<String>) -> bool {
    let mut met = all_of(tokens, position, allowed);
    while tokens.get(*position) == Some(&"OR") {
        *position += 1;
        met |= all_of(tokens, position, allowed);
    }
    met
}

fn all_of(tokens: &[&str], position: &mut usize, allowed: &BTreeSet<String>) -> bool {
    let mut met = one(tokens, position, allowed);
    while tokens.get(*position) == Some(&"AND") {
        *position += 1;
        met &= one(tokens, position, allowed);
    }
    met
}

fn one(tokens: &[&str], position: &mut usize, allowed: &BTreeSet<String>) -> bool {
    let Some(token) = tokens.get(*position) else {
        return false;
    };
    *position += 1;
    if *token == "(" {
        let met = any_of(tokens, position, allowed);
        *position += 1;
        return met;
    }
    // "Apache-2.0 WITH LLVM-exception" gives more freedom than Apache-2.0 alone.
    if tokens.get(*position) == Some(&"WITH") {
        *position += 2;
    }
    allowed.contains(*token)
}

fn texts(rules: &toml::Table, table: &str, key: &str) -> Result<BTreeSet<String>, String> {
    let list = rules
        .get(table)
        .and_then(|t| t.get(key))
        .and_then(toml::Value::as_array);
    let list = list.ok_or_else(|| format!("deny.toml has no {table}.{key}"))?;
    Ok(list
        .iter()
        .filter_map(toml::Value::as_str)
        .map(str::to_owned)
        .collect())
}

fn names(rules: &toml::Table) -> Result<BTreeSet<String>, String> {
    let list = rules
        .get("bans")
        .and_then(|t| t.get("deny"))
        .and_then(toml::Value::as_array);
    let list = list.ok_or("deny.toml has no bans.deny")?;
    Ok(list
        .iter()
        .filter_map(|ban| ban.get("crate")?.as_str())
        .map(str::to_owned)
        .collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn expressions_bind_as_spdx_says() {
        let allowed: BTreeSet<String> = ["MIT", "Apache-2.0", "Unicode-3.0"].map(str::to_owned).into();
        assert!(satisfied("MIT OR GPL-3.0", &allowed));
        assert!(satisfied("(MIT OR Apache-2.0) AND Unicode-3.0", &allowed));
        assert!(satisfied("Apache-2.0 WITH LLVM-exception", &allowed));
        assert!(satisfied("GPL-2.0 AND MIT OR Apache-2.0", &allowed));
        assert!(!satisfied("MIT AND GPL-3.0", &allowed));
        assert!(!satisfied("GPL-3.0", &allowed));
        assert!(!satisfied("", &allowed));
    }
}
