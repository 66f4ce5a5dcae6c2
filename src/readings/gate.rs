//! The stillness gate: may a reading be kept?
//!
//! In: a short stretch of a sensor's values at about ten a second, outliers
//! and all. Out: [`Stillness`]. Refused: to call still what swings, drifts, or
//! has not been watched for long enough.
//!
//! # Method
//!
//! Over the last [`Gate::window_s`] seconds, outliers replaced ([`hampel`]):
//!
//! 1. *Swinging*: the standard deviation must not exceed twice the noise that
//!    the sensor had when it was last still, or a floor. Before that noise is
//!    known, the values must look like noise and nothing else: the mean square
//!    differences of values one, two and three apart must each be about twice
//!    the variance, which no swing of any frequency achieves.
//! 2. *Moving*: the R-statistic must not exceed its limit.
//! 3. *Drifting*: the slope must not exceed 3.5 times its own standard
//!    uncertainty plus [`Gate::slow_per_s`]: the slow creep of springs that
//!    take a set is no reason to wait.
//!
//! Still is what has passed for [`Gate::hold_s`]. What is still stays so until
//! the wider limits are exceeded. A sensor whose noise has grown for good (a
//! machine runs nearby) is accepted with its new noise once it has looked like
//! noise for [`Gate::relearn_s`].

use super::average::{average, slope};
use super::room::Room;
use super::steady::{RStatistic, hampel_into, scaled_mad, successive_sd};
use crate::drivers::SampleKind;
use crate::quantity::Moment;

/// More than this is no accident. Chosen, well beyond the 99.5 % quantile of R
/// for pure noise, 1.85, because a window is looked at ten times a second and
/// an unlucky one makes a person wait.
const R_ENTER: f64 = 2.2;
/// Above this, what was still is not any more. Chosen, because once a window
/// is enough for a real step to reach it and noise does not in hours.
const R_LEAVE: f64 = 3.0;
/// Half width and threshold of the outlier filter.
const OUTLIER_HALF_WIDTH: usize = 3;
/// In scaled median absolute deviations.
const OUTLIER_THRESHOLD: f64 = 4.0;
/// How far the three difference ratios may be from 1 before the noise is
/// known. A swing alone is off by 0.7 at least in one of them, at any frequency
/// (1 - cos a, 1 - cos 2a, 1 - cos 3a for the phase step a, which is worst at
/// 45 and 135 degrees); noise alone by 0.2, one standard deviation at 25 values.
const LIKE_NOISE: f64 = 0.5;
/// More than this share of outliers are none: a swing whose peaks are few
/// samples wide.
const MOST_OUTLIERS: f64 = 0.12;
/// Fewest values in a window that can be judged.
const FEWEST: usize = 8;

/// What counts as still. Radians or metres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gate {
    /// How long a stretch is looked at. Chosen, because a vehicle swings once
    /// or twice a second and a window must hold two whole swings.
    pub window_s: f64,
    /// How long the window must pass before it counts.
    pub hold_s: f64,
    /// How long noise of another size must look like noise before it is
    /// accepted as the sensor's own.
    pub relearn_s: f64,
    /// Motion slower than this is let pass, per second.
    pub slow_per_s: f64,
    /// A spread below this (standard deviation) is still in any case.
    pub quiet: f64,
    /// The smallest change that shows, where known.
    pub resolution: f64,
    /// The longest stretch that is averaged, in seconds.
    pub average_s: f64,
}

impl Gate {
    /// What is usual for a kind of sensor: 0.02 mm/s or 0.002 degrees a second
    /// are slow, 0.02 mm or 0.002 degrees are quiet. Chosen, because a height
    /// is wanted to some tenths of a millimetre.
    pub fn usual(kind: SampleKind) -> Self {
        let small = match kind {
            SampleKind::Angle => 0.002_f64.to_radians(),
            SampleKind::Distance => 0.02e-3,
        };
        Self {
            window_s: 2.5,
            hold_s: 0.5,
            relearn_s: 8.0,
            slow_per_s: small,
            quiet: small,
            resolution: 0.0,
            average_s: 10.0,
        }
    }

