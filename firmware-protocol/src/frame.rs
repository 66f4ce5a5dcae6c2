//! One frame: a message to bytes, and bytes to a message.
//!
//! In: a message and room for its frame, or the bytes between two zero bytes of the line.
//! Out: the frame with the zero byte that ends it, or the message.
//! Refused: fields that cannot be (both ways), and every frame that is damaged, unknown
//! or senseless, with its [`Reason`].

use crate::body::{Reader, Writer};
use crate::{
    Abilities, Blink, COLDEST_CENTIDEGREES, Done, Fault, FaultCode, Firmware, Identity, Kind,
    MAX_STUFFED, MIN_STUFFED, Message, NO_TEMPERATURE, Quantity, Refusal, Refused, Sample, SetRate,
    Status, Unit, VERSION, WHOLE_DEVICE, Who, check, stuffing,
};

/// Why bytes between two zeros gave no message.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[non_exhaustive]
pub enum Reason {
    /// More bytes than a frame can have.
    TooLong,
    /// Fewer bytes than a frame must have.
    TooShort,
    /// The check does not fit: damaged on the way.
    BadCheck,
    /// The check fits, the stuffing does not: the sender's mistake.
    BadCobs,
    /// A version that is not spoken here.
    UnknownVersion(u8),
    /// A kind without a meaning here.
    UnknownKind(u8),
    /// Not the length that the kind has.
    WrongLength,
    /// A field has a value that the page rules out.
    BadField(Field),
}

impl Reason {
    /// The number of the reason on the wire, in the detail of a fault.
    pub const fn code(self) -> u8 {
        match self {
            Self::TooLong => 1,
            Self::TooShort => 2,
            Self::BadCheck => 3,
            Self::BadCobs => 4,
            Self::UnknownVersion(_) => 5,
            Self::UnknownKind(_) => 6,
            Self::WrongLength => 7,
            Self::BadField(_) => 8,
        }
    }
}

/// Which field cannot be as it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[non_exhaustive]
pub enum Field {
    /// The device number is 0 or all ones.
    Device,
    /// The channel is not one of the device's, or 255 where one channel is meant.
    Channel,
    /// The unit belongs to another quantity.
    Unit,
    /// The range ends below its start.
    Range,
    /// Colder than can be.
    Temperature,
    /// A code that is 0.
    Code,
    /// An answer to something that is no request.
    Request,
}

/// Bytes between two zeros that gave no message.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Rejection {
    /// Why.
    pub why: Reason,
    /// How many bytes they were, without the zeros.
    pub bytes: usize,
}

/// Why a message has no frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum EncodeError {
    /// The buffer is too small.
    RoomTooSmall {
        /// How many bytes the frame needs.
        needed: usize,
    },
    /// A field has a value that the page rules out.
    BadField(Field),
}

/// Writes the whole frame of a message, with the zero byte that ends it, and says how
/// long it is: never more than [`crate::MAX_FRAME`].
pub fn encode(message: &Message, out: &mut [u8]) -> Result<usize, EncodeError> {
    judge(message).map_err(EncodeError::BadField)?;
    let mut content = Writer::new();
    write_content(message, &mut content);

    // Any three bytes without a zero hold the place of the check in the stuffing.
    let written = content.written();
    let mut padded = [0xff; MAX_STUFFED - 1];
    padded[..written.len()].copy_from_slice(written);
    let padded = &padded[..written.len() + check::LENGTH];

    let needed = padded.len() + 2;
    let too_small = EncodeError::RoomTooSmall { needed };
    let room = out.get_mut(..needed).ok_or(too_small)?;
    let stuffed = stuffing::stuff(padded, room).map_err(|_| too_small)?;
    let covered = stuffed - check::LENGTH;
    let spread = check::spread(check::crc(&room[..covered]));
    room[covered..stuffed].copy_from_slice(&spread);
    room[stuffed] = 0;
    Ok(needed)
}

/// Reads the bytes between two zeros, without them.
///
/// [`crate::Accumulator`] calls this; it is of use alone where something else finds the
/// zeros.
#[inline]
pub fn decode(stuffed: &[u8]) -> Result<Message, Reason> {
    if stuffed.len() > MAX_STUFFED {
        return Err(Reason::TooLong);
    }
    if stuffed.len() < MIN_STUFFED {
        return Err(Reason::TooShort);
    }
    let (covered, checked) = stuffed
        .split_last_chunk::<{ check::LENGTH }>()
        .ok_or(Reason::TooShort)?;
    if *checked != check::spread(check::crc(covered)) {
        return Err(Reason::BadCheck);
    }
    let mut content = [0; MAX_STUFFED - 1];
    let length = stuffing::unstuff(stuffed, &mut content).map_err(|_| Reason::BadCobs)?;
    let content = content.get(..length).ok_or(Reason::BadCobs)?;
    // Codes that reach into the check would have turned some of it into zeros.
    let content = content.strip_suffix(checked).ok_or(Reason::BadCobs)?;
    let message = read_content(content)?;
    judge(&message).map_err(Reason::BadField)?;
    Ok(message)
}

