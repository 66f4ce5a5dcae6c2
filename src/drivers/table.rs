//! The table of protocols: one line each.
//!
//! In: what the sheet says of the sensors on one port. Out: the driver for
//! that port. Refused: two protocols on one port.

use super::described::{
    Described, Description, DescriptionError, Digits, Form, FrameForm, FrameValue, LineValue,
    Pattern,
};
use super::modbus::{BusSettings, Function, Modbus, NumberForm, RegisterValue, WordOrder};
use super::{Check, Crc, Driver, Source, ValueUnit, Wire, Xdr};
use crate::quantity::Span;
use crate::sheet::{Asking, NumberOnLine, Protocol};

/// A protocol.
#[derive(Debug, Clone, Copy)]
pub struct Entry {
    /// Its name, as in the sheet.
    pub name: &'static str,
    /// What it is, in words.
    pub words: &'static str,
    /// Line speeds worth trying, the likeliest first.
    pub speeds: &'static [u32],
    /// Whether a sheet's protocol is this one.
    is: fn(&Protocol) -> bool,
    /// Makes the driver of a port, for all sensors on it.
    make: fn(&[&Protocol]) -> Made,
}

/// A driver, or why there is none.
type Made = Result<Box<dyn Driver>, DriverError>;

/// The protocols.
pub const TABLE: &[Entry] = &[
    Entry {
        name: "wire",
        words: "stillheight's own frames",
        speeds: &[115_200, 57_600, 9_600],
        is: |protocol| matches!(protocol, Protocol::Wire { .. }),
        make: |_| Ok(Box::new(Wire::new())),
    },
    Entry {
        name: "xdr",
        words: "NMEA 0183 transducer sentences",
        speeds: &[4_800, 9_600, 38_400, 115_200],
        is: |protocol| matches!(protocol, Protocol::Xdr { .. }),
        make: |_| Ok(Box::new(Xdr::new())),
    },
    Entry {
        name: "lines",
        words: "text lines as the sheet describes them",
        speeds: &[9_600, 115_200, 19_200],
        is: |protocol| matches!(protocol, Protocol::Lines { .. }),
        make: lines,
    },
    Entry {
        name: "frames",
        words: "short frames as the sheet describes them",
        speeds: &[9_600, 115_200, 19_200],
        is: |protocol| matches!(protocol, Protocol::Frames { .. }),
        make: frames,
    },
    Entry {
        name: "modbus",
        words: "Modbus RTU with registers as the sheet describes them",
        speeds: &[9_600, 19_200, 115_200],
        is: |protocol| matches!(protocol, Protocol::Modbus { .. }),
        make: modbus,
    },
];

/// Why a port gets no driver.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum DriverError {
    /// Sensors on one port speak different protocols.
    #[error("two protocols on one port: '{first}' and '{second}'")]
    TwoProtocols {
        /// One.
        first: &'static str,
        /// The other.
        second: &'static str,
    },
    /// No sensor, or a protocol without a line in the table.
    #[error("no protocol for this port")]
    None,
    /// What the sheet describes cannot be.
    #[error(transparent)]
    Description(#[from] DescriptionError),
    /// Two descriptions of one port that exclude each other.
    #[error("two sensors on one port do not agree on {what}")]
    Disagree {
        /// On what.
        what: &'static str,
    },
    /// A word that the description has and nobody knows.
    #[error("'{word}' is not known here")]
    Word {
        /// The word.
        word: String,
    },
}

impl DriverError {
    /// The stable code.
    pub const fn code(&self) -> &'static str {
        match self {
            Self::TwoProtocols { .. } => "drivers.port.two_protocols",
            Self::None => "drivers.port.none",
            Self::Description(e) => e.code(),
            Self::Disagree { .. } => "drivers.port.disagree",
            Self::Word { .. } => "drivers.port.word",
        }
    }

    /// What to do about it.
    pub const fn help(&self) -> &'static str {
        match self {
            Self::TwoProtocols { .. } => {
                "give each of the two sensors a port of its own, or correct the protocol of one in the sheet"
            }
            Self::None => "say in the sheet which protocol the sensor speaks",
            Self::Description(e) => e.help(),
            Self::Disagree { .. } => {
                "what goes for the whole port must be the same for each of its sensors"
            }
            Self::Word { .. } => "use one of the words that the sheet's schema lists",
        }
    }
}

