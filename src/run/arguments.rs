//! The command line.

use crate::quantity::{Dimension, Force, Length};
use clap::{Args, Parser, Subcommand, ValueEnum};
use std::path::PathBuf;

/// Says how a vehicle that is being built stands on its springs, and what to change.
#[derive(Debug, Parser)]
#[command(version, about, long_about = None, after_help = "\
Try it without any hardware:  stillheight rehearse
Begin with your own vehicle:  stillheight sheet new van.toml --ask
What to do next, here:        stillheight
Exit codes: 0 done, 1 a failure of the program or the machine, 2 something to mend in the input,
3 no law of settling is an answer, or a load test in which nothing could be identified")]
pub struct Arguments {
    /// What to do; without it: what to do next in this folder.
    #[command(subcommand)]
    pub command: Option<Command>,
    /// Where the program's own log goes.
    #[command(flatten)]
    pub journal: JournalArguments,
}

/// The program's own log. Not what the vehicle did: that is the logbook.
#[derive(Debug, Clone, Default, Args)]
#[command(next_help_heading = "The program's own log")]
pub struct JournalArguments {
    /// Append what the program does (ports, frames refused, readings kept, phones)
    /// to this file.
    #[arg(long = "log", value_name = "FILE", global = true)]
    pub log_file: Option<PathBuf>,
    /// How much of it; without it the variable STILLHEIGHT_LOG_LEVEL, else info.
    #[arg(long, value_name = "LEVEL", value_enum, global = true)]
    pub log_level: Option<LogLevel>,
}

/// How much is logged.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum LogLevel {
    /// What failed.
    Error,
    /// And what went wrong and was got over.
    Warn,
    /// And what began, ended, came and went.
    Info,
    /// And single frames that were refused.
    Debug,
    /// And everything that was told.
    Trace,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Write, check or describe a build sheet.
    Sheet(SheetArguments),
    /// Before the weld: which spring at which lean and where to tack the mounts;
    /// room round the wheel; the lateral link through its travel.
    Layout(LayoutArguments),
    /// A spring of unknown rate from its wire, coils and ends.
    Wire(WireArguments),
    /// From scale readings, axle weights or a list of parts to the sprung weight
    /// and its centre.
    Weigh(WeighArguments),
    /// Static targets of every load case, from the build sheet alone.
    Targets(TargetsArguments),
    /// Read the sensors and show live how the vehicle stands.
    Watch(WatchArguments),
    /// The whole job on a simulated vehicle, sensors on pseudo-terminals.
    Rehearse(RehearseArguments),
    /// List ports and sensors; tell what speaks; find which sensor is where.
    Sensors(SensorsArguments),
    /// Zero the sensors of a sheet, or map the floor, step by step.
    Zero(ZeroArguments),
    /// Record what ports say, byte by byte with times, to be played with 'watch --from'.
    Record(RecordArguments),
    /// What to change, ranked, with what each plan does; or why to leave it.
    Advise(AdviseArguments),
    /// Enter what was done; without anything, whether it did what was promised.
    Changed(ChangedArguments),
    /// List what the logbook beside a sheet holds.
    Log(LogArguments),
    /// Write the logbook out as CSV, JSON lines or an Arrow table.
    Export(ExportArguments),
    /// Keep one reading as soon as the vehicle is still, print it, end.
    Read(ReadArguments),
    /// What settling has done and will still do, from the kept readings.
    Settle(SettleArguments),
    /// Weight on and off at known places: what springs, friction and weight really are.
    Loadtest(LoadtestArguments),
    /// Everything that is known of a vehicle on one page, to print and hand over.
    Report(ReportArguments),
    /// JSON Schema of what a command prints with --json.
    Schema(SchemaArguments),
    /// Completions for a shell, on standard output.
    Completions(CompletionsArguments),
    /// Write man pages into a folder.
    Manual(ManualArguments),
}

impl Command {
    /// What it is called on the command line.
    pub const fn name(&self) -> &'static str {
        match self {
            Self::Sheet(_) => "sheet",
            Self::Layout(_) => "layout",
            Self::Wire(_) => "wire",
            Self::Weigh(_) => "weigh",
            Self::Targets(_) => "targets",
            Self::Watch(_) => "watch",
            Self::Rehearse(_) => "rehearse",
            Self::Sensors(_) => "sensors",
            Self::Zero(_) => "zero",
            Self::Record(_) => "record",
            Self::Advise(_) => "advise",
            Self::Changed(_) => "changed",
            Self::Log(_) => "log",
            Self::Export(_) => "export",
            Self::Read(_) => "read",
            Self::Settle(_) => "settle",
            Self::Loadtest(_) => "loadtest",
            Self::Report(_) => "report",
            Self::Schema(_) => "schema",
            Self::Completions(_) => "completions",
            Self::Manual(_) => "manual",
        }
    }
}

