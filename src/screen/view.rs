//! The view: everything the screen shows, as plain data.
//!
//! In: what the stages above found out, put together once per tick by the
//! caller. Out: an immutable [`View`] that the drawing reads, and the
//! [`Command`]s that keys give back. Refused: nothing; a number that is not
//! finite is shown as 'cannot tell'.
//!
//! Intervals are half widths at 95 %. Axes are the vehicle's: x forward, y
//! left, z up; positive roll is left side up, positive pitch nose down.

use crate::quantity::{Angle, Force, Length, Moment, Span, UnitSystem};

/// One picture of the vehicle, its sensors and what to do next.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct View {
    /// The moment this view is of; ages are counted from it.
    pub now: Moment,
    /// The vehicle's name from the sheet.
    pub vehicle: String,
    /// The load case whose targets are compared with.
    pub case: String,
    /// The system results are shown in.
    pub units: UnitSystem,
    /// Where the readings come from.
    pub source: Source,
    /// Whether the stream of readings is held.
    pub paused: bool,
    /// How it stands in words, the worst first; empty is 'cannot tell'.
    pub stance: Vec<Stance>,
    /// Whether it stands inside its targets, all together.
    pub verdict: Verdict,
    /// Whether it has come to rest.
    pub motion: Motion,
    /// The largest deviation from a target.
    pub to_go: ToGo,
    /// Roll of the frame.
    pub roll: Option<Figure<Angle>>,
    /// Pitch of the frame.
    pub pitch: Option<Figure<Angle>>,
    /// The heights, in the order of the sheet.
    pub stations: Vec<StationView>,
    /// The links, in the order of the sheet.
    pub links: Vec<LinkView>,
    /// The coilovers, in the order of the sheet.
    pub coilovers: Vec<CoiloverView>,
    /// The vehicle from behind.
    pub behind: Behind,
    /// The sensors, in the order of the sheet.
    pub sensors: Vec<SensorView>,
    /// The loads of the sheet, on or off.
    pub loads: Vec<LoadMark>,
    /// What was kept, the newest first, one line each.
    pub kept: Vec<String>,
    /// What to do next, the first thing first.
    pub next: Vec<String>,
    /// An error or a notice.
    pub message: Option<Message>,
    /// Work being done right now that deserves its own gauges.
    pub task: Option<Task>,
    /// The page for phones, where it is shared.
    pub shared: Option<SharedView>,
}

/// The page for phones.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct SharedView {
    /// Its whole address.
    pub address: String,
    /// The address as a QR code: rows of half blocks, dark on light.
    pub code: Vec<String>,
    /// The same light on dark, for a screen without colours.
    pub code_light: Vec<String>,
}

/// Where the readings come from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Source {
    /// Sensors on the vehicle.
    #[default]
    Live,
    /// The simulated vehicle.
    Rehearsal,
    /// A capture played back.
    Replay,
}

/// How the vehicle stands, in the words of the trade.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stance {
    /// Neither roll nor pitch to speak of.
    Level,
    /// The left side is up.
    LeftHigh,
    /// The right side is up.
    RightHigh,
    /// The front is down.
    NoseDown,
    /// The front is up.
    NoseUp,
    /// Level, but all too high.
    TooHigh,
    /// Level, but all too low.
    TooLow,
    /// The readings do not say.
    CannotTell,
}

/// A comparison with a target at 95 %.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Verdict {
    /// The whole interval is within the tolerance.
    Inside,
    /// The whole interval is outside the tolerance.
    Outside,
    /// The interval reaches over the tolerance's edge, or nothing was read.
    #[default]
    CannotTell,
}

/// Whether the vehicle has come to rest.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Motion {
    /// Nothing was heard that could say.
    #[default]
    Unheard,
    /// It moves, since then.
    Moving(Moment),
    /// It is still, since then.
    Still(Moment),
}

/// How far to the target, where it is farthest off.
#[derive(Debug, Clone, PartialEq, Default)]
pub enum ToGo {
    /// The readings do not say.
    #[default]
    CannotTell,
    /// Nothing: all is inside.
    Nothing,
    /// This far.
    Move {
        /// Which station or link.
        place: String,
        /// How far, never negative.
        amount: Amount,
        /// Which way it has to go.
        way: Way,
    },
}

