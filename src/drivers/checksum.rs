//! Checks over bytes, as cheap modules use them.
//!
//! In: bytes. Out: the check. One bitwise routine for every CRC: the lines
//! are slow, a table would gain nothing.

/// Parameters of a CRC in the words of the public catalogue of CRC
/// algorithms; `refin` and `refout` are always alike.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Crc {
    /// 8 or 16 bits.
    pub width: u8,
    /// Polynomial without its top bit.
    pub poly: u16,
    /// Start value.
    pub init: u16,
    /// Bits of each byte lowest first, result likewise.
    pub reflected: bool,
    /// Combined with the result.
    pub xorout: u16,
}

impl Crc {
    /// CRC-16/MODBUS.
    pub const MODBUS: Self = Self::new(16, 0x8005, 0xFFFF, true, 0);
    /// CRC-16/IBM-3740, often called CCITT-FALSE.
    pub const IBM_3740: Self = Self::new(16, 0x1021, 0xFFFF, false, 0);
    /// CRC-16/XMODEM.
    pub const XMODEM: Self = Self::new(16, 0x1021, 0, false, 0);
    /// CRC-16/KERMIT.
    pub const KERMIT: Self = Self::new(16, 0x1021, 0, true, 0);
    /// CRC-16/ARC.
    pub const ARC: Self = Self::new(16, 0x8005, 0, true, 0);
    /// CRC-8/SMBUS.
    pub const SMBUS: Self = Self::new(8, 0x07, 0, false, 0);
    /// CRC-8/MAXIM-DOW.
    pub const MAXIM_DOW: Self = Self::new(8, 0x31, 0, true, 0);
    /// CRC-8/NRSC-5.
    pub const NRSC_5: Self = Self::new(8, 0x31, 0xFF, false, 0);

    /// With parameters of one's own.
    pub const fn new(width: u8, poly: u16, init: u16, reflected: bool, xorout: u16) -> Self {
        Self {
            width,
            poly,
            init,
            reflected,
            xorout,
        }
    }

    /// The CRC of some bytes.
    pub fn of(&self, bytes: &[u8]) -> u16 {
        let width = u32::from(self.width.min(16));
        let mask = if width == 16 {
            u16::MAX
        } else {
            (1 << width) - 1
        };
        let (mut crc, poly) = if self.reflected {
            let turn = |x: u16| x.reverse_bits() >> (16 - width);
            (turn(self.init), turn(self.poly))
        } else {
            (self.init, self.poly)
        };
        for byte in bytes {
            if self.reflected {
                crc ^= u16::from(*byte);
            } else {
                crc ^= u16::from(*byte) << (width - 8);
            }
            for _ in 0..8 {
                let out = if self.reflected {
                    let out = crc & 1;
                    crc >>= 1;
                    out
                } else {
                    let out = crc >> (width - 1) & 1;
                    crc = crc << 1 & mask;
                    out
                };
                if out == 1 {
                    crc ^= poly;
                }
            }
        }
        (crc ^ self.xorout) & mask
    }
}

/// The check at the end of a short frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[non_exhaustive]
pub enum Check {
    /// None.
    #[default]
    None,
    /// One byte: the low byte of the sum.
    Sum,
    /// One byte that makes the sum of the frame zero.
    ZeroSum,
    /// One byte: exclusive or.
    Xor,
    /// One or two bytes by the width.
    Crc {
        /// Which.
        crc: Crc,
        /// The low byte comes first.
        low_first: bool,
    },
}

impl Check {
    /// How many bytes it takes.
    pub const fn length(&self) -> usize {
        match self {
            Self::None => 0,
            Self::Sum | Self::ZeroSum | Self::Xor => 1,
            Self::Crc { crc, .. } => crc.width as usize / 8,
        }
    }

    /// The check of some bytes, as sent.
    pub fn of(&self, bytes: &[u8]) -> Vec<u8> {
        let sum = || bytes.iter().fold(0_u8, |sum, byte| sum.wrapping_add(*byte));
        match self {
            Self::None => Vec::new(),
            Self::Sum => vec![sum()],
            Self::ZeroSum => vec![sum().wrapping_neg()],
            Self::Xor => vec![bytes.iter().fold(0, |all, byte| all ^ byte)],
            Self::Crc { crc, low_first } => {
                let [high, low] = crc.of(bytes).to_be_bytes();
                match (self.length(), low_first) {
                    (1, _) => vec![low],
                    (_, true) => vec![low, high],
                    (_, false) => vec![high, low],
                }
            }
        }
    }

