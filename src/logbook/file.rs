//! Opening, refusing and checking the file.
//!
//! In: a path. Out: a [`Logbook`] to write or to read. Refused, before
//! anything is written: a file that is no logbook, a newer one, one that
//! another instance writes to.

use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::config::DbConfig;
use rusqlite::{Connection, OpenFlags};

use super::error::{LogbookError, Strange};
use super::lock::WriterLock;
use super::lookup::Which;
use super::records::SittingId;
use super::schema::{self, APPLICATION_ID, STEPS};

/// How long we wait for another program that holds the file. Chosen: longer
/// than any statement of our own takes.
const PATIENCE: Duration = Duration::from_secs(5);
/// How many findings a check lists before it stops. Chosen: a screenful.
const FINDINGS: i64 = 20;

/// An open logbook.
#[derive(Debug)]
pub struct Logbook {
    pub(super) connection: Connection,
    pub(super) path: PathBuf,
    /// The sitting that new records belong to.
    pub(super) sitting: Option<SittingId>,
    identity: Option<Identity>,
    /// Held while we may write; the database closes before it is released.
    pub(super) lock: Option<WriterLock>,
}

/// The logbook's path for a build sheet: `van.toml` -> `van.logbook.sqlite`,
/// any other name with `.logbook.sqlite` behind it.
pub fn beside(sheet: &Path) -> PathBuf {
    if sheet
        .extension()
        .is_some_and(|ending| ending.eq_ignore_ascii_case("toml"))
    {
        sheet.with_extension("logbook.sqlite")
    } else {
        let mut name = sheet.as_os_str().to_owned();
        name.push(".logbook.sqlite");
        PathBuf::from(name)
    }
}

/// What the header of a file says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum FirstLook {
    Nothing,
    Logbook,
}

/// Looks at the header alone, so that a stranger's file is not touched.
///
/// Through SQLite and not by opening the file: closing a handle of our own
/// would drop the locks that other connections of this process hold on it.
/// The id is written when the file is made and never again, so that the file
/// without its write-ahead log is enough.
fn first_look(path: &Path) -> Result<FirstLook, LogbookError> {
    let foreign = |found| LogbookError::Foreign {
        path: path.to_path_buf(),
        found,
    };
    let about = match std::fs::metadata(path) {
        Ok(about) => about,
        // A link that leads nowhere: the logbook would be made at its other end.
        Err(e) if e.kind() == std::io::ErrorKind::NotFound && path.is_symlink() => {
            return Err(foreign(Strange::NotAFile));
        }
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(FirstLook::Nothing),
        Err(source) => {
            return Err(LogbookError::Open {
                path: path.to_path_buf(),
                source: Box::new(source),
            });
        }
    };
    if !about.is_file() {
        return Err(foreign(Strange::NotAFile));
    }
    if about.len() == 0 {
        return Ok(FirstLook::Nothing);
    }
    let found: rusqlite::Result<i32> = open_immutable(path)
        .and_then(|c| c.query_row("PRAGMA application_id", [], |row| row.get(0)));
    let error = match found {
        Ok(APPLICATION_ID) => return Ok(FirstLook::Logbook),
        Ok(application_id) => foreign(Strange::OtherProgram { application_id }),
        Err(source) => LogbookError::from_sqlite(path, "opening", source),
    };
    // The journal has what was there before; opening it to write puts that back.
    match pages_before(path) {
        Some(0) => Ok(FirstLook::Nothing),
        Some(_) if matches!(error, LogbookError::Damaged { .. }) => Ok(FirstLook::Logbook),
        // Ended while the log was being carried over into the file: the two together
        // are whole. What it is, is asked again once both are read.
        None if matches!(error, LogbookError::Damaged { .. })
            && !write_ahead_log_is_empty(path) =>
        {
            Ok(FirstLook::Logbook)
        }
        _ => Err(error),
    }
}

