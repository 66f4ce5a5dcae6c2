//! Drivers: bytes -> samples. One file per protocol, one line each in the table.
//!
//! In: bytes in any pieces, with their time of arrival. Out: [`Heard`]:
//! [`Sample`]s, identities, faults, answers, and rejections by reason.
//! Refused: anything that does not check. Noise on the line is counted, never
//! raised as an error. Every driver needs a bounded room, whatever comes.

mod checksum;
mod counts;
mod described;
mod modbus;
mod number;
mod table;
mod unit;
mod wire;
mod xdr;

pub use checksum::{Check, Crc};
pub use counts::Counts;
pub use described::{
    Described, Description, DescriptionError, Digits, Form, FrameForm, FrameValue, LineValue,
    Pattern,
};
pub use modbus::{
    BusSettings, Function, Modbus, NumberForm, RegisterValue, WordOrder, pause as modbus_pause,
};
pub use table::{DriverError, Entry, TABLE, driver_for, entry, is_weakly_checked, source_of};
pub use unit::ValueUnit;
pub use wire::Wire;
pub use xdr::Xdr;

use crate::quantity::Moment;

/// One reading as a device sent it, nothing taken off yet.
#[derive(Debug, Clone, PartialEq)]
pub struct Sample {
    /// Which device and channel said it.
    pub source: Source,
    /// Value in radians or metres.
    pub value: f64,
    /// What the value is.
    pub kind: SampleKind,
    /// Sequence number, where the device counts.
    pub sequence: Option<u32>,
    /// Device time in microseconds, where the device has a clock.
    pub device_time_us: Option<u64>,
    /// Device temperature in degrees Celsius, where it says.
    pub temperature_c: Option<f64>,
    /// The device itself does not trust the value (no echo, over range).
    pub trusted: bool,
    /// What the device says beside the value: why it is not trusted, or what
    /// casts doubt on it.
    pub remark: Option<Remark>,
    /// When its last byte arrived.
    pub at: Moment,
}

/// The device and channel a sample came from.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
#[non_exhaustive]
pub enum Source {
    /// Wire protocol: device id and channel.
    Wire {
        /// 64-bit id.
        device: u64,
        /// Channel.
        channel: u8,
    },
    /// A name in a sentence or a described line.
    Named(smol_str::SmolStr),
}

impl std::fmt::Display for Source {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Wire { device, channel } => write!(f, "0x{device:016x}/{channel}"),
            Self::Named(name) => f.write_str(name),
        }
    }
}

/// What a sample's value is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum SampleKind {
    /// Radians.
    Angle,
    /// Metres.
    Distance,
}

impl std::fmt::Display for SampleKind {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Angle => "angle",
            Self::Distance => "distance",
        })
    }
}

/// What a device says beside a value.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[non_exhaustive]
pub enum Remark {
    /// Beyond what the device can measure.
    OverRange,
    /// No echo, no light, no element.
    NoSignal,
    /// The self-test failed.
    SelfTestFailed,
    /// The converter stood at its end.
    Saturated,
    /// Useless for a reason that this version has no name for.
    Useless,
    /// Warming up, or moved within the measuring time. Usable.
    NotSettled,
    /// Little echo or light. Usable.
    WeakSignal,
    /// The supply is low. Usable.
    LowSupply,
    /// The device does not keep its rate. Usable.
    Late,
    /// Doubtful for a reason that this version has no name for. Usable.
    Doubtful,
}

impl std::fmt::Display for Remark {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::OverRange => "over range",
            Self::NoSignal => "no signal",
            Self::SelfTestFailed => "self-test failed",
            Self::Saturated => "saturated",
            Self::Useless => "not usable, says the device",
            Self::NotSettled => "not settled",
            Self::WeakSignal => "weak signal",
            Self::LowSupply => "low supply",
            Self::Late => "late",
            Self::Doubtful => "doubtful, says the device",
        })
    }
}