/// `schema`.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  stillheight schema targets > targets.schema.json")]
pub struct SchemaArguments {
    /// The output, for example targets; without it the names are listed, each with its
    /// command. (The build sheet's own schema: 'sheet schema'.)
    pub name: Option<String>,
}

/// Paper of a PDF.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum PaperAsked {
    /// 210 mm x 297 mm.
    A4,
    /// 8 1/2 in x 11 in.
    Letter,
}

/// `completions`.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  stillheight completions bash > ~/.local/share/bash-completion/completions/stillheight
  stillheight completions fish > ~/.config/fish/completions/stillheight.fish")]
pub struct CompletionsArguments {
    /// The shell.
    #[arg(value_enum)]
    pub shell: clap_complete::Shell,
}

/// `manual`.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  stillheight manual --out ~/.local/share/man/man1")]
pub struct ManualArguments {
    /// The folder; it is made where it is not there.
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
    /// Replace pages that are there.
    #[arg(long)]
    pub force: bool,
}

/// `report`.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  stillheight report van.toml
  stillheight report van.toml -o handover.html --force
  stillheight report van.toml --pdf --paper letter")]
pub struct ReportArguments {
    /// The build sheet; logbook and sensors beside it are read, if there are any.
    pub sheet: PathBuf,
    /// Write to this file; an existing file is kept. Without it report.html, or
    /// report.pdf with --pdf.
    #[arg(short, long, value_name = "FILE")]
    pub output: Option<PathBuf>,
    /// Write PDF instead of HTML.
    #[arg(long)]
    pub pdf: bool,
    /// Paper of the PDF.
    #[arg(long, value_enum, default_value = "a4", requires = "pdf")]
    pub paper: PaperAsked,
    /// Replace an existing file.
    #[arg(long)]
    pub force: bool,
}

/// `loadtest`.
#[derive(Debug, Args)]
#[command(args_conflicts_with_subcommands = true, subcommand_negates_reqs = true)]
pub struct LoadtestArguments {
    /// Something else than the test itself.
    #[command(subcommand)]
    pub action: Option<LoadtestAction>,
    /// The test itself.
    #[command(flatten)]
    pub test: LoadtestTestArguments,
}

/// `loadtest SHEET`.
#[derive(Debug, Args)]
pub struct LoadtestTestArguments {
    /// The build sheet.
    #[arg(required = true)]
    pub sheet: Option<PathBuf>,
    /// What can be put on.
    #[command(flatten)]
    pub at_hand: AtHand,
    /// Propose no steps; put on and take off as you like and tell.
    #[arg(long)]
    pub free: bool,
    /// This port too (a pseudo-terminal is never listed); may be given several times.
    #[arg(long, value_name = "PATH")]
    pub port: Vec<PathBuf>,
    /// How steps are asked for and given.
    #[command(flatten)]
    pub stepping: Stepping,
    /// JSON lines.
    #[arg(long, conflicts_with = "plain")]
    pub json: bool,
}

/// What can be put on the vehicle in a load test.
#[derive(Debug, Clone, Args)]
pub struct AtHand {
    /// What the person weighs who gets in, for example "82 kg" (known to 1 kg).
    #[arg(long, value_name = "WEIGHT", value_parser = mass_kg, default_value = "75 kg")]
    pub person: f64,
    /// Nobody gets in (tack welds carry nobody): loads of the sheet alone.
    #[arg(long)]
    pub nobody: bool,
    /// A load of the sheet that is at hand; may be given several times. Without
    /// it: those that do not belong to the target's load case.
    #[arg(long = "load", value_name = "NAME")]
    pub loads: Vec<String>,
    /// Most stops at which is read.
    #[arg(long, value_name = "N", default_value_t = 19)]
    pub stops: usize,
}

