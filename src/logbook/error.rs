//! What can go wrong with the logbook, and what to do about it.

use std::path::PathBuf;

/// Everything the logbook refuses or fails at.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum LogbookError {
    /// The file belongs to something else.
    #[error("'{}' is not a logbook of this program: {found}", path.display())]
    Foreign {
        /// The file.
        path: PathBuf,
        /// What was found instead.
        found: Strange,
    },
    /// A newer program wrote it.
    #[error("'{}' is a logbook of version {found}, this program knows up to {known}", path.display())]
    Newer {
        /// The file.
        path: PathBuf,
        /// Its version.
        found: i64,
        /// The newest version this program knows.
        known: i64,
    },
    /// An older program wrote it, and it is open for reading only.
    #[error("'{}' is a logbook of version {found}, this program reads version {known}", path.display())]
    Older {
        /// The file.
        path: PathBuf,
        /// Its version.
        found: i64,
        /// The version this program reads.
        known: i64,
    },
    /// Another instance writes to it.
    #[error("'{}' is in use by another instance{}", path.display(), process(*by))]
    InUse {
        /// The logbook.
        path: PathBuf,
        /// The other process, where it could be read.
        by: Option<u32>,
    },
    /// It cannot be opened.
    #[error("cannot open the logbook '{}'", path.display())]
    Open {
        /// The file.
        path: PathBuf,
        /// Why.
        source: Box<dyn std::error::Error + Send + Sync>,
    },
    /// No room.
    #[error("no room left for the logbook '{}'", path.display())]
    Full {
        /// The file.
        path: PathBuf,
    },
    /// It cannot be written.
    #[error("the logbook '{}' can only be read", path.display())]
    ReadOnly {
        /// The file.
        path: PathBuf,
    },
    /// Somebody else holds it longer than we wait.
    #[error("another program holds the logbook '{}'", path.display())]
    Busy {
        /// The file.
        path: PathBuf,
    },
    /// It was moved, deleted or replaced while open.
    #[error("the logbook '{}' was moved or replaced while in use", path.display())]
    Moved {
        /// Where it should be.
        path: PathBuf,
    },
    /// The disk failed.
    #[error("the disk failed while {doing} in the logbook '{}'", path.display())]
    Disk {
        /// The file.
        path: PathBuf,
        /// What was being done.
        doing: &'static str,
        /// Why.
        source: rusqlite::Error,
    },
    /// Its content makes no sense.
    #[error("the logbook '{}' is damaged: {}", path.display(), findings.join("; "))]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What was found, at least one line.
        findings: Vec<String>,
    },
    /// The database refused something else.
    #[error("the database refused {doing} in the logbook '{}'", path.display())]
    Refused {
        /// The file.
        path: PathBuf,
        /// What was being done.
        doing: &'static str,
        /// Why.
        source: rusqlite::Error,
    },
    /// A number that is none.
    #[error("'{value}' as {field} of '{of}' is not a number that can be kept")]
    NotFinite {
        /// Which field.
        field: &'static str,
        /// Of what.
        of: String,
        /// The value.
        value: f64,
    },
    /// An uncertainty or mass below zero.
    #[error("'{value}' as {field} of '{of}' is below zero")]
    Negative {
        /// Which field.
        field: &'static str,
        /// Of what.
        of: String,
        /// The value.
        value: f64,
    },
    /// The same name twice in one reading.
    #[error("the {what} '{name}' comes twice in one reading")]
    Twice {
        /// Quantity, load or sensor.
        what: &'static str,
        /// The name.
        name: String,
    },
    /// Names, values and covariance do not belong together.
    #[error(
        "a state of {coordinates} coordinates needs as many values and {} covariances, not {values} and {covariances}",
        coordinates * coordinates
    )]
    StateSize {
        /// How many names.
        coordinates: usize,
        /// How many values.
        values: usize,
        /// How many covariances.
        covariances: usize,
    },
    /// A sensor with a value but no noise, or the other way round.
    #[error("the sensor '{name}' has a value without its noise or noise without a value")]
    HalfSensor {
        /// Its name.
        name: String,
    },
    /// A different reading is kept at that moment.
    #[error("another reading is already kept at {at_us} microseconds of this sitting")]
    MomentTaken {
        /// The moment, microseconds since 1970 UTC.
        at_us: i64,
    },
    /// Nothing can be kept before a sitting has begun.
    #[error("no sitting has begun")]
    NoSitting,
    /// Too much waits already.
    #[error("{held} records already wait to be written, no more are taken")]
    TooManyHeld {
        /// How many wait.
        held: usize,
    },
    /// The writer has ended.
    #[error("the logbook's writer has ended")]
    WriterEnded,
}

/// What a file is that is no logbook.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum Strange {
    /// No SQLite file.
    #[error("it is no SQLite database")]
    NotSqlite,
    /// Somebody else's database.
    #[error("it is a database of another program (application id {application_id:#010x})")]
    OtherProgram {
        /// The id found.
        application_id: i32,
    },
    /// A directory, a device.
    #[error("it is not a plain file")]
    NotAFile,
    /// The lock file has content of its own.
    #[error("it is not the lock file of a logbook")]
    NotALock,
}

fn process(by: Option<u32>) -> String {
    by.map_or_else(String::new, |pid| format!(" (process {pid})"))
}