    /// The noise that is there although the values may not show it: that of
    /// rounding to steps (a rectangular distribution, GUM 4.3.7).
    pub fn rounding_sd(&self) -> f64 {
        self.resolution / 12.0_f64.sqrt()
    }
}

/// Whether a sensor stands still.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stillness {
    /// Whether it does.
    pub still: bool,
    /// Since when: the beginning of the stretch that was seen to be still, or
    /// of the unrest.
    pub since: Option<Moment>,
    /// Why.
    pub why: StillnessWhy,
}

/// Why something counts as still or not. Rates and spreads in radians or
/// metres.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub enum StillnessWhy {
    /// Nothing but noise.
    Steady,
    /// Steady now, but not for long enough.
    Confirming,
    /// Not watched for long enough, or too few values.
    TooFew,
    /// It swings.
    Swinging {
        /// Standard deviation.
        spread: f64,
        /// What is let pass.
        allowed: f64,
    },
    /// It moves.
    Moving {
        /// The R-statistic.
        r: f64,
    },
    /// It drifts.
    Drifting {
        /// Per second.
        rate: f64,
        /// What is let pass, per second.
        allowed: f64,
    },
    /// The device itself says that it has not settled.
    DeviceNotSettled,
}

/// The state of one sensor's gate.
#[derive(Debug, Clone, Default)]
pub(super) struct GateState {
    /// Noise when last still.
    noise: Option<f64>,
    /// On the sensor's own time line: since when every look has passed.
    passing_since: Option<f64>,
    /// Since when the noise has looked like noise though it is too big.
    noise_like_since: Option<f64>,
    /// Where the still stretch began.
    still_from: Option<f64>,
    why: Option<StillnessWhy>,
}

impl GateState {
    /// Looks at the beats of the room, the newest last.
    pub(super) fn look(&mut self, gate: &Gate, room: &mut Room, not_settled: bool) {
        let Some((now, _)) = room.beats.last().copied() else {
            return;
        };
        let verdict = if not_settled {
            Err(StillnessWhy::DeviceNotSettled)
        } else {
            self.judge(gate, room, now)
        };
        match verdict {
            Ok(noise) => {
                let since = *self.passing_since.get_or_insert(now);
                if self.still_from.is_some() {
                    self.why = Some(StillnessWhy::Steady);
                    self.learn(noise, 0.02);
                } else if now - since >= gate.hold_s - 1e-9 {
                    self.still_from = Some(since - gate.window_s);
                    self.why = Some(StillnessWhy::Steady);
                    if self.noise.is_none() {
                        self.noise = Some(noise);
                    }
                } else {
                    self.why = Some(StillnessWhy::Confirming);
                }
            }
            Err(why) => {
                self.passing_since = None;
                self.still_from = None;
                self.why = Some(why);
            }
        }
    }

    /// Forgets what was seen, keeps what is known of the noise.
    pub(super) fn restart(&mut self) {
        self.passing_since = None;
        self.noise_like_since = None;
        self.still_from = None;
        self.why = None;
    }

    pub(super) fn why(&self) -> StillnessWhy {
        self.why.unwrap_or(StillnessWhy::TooFew)
    }

    pub(super) fn still_from(&self) -> Option<f64> {
        self.still_from
    }

    fn learn(&mut self, noise: f64, share: f64) {
        let known = self.noise.unwrap_or(noise);
        self.noise = Some((known * known + share * (noise * noise - known * known)).sqrt());
    }

