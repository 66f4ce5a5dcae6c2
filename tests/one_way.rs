//! The architecture as a test: every folder of `src/` is a stage of the flow, no
//! stage names one below it, and the async runtime stays where it may.
//!
//! The table below is the flow. Code in `#[cfg(test)]` counts too: a stage's own
//! tests need nothing from below either.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// The stages, top to bottom.
const FLOW: [&str; 20] = [
    "quantity",
    "leastsquares",
    "sheet",
    "geometry",
    "statics",
    "layout",
    "ports",
    "drivers",
    "readings",
    "posture",
    "compare",
    "trials",
    "advice",
    "logbook",
    "screen",
    "report",
    "share",
    "rehearsal",
    "run",
    "main",
];
/// Where the async runtime may be named.
const MAY_NAME_TOKIO: [&str; 6] = ["ports", "screen", "share", "rehearsal", "run", "main"];

fn source_files() -> Vec<(String, PathBuf)> {
    fn walk(folder: &Path, found: &mut Vec<PathBuf>) {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                walk(&path, found);
            } else if path.extension().is_some_and(|e| e == "rs") {
                found.push(path);
            }
        }
    }
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = Vec::new();
    walk(&root, &mut files);
    files
        .into_iter()
        .map(|path| {
            let inside = path.strip_prefix(&root).unwrap();
            let first = inside
                .components()
                .next()
                .unwrap()
                .as_os_str()
                .to_string_lossy();
            (first.trim_end_matches(".rs").to_owned(), path)
        })
        .collect()
}

/// Code without comments, so that prose may name what it likes.
fn code(path: &Path) -> String {
    let text = std::fs::read_to_string(path).unwrap();
    text.lines()
        .map(|l| l.split("//").next().unwrap_or(""))
        .collect::<Vec<_>>()
        .join("\n")
}

/// Stages named in code: after `crate::`, also within braces (`use crate::{a, b::c}`).
fn named(code: &str) -> Vec<String> {
    let mut found = Vec::new();
    for start in ["crate::", "stillheight::"] {
        for (at, _) in code.match_indices(start) {
            if code[..at].ends_with(|c: char| c.is_alphanumeric() || c == '_' || c == '$') {
                continue;
            }
            let rest = &code[at + start.len()..];
            if let Some(list) = rest.strip_prefix('{') {
                let mut depth = 1;
                let mut word = String::new();
                let mut fresh = true;
                for c in list.chars() {
                    match c {
                        '{' => depth += 1,
                        '}' => depth -= 1,
                        ',' if depth == 1 => fresh = true,
                        c if depth == 1 && fresh && (c.is_alphanumeric() || c == '_') => {
                            word.push(c);
                        }
                        c if !c.is_whitespace() => fresh = word.is_empty() && fresh,
                        _ => {}
                    }
                    if (!fresh || c == '}' || c == ',') && !word.is_empty() {
                        found.push(std::mem::take(&mut word));
                        fresh = c == ',';
                    }
                    if depth == 0 {
                        break;
                    }
                }
            } else {
                found.push(
                    rest.chars()
                        .take_while(|c| c.is_alphanumeric() || *c == '_')
                        .collect(),
                );
            }
        }
    }
    found
}

#[test]
fn every_file_belongs_to_a_stage() {
    for (stage, path) in source_files() {
        assert!(
            stage == "lib" || FLOW.contains(&stage.as_str()),
            "{} is in no stage",
            path.display()
        );
    }
}

#[test]
fn no_stage_names_one_below_it() {
    let place: BTreeMap<&str, usize> = FLOW.iter().enumerate().map(|(i, s)| (*s, i)).collect();
    let mut wrong = Vec::new();
    let mut edges = 0;
    for (stage, path) in source_files().into_iter().filter(|(s, _)| s != "lib") {
        for other in named(&code(&path)) {
            if let Some(below) = place.get(other.as_str()) {
                edges += 1;
                if *below > place[stage.as_str()] {
                    wrong.push(format!(
                        "{}: names '{other}', which is below '{stage}'",
                        path.display()
                    ));
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    assert!(
        edges > 100,
        "only {edges} names were seen: the search itself is broken"
    );
}

#[test]
fn the_async_runtime_stays_where_it_may() {
    let mut seen = 0;
    for (stage, path) in source_files() {
        let code = code(&path);
        if code.contains("tokio") || code.contains("async fn") || code.contains(".await") {
            seen += 1;
            assert!(
                MAY_NAME_TOKIO.contains(&stage.as_str()),
                "{} names tokio",
                path.display()
            );
        }
    }
    assert!(seen > 2, "nothing was seen: the search itself is broken");
}

#[test]
fn the_search_sees_what_it_should() {
    let code = "use crate::{report::x, sheet}; let a = crate::run::b(); mycrate::no; use stillheight::statics::Y;";
    let mut seen = named(code);
    seen.sort();
    assert_eq!(seen, ["report", "run", "sheet", "statics"]);
}