/// What a driver makes of bytes.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum Heard {
    /// A value.
    Sample(Sample),
    /// A device said what it is. Seldom, and much larger than the rest.
    Identity(Box<DeviceIdentity>),
    /// A device said that something is wrong with it.
    Fault(DeviceFault),
    /// A device answered a request.
    Answer(Answer),
    /// Bytes that gave nothing.
    Rejected(Rejected),
}

/// What one channel of a device says it is.
#[derive(Debug, Clone, PartialEq)]
pub struct DeviceIdentity {
    /// Device and channel.
    pub source: Source,
    /// How many channels the device has.
    pub channels: u8,
    /// What its values are; nothing where they can not be used here.
    pub kind: Option<SampleKind>,
    /// What it measures and in which steps, in words.
    pub words: String,
    /// The smallest change that shows, in radians or metres.
    pub resolution: Option<f64>,
    /// Lowest and highest value, in radians or metres.
    pub range: Option<(f64, f64)>,
    /// Version of what runs in it.
    pub firmware: String,
    /// Samples a second now.
    pub rate_hz: f64,
    /// The fastest that can be set, where known.
    pub fastest_hz: Option<f64>,
    /// Takes another rate.
    pub sets_rate: bool,
    /// Can show itself.
    pub blinks: bool,
    /// When it said so.
    pub at: Moment,
}

/// Something is wrong in a device.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DeviceFault {
    /// The device, where it has said who it is.
    pub device: Option<u64>,
    /// The channel, or nothing for the whole device.
    pub channel: Option<u8>,
    /// In words.
    pub words: String,
    /// When it said so.
    pub at: Moment,
}

/// A device's answer to a request.
#[derive(Debug, Clone, PartialEq)]
pub struct Answer {
    /// The request that it answers.
    pub request: Request,
    /// What became of it.
    pub outcome: Outcome,
    /// When.
    pub at: Moment,
}

/// What a device may be asked.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Request {
    /// Who are you?
    Who,
    /// Send so many samples a second; of all channels where none is named.
    SetRate {
        /// Which channel.
        channel: Option<u8>,
        /// Samples a second; 0 = none.
        hz: f64,
    },
    /// Show yourself; with all channels where none is named.
    Blink {
        /// Which channel.
        channel: Option<u8>,
        /// For how long, in seconds; 0 = stop.
        seconds: f64,
    },
}

/// What became of a request.
#[derive(Debug, Clone, PartialEq)]
pub enum Outcome {
    /// Done; with what was really taken: channels, samples a second, seconds.
    Done(f64),
    /// Refused; why, in words.
    Refused(String),
}

/// Bytes that gave nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Rejected {
    /// Why.
    pub why: Why,
    /// How many.
    pub bytes: usize,
}

/// Why bytes gave nothing. The name in [`Counts`] is its [`Why::name`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
#[non_exhaustive]
pub enum Why {
    /// No end where the longest frame or line must have ended.
    TooLong,
    /// Too few bytes for anything.
    TooShort,
    /// The check does not fit.
    BadCheck,
    /// No check where one must be.
    NoCheck,
    /// Framed wrongly by the sender.
    BadFraming,
    /// A version that is not spoken here.
    UnknownVersion,
    /// A message that is not known here.
    UnknownKind,
    /// Not as long as it must be.
    WrongLength,
    /// A field that cannot be so.
    BadField,
    /// Bytes that are no text where text is due.
    NotText,
    /// Text of another form.
    OtherForm,
    /// A number that is none, or is not finite.
    BadNumber,
    /// A number outside all sense for its unit.
    OutsideSense,
    /// A unit that cannot be used.
    UnknownUnit,
    /// A value field left empty by the sender.
    EmptyValue,
    /// A value whose sender has not said who it is yet.
    NoIdentity,
    /// The same value sent twice.
    Repeated,
    /// Older than what was heard before.
    OutOfOrder,
    /// An answer that nobody waits for.
    StrayAnswer,
    /// A message that only the other side may send.
    WrongWay,
    /// No answer in time.
    NoAnswer,
    /// The device refused.
    Exception,
}

