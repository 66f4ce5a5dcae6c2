//! Serial ports: find, open, reopen, record, replay -> bytes + arrival time.
//!
//! In: a path or a USB identity, a line speed, a [`Clock`]. Out: [`PortEvent`]s
//! (bytes with the moment at which they arrived; opened; gone; refused) in a
//! bounded channel. Refused, each as a [`PortError`] that says what to do: a
//! port that does not exist, is in use, is not permitted or is no serial port.
//!
//! What this stage does not do: notice that a device has gone silent. A line
//! that is merely quiet looks the same as one whose far end has died behind
//! an adapter; each sensor's deadline, in `readings`, decides.
//!
//! Pseudo-terminals are opened by the same code as adapters; they are never
//! listed by [`list`], so they are given by path.

mod capture;
mod clock;
mod error;
mod line;
mod listing;
mod pace;
pub(crate) mod platform;
mod stream;

pub use capture::{CaptureError, CaptureHeader, CaptureWriter, CapturedLine, Replay};
pub use clock::Clock;
pub use error::PortError;
pub use line::{Address, LineSettings, Port, PortCounts, attach};
pub use listing::{FoundPort, UsbIdentity, list, locate};
pub use pace::LookPace;
pub use platform::{PortName, System, permission_help, port_name};

use crate::quantity::Moment;

/// Something that happened on a port.
#[derive(Debug, Clone, PartialEq)]
pub struct PortEvent {
    /// The number under which the port was attached.
    pub port: usize,
    /// What happened.
    pub kind: PortEventKind,
    /// When; of bytes, when the read that brought them returned.
    pub at: Moment,
}

/// What happened on a port.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum PortEventKind {
    /// The port is open, under this path.
    Opened {
        /// The path as opened; another than before where the adapter came back
        /// under another name.
        path: std::path::PathBuf,
    },
    /// Bytes arrived.
    Bytes(Vec<u8>),
    /// Bytes were handed to the line.
    Sent(Vec<u8>),
    /// The port was open and is no more; it will be looked for.
    Gone {
        /// In words.
        why: GoneWhy,
    },
    /// The port cannot be opened; it will be tried again. Said once for every
    /// new reason, not for every attempt.
    Refused {
        /// Why.
        error: PortError,
    },
}

/// Why an open port is open no more.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub enum GoneWhy {
    /// A read said end of file: the adapter was pulled or the far end of a
    /// pseudo-terminal closed.
    HungUp,
    /// A read failed.
    Read(String),
    /// A write failed.
    Write(String),
}

impl std::fmt::Display for GoneWhy {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::HungUp => f.write_str("unplugged, or the other end has closed"),
            Self::Read(why) => write!(f, "reading failed ({why})"),
            Self::Write(why) => write!(f, "writing failed ({why})"),
        }
    }
}