/// A direction in which something has to go.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Way {
    /// Upward.
    Up,
    /// Downward.
    Down,
}

/// Read from sensors, or taken from the model because no sensor says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Basis {
    /// Read.
    #[default]
    Measured,
    /// Taken from the model; shown with '~'.
    Assumed,
}

/// A number with its interval.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Figure<Q> {
    /// The value.
    pub value: Q,
    /// Half the width of the 95 % interval, where known.
    pub half_width: Option<Q>,
    /// Measured or assumed.
    pub basis: Basis,
}

/// A target with its tolerance either way.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Aim<Q> {
    /// What is wanted.
    pub value: Q,
    /// How far off is still right.
    pub tolerance: Q,
}

/// A figure of one of the kinds that a gauge can show.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Amount {
    /// A height or a distance.
    Length(Figure<Length>),
    /// An angle.
    Angle(Figure<Angle>),
    /// A force.
    Force(Figure<Force>),
}

/// A place on the frame whose height is read.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct StationView {
    /// Its name.
    pub name: String,
    /// Forward of the rear axle.
    pub x: Length,
    /// Left of the centre line.
    pub y: Length,
    /// Height over the floor; none is 'cannot tell'.
    pub height: Option<Figure<Length>>,
    /// Target for the case.
    pub aim: Option<Aim<Length>>,
    /// Comparison.
    pub verdict: Verdict,
}

/// A lateral link.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct LinkView {
    /// Its name.
    pub name: String,
    /// Angle to the floor, positive with its left end up.
    pub angle: Option<Figure<Angle>>,
    /// Target for the case.
    pub aim: Option<Aim<Angle>>,
    /// Comparison.
    pub verdict: Verdict,
    /// Its two ends from behind.
    pub ends: Option<[BehindPoint; 2]>,
}

/// A coilover.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct CoiloverView {
    /// Its name.
    pub name: String,
    /// Sag from full extension.
    pub sag: Option<Figure<Length>>,
    /// Sag as a share of the stroke, percent.
    pub sag_percent: Option<f64>,
    /// Travel left until fully compressed.
    pub travel_left: Option<Length>,
}

/// A point seen from behind.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct BehindPoint {
    /// Left of the centre line.
    pub y: Length,
    /// Over the floor.
    pub z: Length,
}

impl BehindPoint {
    /// From millimetres left and up.
    pub const fn from_mm(y: f64, z: f64) -> Self {
        Self {
            y: Length::from_mm(y),
            z: Length::from_mm(z),
        }
    }
}

/// The vehicle from behind, for drawing; empty where nothing is known.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Behind {
    /// Outlines of the frame, each closed.
    pub frame: Vec<Vec<BehindPoint>>,
    /// The axle's two ends.
    pub axle: Option<[BehindPoint; 2]>,
    /// The wheels.
    pub wheels: Vec<Wheel>,
    /// The coilovers' upper and lower ends.
    pub coilovers: Vec<[BehindPoint; 2]>,
}

/// A wheel from behind: an upright rectangle.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Wheel {
    /// Its middle.
    pub middle: BehindPoint,
    /// Its radius.
    pub radius: Length,
    /// Its width.
    pub width: Length,
}

/// A sensor's health.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SensorView {
    /// Its name.
    pub name: String,
    /// What it is: 'inclinometer', 'distance'.
    pub kind: String,
    /// The last value as text with unit; empty where none came.
    pub last: String,
    /// How old that is.
    pub age: Option<Span>,
    /// Samples a second.
    pub per_second: Option<f64>,
    /// Frames or lines thrown away since the start.
    pub rejected: u64,
    /// The state in a word.
    pub quality: Quality,
    /// How far its last kept value is off the model found so far, in times its noise.
    pub off: Option<f64>,
}

/// A sensor's state.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Quality {
    /// Nothing came from it since the start.
    #[default]
    NeverHeard,
    /// Fit for use.
    Good,
    /// Its reading moves.
    Moving,
    /// It is past its deadline.
    Silent,
    /// Its port vanished.
    Gone,
    /// It contradicts the others or reports a fault.
    Untrusted,
}

