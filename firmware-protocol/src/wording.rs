//! A message in words: the notation of the page's own examples.
//!
//! In: a message or a rejection. Out: one line of text. Refused: nothing.

use core::fmt::{self, Display, Formatter};

use crate::{EncodeError, Field, Message, Reason, Rejection};

impl Display for Message {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        match self {
            Self::Identity(m) => write!(
                f,
                "identity channel={} channels={} device=0x{:016x} quantity={} unit={} \
                 resolution={} range={}..{} firmware={}.{}.{} rate_millihertz={} \
                 fastest_millihertz={} abilities=0x{:04x}",
                m.channel,
                m.channels,
                m.device,
                m.quantity.0,
                m.unit.0,
                m.resolution,
                m.range_min,
                m.range_max,
                m.firmware.major,
                m.firmware.minor,
                m.firmware.patch,
                m.rate_millihertz,
                m.fastest_millihertz,
                m.abilities.0,
            ),
            Self::Sample(m) => {
                write!(
                    f,
                    "sample channel={} sequence={} time_us={} value={} status=0x{:04x} \
                     temperature=",
                    m.channel, m.sequence, m.time_us, m.value, m.status.0
                )?;
                match m.temperature_centidegrees {
                    Some(centidegrees) => write!(f, "{centidegrees}"),
                    None => f.write_str("none"),
                }
            }
            Self::Fault(m) => write!(
                f,
                "fault channel={} code={} detail={} time_us={}",
                m.channel, m.code.0, m.detail, m.time_us
            ),
            Self::Done(m) => write!(
                f,
                "done tag={} request=0x{:02x} taken={}",
                m.tag, m.request.0, m.taken
            ),
            Self::Refused(m) => write!(
                f,
                "refused tag={} request=0x{:02x} reason={}",
                m.tag, m.request.0, m.reason.0
            ),
            Self::Who(m) => write!(f, "who tag={}", m.tag),
            Self::SetRate(m) => write!(
                f,
                "set-rate tag={} channel={} rate_millihertz={}",
                m.tag, m.channel, m.rate_millihertz
            ),
            Self::Blink(m) => write!(
                f,
                "blink tag={} channel={} tenths={}",
                m.tag, m.channel, m.tenths
            ),
        }
    }
}

impl Reason {
    /// The name of the reason in the page's tables.
    pub const fn name(self) -> &'static str {
        match self {
            Self::TooLong => "too-long",
            Self::TooShort => "too-short",
            Self::BadCheck => "bad-check",
            Self::BadCobs => "bad-cobs",
            Self::UnknownVersion(_) => "unknown-version",
            Self::UnknownKind(_) => "unknown-kind",
            Self::WrongLength => "wrong-length",
            Self::BadField(_) => "bad-field",
        }
    }
}

impl Display for Reason {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        match self {
            Self::TooLong => f.write_str("more bytes than a frame can have"),
            Self::TooShort => f.write_str("fewer bytes than a frame must have"),
            Self::BadCheck => f.write_str("damaged on the way: the check does not fit"),
            Self::BadCobs => f.write_str("stuffed wrongly by the sender"),
            Self::UnknownVersion(version) => write!(f, "protocol version {version} is not known"),
            Self::UnknownKind(kind) => write!(f, "message kind 0x{kind:02x} is not known"),
            Self::WrongLength => f.write_str("not the length that this kind has"),
            Self::BadField(field) => write!(f, "{field} cannot be so"),
        }
    }
}

impl Display for Field {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Device => "the device number",
            Self::Channel => "the channel",
            Self::Unit => "the unit of this quantity",
            Self::Range => "the range",
            Self::Temperature => "the temperature",
            Self::Code => "the code",
            Self::Request => "the kind of the request",
        })
    }
}

impl Display for Rejection {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        write!(f, "rejected {} bytes={}", self.why.name(), self.bytes)
    }
}

impl Display for EncodeError {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        match self {
            Self::RoomTooSmall { needed } => write!(f, "the frame needs {needed} bytes of room"),
            Self::BadField(field) => write!(f, "{field} cannot be so"),
        }
    }
}

impl core::error::Error for Rejection {}
impl core::error::Error for EncodeError {}
