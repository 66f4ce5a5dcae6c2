//! Room that a channel keeps for working in, so that nothing is allocated once it has
//! grown to its size.
//!
//! In: nothing. Out: vectors to be filled anew. Refused: nothing.

use super::Average;

/// Vectors to work in.
#[derive(Debug, Clone, Default)]
pub(super) struct Room {
    /// Beats (time, value), the newest last.
    pub(super) beats: Vec<(f64, f64)>,
    pub(super) values: Vec<f64>,
    pub(super) clean: Vec<f64>,
    pub(super) around: Vec<f64>,
    pub(super) window: Vec<(f64, f64)>,
}

/// The mean over the still stretch as it was worked out last, and for which beats.
#[derive(Debug, Clone, Default)]
pub(super) struct Still {
    pub(super) room: Room,
    pub(super) of: Option<StillOf>,
    pub(super) found: Option<(Average, u64)>,
}

/// The beats that a mean is over.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct StillOf {
    /// How many beats there have been.
    pub(super) beat: u64,
    /// How many of them are in it.
    pub(super) beats: usize,
    pub(super) resolution: f64,
}
