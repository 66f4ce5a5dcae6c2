//! Consistent Overhead Byte Stuffing: bytes without a zero, so that zero can end a frame.
//!
//! In: content of at most 254 bytes, or its stuffed form of at most 255.
//! Out: the other form, written into a buffer of the caller's.
//! Refused: a zero inside the stuffed form, a group that runs past its end, nothing at all
//! where at least one byte is due, and whatever is longer: no frame of the protocol comes
//! near the 254 bytes at which a group of the published method needs splitting.
//!
//! Choices where the published method leaves one: empty content becomes the one byte 01;
//! 254 bytes without a zero become FF and those bytes, with no empty group after them.

/// The longest content that can be stuffed here.
pub const LONGEST: usize = 254;

/// Why bytes cannot be stuffed or unstuffed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Unfit {
    /// More bytes than a frame could ever have.
    TooLong,
    /// The buffer for the result is too small.
    RoomTooSmall,
    /// Not the stuffed form of anything: a zero, an overlong group, or empty.
    NotStuffed,
}

impl core::fmt::Display for Unfit {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str(match self {
            Self::TooLong => "more bytes than one group can carry",
            Self::RoomTooSmall => "no room for the result",
            Self::NotStuffed => "not the stuffed form of any content",
        })
    }
}

impl core::error::Error for Unfit {}

/// Writes the stuffed form of `content` and says how long it is: always one byte longer.
pub fn stuff(content: &[u8], out: &mut [u8]) -> Result<usize, Unfit> {
    if content.len() > LONGEST {
        return Err(Unfit::TooLong);
    }
    let length = content.len() + 1;
    let out = out.get_mut(..length).ok_or(Unfit::RoomTooSmall)?;
    let mut code_at = 0;
    let mut code = 1;
    for (place, &byte) in (1..).zip(content) {
        if byte == 0 {
            out[code_at] = code;
            code_at = place;
            code = 1;
        } else {
            out[place] = byte;
            code += 1;
        }
    }
    out[code_at] = code;
    Ok(length)
}

/// Writes the content of a stuffed form and says how long it is: always one byte shorter.
#[inline]
pub fn unstuff(stuffed: &[u8], out: &mut [u8]) -> Result<usize, Unfit> {
    if stuffed.len() > LONGEST + 1 {
        return Err(Unfit::TooLong);
    }
    let (&first, rest) = stuffed.split_first().ok_or(Unfit::NotStuffed)?;
    let out = out.get_mut(..rest.len()).ok_or(Unfit::RoomTooSmall)?;
    if find_zero(stuffed).is_some() {
        return Err(Unfit::NotStuffed);
    }
    // Every byte after the first keeps its place; those that are codes become zeros.
    out.copy_from_slice(rest);
    let mut next = usize::from(first);
    while let Some(&code) = stuffed.get(next) {
        out[next - 1] = 0;
        next += usize::from(code);
    }
    if next == stuffed.len() {
        Ok(rest.len())
    } else {
        Err(Unfit::NotStuffed)
    }
}

/// The place of the first zero byte, eight bytes at a time.
#[inline]
pub(crate) fn find_zero(bytes: &[u8]) -> Option<usize> {
    const ONES: u64 = 0x0101_0101_0101_0101;
    const TOPS: u64 = 0x8080_8080_8080_8080;
    let (words, tail) = bytes.as_chunks::<8>();
    for (index, &word) in words.iter().enumerate() {
        let word = u64::from_le_bytes(word);
        // The lowest top bit that is set here belongs to the first zero byte; a borrow
        // can set others only above it.
        let zeros = word.wrapping_sub(ONES) & !word & TOPS;
        if zeros != 0 {
            return Some(index * 8 + (zeros.trailing_zeros() / 8) as usize);
        }
    }
    let in_tail = tail.iter().position(|&byte| byte == 0)?;
    Some(words.len() * 8 + in_tail)
}