/// A load of the sheet.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct LoadMark {
    /// The key that marks it on or off; any key in use for something else
    /// never reaches the load.
    pub key: Option<char>,
    /// Its name.
    pub name: String,
    /// Its weight as text.
    pub weight: String,
    /// Where it is, as text.
    pub place: String,
    /// Whether it is on.
    pub on: bool,
}

/// An error or a notice.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Message {
    /// How bad.
    pub weight: Severity,
    /// One line.
    pub text: String,
}

/// How bad a message is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Severity {
    /// Good to know.
    Notice,
    /// Look at it.
    Warning,
    /// Something failed.
    Error,
}

/// Work being done right now: a step of the load test, a collar being turned.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Task {
    /// What it is.
    pub title: String,
    /// What stands in big letters meanwhile: a word, digits, and what these are.
    pub shout: Option<Shout>,
    /// What to do at this moment.
    pub step: String,
    /// What to look out for; short.
    pub caution: Option<String>,
    /// Where things stand between now and target.
    pub gauges: Vec<Gauge>,
    /// Load and height as they were kept, in newtons and metres, in order.
    pub course: Vec<(Force, Length)>,
    /// Where load and height are now.
    pub course_now: Option<(Force, Length)>,
    /// The keys that mean something while it is done.
    pub keys: Vec<TaskKey>,
}

/// A key of the work at hand.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TaskKey {
    /// The letter; a line break for Enter.
    pub key: char,
    /// What it does, in a word or two.
    pub what: &'static str,
}

impl TaskKey {
    /// How the key is called.
    pub fn name(self) -> String {
        match self.key {
            '\n' => "Enter".to_owned(),
            letter => letter.to_string(),
        }
    }
}

/// What is to be read from afar while something is done.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Shout {
    /// A word: 'turn up', 'stop'.
    pub word: String,
    /// Digits.
    pub number: String,
    /// What the digits are.
    pub below: String,
}

/// Something on its way to a target.
#[derive(Debug, Clone, PartialEq)]
pub struct Gauge {
    /// What it is of.
    pub name: String,
    /// Where it stands; none is 'cannot tell'.
    pub now: Option<Amount>,
    /// Where it should come to, SI, in the unit of `now`.
    pub aim: f64,
    /// How far off is still right, SI.
    pub tolerance: f64,
    /// What to do, in a word or two: 'turn up', 'stop'.
    pub word: String,
}

/// What a key asks the program to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Command {
    /// Mark the load with this index in [`View::loads`] on or off.
    ToggleLoad(usize),
    /// Keep a reading now.
    Keep,
    /// Write this into the logbook.
    Note(String),
    /// Begin to turn the collar that is suggested, or end the turn.
    Turn,
    /// A step of the hand on the collar that is being turned; up is positive.
    Count(i32),
    /// Give up what is being done.
    GiveUp,
    /// The key with this index in [`Task::keys`].
    Task(usize),
    /// Hold the stream of readings or let it go on (replay only).
    Pause,
    /// End.
    Quit,
}

impl Severity {
    /// The word shown before the text.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Notice => "notice",
            Self::Warning => "warning",
            Self::Error => "error",
        }
    }
}

impl Source {
    /// The word shown in the head line.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Live => "live",
            Self::Rehearsal => "rehearsal",
            Self::Replay => "replay",
        }
    }
}

impl Stance {
    /// In words.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Level => "level",
            Self::LeftHigh => "left high",
            Self::RightHigh => "right high",
            Self::NoseDown => "nose down",
            Self::NoseUp => "nose up",
            Self::TooHigh => "too high",
            Self::TooLow => "too low",
            Self::CannotTell => "cannot tell",
        }
    }
}

impl Verdict {
    /// In words.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Inside => "inside",
            Self::Outside => "outside",
            Self::CannotTell => "cannot tell",
        }
    }
}

impl Quality {
    /// In words.
    pub const fn word(self) -> &'static str {
        match self {
            Self::NeverHeard => "never heard",
            Self::Good => "good",
            Self::Moving => "moving",
            Self::Silent => "silent",
            Self::Gone => "gone",
            Self::Untrusted => "untrusted",
        }
    }
}

impl Way {
    /// In words.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Up => "up",
            Self::Down => "down",
        }
    }
}
