//! What a terminal hears and sees beside the screen: the bell that is asked for, and a sign of
//! life on standard error that is never in the way of a pipe. On real pseudo-terminals.
#![cfg(unix)]

use crate::room::folder::Folder;
use portable_pty::{CommandBuilder, PtySize, native_pty_system};
use std::io::{Read as _, Write as _};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

const PROGRAM: &str = env!("CARGO_BIN_EXE_stillheight");
/// Nothing takes so long, on the slowest machine.
const PATIENCE: Duration = Duration::from_mins(2);

struct Session {
    bytes: Arc<Mutex<Vec<u8>>>,
    keys: Box<dyn std::io::Write + Send>,
    child: Box<dyn portable_pty::Child + Send + Sync>,
    _master: Box<dyn portable_pty::MasterPty + Send>,
}

impl Session {
    fn start(command: CommandBuilder) -> Self {
        let size = PtySize {
            rows: 24,
            cols: 80,
            ..PtySize::default()
        };
        let pair = native_pty_system().openpty(size).unwrap();
        let child = pair.slave.spawn_command(command).unwrap();
        drop(pair.slave);
        let bytes = Arc::new(Mutex::new(Vec::new()));
        let to = Arc::clone(&bytes);
        let mut from = pair.master.try_clone_reader().unwrap();
        std::thread::spawn(move || {
            let mut piece = [0; 4096];
            while let Ok(count @ 1..) = from.read(&mut piece) {
                to.lock().unwrap().extend_from_slice(&piece[..count]);
            }
        });
        Self {
            bytes,
            keys: pair.master.take_writer().unwrap(),
            child,
            _master: pair.master,
        }
    }

    fn text(&self) -> String {
        String::from_utf8_lossy(&self.bytes.lock().unwrap()).into_owned()
    }

    /// What is on the screen now: only cells that change are sent.
    fn screen(&self) -> String {
        let size = |n| std::num::NonZero::new(n).unwrap();
        let mut terminal = vt100::Parser::new(size(24), size(80), 0);
        terminal.process(&self.bytes.lock().unwrap());
        terminal.screen().contents()
    }

    fn bells(&self) -> usize {
        self.text().matches('\u{7}').count()
    }

    fn wait(&self, what: &str, is_so: impl Fn(&Self) -> bool) {
        let began = Instant::now();
        while !is_so(self) {
            assert!(began.elapsed() < PATIENCE, "waited in vain: {what}");
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    fn end(&mut self) {
        let began = Instant::now();
        while self.child.try_wait().unwrap().is_none() {
            assert!(began.elapsed() < PATIENCE, "it does not end");
            std::thread::sleep(Duration::from_millis(20));
        }
        // What it said last is still on its way.
        std::thread::sleep(Duration::from_millis(200));
    }
}

impl Drop for Session {
    fn drop(&mut self) {
        let _ = self.child.kill();
    }
}

#[test]
fn the_bell_rings_when_it_is_asked_for_and_only_then() {
    let mut command = CommandBuilder::new(PROGRAM);
    command.args(["rehearse", "--speed", "4"]);
    command.env("TERM", "xterm-256color");
    let mut session = Session::start(command);
    // It stood still already once, in silence.
    session.wait("a reading is kept", |s| s.screen().contains("STILL"));
    assert_eq!(session.bells(), 0);
    session.keys.write_all(b"b").unwrap();
    session.wait("the key itself rings", |s| s.bells() >= 1);
    session.wait("the foot of the screen says it", |s| {
        s.screen().contains("bell is on")
    });
    session.wait("it rings when the vehicle is still again", |s| {
        s.bells() >= 2
    });
    session.keys.write_all(b"q").unwrap();
    session.end();
}

/// Three seconds of a capture, played as they were: a sign after the first one. Its place is
/// standard error; standard output is a file.
#[test]
fn a_sign_of_life_is_on_the_terminal_and_not_in_the_pipe() {
    let folder = Folder::new("signs");
    folder.text(&["sheet", "new", "van.toml"]);
    let capture = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/captures/wire-still.log");
    let run = |form: &str, file: &str| {
        let mut command = CommandBuilder::new("sh");
        command.cwd(&folder.0);
        command.env("TERM", "xterm-256color");
        let line =
            format!("'{PROGRAM}' watch van.toml --from '{capture}' {form} --speed 0.5 > {file}");
        command.args(["-c", &line]);
        let mut session = Session::start(command);
        session.end();
        let piped = std::fs::read_to_string(folder.0.join(file)).unwrap();
        (session.text(), piped)
    };
    let (terminal, piped) = run("--plain", "lines.txt");
    assert!(terminal.contains("playing the capture"), "{terminal:?}");
    // Gone at the end: the line is wiped.
    assert!(terminal.ends_with("\r\u{1b}[2K"), "{terminal:?}");
    assert!(
        piped.contains("nothing heard yet") && !piped.contains("playing"),
        "{piped}"
    );
    let (terminal, piped) = run("--json", "lines.json");
    assert_eq!(terminal, "");
    assert!(piped.lines().all(|l| l.starts_with('{')) && piped.lines().count() > 1);
    // Standard error in a file as well: nothing.
    let piped = folder.run(&["layout", "van.toml"]);
    assert!(piped.status.success() && piped.stderr.is_empty());
}