/// What else can be done about load tests.
#[derive(Debug, Subcommand)]
pub enum LoadtestAction {
    /// Which steps tell most, before anybody gets in; more weight or more repeats?
    Plan {
        /// The build sheet.
        sheet: PathBuf,
        /// What can be put on.
        #[command(flatten)]
        at_hand: AtHand,
        /// Print JSON: mm, deg, N, kg.
        #[arg(long)]
        json: bool,
    },
    /// What the readings in the logbook say, in whatever order they were taken.
    Fit {
        /// The build sheet whose logbook is looked at.
        sheet: PathBuf,
        /// How a reading came to rest, by its number in the list, for example
        /// "3=bounced"; also from-above (going down), from-below (coming up), unknown.
        #[arg(long = "way", value_name = "N=WAY", value_parser = way)]
        ways: Vec<(usize, Way)>,
        /// Readings that are not to count, by their number; may be given several times.
        #[arg(long = "without", value_name = "N")]
        without: Vec<usize>,
        /// Take all readings of the logbook as one test.
        #[arg(long)]
        all: bool,
        /// Write the loop of height over load as an SVG picture to this file; an
        /// existing file is kept.
        #[arg(long, value_name = "FILE")]
        svg: Option<PathBuf>,
        /// Replace a picture that is there.
        #[arg(long, requires = "svg")]
        force: bool,
        /// Print JSON: mm, deg, N, kg.
        #[arg(long)]
        json: bool,
    },
}

/// How the vehicle came to rest.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Way {
    /// Going down: weight came on, or it was lifted and let down.
    FromAbove,
    /// Coming up: weight went off, or it was pressed down and let come up.
    FromBelow,
    /// Bounced until it rested of itself.
    Bounced,
    /// Nobody knows.
    Unknown,
}

/// Reads `3=bounced`.
fn way(text: &str) -> Result<(usize, Way), String> {
    let form = || format!("'{text}' is not of the form 'N=WAY', for example '3=bounced'");
    let (number, word) = text.split_once('=').ok_or_else(form)?;
    let number = number.trim().parse().map_err(|_| form())?;
    Ok((number, Way::from_str(word.trim(), true)?))
}

/// Reads a weight.
fn mass_kg(text: &str) -> Result<f64, String> {
    let kg = crate::quantity::read(text, Dimension::Mass)
        .map(|w| w.si)
        .map_err(|e| format!("{}. {}", e.reason(), e.help()))?;
    if kg > 0.0 && kg.is_finite() {
        Ok(kg)
    } else {
        Err(format!("'{text}' is no weight"))
    }
}

/// `read`.
#[derive(Debug, Args)]
#[command(after_help = "\
Example:
  stillheight read van.toml --keep --load deck")]
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
    #[command(after_help = "\
Examples:
  stillheight sheet new van.toml
  stillheight sheet new van.toml --ask
  stillheight sheet new van.toml --ask < answers.txt")]
    New {
        /// Where to write it; an existing file is kept.
        file: PathBuf,
        /// Ask for what a tape can give, and write a sheet of that.
        #[arg(long)]
        ask: bool,
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
        /// Print JSON: the mistakes with their places.
        #[arg(long)]
        json: bool,
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
#[command(after_help = "\
Examples:
  stillheight targets van.toml --case finished
  stillheight targets van.toml --set rear.spring.rate=\"26 N/mm\"
  stillheight targets van.toml --sweep rear.spring.rate=\"20..30/2 N/mm\" --csv")]
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
    /// A table over a field of the sheet, in the targets' case or --case, for example
    /// --sweep rear.spring.rate="20..30/2 N/mm"; may be given twice.
    #[arg(long = "sweep", value_name = "PATH=FROM..TO/STEP")]
    pub sweeps: Vec<String>,
    /// Print the table of --sweep as CSV.
    #[arg(long, requires = "sweeps", conflicts_with = "json")]
    pub csv: bool,
}

