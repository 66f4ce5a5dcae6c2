//! What can be wrong in a sheet.
//!
//! In: what the readers and checks found, with its place. Out: for each a
//! message, a stable code, and a sentence that says what would be right.

use crate::quantity::{Dimension, Length, Mass, Quantity, QuantityError, UnitSystem};

/// A stretch of the text, in bytes: the sheet first, then what was set from
/// outside, one after the other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(super) struct Place {
    pub(super) start: usize,
    pub(super) end: usize,
}

impl From<std::ops::Range<usize>> for Place {
    fn from(range: std::ops::Range<usize>) -> Self {
        Self {
            start: range.start,
            end: range.end,
        }
    }
}

/// One mistake with its places.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Found {
    pub(super) wrong: Wrong,
    pub(super) at: Place,
    /// Other places that have to do with it, and why.
    pub(super) also: Vec<(Place, &'static str)>,
}

impl Found {
    pub(super) fn new(at: Place, wrong: Wrong) -> Self {
        Self {
            wrong,
            at,
            also: Vec::new(),
        }
    }

    pub(super) fn and(mut self, place: Place, why: &'static str) -> Self {
        self.also.push((place, why));
        self
    }
}

/// A length in both systems, for messages.
fn both(length: Length) -> String {
    format!(
        "{} ({})",
        length.shown(UnitSystem::Metric),
        length.shown(UnitSystem::Inch)
    )
}

fn kilograms(mass: Mass) -> String {
    format!(
        "{} ({})",
        mass.shown(UnitSystem::Metric),
        mass.shown(UnitSystem::Inch)
    )
}

/// A pressure in both systems.
fn bar_psi(pascals: f64) -> String {
    let shown = |units| crate::quantity::shown(Dimension::Pressure, units, pascals);
    format!(
        "{} ({})",
        shown(UnitSystem::Metric),
        shown(UnitSystem::Inch)
    )
}

