//! From start to the first frame, and the size of the program.

use super::process::{Folder, OnScreen, PROGRAM, sheet_text};
use super::{Asked, clock, table};
use std::sync::mpsc::channel;
use std::time::{Duration, Instant};

pub fn row(_: &Asked) {
    let folder = Folder::new("start");
    let lines: Vec<_> = (0..4).map(|_| super::process::FarEnd::new()).collect();
    let paths: Vec<_> = lines.iter().map(|l| l.path.as_path()).collect();
    let sheet = folder.0.join("van.toml");
    std::fs::write(&sheet, sheet_text(&paths)).unwrap();
    let mut times: Vec<f64> = (0..clock::RUNS)
        .map(|_| {
            let (drawn, first) = channel();
            let begun = Instant::now();
            let screen = OnScreen::start(&["watch", sheet.to_str().unwrap()], move |screen| {
                if !screen.contents().trim().is_empty() {
                    let _ = drawn.send(begun.elapsed());
                }
            });
            let first = first.recv_timeout(Duration::from_secs(20)).unwrap();
            screen.quit();
            first.as_secs_f64()
        })
        .collect();
    let s = clock::median(&mut times);
    let mb = std::fs::metadata(PROGRAM).unwrap().len() as f64 / 1e6;
    table::row(
        "start to first frame; the program stripped",
        &format!("{}; {mb:.1} MB", table::time(s)),
        "< 100 ms, < 15 MB",
        s < 0.1 && mb < 15.0,
    );
}
