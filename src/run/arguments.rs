//! The command line.

use clap::{Args, Parser, Subcommand, ValueEnum};
use std::path::PathBuf;

/// Says how a vehicle that is being built stands on its springs, and what to change.
#[derive(Debug, Parser)]
#[command(version, about, long_about = None, after_help = "\
Try it without any hardware:  stillheight rehearse
Begin with your own vehicle:  stillheight sheet new van.toml
Exit codes: 0 done, 1 a failure of the program or the machine, 2 something to mend in the input,
3 no law of settling is an answer")]
pub struct Arguments {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Write, check or describe a build sheet.
    Sheet(SheetArguments),
    /// Static targets of every load case, from the build sheet alone.
    Targets(TargetsArguments),
    /// Read the sensors and show live how the vehicle stands.
    Watch(WatchArguments),
    /// The whole job on a simulated vehicle, sensors on pseudo-terminals.
    Rehearse(RehearseArguments),
    /// List what the logbook beside a sheet holds.
    Log(LogArguments),
    /// Write the logbook out as CSV or JSON.
    Export(ExportArguments),
    /// Keep one reading as soon as the vehicle is still, print it, end.
    Read(ReadArguments),
    /// What settling has done and will still do, from the kept readings.
    Settle(SettleArguments),
}

/// `read`.
#[derive(Debug, Args)]
pub struct ReadArguments {
    /// The build sheet.
    pub sheet: PathBuf,
    /// Keep the reading in the logbook beside the sheet; without it the
    /// reading is only printed.
    #[arg(long)]
    pub keep: bool,
    /// Loads of the sheet that are on; may be given several times.
    #[arg(long = "load", value_name = "NAME")]
    pub loads: Vec<String>,
    /// Print JSON.
    #[arg(long)]
    pub json: bool,
    /// Give up where the vehicle is not still after this long.
    #[arg(long, value_name = "DURATION", value_parser = duration, default_value = "2min")]
    pub within: f64,
}

/// `settle`.
#[derive(Debug, Args)]
#[command(args_conflicts_with_subcommands = true, subcommand_negates_reqs = true)]
pub struct SettleArguments {
    /// Something else than the answer.
    #[command(subcommand)]
    pub action: Option<SettleAction>,
    /// The answer.
    #[command(flatten)]
    pub answer: SettleAnswerArguments,
}

/// `settle SHEET`.
#[derive(Debug, Args)]
pub struct SettleAnswerArguments {
    /// The build sheet whose logbook is looked at.
    #[arg(required = true)]
    pub sheet: Option<PathBuf>,
    /// Readings with exactly these loads on; may be given several times.
    /// Without it: the loads of the newest reading.
    #[arg(long = "load", value_name = "NAME", conflicts_with = "bare")]
    pub loads: Vec<String>,
    /// Readings with no load on.
    #[arg(long)]
    pub bare: bool,
    /// What is still to come below this counts as settled, for heights and
    /// sags, for example "0.5 mm"; an angle is taken for angles. Without it:
    /// a fifth of the sheet's tolerance of each target.
    #[arg(long, value_name = "LENGTH|ANGLE")]
    pub tolerance: Vec<String>,
    /// Only quantities whose name holds this, for example "rear left".
    #[arg(long, value_name = "TEXT")]
    pub only: Option<String>,
    /// Draw time by its logarithm: creep is then a straight line.
    #[arg(long)]
    pub log_time: bool,
    /// Print JSON: mm, deg, h.
    #[arg(long)]
    pub json: bool,
}