    /// The noise where the newest window passes.
    fn judge(&mut self, gate: &Gate, room: &mut Room, now: f64) -> Result<f64, StillnessWhy> {
        let Room {
            beats,
            values,
            clean,
            around,
            window,
        } = room;
        let from = beats.partition_point(|(t, _)| *t < now - gate.window_s);
        // A few beats before the window give the filters their start.
        let lead = from.saturating_sub(2 * OUTLIER_HALF_WIDTH);
        values.clear();
        values.extend(beats.iter().skip(lead).map(|(_, x)| *x));
        let floor = gate.rounding_sd().max(f64::MIN_POSITIVE);
        without_outliers(values, floor, clean, around);
        window.clear();
        let times = beats.iter().skip(lead).map(|(t, _)| *t);
        window.extend(times.zip(clean.iter().copied()).skip(from - lead));
        let values = clean.get(from - lead..).unwrap_or_default();
        let covered = window
            .first()
            .is_some_and(|(t, _)| now - t >= 0.85 * gate.window_s);
        let (Some(avg), Some(one), Some(two), Some(three), Some(line)) = (
            average(values),
            successive_sd(values, 1),
            successive_sd(values, 2),
            successive_sd(values, 3),
            slope(window),
        ) else {
            return Err(StillnessWhy::TooFew);
        };
        if values.len() < FEWEST || !covered || has_hole(window) {
            return Err(StillnessWhy::TooFew);
        }

        let was_still = self.still_from.is_some();
        // Noise by differences, so that slow creep does not count.
        let noise = one.max(floor);
        let mut r = RStatistic::usual().started(clean[0], one);
        for x in clean.iter() {
            r.push(*x);
        }
        let r = r
            .value_with_floor(gate.quiet.max(floor) * 0.5)
            .unwrap_or(1.0);

        let quiet = gate.quiet.max(1.2 * floor);
        // What slow creep alone puts into the spread is let pass as well.
        let creep = gate.slow_per_s * gate.window_s / 12.0_f64.sqrt();
        let like_noise = avg.sd <= quiet
            || [one, two, three]
                .iter()
                .all(|s| ((s / avg.sd).powi(2) - 1.0).abs() <= LIKE_NOISE);
        let allowed = match self.noise {
            Some(known) => (if was_still { 2.5 } else { 2.0 } * known)
                .max(quiet)
                .hypot(creep),
            None if like_noise => f64::INFINITY,
            None => quiet.hypot(creep),
        };
        if avg.sd > allowed {
            if !self.relearns(gate, like_noise, now) {
                return Err(StillnessWhy::Swinging {
                    spread: avg.sd,
                    allowed,
                });
            }
            self.noise = Some(noise);
        }
        self.noise_like_since = None;
        if r > if was_still { R_LEAVE } else { R_ENTER } {
            return Err(StillnessWhy::Moving { r });
        }
        let factor = if was_still { 4.5 } else { 3.5 };
        // The noise as known, where this window happens to show less of it.
        let likely = noise.max(self.noise.unwrap_or(0.0));
        let allowed = gate.slow_per_s + factor * line.u_per_noise * likely;
        if line.rate.abs() > allowed {
            return Err(StillnessWhy::Drifting {
                rate: line.rate,
                allowed,
            });
        }
        Ok(noise)
    }

    /// Whether noise that is too big has looked like noise for long enough.
    fn relearns(&mut self, gate: &Gate, like_noise: bool, now: f64) -> bool {
        if !like_noise {
            self.noise_like_since = None;
            return false;
        }
        now - *self.noise_like_since.get_or_insert(now) >= gate.relearn_s
    }
}

/// The series without single outliers; as it is where too many seem to be.
/// What is within the reach of the whole series is no outlier, however far it
/// stands from its neighbours: the peak of a swing.
pub(super) fn without_outliers(
    values: &[f64],
    floor: f64,
    clean: &mut Vec<f64>,
    around: &mut Vec<f64>,
) {
    let floor = scaled_mad(values, around).max(floor);
    let limits = (OUTLIER_HALF_WIDTH, OUTLIER_THRESHOLD, floor);
    hampel_into(values, limits, clean, around);
    let replaced = values
        .iter()
        .zip(clean.iter())
        .filter(|(a, b)| (*a - *b).abs() > 0.0)
        .count();
    if replaced as f64 > (MOST_OUTLIERS * values.len() as f64).max(1.0) {
        clean.clear();
        clean.extend_from_slice(values);
    }
}

/// Whether a second or more is missing between two values.
fn has_hole(window: &[(f64, f64)]) -> bool {
    window
        .iter()
        .zip(window.iter().skip(1))
        .any(|(a, b)| b.0 - a.0 > 1.0)
}
