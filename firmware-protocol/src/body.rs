//! Fields in a content: little-endian numbers, one after the other.
//!
//! In: bytes or numbers in order. Out: the other. Refused: reading past the end.

use crate::MAX_CONTENT;

/// Takes numbers off the front of a body.
pub(crate) struct Reader<'a>(pub(crate) &'a [u8]);

impl Reader<'_> {
    #[inline]
    fn take<const N: usize>(&mut self) -> Option<[u8; N]> {
        let (taken, rest) = self.0.split_first_chunk::<N>()?;
        self.0 = rest;
        Some(*taken)
    }

    #[inline]
    pub(crate) fn u8(&mut self) -> Option<u8> {
        self.take().map(u8::from_le_bytes)
    }

    #[inline]
    pub(crate) fn u16(&mut self) -> Option<u16> {
        self.take().map(u16::from_le_bytes)
    }

    #[inline]
    pub(crate) fn i16(&mut self) -> Option<i16> {
        self.take().map(i16::from_le_bytes)
    }

    #[inline]
    pub(crate) fn u32(&mut self) -> Option<u32> {
        self.take().map(u32::from_le_bytes)
    }

    #[inline]
    pub(crate) fn i32(&mut self) -> Option<i32> {
        self.take().map(i32::from_le_bytes)
    }

    #[inline]
    pub(crate) fn u64(&mut self) -> Option<u64> {
        self.take().map(u64::from_le_bytes)
    }
}

/// Puts numbers at the end of a content.
pub(crate) struct Writer {
    bytes: [u8; MAX_CONTENT],
    length: usize,
}

impl Writer {
    pub(crate) const fn new() -> Self {
        Self {
            bytes: [0; MAX_CONTENT],
            length: 0,
        }
    }

    /// Adds bytes. Every message fits, which the length table of the kinds and a test of
    /// it see to; bytes past the end would be left out, and the frame then refused.
    #[inline]
    pub(crate) fn put<const N: usize>(&mut self, bytes: [u8; N]) {
        if let Some(room) = self.bytes.get_mut(self.length..self.length + N) {
            room.copy_from_slice(&bytes);
            self.length += N;
        }
    }

    pub(crate) fn written(&self) -> &[u8] {
        &self.bytes[..self.length]
    }
}