/// `layout`.
#[derive(Debug, Args)]
#[command(group(clap::ArgGroup::new("view").args(["lean", "wheel", "link"])))]
#[command(group(clap::ArgGroup::new("form").args(["json", "csv"])))]
#[allow(
    clippy::struct_excessive_bools,
    reason = "each is a flag of the command line"
)]
pub struct LayoutArguments {
    /// The build sheet; [wish], [[stock]] and [wheel] say what is asked.
    pub sheet: PathBuf,
    /// How the wheel rate falls with lean, instead of the candidates.
    #[arg(long)]
    pub lean: bool,
    /// Room round the wheel, instead of the candidates.
    #[arg(long)]
    pub wheel: bool,
    /// The lateral link through its travel, instead of the candidates.
    #[arg(long)]
    pub link: bool,
    /// Print JSON: mm, deg, N, kg, N/mm, Hz.
    #[arg(long)]
    pub json: bool,
    /// Print the candidates as CSV, one line for each case.
    #[arg(long, conflicts_with = "view")]
    pub csv: bool,
    /// So many candidates, best first (JSON and CSV have all).
    #[arg(long, value_name = "N", default_value_t = 12, conflicts_with = "view")]
    pub rows: usize,
    /// With --lean: this spring of the stock instead of the first.
    #[arg(long, value_name = "NAME", requires = "lean")]
    pub spring: Option<String>,
    /// With --lean: travel of the wheels each way for which the ends are given.
    #[arg(long, value_name = "LENGTH", value_parser = length, requires = "lean")]
    pub travel: Option<Length>,
    /// With --wheel: which of these sizes is the largest that clears, for example
    /// "215/65R16,235/60R17".
    #[arg(long, value_name = "CODES", value_delimiter = ',', requires = "wheel")]
    pub sizes: Vec<String>,
    /// With --link: wheel travel up in use; else what the coilovers have left.
    #[arg(long, value_name = "LENGTH", value_parser = length, requires = "link")]
    pub up: Option<Length>,
    /// With --link: wheel travel down in use; else what the coilovers have left.
    #[arg(long, value_name = "LENGTH", value_parser = length, requires = "link")]
    pub down: Option<Length>,
    /// Write the picture of the view to this file; an existing file is kept.
    #[arg(long, value_name = "FILE", requires = "view")]
    pub svg: Option<PathBuf>,
    /// Replace an existing file.
    #[arg(long, requires = "svg")]
    pub force: bool,
    /// Another value for a field of the sheet, for example
    /// --set wish.lean_step="2 deg"; may be given several times.
    #[arg(long = "set", value_name = "PATH=VALUE")]
    pub overrides: Vec<String>,
}

/// `wire`. Tolerances are limits: surely no more than that.
#[derive(Debug, Args)]
#[command(group(clap::ArgGroup::new("across").required(true).args(["coil", "outside"])))]
pub struct WireArguments {
    /// Diameter of the wire.
    #[arg(long, value_name = "LENGTH", value_parser = length)]
    pub wire: Length,
    /// Mean diameter of the coil, from middle to middle of the wire.
    #[arg(long, value_name = "LENGTH", value_parser = length)]
    pub coil: Option<Length>,
    /// Outside diameter of the coil, instead of the mean one.
    #[arg(long, value_name = "LENGTH", value_parser = length)]
    pub outside: Option<Length>,
    /// Coils that work: all that do not touch their neighbour or a seat.
    #[arg(long, value_name = "N")]
    pub active: f64,
    /// How the ends are made.
    #[arg(long, value_enum, default_value = "squared-ground")]
    pub ends: WireEnds,
    /// Free length.
    #[arg(long, value_name = "LENGTH", value_parser = length)]
    pub free: Length,
    /// Modulus of rigidity of the wire; else that of patented steel wire, 81.37 GPa.
    #[arg(long, value_name = "MODULUS", value_parser = modulus_pa)]
    pub modulus: Option<f64>,
    /// How far the wire's diameter may be off.
    #[arg(long, value_name = "LENGTH", value_parser = length)]
    pub wire_tolerance: Option<Length>,
    /// How far the coil's diameter may be off.
    #[arg(long, value_name = "LENGTH", value_parser = length)]
    pub coil_tolerance: Option<Length>,
    /// How far the count of active coils may be off.
    #[arg(long, value_name = "N")]
    pub active_tolerance: Option<f64>,
    /// The stress at this force too, for example "3000 N"; may be given several times.
    #[arg(long = "at", value_name = "FORCE", value_parser = force)]
    pub forces: Vec<Force>,
    /// Units of the answer.
    #[arg(long, value_enum, default_value = "metric")]
    pub units: Units,
    /// Print JSON: mm, N, N/mm, MPa.
    #[arg(long)]
    pub json: bool,
}

/// How the ends of a spring's wire are made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum WireEnds {
    /// Cut off.
    Plain,
    /// Cut off and ground flat.
    PlainGround,
    /// Closed: the last coil lies on the one before.
    Squared,
    /// Closed and ground flat.
    SquaredGround,
}

/// `weigh`.
#[derive(Debug, Args)]
#[command(group(clap::ArgGroup::new("what").required(true).args(["file", "example", "wheelbase"])))]
pub struct WeighArguments {
    /// The weighing, a TOML file; --example prints one to begin with.
    pub file: Option<PathBuf>,
    /// Print a commented weighing that works as it is.
    #[arg(long)]
    pub example: bool,
    /// Print JSON: mm, kg.
    #[arg(long, conflicts_with = "example")]
    pub json: bool,
    /// The weighing on the line.
    #[command(flatten)]
    pub line: WeighLine,
}

