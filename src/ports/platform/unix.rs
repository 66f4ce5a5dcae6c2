//! Linux and macOS: what a path is, who owns it, signals, standard output.
//!
//! In: a path. Out: as the functions say. Refused: nothing.

use std::fs::File;
use std::path::Path;

/// What the path is, where it is not a character device.
pub(crate) fn other_than_device(path: &Path) -> Option<&'static str> {
    use std::os::unix::fs::FileTypeExt as _;
    let kind = std::fs::metadata(path).ok()?.file_type();
    if kind.is_dir() {
        Some("a folder")
    } else if kind.is_file() {
        Some("a file")
    } else if kind.is_char_device() {
        None
    } else {
        Some("something else")
    }
}

/// Name of the group that owns the device node.
pub(crate) fn owning_group(path: &Path) -> Option<String> {
    use std::os::unix::fs::MetadataExt as _;
    let gid = std::fs::metadata(path).ok()?.gid();
    group_name(&std::fs::read_to_string("/etc/group").ok()?, gid)
}

/// Name of a group in the text of a group file (`name:password:gid:members`).
fn group_name(groups: &str, gid: u32) -> Option<String> {
    groups.lines().find_map(|line| {
        let mut fields = line.split(':');
        let name = fields.next()?;
        (fields.nth(1)?.parse() == Ok(gid)).then(|| name.to_owned())
    })
}

/// Standard output as a file of its own, without the lock and the line buffer.
pub(crate) fn standard_output() -> std::io::Result<File> {
    use std::os::fd::AsFd as _;
    Ok(std::io::stdout().as_fd().try_clone_to_owned()?.into())
}

/// Time that has run since some moment, also while the computer slept.
///
/// Source: clock_gettime(2) of Linux: CLOCK_MONOTONIC leaves out the time that the
/// system is suspended, CLOCK_BOOTTIME counts it. The manual of macOS: there
/// CLOCK_MONOTONIC counts it.
pub(crate) fn running() -> std::time::Duration {
    #[cfg(any(target_os = "linux", target_os = "android"))]
    let clock = rustix::time::ClockId::Boottime;
    #[cfg(not(any(target_os = "linux", target_os = "android")))]
    let clock = rustix::time::ClockId::Monotonic;
    let now = rustix::time::clock_gettime(clock);
    std::time::Duration::new(
        u64::try_from(now.tv_sec).unwrap_or_default(),
        u32::try_from(now.tv_nsec).unwrap_or_default(),
    )
}

/// The signals that end the program.
pub(crate) struct Signals {
    terminate: tokio::signal::unix::Signal,
    hang_up: tokio::signal::unix::Signal,
    interrupt: tokio::signal::unix::Signal,
}

impl Signals {
    pub(crate) fn new() -> std::io::Result<Self> {
        use tokio::signal::unix::{SignalKind, signal};
        Ok(Self {
            terminate: signal(SignalKind::terminate())?,
            hang_up: signal(SignalKind::hangup())?,
            interrupt: signal(SignalKind::interrupt())?,
        })
    }

    pub(crate) async fn next(&mut self) -> &'static str {
        tokio::select! {
            _ = self.terminate.recv() => "SIGTERM",
            _ = self.hang_up.recv() => "SIGHUP",
            _ = self.interrupt.recv() => "SIGINT",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_the_group_file() {
        let text = "root:x:0:\ndialout:x:20:anna,ben\nbroken\nuucp:x:10:\n";
        assert_eq!(group_name(text, 20).as_deref(), Some("dialout"));
        assert_eq!(group_name(text, 10).as_deref(), Some("uucp"));
        assert_eq!(group_name(text, 99), None);
    }
}