/// Where a program was ended in the middle of writing with the older journal: how
/// many pages the database had before. None of them: it was just being made.
///
/// Source: SQLite, "Database File Format", section 3: eight bytes that mark it, count
/// of pages, a number of chance, size of the database in pages before.
fn pages_before(path: &Path) -> Option<u32> {
    use std::io::Read as _;
    const MARK: [u8; 8] = [0xd9, 0xd5, 0x05, 0xf9, 0x20, 0xa1, 0x63, 0xd7];
    let mut name = path.as_os_str().to_owned();
    name.push("-journal");
    let mut header = [0; 20];
    std::fs::File::open(PathBuf::from(name))
        .and_then(|mut file| file.read_exact(&mut header))
        .ok()?;
    let (mark, rest) = header.split_at(MARK.len());
    let pages = rest.last_chunk::<4>()?;
    (mark == MARK).then(|| u32::from_be_bytes(*pages))
}

impl Logbook {
    /// Opens a logbook to write, creates it where there is none, and brings
    /// an older one up to date.
    pub fn open(path: &Path) -> Result<Self, LogbookError> {
        Self::open_with(path, &STEPS)
    }

    /// As [`Logbook::open`], with the schema given.
    pub(super) fn open_with(path: &Path, steps: &[&str]) -> Result<Self, LogbookError> {
        let failed = |source| LogbookError::from_sqlite(path, "opening", source);
        first_look(path)?;
        let lock = WriterLock::take(path)?;
        let mut connection = Connection::open_with_flags(
            path,
            OpenFlags::SQLITE_OPEN_READ_WRITE
                | OpenFlags::SQLITE_OPEN_CREATE
                | OpenFlags::SQLITE_OPEN_NO_MUTEX,
        )
        .map_err(failed)?;
        // SQLite opens a file without write permission for reading instead.
        if connection.is_readonly(rusqlite::MAIN_DB).map_err(failed)? {
            return Err(LogbookError::ReadOnly {
                path: path.to_path_buf(),
            });
        }
        // Until the file is accepted, not even closing it may write to it.
        connection
            .set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, true)
            .map_err(failed)?;
        guard(&connection).map_err(failed)?;
        schema::migrate(&mut connection, path, steps)?;
        connection
            .set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, false)
            .map_err(failed)?;
        // Only now: the tables of a new file were made in one transaction of
        // the older journal, so that the file is either empty or complete. On
        // a network share the answer is not 'wal'; FULL is as safe there.
        connection
            .pragma_update_and_check(None, "journal_mode", "WAL", |row| row.get::<_, String>(0))
            .map_err(failed)?;
        connection
            .pragma_update(None, "synchronous", "FULL")
            .map_err(failed)?;
        // Matters on macOS, where a plain sync stops at the drive's cache.
        for pragma in ["fullfsync", "checkpoint_fullfsync"] {
            connection
                .pragma_update(None, pragma, true)
                .map_err(failed)?;
        }
        Ok(Self {
            connection,
            path: path.to_path_buf(),
            sitting: None,
            identity: Identity::of(path),
            lock: Some(lock),
        })
    }

    /// Opens a logbook to read, also while another instance writes to it.
    pub fn open_for_reading(path: &Path) -> Result<Self, LogbookError> {
        let failed = |source| LogbookError::from_sqlite(path, "opening", source);
        if first_look(path)? == FirstLook::Nothing {
            return Err(LogbookError::Open {
                path: path.to_path_buf(),
                source: Box::new(std::io::Error::from(std::io::ErrorKind::NotFound)),
            });
        }
        let alone = write_ahead_log_is_empty(path);
        // The file alone is the whole logbook where its log is empty. Side
        // files of one that nobody may write would be as read-only as it is,
        // and stay in the way of writing later.
        let connection = if alone && nobody_may_write(path) {
            open_immutable(path)
        } else {
            match open_read_only(path) {
                // No right to make the side files.
                Err(e) if is_cannot_open(&e) && alone => open_immutable(path),
                other => other,
            }
        }
        .map_err(failed)?;
        let known = STEPS.len();
        let found = schema::version_of(&connection, path)?;
        if schema::refuse_newer(path, found, known)? < known {
            return Err(LogbookError::Older {
                path: path.to_path_buf(),
                found,
                known: schema::SCHEMA_VERSION,
            });
        }
        Ok(Self {
            connection,
            path: path.to_path_buf(),
            sitting: None,
            identity: Identity::of(path),
            lock: None,
        })
    }

    /// Where the file is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Looks through the whole file: the database's own check, references
    /// between tables, and every kept reading against its digest.
    ///
    /// # Errors
    /// [`LogbookError::Damaged`] with what was found.
    pub fn check(&self) -> Result<(), LogbookError> {
        let failed = |source| LogbookError::from_sqlite(&self.path, "checking", source);
        let mut findings: Vec<String> = self
            .connection
            .prepare(&format!("PRAGMA integrity_check({FINDINGS})"))
            .and_then(|mut query| query.query_map([], |row| row.get(0))?.collect())
            .map_err(failed)?;
        findings.retain(|line| line != "ok");
        let orphans: Vec<String> = self
            .connection
            .prepare("PRAGMA foreign_key_check")
            .and_then(|mut query| {
                query
                    .query_map([], |row| {
                        let (table, parent): (String, String) = (row.get(0)?, row.get(2)?);
                        Ok(format!(
                            "a row of '{table}' belongs to no row of '{parent}'"
                        ))
                    })?
                    .collect()
            })
            .map_err(failed)?;
        findings.extend(orphans);
        if findings.is_empty() {
            let altered = self.kept(Which::All)?;
            findings.extend(
                altered
                    .iter()
                    .filter(|kept| !kept.intact)
                    .map(|kept| format!("kept reading {} is not as it was written", kept.id.0)),
            );
        }
        if findings.is_empty() {
            Ok(())
        } else {
            Err(LogbookError::Damaged {
                path: self.path.clone(),
                findings,
            })
        }
    }

    /// Lets the file grow to this many bytes at most (never less than it has
    /// now). A record beyond it is refused as [`LogbookError::Full`].
    pub fn limit_size(&self, bytes: u64) -> Result<(), LogbookError> {
        let failed = |source| LogbookError::from_sqlite(&self.path, "limiting its size", source);
        let page: i64 = self
            .connection
            .query_row("PRAGMA page_size", [], |row| row.get(0))
            .map_err(failed)?;
        // Nought would ask for the bound instead of setting one.
        let pages = (i64::try_from(bytes).unwrap_or(i64::MAX) / page.max(1)).max(1);
        self.connection
            .query_row(&format!("PRAGMA max_page_count = {pages}"), [], |_| Ok(()))
            .map_err(failed)
    }

    /// The file at the path is still the one that was opened.
    pub(super) fn still_there(&self) -> Result<(), LogbookError> {
        if self.identity.is_some() && Identity::of(&self.path) == self.identity {
            Ok(())
        } else {
            Err(LogbookError::Moved {
                path: self.path.clone(),
            })
        }
    }
}