    /// Whether the last bytes are the check of those before them.
    pub fn fits(&self, frame: &[u8]) -> bool {
        frame
            .len()
            .checked_sub(self.length())
            .and_then(|at| frame.split_at_checked(at))
            .is_some_and(|(bytes, check)| match (self, check) {
                // The usual ones without asking for memory.
                (Self::Xor, [check]) => bytes.iter().fold(0, |all, byte| all ^ byte) == *check,
                (Self::Sum | Self::ZeroSum, [check]) => {
                    let sum = bytes.iter().fold(0_u8, |sum, byte| sum.wrapping_add(*byte));
                    *check
                        == if *self == Self::Sum {
                            sum
                        } else {
                            sum.wrapping_neg()
                        }
                }
                _ => self.of(bytes) == check,
            })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: the public catalogue of CRC algorithms as kept in the
    /// repository akhilles/crc-catalog (`src/algorithm.rs`): the check value
    /// of the nine characters `123456789`; and of other data, computed bit by
    /// bit apart from this code.
    #[test]
    fn catalogue() {
        for (crc, nine, empty, zero, ones) in [
            (Crc::MODBUS, 0x4B37, 0xFFFF, 0x40BF, 0x00FF),
            (Crc::IBM_3740, 0x29B1, 0xFFFF, 0xE1F0, 0xFF00),
            (Crc::XMODEM, 0x31C3, 0x0000, 0x0000, 0x1EF0),
            (Crc::SMBUS, 0x00F4, 0x0000, 0x0000, 0x00F3),
        ] {
            assert_eq!(crc.of(b"123456789"), nine, "{crc:04x?}");
            assert_eq!(crc.of(b""), empty, "{crc:04x?}");
            assert_eq!(crc.of(&[0]), zero, "{crc:04x?}");
            assert_eq!(crc.of(&[0xFF]), ones, "{crc:04x?}");
        }
        for (crc, nine) in [
            (Crc::KERMIT, 0x2189),
            (Crc::ARC, 0xBB3D),
            (Crc::MAXIM_DOW, 0xA1),
            (Crc::NRSC_5, 0xF7),
            // IBM-SDLC, DNP, AUTOSAR, USB, SPI-FUJITSU by their parameters.
            (Crc::new(16, 0x1021, 0xFFFF, true, 0xFFFF), 0x906E),
            (Crc::new(16, 0x3D65, 0, true, 0xFFFF), 0xEA82),
            (Crc::new(8, 0x2F, 0xFF, false, 0xFF), 0xDF),
            (Crc::new(16, 0x8005, 0xFFFF, true, 0xFFFF), 0xB4C8),
            (Crc::new(16, 0x1021, 0x1D0F, false, 0), 0xE5CC),
        ] {
            assert_eq!(crc.of(b"123456789"), nine, "{crc:04x?}");
        }
    }

    /// Source: a public part document of a laser rangefinder module: frames
    /// whose bytes add up to zero.
    #[test]
    fn frames_that_add_up_to_zero() {
        for frame in [
            &[0xFA, 0x06, 0x04, 0xFC][..],
            &[0xFA, 0x04, 0x09, 0x05, 0xF4],
            &[0xFA, 0x04, 0x09, 0x50, 0xA9],
            &[0xFA, 0x04, 0x0A, 0x14, 0xE4],
            &[0xFA, 0x04, 0x0C, 0x02, 0xF4],
            &[0xFA, 0x06, 0x06, 0xFA],
            &[0xFA, 0x04, 0x89, 0x79],
            &[0xFA, 0x84, 0x89, 0x01, 0xF8],
            &[0xFA, 0x84, 0x8C, 0x01, 0xF5],
        ] {
            assert!(Check::ZeroSum.fits(frame), "{frame:02x?}");
            let mut damaged = frame.to_vec();
            damaged[1] ^= 0x10;
            assert!(!Check::ZeroSum.fits(&damaged));
        }
    }

    #[test]
    fn sum_xor_and_the_order_of_two_bytes() {
        assert_eq!(Check::Sum.of(&[0xFF, 0x02]), [0x01]);
        assert_eq!(Check::Xor.of(&[0xF0, 0x0F, 0x01]), [0xFE]);
        let modbus = |low_first| Check::Crc {
            crc: Crc::MODBUS,
            low_first,
        };
        assert_eq!(modbus(true).of(b"123456789"), [0x37, 0x4B]);
        assert_eq!(modbus(false).of(b"123456789"), [0x4B, 0x37]);
        assert!(Check::None.fits(&[]));
        assert!(!Check::Sum.fits(&[]));
    }
}
