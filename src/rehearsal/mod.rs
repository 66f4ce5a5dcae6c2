//! A rehearsal: a simulated vehicle whose sensors speak on pseudo-terminals.
//!
//! In: a seed and a speed. Out: real bytes on real (pseudo) serial lines, the
//! marks that a builder would give, and the truth to compare with. Refused:
//! systems without pseudo-terminals.
//!
//! ```text
//! chassis   the truth in numbers          sheet   what the builder believes
//! strut     spring, damper, friction      story   what happens when
//! vehicle   moves by forces               burden  a load that moves about
//!      \____________ play: all together, by simulated time ____________/
//!                      sensors -> frames      truth -> record
//!                                 stage: by the clock, on pseudo-terminals
//! ```
//!
//! It is written apart from everything that reads and reckons: it shares no
//! geometry, no statics and no number with them, so that an agreement of the
//! two says something.

mod burden;
mod chassis;
mod fault;
#[cfg(unix)]
mod line;
mod play;
mod sensors;
mod sheet;
#[cfg(unix)]
mod stage;
mod story;
mod strut;
mod truth;
mod vehicle;

pub use burden::Burden;
pub use chassis::{
    Chassis, Coilover, Floor, Frame, FrontCorners, Link, Place, RearAxle, SetLaw, Tyre,
};
pub use fault::{RehearsalError, Step};
#[cfg(unix)]
pub use line::LineCount;
pub use play::Play;
pub use sensors::{FITTINGS, Fitting, Looks, Sensor};
pub use sheet::{VEHICLE_NAME, sheet_text};
#[cfg(unix)]
pub use stage::{Outcome, Stage, StagePlan};
pub use story::{Cue, CueKind, HELPER, SANDBAGS, Story};
pub use strut::{Strut, Unit};
pub use truth::{Known, STATIONS, Truth, TruthRecord, UNITS};
pub use vehicle::{Pose, Vehicle, Weight};
