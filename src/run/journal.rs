//! The program's own log: what it did, for whoever looks for a fault.
//!
//! In: a file and how much. Out: lines of time (UTC), level, place, words and values at
//! the end of that file, each written at once. Never on standard output or error: a
//! screen may be there. Never in it: the token of the page for phones, passwords.
//! Refused: a file that cannot be written, a level that is none.

use crate::run::Failure;
use crate::run::arguments::{JournalArguments, LogLevel};
use std::fmt;
use std::sync::Mutex;
use tracing::level_filters::LevelFilter;
use tracing_subscriber::filter::Targets;
use tracing_subscriber::fmt::format::Writer;
use tracing_subscriber::fmt::time::FormatTime;
use tracing_subscriber::layer::SubscriberExt as _;
use tracing_subscriber::util::SubscriberInitExt as _;

/// How much, where the command line does not say.
const LEVEL_VARIABLE: &str = "STILLHEIGHT_LOG_LEVEL";

/// The clock of the lines.
struct Utc;

impl FormatTime for Utc {
    fn format_time(&self, line: &mut Writer<'_>) -> fmt::Result {
        write!(line, "{:.6}", jiff::Timestamp::now())
    }
}

const fn filter(level: LogLevel) -> LevelFilter {
    match level {
        LogLevel::Error => LevelFilter::ERROR,
        LogLevel::Warn => LevelFilter::WARN,
        LogLevel::Info => LevelFilter::INFO,
        LogLevel::Debug => LevelFilter::DEBUG,
        LogLevel::Trace => LevelFilter::TRACE,
    }
}

/// The level: of the command line, else of the environment, else info.
fn level(asked: Option<LogLevel>, variable: Option<&str>) -> Result<LogLevel, Failure> {
    use clap::ValueEnum as _;
    match (asked, variable.map(str::trim)) {
        (Some(level), _) => Ok(level),
        (None, None | Some("")) => Ok(LogLevel::Info),
        (None, Some(word)) => LogLevel::from_str(word, true).map_err(|_| {
            Failure::users(
                "log.level",
                format!("{LEVEL_VARIABLE} is '{word}', which is no level"),
                "error, warn, info, debug or trace",
            )
        }),
    }
}

/// Begins the log, where one is asked for.
///
/// # Errors
/// The file cannot be opened; the level is none.
pub(super) fn begin(arguments: &JournalArguments) -> Result<(), Failure> {
    let Some(path) = &arguments.log_file else {
        return Ok(());
    };
    let variable = std::env::var(LEVEL_VARIABLE).ok();
    let level = level(arguments.log_level, variable.as_deref())?;
    let file = std::fs::OpenOptions::new()
        .append(true)
        .create(true)
        .open(path)
        .map_err(|e| crate::run::failure::file("open the log", path, &e))?;
    let lines = tracing_subscriber::fmt::layer()
        .with_writer(Mutex::new(file))
        .with_ansi(false)
        .with_timer(Utc);
    // Other people's libraries may say what this program would not.
    let own = Targets::new().with_target("stillheight", filter(level));
    // A second log in one process: the first goes on.
    let _ = tracing_subscriber::registry()
        .with(own)
        .with(lines)
        .try_init();
    Ok(())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test may end")]
    use super::*;

    #[test]
    fn the_command_line_goes_before_the_environment() {
        assert_eq!(level(None, None).unwrap(), LogLevel::Info);
        assert_eq!(level(None, Some("")).unwrap(), LogLevel::Info);
        assert_eq!(level(None, Some("Debug")).unwrap(), LogLevel::Debug);
        let both = level(Some(LogLevel::Error), Some("trace"));
        assert_eq!(both.unwrap(), LogLevel::Error);
        assert_eq!(level(None, Some("loud")).unwrap_err().code, "log.level");
    }
}