/// Settings of every connection.
fn guard(connection: &Connection) -> rusqlite::Result<()> {
    connection.busy_timeout(PATIENCE)?;
    connection.pragma_update(None, "foreign_keys", true)?;
    connection.pragma_update(None, "cell_size_check", true)?;
    // The file may come from somebody else.
    connection.set_db_config(DbConfig::SQLITE_DBCONFIG_TRUSTED_SCHEMA, false)?;
    connection.set_db_config(DbConfig::SQLITE_DBCONFIG_DEFENSIVE, true)?;
    Ok(())
}

fn open_read_only(path: &Path) -> rusqlite::Result<Connection> {
    let connection = Connection::open_with_flags(
        path,
        OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX,
    )?;
    guard(&connection)?;
    // The first read is what needs the side files.
    connection.query_row("SELECT count(*) FROM sqlite_schema", [], |_| Ok(()))?;
    Ok(connection)
}

fn is_cannot_open(error: &rusqlite::Error) -> bool {
    matches!(
        error.sqlite_error_code(),
        Some(rusqlite::ErrorCode::CannotOpen | rusqlite::ErrorCode::ReadOnly)
    )
}

fn nobody_may_write(path: &Path) -> bool {
    std::fs::metadata(path).is_ok_and(|about| about.permissions().readonly())
}