/// A weighing without a file: as in the file, each with its unit.
#[derive(Debug, Args)]
#[command(next_help_heading = "Without a file")]
pub struct WeighLine {
    /// Between the axles' design centrelines.
    #[arg(long, value_name = "LENGTH")]
    pub wheelbase: Option<String>,
    /// Between the rear wheel centre planes; four scales need it.
    #[arg(long, value_name = "LENGTH", requires = "wheelbase")]
    pub rear_track: Option<String>,
    /// Between the front wheel centre planes; four scales need it.
    #[arg(long, value_name = "LENGTH", requires = "wheelbase")]
    pub front_track: Option<String>,
    /// Under the left rear wheel.
    #[arg(long, value_name = "MASS", requires_all = ["wheelbase", "rear_right", "front_left", "front_right", "uncertainty"])]
    pub rear_left: Option<String>,
    /// Under the right rear wheel.
    #[arg(long, value_name = "MASS", requires = "rear_left")]
    pub rear_right: Option<String>,
    /// Under the left front wheel.
    #[arg(long, value_name = "MASS", requires = "rear_left")]
    pub front_left: Option<String>,
    /// Under the right front wheel.
    #[arg(long, value_name = "MASS", requires = "rear_left")]
    pub front_right: Option<String>,
    /// Under the rear axle, weighed axle by axle.
    #[arg(long, value_name = "MASS", requires_all = ["wheelbase", "front", "uncertainty"])]
    pub rear: Option<String>,
    /// Under the front axle.
    #[arg(long, value_name = "MASS", requires = "rear")]
    pub front: Option<String>,
    /// Limit of what each reading may be off.
    #[arg(long, value_name = "MASS", requires = "wheelbase")]
    pub uncertainty: Option<String>,
    /// A part, for example "engine: 140 kg at 2300 mm, 0 mm, 150 mm" (frame point);
    /// may be given several times.
    #[arg(long = "part", value_name = "PART", requires = "wheelbase")]
    pub parts: Vec<String>,
    /// What the springs do not carry, written as a part; may be given several times.
    #[arg(long, value_name = "PART", requires = "wheelbase")]
    pub unsprung: Vec<String>,
    /// An axle raised and the load under the other one: "rear by 600 mm: 483 kg"; may
    /// be given several times.
    #[arg(long, value_name = "WEIGHING", requires_all = ["wheelbase", "wheel_radius", "datum_height", "uncertainty"])]
    pub raised: Vec<String>,
    /// Height of the wheel centres over the floor, all four alike.
    #[arg(long, value_name = "LENGTH", requires = "wheelbase")]
    pub wheel_radius: Option<String>,
    /// Height of the frame datum over the floor, level.
    #[arg(long, value_name = "LENGTH", requires = "wheelbase")]
    pub datum_height: Option<String>,
    /// Units of the answer.
    #[arg(long, value_enum, default_value = "metric")]
    pub units: Units,
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
#[command(after_help = "\
Examples:
  stillheight watch van.toml
  stillheight watch van.toml --load deck --load tank
  stillheight watch van.toml --plain --for 5min
  stillheight watch van.toml --share --share-on network --share-allow keep,load")]
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
    /// Look for sensors with an id of their own on this port too (a pseudo-terminal
    /// is never listed); may be given several times.
    #[arg(long, value_name = "PATH")]
    pub port: Vec<PathBuf>,
    /// Play a capture instead of reading ports; nothing is written to the logbook.
    #[arg(long, value_name = "FILE", conflicts_with = "port")]
    pub from: Option<PathBuf>,
    /// How fast a capture is played: 1 is as it was, 10 ten times as fast, 'max'
    /// as fast as can be.
    #[arg(long, value_name = "N", default_value = "1", value_parser = play_speed, requires = "from")]
    pub speed: f64,
    /// Say when a zero is older than this.
    #[arg(long, value_name = "DURATION", default_value = "30d", value_parser = duration)]
    pub old_zero: f64,
    /// The page for phones.
    #[command(flatten)]
    pub sharing: Sharing,
    /// Readings to a broker.
    #[command(flatten)]
    pub publishing: Publishing,
}

/// The live reading on a phone.
#[derive(Debug, Clone, Default, Args)]
pub struct Sharing {
    /// Serve a page with the live reading, for a phone; the screen shows its QR code.
    /// Without --share-on only this machine can open it.
    #[arg(long)]
    pub share: bool,
    /// Serve it on this address of this machine, for example 192.168.1.20 or
    /// 192.168.1.20:4711; 'network' takes the address on the network it is on.
    /// Everybody on that network who has the address with its token can look.
    #[arg(long, value_name = "ADDRESS", requires = "share")]
    pub share_on: Option<String>,
    /// What the page may do beside looking: keep, load.
    #[arg(
        long,
        value_name = "WHAT",
        value_delimiter = ',',
        value_enum,
        requires = "share"
    )]
    pub share_allow: Vec<ShareAllow>,
}

