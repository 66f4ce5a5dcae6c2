//! The logbook: what happened at the vehicle, kept for good.
//!
//! In: plain records ([`KeptReading`], [`Mark`], [`Change`], [`RawSample`],
//! ...), each with its moment. Out: the same records, in order. Refused: any
//! number that is not finite, a file of another program, a logbook of a newer
//! version, a second writer on the same file.
//!
//! # The file
//!
//! One SQLite file beside the build sheet: `van.toml` has `van.logbook.sqlite`
//! ([`beside`]). SQLite keeps two files next to it while it is open
//! (`-wal`, `-shm`), and the program a third (`.lock`), which stays and is
//! empty when nobody writes. Whoever copies the logbook by hand copies the
//! `-wal` file with it, or better exports.
//!
//! * Own `application_id` ([`APPLICATION_ID`]); the schema's version is
//!   `user_version`. A file without the former is never written to.
//! * Write-ahead log, `synchronous = FULL`: when [`Logbook::keep`] returns, the
//!   record is on the disk, as far as the disk tells the truth.
//! * STRICT tables, SI values, moments in microseconds since 1970 UTC. SQLite
//!   stores a NaN as NULL, so every number is looked at before it goes in.
//! * A kept reading has one place: (sitting, moment). Keeping the same reading
//!   again gives the same id, so that a retry after a doubtful commit cannot
//!   double it.
//! * Each kept reading carries a digest of itself, because SQLite has no
//!   checksum of its pages: one that reads back altered is marked as such.
//! * Raw samples are thinned by age ([`THINNING`]); nothing else is ever
//!   deleted.

mod digest;
mod error;
mod file;
mod keeping;
mod lock;
mod lookup;
mod raw;
mod records;
mod schema;
mod thin;
mod writer;

pub use error::{LogbookError, Strange};
pub use file::{Logbook, beside};
pub use lookup::{History, Logged, Which};
pub use raw::{THINNING, ThinningRule};
pub use records::{
    Calibration, Change, ChangeKind, Fit, Kept, KeptBy, KeptId, KeptQuantity, KeptReading,
    KeptSensor, KeptState, Load, Mark, MarkKind, MountEnd, Origin, RawSample, Sitting, SittingId,
    Unit,
};
pub use schema::{APPLICATION_ID, SCHEMA_VERSION};
pub use thin::Thinned;
pub use writer::{Answer, HoldingBounds, LogbookWriter, Trouble, Unsaved, WriterState};

#[cfg(test)]
mod scratch;
