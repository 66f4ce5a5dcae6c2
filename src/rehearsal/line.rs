//! A pseudo-terminal that stands for one sensor's serial line.
//!
//! In: frames to send. Out: bytes that the host wrote. The host opens the line
//! by a stable name (a symbolic link); unplugging closes the pseudo-terminal
//! and takes the name away, plugging in again makes a new one under the same
//! name, as a USB adapter would come back.
//!
//! Refused: what the host does not take; a line whose buffer is full loses the
//! newest frames, and they are counted.

use std::collections::VecDeque;
use std::os::fd::OwnedFd;
use std::path::{Path, PathBuf};

use rustix::fs::{Mode, OFlags, fcntl_getfl, fcntl_setfl, open};
use rustix::io::{Errno, read, write};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};

use super::fault::{RehearsalError, Step};

/// How many bytes wait here at most for a host that is slow; more than ten
/// simulated seconds of samples.
const WAITING_BYTES: usize = 4096;

/// What went over one line.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct LineCount {
    /// The sensor's name.
    pub name: String,
    /// The name under which the host opens the line.
    pub path: PathBuf,
    /// Frames that the line took whole.
    pub frames_written: u64,
    /// Bytes that the line took.
    pub bytes_written: u64,
    /// Frames that found no room or no line, or were cut off.
    pub frames_dropped: u64,
    /// Bytes that the host sent.
    pub bytes_read: u64,
    /// Good requests of the host.
    pub requests: u64,
    /// Frames of the host that did not check.
    pub rejected: u64,
    /// How often the line was plugged in, the first time included.
    pub plugged_in: u64,
}

/// One line.
#[derive(Debug)]
pub(super) struct Line {
    pub(super) count: LineCount,
    terminal: Option<Terminal>,
    /// Whole frames, the first perhaps begun, that the line had no room for.
    waiting: Vec<u8>,
    /// Where the frames that wait end, counted in bytes from the front.
    ends: VecDeque<usize>,
}

/// Both ends of a pseudo-terminal. The far end is kept open so that the near
/// one goes on working while no host has it open.
#[derive(Debug)]
struct Terminal {
    near: OwnedFd,
    _far: OwnedFd,
}

impl Terminal {
    /// Opens one, raw, and gives the path of its far end.
    fn open() -> Result<(Self, PathBuf), RehearsalError> {
        let failed = |step: Step| {
            move |source: Errno| RehearsalError::Terminal {
                step,
                source: source.into(),
            }
        };
        let near = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).map_err(failed(Step::Open))?;
        grantpt(&near).map_err(failed(Step::Grant))?;
        unlockpt(&near).map_err(failed(Step::Unlock))?;
        let name = ptsname(&near, Vec::new()).map_err(failed(Step::Name))?;
        let path = PathBuf::from(name.to_string_lossy().into_owned());
        let far = open(
            &path,
            OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC,
            Mode::empty(),
        )
        .map_err(failed(Step::OpenFar))?;
        let mut modes = tcgetattr(&far).map_err(failed(Step::Raw))?;
        modes.make_raw();
        tcsetattr(&far, OptionalActions::Now, &modes).map_err(failed(Step::Raw))?;
        let flags = fcntl_getfl(&near).map_err(failed(Step::NoWaiting))?;
        fcntl_setfl(&near, flags | OFlags::NONBLOCK).map_err(failed(Step::NoWaiting))?;
        rustix::io::fcntl_setfd(&near, rustix::io::FdFlags::CLOEXEC)
            .map_err(failed(Step::NoWaiting))?;
        Ok((Self { near, _far: far }, path))
    }
}

impl Line {
    /// A line under the sensor's name in a folder, plugged in.
    pub(super) fn new(name: &str, folder: &Path) -> Result<Self, RehearsalError> {
        let mut line = Self {
            count: LineCount {
                name: name.to_owned(),
                path: folder.join(name.replace(' ', "-")),
                ..LineCount::default()
            },
            terminal: None,
            waiting: Vec::new(),
            ends: VecDeque::new(),
        };
        line.plug_in()?;
        Ok(line)
    }

    /// Whether it is plugged in.
    pub(super) const fn is_in(&self) -> bool {
        self.terminal.is_some()
    }

    /// Plugs it in, under the same name; nothing where it is in.
    pub(super) fn plug_in(&mut self) -> Result<(), RehearsalError> {
        if self.terminal.is_some() {
            return Ok(());
        }
        let (terminal, far) = Terminal::open()?;
        let path = &self.count.path;
        let failed = |source| RehearsalError::Link {
            path: path.clone(),
            source,
        };
        match std::fs::remove_file(path) {
            Err(source) if source.kind() != std::io::ErrorKind::NotFound => {
                return Err(failed(source));
            }
            _ => {}
        }
        std::os::unix::fs::symlink(&far, path).map_err(failed)?;
        self.terminal = Some(terminal);
        self.count.plugged_in += 1;
        Ok(())
    }

    /// Pulls it out: the host's end hangs up, the name is gone, what waited is
    /// lost.
    pub(super) fn unplug(&mut self) {
        self.terminal = None;
        self.waiting.clear();
        self.count.frames_dropped += self.ends.len() as u64;
        self.ends.clear();
        // Nothing is lost by a name that stays: it leads nowhere.
        let _ = std::fs::remove_file(&self.count.path);
    }

    /// Sends a frame, or drops it where there is no room or no line.
    pub(super) fn send(&mut self, frame: &[u8]) {
        if self.terminal.is_none() || self.waiting.len() + frame.len() > WAITING_BYTES {
            self.count.frames_dropped += 1;
            return;
        }
        self.waiting.extend_from_slice(frame);
        self.ends.push_back(self.waiting.len());
    }

    /// Puts on the line what it takes.
    pub(super) fn drain(&mut self) {
        let Some(terminal) = &self.terminal else {
            return;
        };
        while !self.waiting.is_empty() {
            match write(&terminal.near, &self.waiting) {
                Ok(taken) if taken > 0 => {
                    self.waiting.drain(..taken);
                    self.count.bytes_written += taken as u64;
                    let whole = self.ends.partition_point(|end| *end <= taken);
                    self.ends.drain(..whole);
                    self.count.frames_written += whole as u64;
                    for end in &mut self.ends {
                        *end -= taken;
                    }
                }
                Err(Errno::INTR) => {}
                // Full, or nobody there: it waits.
                _ => return,
            }
        }
    }

    /// What the host sent since the last time.
    pub(super) fn receive(&mut self) -> Vec<u8> {
        let mut heard = Vec::new();
        let Some(terminal) = &self.terminal else {
            return heard;
        };
        let mut piece = [0; 256];
        // As much as a host can mean to say at once; the rest the next time.
        while heard.len() < WAITING_BYTES {
            match read(&terminal.near, &mut piece) {
                Ok(count) if count > 0 => heard.extend_from_slice(&piece[..count]),
                Err(Errno::INTR) => {}
                _ => break,
            }
        }
        self.count.bytes_read += heard.len() as u64;
        heard
    }
}

impl Drop for Line {
    fn drop(&mut self) {
        self.unplug();
    }
}
