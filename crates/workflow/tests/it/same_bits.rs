//! The same day gives the same bytes: whatever the threads, a second time, wherever the folder stands.

use crate::days::{copy_of, demo, files, run};
use spotwright_workflow::run::RunOptions;

#[test]
fn neither_threads_nor_repetition_nor_the_place_on_disk_changes_a_byte() {
    let day = demo();
    let expected = files(&day.folder.join("results"));
    for name in [
        "results.json",
        "results.csv",
        "index.html",
        "run-R01.html",
        "run-R05.html",
    ] {
        assert!(expected.contains_key(name), "{name} is missing");
    }
    let elsewhere = tempfile::tempdir().unwrap();
    let copy = copy_of(&day.folder, elsewhere.path());
    for (what, folder, threads) in [
        ("one thread", &day.folder, Some(1)),
        ("two threads", &day.folder, Some(2)),
        ("five threads", &day.folder, Some(5)),
        ("a second run", &day.folder, None),
        ("another folder", &copy, None),
    ] {
        let out = elsewhere.path().join("results");
        let options = RunOptions {
            out: Some(out.clone()),
            threads,
            without_html: false,
        };
        run(folder, &options);
        let found = files(&out);
        assert!(found.keys().eq(expected.keys()), "{what}: {:?}", found.keys());
        for (name, bytes) in &found {
            assert!(*bytes == expected[name], "{what}: {name} differs");
        }
    }
}

#[test]
fn numbers_do_not_depend_on_whether_figures_are_drawn() {
    let day = demo();
    let elsewhere = tempfile::tempdir().unwrap();
    let out = elsewhere.path().join("numbers-only");
    let options = RunOptions {
        out: Some(out.clone()),
        threads: None,
        without_html: true,
    };
    let done = run(&day.folder, &options);
    assert!(done.reports.is_empty());
    let found = files(&out);
    assert_eq!(found.keys().collect::<Vec<_>>(), ["results.csv", "results.json"]);
    let expected = files(&day.folder.join("results"));
    for (name, bytes) in &found {
        assert!(*bytes == expected[name], "{name} differs");
    }
}