impl Why {
    /// A short name, for counters and JSON.
    pub const fn name(self) -> &'static str {
        match self {
            Self::TooLong => "too-long",
            Self::TooShort => "too-short",
            Self::BadCheck => "bad-check",
            Self::NoCheck => "no-check",
            Self::BadFraming => "bad-framing",
            Self::UnknownVersion => "unknown-version",
            Self::UnknownKind => "unknown-kind",
            Self::WrongLength => "wrong-length",
            Self::BadField => "bad-field",
            Self::NotText => "not-text",
            Self::OtherForm => "other-form",
            Self::BadNumber => "bad-number",
            Self::OutsideSense => "outside-sense",
            Self::UnknownUnit => "unknown-unit",
            Self::EmptyValue => "empty-value",
            Self::NoIdentity => "no-identity",
            Self::Repeated => "repeated",
            Self::OutOfOrder => "out-of-order",
            Self::StrayAnswer => "stray-answer",
            Self::WrongWay => "wrong-way",
            Self::NoAnswer => "no-answer",
            Self::Exception => "exception",
        }
    }

    /// What it tells the person at the vehicle.
    pub const fn words(self) -> &'static str {
        match self {
            Self::TooLong => "no end of a message in sight: another protocol or speed on the line",
            Self::TooShort => "torn messages",
            Self::BadCheck => "damaged on the way",
            Self::NoCheck => "sent without a checksum",
            Self::BadFraming => "framed wrongly by the sender",
            Self::UnknownVersion => "a newer version of the protocol",
            Self::UnknownKind => "messages of an unknown kind",
            Self::WrongLength => "messages of the wrong length",
            Self::BadField => "messages with a field that cannot be so",
            Self::NotText => "bytes that are no text: another protocol or speed on the line",
            Self::OtherForm => "text of another form",
            Self::BadNumber => "values that are no numbers",
            Self::OutsideSense => "values outside all sense",
            Self::UnknownUnit => "a unit that cannot be used",
            Self::EmptyValue => "the device has no value",
            Self::NoIdentity => "values before the device said who it is",
            Self::Repeated => "values sent twice",
            Self::OutOfOrder => "values out of order",
            Self::StrayAnswer => "answers that nobody waited for",
            Self::WrongWay => "our own requests come back: an echo on the line",
            Self::NoAnswer => "no answer in time",
            Self::Exception => "refused by the device",
        }
    }
}

impl std::fmt::Display for Why {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.words())
    }
}

/// A protocol on one line. Pure: time comes with the bytes.
pub trait Driver: std::fmt::Debug + Send {
    /// The protocol's name in the table.
    fn name(&self) -> &'static str;

    /// Takes bytes in pieces of any size and adds what they give to `out`.
    fn feed(&mut self, bytes: &[u8], at: Moment, out: &mut Vec<Heard>);

    /// What has come so far.
    fn counts(&self) -> &Counts;

    /// The port was opened anew: half a message from before is no message.
    fn reopened(&mut self, at: Moment);

    /// Bytes to be sent now, if any: a question that the protocol needs
    /// answered. To be asked whenever the port is open and [`Driver::due`] has
    /// come; what it gives is to be sent at once.
    fn poll(&mut self, now: Moment, out: &mut Vec<Heard>) -> Option<Vec<u8>> {
        let _ = (now, out);
        None
    }

    /// When [`Driver::poll`] must be asked next (perhaps long ago), as things
    /// stand; nothing where the protocol needs nothing. Changes with every call
    /// of the other methods.
    fn due(&self) -> Option<Moment> {
        None
    }

    /// The bytes of a request; nothing where the protocol has no such request.
    fn request(&mut self, request: Request, now: Moment) -> Option<Vec<u8>> {
        let _ = (request, now);
        None
    }
}
