//! stillheight says how a vehicle that is being built stands on its springs,
//! against what springs and mounts should give, and what to change.
//!
//! The way of the data, top to bottom; a stage names only stages above it:
//!
//! ```text
//! quantity       numbers that know their unit
//! leastsquares   fits with honest uncertainty
//! sheet          build sheet: as typed -> checked -> BuildSheet
//! geometry       pose of frame and axles -> mount points, lengths, heights
//! statics        BuildSheet + load case -> energy -> equilibrium, stiffness, targets
//! layout         wishes, springs, room -> candidates, before the weld
//! ports          serial ports -> bytes + arrival time
//! drivers        bytes -> samples
//! readings       sample + calibration -> reading; still yet?
//! posture        readings -> pose with covariance
//! compare        posture x targets -> inside | outside | cannot tell
//! trials         series of postures -> load test, settling
//! advice         deviations + trials -> changes
//! logbook        what happened, kept for good
//! screen         live terminal view
//! report         tables, JSON, CSV, the page to print
//! share          the live reading on a phone in the same room
//! rehearsal      a simulated vehicle with sensors on pseudo-terminals
//! run            connects the stages
//! ```

pub mod quantity;

pub mod leastsquares;

pub mod sheet;

pub mod geometry;

pub mod statics;

pub mod layout;
pub mod ports;

pub mod drivers;

pub mod readings;

pub mod posture;

pub mod compare;

pub mod trials;

pub mod advice;

pub mod logbook;

pub mod screen;

pub mod report;

pub mod share;

pub mod rehearsal;

pub mod run;
