//! Disks that fail under the real binary: it says so, goes on watching, holds what it
//! keeps and writes it when that can be; and nothing that is not its own is touched.
//!
//! The rehearsal is run, because it is the loop of `watch` with sensors that are always
//! at hand. What fails is made to fail by the system itself: a bound on the size of
//! files (`setrlimit`), which this test sets on the running program and lifts again;
//! permissions, as an ordinary user; a file put into the logbook's place.

use crate::room::folder::Folder;
use serde_json::Value;
use std::io::{BufRead as _, BufReader};
use std::os::unix::fs::PermissionsExt as _;
use std::os::unix::process::CommandExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};
use stillheight::logbook::{Logbook, Which};

/// Far more than anything here takes, on however slow a machine.
const PATIENCE: Duration = Duration::from_mins(5);
const NAME: &str = "rehearsal.logbook.sqlite";

fn logbook_of(folder: &Folder) -> PathBuf {
    folder.0.join(NAME)
}

/// The running program and what it says.
struct Running {
    child: Child,
    lines: Receiver<Value>,
    kept: usize,
}

impl Running {
    /// Starts the rehearsal in a folder. With the signal for files that grow too big
    /// ignored, such a write fails like any other.
    fn start(folder: &Path, user: Option<u32>) -> Self {
        let program = PathBuf::from(env!("CARGO_BIN_EXE_stillheight"));
        let program = if user.is_some() {
            // Where an ordinary user may get at it.
            let near = folder.join("program");
            if std::fs::hard_link(&program, &near).is_err() {
                std::fs::copy(&program, &near).unwrap();
            }
            near
        } else {
            program
        };
        let mut command = Command::new("sh");
        command
            .args(["-c", "trap '' XFSZ; exec \"$0\" \"$@\""])
            .arg(program)
            .args(["rehearse", "--json", "--speed", "10", "--for", "36000s"])
            .arg("--folder")
            .arg(folder)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .current_dir(folder);
        if let Some(user) = user {
            command.uid(user).gid(user);
        }
        let mut child = command.spawn().unwrap();
        let out = BufReader::new(child.stdout.take().unwrap());
        let (sender, lines) = channel();
        std::thread::spawn(move || {
            for line in out.lines().map_while(Result::ok) {
                if let Ok(value) = serde_json::from_str(&line)
                    && sender.send(value).is_err()
                {
                    break;
                }
            }
        });
        Self {
            child,
            lines,
            kept: 0,
        }
    }

    /// Waits for a line.
    fn until(&mut self, what: &str, asked: impl Fn(&Value) -> bool) -> Value {
        let end = Instant::now() + PATIENCE;
        loop {
            let left = end.saturating_duration_since(Instant::now());
            let line = self
                .lines
                .recv_timeout(left)
                .unwrap_or_else(|e| panic!("never heard: {what} ({e})"));
            self.kept += usize::from(line["event"] == "kept");
            if asked(&line) {
                return line;
            }
        }
    }

    fn until_kept(&mut self, more: usize) {
        let due = self.kept + more;
        while self.kept < due {
            self.until("a kept reading", |line| line["event"] == "kept");
        }
    }

    /// Goes on watching for so many of its own seconds, in which nothing may be said to
    /// be kept.
    fn watches_on(&mut self, seconds: usize) {
        let before = self.kept;
        for _ in 0..seconds {
            self.until("another second", |line| line["event"] == "second");
        }
        assert_eq!(self.kept, before, "nothing is said to be kept meanwhile");
    }

    fn until_trouble(&mut self, code: &str) -> String {
        let line = self.until(code, |line| {
            line["event"] == "notice" && line["text"].as_str().unwrap().contains(code)
        });
        line["text"].as_str().unwrap().to_owned()
    }

    fn until_cured(&mut self) {
        self.until("that it is over", |line| {
            line["event"] == "notice"
                && line["text"]
                    .as_str()
                    .unwrap()
                    .contains("the logbook is written again")
        });
    }

    #[cfg(target_os = "linux")]
    fn limit_files(&self, bytes: Option<u64>) {
        let limit = rustix::process::Rlimit {
            current: bytes,
            maximum: None,
        };
        let pid = rustix::process::Pid::from_child(&self.child);
        rustix::process::prlimit(Some(pid), rustix::process::Resource::Fsize, limit).unwrap();
    }

