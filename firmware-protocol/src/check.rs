//! The check of a frame: a CRC-16, spread over three bytes that are never zero.
//!
//! In: the stuffed bytes in front of the check. Out: the check's three bytes, or whether
//! three given bytes fit. Refused: nothing; every byte string has a check.
//!
//! The check covers the bytes as they are on the line, not the content, so that its
//! promises (three wrong bits, damage within two neighbouring bytes) hold for the line:
//! a wrong bit in a stuffing byte moves zeros about the content, and a check of the
//! content would meet that with nothing better than odds.

use crc::{CRC_16_IBM_3740, Crc, Table};

/// How many bytes the check takes in the frame.
pub const LENGTH: usize = 3;

#[cfg(not(feature = "compact"))]
static TABLES: Crc<u16, Table<16>> = Crc::<u16, Table<16>>::new(&CRC_16_IBM_3740);
#[cfg(feature = "compact")]
static TABLES: Crc<u16, Table<1>> = Crc::<u16, Table<1>>::new(&CRC_16_IBM_3740);

/// CRC-16/IBM-3740 of some bytes: polynomial 0x1021, start 0xFFFF, nothing reflected,
/// nothing added at the end.
///
/// ```
/// assert_eq!(stillheight_protocol::check::crc(b"123456789"), 0x29b1);
/// ```
#[inline]
pub fn crc(bytes: &[u8]) -> u16 {
    TABLES.checksum(bytes)
}

/// The three bytes of a check: 2, 7 and 7 bits, highest first, each with its top bit set.
///
/// ```
/// assert_eq!(stillheight_protocol::check::spread(0x29b1), [0x80, 0xd3, 0xb1]);
/// ```
#[inline]
pub const fn spread(crc: u16) -> [u8; LENGTH] {
    let [high, low] = crc.to_be_bytes();
    [
        0x80 | (high >> 6),
        0x80 | ((high << 1) & 0x7e) | (low >> 7),
        0x80 | low,
    ]
}
