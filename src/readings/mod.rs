//! Readings: sample + calibration -> reading; is it still yet?
//!
//! In: [`crate::drivers::Heard`] with the port it came from, and the moment
//! that is now. Out: for every sensor of the sheet a [`Reading`]: value,
//! standard uncertainty, time, quality; and whether it stands still, so that
//! the reading may be kept. Refused: values of the wrong kind, values that
//! their device does not trust, values of two devices that claim to be one.
//!
//! A missing or old reading is a quality, never a zero. Pure: the same
//! samples give the same readings to the last digit.

mod average;
mod bench;
mod channel;
mod gate;
pub mod neighbour;
mod room;
mod second_look;
mod steady;
pub mod zeroing;

pub use average::{Average, Slope, average, slope};
pub use bench::{Bench, Notice, Readiness, Stranger};
pub use channel::Channel;
pub use gate::{Gate, Stillness, StillnessWhy};
pub use steady::{MAD_SCALE, RStatistic, hampel, successive_sd};

use crate::drivers::{Remark, SampleKind};
use crate::quantity::Moment;
use crate::sheet::{Measurand, Sensor};

/// What is known of a sensor beside what it says. Radians or metres.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Calibration {
    /// What it shows too much when the true value is `reference`.
    pub zero: f64,
    /// Standard uncertainty of the zero.
    pub zero_uncertainty: f64,
    /// Growth of what it shows too much, as a share of the true value less
    /// `reference`.
    pub scale: f64,
    /// Standard uncertainty of the scale, as a share.
    pub scale_uncertainty: f64,
    /// The true value at which `zero` was found.
    pub reference: f64,
    /// Change of what it shows for a degree Celsius of its own temperature, and
    /// the temperature at which `zero` was found.
    pub warming: Option<(f64, f64)>,
    /// Mounted the other way round: the sign is turned, after the zero is
    /// taken off.
    pub reversed: bool,
}

impl Calibration {
    /// What the sheet says.
    pub fn of(sensor: &Sensor) -> Self {
        Self {
            zero: sensor.zero,
            zero_uncertainty: sensor.zero_uncertainty,
            scale_uncertainty: sensor.scale_uncertainty,
            reversed: matches!(sensor.reads, Measurand::Tilt { reversed: true, .. }),
            ..Self::default()
        }
    }

    /// The value that a raw value stands for, at the temperature at which the
    /// zero was found.
    ///
    /// # Method
    /// raw = v + zero + scale (v - reference), solved for v.
    pub fn value(&self, raw: f64) -> f64 {
        let value = (raw - self.zero + self.scale * self.reference) / (1.0 + self.scale);
        if self.reversed { -value } else { value }
    }

    /// The same at another temperature of the sensor, where it tells it.
    pub fn value_at(&self, raw: f64, temperature_c: Option<f64>) -> f64 {
        let drift = self
            .warming
            .zip(temperature_c)
            .map_or(0.0, |((per_c, at_c), now_c)| per_c * (now_c - at_c));
        self.value(raw - drift)
    }

    /// Standard uncertainty of a value from zero and scale together: the part
    /// that no averaging takes away.
    pub fn uncertainty(&self, value: f64) -> f64 {
        let shown = if self.reversed { -value } else { value };
        self.zero_uncertainty
            .hypot(self.scale_uncertainty * (shown - self.reference))
    }
}

/// What kind of value is due from a sensor.
pub const fn kind_due(reads: &Measurand) -> SampleKind {
    match reads {
        Measurand::Tilt { .. } => SampleKind::Angle,
        Measurand::FrameToFloor { .. } | Measurand::FrameToAxle { .. } => SampleKind::Distance,
    }
}

/// What a sensor says, with how far it can be believed. Radians or metres.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// Index of the sensor in the sheet.
    pub sensor: usize,
    /// The value, zero taken off and the right way round. Not a number where
    /// the sensor has given none; see `quality`.
    pub value: f64,
    /// Standard uncertainty of the value from noise, averaging considered.
    pub noise_u: f64,
    /// Standard uncertainty from zero and scale.
    pub zero_u: f64,
    /// The moment that the value stands for: the middle of what was averaged.
    pub at: Moment,
    /// How many samples were averaged.
    pub samples: u64,
    /// Temperature of the device in degrees Celsius, where it says.
    pub temperature_c: Option<f64>,
    /// How far it can be believed.
    pub quality: Quality,
}

impl Reading {
    /// Standard uncertainty of the value altogether.
    pub fn uncertainty(&self) -> f64 {
        self.noise_u.hypot(self.zero_u)
    }

    /// Whether the value says something about the vehicle now: good or moving.
    pub const fn is_live(&self) -> bool {
        matches!(self.quality, Quality::Good | Quality::Moving)
    }
}

/// How far a reading can be believed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum Quality {
    /// Still: may be kept.
    Good,
    /// In motion, or not yet known to be still.
    Moving,
    /// Nothing has come for longer than the sensor's deadline.
    Silent {
        /// When the last sample came.
        since: Moment,
    },
    /// What comes is not to be believed.
    Untrusted(Distrust),
    /// Nothing has come yet.
    NeverHeard,
    /// A device of another kind: an angle where a distance is due or the other
    /// way round, or values in steps of unknown size.
    WrongKind,
}

/// Why a reading is not to be believed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum Distrust {
    /// The device says so itself.
    Device(Remark),
    /// Two devices send under this one's name.
    TwoDevices,
}

impl std::fmt::Display for Quality {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Good => f.write_str("still"),
            Self::Moving => f.write_str("moving"),
            Self::Silent { .. } => f.write_str("silent"),
            Self::Untrusted(Distrust::Device(remark)) => write!(f, "{remark}"),
            Self::Untrusted(Distrust::TwoDevices) => f.write_str("two devices with one name"),
            Self::NeverHeard => f.write_str("never heard"),
            Self::WrongKind => f.write_str("wrong kind of sensor"),
        }
    }
}