/// Readings to a broker of the builder's own.
#[derive(Debug, Clone, Default, Args)]
pub struct Publishing {
    /// Publish what is read to this MQTT broker of your own, for example
    /// mqtt://shop@192.168.1.5:1883/van; 'stillheight schema mqtt' says what comes on
    /// which topic. Not encrypted: for a network that you trust.
    #[arg(long, value_name = "mqtt://HOST/PREFIX")]
    pub publish: Option<String>,
    /// The password in this file's first line; else in the variable
    /// STILLHEIGHT_MQTT_PASSWORD.
    #[arg(long, value_name = "FILE", requires = "publish")]
    pub publish_password_file: Option<PathBuf>,
}

/// What a phone may do beside looking.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum ShareAllow {
    /// Keep a reading.
    Keep,
    /// Mark loads on and off.
    Load,
}

/// `sensors`.
#[derive(Debug, Args)]
#[command(args_conflicts_with_subcommands = true)]
pub struct SensorsArguments {
    /// What to do; without it ports are listed with what speaks on each.
    #[command(subcommand)]
    pub action: Option<SensorsAction>,
    /// This port too (a pseudo-terminal is never listed); may be given several times.
    #[arg(long, value_name = "PATH")]
    pub port: Vec<PathBuf>,
    /// The ports of this sheet too, with the protocols that it describes.
    #[arg(long, value_name = "SHEET")]
    pub sheet: Option<PathBuf>,
    /// Print JSON.
    #[arg(long)]
    pub json: bool,
    /// Listen so long at each speed, for example 3s.
    #[arg(long = "for", value_name = "DURATION", value_parser = duration)]
    pub length: Option<f64>,
}

/// What can be done with sensors.
#[derive(Debug, Subcommand)]
pub enum SensorsAction {
    /// Tell protocol and speed of what is on a port, and print the lines for the sheet.
    Try(TryArguments),
    /// Find which sensor is where: the one that moves is the one that is asked for.
    Find(FindArguments),
}

/// `sensors try`.
#[derive(Debug, Args)]
pub struct TryArguments {
    /// The port.
    pub port: PathBuf,
    /// Print JSON.
    #[arg(long)]
    pub json: bool,
    /// At this speed only.
    #[arg(long)]
    pub baud: Option<u32>,
    /// Listen so long at each speed, for example 3s.
    #[arg(long = "for", value_name = "DURATION", value_parser = duration)]
    pub length: Option<f64>,
}

/// `sensors find`.
#[derive(Debug, Args)]
pub struct FindArguments {
    /// The build sheet.
    pub sheet: PathBuf,
    /// Only this sensor of the sheet; may be given several times.
    #[arg(long, value_name = "NAME")]
    pub place: Vec<String>,
    /// This port too; may be given several times.
    #[arg(long, value_name = "PATH")]
    pub port: Vec<PathBuf>,
    /// How steps are asked for and given.
    #[command(flatten)]
    pub stepping: Stepping,
}

/// How a guided command is led.
#[derive(Debug, Clone, Args)]
pub struct Stepping {
    /// One line after the other instead of one step a screen.
    #[arg(long)]
    pub plain: bool,
    /// Take the answers from this file, one a line, instead of the keyboard.
    #[arg(long, value_name = "FILE")]
    pub steps: Option<PathBuf>,
    /// Wait at most so long at each step.
    #[arg(long, value_name = "DURATION", default_value = "5min", value_parser = duration)]
    pub wait: f64,
}

/// `zero`.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  stillheight zero van.toml
  stillheight zero van.toml --sensor roll
  stillheight zero van.toml --floor")]
pub struct ZeroArguments {
    /// The build sheet.
    pub sheet: PathBuf,
    /// Only this sensor of the sheet; may be given several times.
    #[arg(long, value_name = "NAME")]
    pub sensor: Vec<String>,
    /// Map the floor instead: heights at wheels, beams and stations.
    #[arg(long)]
    pub floor: bool,
    /// With --floor: the inclinometer that lies on the straight edge.
    #[arg(long, value_name = "NAME", requires = "floor")]
    pub with: Option<String>,
    /// This port too; may be given several times.
    #[arg(long, value_name = "PATH")]
    pub port: Vec<PathBuf>,
    /// How steps are asked for and given.
    #[command(flatten)]
    pub stepping: Stepping,
}

/// `record`.
#[derive(Debug, Args)]
#[command(after_help = "\
Example:
  stillheight record /dev/ttyUSB0 roll.log --for 1min")]