    /// Ends it as a user does; all that it said to be kept.
    fn end(mut self) -> (Option<i32>, usize) {
        let pid = rustix::process::Pid::from_child(&self.child);
        rustix::process::kill_process(pid, rustix::process::Signal::TERM).unwrap();
        while let Ok(line) = self.lines.recv_timeout(PATIENCE) {
            self.kept += usize::from(line["event"] == "kept");
        }
        (self.child.wait().unwrap().code(), self.kept)
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Everything that was said to be kept is there, and the file is whole.
fn all_there(path: &Path, said: usize) {
    let logbook = Logbook::open(path).unwrap();
    logbook.check().unwrap();
    let kept = logbook.kept(Which::All).unwrap();
    assert!(kept.len() >= said, "{said} said, {} there", kept.len());
    let order = kept.windows(2).all(|w| w[0].reading.at < w[1].reading.at);
    assert!(order, "in the order of time");
}

/// No file may grow beyond what it has: as good as a full disk.
#[cfg(target_os = "linux")]
#[test]
fn a_disk_without_room_holds_up_nothing_and_loses_nothing() {
    let folder = Folder::new("full");
    let mut running = Running::start(&folder.0, None);
    running.until_kept(1);
    {
        running.limit_files(Some(16 * 1024));
        let words = running.until_trouble("logbook.disk");
        assert!(
            words.contains(NAME) && words.contains("wait in memory"),
            "{words}"
        );
        running.watches_on(65);
        running.limit_files(None);
        running.until_cured();
        running.until_kept(2);
    }
    let (_, said) = running.end();
    assert!(said >= 3, "{said}");
    all_there(&logbook_of(&folder), said);
}

/// Another file in the logbook's place is left alone; once the logbook is back, what
/// waited is written.
#[test]
fn a_file_put_in_the_logbooks_place_is_left_alone() {
    let folder = Folder::new("replaced");
    let mut running = Running::start(&folder.0, None);
    running.until_kept(1);
    let aside = folder.0.join("aside");
    std::fs::rename(logbook_of(&folder), &aside).unwrap();
    std::fs::write(logbook_of(&folder), "a shopping list").unwrap();
    let words = running.until_trouble("logbook.file.moved");
    assert!(words.contains("Move it back"), "{words}");
    running.watches_on(65);
    assert_eq!(
        std::fs::read(logbook_of(&folder)).unwrap(),
        b"a shopping list"
    );
    std::fs::rename(&aside, logbook_of(&folder)).unwrap();
    running.until_cured();
    running.until_kept(2);
    let (_, said) = running.end();
    all_there(&logbook_of(&folder), said);
}

/// A logbook that may not be written, by a user who is not root; then it may again.
#[test]
fn a_logbook_without_permission_is_told_and_written_when_it_may_be() {
    let folder = Folder::new("permission");
    drop(Logbook::open(&logbook_of(&folder)).unwrap());
    let lock = folder.0.join(format!("{NAME}.lock"));
    // Root may write everything: then the program runs as somebody else.
    let user = rustix::process::getuid().is_root().then_some(65_534);
    if let Some(user) = user {
        for path in [&folder.0, &logbook_of(&folder), &lock] {
            std::os::unix::fs::chown(path, Some(user), Some(user)).unwrap();
        }
    }
    let mode = |mode| {
        let permissions = std::fs::Permissions::from_mode(mode);
        std::fs::set_permissions(logbook_of(&folder), permissions).unwrap();
    };
    mode(0o444);
    let before = std::fs::read(logbook_of(&folder)).unwrap();
    let mut running = Running::start(&folder.0, user);
    let words = running.until_trouble("logbook.disk.read_only");
    assert!(words.contains("Make the file"), "{words}");
    running.watches_on(65);
    assert_eq!(std::fs::read(logbook_of(&folder)).unwrap(), before);
    mode(0o644);
    running.until_cured();
    running.until_kept(2);
    let (_, said) = running.end();
    all_there(&logbook_of(&folder), said);
}

/// A damaged page: told at once or when it is met; the vehicle is watched, and the
/// damaged file does not get worse: what is left in it can still be read out.
#[test]
fn a_damaged_logbook_is_told_and_watching_goes_on() {
    let folder = Folder::new("damaged");
    let mut running = Running::start(&folder.0, None);
    running.until_kept(2);
    running.end();
    // The page on which the table of readings begins.
    let raw = rusqlite::Connection::open(logbook_of(&folder)).unwrap();
    let root: i64 = raw
        .query_row(
            "SELECT rootpage FROM sqlite_schema WHERE name = 'kept'",
            [],
            |row| row.get(0),
        )
        .unwrap();
    drop(raw);
    let mut bytes = std::fs::read(logbook_of(&folder)).unwrap();
    let at = usize::try_from((root - 1) * 4096).unwrap();
    bytes[at..at + 4096].fill(0xA5);
    std::fs::write(logbook_of(&folder), &bytes).unwrap();
    let mut running = Running::start(&folder.0, None);
    let words = running.until_trouble("logbook.file.damaged");
    assert!(words.contains("Copy the logbook"), "{words}");
    running.watches_on(65);
    let (code, said) = running.end();
    assert_eq!(said, 0, "nothing was said to be kept");
    assert_ne!(
        code,
        Some(0),
        "what could not be saved is told by the exit code"
    );
    let after = std::fs::read(logbook_of(&folder)).unwrap();
    assert_eq!(&after[at..at + 4096], &bytes[at..at + 4096]);
}

/// A newer program's file and another program's are refused at the start, with the way
/// out, and stay as they are to the last byte.
#[test]
fn a_newer_or_foreign_file_is_refused_at_the_start_and_untouched() {
    for (what, code) in [
        ("PRAGMA user_version = 99", "logbook.file.newer"),
        ("PRAGMA application_id = 77", "logbook.file.foreign"),
    ] {
        let folder = Folder::new(code);
        drop(Logbook::open(&logbook_of(&folder)).unwrap());
        let raw = rusqlite::Connection::open(logbook_of(&folder)).unwrap();
        raw.execute_batch(what).unwrap();
        drop(raw);
        let before = std::fs::read(logbook_of(&folder)).unwrap();
        let output = Command::new(env!("CARGO_BIN_EXE_stillheight"))
            .args(["rehearse", "--json", "--for", "5s", "--folder"])
            .arg(&folder.0)
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(2), "{said}");
        assert!(said.contains(code), "{said}");
        assert!(said.contains("Nothing was written to it"), "{said}");
        assert_eq!(std::fs::read(logbook_of(&folder)).unwrap(), before);
    }
}
