//! What the program costs, row by row, each held against what a user would otherwise take,
//! in the same run. Prints a Markdown table; what cannot be measured here says NOT RUN.
//!
//! `cargo bench --bench measured -- [ROW ...] [--seconds N] [--readings N] [--megabytes N]`
//!
//! Python's side of a ratio stands in `benches/peers/` and is run with `STILLHEIGHT_PYTHON`
//! (NumPy, SciPy, lmfit and pynmea2 are needed there).
#![allow(
    missing_docs,
    unreachable_pub,
    clippy::unwrap_used,
    clippy::panic,
    clippy::cast_possible_truncation,
    clippy::cast_possible_wrap,
    clippy::cast_sign_loss,
    clippy::wildcard_imports,
    reason = "a measuring program may end at once"
)]

#[path = "../cars/mod.rs"]
mod cars;
mod clock;
mod counts;
mod growth;
mod keeping;
mod live;
mod loadtest;
mod peers;
mod posture;
mod process;
mod replay;
mod sentences;
mod settling;
mod start;
mod table;
mod van;
mod vehicle;
#[allow(dead_code, reason = "tests use the rest of it")]
#[path = "../../tests/vehicles.rs"]
mod vehicles;
mod wire;

/// What may be said on the command line.
#[derive(Debug, Clone, Copy)]
pub struct Asked {
    /// How long live rows run.
    pub seconds: u64,
    /// Largest number of rows in the logbook for the growth row.
    pub readings: u64,
    /// Size of the capture that is replayed.
    pub megabytes: u64,
}

type Row = fn(&Asked);

const ROWS: [(&str, Row); 12] = [
    ("wire", wire::row),
    ("sentences", sentences::row),
    ("vehicle", vehicle::row),
    ("posture", posture::row),
    ("loadtest", loadtest::row),
    ("settling", settling::row),
    ("start", start::row),
    ("live", live::row),
    ("idle", live::idle),
    ("keeping", keeping::row),
    ("replay", replay::row),
    ("growth", growth::row),
];

fn main() {
    let mut asked = Asked {
        seconds: 60,
        readings: 1_000_000,
        megabytes: 1000,
    };
    let mut names: Vec<String> = Vec::new();
    let mut arguments = std::env::args().skip(1);
    while let Some(argument) = arguments.next() {
        let mut number = || arguments.next().and_then(|n| n.parse().ok());
        match argument.as_str() {
            "--bench" => {}
            "--seconds" => asked.seconds = number().unwrap_or(asked.seconds),
            "--readings" => asked.readings = number().unwrap_or(asked.readings),
            "--megabytes" => asked.megabytes = number().unwrap_or(asked.megabytes),
            // For a run of one hot function under a counter of instructions.
            "--hot" => {
                let what = arguments.next().unwrap_or_default();
                let times = arguments.next().and_then(|n| n.parse().ok()).unwrap_or(1);
                return counts::hot(&what, times);
            }
            name => names.push(name.to_owned()),
        }
    }
    table::head();
    for (name, row) in ROWS {
        if names.is_empty() || names.iter().any(|n| n == name) {
            row(&asked);
        }
    }
    if names.is_empty() || names.iter().any(|n| n == "counts") {
        counts::row(&asked);
    }
}