/// A kind of mistake with what belongs to it.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum Wrong {
    /// The text is not TOML.
    #[error("this is not TOML: {why}")]
    Syntax {
        /// As the TOML reader says.
        why: String,
    },
    /// More text than any sheet.
    #[error("the file has {bytes} bytes; no sheet is that long")]
    TooLong {
        /// How many.
        bytes: u64,
    },
    /// A key that the table does not have.
    #[error("'{key}' is not a key of {table}")]
    UnknownKey {
        /// As typed.
        key: String,
        /// The table.
        table: String,
        /// A key that may have been meant.
        meant: Option<&'static str>,
        /// The keys there are.
        known: Vec<&'static str>,
    },
    /// A key that must be there.
    #[error("'{key}' is missing")]
    Missing {
        /// With its path.
        key: String,
        /// What it says.
        about: &'static str,
    },
    /// Another type of value than is due.
    #[error("'{key}' is {found}; {due} is due")]
    WrongType {
        /// With its path.
        key: String,
        /// What is due.
        due: &'static str,
        /// What is there.
        found: &'static str,
        /// How to write it.
        example: &'static str,
    },
    /// A quantity that is not understood.
    #[error("'{key}': {error}")]
    Quantity {
        /// With its path.
        key: String,
        /// What is due.
        due: Dimension,
        /// Why not.
        error: QuantityError,
    },
    /// A quantity outside what can be.
    #[error("'{key}' is '{typed}'; it must be {range}")]
    QuantityRange {
        /// With its path.
        key: String,
        /// As typed.
        typed: String,
        /// Of what.
        of: Dimension,
        /// What can be.
        range: &'static str,
    },
    /// A bare number outside what can be.
    #[error("'{key}' is '{typed}'; it must be a number from {lowest} to {highest}")]
    NumberRange {
        /// With its path.
        key: String,
        /// As typed.
        typed: String,
        /// Least.
        lowest: f64,
        /// Most.
        highest: f64,
    },
    /// A word that is not one of those due.
    #[error("'{key}' cannot be '{typed}'")]
    UnknownWord {
        /// With its path.
        key: String,
        /// As typed.
        typed: String,
        /// One that may have been meant.
        meant: Option<&'static str>,
        /// Those there are.
        words: &'static [&'static str],
    },
    /// A list of the wrong length.
    #[error("'{key}' has {found} entries; {due} are due")]
    ListLength {
        /// With its path.
        key: String,
        /// How many are due, and of what.
        due: &'static str,
        /// How many there are.
        found: usize,
    },
    /// A device id that is none.
    #[error("'{typed}' is no device id")]
    DeviceId {
        /// As typed.
        typed: String,
    },
    /// An empty name.
    #[error("'{key}' is empty")]
    EmptyName {
        /// With its path.
        key: String,
    },
    /// A name with a control character in it.
    #[error("'{key}' has a character in it that is no letter, digit or sign")]
    CommandInName {
        /// With its path.
        key: String,
    },
    /// A name given twice.
    #[error("there are two {what} named '{name}'")]
    DoubledName {
        /// Stations, loads and so on.
        what: &'static str,
        /// The name.
        name: String,
    },
    /// A name that nothing has.
    #[error("there is no {what} named '{name}'")]
    UnknownName {
        /// Station, load and so on.
        what: &'static str,
        /// As typed.
        name: String,
        /// One that may have been meant.
        meant: Option<String>,
        /// Those there are.
        known: Vec<String>,
    },
    /// A key that does not go with what was said elsewhere.
    #[error("'{key}' does not go with {with}")]
    NotHere {
        /// With its path.
        key: String,
        /// What it does not go with.
        with: &'static str,
        /// What would.
        instead: &'static str,
    },
    /// Both of two ways to say the same.
    #[error("'{one}' and '{other}' both say the same thing")]
    Twice {
        /// The one key.
        one: String,
        /// The other.
        other: String,
    },
    /// Compressed is not shorter than extended.
    #[error("compressed to {} is not shorter than extended to {}", both(*compressed), both(*extended))]
    CompressedNotShorter {
        /// As typed.
        compressed: Length,
        /// As typed.
        extended: Length,
    },
    /// The mounts are farther apart than the unit can reach.
    #[error("coilover '{name}' would be {} long in the design position, longer than its extended length of {}", both(*length), both(*extended))]
    CoiloverTooLong {
        /// Its name.
        name: String,
        /// Between its mounts.
        length: Length,
        /// Extended length.
        extended: Length,
    },
    /// The mounts are closer than the unit can be pressed.
    #[error("coilover '{name}' would be {} long in the design position, shorter than its compressed length of {}", both(*length), both(*compressed))]
    CoiloverTooShort {
        /// Its name.
        name: String,
        /// Between its mounts.
        length: Length,
        /// Compressed length.
        compressed: Length,
    },
    /// The upper mount is not above the lower one.
    #[error("the upper mount of coilover '{name}' is {} below its lower mount in the design position", both(*by))]
    UpsideDown {
        /// Its name.
        name: String,
        /// How far.
        by: Length,
    },
    /// A mount on the wrong side.
    #[error("the {side} mount of coilover '{name}' is not on the {side} side")]
    WrongSide {
        /// Its name.
        name: String,
        /// `left` or `right`.
        side: &'static str,
    },
    /// The hardware leaves no room for a spring.
    #[error("the hardware of {} leaves no room for a spring in {}", both(*hardware), both(*extended))]
    NoRoomForSpring {
        /// Hardware length with collar.
        hardware: Length,
        /// Extended length.
        extended: Length,
    },
    /// The lower end of a thread is not below its upper end.
    #[error("the collar's lowest place {} is above its highest {}", both(*lowest), both(*highest))]
    CollarRange {
        /// As typed.
        lowest: Length,
        /// As typed.
        highest: Length,
    },
    /// The collar is off its thread.
    #[error("the collar at {} is off its thread, {} to {}", both(*height), both(*lowest), both(*highest))]
    CollarOutside {
        /// As typed.
        height: Length,
        /// As typed.
        lowest: Length,
        /// As typed.
        highest: Length,
    },
    /// Solid is not shorter than free.
    #[error("the spring's solid length {} is not shorter than its free length {}", both(*solid), both(*free))]
    SolidNotShorter {
        /// As typed.
        solid: Length,
        /// As typed.
        free: Length,
    },
    /// The stop of a helper spring comes after its coils touch.
    #[error("the helper spring's stop at {} of compression comes after its coils touch, at {}", both(*stop), both(*room))]
    StopAfterCoils {
        /// As typed.
        stop: Length,
        /// Free less solid length.
        room: Length,
    },
    /// A table that does not rise.
    #[error("row {row} of '{key}' does not rise above the row before it")]
    NotRising {
        /// With its path.
        key: String,
        /// Counted from 1.
        row: usize,
    },
    /// A band of which the upper end is not above the lower.
    #[error("'{to}' is not above '{from}'")]
    BandBackwards {
        /// Lower end, with its path.
        from: String,
        /// Upper end, with its path.
        to: String,
    },
    /// A row of heights and forces that does not push more at less height.
    #[error(
        "row {lower} of '{key}' is no taller than row {taller} but does not push more, or they are of one height"
    )]
    NotPushingMore {
        /// With its path.
        key: String,
        /// Row of the greater height, counted from 1.
        taller: usize,
        /// The other row.
        lower: usize,
    },
    /// A pressure that the table does not have at a height.
    #[error("'{pressure_key}' of {} is outside of what row {row} of '{table_key}' and those of the same height have, {} to {}", bar_psi(*pressure), bar_psi(*least), bar_psi(*most))]
    PressureOutside {
        /// With its path.
        pressure_key: String,
        /// Pascals.
        pressure: f64,
        /// With its path.
        table_key: String,
        /// Counted from 1.
        row: usize,
        /// Pascals.
        least: f64,
        /// Pascals.
        most: f64,
    },
    /// Several pressures at a height and none said.
    #[error(
        "'{table_key}' has several pressures at one height, and '{pressure_key}' does not say which holds"
    )]
    PressureMissing {
        /// With its path.
        table_key: String,
        /// With its path.
        pressure_key: String,
    },
    /// The two points of an arm's axis are one.
    #[error("'{one}' and '{other}' are in one place: the arm has no axis to turn about")]
    ArmNoAxis {
        /// With its path.
        one: String,
        /// With its path.
        other: String,
    },
    /// Turning the arm does not lift its end.
    #[error(
        "turning the arm about '{pivot}' does not lift '{end}': the axis stands upright or goes through it"
    )]
    ArmNoLift {
        /// With its path.
        end: String,
        /// With its path.
        pivot: String,
    },
    /// The lower mount is on the arm's axis.
    #[error("the lower mount of '{name}' is {} from the arm's axis: the arm would not work the spring", both(*lever))]
    MountOnAxis {
        /// Its name.
        name: String,
        /// How far.
        lever: Length,
    },
    /// A spring table that does not begin at nothing.
    #[error("the first row of '{key}' is not zero compression and zero force")]
    TableStart {
        /// With its path.
        key: String,
    },
    /// The ends of a link are in one place.
    #[error("the two ends of link '{name}' are in one place")]
    LinkNoLength {
        /// Its name.
        name: String,
    },
    /// The link is too short for its ends.
    #[error("link '{name}' of {} cannot reach: its ends are {} apart in height and fore-aft alone", both(*length), both(*apart))]
    LinkTooShort {
        /// Its name.
        name: String,
        /// As typed.
        length: Length,
        /// Without the sideways part.
        apart: Length,
    },
    /// The typed length would hold the axle far to the side.
    #[error("link '{name}' of {} would hold the axle {} to the side in the design position", both(*length), both(*shift))]
    LinkSideShift {
        /// Its name.
        name: String,
        /// As typed.
        length: Length,
        /// Where the axle would be.
        shift: Length,
    },
    /// A link so steep that it does not locate the axle.
    #[error("link '{name}' stands at {degrees:.0} degrees and would not hold the axle sideways")]
    LinkSteep {
        /// Its name.
        name: String,
        /// Steepness.
        degrees: f64,
    },
    /// No hole has the bolt in it.
    #[error("no hole of '{key}' is in use")]
    NoHoleInUse {
        /// With its path.
        key: String,
    },
    /// Two holes have the bolt in them.
    #[error("two holes of '{key}' are in use")]
    TwoHolesInUse {
        /// With its path.
        key: String,
    },
    /// Mount and hole in use disagree.
    #[error("'{key}' is {} away from the hole in use", both(*by))]
    HoleElsewhere {
        /// The mount's key with its path.
        key: String,
        /// How far.
        by: Length,
    },
    /// An end without an axle that stands on something else than stands.
    #[error("the {end} has no axle, so it must stand on stands")]
    NoAxleNoStands {
        /// Which end.
        end: &'static str,
    },
    /// Both ends are on stands.
    #[error("both ends stand on stands: nothing is on springs")]
    NothingSprung,
    /// A solid axle without coilovers on tyres.
    #[error("the {end} axle has nothing between it and the frame")]
    NoSuspension {
        /// Which end.
        end: &'static str,
    },
    /// A mirrored station on the centre line.
    #[error("station '{name}' is on the centre line and has no mirror image")]
    NoMirror {
        /// Its name.
        name: String,
    },
    /// The scales show less than what is unsprung.
    #[error("the scales show {} at the {end}, less than its unsprung {}", kilograms(*shown), kilograms(*unsprung))]
    LessThanUnsprung {
        /// Which end.
        end: &'static str,
        /// Sum of the two.
        shown: Mass,
        /// From the axle.
        unsprung: Mass,
    },
    /// Scale readings of a vehicle without wheels at one end.
    #[error("four scale readings need wheels at both ends; the {end} has no axle")]
    ScalesWithoutAxle {
        /// Which end.
        end: &'static str,
    },
    /// A sensor that cannot be found.
    #[error("sensor '{name}' has neither a device id nor a port: nothing can find it")]
    SensorUnfindable {
        /// Its name.
        name: String,
    },
    /// Bytes that are none.
    #[error("'{typed}' are no bytes in hexadecimal")]
    NotBytes {
        /// As typed.
        typed: String,
    },
    /// Two sensors that are one.
    #[error("sensors '{first}' and '{second}' are the same: {what}")]
    SameSensor {
        /// The one.
        first: String,
        /// The other.
        second: String,
        /// Id and channel, or port and transducer.
        what: String,
    },
    /// A sensor that reads something that is not there.
    #[error("sensor '{name}' reads '{reads}', but the sheet has no {lacks}")]
    NothingToRead {
        /// Its name.
        name: String,
        /// As typed.
        reads: String,
        /// What is not there.
        lacks: String,
    },
    /// An override whose path leads nowhere.
    #[error("'{path}' leads nowhere: {why}")]
    SetPath {
        /// As typed.
        path: String,
        /// What stops it.
        why: String,
    },
}

