//! The screen on a real pseudo-terminal: the example program is started in
//! one, keys are pressed, signals sent, and what the terminal shows is read.

use std::io::{Read, Write};
use std::num::NonZero;
use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::sync::{Arc, Mutex, OnceLock};
use std::time::{Duration, Instant};

use portable_pty::{Child, CommandBuilder, MasterPty, PtySize, SlavePty, native_pty_system};
use rustix::process::{Pid, Signal, kill_process};
use rustix::termios::{LocalModes, tcgetattr};

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

struct Session {
    master: Box<dyn MasterPty + Send>,
    /// Stays open, so that the terminal's modes can be read after the child
    /// has ended.
    _slave: Box<dyn SlavePty + Send>,
    keys: Box<dyn Write + Send>,
    child: Box<dyn Child + Send + Sync>,
    shown: Arc<Mutex<vt100::Parser>>,
}

impl Session {
    fn start(arguments: &[&str], environment: &[(&str, &str)]) -> Self {
        let pair = native_pty_system()
            .openpty(PtySize {
                rows: 24,
                cols: 80,
                ..PtySize::default()
            })
            .unwrap();
        let mut command = CommandBuilder::new(example());
        command.args(arguments);
        command.env("TERM", "xterm-256color");
        command.env("RUST_BACKTRACE", "0");
        command.env_remove("NO_COLOR");
        for (name, value) in environment {
            command.env(name, value);
        }
        let child = pair.slave.spawn_command(command).unwrap();
        let shown = Arc::new(Mutex::new(vt100::Parser::new(
            NonZero::new(24).unwrap(),
            NonZero::new(80).unwrap(),
            0,
        )));
        let mut from_child = pair.master.try_clone_reader().unwrap();
        let to_show = Arc::clone(&shown);
        std::thread::spawn(move || {
            let mut bytes = [0; 4096];
            // The end of the child is an error here on Linux, not an end of file.
            while let Ok(count @ 1..) = from_child.read(&mut bytes) {
                to_show.lock().unwrap().process(&bytes[..count]);
            }
        });
        let keys = pair.master.take_writer().unwrap();
        Self {
            master: pair.master,
            _slave: pair.slave,
            keys,
            child,
            shown,
        }
    }

    fn text(&self) -> String {
        self.shown.lock().unwrap().screen().contents()
    }

    fn wait_for(&self, what: &str) {
        self.wait_until(what, |screen| screen.contents().contains(what));
    }

    fn wait_until(&self, what: &str, is_so: impl Fn(&vt100::Screen) -> bool) {
        let end = Instant::now() + Duration::from_secs(10);
        while !is_so(self.shown.lock().unwrap().screen()) {
            assert!(
                Instant::now() < end,
                "waited in vain for '{what}'; shown:\n{}",
                self.text()
            );
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    fn press(&mut self, keys: &str) {
        self.keys.write_all(keys.as_bytes()).unwrap();
        self.keys.flush().unwrap();
    }

    fn signal(&self, signal: Signal) {
        let pid = i32::try_from(self.child.process_id().unwrap()).unwrap();
        kill_process(Pid::from_raw(pid).unwrap(), signal).unwrap();
    }

    /// Whether lines are edited and typed letters shown, as a shell has it.
    fn cooked(&self) -> bool {
        let path = self.master.tty_name().unwrap();
        let terminal = std::fs::File::open(path).unwrap();
        tcgetattr(&terminal)
            .unwrap()
            .local_modes
            .contains(LocalModes::ICANON | LocalModes::ECHO)
    }

    fn shows_the_screen(&self) {
        self.wait_for("outside target: left high, nose down");
        let shown = self.shown.lock().unwrap();
        assert!(shown.screen().alternate_screen());
        assert!(shown.screen().hide_cursor());
        drop(shown);
        assert!(!self.cooked());
    }

    /// Waits for the end; the terminal must be as it was before.
    fn ends_with(&mut self, code: u32, last_words: &str) {
        let end = Instant::now() + Duration::from_secs(10);
        let status = loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                break status;
            }
            assert!(Instant::now() < end, "still runs; shown:\n{}", self.text());
            std::thread::sleep(Duration::from_millis(10));
        };
        self.wait_for(last_words);
        assert_eq!(status.exit_code(), code, "shown:\n{}", self.text());
        let shown = self.shown.lock().unwrap();
        assert!(!shown.screen().alternate_screen());
        assert!(!shown.screen().hide_cursor());
        drop(shown);
        assert!(self.cooked());
    }
}

#[test]
fn keys_reach_the_program_and_quit_gives_the_terminal_back() {
    let mut session = Session::start(&["--live", "left-high"], &[]);
    session.shows_the_screen();
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
    let mut session = Session::start(&["--live", "left-high"], &[]);
    session.shows_the_screen();
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
        let mut session = Session::start(&["--live", "left-high"], &[]);
        session.shows_the_screen();
        session.signal(signal);
        session.ends_with(0, name);
    }
}

#[test]
fn a_panic_in_a_task_gives_the_terminal_back_and_ends_with_one() {
    let mut session = Session::start(&["--live", "left-high", "panic"], &[]);
    session.shows_the_screen();
    session.ends_with(1, "what was kept stays kept");
    assert!(session.text().contains("a panic on purpose"));
}

#[test]
fn no_color_is_honoured() {
    let coloured = |environment: &[(&str, &str)]| {
        let mut session = Session::start(&["--live", "left-high"], environment);
        session.shows_the_screen();
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
