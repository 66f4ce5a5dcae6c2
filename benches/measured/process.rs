//! Whole processes: the program on a terminal of its own, sensors on pseudo-terminals, what
//! a process took of the processor and of memory.

use std::fmt::Write as _;
use std::io::{Read as _, Write as _};
use std::os::fd::{AsFd as _, OwnedFd};
use std::path::{Path, PathBuf};
use std::time::Duration;
use stillheight_protocol::{MAX_FRAME, Message, encode};

/// The program.
pub const PROGRAM: &str = env!("CARGO_BIN_EXE_stillheight");

/// A folder that is removed at the end.
pub struct Folder(pub PathBuf);

impl Folder {
    pub fn new(name: &str) -> Self {
        let path = std::env::temp_dir().join(format!(
            "stillheight-measured-{name}-{}",
            std::process::id()
        ));
        std::fs::create_dir_all(&path).unwrap();
        Self(path)
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

/// A pseudo-terminal that stands for a sensor's line.
pub struct FarEnd {
    controller: OwnedFd,
    /// Kept open, so that the line stays what it is while nobody has it open.
    _near: OwnedFd,
    pub path: PathBuf,
    pub refused: u64,
}

impl FarEnd {
    pub fn new() -> Self {
        use rustix::fs::{Mode, OFlags, fcntl_getfl, fcntl_setfl, open};
        use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
        use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};
        let controller = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).unwrap();
        grantpt(&controller).unwrap();
        unlockpt(&controller).unwrap();
        let name = ptsname(&controller, Vec::new()).unwrap();
        let path = PathBuf::from(name.into_string().unwrap());
        let near = open(
            &path,
            OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC,
            Mode::empty(),
        )
        .unwrap();
        let mut settings = tcgetattr(&near).unwrap();
        settings.make_raw();
        tcsetattr(&near, OptionalActions::Now, &settings).unwrap();
        let flags = fcntl_getfl(&controller).unwrap();
        fcntl_setfl(&controller, flags | OFlags::NONBLOCK).unwrap();
        rustix::io::fcntl_setfd(&controller, rustix::io::FdFlags::CLOEXEC).unwrap();
        Self {
            controller,
            _near: near,
            path,
            refused: 0,
        }
    }

    /// Sends a message whole, or counts that the line had no room for it.
    pub fn send(&mut self, message: &Message) {
        let mut frame = [0; MAX_FRAME];
        let length = encode(message, &mut frame).unwrap();
        match rustix::io::write(self.controller.as_fd(), &frame[..length]) {
            Ok(n) if n == length => {}
            _ => self.refused += 1,
        }
    }

    /// Takes what the host sent; how many bytes.
    pub fn take(&mut self) -> usize {
        let mut buffer = [0; 256];
        rustix::io::read(&self.controller, &mut buffer).unwrap_or(0)
    }
}

/// The template's vehicle with so many distance sensors, each on its line.
pub fn sheet_text(lines: &[&Path]) -> String {
    let template = stillheight::sheet::template(stillheight::quantity::UnitSystem::Metric);
    let mut text = template[..template.find("[[sensor]]").unwrap()].to_owned();
    for (i, line) in lines.iter().enumerate() {
        let side = if i % 2 == 0 { 380 } else { -380 };
        let _ = write!(
            text,
            "[[sensor]]\nname = \"floor {i}\"\nport = \"{}\"\nprotocol = \"wire\"\ndevice = \"{:#x}\"\n\
             reads = \"frame to floor\"\nfrom = [\"{} mm\", \"{side} mm\", \"-12 mm\"]\nzero_uncertainty = \"1 mm\"\n\n",
            line.display(),
            i + 1,
            200 * i as i32 - 450,
        );
    }
    text
}

/// The program on a terminal of 120 columns and 40 rows.
pub struct OnScreen {
    pub child: Box<dyn portable_pty::Child + Send + Sync>,
    writer: Box<dyn std::io::Write + Send>,
    _master: Box<dyn portable_pty::MasterPty + Send>,
}

impl OnScreen {
    /// Starts it; `seen` is called after every piece of output.
    pub fn start(
        arguments: &[&str],
        mut seen: impl FnMut(&vt100::Screen) + Send + 'static,
    ) -> Self {
        let pair = portable_pty::native_pty_system()
            .openpty(portable_pty::PtySize {
                rows: 40,
                cols: 120,
                pixel_width: 0,
                pixel_height: 0,
            })
            .unwrap();
        let mut command = portable_pty::CommandBuilder::new(PROGRAM);
        command.args(arguments);
        command.env("TERM", "xterm-256color");
        let child = pair.slave.spawn_command(command).unwrap();
        drop(pair.slave);
        let rows = std::num::NonZeroU16::new(40).unwrap();
        let columns = std::num::NonZeroU16::new(120).unwrap();
        let mut picture = vt100::Parser::new(rows, columns, 0);
        let mut reader = pair.master.try_clone_reader().unwrap();
        std::thread::spawn(move || {
            let mut buffer = vec![0; 65536];
            while let Ok(n) = reader.read(&mut buffer) {
                if n == 0 {
                    break;
                }
                picture.process(&buffer[..n]);
                seen(picture.screen());
            }
        });
        Self {
            child,
            writer: pair.master.take_writer().unwrap(),
            _master: pair.master,
        }
    }

    pub fn pid(&self) -> u32 {
        self.child.process_id().unwrap()
    }

    /// Presses the quit key and waits; kills it where it stays.
    pub fn quit(mut self) {
        let _ = self.writer.write_all(b"q");
        let _ = self.writer.flush();
        for _ in 0..100 {
            if let Ok(Some(_)) = self.child.try_wait() {
                return;
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Seconds of the processor that a process has taken.
pub fn processor_s(pid: u32) -> f64 {
    let stat = std::fs::read_to_string(format!("/proc/{pid}/stat")).unwrap_or_default();
    let after = stat.rsplit_once(')').map_or("", |(_, rest)| rest);
    let fields: Vec<&str> = after.split_whitespace().collect();
    let ticks = |i: usize| {
        fields
            .get(i)
            .and_then(|f| f.parse::<f64>().ok())
            .unwrap_or(f64::NAN)
    };
    // Linux has a hundred ticks a second on all usual machines (USER_HZ).
    (ticks(11) + ticks(12)) / 100.0
}

/// The most memory that a process had at once, megabytes.
pub fn peak_mb(pid: u32) -> f64 {
    let status = std::fs::read_to_string(format!("/proc/{pid}/status")).unwrap_or_default();
    status
        .lines()
        .find_map(|l| l.strip_prefix("VmHWM:"))
        .and_then(|l| l.trim().trim_end_matches(" kB").trim().parse::<f64>().ok())
        .map_or(f64::NAN, |kb| kb / 1024.0)
}
