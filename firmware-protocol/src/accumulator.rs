//! Gathers bytes from the line, in pieces of any size, into messages.
//!
//! In: bytes as they come. Out: for every frame its message or its [`Rejection`].
//! Refused: nothing is fatal; after any rejection the next zero byte starts afresh, and a
//! run without a zero, however long, takes no more room and is one rejection.

use crate::stuffing::find_zero;
use crate::{MAX_STUFFED, Message, Reason, Rejection, decode};

/// Gathers bytes into messages; 62 bytes of memory and two counters.
#[derive(Clone, Debug)]
pub struct Accumulator {
    held: [u8; MAX_STUFFED],
    /// Bytes since the last zero; those past the end of `held` are only counted.
    pending: usize,
}

impl Default for Accumulator {
    fn default() -> Self {
        Self::new()
    }
}

impl Accumulator {
    /// An accumulator that has heard nothing yet.
    pub const fn new() -> Self {
        Self {
            held: [0; MAX_STUFFED],
            pending: 0,
        }
    }

    /// How many bytes came since the last zero byte: half a frame, or, where it exceeds
    /// [`MAX_STUFFED`], a run of something that is not this protocol.
    pub const fn pending(&self) -> usize {
        self.pending
    }

    /// Forgets the bytes since the last zero byte, for a line that was opened anew.
    pub fn forget(&mut self) {
        self.pending = 0;
    }

    /// Takes one byte; a zero byte may give a message or a rejection.
    #[inline]
    pub fn push(&mut self, byte: u8) -> Option<Result<Message, Rejection>> {
        if byte == 0 {
            return self.finish();
        }
        if let Some(place) = self.held.get_mut(self.pending) {
            *place = byte;
        }
        self.pending = self.pending.saturating_add(1);
        None
    }

    /// Takes a piece of any size, and gives each message or rejection as its frame ends.
    #[inline]
    pub fn feed(&mut self, bytes: &[u8], mut each: impl FnMut(Result<Message, Rejection>)) {
        let mut rest = bytes;
        while let Some(zero) = find_zero(rest) {
            let (run, after) = rest.split_at(zero);
            rest = after.get(1..).unwrap_or_default();
            if self.pending == 0 {
                // The whole frame lies in this piece: no need to gather it.
                if !run.is_empty() {
                    each(settle(run, run.len()));
                }
            } else {
                self.hold(run);
                if let Some(heard) = self.finish() {
                    each(heard);
                }
            }
        }
        self.hold(rest);
    }

    fn hold(&mut self, run: &[u8]) {
        if let Some(room) = self.held.get_mut(self.pending..) {
            let taken = room.len().min(run.len());
            room[..taken].copy_from_slice(&run[..taken]);
        }
        self.pending = self.pending.saturating_add(run.len());
    }

    fn finish(&mut self) -> Option<Result<Message, Rejection>> {
        let bytes = core::mem::take(&mut self.pending);
        // Nothing between two zeros is no frame: senders put a zero first to end noise.
        if bytes == 0 {
            return None;
        }
        Some(match self.held.get(..bytes) {
            Some(run) => settle(run, bytes),
            None => Err(Rejection {
                why: Reason::TooLong,
                bytes,
            }),
        })
    }
}

#[inline]
fn settle(run: &[u8], bytes: usize) -> Result<Message, Rejection> {
    decode(run).map_err(|why| Rejection { why, bytes })
}
