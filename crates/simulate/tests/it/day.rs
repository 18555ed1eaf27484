//! Days on disk.

use spotwright_simulate::{DayPlan, MARKER, SimulateError, write_day};
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;

fn contents(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut all = BTreeMap::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_str().unwrap().to_owned();
        if path.is_dir() {
            all.extend(
                contents(&path)
                    .into_iter()
                    .map(|(inner, bytes)| (format!("{name}/{inner}"), bytes)),
            );
        } else {
            all.insert(name, fs::read(&path).unwrap());
        }
    }
    all
}

fn lines(folder: &Path, name: &str) -> Vec<String> {
    fs::read_to_string(folder.join(name))
        .unwrap()
        .lines()
        .map(str::to_owned)
        .collect()
}

#[test]
fn one_and_two_threads_write_the_same_bytes() {
    let place = tempfile::tempdir().unwrap();
    let written: Vec<BTreeMap<String, Vec<u8>>> = [1, 2]
        .into_iter()
        .map(|threads| {
            let folder = place.path().join(format!("day-{threads}"));
            let pool = rayon::ThreadPoolBuilder::new()
                .num_threads(threads)
                .build()
                .unwrap();
            pool.install(|| write_day(&DayPlan::clean(42), &folder, &|_| ()))
                .unwrap();
            contents(&folder)
        })
        .collect();
    assert!(written[0] == written[1]);
    let folder = place.path().join("other");
    write_day(&DayPlan::clean(43), &folder, &|_| ()).unwrap();
    assert!(contents(&folder) != written[0]);
}

#[test]
fn the_demo_day_adds_up() {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("demo");
    let told = std::cell::Cell::new(0);
    let summary = write_day(&DayPlan::demo(), &folder, &|done| told.set(done)).unwrap();
    assert_eq!(summary.runs, 5);
    assert_eq!(told.get(), summary.injections);
    assert!(folder.join(MARKER).is_file());
    assert_eq!(fs::read_dir(folder.join("methods")).unwrap().count(), 5);

    let injections = lines(&folder, "injections.csv");
    let header: Vec<&str> = injections[0].split(',').collect();
    assert_eq!(injections.len() as u64, summary.injections + 1);
    assert!(
        injections
            .iter()
            .all(|line| line.split(',').count() == header.len())
    );
    let files: BTreeSet<&str> = injections[1..]
        .iter()
        .map(|line| line.split(',').nth(3).unwrap())
        .collect();
    assert_eq!(files.len() as u64, summary.injections);
    assert_eq!(
        fs::read_dir(folder.join("traces")).unwrap().count() as u64,
        summary.injections
    );
    assert!(
        files
            .iter()
            .all(|file| folder.join("traces").join(file).is_file())
    );

    // Every card is asked for once, but for the one whose request got lost.
    let requests = lines(&folder, "requests.csv");
    let cards: BTreeSet<&str> = requests[1..]
        .iter()
        .map(|line| line.split(',').next().unwrap())
        .collect();
    assert_eq!(cards.len(), requests.len() - 1);
    assert_eq!(cards.len() as u64 + 1, summary.cards);

    let truth = lines(&folder, "truth.jsonl");
    let kinds: Vec<serde_json::Value> = truth
        .iter()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    assert_eq!(kinds.iter().filter(|line| line["kind"] == "run").count(), 5);
    assert_eq!(
        kinds.iter().filter(|line| line["kind"] == "injection").count() as u64,
        summary.injections
    );
    let head: serde_json::Value =
        serde_json::from_str(&fs::read_to_string(folder.join("truth.json")).unwrap()).unwrap();
    let planted: usize = head["runs"]
        .as_array()
        .unwrap()
        .iter()
        .map(|run| run["faults"].as_array().unwrap().len())
        .sum();
    assert_eq!(planted, summary.faults);
    // One run rejected whole, one analyte rejected among accepted neighbours.
    let verdicts: Vec<Vec<&str>> = head["runs"]
        .as_array()
        .unwrap()
        .iter()
        .map(|run| {
            run["analytes"]
                .as_array()
                .unwrap()
                .iter()
                .map(|of| of["expected"].as_str().unwrap())
                .collect()
        })
        .collect();
    assert!(verdicts.iter().any(|run| run.iter().all(|of| *of == "rejected")));
    assert!(
        verdicts
            .iter()
            .any(|run| run.contains(&"rejected") && run.contains(&"accepted"))
    );
}