/// What else can be done about settling.
#[derive(Debug, Subcommand)]
pub enum SettleAction {
    /// Fit the laws to a CSV file with the columns time_h and height_mm.
    Fit {
        /// The file; other units by other names: time_s, time_min, time_d,
        /// height_cm, height_m, height_in; if wanted u_mm.
        #[arg(long, value_name = "FILE")]
        csv: PathBuf,
        /// Only this law: none, exponential, two-exponentials, log-creep, power.
        #[arg(long, value_name = "NAME")]
        law: Option<String>,
        /// Holds a parameter, for example --fix start_mm=400; may be given
        /// several times.
        #[arg(long = "fix", value_name = "NAME=VALUE", allow_hyphen_values = true)]
        fixes: Vec<String>,
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
    /// Keep a still reading every so often, for days, without a screen.
    Watch {
        /// The build sheet.
        sheet: PathBuf,
        /// How often, once things are quiet; denser after a change of load.
        #[arg(long, value_name = "DURATION", value_parser = duration, default_value = "10min")]
        every: f64,
        /// Loads of the sheet that are on; may be given several times.
        #[arg(long = "load", value_name = "NAME")]
        loads: Vec<String>,
        /// Stop after this long.
        #[arg(long = "for", value_name = "DURATION", value_parser = duration)]
        length: Option<f64>,
        /// JSON lines.
        #[arg(long)]
        json: bool,
    },
    /// Print a systemd user unit that keeps watch through log-outs and restarts.
    Unit {
        /// The build sheet.
        sheet: PathBuf,
        /// How often.
        #[arg(long, value_name = "DURATION", value_parser = duration, default_value = "10min")]
        every: f64,
        /// Loads of the sheet that are on; may be given several times.
        #[arg(long = "load", value_name = "NAME")]
        loads: Vec<String>,
    },
    /// Enter what was done to the vehicle, so that a step in the readings has
    /// its reason.
    Event {
        /// The build sheet.
        sheet: PathBuf,
        /// What it was.
        #[arg(long, value_enum)]
        what: Event,
        /// Coilover or corner, where one was worked on.
        #[arg(long, value_name = "NAME")]
        coilover: Option<String>,
        /// Turns of the collar, up is positive.
        #[arg(long, allow_hyphen_values = true)]
        turns: Option<f64>,
        /// When, local time, for example "2026-03-01 17:30"; without it: now.
        #[arg(long, value_name = "TIME")]
        at: Option<String>,
        /// Words to it.
        #[arg(long, default_value = "")]
        note: String,
    },
}

/// What was done to the vehicle.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Event {
    /// A collar was turned: --coilover and --turns.
    Collar,
    /// A mount went to another hole: --coilover, the holes in --note.
    Hole,
    /// Another spring was fitted: --coilover; the clock of settling starts anew.
    Spring,
    /// Weight was put on for good.
    Weight,
    /// The vehicle was driven or moved.
    Moved,
}

/// `sheet`.
#[derive(Debug, Args)]
pub struct SheetArguments {
    /// What to do with it.
    #[command(subcommand)]
    pub action: SheetAction,
}

/// What can be done with a sheet.
#[derive(Debug, Subcommand)]
pub enum SheetAction {
    /// Write a commented sheet that works as it is.
    New {
        /// Where to write it; an existing file is kept.
        file: PathBuf,
        /// Units of the sheet.
        #[arg(long, value_enum, default_value = "metric")]
        units: Units,
        /// Replace an existing file.
        #[arg(long)]
        force: bool,
    },
    /// Check a sheet and list every mistake with its place.
    Check {
        /// The sheet.
        file: PathBuf,
    },
    /// Print the JSON Schema of the sheet, for editors.
    Schema,
}

/// Units of a new sheet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Units {
    /// Millimetres, kilograms, newtons.
    Metric,
    /// Inches, pounds, pounds-force.
    Inch,
}

/// `targets`.
#[derive(Debug, Args)]
pub struct TargetsArguments {
    /// The build sheet.
    pub sheet: PathBuf,
    /// Only this load case.
    #[arg(long)]
    pub case: Option<String>,
    /// Print JSON: mm, deg, N, kg, N/mm, Hz.
    #[arg(long)]
    pub json: bool,
    /// Another value for a field of the sheet, for example
    /// --set rear.spring.rate="26 N/mm"; may be given several times.
    #[arg(long = "set", value_name = "PATH=VALUE")]
    pub overrides: Vec<String>,
}

/// How live results are told without a screen.
#[derive(Debug, Clone, Copy, Default, Args)]
pub struct Telling {
    /// One line a second and every kept reading, instead of the screen.
    #[arg(long)]
    pub plain: bool,
    /// JSON lines instead of the screen.
    #[arg(long, conflicts_with = "plain")]
    pub json: bool,
}

