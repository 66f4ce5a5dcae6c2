//! The table of protocols: one line each.
//!
//! In: what the sheet says of the sensors on one port. Out: the driver for
//! that port. Refused: two protocols on one port.

use super::{Driver, Source, Wire, Xdr};
use crate::sheet::Protocol;

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
    make: fn(&[&Protocol]) -> Box<dyn Driver>,
}

/// The protocols.
pub const TABLE: &[Entry] = &[
    Entry {
        name: "wire",
        words: "stillheight's own frames",
        speeds: &[115_200, 57_600, 9_600],
        is: |protocol| matches!(protocol, Protocol::Wire { .. }),
        make: |_| Box::new(Wire::new()),
    },
    Entry {
        name: "xdr",
        words: "NMEA 0183 transducer sentences",
        speeds: &[4_800, 9_600, 38_400, 115_200],
        is: |protocol| matches!(protocol, Protocol::Xdr { .. }),
        make: |_| Box::new(Xdr::new()),
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
}

impl DriverError {
    /// The stable code.
    pub const fn code(&self) -> &'static str {
        match self {
            Self::TwoProtocols { .. } => "drivers.port.two_protocols",
            Self::None => "drivers.port.none",
        }
    }

    /// What to do about it.
    pub const fn help(&self) -> &'static str {
        match self {
            Self::TwoProtocols { .. } => {
                "give each of the two sensors a port of its own, or correct the protocol of one in the sheet"
            }
            Self::None => "say in the sheet which protocol the sensor speaks",
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
    Ok((first.make)(protocols))
}

/// The source from which the sensor's samples come.
pub fn source_of(protocol: &Protocol) -> Source {
    match protocol {
        Protocol::Wire { device, channel } => Source::Wire {
            device: *device,
            channel: *channel,
        },
        Protocol::Xdr { transducer } => Source::Named(transducer.clone()),
    }
}
