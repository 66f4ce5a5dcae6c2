//! One writer at a time: an advisory lock on a file beside the logbook.
//!
//! The lock is on a file of its own and not on the database, because closing
//! any handle on the database would drop the locks SQLite holds there. The
//! system releases it when the process ends, however it ends. Readers do not
//! take it.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use super::error::{LogbookError, Strange};

/// First words of a lock file that is ours.
const MARK: &str = "logbook in use by process ";

/// The lock, released when dropped.
#[derive(Debug)]
pub(super) struct WriterLock {
    file: File,
}

/// Where the lock of a logbook is.
pub(super) fn lock_path(logbook: &Path) -> PathBuf {
    let mut name = logbook.as_os_str().to_owned();
    name.push(".lock");
    PathBuf::from(name)
}

impl WriterLock {
    /// Takes the lock or says who has it. Never waits.
    pub(super) fn take(logbook: &Path) -> Result<Self, LogbookError> {
        let path = lock_path(logbook);
        let open_failed = |source: std::io::Error| LogbookError::Open {
            path: path.clone(),
            source: Box::new(source),
        };
        // A link would have us make or write a file somewhere else.
        if std::fs::symlink_metadata(&path).is_ok_and(|about| about.is_symlink()) {
            return Err(LogbookError::Foreign {
                path,
                found: Strange::NotALock,
            });
        }
        let mut file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(&path)
            .map_err(open_failed)?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                return Err(LogbookError::InUse {
                    path: logbook.to_path_buf(),
                    by: first_line(&mut file)
                        .and_then(|line| line.strip_prefix(MARK)?.trim().parse().ok()),
                });
            }
            Err(TryLockError::Error(source)) => return Err(open_failed(source)),
        }
        // Somebody may have put another file in this place: leave it alone.
        if !is_ours(&mut file) {
            return Err(LogbookError::Foreign {
                path,
                found: Strange::NotALock,
            });
        }
        // Who holds it is a courtesy; a full disk must not stop us here.
        let _ = file.set_len(0);
        let _ = file.seek(SeekFrom::Start(0));
        let _ = file.write_all(format!("{MARK}{}\n", std::process::id()).as_bytes());
        Ok(Self { file })
    }
}

impl Drop for WriterLock {
    fn drop(&mut self) {
        let _ = self.file.set_len(0);
        let _ = self.file.unlock();
    }
}

/// Ours whole, or as a power cut leaves it: cut short, or with nothing in place of
/// what had not reached the disk.
fn is_ours(file: &mut File) -> bool {
    let mut start = Vec::new();
    if file.seek(SeekFrom::Start(0)).is_err()
        || Read::by_ref(file).take(80).read_to_end(&mut start).is_err()
    {
        return false;
    }
    start
        .iter()
        .zip(MARK.as_bytes())
        .all(|(byte, due)| *byte == 0 || byte == due)
}

fn first_line(file: &mut File) -> Option<String> {
    let mut start = Vec::new();
    file.seek(SeekFrom::Start(0)).ok()?;
    file.take(80).read_to_end(&mut start).ok()?;
    let text = String::from_utf8(start).ok()?;
    text.lines().next().map(str::to_owned)
}
