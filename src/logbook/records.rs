//! The records of the logbook: plain fields, SI values, unit in the name or
//! beside the value.

use crate::quantity::Moment;

/// A start of the program at the vehicle.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sitting {
    /// When it began.
    pub started: Moment,
    /// The build sheet as it was then, whole.
    pub sheet_text: String,
    /// The program's version.
    pub program: String,
}

/// Number of a sitting in its file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SittingId(pub i64);

/// Number of a kept reading in its file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct KeptId(pub i64);

/// Unit of a stored value: always the SI one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Unit {
    /// Metres.
    Metre,
    /// Radians.
    Radian,
    /// Newtons.
    Newton,
    /// Kilograms.
    Kilogram,
    /// Newtons per metre.
    NewtonPerMetre,
    /// Newton metres per radian.
    NewtonMetrePerRadian,
    /// Hertz.
    Hertz,
    /// A plain number.
    One,
}

/// Whether a value was measured or comes from the sheet alone.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Origin {
    /// Readings determine it.
    Measured,
    /// The model's assumption determines it.
    Assumed,
}

/// Who decided that a reading is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum KeptBy {
    /// Somebody pressed the key.
    Key,
    /// The vehicle was still.
    Stillness,
}

/// A load that is on the vehicle.
#[derive(Debug, Clone, PartialEq)]
pub struct Load {
    /// Its name.
    pub name: String,
    /// Its mass.
    pub mass_kg: f64,
    /// Frame point of its centre (x forward, y left, z up), where known.
    pub at_m: Option<[f64; 3]>,
}

/// One quantity of a kept reading.
#[derive(Debug, Clone, PartialEq)]
pub struct KeptQuantity {
    /// Its name, for example `height rear left`; once in a reading.
    pub name: String,
    /// Unit of value and uncertainty.
    pub unit: Unit,
    /// The value.
    pub value: f64,
    /// Its standard uncertainty.
    pub standard_uncertainty: f64,
    /// Measured or assumed.
    pub origin: Origin,
}

/// The state behind the quantities, with its covariance.
#[derive(Debug, Clone, PartialEq)]
pub struct KeptState {
    /// Names of the coordinates, unit in the name (`frame_heave_m`).
    pub coordinates: Vec<String>,
    /// Their values.
    pub values: Vec<f64>,
    /// Covariance, row by row, as many rows and columns as coordinates.
    pub covariance: Vec<f64>,
}

/// What a sensor said when a reading was kept.
#[derive(Debug, Clone, PartialEq)]
pub struct KeptSensor {
    /// Its name on the sheet.
    pub name: String,
    /// Unit of its numbers.
    pub unit: Unit,
    /// Its value; nothing where it was silent.
    pub value: Option<f64>,
    /// Standard uncertainty from noise; nothing where it was silent.
    pub noise_uncertainty: Option<f64>,
    /// Standard uncertainty of its zero.
    pub zero_uncertainty: f64,
    /// Its quality in one word, as the readings stage calls it.
    pub quality: String,
    /// Temperature of the device in degrees Celsius, where it said.
    pub temperature_c: Option<f64>,
}

/// A reading that is kept for good.
#[derive(Debug, Clone, PartialEq)]
pub struct KeptReading {
    /// When; together with the sitting the key of the record.
    pub at: Moment,
    /// Since when the vehicle had been still.
    pub still_since: Option<Moment>,
    /// The load case of the sheet, where one is on.
    pub case: Option<String>,
    /// The loads that are on.
    pub loads: Vec<Load>,
    /// By key or by itself.
    pub by: KeptBy,
    /// What somebody wanted to remember; may be empty.
    pub note: String,
    /// What was found.
    pub quantities: Vec<KeptQuantity>,
    /// The state with its covariance.
    pub state: Option<KeptState>,
    /// The sensors at that moment.
    pub sensors: Vec<KeptSensor>,
}

