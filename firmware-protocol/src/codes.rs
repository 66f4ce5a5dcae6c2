//! The open codes of the protocol: numbers with names, where a number that has no name
//! yet is still carried unchanged.
//!
//! In and out: the number. Refused: nothing here; [`crate::decode`] refuses the few
//! numbers that the page rules out.

/// Which way a kind of message travels: the top bit of its number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Direction {
    /// From the sensor to the host: top bit clear.
    FromSensor,
    /// From the host to the sensor: top bit set.
    FromHost,
}

/// The second byte of every content: what kind of message it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Kind(pub u8);

impl Kind {
    /// What the device is.
    pub const IDENTITY: Self = Self(0x01);
    /// One measured value.
    pub const SAMPLE: Self = Self(0x02);
    /// Something is wrong in the device.
    pub const FAULT: Self = Self(0x03);
    /// A request was carried out.
    pub const DONE: Self = Self(0x04);
    /// A request was not carried out.
    pub const REFUSED: Self = Self(0x05);
    /// Asks for the identity of every channel.
    pub const WHO: Self = Self(0x81);
    /// Asks for another sample rate.
    pub const SET_RATE: Self = Self(0x82);
    /// Asks the device to show itself.
    pub const BLINK: Self = Self(0x83);

    /// Which way this kind travels.
    pub const fn direction(self) -> Direction {
        if self.0 & 0x80 == 0 {
            Direction::FromSensor
        } else {
            Direction::FromHost
        }
    }

    /// The length of the body, in bytes; `None` for a kind without a name.
    #[inline]
    pub const fn body_length(self) -> Option<usize> {
        match self {
            Self::IDENTITY => Some(38),
            Self::SAMPLE => Some(21),
            Self::FAULT => Some(15),
            Self::DONE | Self::SET_RATE => Some(6),
            Self::REFUSED => Some(3),
            Self::WHO => Some(1),
            Self::BLINK => Some(4),
            _ => None,
        }
    }
}

/// What a channel measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Quantity(pub u8);

impl Quantity {
    /// Something without a code of its own.
    pub const OTHER: Self = Self(0);
    /// An angle against the horizontal.
    pub const INCLINATION: Self = Self(1);
    /// A distance along the beam or the probe.
    pub const DISTANCE: Self = Self(2);
    /// A temperature and nothing else.
    pub const TEMPERATURE: Self = Self(3);

    /// The unit that belongs to a quantity with a name.
    pub const fn own_unit(self) -> Option<Unit> {
        match self {
            Self::INCLINATION => Some(Unit::MICRODEGREE),
            Self::DISTANCE => Some(Unit::MICROMETRE),
            Self::TEMPERATURE => Some(Unit::CENTIDEGREE_CELSIUS),
            _ => None,
        }
    }

    /// Whether values of this quantity can be in that unit; a quantity or a unit without
    /// a name gets the benefit of the doubt.
    pub const fn goes_with(self, unit: Unit) -> bool {
        match self.own_unit() {
            Some(own) => own.0 == unit.0 || !unit.has_dimension(),
            None => true,
        }
    }
}

/// What one step of a value is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Unit(pub u8);

impl Unit {
    /// Steps of the device's own, without a known size.
    pub const STEP: Self = Self(0);
    /// One millionth of a degree of angle.
    pub const MICRODEGREE: Self = Self(1);
    /// One thousandth of a millimetre.
    pub const MICROMETRE: Self = Self(2);
    /// One hundredth of a degree Celsius.
    pub const CENTIDEGREE_CELSIUS: Self = Self(3);

    /// Whether the unit has a name and a size.
    pub const fn has_dimension(self) -> bool {
        matches!(
            self,
            Self::MICRODEGREE | Self::MICROMETRE | Self::CENTIDEGREE_CELSIUS
        )
    }
}

/// What a channel can do: one bit each.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Abilities(pub u16);

impl Abilities {
    /// The rate can be set.
    pub const SET_RATE: Self = Self(0x0001);
    /// It can show itself.
    pub const BLINK: Self = Self(0x0002);
    /// Its samples carry a temperature.
    pub const TEMPERATURE: Self = Self(0x0004);

    /// Whether every bit of `other` is set.
    pub const fn has(self, other: Self) -> bool {
        self.0 & other.0 == other.0
    }
}

/// What is to be known about one value: one bit each.
///
/// A bit of the lower byte casts doubt on the value; a bit of the upper byte makes it
/// useless. So a receiver knows what to do with a bit that it has no name for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Status(pub u16);