pub struct RecordArguments {
    /// The ports, then the file to write; an existing file is kept.
    #[arg(required = true, value_name = "PORT... FILE")]
    pub paths: Vec<PathBuf>,
    /// Record the ports of this sheet (and ask the sensors what it says must be asked).
    #[arg(long, value_name = "SHEET")]
    pub sheet: Option<PathBuf>,
    /// Line speed; without it it is found out by listening.
    #[arg(long)]
    pub baud: Option<u32>,
    /// Stop after this long, for example 90s.
    #[arg(long = "for", value_name = "DURATION", value_parser = duration)]
    pub length: Option<f64>,
    /// What happens, in words; goes into the file.
    #[arg(long, value_name = "WORDS")]
    pub situation: Option<String>,
}

/// `rehearse`.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  stillheight rehearse
  stillheight rehearse --plain --speed 20 --folder try")]
pub struct RehearseArguments {
    /// How to tell.
    #[command(flatten)]
    pub telling: Telling,
    /// What happens.
    #[arg(long, value_enum, default_value = "getting-on")]
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
    /// Pull a sensor's plug for a while, for example "rear link@30s-42s"; may be
    /// given several times.
    #[arg(long, value_name = "SENSOR@FROM-TO", value_parser = unplug)]
    pub unplug: Vec<Unplug>,
    /// Keep sheet and logbook in this folder (else they are thrown away).
    #[arg(long, value_name = "FOLDER")]
    pub folder: Option<PathBuf>,
    /// The page for phones.
    #[command(flatten)]
    pub sharing: Sharing,
    /// Readings to a broker.
    #[command(flatten)]
    pub publishing: Publishing,
}

/// A sensor without its plug for a while.
#[derive(Debug, Clone, PartialEq)]
pub struct Unplug {
    /// The sensor's name.
    pub sensor: String,
    /// Simulated seconds at which the plug is pulled.
    pub from_s: f64,
    /// Simulated seconds at which it is back.
    pub to_s: f64,
}

/// Reads `rear link@30s-42s`.
fn unplug(text: &str) -> Result<Unplug, String> {
    let form =
        || format!("'{text}' is not of the form 'SENSOR@FROM-TO', for example 'rear link@30s-42s'");
    let (sensor, times) = text.rsplit_once('@').ok_or_else(form)?;
    let (from, to) = times.split_once('-').ok_or_else(form)?;
    let (from_s, to_s) = (duration(from)?, duration(to)?);
    if to_s <= from_s {
        return Err(format!("'{to}' is not after '{from}'"));
    }
    Ok(Unplug {
        sensor: sensor.trim().to_owned(),
        from_s,
        to_s,
    })
}

/// `advise`.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  stillheight advise van.toml
  stillheight advise van.toml --why \"rear left collar 2 turns up\"")]
pub struct AdviseArguments {
    /// The build sheet; the logbook beside it gives readings and changes.
    pub sheet: PathBuf,
    /// A load case that counts; may be given several times for the best compromise.
    #[arg(long = "case", value_name = "NAME")]
    pub cases: Vec<String>,
    /// What an operation of your own would do, for example "rear left collar 2 turns up".
    #[arg(long, value_name = "WORDS")]
    pub why: Option<String>,
    /// Let left and right differ in holes and springs.
    #[arg(long)]
    pub independent: bool,
    /// Print JSON: mm, deg, N, kg, Hz.
    #[arg(long)]
    pub json: bool,
    /// Another value for a field of the sheet; may be given several times.
    #[arg(long = "set", value_name = "PATH=VALUE")]
    pub overrides: Vec<String>,
}

/// `changed`.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  stillheight changed van.toml --collar \"rear left\" --turns \"+1 1/2\"
  stillheight changed van.toml --hole \"rear left lower C\"
  stillheight changed van.toml")]
pub struct ChangedArguments {
    /// The build sheet whose logbook it is.
    pub sheet: PathBuf,
    /// A collar that was turned, for example "rear left"; with --turns.
    #[arg(long, value_name = "UNIT")]
    pub collar: Vec<String>,
    /// How far, for example "+1 1/2" or "3/4 turn down"; once for each collar.
    #[arg(long, value_name = "TURNS", allow_hyphen_values = true)]
    pub turns: Vec<String>,
    /// A bolt that was moved, for example "rear left lower 2".
    #[arg(long, value_name = "UNIT END HOLE")]
    pub hole: Vec<String>,
    /// A spring that was fitted, for example "rear left red 30", or "rear left own".
    #[arg(long, value_name = "UNIT NAME")]
    pub spring: Vec<String>,
    /// Words to it.
    #[arg(long)]
    pub note: Option<String>,
    /// Print JSON.
    #[arg(long)]
    pub json: bool,
}