/// A kept reading as found in the file.
#[derive(Debug, Clone, PartialEq)]
pub struct Kept {
    /// Its number.
    pub id: KeptId,
    /// Its sitting.
    pub sitting: SittingId,
    /// The reading.
    pub reading: KeptReading,
    /// It reads back as it was written; where not, the file was altered or
    /// damaged and its numbers mean nothing.
    pub intact: bool,
}

/// A sample as a sensor gave it.
#[derive(Debug, Clone, PartialEq)]
pub struct RawSample {
    /// The sensor's name on the sheet.
    pub sensor: String,
    /// Unit of the value.
    pub unit: Unit,
    /// When it arrived.
    pub at: Moment,
    /// The value, nothing taken off.
    pub value: f64,
    /// The device itself trusts it.
    pub trusted: bool,
}

/// A moment that somebody marked.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    /// When.
    pub at: Moment,
    /// What.
    pub kind: MarkKind,
    /// Words to it; may be empty, except in a note.
    pub note: String,
}

/// What a mark says.
#[derive(Debug, Clone, PartialEq)]
pub enum MarkKind {
    /// A load went on.
    LoadOn(Load),
    /// A load came off.
    LoadOff(Load),
    /// Words alone.
    Note,
}

/// A change made to the vehicle.
#[derive(Debug, Clone, PartialEq)]
pub struct Change {
    /// When it was entered.
    pub at: Moment,
    /// What was done.
    pub kind: ChangeKind,
    /// Words to it; may be empty.
    pub note: String,
}

/// What was changed.
#[derive(Debug, Clone, PartialEq)]
pub enum ChangeKind {
    /// A collar was turned; positive turns raise it.
    Collar {
        /// Name of the coilover or corner.
        coilover: String,
        /// Turns.
        turns: f64,
    },
    /// A mount went to another hole.
    Hole {
        /// Name of the coilover.
        coilover: String,
        /// Which end.
        end: MountEnd,
        /// The hole it was in.
        from: String,
        /// The hole it is in now.
        to: String,
    },
    /// Another spring was fitted.
    Spring {
        /// Name of the coilover or corner.
        coilover: String,
        /// The spring in words, rate and length with their units.
        spring: String,
    },
    /// Anything else; the note says what.
    Other,
}

/// Which end of a coilover.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum MountEnd {
    /// At the frame.
    Upper,
    /// At the axle.
    Lower,
}

/// A calibration of a sensor.
#[derive(Debug, Clone, PartialEq)]
pub struct Calibration {
    /// When.
    pub at: Moment,
    /// The sensor's name.
    pub sensor: String,
    /// Its kind in a word, for example `zero`.
    pub kind: String,
    /// What came out, in the words of the stage that made it.
    pub result: serde_json::Value,
}

/// A fit over earlier records.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// When it was made.
    pub at: Moment,
    /// Its kind in a word, for example `settling`.
    pub kind: String,
    /// What came out, in the words of the stage that made it.
    pub result: serde_json::Value,
}

/// Words stored for an enum, one table for both ways.
macro_rules! words {
    ($type:ty { $($variant:path = $word:literal,)* }) => {
        impl $type {
            /// The word that stands for it in the file.
            pub const fn word(self) -> &'static str {
                match self { $($variant => $word,)* }
            }
            pub(super) fn from_word(word: &str) -> Option<Self> {
                match word { $($word => Some($variant),)* _ => None }
            }
        }
    };
}

words!(Unit {
    Unit::Metre = "m",
    Unit::Radian = "rad",
    Unit::Newton = "N",
    Unit::Kilogram = "kg",
    Unit::NewtonPerMetre = "N/m",
    Unit::NewtonMetrePerRadian = "N m/rad",
    Unit::Hertz = "Hz",
    Unit::One = "1",
});
words!(Origin {
    Origin::Measured = "measured",
    Origin::Assumed = "assumed",
});
words!(KeptBy {
    KeptBy::Key = "key",
    KeptBy::Stillness = "stillness",
});
words!(MountEnd {
    MountEnd::Upper = "upper",
    MountEnd::Lower = "lower",
});
