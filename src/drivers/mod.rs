//! Drivers: bytes -> samples. One file per protocol, one line each in the table.
//!
//! In: bytes in any pieces, with their time of arrival. Out: [`Sample`]s and
//! rejections by reason. Refused: anything that does not check.

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
    Named(String),
}

/// What a sample's value is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum SampleKind {
    /// Radians.
    Angle,
    /// Metres.
    Distance,
}
