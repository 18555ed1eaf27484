//! Starting the program, and the days it is started on.

use std::io::Read;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::OnceLock;
use std::time::{Duration, Instant};

/// The program, in a folder, away from the terminal's own settings.
pub(crate) fn spotwright(folder: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_spotwright"));
    command
        .current_dir(folder)
        .env_remove("COLUMNS")
        .env("NO_COLOR", "1")
        .stdin(Stdio::null());
    command
}

/// How the program ended and what it said.
pub(crate) struct Ended {
    pub(crate) code: i32,
    pub(crate) out: String,
    pub(crate) err: String,
}

impl From<Output> for Ended {
    fn from(output: Output) -> Self {
        Self {
            code: output.status.code().expect("ended by itself"),
            out: String::from_utf8(output.stdout).unwrap(),
            err: String::from_utf8(output.stderr).unwrap(),
        }
    }
}

/// Runs the program in a folder with these arguments.
pub(crate) fn run_in(folder: &Path, arguments: &[&str]) -> Ended {
    spotwright(folder).args(arguments).output().unwrap().into()
}

fn root() -> PathBuf {
    Path::new(env!("CARGO_TARGET_TMPDIR")).join("spotwright")
}

/// A folder with `demo-day` in it, made by `spotwright demo` once for all tests, and what the command said. Tests only
/// read it, or run it into another folder.
pub(crate) fn demo() -> (&'static Path, &'static Ended) {
    static DEMO: OnceLock<(PathBuf, Ended)> = OnceLock::new();
    let (folder, said) = DEMO.get_or_init(|| {
        let folder = root().join("demo");
        std::fs::create_dir_all(&folder).unwrap();
        let said = run_in(&folder, &["demo"]);
        (folder, said)
    });
    (folder, said)
}

/// A folder with a `clean-day` in it: simulated, without any fault, not run yet.
pub(crate) fn clean() -> &'static Path {
    static CLEAN: OnceLock<PathBuf> = OnceLock::new();
    CLEAN.get_or_init(|| {
        let folder = root().join("clean");
        std::fs::create_dir_all(&folder).unwrap();
        let arguments = [
            "simulate",
            "--scenario",
            "clean",
            "--seed",
            "3",
            "--out",
            "clean-day",
        ];
        let said = run_in(&folder, &arguments);
        assert_eq!(said.code, 0, "{}", said.err);
        folder
    })
}

/// A file of the corpus.
pub(crate) fn corpus(name: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../../corpus/mzml")
        .join(name);
    path.canonicalize().unwrap().display().to_string()
}

/// Waits for a process and takes what it wrote; ends it, by its own id, when it takes too long.
pub(crate) fn within(mut child: Child, limit: Duration) -> Option<(Option<i32>, String, String)> {
    let drain = |pipe: Option<Box<dyn Read + Send>>| {
        std::thread::spawn(move || {
            let mut bytes = Vec::new();
            if let Some(mut pipe) = pipe {
                let _ = pipe.read_to_end(&mut bytes);
            }
            String::from_utf8_lossy(&bytes).into_owned()
        })
    };
    let out = drain(
        child
            .stdout
            .take()
            .map(|pipe| Box::new(pipe) as Box<dyn Read + Send>),
    );
    let err = drain(
        child
            .stderr
            .take()
            .map(|pipe| Box::new(pipe) as Box<dyn Read + Send>),
    );
    let started = Instant::now();
    let status = loop {
        if let Some(status) = child.try_wait().unwrap() {
            break Some(status);
        }
        if started.elapsed() > limit {
            child.kill().unwrap();
            child.wait().unwrap();
            break None;
        }
        std::thread::sleep(Duration::from_millis(20));
    };
    let texts = (out.join().unwrap(), err.join().unwrap());
    status.map(|status| (status.code(), texts.0, texts.1))
}