#[test]
fn a_truncated_file_is_short_and_a_copied_file_is_the_same() {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("day");
    let mut plan = DayPlan::clean(9);
    plan.faults = vec![
        (0, spotwright_simulate::Fault::TruncatedFile),
        (0, spotwright_simulate::Fault::SameTraceTwice),
    ];
    write_day(&plan, &folder, &|_| ()).unwrap();
    let head: serde_json::Value =
        serde_json::from_str(&fs::read_to_string(folder.join("truth.json")).unwrap()).unwrap();
    let faults = head["runs"][0]["faults"].as_array().unwrap().clone();
    let file = |fault: usize, at: usize| {
        let order = faults[fault]["orders"][at].as_u64().unwrap();
        fs::read(folder.join("traces").join(format!("R01-{order:03}.mzML"))).unwrap()
    };
    let cut = file(0, 0);
    let whole = file(1, 0);
    assert!(cut.len() * 3 < whole.len() * 2);
    assert!(!cut.ends_with(b"</indexedmzML>\n") && whole.trim_ascii_end().ends_with(b"</indexedmzML>"));
    assert!(whole == file(1, 1));
}

#[test]
fn a_folder_of_something_else_is_left_alone() {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("day");
    fs::create_dir(&folder).unwrap();
    fs::write(folder.join("injections.csv"), "real").unwrap();
    let refused = write_day(&DayPlan::clean(1), &folder, &|_| ());
    assert!(matches!(refused, Err(SimulateError::FolderInUse { .. })));
    assert_eq!(fs::read(folder.join("injections.csv")).unwrap(), b"real");

    // A simulated day is replaced, and nothing is left beside it; a plan that fails leaves it as it was.
    fs::write(folder.join(MARKER), "").unwrap();
    fs::write(folder.join("stale"), "").unwrap();
    let mut impossible = DayPlan::clean(1);
    impossible.faults = vec![(0, spotwright_simulate::Fault::CrossTalk { analyte: 9 })];
    assert!(write_day(&impossible, &folder, &|_| ()).is_err());
    assert!(folder.join("stale").exists());
    write_day(&DayPlan::clean(1), &folder, &|_| ()).unwrap();
    assert!(!folder.join("stale").exists());
    assert_eq!(fs::read_dir(place.path()).unwrap().count(), 1);
}

#[test]
fn a_scale_day_has_exactly_as_many_injections_as_asked_for() {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("day");
    let summary = write_day(&DayPlan::scale(5, 613), &folder, &|_| ()).unwrap();
    assert_eq!(
        (summary.injections, summary.runs, summary.traces),
        (613, 2, 613 * 12)
    );
    assert!(folder.join("method.toml").is_file() && !folder.join("methods").exists());
    let too_many = write_day(&DayPlan::scale(5, 100_001), &folder, &|_| ());
    assert!(matches!(too_many, Err(SimulateError::OutsideRange { .. })));
}

#[test]
fn the_simulator_knows_the_words_and_the_writer_and_nobody_else() {
    let manifest = concat!(env!("CARGO_MANIFEST_DIR"), "/Cargo.toml");
    let manifest = fs::read_to_string(manifest).unwrap();
    let rooms: Vec<&str> = manifest
        .lines()
        .filter(|line| line.starts_with("spotwright-"))
        .map(|line| line.split(['.', ' ']).next().unwrap())
        .collect();
    assert_eq!(rooms, ["spotwright-domain", "spotwright-mzml"]);
}
