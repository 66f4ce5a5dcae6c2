//! How a command fails: one message, a stable code, what to do, an exit code.

use crate::drivers::DriverError;
use crate::layout::LayoutError;
use crate::logbook::LogbookError;
use crate::ports::PortError;
use crate::rehearsal::RehearsalError;
use crate::screen::ScreenError;
use crate::statics::StaticsError;

/// A failed command.
#[derive(Debug)]
pub struct Failure {
    /// What went wrong and where; may be several lines.
    pub message: String,
    /// Stable code for programs.
    pub code: String,
    /// What would be right; may be empty.
    pub help: String,
    /// 2: the user's to mend; 1: ours or the machine's.
    pub exit: u8,
}

impl Failure {
    /// A mistake that the user can mend.
    pub fn users(code: &str, message: impl Into<String>, help: impl Into<String>) -> Self {
        Self {
            message: message.into(),
            code: code.to_owned(),
            help: help.into(),
            exit: 2,
        }
    }

    /// A failure of ours or of the machine.
    pub fn ours(code: &str, message: impl Into<String>, help: impl Into<String>) -> Self {
        Self {
            message: message.into(),
            code: code.to_owned(),
            help: help.into(),
            exit: 1,
        }
    }
}

impl std::fmt::Display for Failure {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}", self.message.trim_end())?;
        if !self.code.is_empty() {
            write!(f, " [{}]", self.code)?;
        }
        if !self.help.is_empty() {
            write!(f, "\n  {}", self.help)?;
        }
        Ok(())
    }
}

impl std::error::Error for Failure {}

fn with_causes(error: &dyn std::error::Error) -> String {
    let mut message = error.to_string();
    let mut cause = error.source();
    while let Some(because) = cause {
        message = format!("{message}: {because}");
        cause = because.source();
    }
    message
}

const fn exit(users: bool) -> u8 {
    if users { 2 } else { 1 }
}

impl From<StaticsError> for Failure {
    fn from(e: StaticsError) -> Self {
        Self {
            message: e.to_string(),
            code: e.code().to_owned(),
            help: e.help().to_owned(),
            exit: exit(e.is_users_to_fix()),
        }
    }
}

impl From<LayoutError> for Failure {
    fn from(e: LayoutError) -> Self {
        match e {
            LayoutError::Statics(e) => e.into(),
            e => Self {
                message: e.to_string(),
                code: e.code().to_owned(),
                help: e.help().to_owned(),
                exit: 2,
            },
        }
    }
}

impl From<PortError> for Failure {
    fn from(e: PortError) -> Self {
        Self {
            message: with_causes(&e),
            code: e.code().to_owned(),
            help: e.help(),
            exit: 2,
        }
    }
}

impl From<DriverError> for Failure {
    fn from(e: DriverError) -> Self {
        Self {
            message: e.to_string(),
            code: e.code().to_owned(),
            help: e.help().to_owned(),
            exit: 2,
        }
    }
}

impl From<LogbookError> for Failure {
    fn from(e: LogbookError) -> Self {
        Self {
            message: with_causes(&e),
            code: e.code().to_owned(),
            help: e.help().to_owned(),
            exit: exit(e.is_users_to_fix()),
        }
    }
}

impl From<RehearsalError> for Failure {
    fn from(e: RehearsalError) -> Self {
        let users = matches!(e, RehearsalError::Speed { .. });
        Self {
            message: with_causes(&e),
            code: e.code().to_owned(),
            help: e.help().to_owned(),
            exit: exit(users),
        }
    }
}

impl From<ScreenError> for Failure {
    fn from(e: ScreenError) -> Self {
        Self {
            message: with_causes(&e),
            code: e.code().to_owned(),
            help: e.help().to_owned(),
            exit: 1,
        }
    }
}

/// A file that could not be read or written.
pub(super) fn file(what: &str, path: &std::path::Path, error: &std::io::Error) -> Failure {
    use std::io::ErrorKind;
    let help = match error.kind() {
        ErrorKind::NotFound => "check the name and the folder",
        ErrorKind::PermissionDenied => "ask the file's owner for permission, or use another folder",
        ErrorKind::AlreadyExists => "choose another name, or move the old file away first",
        ErrorKind::InvalidData => "the file must be plain text in UTF-8",
        _ => "",
    };
    let users = !help.is_empty();
    let message = format!("cannot {what} '{}': {error}", path.display());
    Failure {
        message,
        code: format!("file.{}", what.replace(' ', "_")),
        help: help.to_owned(),
        exit: exit(users),
    }
}

/// A file that is there already.
pub(super) fn exists(path: &std::path::Path) -> Failure {
    Failure::users(
        "file.exists",
        format!("'{}' is there already and is kept", path.display()),
        "choose another name, move the old file away, or give --force to replace it",
    )
}
