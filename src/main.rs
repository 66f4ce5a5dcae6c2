//! stillheight: the command line.

use clap::Parser;
use std::process::ExitCode;
use stillheight::run::{Arguments, run};

fn main() -> ExitCode {
    match run(Arguments::parse()) {
        Ok(code) => code,
        Err(failure) => {
            eprintln!("stillheight: {failure}");
            ExitCode::from(failure.exit)
        }
    }
}
