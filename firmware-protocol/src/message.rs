//! The messages, as both sides mean them.
//!
//! In: nothing. Out: plain structures with every field in the unit that its name says.
//! Refused: nothing here; [`crate::encode`] and [`crate::decode`] refuse fields that
//! cannot be.

use crate::{Abilities, FaultCode, Kind, Quantity, Refusal, Status, Unit};

/// Any message, either way.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Message {
    /// Sensor to host: what one channel of the device is.
    Identity(Identity),
    /// Sensor to host: one measured value.
    Sample(Sample),
    /// Sensor to host: something is wrong.
    Fault(Fault),
    /// Sensor to host: a request was carried out.
    Done(Done),
    /// Sensor to host: a request was not carried out.
    Refused(Refused),
    /// Host to sensor: say who you are.
    Who(Who),
    /// Host to sensor: measure at this rate.
    SetRate(SetRate),
    /// Host to sensor: show yourself.
    Blink(Blink),
}

impl Message {
    /// The kind byte of this message.
    #[inline]
    pub const fn kind(&self) -> Kind {
        match self {
            Self::Identity(_) => Kind::IDENTITY,
            Self::Sample(_) => Kind::SAMPLE,
            Self::Fault(_) => Kind::FAULT,
            Self::Done(_) => Kind::DONE,
            Self::Refused(_) => Kind::REFUSED,
            Self::Who(_) => Kind::WHO,
            Self::SetRate(_) => Kind::SET_RATE,
            Self::Blink(_) => Kind::BLINK,
        }
    }
}

/// What one channel of a device is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Identity {
    /// Which channel this is about, from 0.
    pub channel: u8,
    /// How many channels the device has, 1 to 254.
    pub channels: u8,
    /// The device's own number, the same for ever; neither 0 nor all ones.
    pub device: u64,
    /// What is measured.
    pub quantity: Quantity,
    /// What one step of a value, of the resolution and of the range is.
    pub unit: Unit,
    /// The smallest change that can show, in unit steps; 0 = not known.
    pub resolution: u32,
    /// The lowest value, in unit steps.
    pub range_min: i32,
    /// The highest value, in unit steps.
    pub range_max: i32,
    /// The version of what runs in the device.
    pub firmware: Firmware,
    /// Samples a thousand seconds; 0 = it sends none now.
    pub rate_millihertz: u32,
    /// The fastest rate that can be set, in millihertz.
    pub fastest_millihertz: u32,
    /// What it can do.
    pub abilities: Abilities,
}

impl Identity {
    /// Whether a value lies within the range that the device gave for itself.
    pub const fn covers(&self, value: i32) -> bool {
        self.range_min <= value && value <= self.range_max
    }
}

/// The version of what runs in a device.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Firmware {
    /// First number.
    pub major: u8,
    /// Second number.
    pub minor: u8,
    /// Third number.
    pub patch: u16,
}

/// One measured value.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sample {
    /// Which channel, from 0.
    pub channel: u8,
    /// Counts every measurement of the channel, sent or not; 0 follows 4 294 967 295.
    pub sequence: u32,
    /// Microseconds from the start of the device to the middle of the measuring time.
    pub time_us: u64,
    /// The value in unit steps of the identity.
    pub value: i32,
    /// What is to be known about the value.
    pub status: Status,
    /// The temperature of the device in hundredths of a degree Celsius, if it has one.
    pub temperature_centidegrees: Option<i16>,
}

/// Something is wrong in a device.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Fault {
    /// Which channel, or [`crate::WHOLE_DEVICE`].
    pub channel: u8,
    /// What is wrong; never 0.
    pub code: FaultCode,
    /// A number that says more, by the code.
    pub detail: u32,
    /// Microseconds from the start of the device.
    pub time_us: u64,
}

/// A request was carried out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Done {
    /// The tag of the request.
    pub tag: u8,
    /// The kind of the request.
    pub request: Kind,
    /// The number that was really taken: channels, millihertz, tenths of a second.
    pub taken: u32,
}

/// A request was not carried out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Refused {
    /// The tag of the request.
    pub tag: u8,
    /// The kind of the request.
    pub request: Kind,
    /// Why not; never 0.
    pub reason: Refusal,
}

/// Asks for the identity of every channel.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Who {
    /// Comes back in the answer.
    pub tag: u8,
}

/// Asks for another sample rate.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SetRate {
    /// Comes back in the answer.
    pub tag: u8,
    /// Which channel, or [`crate::WHOLE_DEVICE`] for all.
    pub channel: u8,
    /// Samples a thousand seconds; 0 = send none.
    pub rate_millihertz: u32,
}

/// Asks the device to show itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Blink {
    /// Comes back in the answer.
    pub tag: u8,
    /// Which channel, or [`crate::WHOLE_DEVICE`] for all.
    pub channel: u8,
    /// For how many tenths of a second; 0 = stop.
    pub tenths: u16,
}
