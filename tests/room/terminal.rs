//! A program on a pseudo-terminal: keys go in, and what the terminal shows is read.

use std::io::{Read, Write};
use std::num::NonZero;
use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use portable_pty::{Child, CommandBuilder, MasterPty, PtySize, SlavePty, native_pty_system};
use rustix::process::{Pid, Signal, kill_process};
use rustix::termios::{LocalModes, tcgetattr};

/// A program on a pseudo-terminal of its own, and what that shows.
pub(crate) struct Session {
    pub(crate) master: Box<dyn MasterPty + Send>,
    /// Stays open, so that the terminal's modes can be read after the child
    /// has ended.
    _slave: Box<dyn SlavePty + Send>,
    keys: Box<dyn Write + Send>,
    child: Box<dyn Child + Send + Sync>,
    pub(crate) shown: Arc<Mutex<vt100::Parser>>,
    /// Waits for so long at most.
    pub(crate) patience: Duration,
}

impl Session {
    /// Starts it at 80 by 24.
    pub(crate) fn start(program: &Path, arguments: &[&str], environment: &[(&str, &str)]) -> Self {
        let pair = native_pty_system()
            .openpty(PtySize {
                rows: 24,
                cols: 80,
                ..PtySize::default()
            })
            .unwrap();
        let mut command = CommandBuilder::new(program);
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
            patience: Duration::from_secs(10),
        }
    }

    /// What it shows.
    pub(crate) fn text(&self) -> String {
        self.shown.lock().unwrap().screen().contents()
    }

    pub(crate) fn wait_for(&self, what: &str) {
        self.wait_until(what, |screen| screen.contents().contains(what));
    }

    /// Waits until it shows what is expected; long enough for a loaded machine.
    pub(crate) fn wait_until(&self, what: &str, is_so: impl Fn(&vt100::Screen) -> bool) {
        let end = Instant::now() + self.patience;
        while !is_so(self.shown.lock().unwrap().screen()) {
            assert!(
                Instant::now() < end,
                "waited in vain for '{what}'; shown:\n{}",
                self.text()
            );
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    /// Presses keys.
    pub(crate) fn press(&mut self, keys: &str) {
        self.keys.write_all(keys.as_bytes()).unwrap();
        self.keys.flush().unwrap();
    }

    /// Sends a signal.
    pub(crate) fn signal(&self, signal: Signal) {
        let pid = i32::try_from(self.child.process_id().unwrap()).unwrap();
        kill_process(Pid::from_raw(pid).unwrap(), signal).unwrap();
    }

    /// Whether lines are edited and typed letters shown, as a shell has it.
    pub(crate) fn cooked(&self) -> bool {
        let path = self.master.tty_name().unwrap();
        let terminal = std::fs::File::open(path).unwrap();
        tcgetattr(&terminal)
            .unwrap()
            .local_modes
            .contains(LocalModes::ICANON | LocalModes::ECHO)
    }

    /// Waits for the end; the terminal must be as it was before.
    pub(crate) fn ends_with(&mut self, code: u32, last_words: &str) {
        let end = Instant::now() + self.patience;
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