fn write_ahead_log_is_empty(path: &Path) -> bool {
    let mut name = path.as_os_str().to_owned();
    name.push("-wal");
    match std::fs::metadata(PathBuf::from(name)) {
        Ok(about) => about.len() == 0,
        Err(e) => e.kind() == std::io::ErrorKind::NotFound,
    }
}

const HEX: &[u8; 16] = b"0123456789ABCDEF";

/// For a medium that cannot change: no locks, no side files.
fn open_immutable(path: &Path) -> rusqlite::Result<Connection> {
    // An absolute path gets an empty host in front, else '//a/b' had host 'a'.
    let mut uri = String::from(if path.is_absolute() {
        "file://"
    } else {
        "file:"
    });
    for &byte in path.as_os_str().as_encoded_bytes() {
        if byte.is_ascii_alphanumeric() || b"/._-".contains(&byte) {
            uri.push(char::from(byte));
        } else {
            uri.push('%');
            uri.extend(HEX.get(usize::from(byte >> 4)).map(|d| char::from(*d)));
            uri.extend(HEX.get(usize::from(byte & 15)).map(|d| char::from(*d)));
        }
    }
    uri.push_str("?immutable=1");
    let connection = Connection::open_with_flags(
        uri,
        OpenFlags::SQLITE_OPEN_READ_ONLY
            | OpenFlags::SQLITE_OPEN_NO_MUTEX
            | OpenFlags::SQLITE_OPEN_URI,
    )?;
    guard(&connection)?;
    Ok(connection)
}

/// What tells a file from another one under the same name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Identity {
    #[cfg(unix)]
    device: u64,
    #[cfg(unix)]
    inode: u64,
}

impl Identity {
    #[cfg(unix)]
    fn of(path: &Path) -> Option<Self> {
        use std::os::unix::fs::MetadataExt;
        let about = std::fs::metadata(path).ok()?;
        Some(Self {
            device: about.dev(),
            inode: about.ino(),
        })
    }

    /// Elsewhere an open file cannot be replaced; being there is enough.
    #[cfg(not(unix))]
    fn of(path: &Path) -> Option<Self> {
        path.is_file().then_some(Self {})
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test may stop here")]
    use super::super::scratch::Folder;
    use super::*;

    /// Also under names that mean something in a URI.
    #[test]
    fn a_logbook_on_a_medium_that_cannot_change_is_read() {
        let folder = Folder::new();
        for name in [
            "a van? 100%.sqlite",
            "#1&x=y.sqlite",
            "Fünf \u{2602}.sqlite",
        ] {
            let path = folder.0.join(name);
            drop(Logbook::open(&path).unwrap());
            assert!(write_ahead_log_is_empty(&path));
            let doubled = PathBuf::from(format!("/{}", path.display()));
            for path in [path, doubled] {
                let connection = open_immutable(&path).unwrap();
                assert_eq!(
                    schema::version_of(&connection, &path).unwrap(),
                    schema::SCHEMA_VERSION
                );
            }
        }
    }

    #[cfg(unix)]
    #[test]
    fn a_name_that_is_no_text_is_opened() {
        use std::os::unix::ffi::OsStrExt;
        let folder = Folder::new();
        let path = folder
            .0
            .join(std::ffi::OsStr::from_bytes(b"van-\xff.sqlite"));
        drop(Logbook::open(&path).unwrap());
        assert!(path.exists());
        drop(Logbook::open(&path).unwrap());
        Logbook::open_for_reading(&path).unwrap().check().unwrap();
    }

    #[test]
    fn the_name_follows_the_sheet() {
        assert_eq!(
            beside(Path::new("yard/van.toml")),
            Path::new("yard/van.logbook.sqlite")
        );
        assert_eq!(beside(Path::new("van")), Path::new("van.logbook.sqlite"));
    }
}