impl Wrong {
    /// Whether this and the other, at the same place, are one mistake: what is
    /// common to left and right is wrong for both, and said once.
    pub(super) fn says_what(&self, other: &Self) -> bool {
        let code = self.code();
        self == other
            || ((code.starts_with("sheet.coilover.") || code.starts_with("sheet.arm."))
                && code == other.code())
    }

    /// The stable code of this kind: `sheet.spring_rate.range`.
    pub fn code(&self) -> String {
        let fixed = match self {
            Self::Quantity { due, error, .. } => {
                return format!("sheet.{}.{}", due.code(), error.reason());
            }
            Self::QuantityRange { of, .. } => return format!("sheet.{}.range", of.code()),
            Self::Syntax { .. } => "sheet.syntax",
            Self::TooLong { .. } => "sheet.too_long",
            Self::UnknownKey { .. } => "sheet.key.unknown",
            Self::Missing { .. } => "sheet.key.missing",
            Self::NotHere { .. } => "sheet.key.not_here",
            Self::Twice { .. } => "sheet.key.twice",
            Self::WrongType { .. } => "sheet.type",
            Self::NumberRange { .. } => "sheet.number.range",
            Self::UnknownWord { .. } => "sheet.word.unknown",
            Self::ListLength { .. } => "sheet.list.length",
            Self::DeviceId { .. } => "sheet.sensor.device_id",
            Self::EmptyName { .. } => "sheet.name.empty",
            Self::CommandInName { .. } => "sheet.name.control",
            Self::DoubledName { .. } => "sheet.name.doubled",
            Self::UnknownName { .. } => "sheet.name.unknown",
            Self::CompressedNotShorter { .. } => "sheet.coilover.compressed",
            Self::CoiloverTooLong { .. } => "sheet.coilover.too_long",
            Self::CoiloverTooShort { .. } => "sheet.coilover.too_short",
            Self::UpsideDown { .. } => "sheet.coilover.upside_down",
            Self::WrongSide { .. } => "sheet.coilover.wrong_side",
            Self::NoRoomForSpring { .. } => "sheet.coilover.hardware",
            Self::CollarRange { .. } => "sheet.collar.range",
            Self::CollarOutside { .. } => "sheet.collar.outside",
            Self::SolidNotShorter { .. } => "sheet.spring.solid_length",
            Self::StopAfterCoils { .. } => "sheet.helper_spring.stop",
            Self::NotRising { .. } => "sheet.table.not_rising",
            Self::BandBackwards { .. } => "sheet.band.backwards",
            Self::NotPushingMore { .. } => "sheet.table.not_pushing_more",
            Self::PressureOutside { .. } => "sheet.air.pressure",
            Self::PressureMissing { .. } => "sheet.air.pressure_missing",
            Self::ArmNoAxis { .. } => "sheet.arm.no_axis",
            Self::ArmNoLift { .. } => "sheet.arm.no_lift",
            Self::MountOnAxis { .. } => "sheet.arm.mount_on_axis",
            Self::TableStart { .. } => "sheet.table.start",
            Self::LinkNoLength { .. } => "sheet.link.no_length",
            Self::LinkTooShort { .. } => "sheet.link.too_short",
            Self::LinkSideShift { .. } => "sheet.link.side_shift",
            Self::LinkSteep { .. } => "sheet.link.steep",
            Self::NoHoleInUse { .. } => "sheet.hole.none_in_use",
            Self::TwoHolesInUse { .. } => "sheet.hole.two_in_use",
            Self::HoleElsewhere { .. } => "sheet.hole.elsewhere",
            Self::NoAxleNoStands { .. } => "sheet.axle.no_stands",
            Self::NothingSprung => "sheet.axle.nothing_sprung",
            Self::NoSuspension { .. } => "sheet.axle.no_suspension",
            Self::NoMirror { .. } => "sheet.station.no_mirror",
            Self::LessThanUnsprung { .. } => "sheet.weight.less_than_unsprung",
            Self::ScalesWithoutAxle { .. } => "sheet.weight.scales_without_axle",
            Self::SensorUnfindable { .. } => "sheet.sensor.unfindable",
            Self::NotBytes { .. } => "sheet.sensor.bytes",
            Self::SameSensor { .. } => "sheet.sensor.same",
            Self::NothingToRead { .. } => "sheet.sensor.nothing_to_read",
            Self::SetPath { .. } => "sheet.set.path",
        };
        fixed.to_owned()
    }
}
