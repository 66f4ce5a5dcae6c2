//! Run: connects the stages and handles every command of the program.
//!
//! In: arguments. Out: what was asked for on standard output, or a
//! [`Failure`] with message, stable code, help and exit code (2: the user's to
//! mend, 1: ours or the machine's). Refused: nothing that a stage would take.

mod arguments;
mod failure;
mod lines;
mod log;
mod read;
mod rehearse;
mod settle;
mod settle_answer;
mod settle_causes;
mod settle_event;
mod settle_rehearsal;
mod settle_session;
mod settle_watch;
mod sheets;
mod sitting;
mod targets;
mod tell;
mod view;
mod watch;

pub use arguments::{Arguments, Command};
pub use failure::Failure;

use std::process::ExitCode;

/// Runs one command and says how it ended.
///
/// # Errors
/// Whatever the command could not do.
pub fn run(arguments: Arguments) -> Result<ExitCode, Failure> {
    match arguments.command {
        Command::Sheet(sheet) => sheets::run(&sheet),
        Command::Targets(targets) => targets::run(&targets),
        Command::Watch(watch) => watch::run(&watch),
        Command::Rehearse(rehearse) => rehearse::run(&rehearse),
        Command::Log(log) => log::list(&log),
        Command::Export(export) => log::export(&export),
        Command::Read(read) => read::run(&read),
        Command::Settle(settle) => settle::run(&settle),
    }
}
