//! Run: connects the stages and handles every command of the program.
//!
//! In: arguments. Out: what was asked for on standard output, or a
//! [`Failure`] with message, stable code, help and exit code (2: the user's to
//! mend, 1: ours or the machine's). Refused: nothing that a stage would take.

mod advise;
mod arguments;
mod changed;
mod failure;
mod grounds;
mod journal;
mod layout;
mod loadtest;
mod log;
mod manual;
mod progress;
mod read;
mod record;
mod rehearse;
mod report;
mod sensors;
mod settle;
mod sheets;
mod sitting;
mod start;
mod sweep;
mod targets;
mod turning;
mod watch;
mod weigh;
mod wire;
mod zero;

pub use arguments::{Arguments, Command};
pub use failure::Failure;

use std::process::ExitCode;

/// Runs one command and says how it ended.
///
/// # Errors
/// Whatever the command could not do.
pub fn run(arguments: Arguments) -> Result<ExitCode, Failure> {
    journal::begin(&arguments.journal)?;
    let Some(command) = arguments.command else {
        return start::run();
    };
    let name = command.name();
    let version = env!("CARGO_PKG_VERSION");
    tracing::info!(command = name, version, "begun");
    let began = std::time::Instant::now();
    let ended = done(command);
    let for_s = began.elapsed().as_secs_f64();
    match &ended {
        Ok(code) => tracing::info!(command = name, ?code, for_s, "ended"),
        Err(failure) => {
            // The code alone: a message may repeat what was typed.
            let code = failure.code.as_str();
            tracing::error!(command = name, code, exit = failure.exit, for_s, "failed");
        }
    }
    ended
}

fn done(command: Command) -> Result<ExitCode, Failure> {
    match command {
        Command::Sheet(sheet) => sheets::run(&sheet),
        Command::Targets(targets) => targets::run(&targets),
        Command::Layout(layout) => layout::run(&layout),
        Command::Wire(wire) => wire::run(&wire),
        Command::Weigh(weigh) => weigh::run(&weigh),
        Command::Watch(watch) => watch::run(&watch),
        Command::Rehearse(rehearse) => rehearse::run(&rehearse),
        Command::Sensors(sensors) => sensors::run(&sensors),
        Command::Zero(zero) => zero::run(&zero),
        Command::Record(record) => record::run(&record),
        Command::Advise(advise) => advise::run(&advise),
        Command::Changed(changed) => changed::run(&changed),
        Command::Log(log) => log::list(&log),
        Command::Export(export) => log::export(&export),
        Command::Read(read) => read::run(&read),
        Command::Settle(settle) => settle::run(&settle),
        Command::Report(report) => report::run(&report),
        Command::Schema(schema) => manual::schema(&schema),
        Command::Completions(completions) => manual::completions(&completions),
        Command::Manual(pages) => manual::pages(&pages),
        Command::Loadtest(loadtest) => loadtest::run(&loadtest),
    }
}
