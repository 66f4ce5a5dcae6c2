//! The build sheet: as typed -> checked -> [`BuildSheet`] (as meant).
//!
//! In: TOML text. Out: a checked sheet, or every mistake of the file at once
//! with its place. Refused: unknown keys, bare numbers, impossible geometry.

mod vehicle;

pub use vehicle::*;