impl Status {
    /// Nothing to remark.
    pub const GOOD: Self = Self(0);
    /// Warming up, filter filling, or moved within the measuring time.
    pub const NOT_SETTLED: Self = Self(0x0001);
    /// Little light, little echo, much scatter.
    pub const WEAK_SIGNAL: Self = Self(0x0002);
    /// Supply voltage lower than it should be.
    pub const LOW_SUPPLY: Self = Self(0x0004);
    /// Samples before this one were skipped: the device does not keep its rate.
    pub const LATE: Self = Self(0x0008);
    /// Beyond the range of the identity; the value is the nearer end of the range.
    pub const OVER_RANGE: Self = Self(0x0100);
    /// No echo, no light, wire off; the value is 0 and means nothing.
    pub const NO_SIGNAL: Self = Self(0x0200);
    /// The self-test went wrong.
    pub const SELF_TEST_FAILED: Self = Self(0x0400);
    /// The converter stood at its end within the measuring time.
    pub const SATURATED: Self = Self(0x0800);

    /// The bits that cast doubt.
    pub const DOUBTFUL: Self = Self(0x00ff);
    /// The bits that make a value useless.
    pub const USELESS: Self = Self(0xff00);

    /// Whether every bit of `other` is set.
    pub const fn has(self, other: Self) -> bool {
        self.0 & other.0 == other.0
    }

    /// Both sets of bits.
    #[must_use]
    pub const fn and(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }

    /// Whether the value may be used at all.
    pub const fn is_usable(self) -> bool {
        self.0 & Self::USELESS.0 == 0
    }

    /// Whether there is any doubt about a value that may be used.
    pub const fn is_doubtful(self) -> bool {
        self.0 & Self::DOUBTFUL.0 != 0
    }
}

/// What is wrong in a device.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct FaultCode(pub u16);

impl FaultCode {
    /// The measuring element does not answer; detail: its own error number.
    pub const ELEMENT_SILENT: Self = Self(1);
    /// The measuring element answers nonsense; detail: what it said.
    pub const ELEMENT_WRONG: Self = Self(2);
    /// Self-test failed; detail: number of the step.
    pub const SELF_TEST: Self = Self(3);
    /// Supply too low; detail: millivolts.
    pub const SUPPLY: Self = Self(4);
    /// Kept settings were lost and are at their defaults; detail: 0.
    pub const SETTINGS_LOST: Self = Self(5);
    /// The device restarted by itself; detail: cause, by the device's own numbers.
    pub const RESTARTED: Self = Self(6);
    /// Bytes from the host came faster than they could be taken; detail: how many were lost.
    pub const BYTES_LOST: Self = Self(7);
    /// A frame from the host was rejected; detail: the number of the reason.
    pub const FRAME_REJECTED: Self = Self(8);
    /// Too hot or too cold to measure; detail: hundredths of a degree, as a signed number.
    pub const TEMPERATURE: Self = Self(9);

    /// The fault in words; `None` for a code without a name.
    pub const fn words(self) -> Option<&'static str> {
        Some(match self {
            Self::ELEMENT_SILENT => "measuring element does not answer",
            Self::ELEMENT_WRONG => "measuring element answers nonsense",
            Self::SELF_TEST => "self-test failed",
            Self::SUPPLY => "supply too low",
            Self::SETTINGS_LOST => "settings lost",
            Self::RESTARTED => "restarted by itself",
            Self::BYTES_LOST => "lost bytes from the host",
            Self::FRAME_REJECTED => "rejected a frame from the host",
            Self::TEMPERATURE => "too hot or too cold to measure",
            _ => return None,
        })
    }
}

/// Why a request was not carried out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Refusal(pub u8);

impl Refusal {
    /// The device cannot do this at all.
    pub const CANNOT: Self = Self(1);
    /// The number asked for is too small.
    pub const TOO_SMALL: Self = Self(2);
    /// The number asked for is too big.
    pub const TOO_BIG: Self = Self(3);
    /// There is no such channel.
    pub const NO_SUCH_CHANNEL: Self = Self(4);
    /// Not now; ask again later.
    pub const BUSY: Self = Self(5);

    /// The refusal in words; `None` for a code without a name.
    pub const fn words(self) -> Option<&'static str> {
        Some(match self {
            Self::CANNOT => "cannot do this",
            Self::TOO_SMALL => "number too small",
            Self::TOO_BIG => "number too big",
            Self::NO_SUCH_CHANNEL => "no such channel",
            Self::BUSY => "busy",
            _ => return None,
        })
    }
}