/// What happens in a rehearsal.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Story {
    /// A person and sandbags get on and off.
    GettingOn,
    /// The springs settle for five days.
    Settling,
    /// A collar that stands too low is turned as the screen says.
    Turning,
    /// The guided load test, from the plan to the forecast.
    #[value(name = "loadtest")]
    Loadtest,
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
#[command(after_help = "\
Examples:
  stillheight export van.toml --csv -o van.csv
  stillheight export van.toml --arrow -o van.arrow
  stillheight export van.toml --json | head -1")]
#[command(group(clap::ArgGroup::new("form").required(true).args(["csv", "json", "arrow"])))]
pub struct ExportArguments {
    /// The build sheet whose logbook it is.
    pub sheet: PathBuf,
    /// As CSV, units in the header.
    #[arg(long)]
    pub csv: bool,
    /// As JSON lines, units in the keys.
    #[arg(long)]
    pub json: bool,
    /// As an Arrow IPC file for notebooks, units in the columns' names: mm, deg, kg.
    #[arg(long)]
    pub arrow: bool,
    /// Write to this file instead of standard output; an existing file is kept.
    #[arg(short, long, value_name = "FILE")]
    pub output: Option<PathBuf>,
    /// Replace an existing file.
    #[arg(long)]
    pub force: bool,
}

/// Reads a length with its unit.
fn length(text: &str) -> Result<Length, String> {
    with_unit(text, Dimension::Length).map(Length::new)
}

/// Reads a force with its unit.
fn force(text: &str) -> Result<Force, String> {
    with_unit(text, Dimension::Force).map(Force::new)
}

fn with_unit(text: &str, due: Dimension) -> Result<f64, String> {
    let read = crate::quantity::read(text, due).map_err(|e| format!("{e}; {}", e.help()))?;
    Ok(read.si)
}

/// Reads `81.4 GPa`, `79300 N/mm2` or `11.5 Mpsi` as pascals.
fn modulus_pa(text: &str) -> Result<f64, String> {
    /// Pascals in a pound-force per square inch, from the exact definitions.
    const PSI: f64 = crate::quantity::NEWTONS_PER_POUND_FORCE
        / (crate::quantity::METRES_PER_INCH * crate::quantity::METRES_PER_INCH);
    let text = text.trim();
    let split = text
        .find(|c: char| c.is_ascii_alphabetic())
        .unwrap_or(text.len());
    let (number, unit) = text.split_at(split);
    let factor = match unit.trim() {
        "GPa" => 1e9,
        "MPa" | "N/mm2" | "N/mm²" => 1e6,
        "Mpsi" => 1e6 * PSI,
        "ksi" => 1e3 * PSI,
        "psi" => PSI,
        "" => {
            return Err(format!(
                "'{text}' has no unit; write for example '81.4 GPa'"
            ));
        }
        other => {
            return Err(format!(
                "unknown unit '{other}'; use GPa, MPa, N/mm2, Mpsi, ksi or psi"
            ));
        }
    };
    match number.trim().parse::<f64>() {
        // From a soft plastic to twice steel.
        Ok(n) if (1e8..=2e11).contains(&(n * factor)) => Ok(n * factor),
        Ok(_) => Err(format!("'{text}' is no modulus from 0.1 to 200 GPa")),
        Err(_) => Err(format!("'{}' is no number", number.trim())),
    }
}

/// Reads `10` or `max` as a speed.
fn play_speed(text: &str) -> Result<f64, String> {
    match text.trim() {
        "max" => Ok(f64::INFINITY),
        number => match number.parse::<f64>() {
            Ok(n) if n.is_finite() && (0.01..=1e4).contains(&n) => Ok(n),
            _ => Err(format!(
                "'{text}' is no speed from 0.01 to 10000, nor 'max'"
            )),
        },
    }
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
    fn a_modulus_needs_its_unit() {
        assert_eq!(modulus_pa("81.37 GPa").unwrap(), 81.37e9);
        assert_eq!(modulus_pa("79300 N/mm2").unwrap(), 79.3e9);
        assert!((modulus_pa("11.5 Mpsi").unwrap() / 79.29e9 - 1.0).abs() < 1e-4);
        for wrong in ["81", "81 kg", "-3 GPa", "GPa", "inf GPa", "5000 GPa"] {
            assert!(modulus_pa(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn the_command_line_is_well_formed() {
        use clap::CommandFactory;
        Arguments::command().debug_assert();
    }
}