/// The line of the table for a protocol.
pub fn entry(protocol: &Protocol) -> Option<&'static Entry> {
    TABLE.iter().find(|entry| (entry.is)(protocol))
}

/// The driver for a port with these sensors on it.
///
/// # Errors
///
/// See [`DriverError`].
pub fn driver_for(protocols: &[&Protocol]) -> Result<Box<dyn Driver>, DriverError> {
    let mut entries = protocols.iter().map(|protocol| entry(protocol));
    let first = entries.next().flatten().ok_or(DriverError::None)?;
    for other in entries {
        let other = other.ok_or(DriverError::None)?;
        if other.name != first.name {
            return Err(DriverError::TwoProtocols {
                first: first.name,
                second: other.name,
            });
        }
    }
    (first.make)(protocols)
}

/// Whether a message damaged on the way passes more than once in some thousands: its check
/// has eight bits, or there is none.
pub fn is_weakly_checked(protocol: &Protocol) -> bool {
    match protocol {
        Protocol::Wire { .. } | Protocol::Modbus { .. } => false,
        Protocol::Xdr { .. } | Protocol::Lines { .. } => true,
        Protocol::Frames {
            check,
            check_low_first,
            ..
        } => check_of(check, *check_low_first).is_ok_and(|check| check.length() < 2),
    }
}

/// The source from which the sensor's samples come.
pub fn source_of(protocol: &Protocol) -> Source {
    match protocol {
        Protocol::Wire { device, channel } => Source::Wire {
            device: *device,
            channel: *channel,
        },
        Protocol::Xdr { transducer } => Source::Named(transducer.as_str().into()),
        Protocol::Lines { pattern, .. } => Source::Named(pattern.as_str().into()),
        Protocol::Frames { header, at, .. } => Source::Named(frame_name(header, *at).into()),
        Protocol::Modbus {
            address,
            function,
            register,
            ..
        } => Source::Named(register_name(*address, *function, *register).into()),
    }
}

/// What a value in a frame is called.
fn frame_name(header: &[u8], at: u8) -> String {
    let header: Vec<String> = header.iter().map(|b| format!("{b:02x}")).collect();
    format!("{} byte {at}", header.join(" "))
}

/// What a value in registers is called.
fn register_name(address: u8, function: u8, register: u16) -> String {
    format!("address {address} function {function} register {register}")
}

fn unknown(word: &str) -> DriverError {
    DriverError::Word {
        word: word.to_owned(),
    }
}

fn unit(number: &NumberOnLine) -> Result<ValueUnit, DriverError> {
    Ok(match number.unit.as_str() {
        "deg" => ValueUnit::Degree,
        "rad" => ValueUnit::Radian,
        "m" => ValueUnit::Metre,
        "mm" => ValueUnit::Millimetre,
        "in" => ValueUnit::Inch,
        other => return Err(unknown(other)),
    })
}

/// How a whole port is made to speak: the same for all its sensors, those that
/// say nothing of it left out.
fn asking<'a>(all: impl Iterator<Item = &'a Asking>) -> Result<Asking, DriverError> {
    let mut one = Asking::default();
    for asking in all.filter(|a| !a.start.is_empty()) {
        if !one.start.is_empty() && one != *asking {
            return Err(DriverError::Disagree { what: "'start'" });
        }
        one = asking.clone();
    }
    Ok(one)
}

fn described(form: Form, asking: Asking) -> Made {
    let description = Description {
        form,
        start: asking.start,
        ask_every: asking.every_s.map(Span::from_s),
    };
    Ok(Box::new(Described::new(description)?))
}

fn lines(protocols: &[&Protocol]) -> Made {
    let mut values = Vec::new();
    let mut askings = Vec::new();
    for protocol in protocols {
        if let Protocol::Lines {
            pattern,
            number,
            asking,
        } = protocol
        {
            askings.push(asking);
            values.push(LineValue {
                name: pattern.as_str().into(),
                pattern: Pattern::new(pattern)?,
                scale: number.scale,
                unit: unit(number)?,
            });
        }
    }
    described(Form::Lines(values), asking(askings.into_iter())?)
}

