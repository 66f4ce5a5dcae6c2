//! The laws that the fuzzers hold, over the kept corpus and over everything else that
//! lies in the tests: what was found once stays found.

#[path = "fuzz/checks.rs"]
pub(crate) mod checks;

use std::path::{Path, PathBuf};

fn folder(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests")
        .join(name)
}

fn files(folder: &Path) -> Vec<PathBuf> {
    let mut files: Vec<PathBuf> = std::fs::read_dir(folder)
        .unwrap_or_else(|e| panic!("{}: {e}", folder.display()))
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.is_file())
        .collect();
    files.sort();
    files
}

#[test]
fn every_law_holds_over_its_kept_corpus() {
    let mut bytes = 0;
    for (name, law) in checks::ALL {
        let kept = files(&folder("fuzz/corpus").join(name));
        assert!(kept.len() >= 4, "the corpus of '{name}' is not there");
        for file in kept {
            let data = std::fs::read(&file).unwrap();
            bytes += data.len();
            // Where a law breaks, the file must be named.
            let broken = std::panic::catch_unwind(|| law(&data)).is_err();
            assert!(!broken, "{}", file.display());
        }
    }
    assert!(
        bytes < 300_000,
        "the corpus is to stay small: {bytes} bytes"
    );
}

#[test]
fn every_fuzz_target_has_its_law_and_every_law_its_target() {
    let names: Vec<String> = files(&folder("fuzz/targets"))
        .iter()
        .map(|f| f.file_stem().unwrap().to_string_lossy().into_owned())
        .collect();
    let mut laws: Vec<&str> = checks::ALL.iter().map(|(name, _)| *name).collect();
    laws.sort_unstable();
    assert_eq!(names, laws);
}

#[test]
fn sheets_and_captures_of_the_tests_keep_the_laws() {
    for kind in ["valid", "invalid"] {
        for file in files(&folder("sheets").join(kind)) {
            checks::sheet(&std::fs::read(file).unwrap());
        }
    }
    for file in files(&folder("captures")) {
        checks::capture(&std::fs::read(file).unwrap());
    }
}

/// Found by a fuzzer: finite in metres, not so in millimetres.
#[test]
fn a_height_that_its_unit_makes_infinite_is_no_number() {
    checks::settling_csv(b"height_m,time_d\n1e308,1\n");
    let error = stillheight::trials::settling::read_csv("height_m,time_d\n1e308,1\n", "a.csv");
    assert_eq!(error.unwrap_err().code(), "settling.csv.number");
}
