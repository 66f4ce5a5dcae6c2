#![no_std]
//! The wire protocol of stillheight's sensors, without `std` and without allocation.
//!
//! In: bytes from a serial line, in pieces of any size, or a [`Message`] to send.
//! Out: messages, each with every field checked, or the whole frame to put on the line.
//! Refused: every damaged, unknown or senseless frame, each with its [`Reason`] and the
//! number of bytes that it took; the next zero byte starts afresh.
//!
//! The page `SPEC.md` beside this crate is the protocol; this crate and the C codec in
//! `c/` are two implementations of it, compared with each other and with the page's own
//! examples by the tests.
//!
//! ```
//! use stillheight_protocol::{Accumulator, MAX_FRAME, Message, Who, encode};
//!
//! let mut frame = [0; MAX_FRAME];
//! let length = encode(&Message::Who(Who { tag: 1 }), &mut frame)?;
//!
//! let mut accumulator = Accumulator::new();
//! let mut heard = 0;
//! accumulator.feed(&frame[..length], |heard_now| {
//!     assert_eq!(heard_now, Ok(Message::Who(Who { tag: 1 })));
//!     heard += 1;
//! });
//! assert_eq!(heard, 1);
//! # Ok::<(), stillheight_protocol::EncodeError>(())
//! ```

mod accumulator;
mod body;
pub mod check;
mod codes;
mod frame;
mod message;
pub mod stuffing;
mod wording;

pub use accumulator::Accumulator;
pub use codes::{Abilities, Direction, FaultCode, Kind, Quantity, Refusal, Status, Unit};
pub use frame::{EncodeError, Field, Reason, Rejection, decode, encode};
pub use message::{Blink, Done, Fault, Firmware, Identity, Message, Refused, Sample, SetRate, Who};

/// The protocol version that this crate speaks: the first byte of every content.
pub const VERSION: u8 = 1;

/// The longest frame on the line in bytes, with the zero byte that ends it.
///
/// Chosen, because it leaves 18 bytes for later versions and keeps every buffer of a
/// small sensor under 64 bytes.
pub const MAX_FRAME: usize = 63;

/// The longest frame without the zero byte that ends it.
pub const MAX_STUFFED: usize = MAX_FRAME - 1;

/// The longest content: version, kind and body, without the check.
pub const MAX_CONTENT: usize = MAX_STUFFED - 1 - check::LENGTH;

/// The shortest stuffed frame that can hold a version, a kind and a check.
pub const MIN_STUFFED: usize = 1 + 2 + check::LENGTH;

/// The channel number in a request or a fault that means the whole device.
pub const WHOLE_DEVICE: u8 = 255;

/// The temperature on the wire that means 'none'.
pub const NO_TEMPERATURE: i16 = i16::MIN;

/// The lowest temperature that may be sent, in hundredths of a degree Celsius.
///
/// Absolute zero is minus 273.15 degrees Celsius by the definition of the Celsius scale.
pub const COLDEST_CENTIDEGREES: i16 = -27_315;