fn check_of(word: &str, low_first: bool) -> Result<Check, DriverError> {
    let crc = |crc| Check::Crc { crc, low_first };
    Ok(match word {
        "none" => Check::None,
        "sum" => Check::Sum,
        "zero-sum" => Check::ZeroSum,
        "xor" => Check::Xor,
        "crc-8/smbus" => crc(Crc::SMBUS),
        "crc-8/maxim-dow" => crc(Crc::MAXIM_DOW),
        "crc-8/nrsc-5" => crc(Crc::NRSC_5),
        "crc-16/modbus" => crc(Crc::MODBUS),
        "crc-16/ibm-3740" => crc(Crc::IBM_3740),
        "crc-16/xmodem" => crc(Crc::XMODEM),
        "crc-16/kermit" => crc(Crc::KERMIT),
        "crc-16/arc" => crc(Crc::ARC),
        other => return Err(unknown(other)),
    })
}

fn frames(protocols: &[&Protocol]) -> Made {
    let mut form: Option<FrameForm> = None;
    let mut askings = Vec::new();
    for protocol in protocols {
        let Protocol::Frames {
            header,
            length,
            check,
            check_low_first,
            at,
            bytes,
            digits,
            low_first,
            number,
            asking,
        } = protocol
        else {
            continue;
        };
        askings.push(asking);
        let value = FrameValue {
            name: frame_name(header, *at).into(),
            at: *at,
            bytes: *bytes,
            digits: match digits.as_str() {
                "text" => Digits::Text,
                "signed" | "unsigned" => Digits::Whole {
                    signed: digits == "signed",
                    low_first: *low_first,
                },
                other => return Err(unknown(other)),
            },
            scale: number.scale,
            unit: unit(number)?,
        };
        let mut this = FrameForm {
            header: header.clone(),
            length: *length,
            check: check_of(check, *check_low_first)?,
            values: vec![value],
        };
        if let Some(before) = form.take() {
            let same = before.header == this.header
                && before.length == this.length
                && before.check == this.check;
            if !same {
                return Err(DriverError::Disagree {
                    what: "'header', 'length' or 'check'",
                });
            }
            this.values.splice(0..0, before.values);
        }
        form = Some(this);
    }
    let form = form.ok_or(DriverError::None)?;
    described(Form::Frames(form), asking(askings.into_iter())?)
}

fn modbus(protocols: &[&Protocol]) -> Made {
    let mut settings: Option<BusSettings> = None;
    for protocol in protocols {
        let Protocol::Modbus {
            address,
            function,
            register,
            form,
            order,
            number,
            baud,
            timeout_s,
            period_s,
        } = protocol
        else {
            continue;
        };
        let value = RegisterValue {
            name: register_name(*address, *function, *register).into(),
            address: *address,
            function: if *function == 4 {
                Function::Input
            } else {
                Function::Holding
            },
            register: *register,
            form: match form.as_str() {
                "u16" => NumberForm::U16,
                "i16" => NumberForm::I16,
                "u32" => NumberForm::U32,
                "i32" => NumberForm::I32,
                "f32" => NumberForm::F32,
                other => return Err(unknown(other)),
            },
            order: match order.as_str() {
                "abcd" => WordOrder::Abcd,
                "cdab" => WordOrder::Cdab,
                "badc" => WordOrder::Badc,
                "dcba" => WordOrder::Dcba,
                other => return Err(unknown(other)),
            },
            scale: number.scale,
            unit: unit(number)?,
        };
        let (timeout, period) = (Span::from_s(*timeout_s), Span::from_s(*period_s));
        let bus = settings.get_or_insert_with(|| BusSettings {
            baud: *baud,
            timeout,
            period,
            values: Vec::new(),
        });
        // The slowest device has its time, and the one asked oftenest its turn.
        bus.timeout = bus.timeout.max(timeout);
        bus.period = bus.period.min(period);
        bus.values.push(value);
    }
    Ok(Box::new(Modbus::new(settings.ok_or(DriverError::None)?)))
}
