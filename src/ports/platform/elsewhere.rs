//! Windows: what a path is, signals, standard output. Not tested: no such machine
//! was at hand.
//!
//! In: a path. Out: as the functions say. Refused: nothing.

use std::fs::File;
use std::path::Path;

/// What the path is, where it is not a port; names there do not tell.
pub(crate) fn other_than_device(path: &Path) -> Option<&'static str> {
    if path.is_dir() {
        Some("a folder")
    } else if path.is_file() {
        Some("a file")
    } else {
        None
    }
}

/// No groups own ports there.
pub(crate) fn owning_group(_path: &Path) -> Option<String> {
    None
}

/// Standard output as a file of its own, without the lock and the line buffer.
#[cfg(windows)]
pub(crate) fn standard_output() -> std::io::Result<File> {
    use std::os::windows::io::AsHandle as _;
    Ok(std::io::stdout().as_handle().try_clone_to_owned()?.into())
}

/// Time that has run since the first call, also while the computer slept, as the
/// system's counter there does (from memory).
pub(crate) fn running() -> std::time::Duration {
    static FIRST: std::sync::OnceLock<std::time::Instant> = std::sync::OnceLock::new();
    FIRST.get_or_init(std::time::Instant::now).elapsed()
}

/// What ends the program: the interrupt key.
pub(crate) struct Signals;

impl Signals {
    #[allow(clippy::unnecessary_wraps, reason = "the same shape on every system")]
    pub(crate) fn new() -> std::io::Result<Self> {
        Ok(Self)
    }

    pub(crate) async fn next(&mut self) -> &'static str {
        match tokio::signal::ctrl_c().await {
            Ok(()) => "SIGINT",
            Err(_) => std::future::pending().await,
        }
    }
}
