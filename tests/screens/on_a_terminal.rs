//! The screen on a real pseudo-terminal: the example program is started in
//! one, keys are pressed, signals sent, and what the terminal shows is read.

use std::num::NonZero;
use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::sync::OnceLock;

use portable_pty::PtySize;
use rustix::process::Signal;

use crate::room::terminal::Session;

/// The example, built from what is there now: 'cargo test' has built it
/// already, 'cargo test --test main' has not, and an old one would tell
/// nothing.
fn example() -> PathBuf {
    static PATH: OnceLock<PathBuf> = OnceLock::new();
    PATH.get_or_init(|| {
        let folder = std::env::current_exe().unwrap();
        let folder = folder.ancestors().nth(2).unwrap();
        let mut build = Command::new(env!("CARGO"));
        build
            .args([
                "build",
                "--offline",
                "--quiet",
                "--example",
                "screen_gallery",
            ])
            .current_dir(env!("CARGO_MANIFEST_DIR"));
        if folder.ends_with("release") {
            build.arg("--release");
        }
        let built = build.output().unwrap();
        assert!(
            built.status.success(),
            "the example could not be built:\n{}",
            String::from_utf8_lossy(&built.stderr)
        );
        folder.join("examples/screen_gallery")
    })
    .clone()
}

fn shows_the_screen(session: &Session) {
    session.wait_for("outside target: left high, nose down");
    let shown = session.shown.lock().unwrap();
    assert!(shown.screen().alternate_screen());
    assert!(shown.screen().hide_cursor());
    drop(shown);
    assert!(!session.cooked());
}

#[test]
fn keys_reach_the_program_and_quit_gives_the_terminal_back() {
    let mut session = Session::start(&example(), &["--live", "left-high"], &[]);
    shows_the_screen(&session);
    // The big '12.4', its upper row.
    session.wait_for("▄█  ▀▀█   █ █");
    session.wait_for("2 □ off helper");
    session.press("2");
    session.wait_for("2 ■ on  helper");
    session.press("k");
    session.wait_for("kept by hand");
    session.press("nsqueak\r");
    session.wait_for("note: squeak");
    session.press("?");
    session.wait_for("keys and signs");
    session.press("x");
    session.press("l");
    session.wait_for("STILL TO GO");
    session.press("q");
    session.ends_with(0, "ended: Quit");
}

#[test]
fn a_resized_terminal_is_drawn_anew() {
    let mut session = Session::start(&example(), &["--live", "left-high"], &[]);
    shows_the_screen(&session);
    session
        .master
        .resize(PtySize {
            rows: 10,
            cols: 40,
            ..PtySize::default()
        })
        .unwrap();
    session
        .shown
        .lock()
        .unwrap()
        .screen_mut()
        .set_size(NonZero::new(10).unwrap(), NonZero::new(40).unwrap());
    session.wait_for("and nose down");
    session.press("\u{3}");
    session.ends_with(0, "ended: Quit");
}

#[test]
fn signals_give_the_terminal_back() {
    for (signal, name) in [
        (Signal::TERM, "SIGTERM"),
        (Signal::HUP, "SIGHUP"),
        (Signal::INT, "SIGINT"),
    ] {
        let mut session = Session::start(&example(), &["--live", "left-high"], &[]);
        shows_the_screen(&session);
        session.signal(signal);
        session.ends_with(0, name);
    }
}

#[test]
fn a_panic_in_a_task_gives_the_terminal_back_and_ends_with_one() {
    let mut session = Session::start(&example(), &["--live", "left-high", "panic"], &[]);
    shows_the_screen(&session);
    session.ends_with(1, "what was kept stays kept");
    assert!(session.text().contains("a panic on purpose"));
}

#[test]
fn no_color_is_honoured() {
    let coloured = |environment: &[(&str, &str)]| {
        let mut session = Session::start(&example(), &["--live", "left-high"], environment);
        shows_the_screen(&session);
        let shown = session.shown.lock().unwrap();
        let count = (0..24)
            .flat_map(|row| (0..80).map(move |column| (row, column)))
            .filter_map(|(row, column)| shown.screen().cell(row, column))
            .filter(|cell| cell.fgcolor() != vt100::Color::Default)
            .count();
        drop(shown);
        session.press("q");
        session.ends_with(0, "ended: Quit");
        count
    };
    assert!(coloured(&[]) > 50);
    assert_eq!(coloured(&[("NO_COLOR", "1")]), 0);
}

#[test]
fn without_a_terminal_it_says_what_to_do() {
    let output = Command::new(example())
        .args(["--live", "left-high"])
        .stdin(Stdio::null())
        .output()
        .unwrap();
    let said = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(2), "{said}");
    assert!(said.contains("standard input is not a terminal"), "{said}");
    assert!(said.contains("screen.terminal.none"), "{said}");
    assert!(said.contains("--plain"), "{said}");
    assert!(output.stdout.is_empty());
}