/// Finds the field that cannot be, if there is one.
#[inline]
fn judge(message: &Message) -> Result<(), Field> {
    let sound = |holds: bool, field: Field| if holds { Ok(()) } else { Err(field) };
    match message {
        Message::Identity(m) => {
            let some_but_all = m.channels != 0 && m.channels != WHOLE_DEVICE;
            sound(some_but_all && m.channel < m.channels, Field::Channel)?;
            sound(m.device != 0 && m.device != u64::MAX, Field::Device)?;
            sound(m.quantity.goes_with(m.unit), Field::Unit)?;
            sound(m.range_min <= m.range_max, Field::Range)
        }
        Message::Sample(m) => {
            // The highest of 254 channels is 253.
            sound(m.channel < WHOLE_DEVICE - 1, Field::Channel)?;
            let can_be = m
                .temperature_centidegrees
                .is_none_or(|centidegrees| centidegrees >= COLDEST_CENTIDEGREES);
            sound(can_be, Field::Temperature)
        }
        Message::Fault(m) => {
            sound(m.channel != WHOLE_DEVICE - 1, Field::Channel)?;
            sound(m.code.0 != 0, Field::Code)
        }
        Message::Done(m) => sound(is_request(m.request), Field::Request),
        Message::Refused(m) => {
            sound(is_request(m.request), Field::Request)?;
            sound(m.reason.0 != 0, Field::Code)
        }
        Message::SetRate(SetRate { channel, .. }) | Message::Blink(Blink { channel, .. }) => {
            sound(*channel != WHOLE_DEVICE - 1, Field::Channel)
        }
        Message::Who(_) => Ok(()),
    }
}

const fn is_request(kind: Kind) -> bool {
    matches!(kind.direction(), crate::Direction::FromHost)
}

fn write_content(message: &Message, to: &mut Writer) {
    to.put([VERSION, message.kind().0]);
    match message {
        Message::Identity(m) => {
            to.put([m.channel, m.channels]);
            to.put(m.device.to_le_bytes());
            to.put([m.quantity.0, m.unit.0]);
            to.put(m.resolution.to_le_bytes());
            to.put(m.range_min.to_le_bytes());
            to.put(m.range_max.to_le_bytes());
            to.put([m.firmware.major, m.firmware.minor]);
            to.put(m.firmware.patch.to_le_bytes());
            to.put(m.rate_millihertz.to_le_bytes());
            to.put(m.fastest_millihertz.to_le_bytes());
            to.put(m.abilities.0.to_le_bytes());
        }
        Message::Sample(m) => {
            to.put([m.channel]);
            to.put(m.sequence.to_le_bytes());
            to.put(m.time_us.to_le_bytes());
            to.put(m.value.to_le_bytes());
            to.put(m.status.0.to_le_bytes());
            let temperature = m.temperature_centidegrees.unwrap_or(NO_TEMPERATURE);
            to.put(temperature.to_le_bytes());
        }
        Message::Fault(m) => {
            to.put([m.channel]);
            to.put(m.code.0.to_le_bytes());
            to.put(m.detail.to_le_bytes());
            to.put(m.time_us.to_le_bytes());
        }
        Message::Done(m) => {
            to.put([m.tag, m.request.0]);
            to.put(m.taken.to_le_bytes());
        }
        Message::Refused(m) => to.put([m.tag, m.request.0, m.reason.0]),
        Message::Who(m) => to.put([m.tag]),
        Message::SetRate(m) => {
            to.put([m.tag, m.channel]);
            to.put(m.rate_millihertz.to_le_bytes());
        }
        Message::Blink(m) => {
            to.put([m.tag, m.channel]);
            to.put(m.tenths.to_le_bytes());
        }
    }
}

#[inline]
fn read_content(content: &[u8]) -> Result<Message, Reason> {
    let (&[version, kind], body) = content
        .split_first_chunk::<2>()
        .ok_or(Reason::WrongLength)?;
    if version != VERSION {
        return Err(Reason::UnknownVersion(version));
    }
    let kind = Kind(kind);
    let length = kind.body_length().ok_or(Reason::UnknownKind(kind.0))?;
    if body.len() != length {
        return Err(Reason::WrongLength);
    }
    read_body(kind, &mut Reader(body)).ok_or(Reason::WrongLength)
}

#[inline]
fn read_body(kind: Kind, from: &mut Reader<'_>) -> Option<Message> {
    Some(match kind {
        Kind::SAMPLE => Message::Sample(Sample {
            channel: from.u8()?,
            sequence: from.u32()?,
            time_us: from.u64()?,
            value: from.i32()?,
            status: Status(from.u16()?),
            temperature_centidegrees: Some(from.i16()?).filter(|&t| t != NO_TEMPERATURE),
        }),
        Kind::IDENTITY => Message::Identity(Identity {
            channel: from.u8()?,
            channels: from.u8()?,
            device: from.u64()?,
            quantity: Quantity(from.u8()?),
            unit: Unit(from.u8()?),
            resolution: from.u32()?,
            range_min: from.i32()?,
            range_max: from.i32()?,
            firmware: Firmware {
                major: from.u8()?,
                minor: from.u8()?,
                patch: from.u16()?,
            },
            rate_millihertz: from.u32()?,
            fastest_millihertz: from.u32()?,
            abilities: Abilities(from.u16()?),
        }),
        Kind::FAULT => Message::Fault(Fault {
            channel: from.u8()?,
            code: FaultCode(from.u16()?),
            detail: from.u32()?,
            time_us: from.u64()?,
        }),
        Kind::DONE => Message::Done(Done {
            tag: from.u8()?,
            request: Kind(from.u8()?),
            taken: from.u32()?,
        }),
        Kind::REFUSED => Message::Refused(Refused {
            tag: from.u8()?,
            request: Kind(from.u8()?),
            reason: Refusal(from.u8()?),
        }),
        Kind::WHO => Message::Who(Who { tag: from.u8()? }),
        Kind::SET_RATE => Message::SetRate(SetRate {
            tag: from.u8()?,
            channel: from.u8()?,
            rate_millihertz: from.u32()?,
        }),
        Kind::BLINK => Message::Blink(Blink {
            tag: from.u8()?,
            channel: from.u8()?,
            tenths: from.u16()?,
        }),
        _ => return None,
    })
}