impl LogbookError {
    /// The stable code of the error.
    pub const fn code(&self) -> &'static str {
        match self {
            Self::Foreign { .. } => "logbook.file.foreign",
            Self::Newer { .. } => "logbook.file.newer",
            Self::Older { .. } => "logbook.file.older",
            Self::InUse { .. } => "logbook.file.in_use",
            Self::Open { .. } => "logbook.file.open",
            Self::Full { .. } => "logbook.disk.full",
            Self::ReadOnly { .. } => "logbook.disk.read_only",
            Self::Busy { .. } => "logbook.file.busy",
            Self::Moved { .. } => "logbook.file.moved",
            Self::Disk { .. } => "logbook.disk.failed",
            Self::Damaged { .. } => "logbook.file.damaged",
            Self::Refused { .. } => "logbook.file.refused",
            Self::NotFinite { .. } => "logbook.record.not_finite",
            Self::Negative { .. } => "logbook.record.negative",
            Self::Twice { .. } => "logbook.record.twice",
            Self::StateSize { .. } => "logbook.record.state_size",
            Self::HalfSensor { .. } => "logbook.record.half_sensor",
            Self::MomentTaken { .. } => "logbook.record.moment_taken",
            Self::NoSitting => "logbook.record.no_sitting",
            Self::TooManyHeld { .. } => "logbook.writer.too_many_held",
            Self::WriterEnded => "logbook.writer.ended",
        }
    }

    /// What to do about it, one sentence.
    pub const fn help(&self) -> &'static str {
        match self {
            Self::Foreign { .. } => {
                "Nothing was written to it; move that file away or rename the build sheet."
            }
            Self::Newer { .. } => {
                "Nothing was written to it; use the newer program, or move the file away to begin a new logbook."
            }
            Self::Older { .. } => {
                "Start 'watch' on the sheet once; that brings the logbook up to date."
            }
            Self::InUse { .. } => {
                "End the other instance first; 'log' and 'export' can read the logbook meanwhile."
            }
            Self::Open { .. } => "See that its folder exists and that you may write in it.",
            Self::Full { .. } => {
                "Make room on the disk; what waits in memory is written as soon as there is some."
            }
            Self::ReadOnly { .. } => {
                "Make the file, its '-wal' and '-shm' files and its folder writable; what waits in memory is written then."
            }
            Self::Busy { .. } => "Close the other program that has the logbook open.",
            Self::Moved { .. } => "Move it back; what waits in memory is written then.",
            Self::Disk { .. } => {
                "See whether the disk is still there and healthy, and copy the logbook with its '-wal' file to another one."
            }
            Self::Damaged { .. } => {
                "Copy the logbook with its '-wal' file before anything else; 'export' writes out what can still be read."
            }
            Self::Refused { .. } => "Export what is there and report this with the message.",
            Self::NotFinite { .. }
            | Self::Negative { .. }
            | Self::Twice { .. }
            | Self::StateSize { .. }
            | Self::HalfSensor { .. } => {
                "The record was not kept; this is a mistake of the program, report it with the message."
            }
            Self::MomentTaken { .. } => "Keep it again a moment later.",
            Self::NoSitting => "Begin a sitting before anything is kept.",
            Self::TooManyHeld { .. } => {
                "Cure what keeps the logbook from being written; the record was not kept."
            }
            Self::WriterEnded => "Start the program again; nothing acknowledged is lost.",
        }
    }

    /// The record itself is at fault: trying again cannot help.
    pub const fn is_about_the_record(&self) -> bool {
        matches!(
            self,
            Self::NotFinite { .. }
                | Self::Negative { .. }
                | Self::Twice { .. }
                | Self::StateSize { .. }
                | Self::HalfSensor { .. }
                | Self::MomentTaken { .. }
        )
    }

    /// The wrong file or a second instance: the person has to decide.
    pub const fn is_users_to_fix(&self) -> bool {
        matches!(
            self,
            Self::Foreign { .. } | Self::Newer { .. } | Self::Older { .. } | Self::InUse { .. }
        )
    }

    /// An error of the database, sorted by what it means for a person.
    pub(super) fn from_sqlite(
        path: &std::path::Path,
        doing: &'static str,
        source: rusqlite::Error,
    ) -> Self {
        use rusqlite::ErrorCode as Code;
        let path = path.to_path_buf();
        if let rusqlite::Error::FromSqlConversionFailure(..)
        | rusqlite::Error::InvalidColumnType(..)
        | rusqlite::Error::IntegralValueOutOfRange(..)
        | rusqlite::Error::Utf8Error(..) = source
        {
            return Self::Damaged {
                path,
                findings: vec![format!("{source} while {doing}")],
            };
        }
        match source.sqlite_error_code() {
            Some(Code::DiskFull) => Self::Full { path },
            Some(Code::ReadOnly) => Self::ReadOnly { path },
            Some(Code::DatabaseBusy | Code::DatabaseLocked) => Self::Busy { path },
            Some(Code::CannotOpen | Code::PermissionDenied) => Self::Open {
                path,
                source: Box::new(source),
            },
            Some(Code::SystemIoFailure | Code::NoLargeFileSupport) => Self::Disk {
                path,
                doing,
                source,
            },
            Some(Code::DatabaseCorrupt) => Self::Damaged {
                path,
                findings: vec![format!("{source} while {doing}")],
            },
            Some(Code::NotADatabase) => Self::Foreign {
                path,
                found: Strange::NotSqlite,
            },
            _ => Self::Refused {
                path,
                doing,
                source,
            },
        }
    }
}