/// `watch`.
#[derive(Debug, Args)]
pub struct WatchArguments {
    /// The build sheet.
    pub sheet: PathBuf,
    /// How to tell.
    #[command(flatten)]
    pub telling: Telling,
    /// Stop after this long, for example 90s or 5min.
    #[arg(long = "for", value_name = "DURATION", value_parser = duration)]
    pub length: Option<f64>,
    /// Loads of the sheet that are on from the start; may be given several times.
    #[arg(long = "load", value_name = "NAME")]
    pub loads: Vec<String>,
}

/// `rehearse`.
#[derive(Debug, Args)]
pub struct RehearseArguments {
    /// How to tell.
    #[command(flatten)]
    pub telling: Telling,
    /// What happens.
    #[arg(long, value_enum, default_value = "load-test")]
    pub story: Story,
    /// Simulated seconds in a real one, 0.1 to 100; without it 1, and 20 in the
    /// settling story, where the hours between readings are skipped.
    #[arg(long)]
    pub speed: Option<f64>,
    /// Stop after this much simulated time, for example 60s.
    #[arg(long = "for", value_name = "DURATION", value_parser = duration)]
    pub length: Option<f64>,
    /// Chooses the noise, the sensors' zeros and the helper's moves.
    #[arg(long, default_value_t = 1)]
    pub seed: u64,
    /// Keep sheet and logbook in this folder (else they are thrown away).
    #[arg(long, value_name = "FOLDER")]
    pub folder: Option<PathBuf>,
}

/// What happens in a rehearsal.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Story {
    /// A person and sandbags get on and off.
    LoadTest,
    /// The springs settle for five days.
    Settling,
}

/// `log`.
#[derive(Debug, Args)]
pub struct LogArguments {
    /// The build sheet whose logbook it is.
    pub sheet: PathBuf,
    /// Only the newest so many readings.
    #[arg(long, value_name = "N")]
    pub last: Option<usize>,
    /// Print JSON.
    #[arg(long)]
    pub json: bool,
}

/// `export`.
#[derive(Debug, Args)]
#[command(group(clap::ArgGroup::new("form").required(true).args(["csv", "json"])))]
pub struct ExportArguments {
    /// The build sheet whose logbook it is.
    pub sheet: PathBuf,
    /// As CSV, units in the header.
    #[arg(long)]
    pub csv: bool,
    /// As JSON lines, units in the keys.
    #[arg(long)]
    pub json: bool,
    /// Write to this file instead of standard output; an existing file is kept.
    #[arg(short, long, value_name = "FILE")]
    pub output: Option<PathBuf>,
    /// Replace an existing file.
    #[arg(long)]
    pub force: bool,
}

/// Reads `90`, `90s`, `5min`, `2h` as seconds.
fn duration(text: &str) -> Result<f64, String> {
    let text = text.trim();
    let split = text
        .find(|c: char| c.is_ascii_alphabetic())
        .unwrap_or(text.len());
    let (number, unit) = text.split_at(split);
    let factor = match unit.trim() {
        "s" | "sec" => 1.0,
        "min" | "m" => 60.0,
        "h" => 3600.0,
        "d" => 86_400.0,
        "" => {
            return Err(format!(
                "'{text}' has no unit; write for example '90s', '5min' or '2h'"
            ));
        }
        other => return Err(format!("unknown unit '{other}'; use s, min, h or d")),
    };
    match number.trim().parse::<f64>() {
        Ok(n) if n.is_finite() && n > 0.0 => Ok(n * factor),
        _ => Err(format!("'{}' is not a positive number", number.trim())),
    }
}

#[cfg(test)]
mod tests {
    #![allow(
        clippy::float_cmp,
        clippy::unwrap_used,
        reason = "exact values; a test may end"
    )]
    use super::*;

    #[test]
    fn durations_need_a_unit() {
        assert_eq!(duration("90s").unwrap(), 90.0);
        assert_eq!(duration("1.5 min").unwrap(), 90.0);
        for wrong in ["90", "-3s", "3 weeks", "s", "nan s"] {
            assert!(duration(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn the_command_line_is_well_formed() {
        use clap::CommandFactory;
        Arguments::command().debug_assert();
    }
}
